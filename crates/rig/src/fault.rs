//! What can be wrong with a roof or its logger, how strongly, and since when.

use foldwatch_profile::{PhaseRef, Profile, SignalIx};
use foldwatch_units::Micros;

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident $text:literal),+ $(,)?) => {
        /// A kind of fault.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum FaultKind {
            $($(#[$doc])* $name),+
        }

        impl FaultKind {
            /// All of them.
            pub const ALL: &'static [FaultKind] = &[$(FaultKind::$name),+];

            /// The name as it stands in files.
            pub fn as_str(self) -> &'static str {
                match self { $(FaultKind::$name => $text),+ }
            }
        }
    };
}

kinds! {
    /// More slip in the pump.
    WornPump "worn-pump",
    /// Oil creeps past a piston of the target step's axis.
    InternalLeak "internal-leak",
    /// Oil gets out: seats leak, the level falls, the pump draws air.
    ExternalLeak "external-leak",
    /// Free gas in the oil.
    AirInOil "air-in-oil",
    /// A joint of the target step moves stiffly.
    Friction "friction",
    /// The target switch makes long after its place was reached.
    SwitchLate "switch-late",
    /// The target switch is out of adjustment and never changes at its place.
    SwitchNever "switch-never",
    /// The target signal drops out for moments.
    Dropout "dropout",
    /// The target switch chatters at every change.
    Chatter "chatter",
    /// The target signal is off all the time.
    StuckOpen "stuck-open",
    /// The target signal is on all the time.
    StuckClosed "stuck-closed",
    /// The target valve's spool follows its command slowly.
    StickingValve "sticking-valve",
    /// The pump's relay stays closed after its command has gone.
    WeldedRelay "welded-relay",
    /// The unit keeps driving after the last confirmation.
    RunOn "run-on",
    /// Resistance in the feed.
    HighResistanceSupply "high-resistance-supply",
    /// Resistance in the motor's earth.
    HighResistanceEarth "high-resistance-earth",
    /// The relief valve opens too early.
    LowRelief "low-relief",
    /// The emergency release was left open.
    ReleaseOpen "release-open",
    /// The pump can't draw enough.
    CloggedStrainer "clogged-strainer",
    /// The battery sags.
    WeakBattery "weak-battery",
    /// No fault: a cold day. Nothing should be found.
    Cold "cold",
    /// A stretch of the recording is missing.
    LogGap "log-gap",
    /// The logger's clock runs fast or slow.
    ClockDrift "clock-drift",
    /// The logger's counter of milliseconds wraps.
    WrappedCounter "wrapped-counter",
    /// Bytes are damaged on the way.
    CorruptedBytes "corrupted-bytes",
    /// The target sensor shows the foot of its range.
    DeadSensor "dead-sensor",
    /// The target sensor shows one value.
    StuckSensor "stuck-sensor",
    /// The target sensor is noisy.
    NoisySensor "noisy-sensor",
}

impl std::fmt::Display for FaultKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Since when a fault is there.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Onset {
    /// From the first cycle on.
    Always,
    /// From this cycle on, counted from 0.
    Cycle(u32),
    /// From this moment on.
    At(Micros),
}

/// Where a fault sits, for the kinds that sit somewhere.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// In the whole system.
    System,
    /// At a signal: a switch, a valve, a sensor.
    Signal(SignalIx),
    /// At a step of a sequence.
    Step(PhaseRef),
}

/// One fault.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Fault {
    /// Which kind.
    pub kind: FaultKind,
    /// Where.
    pub target: Target,
    /// From 0, just noticeable, to 1, gross.
    pub strength: f64,
    /// Since when.
    pub onset: Onset,
    /// Cycles from the onset until its full strength, for wear; 0: at once.
    pub over_cycles: u32,
    /// Chance of being there in a cycle: 1 is permanent, less is intermittent.
    pub chance: f64,
}

impl Fault {
    /// A permanent fault from the beginning.
    pub fn new(kind: FaultKind, target: Target, strength: f64) -> Fault {
        Fault { kind, target, strength, onset: Onset::Always, over_cycles: 0, chance: 1.0 }
    }

