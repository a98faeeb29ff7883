//! A roof and its cycles, made by hand for the checks' tests.

use foldwatch_profile::*;
use foldwatch_segment::*;
use foldwatch_units::*;

use crate::{Finding, History, Judged, judge};

pub const RATE: f64 = 100.0;
pub const RELIEF: f64 = 160.0;

/// Places of the signals.
pub mod sig {
    use foldwatch_profile::SignalIx;
    pub const LID_OPEN: SignalIx = SignalIx(0);
    pub const LID_CLOSED: SignalIx = SignalIx(1);
    pub const STOWED: SignalIx = SignalIx(2);
    pub const ROOF_UP: SignalIx = SignalIx(3);
    pub const LATCHED: SignalIx = SignalIx(4);
    pub const VALVE_A: SignalIx = SignalIx(5);
    pub const VALVE_B: SignalIx = SignalIx(6);
    pub const PUMP: SignalIx = SignalIx(7);
    pub const OPEN_BUTTON: SignalIx = SignalIx(8);
    pub const CLOSE_BUTTON: SignalIx = SignalIx(9);
    pub const PRESSURE: SignalIx = SignalIx(10);
    pub const CURRENT: SignalIx = SignalIx(11);
    pub const SUPPLY: SignalIx = SignalIx(12);
    pub const OIL: SignalIx = SignalIx(13);
}
use sig::*;

fn signal(id: &str, kind: SignalKind, unit: &str) -> Signal {
    Signal {
        id: id.into(),
        label: id.replace('_', " "),
        kind,
        unit: unit.parse().unwrap(),
        on_when: Level::High,
        debounce: Seconds(if kind == SignalKind::Switch { 0.03 } else { 0.0 }),
        calibration: Calibration::default(),
        excludes: Vec::new(),
        demands: match id {
            "open_button" => Some(Direction::Opening),
            "close_button" => Some(Direction::Closing),
            _ => None,
        },
    }
}

pub fn profile() -> Profile {
    use SignalKind::*;
    let mut signals = vec![
        signal("lid_open", Switch, ""),
        signal("lid_closed", Switch, ""),
        signal("roof_stowed", Switch, ""),
        signal("roof_up", Switch, ""),
        signal("latched", Switch, ""),
        signal("valve_a", Valve, ""),
        signal("valve_b", Valve, ""),
        signal("pump", Pump, ""),
        signal("open_button", Demand, ""),
        signal("close_button", Demand, ""),
        signal("pressure", Pressure, "bar"),
        signal("current", Current, "A"),
        signal("supply", Voltage, "V"),
        signal("oil", Temperature, "°C"),
    ];
    signals[LID_OPEN.at()].excludes = vec![LID_CLOSED];
    let step = |name: &str, valve, confirm, expected: f64, cylinders| Phase {
        name: name.into(),
        valves: vec![valve],
        pump: true,
        moves: name.into(),
        confirm,
        expected: Seconds(expected),
        limit: Seconds(expected * 1.5),
        give_up: Some(Seconds(expected * 3.0)),
        pressure: None,
        cylinders,
    };
    Profile {
        id: "test-roof".into(),
        name: "Test roof".into(),
        notes: String::new(),
        signals,
        timing: Timing {
            quiet: Seconds(2.0),
            tail: Seconds(30.0),
            refusal: Seconds(2.0),
            run_on: Seconds(0.5),
            relief_dwell: Seconds(1.5),
        },
        reference: Reference { oil_temperature: Celsius(20.0), supply: Volts(12.4) },
        hydraulics: Hydraulics {
            viscosity_40: Some(SquareMillimetresPerSecond(10.0)),
            viscosity_100: Some(SquareMillimetresPerSecond(2.7)),
            pump_delivery: Some(LitresPerMinute(0.3)),
            pump_pistons: Some(5),
            relief: Some(Bar(RELIEF)),
            hold: None,
            fill: Some(Millilitres(420.0)),
            cylinders: vec![
                Cylinder {
                    id: "lid".into(),
                    bore: Millimetres(14.0),
                    rod: Millimetres(7.0),
                    stroke: Millimetres(90.0),
                    count: 1,
                },
                Cylinder {
                    id: "roof".into(),
                    bore: Millimetres(16.0),
                    rod: Millimetres(8.0),
                    stroke: Millimetres(120.0),
                    count: 1,
                },
            ],
            oil_grade: None,
        },
        electrics: Electrics {
            nominal: Some(Volts(12.0)),
            running: Some(Amps(15.0)),
            inrush: Some(Amps(45.0)),
            fuse: Some(Amps(40.0)),
            fuse_body: FuseBody::Large,
            longest_run: Some(Seconds(60.0)),
            cool_down: Some(Seconds(300.0)),
        },
        permissions: Vec::new(),
        chains: vec![Chain {
            signal: LATCHED,
            members: vec![
                ChainMember { label: "left latch".into(), signal: None },
                ChainMember { label: "right latch".into(), signal: None },
            ],
        }],
        opening: vec![
            step("release", VALVE_A, Expr::Not(Box::new(Expr::Signal(LATCHED))), 1.2, vec![]),
            step("open lid", VALVE_B, Expr::Signal(LID_OPEN), 3.0, vec![(0, true)]),
            step("stow roof", VALVE_A, Expr::Signal(STOWED), 5.0, vec![(1, false)]),
        ],
        closing: vec![
            step("raise roof", VALVE_B, Expr::Signal(ROOF_UP), 5.5, vec![(1, true)]),
            step("close lid", VALVE_A, Expr::Signal(LID_CLOSED), 3.0, vec![(0, false)]),
            step("latch", VALVE_B, Expr::Signal(LATCHED), 1.2, vec![]),
        ],
    }
}

