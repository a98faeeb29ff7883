//! The simulation: uses one after another, the plant between its moments, and what the logger sees of it.

mod connect;
mod contact;
mod expect;
mod operate;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use foldwatch_profile::{PhaseRef, SignalIx, SignalKind};
use foldwatch_units::{Direction, Joules, Micros, Seconds};
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;

use crate::book::Book;
use crate::condition::conditioned;
use crate::fault::{Effects, Fault, Sensor};
use crate::plant::{Plant, at};
use crate::scenario::Scenario;
use crate::sensor::Input;
use crate::solver::{Reached, SolverError, Stepper, with_solver};
use crate::truth::{FaultTruth, RoofTruth, TrueOutcome, TruthLine};
use crate::unit::{Unit, Want};
use crate::wire::Wires;

/// What the logger sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RigEvent<'a> {
    /// The analog inputs at one moment, in working units.
    Row {
        /// When.
        at: Micros,
        /// One for each signal of the profile that is not binary, in the profile's order.
        analog: &'a [f32],
    },
    /// A binary signal changed, bounce included. Before the first row, one for every binary signal tells its state.
    Edge {
        /// When.
        at: Micros,
        /// Which signal.
        signal: SignalIx,
        /// On: made, energised, given.
        on: bool,
    },
    /// The operator pressed the logger's button.
    Mark {
        /// When.
        at: Micros,
    },
    /// The logger recorded nothing since `from`.
    Gap {
        /// Last moment known.
        from: Micros,
        /// First moment known again.
        until: Micros,
        /// Its supply was gone: it starts anew.
        restart: bool,
    },
}

/// What takes the log and the truth.
pub trait Recorder {
    /// One thing that the logger saw. In order of time.
    fn event(&mut self, event: RigEvent<'_>);
    /// One line of the truth, as soon as it is known.
    fn truth(&mut self, line: TruthLine);
}

/// Rows at full rate from so long before a use.
const BEFORE_S: f64 = 3.0;
/// Rows at full rate for so long after the last drive.
const AFTER_S: f64 = 60.0;
/// After a loss of supply it is back after this time, s.
const POWER_BACK_S: f64 = 60.0;
/// The logger lives on its own charge for so long, s.
const RESERVE_S: f64 = 0.3;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Due {
    Use(usize),
    Demand(Option<Direction>),
    Start(Direction),
    Stop,
    Check(u32),
    GiveUp(u32),
    DriveOff,
    Spool(SignalIx, bool),
    Relay(bool, u32),
    Mechanical(SignalIx, bool),
    Settle(SignalIx, bool, u32),
    Raw(SignalIx, bool, u32),
    Allow(usize),
    Dropout(SignalIx),
    DropoutOver(SignalIx),
    PowerLoss,
    Service(bool),
    GapBegins(f64, bool),
    GapEnds,
}

/// Where the energy of a whole scenario went.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Energy {
    /// Given by the battery's source.
    pub source: Joules,
    /// Heat in battery, cables and winding.
    pub resistance: Joules,
    /// Heat by friction of motor and pump.
    pub friction: Joules,
    /// Heat in the oil: slip, relief valve, leaks.
    pub hydraulic: Joules,
    /// Work against the loads of the axes, less what they gave back.
    pub load: Joules,
    /// Heat by friction, damping and stops of the axes.
    pub axes: Joules,
    /// Left in the oil's compression when the computation of a use ended.
    pub stored: Joules,
}

impl Energy {
    /// What came in and is accounted for nowhere; 0 but for errors of the computation.
    pub fn missing(&self) -> Joules {
        self.source - self.resistance - self.friction - self.hydraulic - self.load - self.axes - self.stored
    }
}

/// Runs a scenario, and gives account of its energy.
///
/// # Errors
/// When the plant cannot be computed: parameters without physical sense.
pub fn simulate(scenario: &Scenario, recorder: &mut dyn Recorder) -> Result<Energy, SolverError> {
    let mut rig = Rig::new(scenario, recorder);
    rig.recorder.truth(TruthLine::Roof(Box::new(RoofTruth {
        profile: scenario.profile.id.clone(),
        seed: scenario.seed,
        sample_rate_hz: rig.rate(),
        params: scenario.params.clone(),
        faults: scenario.faults.iter().map(|f| FaultTruth::of(f, f.strength, &scenario.profile)).collect(),
    })));
    rig.begin(scenario.start);
    let mut next = 0;
    while next < scenario.uses.len() {
        let base = scenario.uses[next].at - Seconds(BEFORE_S);
        rig.sleep(base);
        next = rig.session(base, next)?;
    }
    rig.sleep(scenario.end);
    Ok(rig.energy)
}

