//! A plain writer of logs: what each signal does is said second by second, and written as a table. No rig, no physics,
//! nothing of the engine's but the profile.

use std::collections::BTreeMap;
use std::fmt::Write;

use foldwatch_profile::{Phase, Profile, SignalIx, SignalKind};
use foldwatch_units::Direction;

/// What the pump works against.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Load {
    bar: f64,
    amps: f64,
}

/// How one step goes.
#[derive(Debug, Clone)]
pub struct Act {
    /// Seconds until the mechanism is there.
    pub moves: f64,
    /// Seconds from there to the confirmation.
    pub late: f64,
    /// Switches of the confirmation that do not change.
    pub stuck: Vec<String>,
    /// Where the confirmation does not come: seconds from the step's start until the unit does something else.
    pub patience: f64,
    /// What that is: it goes on with the next step, or ends.
    pub goes_on: bool,
    /// Pressure while it moves.
    pub moving_bar: f64,
    /// Pressure at a stop.
    pub stop_bar: f64,
    /// The mechanism is held: the pump works against a stop for so long, so many seconds after the step's start.
    pub held: Option<(f64, f64)>,
}

/// A log in the making.
#[derive(Debug, Clone)]
pub struct Story {
    pub profile: Profile,
    pub rate: f64,
    /// Signals that the log does not carry.
    pub hidden: Vec<SignalKind>,
    /// Scatter of the analog signals, as a share of their running level.
    pub noise: f64,
    /// Contacts bounce for so long.
    pub bounce: f64,
    /// Seconds from a confirmation to the next step's drive.
    pub reaction: f64,
    /// Seconds that the pump stays on after the last step.
    pub pump_stays: f64,
    /// Seconds that current flows after the pump's command has ended.
    pub welded: f64,
    pub volts: f64,
    pub celsius: f64,
    /// Now.
    pub t: f64,
    states: BTreeMap<String, bool>,
    changes: Vec<(f64, String, bool)>,
    loads: Vec<(f64, f64, Load)>,
    /// Rows within are not written.
    pub holes: Vec<(f64, f64)>,
    /// What really happened: step, start, end.
    pub edges: Vec<(String, f64, f64)>,
    start: BTreeMap<String, bool>,
}

impl Story {
    /// A roof at rest in the end position from which `direction` starts.
    pub fn before(profile: &Profile, direction: Direction) -> Story {
        let mut states = BTreeMap::new();
        for (_, signal) in profile.signals().filter(|(_, s)| s.kind.is_binary()) {
            states.insert(signal.id.clone(), false);
        }
        for permission in &profile.permissions {
            for (ix, on) in permission.needs.wanted() {
                states.insert(profile.signal(ix).id.clone(), on);
            }
        }
        for phase in profile.sequence(direction).iter().chain(profile.sequence(direction.reversed())) {
            for (ix, on) in phase.confirm.wanted() {
                states.insert(profile.signal(ix).id.clone(), on);
                let clashing = clashing(profile, &profile.signal(ix).id).into_iter().filter(|_| on);
                states.extend(clashing.map(|id| (id, false)));
            }
        }
        let mut story = Story {
            profile: profile.clone(),
            rate: 100.0,
            hidden: Vec::new(),
            noise: 0.005,
            bounce: 0.0,
            reaction: 0.03,
            pump_stays: 0.3,
            welded: 0.0,
            volts: 12.8,
            celsius: profile.reference.oil_temperature.0,
            t: 0.0,
            states,
            changes: Vec::new(),
            loads: Vec::new(),
            holes: Vec::new(),
            edges: Vec::new(),
            start: BTreeMap::new(),
        };
        for chain in &profile.chains {
            let id = profile.signal(chain.signal).id.clone();
            let on = story.states[&id];
            story.with_members(&id, on);
        }
        story.start = story.states.clone();
        story.t = 5.0;
        story
    }

    fn with_members(&mut self, id: &str, on: bool) {
        let members: Vec<SignalIx> = self
            .profile
            .chains
            .iter()
            .filter(|chain| self.profile.signal(chain.signal).id == id)
            .flat_map(|chain| chain.members.iter().filter_map(|m| m.signal))
            .collect();
        for ix in members {
            let id = self.profile.signal(ix).id.clone();
            self.states.insert(id, on);
        }
    }