/// One step of a sketch.
#[derive(Debug, Clone, Copy)]
pub struct Act {
    /// Seconds of motion.
    pub moves: f64,
    /// Seconds from the stop to the confirmation, or to the end of the step.
    pub waits: f64,
    /// The confirmation comes at the end of `waits`.
    pub confirmed: bool,
    /// The unit goes on afterwards.
    pub goes_on: bool,
    /// Pressure while it moves.
    pub bar: f64,
}

/// A cycle to be.
#[derive(Debug, Clone)]
pub struct Sketch {
    pub profile: Profile,
    pub direction: Direction,
    pub start: f64,
    pub acts: Vec<Act>,
    /// The pump's command stays on for this long after the last step.
    pub run_on: f64,
    /// The pump's current stays for this long after its command.
    pub relay: f64,
    pub rate: f64,
    pub oil: f64,
    pub supply: f64,
    pub relief: f64,
    pub outcome: Outcome,
    /// Left out of the recording.
    pub absent: Vec<SignalIx>,
    /// Edges beside the sequence's.
    pub extra: Vec<(f64, SignalIx, bool)>,
    pub glitches: Vec<(f64, f64, SignalIx, bool)>,
    /// Signals that keep a state from beginning to end.
    pub stuck: Vec<(SignalIx, bool)>,
    pub gaps: Vec<(f64, f64)>,
    /// Factor on pressure.
    pub pressure_factor: f64,
    pub current_factor: f64,
    /// Time constant of the pressure after the drive, in seconds.
    pub hold_tau: f64,
    /// Time constant of the pressure while driven, in seconds.
    pub rise_tau: f64,
    /// The same in the first step.
    pub start_tau: f64,
    pub pressure_noise: f64,
    /// Every so many readings the pressure jumps away for one; 0 for never.
    pub spike_every: usize,
    /// Standard deviation of the supply, V.
    pub supply_noise: f64,
    pub supply_ohm: f64,
    pub tail: f64,
}