/// A scenario under way.
struct Rig<'s> {
    scenario: &'s Scenario,
    recorder: &'s mut dyn Recorder,
    rng: Pcg64Mcg,
    wires: Wires,
    unit: Unit,
    book: Book,
    effects: Effects,
    since: Vec<Option<u32>>,
    inputs: Vec<(SignalIx, Input)>,
    positions: Vec<f64>,
    oil_c: f64,
    motor_c: f64,
    charge_as: f64,
    contacts: Vec<bool>,
    // Within a session:
    base: Micros,
    now: f64,
    queue: BTreeMap<(u64, u64), Due>,
    serial: u64,
    generation: u32,
    relay_epoch: u32,
    demand: Option<Direction>,
    demand_since: Micros,
    refused: Option<Vec<usize>>,
    hold: bool,
    /// The demand was taken the other way, the roof being there already.
    turned: bool,
    intent: Option<(Direction, usize)>,
    spools: Vec<bool>,
    commands: Vec<bool>,
    pump_command: bool,
    relay: bool,
    connected: Vec<Option<(Direction, usize)>>,
    last_drive: f64,
    next_row: Micros,
    /// Nothing is recorded since then; the wires' states at that moment; whether the logger has no supply.
    dark: Option<(Micros, Vec<bool>, bool)>,
    plant: Rc<RefCell<Plant>>,
    next_use: usize,
    upcoming: f64,
    driven: Option<(Direction, usize)>,
    noted: Option<PhaseRef>,
    /// The faults at work in this use, with their strength; whether they have had their moment.
    active: Vec<(Fault, f64, bool)>,
    /// The use that the faults were chosen for.
    prepared: Option<usize>,
    oil_now: f64,
    row: Vec<f32>,
    denied: Option<usize>,
    energy: Energy,
}

