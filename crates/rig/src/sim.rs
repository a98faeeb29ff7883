//! The simulation: uses one after another, the plant between its moments, and what the logger sees of it.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use foldwatch_profile::{Expr, PhaseRef, SignalIx, SignalKind};
use foldwatch_units::{Direction, Micros, Seconds};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::book::Book;
use crate::condition::{conditioned, drive_for};
use crate::fault::{Effects, Sensor, Wire};
use crate::layout::Law;
use crate::plant::{Drive, Happened, Plant, at};
use crate::scenario::{Operator, Scenario};
use crate::sensor::Input;
use crate::solver::{Reached, SolverError, Stepper, with_solver};
use crate::truth::{CycleTruth, FaultTruth, RoofTruth, TrueOutcome, TruthLine};
use crate::unit::{Running, Unit, Want};
use crate::wire::{Wires, signal_state};

/// What the logger sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RigEvent<'a> {
    /// The analog inputs at one moment, in the order of [`Rig::analog`], in working units.
    Row {
        /// When.
        at: Micros,
        /// One a signal of [`Rig::analog`].
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
/// The oil has relaxed after this time; the car sleeps then.
const RELAXED_S: f64 = 600.0;
/// The unit's filter against bounce, s.
const FILTER_S: f64 = 0.012;
/// From the unit's output to the relay's contact, s.
const RELAY_S: f64 = 0.006;
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

/// Runs a scenario.
///
/// # Errors
/// When the plant cannot be computed: parameters without physical sense.
pub fn simulate(scenario: &Scenario, recorder: &mut dyn Recorder) -> Result<(), SolverError> {
    let mut rig = Rig::new(scenario, recorder);
    rig.recorder.truth(TruthLine::Roof(Box::new(RoofTruth {
        profile: scenario.profile.id.clone(),
        seed: scenario.seed,
        sample_rate_hz: rig.rate(),
        params: scenario.params.clone(),
        faults: scenario.faults.iter().map(|f| FaultTruth::of(f, f.strength, &scenario.profile)).collect(),
    })));
    rig.tell_states(scenario.start);
    let mut next = 0;
    while next < scenario.uses.len() {
        let base = scenario.uses[next].at - Seconds(BEFORE_S);
        rig.sleep(base);
        next = rig.session(base, next)?;
    }
    rig.sleep(scenario.end);
    Ok(())
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
    colder: f64,
    oil_now: f64,
    row: Vec<f32>,
    denied: Option<usize>,
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
            colder: 0.0,
            oil_now: ambient,
            denied: None,
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

    fn cool(&mut self, span: Seconds) {
        let ambient = self.scenario.weather.at(self.base);
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
        let ambient = scenario.weather.at(base);
        let mut plant = Plant::new(scenario.params.clone(), self.positions.len(), ambient);
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
            let end = self.last_drive + RELAXED_S;
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
        let closed = self.book.close(&self.scenario.profile);
        self.tell(closed);
        Ok(self.next_use)
    }

    fn tell(&mut self, cycle: Option<CycleTruth>) {
        if let Some(cycle) = cycle {
            self.recorder.truth(TruthLine::Cycle(Box::new(cycle)));
        }
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
            let current = if fed { y[at::CURRENT] } else { 0.0 };
            self.row(at, y, supply, current, ripple);
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

    // ---- what follows from a located moment of the plant

    fn after(&mut self, solver: &mut dyn Stepper, what: Happened) -> Result<(), SolverError> {
        match what {
            Happened::Switch(ix) => {
                self.contacts[ix] = !self.contacts[ix];
                let layout = &self.scenario.layout;
                for (signal, law) in layout.laws.iter().enumerate() {
                    if law.is_none() {
                        continue;
                    }
                    let state = signal_state(layout, &self.contacts, SignalIx(signal as u16));
                    if state != self.wires.mechanical[signal] {
                        self.wires.mechanical[signal] = state;
                        self.push(self.now, Due::Mechanical(SignalIx(signal as u16), state));
                    }
                }
            }
            Happened::Arrived(_) => self.progress(solver)?,
            Happened::CurrentGone | Happened::MotorStopped | Happened::Relief | Happened::Motion(_) => {}
        }
        Ok(())
    }

    /// Notes which connected steps have got where they go, and lets the next one follow where it has the same drive.
    fn progress(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let Some((direction, mut step)) = self.driven else { return Ok(()) };
        let scenario = self.scenario;
        let steps = scenario.profile.sequence(direction);
        loop {
            let done = {
                let plant = self.plant.borrow();
                scenario
                    .layout
                    .of(direction, step)
                    .iter()
                    .all(|m| plant.drives[m.axis].is_some_and(|d| d.to == m.to && d.arrived))
            };
            if !done {
                return Ok(());
            }
            let phase = PhaseRef { direction, index: step };
            if self.noted != Some(phase) {
                self.noted = Some(phase);
                self.book.arrived(phase, self.moment(self.now));
            }
            let same = steps.get(step + 1).is_some_and(|next| {
                next.pump == steps[step].pump
                    && next.valves == steps[step].valves
                    && next.confirm != Expr::Always
            });
            if !same {
                return Ok(());
            }
            step += 1;
            self.driven = Some((direction, step));
            self.attach(solver, direction, step)?;
        }
    }

    /// Connects the axes of a step.
    fn attach(
        &mut self,
        solver: &mut dyn Stepper,
        direction: Direction,
        step: usize,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let pumped = scenario.profile.sequence(direction)[step].pump;
        let phase = PhaseRef { direction, index: step };
        let drives: Vec<(usize, Option<Drive>)> = scenario
            .layout
            .of(direction, step)
            .iter()
            .enumerate()
            .map(|(nth, m)| (m.axis, drive_for(&scenario.params, &self.effects, phase, nth, m, pumped)))
            .collect();
        for (axis, _) in &drives {
            self.connected[*axis] = Some((direction, step));
        }
        solver.change(self.now, &mut |plant, y| {
            for (axis, drive) in &drives {
                let mut drive = *drive;
                if let Some(d) = &mut drive {
                    let way = if d.to >= d.from { 1.0 } else { -1.0 };
                    d.arrived = (d.to - y[at::x(*axis)]) * way <= 1e-9;
                }
                plant.connect(*axis, drive, y);
            }
        })
    }

    /// Connects what the spools connect just now, and locks the rest.
    fn reconnect(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let wanted = self.intent.and_then(|(direction, last)| {
            let steps = scenario.profile.sequence(direction);
            (0..=last)
                .rev()
                .find(|k| {
                    let phase = &steps[*k];
                    let spools = scenario
                        .profile
                        .of_kind(SignalKind::Valve)
                        .all(|(ix, _)| self.spools[ix.at()] == phase.valves.contains(&ix));
                    // Without any valve something moves only while the unit means it to.
                    spools && (!phase.valves.is_empty() || (self.unit.running.is_some() && *k == last))
                })
                .map(|k| (direction, k))
        });
        // With the same drive as so far, what is connected stays so, and the chain may be further on already.
        if let (Some((d, k)), Some((d2, k2))) = (wanted, self.driven)
            && d == d2
            && scenario.profile.sequence(d)[k].valves == scenario.profile.sequence(d)[k2].valves
        {
            if k > k2 {
                self.driven = wanted;
                self.attach(solver, d, k)?;
            }
            return self.progress(solver);
        }
        let drop: Vec<usize> = (0..self.connected.len()).filter(|a| self.connected[*a].is_some()).collect();
        self.connected.fill(None);
        self.driven = wanted;
        self.noted = None;
        solver.change(self.now, &mut |plant, y| {
            for axis in &drop {
                plant.connect(*axis, None, y);
            }
        })?;
        if let Some((direction, step)) = wanted {
            self.attach(solver, direction, step)?;
            self.progress(solver)?;
        }
        Ok(())
    }

    // ---- what is due

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
                solver.change(now, &mut |plant, _| plant.switch_relay(on))?;
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

    fn begin_use(&mut self, solver: &mut dyn Stepper, ix: usize) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let u = scenario.uses[ix];
        let now = self.now;
        self.next_use = ix + 1;
        self.queue_use();
        self.choose_faults(ix);
        let params = conditioned(&scenario.params, &self.effects);
        let ambient = scenario.weather.at(u.at) - self.effects.colder;
        let colder = self.effects.colder - self.colder;
        self.colder = self.effects.colder;
        solver.change(now, &mut |plant, y| {
            plant.params = params.clone();
            plant.ambient = ambient;
            y[at::OIL] -= colder;
            y[at::MOTOR] -= colder;
            plant.refresh(y[at::OIL], y[at::MOTOR]);
        })?;
        self.book.ambient_c = ambient;
        if self.effects.gap_s > 0.0 {
            let after = self.rng.random_range(1.0..6.0);
            self.push(now + after, Due::GapBegins(self.effects.gap_s, false));
        }
        let press = |rig: &mut Self, t: f64, way| rig.push(now + t, Due::Demand(way));
        self.hold = false;
        match u.operator {
            Operator::Hold => {
                press(self, 0.0, Some(u.direction));
                self.hold = true;
            }
            Operator::Release(after) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, None);
            }
            Operator::Resume(after, again) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, None);
                press(self, after.0 + again.0, Some(u.direction));
                self.hold = true;
            }
            Operator::Reverse(after) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, Some(u.direction.reversed()));
                self.hold = true;
            }
            Operator::PowerLoss(after) => {
                press(self, 0.0, Some(u.direction));
                self.push(now + after.0, Due::PowerLoss);
            }
            Operator::Refused(permission, span) => {
                self.deny(permission, true);
                press(self, 0.3, Some(u.direction));
                press(self, 0.3 + span.0, None);
            }
            Operator::Service(span) => {
                self.push(now, Due::Service(true));
                self.push(now + span.0, Due::Service(false));
            }
        }
        Ok(())
    }

    /// Which faults are at work in this use, and what they do to the wires at once.
    fn choose_faults(&mut self, ix: usize) {
        let scenario = self.scenario;
        let u = scenario.uses[ix];
        self.effects = Effects::default();
        self.book.faults.clear();
        self.book.expect.clear();
        for (n, fault) in scenario.faults.iter().enumerate() {
            let lot = self.rng.random_range(0.0..1.0);
            let Some(strength) = fault.in_cycle(ix as u32, u.at, &mut self.since[n], lot) else { continue };
            self.effects.add(fault, strength);
            self.book.faults.push(FaultTruth::of(fault, strength, &scenario.profile));
            self.book.expect.extend(fault.shows(&scenario.profile));
        }
        // Wires that are stuck, or no longer are.
        for signal in 0..self.wires.raw.len() {
            let ix = SignalIx(signal as u16);
            if !scenario.profile.signals[signal].kind.is_binary() {
                continue;
            }
            let should = match self.effects.wire(ix) {
                Some(Wire::Stuck(on)) => on,
                Some(Wire::Never) => false,
                _ if scenario.profile.signals[signal].kind == SignalKind::Switch => {
                    self.wires.mechanical[signal]
                }
                _ => self.wires.raw[signal],
            };
            if should != self.wires.raw[signal] {
                self.wires.settled[signal] = should;
                self.wires.epoch[signal] += 1;
                self.raw(ix, should);
            }
            if let Some(Wire::Dropout(per_minute)) = self.effects.wire(ix) {
                let wait = self.dropout_wait(per_minute);
                self.push(self.now + wait, Due::Dropout(ix));
            }
        }
    }

    fn dropout_wait(&mut self, per_minute: f64) -> f64 {
        -(1.0 - self.rng.random_range(0.0f64..1.0)).ln() * 60.0 / per_minute
    }

    /// A wire opens for a moment that is longer than bounce.
    fn drop_out(&mut self, solver: &mut dyn Stepper, signal: SignalIx) -> Result<(), SolverError> {
        let Some(Wire::Dropout(per_minute)) = self.effects.wire(signal) else { return Ok(()) };
        let (now, ix) = (self.now, signal.at());
        if self.wires.raw[ix] && self.wires.settled[ix] && self.book.driving() {
            let debounce = self.scenario.profile.signals[ix].debounce.0.max(0.01);
            let span = self.rng.random_range(1.5..6.0) * debounce;
            self.raw(signal, false);
            self.push(now + span, Due::DropoutOver(signal));
            self.look(solver)?;
        }
        if self.book.driving() || self.demand.is_some() {
            let wait = self.dropout_wait(per_minute);
            self.push(now + wait.max(0.3), Due::Dropout(signal));
        }
        Ok(())
    }

    /// Takes a permission away, or gives it back.
    fn deny(&mut self, permission: usize, away: bool) {
        let scenario = self.scenario;
        let Some(p) = scenario.profile.permissions.get(permission) else { return };
        for (signal, wanted) in p.needs.wanted() {
            if matches!(scenario.layout.laws.get(signal.at()), Some(Some(Law::Fixed(_)))) {
                let state = wanted != away;
                if self.wires.mechanical[signal.at()] != state {
                    self.wires.mechanical[signal.at()] = state;
                    self.contact(signal, state);
                }
            }
        }
        self.denied = away.then_some(permission);
    }

    // ---- the operator and the unit

    fn reaction(&mut self) -> f64 {
        self.rng.random_range(0.010..0.040)
    }

    fn press(&mut self, way: Option<Direction>) {
        if self.demand == way {
            return;
        }
        let (now, before) = (self.now, self.demand);
        self.demand = way;
        for (ix, on) in self.demand_signals(before, way) {
            self.raw(ix, on);
        }
        let wait = FILTER_S + self.reaction();
        if before.is_some() {
            self.push(now + wait, Due::Stop);
            if let Some(missing) = self.refused.take() {
                let oil = self.oil_now;
                let (from, to) = (self.demand_since, self.moment(now));
                let direction = before.unwrap_or(Direction::Opening);
                let line = self.book.refused(&self.scenario.profile, direction, from, to, &missing, oil);
                self.tell(line);
            }
            if let Some(permission) = self.denied {
                self.push(now + 1.5, Due::Allow(permission));
            }
        }
        if let Some(direction) = way {
            self.demand_since = self.moment(now);
            // After a change of mind the unit lets the roof come to rest first.
            let rest = if before.is_some() { 0.3 } else { 0.0 };
            self.push(now + wait + rest, Due::Start(direction));
        }
    }

    fn demand_signals(&self, before: Option<Direction>, after: Option<Direction>) -> Vec<(SignalIx, bool)> {
        let given = |s: &foldwatch_profile::Signal, way: Option<Direction>| {
            way.is_some_and(|d| s.demands.is_none_or(|asked| asked == d))
        };
        self.scenario
            .profile
            .of_kind(SignalKind::Demand)
            .filter(|(_, s)| given(s, before) != given(s, after))
            .map(|(ix, s)| (ix, given(s, after)))
            .collect()
    }

    /// The operator, who holds the button, lets it go after a moment.
    fn let_go(&mut self, after: f64) {
        if self.hold {
            self.hold = false;
            let more = self.rng.random_range(0.2..0.6);
            self.push(self.now + after + more, Due::Demand(None));
        }
    }

    fn start(&mut self, solver: &mut dyn Stepper, direction: Direction) -> Result<(), SolverError> {
        if self.demand != Some(direction) || self.unit.running.is_some() {
            return Ok(());
        }
        self.oil_now = solver.state()[at::OIL];
        let raw = &self.wires.raw;
        let on = |s: SignalIx| raw[s.at()];
        let missing = Unit::missing(&self.scenario.profile, direction, &on);
        if !missing.is_empty() {
            self.refused = Some(missing);
            self.let_go(1.5);
            return Ok(());
        }
        let entry = self.unit.entry(&self.scenario.profile, &self.scenario.layout, direction, &on);
        match entry {
            Some(step) => self.step(solver, direction, step),
            None => {
                self.let_go(0.5);
                Ok(())
            }
        }
    }

    fn step(
        &mut self,
        solver: &mut dyn Stepper,
        direction: Direction,
        step: usize,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let phase = &scenario.profile.sequence(direction)[step];
        self.generation += 1;
        self.intent = Some((direction, step));
        self.unit.memory = Some((direction, step));
        self.unit.running = Some(Running { direction, step, checking: false });
        self.command(solver, &phase.valves, phase.pump)?;
        self.book.step_begins(PhaseRef { direction, index: step }, self.moment(self.now));
        self.reconnect(solver)?;
        self.progress(solver)?;
        if phase.confirm == Expr::Always {
            self.push(self.now + phase.expected.0, Due::Check(self.generation));
        } else {
            let patience = phase.give_up.map_or(3.0 * phase.limit.0 + 5.0, |s| s.0);
            self.push(self.now + patience, Due::GiveUp(self.generation));
        }
        self.look(solver)
    }

    fn look(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let raw = &self.wires.raw;
        let want = self.unit.look(&self.scenario.profile, &|s: SignalIx| raw[s.at()]);
        self.want(solver, want)
    }

    fn want(&mut self, solver: &mut dyn Stepper, want: Want) -> Result<(), SolverError> {
        match want {
            Want::Nothing => Ok(()),
            Want::CheckLater => {
                let wait = FILTER_S + self.reaction();
                self.push(self.now + wait, Due::Check(self.generation));
                Ok(())
            }
            Want::Step(direction, step) => self.step(solver, direction, step),
            Want::Finished => {
                self.generation += 1;
                self.unit.running = None;
                self.unit.memory = None;
                self.book.ends_as(TrueOutcome::Completed, self.moment(self.now));
                self.let_go(0.1);
                if self.effects.run_on_s > 0.0 {
                    let span = self.effects.run_on_s + self.scenario.profile.timing.run_on.0;
                    self.push(self.now + span, Due::DriveOff);
                    Ok(())
                } else {
                    self.drive_off(solver)
                }
            }
        }
    }

    // ---- commands

    fn drive_off(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        if self.unit.running.is_some() {
            // It has been started again meanwhile.
            return Ok(());
        }
        self.generation += 1;
        self.command(solver, &[], false)
    }

    fn command(
        &mut self,
        solver: &mut dyn Stepper,
        valves: &[SignalIx],
        pump: bool,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        for (ix, _) in scenario.profile.of_kind(SignalKind::Valve) {
            let on = valves.contains(&ix);
            if self.commands[ix.at()] != on {
                self.commands[ix.at()] = on;
                self.raw(ix, on);
                let sticks = self.effects.lag.iter().find(|(v, _)| *v == ix).map_or(0.0, |(_, lag)| *lag);
                let lag = scenario.params.valve_lag_s * self.rng.random_range(0.9..1.1) + sticks;
                self.push(self.now + lag, Due::Spool(ix, on));
            }
        }
        self.command_pump(pump);
        self.drive_changed(solver);
        Ok(())
    }

    fn command_pump(&mut self, on: bool) {
        if self.pump_command == on {
            return;
        }
        self.pump_command = on;
        let pumps: Vec<SignalIx> =
            self.scenario.profile.of_kind(SignalKind::Pump).map(|(ix, _)| ix).collect();
        for ix in pumps {
            self.raw(ix, on);
        }
        self.relay_epoch += 1;
        let wait = if on { RELAY_S } else { RELAY_S + self.effects.welded_s };
        self.push(self.now + wait, Due::Relay(on, self.relay_epoch));
    }

    /// Keeps account of whether anything is driven.
    fn drive_changed(&mut self, solver: &dyn Stepper) {
        let driven = self.pump_command || self.relay || self.commands.iter().any(|on| *on);
        let at = self.moment(self.now);
        if driven && !self.book.driving() {
            let direction = self.intent_or_use();
            let home = self.scenario.layout.at_start(direction);
            let y = solver.state();
            let part_way = home.iter().enumerate().any(|(axis, x)| (y[at::x(axis)] - x).abs() > 0.03);
            let closed = self.book.drive_begins(at, direction, part_way, y[at::OIL], &self.scenario.profile);
            self.tell(closed);
        } else if !driven && self.book.driving() {
            self.book.drive_ends(at);
        }
        if driven || self.book.driving() {
            self.last_drive = self.now;
        }
        if !driven {
            self.last_drive = self.last_drive.max(self.now);
        }
    }

    fn intent_or_use(&self) -> Direction {
        let used = self.next_use.checked_sub(1).and_then(|ix| self.scenario.uses.get(ix));
        match (self.unit.running, used) {
            (Some(running), _) => running.direction,
            (None, Some(u)) => u.direction,
            (None, None) => Direction::Opening,
        }
    }

    // ---- contacts and wires

    /// A contact is worked by the roof; what comes of it on the wire.
    fn contact(&mut self, signal: SignalIx, on: bool) {
        let ix = signal.at();
        self.wires.epoch[ix] += 1;
        let delay = match self.effects.wire(signal) {
            Some(Wire::Stuck(_) | Wire::Never) => return,
            Some(Wire::Late(delay)) if on => delay,
            _ => 0.0,
        };
        self.push(self.now + delay, Due::Settle(signal, on, self.wires.epoch[ix]));
    }

    /// First transition of a change, with the bounce that follows it.
    fn settle(&mut self, solver: &mut dyn Stepper, signal: SignalIx, on: bool) -> Result<(), SolverError> {
        let ix = signal.at();
        if self.wires.settled[ix] == on {
            return Ok(());
        }
        self.wires.settled[ix] = on;
        self.confirm_edge();
        self.raw(signal, on);
        let (now, epoch) = (self.now, self.wires.epoch[ix]);
        let (span, pairs) = match self.effects.wire(signal) {
            Some(Wire::Chatter(span)) => (span, (span / 0.02).ceil() as usize + 2),
            _ => (self.rng.random_range(0.001..0.008), self.rng.random_range(0..=3)),
        };
        let mut times: Vec<f64> = (0..2 * pairs).map(|_| self.rng.random_range(0.0002..span)).collect();
        times.sort_by(f64::total_cmp);
        for (n, t) in times.iter().enumerate() {
            self.push(now + t, Due::Raw(signal, (n % 2 == 1) == on, epoch));
        }
        self.look(solver)
    }

    /// If the running step's confirmation has just come about, this is its edge.
    fn confirm_edge(&mut self) {
        let Some(running) = self.unit.running else { return };
        let phase = &self.scenario.profile.sequence(running.direction)[running.step];
        let settled = &self.wires.settled;
        if phase.confirm.holds(&|s: SignalIx| Some(settled[s.at()])) == Some(true) {
            let at = self.moment(self.now);
            self.book.confirmed(PhaseRef { direction: running.direction, index: running.step }, at);
        }
    }

    /// A transition on the wire.
    fn raw(&mut self, signal: SignalIx, on: bool) {
        if self.wires.raw[signal.at()] == on {
            return;
        }
        self.wires.raw[signal.at()] = on;
        if self.dark.is_none() {
            self.recorder.event(RigEvent::Edge { at: self.moment(self.now), signal, on });
        }
    }

    /// The logger records again.
    fn light(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let Some((from, before, restart)) = self.dark.take() else { return Ok(()) };
        let until = self.moment(self.now);
        self.recorder.event(RigEvent::Gap { from, until, restart });
        for (signal, on) in self.wires.states() {
            if restart || before[signal.at()] != on {
                self.recorder.event(RigEvent::Edge { at: until, signal, on });
            }
        }
        if restart {
            let emf = conditioned(&self.scenario.params, &self.effects).emf_v;
            solver.change(self.now, &mut |plant, _| plant.params.emf_v = emf)?;
        }
        Ok(())
    }
}