impl Sketch {
    pub fn healthy(direction: Direction) -> Sketch {
        let profile = profile();
        let acts = profile
            .sequence(direction)
            .iter()
            .map(|phase| Act {
                moves: phase.expected.0,
                waits: 0.0,
                confirmed: true,
                goes_on: true,
                bar: 70.0,
            })
            .collect();
        Sketch {
            profile,
            direction,
            start: 10.0,
            acts,
            run_on: 0.2,
            relay: 0.0,
            rate: RATE,
            oil: 20.0,
            supply: 12.9,
            relief: RELIEF,
            outcome: Outcome::Completed,
            absent: Vec::new(),
            extra: Vec::new(),
            glitches: Vec::new(),
            stuck: Vec::new(),
            gaps: Vec::new(),
            pressure_factor: 1.0,
            current_factor: 1.0,
            hold_tau: 40.0,
            rise_tau: 0.05,
            start_tau: 0.05,
            pressure_noise: 0.4,
            spike_every: 0,
            supply_noise: 0.01,
            supply_ohm: 0.03,
            tail: 10.0,
        }
    }

    pub fn with(mut self, change: impl FnOnce(&mut Sketch)) -> Sketch {
        change(&mut self);
        self
    }

    /// Start of each act and the end of the last, in seconds.
    pub fn times(&self) -> Vec<f64> {
        let mut out = vec![self.start];
        for act in &self.acts {
            out.push(out[out.len() - 1] + act.moves + act.waits);
        }
        out
    }

    pub fn judged(&self) -> Judged {
        self.judged_after(&History::default())
    }

    pub fn judged_after(&self, history: &History) -> Judged {
        judge(&self.profile, &self.cycle(), history)
    }