impl<'s> Rig<'s> {
    fn new(scenario: &'s Scenario, recorder: &'s mut dyn Recorder) -> Rig<'s> {
        let profile = &scenario.profile;
        let first = scenario.uses.first().map_or(Direction::Opening, |u| u.direction);
        let positions = scenario.layout.at_start(first);
        let inputs: Vec<(SignalIx, Input)> = profile
            .signals()
            .filter(|(_, s)| !s.kind.is_binary())
            .map(|(ix, s)| (ix, Input::new(s, profile, scenario.noise)))
            .collect();
        let wires = Wires::new(profile, &scenario.layout, &positions);
        let contacts = wires.contacts(&scenario.layout, &positions);
        let ambient = scenario.weather.at(scenario.start);
        let signals = profile.signals.len();
        Rig {
            scenario,
            recorder,
            rng: Pcg64Mcg::seed_from_u64(scenario.seed),
            wires,
            unit: Unit::default(),
            book: Book::default(),
            effects: Effects::default(),
            since: vec![None; scenario.faults.len()],
            row: vec![0.0; inputs.len()],
            inputs,
            oil_c: ambient,
            motor_c: ambient,
            charge_as: 0.0,
            contacts,
            base: scenario.start,
            now: 0.0,
            queue: BTreeMap::new(),
            serial: 0,
            generation: 0,
            relay_epoch: 0,
            demand: None,
            demand_since: scenario.start,
            refused: None,
            hold: false,
            turned: false,
            intent: None,
            spools: vec![false; signals],
            commands: vec![false; signals],
            pump_command: false,
            relay: false,
            connected: vec![None; positions.len()],
            positions,
            last_drive: 0.0,
            next_row: scenario.start,
            dark: None,
            plant: Rc::new(RefCell::new(Plant::new(
                scenario.params.clone(),
                scenario.layout.axes.len(),
                ambient,
            ))),
            next_use: 0,
            upcoming: f64::INFINITY,
            driven: None,
            noted: None,
            active: Vec::new(),
            prepared: None,
            oil_now: ambient,
            denied: None,
            energy: Energy::default(),
        }
    }

    fn rate(&self) -> f64 {
        self.scenario.sample_rate_hz.clamp(10.0, 500.0)
    }

    fn moment(&self, t: f64) -> Micros {
        self.base + Seconds(t)
    }

    fn push(&mut self, t: f64, due: Due) {
        self.serial += 1;
        self.queue.insert(((t.max(0.0) * 1e9).round() as u64, self.serial), due);
    }

    /// The faults of the first use are there from the beginning of the log.
    fn begin(&mut self, at: Micros) {
        if !self.scenario.uses.is_empty() {
            // What they change on the wires is told with the first states, not as edges.
            self.dark = Some((at, Vec::new(), false));
            self.prepare(0);
            self.dark = None;
        }
        self.tell_states(at);
    }

    fn prepare(&mut self, first: usize) {
        let colder = self.choose_faults(first);
        self.oil_c -= colder;
        self.motor_c -= colder;
    }

    fn tell_states(&mut self, at: Micros) {
        for (signal, on) in self.wires.states() {
            self.recorder.event(RigEvent::Edge { at, signal, on });
        }
    }

    /// Rows while nothing happens, up to a moment; oil and motor go to the temperature around.
    fn sleep(&mut self, until: Micros) {
        let period = Seconds(1.0 / self.scenario.sleep_rate_hz.clamp(1e-4, 500.0));
        let mut from = self.moment(self.now);
        while self.next_row < until {
            let at = self.next_row;
            self.cool(at - from);
            from = at;
            let mut y = vec![0.0; at::x(self.positions.len())];
            y[at::OIL] = self.oil_c;
            for (axis, x) in self.positions.iter().enumerate() {
                y[at::x(axis)] = *x;
            }
            self.row(at, &y, self.scenario.params.emf_v, 0.0, 0.0);
            self.next_row = at + period;
        }
        self.cool(until - from);
        self.base = until;
        self.now = 0.0;
        self.next_row = self.next_row.min(until);
    }

    /// Temperature around the car, with the cold that is simulated as a condition.
    fn ambient(&self, at: Micros) -> f64 {
        self.scenario.weather.at(at) - self.effects.colder
    }

    fn cool(&mut self, span: Seconds) {
        let ambient = self.ambient(self.base);
        let span = span.0.max(0.0);
        self.oil_c = ambient + (self.oil_c - ambient) * (-span / self.scenario.params.tau_oil_s).exp();
        self.motor_c = ambient + (self.motor_c - ambient) * (-span / self.scenario.params.tau_motor_s).exp();
    }

    /// One row of the analog inputs.
    fn row(&mut self, at: Micros, y: &[f64], supply: f64, current: f64, ripple: f64) {
        if self.dark.is_some() {
            return;
        }
        for (slot, (ix, input)) in self.row.iter_mut().zip(&mut self.inputs) {
            let truth = match self.scenario.profile.signal(*ix).kind {
                SignalKind::Pressure => (y[at::PRESSURE] + ripple) * 1e-5,
                SignalKind::Current => current,
                SignalKind::Voltage => supply,
                SignalKind::Temperature => y[at::OIL],
                _ => {
                    let axis =
                        self.scenario.layout.shown_by.iter().find(|(s, _)| s == ix).map_or(0, |(_, a)| *a);
                    let (low, high) = input.range();
                    let span = 0.9 * (high - low);
                    low + 0.05 * (high - low) + span * y.get(at::x(axis)).copied().unwrap_or(0.0)
                }
            };
            let fault: Option<Sensor> =
                self.effects.sensors.iter().find(|(s, _)| s == ix).map(|(_, fault)| *fault);
            *slot = input.show(truth, fault, &mut self.rng);
        }
        self.recorder.event(RigEvent::Row { at, analog: &self.row });
    }

    /// From shortly before a use until the oil has relaxed or the next use is due later; returns the next use.
    fn session(&mut self, base: Micros, first: usize) -> Result<usize, SolverError> {
        self.base = base;
        self.now = 0.0;
        self.queue.clear();
        self.last_drive = BEFORE_S;
        let scenario = self.scenario;
        if self.prepared != Some(first) {
            self.prepare(first);
        }
        let ambient = self.ambient(base);
        let params = conditioned(&scenario.params, &self.effects);
        let mut plant = Plant::new(params, self.positions.len(), ambient);
        plant.switches = self.wires.places(&scenario.layout, &self.contacts);
        let mut y = vec![0.0; plant.states()];
        y[at::OIL] = self.oil_c;
        y[at::MOTOR] = self.motor_c;
        y[at::CHARGE] = self.charge_as;
        for (axis, x) in self.positions.iter().enumerate() {
            y[at::x(axis)] = *x;
        }
        self.connected.fill(None);
        let plant = Rc::new(RefCell::new(plant));
        self.plant = plant.clone();
        with_solver(plant, y, |solver| self.run(solver, first))
    }

    fn run(&mut self, solver: &mut dyn Stepper, first: usize) -> Result<usize, SolverError> {
        self.next_use = first;
        self.queue_use();
        let mut y = solver.state().to_vec();
        loop {
            let idle = !self.book.driving() && self.demand.is_none() && !self.relay && self.dark.is_none();
            let end = self.last_drive + self.scenario.relaxation.0.max(1.0);
            if idle && self.now >= end - 1e-6 && self.upcoming > self.now + BEFORE_S {
                break;
            }
            let due = self.queue.first_key_value().map_or(f64::INFINITY, |((t, _), _)| *t as f64 * 1e-9);
            let bound = if idle && self.now < end { end } else { self.now + 1.0 };
            let before = self.now;
            let (reached, t) = solver.advance(due.min(bound))?;
            self.rows(solver, &mut y, before, t)?;
            self.now = t;
            if let Reached::Root(ix) = reached {
                let what = self.plant.borrow().meaning(ix);
                solver.change(t, &mut |plant, y| plant.happen(what, y))?;
                self.after(solver, what)?;
            }
            while let Some((&key, &due)) = self.queue.first_key_value() {
                if key.0 as f64 * 1e-9 > self.now + 1e-9 {
                    break;
                }
                self.queue.remove(&key);
                self.handle(solver, due)?;
            }
        }
        y.copy_from_slice(solver.state());
        self.oil_c = y[at::OIL];
        self.motor_c = y[at::MOTOR];
        self.charge_as = y[at::CHARGE];
        for (axis, x) in self.positions.iter_mut().enumerate() {
            *x = y[at::x(axis)];
        }
        let e = &mut self.energy;
        for (sum, ix) in [
            (&mut e.source, at::SOURCE),
            (&mut e.resistance, at::COPPER),
            (&mut e.friction, at::FRICTION),
            (&mut e.hydraulic, at::HYDRAULIC),
            (&mut e.load, at::LOAD),
            (&mut e.axes, at::AXES),
        ] {
            *sum = *sum + Joules(y[ix]);
        }
        e.stored = e.stored + Joules(self.plant.borrow().stored(&y));
        let closed = self.book.close(&self.scenario.profile);
        self.tell(closed);
        Ok(self.next_use)
    }

    /// Puts the next use into the queue, if it comes before the car would sleep; it is left to the next session else.
    fn queue_use(&mut self) {
        match self.scenario.uses.get(self.next_use) {
            Some(u) => {
                self.upcoming = (u.at - self.base).0.max(self.now);
                self.push(self.upcoming, Due::Use(self.next_use));
            }
            None => self.upcoming = f64::INFINITY,
        }
    }

    /// Rows of the step from `before` to `t`.
    fn rows(&mut self, solver: &dyn Stepper, y: &mut [f64], before: f64, t: f64) -> Result<(), SolverError> {
        let until = self.moment(t);
        while self.next_row <= until {
            let at = self.next_row;
            let local = (at - self.base).0.clamp(before, t);
            solver.look(local, y)?;
            let (supply, ripple, fed) = {
                let plant = self.plant.borrow();
                (plant.supply(y[at::CURRENT]), plant.ripple(y, self.rate()), plant.relay)
            };
            self.book.seen(supply, y[at::PRESSURE]);
            // The sensor sits in the feed: what flows through the diode after the relay has opened passes it by.
            let current = if fed { y[at::CURRENT] + ripple.1 } else { 0.0 };
            self.row(at, y, supply, current, ripple.0);
            let full =
                self.book.driving() || local < self.last_drive + AFTER_S || local >= self.upcoming - BEFORE_S;
            let rate = if full { self.rate() } else { self.scenario.idle_rate_hz.clamp(1e-3, 500.0) };
            self.next_row = at + Seconds(1.0 / rate);
            // Full rate begins in time for the next use.
            let before_use = self.moment(self.upcoming.min(1e9) - BEFORE_S);
            if !full && self.next_row > before_use {
                self.next_row = before_use;
            }
        }
        Ok(())
    }

    fn handle(&mut self, solver: &mut dyn Stepper, due: Due) -> Result<(), SolverError> {
        let now = self.now;
        match due {
            Due::Use(ix) => self.begin_use(solver, ix)?,
            Due::Demand(way) => self.press(way),
            Due::Start(direction) => self.start(solver, direction)?,
            Due::Stop => {
                if let Some(running) = self.unit.running.take() {
                    self.unit.memory = Some((running.direction, running.step));
                    self.book.ends_as(TrueOutcome::Stopped, self.moment(now));
                    self.drive_off(solver)?;
                }
            }
            Due::Check(generation) if generation == self.generation => {
                let raw = &self.wires.raw;
                let want = self.unit.check(&self.scenario.profile, &|s: SignalIx| raw[s.at()]);
                self.want(solver, want)?;
                if want == Want::Nothing {
                    self.look(solver)?;
                }
            }
            Due::GiveUp(generation) if generation == self.generation => {
                if let Some(running) = self.unit.running.take() {
                    self.unit.memory = Some((running.direction, running.step));
                    self.book.ends_as(TrueOutcome::GivenUp, self.moment(now));
                    self.drive_off(solver)?;
                    self.let_go(1.0);
                }
            }
            Due::Check(_) | Due::GiveUp(_) => {}
            Due::DriveOff => self.drive_off(solver)?,
            Due::Spool(valve, on) => {
                if self.commands[valve.at()] == on && self.spools[valve.at()] != on {
                    self.spools[valve.at()] = on;
                    self.reconnect(solver)?;
                }
            }
            Due::Relay(on, epoch) if epoch == self.relay_epoch => {
                self.relay = on;
                solver.change(now, &mut |plant, y| plant.switch_relay(on, y))?;
                self.drive_changed(solver);
            }
            Due::Relay(..) => {}
            Due::Mechanical(signal, on) => self.contact(signal, on),
            Due::Settle(signal, on, epoch) => {
                if epoch == self.wires.epoch[signal.at()] {
                    self.settle(solver, signal, on)?;
                }
            }
            Due::Raw(signal, on, epoch) => {
                if epoch == self.wires.epoch[signal.at()] {
                    self.raw(signal, on);
                    self.look(solver)?;
                }
            }
            Due::Dropout(signal) => self.drop_out(solver, signal)?,
            Due::DropoutOver(signal) => {
                let on = self.wires.settled[signal.at()];
                self.raw(signal, on);
                self.look(solver)?;
            }
            Due::PowerLoss => {
                if let Some(running) = self.unit.running.take() {
                    self.unit.memory = Some((running.direction, running.step));
                }
                self.book.ends_as(TrueOutcome::PowerLost, self.moment(now));
                self.drive_off(solver)?;
                solver.change(now, &mut |plant, _| plant.params.emf_v = 0.0)?;
                self.push(now + RESERVE_S, Due::GapBegins(POWER_BACK_S, true));
                self.push(now + 1.0, Due::Demand(None));
            }
            Due::Service(on) => {
                if on {
                    self.command_pump(true);
                } else {
                    self.book.ends_as(TrueOutcome::ServiceRun, self.moment(now));
                    self.command_pump(false);
                }
                self.drive_changed(solver);
            }
            Due::GapBegins(span, restart) => {
                if self.dark.is_none() {
                    self.dark = Some((self.moment(now), self.wires.raw.clone(), restart));
                    self.push(now + span, Due::GapEnds);
                }
            }
            Due::GapEnds => self.light(solver)?,
            Due::Allow(permission) => self.deny(permission, false),
        }
        Ok(())
    }
}