    /// The same from a cycle on.
    pub fn from_cycle(self, cycle: u32) -> Fault {
        Fault { onset: Onset::Cycle(cycle), ..self }
    }

    /// The same, growing over so many cycles.
    pub fn over(self, cycles: u32) -> Fault {
        Fault { over_cycles: cycles, ..self }
    }

    /// The same, only now and then.
    pub fn now_and_then(self, chance: f64) -> Fault {
        Fault { chance, ..self }
    }

    /// Its strength in a cycle; `None` before its onset. `lot` from 0 to 1 decides for an intermittent one.
    pub fn in_cycle(&self, cycle: u32, at: Micros, since: &mut Option<u32>, lot: f64) -> Option<f64> {
        let begun = match self.onset {
            Onset::Always => true,
            Onset::Cycle(first) => cycle >= first,
            Onset::At(moment) => at >= moment,
        };
        if !begun {
            return None;
        }
        let first = *since.get_or_insert(cycle);
        let grown = if self.over_cycles == 0 {
            1.0
        } else {
            (f64::from(cycle - first + 1) / f64::from(self.over_cycles)).min(1.0)
        };
        (lot < self.chance).then(|| self.strength.clamp(0.0, 1.0) * grown)
    }
}

/// What a fault should show, in the names of findings.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Expected {
    /// Name of the finding.
    pub kind: String,
    /// Place in the cycle's list of faults of the one that it comes from.
    pub fault: usize,
    /// It follows from this fault alone, and the cycle gave it its moment; of several such findings of one fault any
    /// one will do. Else it may go with the fault, depending on strength and conditions.
    pub certain: bool,
    /// Step that it is seen in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// Signal that it is seen at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signal: Option<String>,
}

/// What a fault should show. The first list follows from the fault itself, the second may go with it.
fn shows(kind: FaultKind) -> (&'static [&'static str], &'static [&'static str]) {
    use FaultKind::*;
    match kind {
        WornPump => (&["weak-pump"], &["slow-phase"]),
        InternalLeak => (&["slow-phase"], &["weak-pump", "leak-down"]),
        ExternalLeak => {
            (&["leak-down"], &["slow-phase", "weak-pump", "air-in-oil", "dry-running", "no-pressure"])
        }
        AirInOil => (&["air-in-oil"], &["slow-phase"]),
        Friction => {
            (&["heavy-going"], &["slow-phase", "missing-confirmation", "unconfirmed-running", "relief-dwell"])
        }
        SwitchLate => (&["late-confirmation"], &["relief-dwell", "slow-phase"]),
        SwitchNever => {
            (&[], &["unconfirmed-running", "relief-dwell", "stuck-switch", "duty-exceeded", "fuse-margin"])
        }
        Dropout => (&["dropout"], &["chatter"]),
        Chatter => (&["chatter"], &["dropout"]),
        // To one cycle, a switch that is stuck open looks like one that never makes.
        StuckOpen => (
            &[],
            &[
                "stuck-switch",
                "unconfirmed-running",
                "relief-dwell",
                "duty-exceeded",
                "fuse-margin",
                "contradiction",
            ],
        ),
        StuckClosed => (
            &["stuck-switch", "contradiction"],
            &["missing-confirmation", "unconfirmed-running", "relief-dwell"],
        ),
        StickingValve => (&["slow-phase"], &["relief-dwell", "missing-confirmation"]),
        WeldedRelay => (&["stuck-relay"], &["run-on", "relief-dwell", "duty-exceeded", "fuse-margin"]),
        RunOn => (&["run-on"], &["relief-dwell", "duty-exceeded", "fuse-margin"]),
        HighResistanceSupply => (&["low-supply"], &["slow-phase"]),
        HighResistanceEarth => (&["slow-phase"], &["weak-pump"]),
        LowRelief => (&[], &["slow-phase", "no-pressure", "missing-confirmation", "unconfirmed-running"]),
        ReleaseOpen => (
            &["no-pressure"],
            &[
                "slow-phase",
                "missing-confirmation",
                "unconfirmed-running",
                "leak-down",
                "duty-exceeded",
                "weak-pump",
            ],
        ),
        CloggedStrainer => (&["weak-pump"], &["slow-phase", "dry-running"]),
        WeakBattery => (&["low-supply"], &["slow-phase"]),
        Cold | ClockDrift | WrappedCounter => (&[], &[]),
        LogGap => (&["recording-gap"], &[]),
        CorruptedBytes => (&[], &["recording-gap"]),
        DeadSensor | StuckSensor | NoisySensor => (&["signal-fault"], &[]),
    }
}