    /// Kinds of the findings, in order of time.
    pub fn kinds(&self) -> Vec<&'static str> {
        self.judged().findings.iter().map(|f| f.kind).collect()
    }

    pub fn kinds_after(&self, history: &History) -> Vec<&'static str> {
        self.judged_after(history).findings.iter().map(|f| f.kind).collect()
    }

    /// The only finding of a kind.
    pub fn only(&self, kind: &str) -> Finding {
        let found: Vec<Finding> = self.judged().findings.into_iter().filter(|f| f.kind == kind).collect();
        assert_eq!(found.len(), 1, "{kind}: {:?}", self.kinds());
        found[0].clone()
    }

    /// History of this cycle run so many times, an hour apart, with times and pressures that vary a little.
    pub fn repeated(&self, times: usize) -> History {
        let mut history = History::default();
        for n in 0..times {
            let vary = 1.0 + 0.02 * ((n * 7 % 5) as f64 - 2.0) / 2.0;
            let sketch = self.clone().with(|s| {
                s.start += 3600.0 * n as f64;
                for extra in &mut s.extra {
                    extra.0 += 3600.0 * n as f64;
                }
                for act in &mut s.acts {
                    act.moves *= vary;
                    act.bar *= vary;
                }
            });
            let cycle = sketch.cycle();
            let judged = judge(&self.profile, &cycle, &history);
            history.learn(&self.profile, &cycle, &judged);
        }
        history
    }

    pub fn cycle(&self) -> Cycle {
        let profile = &self.profile;
        let times = self.times();
        let end_of_acts = times[times.len() - 1];
        let pump_off = end_of_acts + self.run_on;
        let end = pump_off + self.relay;
        let at = Micros::from_secs;
        let opening = self.direction == Direction::Opening;

        let mut initial: Vec<Option<bool>> =
            profile.signals.iter().map(|s| s.kind.is_binary().then_some(false)).collect();
        for made in if opening { vec![LID_CLOSED, ROOF_UP, LATCHED] } else { vec![LID_OPEN, STOWED] } {
            initial[made.at()] = Some(true);
        }
        let mut edges: Vec<(f64, SignalIx, bool)> = Vec::new();
        let button = if opening { OPEN_BUTTON } else { CLOSE_BUTTON };
        edges.push((self.start - 0.1, button, true));
        edges.push((pump_off, button, false));
        edges.push((self.start, PUMP, true));
        edges.push((pump_off, PUMP, false));
        for (n, act) in self.acts.iter().enumerate() {
            let phase = &profile.sequence(self.direction)[n];
            let valve = phase.valves[0];
            edges.push((times[n], valve, true));
            edges.push((times[n + 1], valve, false));
            let leaves = match phase.name.as_str() {
                "open lid" => Some(LID_CLOSED),
                "stow roof" => Some(ROOF_UP),
                "raise roof" => Some(STOWED),
                "close lid" => Some(LID_OPEN),
                _ => None,
            };
            if let Some(signal) = leaves {
                edges.push((times[n] + 0.3, signal, false));
            }
            if act.confirmed {
                edges.extend(phase.confirm.wanted().iter().map(|(signal, on)| (times[n + 1], *signal, *on)));
            }
        }
        edges.extend(self.extra.iter().copied());
        edges.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (signal, on) in &self.stuck {
            initial[signal.at()] = Some(*on);
            edges.retain(|e| e.1 != *signal);
        }
        for signal in &self.absent {
            initial[signal.at()] = None;
            edges.retain(|e| e.1 != *signal);
        }
        let edges: Vec<Edge> = edges
            .into_iter()
            .map(|(t, signal, on)| Edge {
                at: at(t),
                signal,
                on,
                bounces: 1,
                burst: Seconds(0.0),
                resolution: Seconds(1.0 / self.rate),
            })
            .collect();

        let recording = self.recording(initial, edges, &times, pump_off, end);
        let phases = self.phases(&recording, &times, end);
        Cycle {
            start: at(self.start),
            end: at(end),
            direction: self.direction,
            outcome: self.outcome,
            from_part_way: false,
            phases,
            refused_by: Vec::new(),
            recording,
        }
    }

    fn recording(
        &self,
        initial: Vec<Option<bool>>,
        edges: Vec<Edge>,
        times: &[f64],
        pump_off: f64,
        end: f64,
    ) -> Recording {
        let profile = &self.profile;
        let n = ((end + self.tail - (self.start - 1.0)) * self.rate) as usize;
        let mut random = 1u32;
        let mut noise = |sd: f64| {
            let mut sum = 0.0;
            for _ in 0..4 {
                random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                sum += f64::from(random >> 8) / f64::from(1u32 << 24) - 0.5;
            }
            sum * sd * 3f64.sqrt()
        };
        let mut rows = Recording { initial, edges, ..Recording::default() };
        let (mut p, mut columns) = (0.0, [const { Vec::new() }; 4]);
        for k in 0..n {
            let t = self.start - 1.0 + k as f64 / self.rate;
            if self.gaps.iter().any(|(from, to)| t > *from && t < *to) {
                continue;
            }
            let running = t >= self.start && t < end;
            let aim = match times.iter().rposition(|begin| t >= *begin) {
                Some(act) if act < self.acts.len() => {
                    if t < times[act] + self.acts[act].moves {
                        self.acts[act].bar
                    } else {
                        self.relief
                    }
                }
                Some(_) if running => self.relief,
                _ => 0.0,
            } * self.pressure_factor;
            let driven = if t < times[1] { self.start_tau } else { self.rise_tau };
            let tau = if running { driven } else { self.hold_tau };
            p += (aim - p) * (1.0 - (-1.0 / (self.rate * tau)).exp());
            let inrush = if running { 25.0 * (-(t - self.start) / 0.05).exp() } else { 0.0 };
            // What the motor draws, and what the sensor shows of it.
            let drawn = if running { 7.0 + 0.11 * p + inrush } else { 0.0 };
            let amps = drawn * self.current_factor;
            rows.times.push(Micros::from_secs(t));
            let jumps = self.spike_every > 0 && columns[0].len() % self.spike_every == 0;
            let spike = if jumps { 60.0 } else { 0.0 };
            columns[0].push((p + spike + noise(self.pressure_noise)) as f32);
            columns[1].push((amps + noise(0.1)) as f32);
            columns[2].push((self.supply - self.supply_ohm * drawn + noise(self.supply_noise)) as f32);
            columns[3].push(self.oil as f32);
        }
        rows.analog = [PRESSURE, CURRENT, SUPPLY, OIL]
            .into_iter()
            .zip(columns)
            .filter(|(signal, _)| !self.absent.contains(signal))
            .map(|(signal, values)| Trace { signal, values })
            .collect();
        rows.glitches = self
            .glitches
            .iter()
            .map(|(t, lasted, signal, to)| Glitch {
                at: Micros::from_secs(*t),
                lasted: Seconds(*lasted),
                signal: *signal,
                to: *to,
            })
            .collect();
        rows.gaps = self
            .gaps
            .iter()
            .map(|(from, to)| Gap { from: Micros::from_secs(*from), to: Micros::from_secs(*to), cause: None })
            .collect();
        rows.drive = self.drive(profile, &rows, pump_off, end);
        rows
    }

    fn drive(&self, profile: &Profile, rows: &Recording, pump_off: f64, end: f64) -> Vec<DriveSpan> {
        let (start, end) = (Micros::from_secs(self.start), Micros::from_secs(end));
        let pump_off = Micros::from_secs(pump_off);
        let has = |signal: SignalIx| !self.absent.contains(&signal);
        let mut cuts: Vec<Micros> = rows.edges.iter().map(|e| e.at).chain([start, pump_off, end]).collect();
        cuts.retain(|t| *t >= start && *t <= end);
        cuts.sort_unstable();
        cuts.dedup();
        cuts.windows(2)
            .map(|pair| {
                let valves: Vec<SignalIx> = profile
                    .of_kind(SignalKind::Valve)
                    .map(|(ix, _)| ix)
                    .filter(|ix| rows.state(*ix, pair[0]) == Some(true))
                    .collect();
                let running = has(CURRENT).then_some(self.current_factor > 0.2);
                let pump = if has(PUMP) {
                    rows.state(PUMP, pair[0]) == Some(true)
                } else {
                    running.unwrap_or(!valves.is_empty())
                };
                DriveSpan { from: pair[0], to: pair[1], valves, pump, running }
            })
            .collect()
    }

    fn phases(&self, rows: &Recording, times: &[f64], end: f64) -> Vec<PhaseRun> {
        let at = Micros::from_secs;
        let last = self.acts.len() - 1;
        self.acts
            .iter()
            .enumerate()
            .map(|(n, act)| {
                let phase = PhaseRef { direction: self.direction, index: n };
                let (start, left) = (at(times[n]), at(times[n + 1]));
                let confirm = &phase.of(&self.profile).confirm;
                let holds = |t: Micros| confirm.holds(&|ix| rows.state(ix, t)) == Some(true);
                let confirmed = holds(left);
                let stood = confirmed && holds(start);
                let later = rows.edges.iter().map(|e| e.at).find(|t| *t > left && holds(*t));
                let went_on = n < last && act.goes_on;
                let (confirmation, confirmed_at) = match (confirmed && !stood, went_on, later) {
                    (true, ..) => (Confirmation::Confirmed, Some(left)),
                    (false, true, Some(when)) => (Confirmation::Late, Some(when)),
                    (false, true, None) => (Confirmation::Inferred, stood.then(|| at(self.start - 5.0))),
                    (false, false, _) => (Confirmation::Missing, stood.then(|| at(self.start - 5.0))),
                };
                PhaseRun {
                    phase,
                    start,
                    end: left,
                    driven: left - start,
                    u_duration: Seconds(1.0 / self.rate / 6f64.sqrt()),
                    confirmation,
                    confirmed_at,
                    left: if n == last { at(end) } else { left },
                    went_on: went_on || (n == last && confirmation == Confirmation::Confirmed),
                }
            })
            .collect()
    }
}