    /// A signal changes.
    pub fn set(&mut self, at: f64, id: &str, on: bool) {
        if self.states.insert(id.to_owned(), on) != Some(on) {
            self.changes.push((at, id.to_owned(), on));
        }
        let members: Vec<String> = self
            .profile
            .chains
            .iter()
            .filter(|chain| self.profile.signal(chain.signal).id == id)
            .flat_map(|chain| chain.members.iter().filter_map(|m| m.signal))
            .map(|ix| self.profile.signal(ix).id.clone())
            .collect();
        for id in members {
            if self.states.insert(id.clone(), on) != Some(on) {
                self.changes.push((at, id, on));
            }
        }
    }

    /// A signal changes for a while and comes back, whatever else it does.
    pub fn flip(&mut self, at: f64, seconds: f64, id: &str, to: bool) {
        self.changes.push((at, id.to_owned(), to));
        self.changes.push((at + seconds, id.to_owned(), !to));
    }

    /// Every switch.
    pub fn switches(&self) -> Vec<String> {
        self.of_kind(SignalKind::Switch)
    }

    fn of_kind(&self, kind: SignalKind) -> Vec<String> {
        self.profile.of_kind(kind).map(|(_, s)| s.id.clone()).collect()
    }

    fn valves(&mut self, at: f64, phase: Option<&Phase>) {
        for (ix, signal) in self.profile.clone().of_kind(SignalKind::Valve) {
            self.set(at, &signal.id, phase.is_some_and(|p| p.valves.contains(&ix)));
        }
    }

    pub fn pump(&mut self, at: f64, on: bool) {
        for id in self.of_kind(SignalKind::Pump) {
            self.set(at, &id, on);
        }
    }

    pub fn demand(&mut self, at: f64, direction: Direction, on: bool) {
        let ids: Vec<String> = self
            .profile
            .of_kind(SignalKind::Demand)
            .filter(|(_, s)| s.demands.is_none_or(|d| d == direction))
            .map(|(_, s)| s.id.clone())
            .collect();
        for id in ids {
            self.set(at, &id, on);
        }
    }

    fn relief_bar(&self) -> f64 {
        self.profile.hydraulics.relief.map_or(150.0, |bar| bar.0)
    }

    /// The steps of a direction as they go on a sound roof.
    pub fn acts(&self, direction: Direction) -> Vec<Act> {
        self.profile
            .sequence(direction)
            .iter()
            .map(|phase| Act {
                moves: phase.expected.0,
                late: 0.0,
                stuck: Vec::new(),
                patience: phase.give_up.map_or(2.0 * phase.limit.0, |s| s.0),
                goes_on: false,
                moving_bar: 70.0,
                stop_bar: self.relief_bar(),
                held: None,
            })
            .collect()
    }

    /// A whole movement with its steps as told.
    pub fn cycle(&mut self, direction: Direction, acts: &[Act]) {
        self.begin(direction);
        let phases = self.profile.sequence(direction).to_vec();
        let mut gave_up = false;
        for (phase, act) in phases.iter().zip(acts) {
            gave_up = !self.step(phase, act);
            if gave_up {
                break;
            }
        }
        self.end(direction, if gave_up { 0.0 } else { self.pump_stays });
        self.t += 8.0;
    }

    pub fn begin(&mut self, direction: Direction) {
        self.demand(self.t, direction, true);
        self.t += 0.1;
    }

    /// One step; false: the unit gave up.
    pub fn step(&mut self, phase: &Phase, act: &Act) -> bool {
        let start = self.t;
        self.valves(start, Some(phase));
        self.pump(start, phase.pump);
        let there = start + act.moves + act.held.map_or(0.0, |h| h.1);
        let wanted: Vec<(String, bool)> = phase
            .confirm
            .wanted()
            .into_iter()
            .map(|(ix, on)| (self.profile.signal(ix).id.clone(), on))
            .collect();
        let done = there + act.late;
        let confirmed = wanted.iter().all(|(id, _)| !act.stuck.contains(id));
        let left = if confirmed { done } else { start + act.patience };
        for (id, on) in wanted.iter().filter(|(id, _)| !act.stuck.contains(id)) {
            let begins = start + 0.25 * act.moves;
            self.set(if *on { done } else { begins }, id, *on);
            // What can't be made at the same time opens as the mechanism leaves it.
            let clashing: Vec<String> =
                clashing(&self.profile, id).into_iter().filter(|c| !act.stuck.contains(c)).collect();
            for other in clashing.iter().filter(|_| *on) {
                self.set(begins, other, false);
            }
        }
        let (moving, stop) =
            (Load { bar: act.moving_bar, amps: 18.0 }, Load { bar: act.stop_bar, amps: 27.0 });
        if phase.pump {
            let mut from = start;
            if let Some((after, seconds)) = act.held {
                self.load(from, start + after, moving);
                self.load(start + after, start + after + seconds, stop);
                from = start + after + seconds;
            }
            self.load(from, there.min(left), moving);
            self.load(there, left + self.reaction, stop);
        }
        self.edges.push((phase.name.clone(), start, if confirmed { done } else { there }));
        self.t = left + self.reaction;
        confirmed || act.goes_on
    }