impl Fault {
    /// What it should show.
    pub fn shows(&self, profile: &Profile) -> Vec<Expected> {
        let (certain, possible) = shows(self.kind);
        let phase = match self.target {
            Target::Step(step) => Some(step.of(profile).name.clone()),
            _ => None,
        };
        let signal = match self.target {
            Target::Signal(ix) => Some(profile.signal(ix).id.clone()),
            _ => None,
        };
        let make = |certain: bool| {
            let (phase, signal) = (phase.clone(), signal.clone());
            move |kind: &&'static str| Expected {
                kind: (*kind).to_owned(),
                fault: 0,
                certain,
                phase: phase.clone(),
                signal: signal.clone(),
            }
        };
        certain.iter().map(make(true)).chain(possible.iter().map(make(false))).collect()
    }
}

/// From just noticeable to gross.
fn between(strength: f64, least: f64, most: f64) -> f64 {
    least + (most - least) * strength
}

/// What all active faults together do, in the terms of the plant, the wires and the unit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Effects {
    /// Factor on slip, less 1.
    pub slip: f64,
    /// Part of the delivery that creeps past the pistons of a step's axes, whichever way they are pushed.
    pub bypass: Vec<(PhaseRef, f64)>,
    /// Factor on the seats' leakage, less 1.
    pub leak: f64,
    /// Part of what the pump draws that is air.
    pub suction_air: f64,
    /// Free gas added.
    pub air: f64,
    /// Factor on friction, by step.
    pub friction: Vec<(PhaseRef, f64)>,
    /// What happens on a signal's way.
    pub wires: Vec<(SignalIx, Wire)>,
    /// Added lag of a valve, s.
    pub lag: Vec<(SignalIx, f64)>,
    /// The relay stays closed for so long, s.
    pub welded_s: f64,
    /// The unit goes on driving for so long, s; on top of what the profile allows.
    pub run_on_s: f64,
    /// Voltage lost in the feed at running current, V.
    pub supply_v: f64,
    /// Voltage lost in the earth at running current, V.
    pub earth_v: f64,
    /// The relief setting over what the heaviest place of any step asks for; 0: as it should be.
    pub relief: f64,
    /// Part of the delivery that a release takes at typical pressure.
    pub release: f64,
    /// What the strainer passes, as a part of the delivery; 0 is no bound.
    pub strainer: f64,
    /// Loss of the battery's voltage, V, and factor on its resistance, less 1.
    pub battery: (f64, f64),
    /// Colder by, K.
    pub colder: f64,
    /// What is wrong with an analog sensor.
    pub sensors: Vec<(SignalIx, Sensor)>,
    /// A hole in the recording of so many seconds.
    pub gap_s: f64,
}

/// What can happen on the way of a binary signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wire {
    /// It makes so much later, s.
    Late(f64),
    /// It never makes.
    Never,
    /// It opens for moments; so many a minute while it is made.
    Dropout(f64),
    /// Each change is a burst of so many seconds.
    Chatter(f64),
    /// It is in one state all the time.
    Stuck(bool),
}

/// What can be wrong with an analog sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sensor {
    /// It shows the foot of its range.
    Dead,
    /// It shows its first value all the time.
    Stuck,
    /// Its noise is so many times what it was.
    Noisy(f64),
}