    fn load(&mut self, from: f64, to: f64, load: Load) {
        if to > from {
            self.loads.push((from, to, load));
        }
    }

    pub fn end(&mut self, direction: Direction, stays: f64) {
        let t = self.t - self.reaction;
        self.load(t, t + stays + self.welded, Load { bar: self.relief_bar(), amps: 27.0 });
        self.pump(t + stays, false);
        self.valves(t + stays + 0.05, None);
        self.demand(t + stays + 0.4, direction, false);
        self.t = t + stays + 1.0;
    }

    /// The log as text, a row a sample, and its column map.
    pub fn write(&self) -> (String, String) {
        let recorded: Vec<_> =
            self.profile.signals().filter(|(_, s)| !self.hidden.contains(&s.kind)).map(|(_, s)| s).collect();
        let mut map = String::from("[time]\ncolumn = \"t\"\nunit = \"s\"\n");
        let mut out = String::from("t");
        for signal in &recorded {
            let _ = write!(out, ",{}", signal.id);
            let on = if signal.kind.is_binary() { "closed = \"1\"" } else { "calibrated = true" };
            let _ = write!(map, "\n[[signal]]\nid = \"{0}\"\ncolumn = \"{0}\"\n{on}\n", signal.id);
        }
        out.push('\n');
        let mut changes = self.changes.clone();
        if self.bounce > 0.0 {
            for (at, id, on) in &self.changes {
                let is_switch = self
                    .profile
                    .find(id)
                    .is_some_and(|ix| self.profile.signal(ix).kind == SignalKind::Switch);
                if is_switch {
                    changes.push((at + 0.3 * self.bounce, id.clone(), !on));
                    changes.push((at + 0.5 * self.bounce, id.clone(), *on));
                    changes.push((at + 0.8 * self.bounce, id.clone(), !on));
                    changes.push((at + self.bounce, id.clone(), *on));
                }
            }
        }
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut states = self.start.clone();
        let mut next = 0;
        let mut chance = Chance(88_172_645_463_325_252);
        let (mut bar, mut amps) = (0.0, 0.0);
        let rows = (self.t * self.rate) as u64;
        for row in 0..rows {
            let t = row as f64 / self.rate;
            while next < changes.len() && changes[next].0 <= t + 1e-9 {
                states.insert(changes[next].1.clone(), changes[next].2);
                next += 1;
            }
            let load = self.loads.iter().find(|(from, to, _)| *from <= t && t < *to);
            let dt = 1.0 / self.rate;
            let (bar_to, amps_to) = load.map_or((0.0, 0.0), |(_, _, load)| (load.bar, load.amps));
            let quick = |tau: f64| 1.0 - (-dt / tau).exp();
            bar += (bar_to - bar) * if load.is_some() { quick(0.08) } else { quick(40.0) };
            amps += (amps_to - amps) * quick(0.03);
            if self.holes.iter().any(|(from, to)| *from <= t && t < *to) {
                continue;
            }
            let _ = write!(out, "{t:.4}");
            for signal in &recorded {
                let value = match signal.kind {
                    SignalKind::Pressure => bar + self.noise * 70.0 * chance.next(),
                    SignalKind::Current => amps + self.noise * 18.0 * chance.next(),
                    SignalKind::Voltage => self.volts - 0.01 * amps + self.noise * 3.0 * chance.next(),
                    SignalKind::Temperature => self.celsius,
                    SignalKind::Position => 30.0 + 40.0 * (t * 0.1).sin(),
                    _ => f64::from(u8::from(states[&signal.id])),
                };
                let _ = if signal.kind.is_binary() {
                    write!(out, ",{value}")
                } else {
                    write!(out, ",{value:.3}")
                };
            }
            out.push('\n');
        }
        (out, map)
    }
}

/// Switches that can't be made while this one is.
fn clashing(profile: &Profile, id: &str) -> Vec<String> {
    let Some(at) = profile.find(id) else { return Vec::new() };
    let both = |a: SignalIx, b: SignalIx| profile.signal(a).excludes.contains(&b);
    profile
        .signals()
        .filter(|(ix, _)| both(at, *ix) || both(*ix, at))
        .map(|(_, signal)| signal.id.clone())
        .collect()
}

/// Even scatter from -1 to 1.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}