impl FaultKind {
    /// It is seen only in cycles in which something was asked of its target: a switch that should have changed, a
    /// valve that should have moved.
    pub fn waits_for_its_moment(self) -> bool {
        use FaultKind::*;
        matches!(
            self,
            SwitchLate | SwitchNever | Dropout | Chatter | StuckOpen | StuckClosed | StickingValve | LogGap
        )
    }

    /// It changes what a switch shows.
    pub fn is_of_a_switch(self) -> bool {
        use FaultKind::*;
        matches!(self, SwitchLate | SwitchNever | Dropout | Chatter | StuckOpen | StuckClosed)
    }

    /// It is one of the logger's or its sensors', and not of the roof.
    pub fn is_of_the_logger(self) -> bool {
        use FaultKind::*;
        matches!(
            self,
            LogGap | ClockDrift | WrappedCounter | CorruptedBytes | DeadSensor | StuckSensor | NoisySensor
        )
    }
}

impl Effects {
    /// Adds a fault at a strength.
    pub fn add(&mut self, fault: &Fault, s: f64) {
        use FaultKind::*;
        let signal = match fault.target {
            Target::Signal(ix) => Some(ix),
            _ => None,
        };
        let step = match fault.target {
            Target::Step(step) => Some(step),
            _ => None,
        };
        let mut wire = |what: Wire| self.wires.extend(signal.map(|ix| (ix, what)));
        match fault.kind {
            WornPump => self.slip += between(s, 1.5, 13.0),
            InternalLeak => self.bypass.extend(step.map(|p| (p, between(s, 0.05, 0.6)))),
            ExternalLeak => {
                self.leak += between(s, 2.0, 60.0);
                self.suction_air += between(s, 0.01, 0.45);
                self.air += between(s, 0.002, 0.03);
            }
            AirInOil => self.air += between(s, 0.006, 0.08),
            Friction => self.friction.extend(step.map(|p| (p, between(s, 1.6, 8.0)))),
            SwitchLate => wire(Wire::Late(between(s, 0.25, 1.8))),
            SwitchNever => wire(Wire::Never),
            Dropout => wire(Wire::Dropout(between(s, 5.0, 60.0))),
            Chatter => wire(Wire::Chatter(between(s, 0.03, 0.3))),
            StuckOpen => wire(Wire::Stuck(false)),
            StuckClosed => wire(Wire::Stuck(true)),
            StickingValve => self.lag.extend(signal.map(|ix| (ix, between(s, 0.15, 1.5)))),
            WeldedRelay => self.welded_s = self.welded_s.max(between(s, 1.0, 25.0)),
            RunOn => self.run_on_s = self.run_on_s.max(between(s, 0.7, 15.0)),
            HighResistanceSupply => self.supply_v += between(s, 0.4, 3.0),
            HighResistanceEarth => self.earth_v += between(s, 0.4, 3.0),
            // A setting that is lower than it should be and still above all that the roof asks for shows in nothing.
            LowRelief => self.relief = between(s, 1.05, 0.8),
            ReleaseOpen => self.release += between(s, 0.3, 4.0),
            CloggedStrainer => self.strainer = between(s, 1.3, 0.4),
            WeakBattery => {
                self.battery.0 += between(s, 0.3, 1.2);
                self.battery.1 += between(s, 1.5, 9.0);
            }
            Cold => self.colder += between(s, 8.0, 35.0),
            DeadSensor => self.sensors.extend(signal.map(|ix| (ix, Sensor::Dead))),
            StuckSensor => self.sensors.extend(signal.map(|ix| (ix, Sensor::Stuck))),
            NoisySensor => self.sensors.extend(signal.map(|ix| (ix, Sensor::Noisy(between(s, 8.0, 80.0))))),
            LogGap => self.gap_s = self.gap_s.max(between(s, 0.5, 20.0)),
            // These happen to the bytes, not to the roof: the writers take them from the scenario.
            ClockDrift | WrappedCounter | CorruptedBytes => {}
        }
    }

    /// What is wrong with a signal's wire.
    pub fn wire(&self, signal: SignalIx) -> Option<Wire> {
        self.wires.iter().find(|(ix, _)| *ix == signal).map(|(_, w)| *w)
    }
}
