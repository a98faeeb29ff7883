//! A checked roof profile: all that the engine knows about one kind of roof.

use std::collections::BTreeSet;

use foldwatch_units::{
    Amps, Bar, Celsius, Direction, LitresPerMinute, Millilitres, Millimetres, Seconds,
    SquareMillimetresPerSecond, Unit, Volts,
};

use crate::expr::Expr;

/// A signal's place in [`Profile::signals`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct SignalIx(pub u16);

impl SignalIx {
    /// As an index into a slice that runs parallel to [`Profile::signals`].
    pub fn at(self) -> usize {
        usize::from(self.0)
    }
}

/// One kind of roof.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Short name for files and addresses: letters, digits, `-`.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Free text.
    pub notes: String,
    /// Every signal that a log of this roof may carry. A log need not carry all of them.
    pub signals: Vec<Signal>,
    /// When a cycle is over, and other spans of time.
    pub timing: Timing,
    /// The conditions that expected times and limits hold for.
    pub reference: Reference,
    /// Oil, pump, relief valve, cylinders.
    pub hydraulics: Hydraulics,
    /// Supply, motor, fuse, duty.
    pub electrics: Electrics,
    /// What must be so before the unit will move at all.
    pub permissions: Vec<Permission>,
    /// Switches wired in series that are seen as one signal.
    pub chains: Vec<Chain>,
    /// The steps of opening, in order.
    pub opening: Vec<Phase>,
    /// The steps of closing, in order.
    pub closing: Vec<Phase>,
}

impl Profile {
    /// The steps of one direction, in order.
    pub fn sequence(&self, direction: Direction) -> &[Phase] {
        match direction {
            Direction::Opening => &self.opening,
            Direction::Closing => &self.closing,
        }
    }

    /// One signal.
    pub fn signal(&self, ix: SignalIx) -> &Signal {
        &self.signals[ix.at()]
    }

    /// The signals with their places.
    pub fn signals(&self) -> impl Iterator<Item = (SignalIx, &Signal)> {
        self.signals.iter().enumerate().map(|(ix, signal)| (SignalIx(ix as u16), signal))
    }

    /// The signals of one kind.
    pub fn of_kind(&self, kind: SignalKind) -> impl Iterator<Item = (SignalIx, &Signal)> {
        self.signals().filter(move |(_, signal)| signal.kind == kind)
    }

    /// The signals that tell when the roof is driven, those that tell it best first. Without one no movement is found.
    pub fn drive_signals(&self) -> impl Iterator<Item = SignalIx> {
        use SignalKind::{Current, Demand, Pressure, Pump, Valve};
        let kinds = [Pump, Current, Valve, Pressure, Demand].into_iter();
        kinds.flat_map(|kind| self.of_kind(kind).map(|(ix, _)| ix))
    }

    /// The signals by which the steps of both sequences are known: their valves, and what confirms them.
    pub fn step_signals(&self) -> BTreeSet<SignalIx> {
        let phases = self.opening.iter().chain(&self.closing);
        let of_phase = |phase: &Phase| {
            let confirm = phase.confirm.wanted().into_iter().map(|(ix, _)| ix);
            phase.valves.iter().copied().chain(confirm).collect::<Vec<_>>()
        };
        phases.flat_map(of_phase).collect()
    }

    /// The signal with this id.
    pub fn find(&self, id: &str) -> Option<SignalIx> {
        self.signals().find(|(_, signal)| signal.id == id).map(|(ix, _)| ix)
    }
}

/// One channel: a number in engineering units, or one switch or valve state.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Name in files and expressions.
    pub id: String,
    /// Name for people; the id where the profile gives none.
    pub label: String,
    /// What it is.
    pub kind: SignalKind,
    /// The working unit of its numbers after calibration.
    pub unit: Unit,
    /// Which raw level means closed, energised, given.
    pub on_when: Level,
    /// Shorter changes are contact bounce.
    pub debounce: Seconds,
    /// From the raw number to the unit above.
    pub calibration: Calibration,
    /// Switches that can't be made while this one is.
    pub excludes: Vec<SignalIx>,
    /// For a demand: which way it asks the roof to go.
    pub demands: Option<Direction>,
}

/// What a signal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SignalKind {
    /// An end-position or other switch.
    Switch,
    /// A solenoid valve's command or state.
    Valve,
    /// The pump's command (relay).
    Pump,
    /// The operator's demand.
    Demand,
    /// Hydraulic pressure.
    Pressure,
    /// Pump motor current.
    Current,
    /// Supply voltage.
    Voltage,
    /// Oil temperature.
    Temperature,
    /// Position of a lever or cylinder, in mm or degrees.
    Position,
}

impl SignalKind {
    /// On or off, rather than a number.
    pub fn is_binary(self) -> bool {
        matches!(self, SignalKind::Switch | SignalKind::Valve | SignalKind::Pump | SignalKind::Demand)
    }
}

/// A raw level of a binary signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// 0, low voltage: usual where a closed switch completes a ground.
    Low,
    /// 1, high voltage.
    High,
}

/// From the raw number to the working unit: value = raw * gain + offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Factor.
    pub gain: f64,
    /// Added after the factor, in the signal's unit.
    pub offset: f64,
    /// The smallest value the sensor can truly show, in the signal's unit.
    pub min: Option<f64>,
    /// The largest value the sensor can truly show, in the signal's unit.
    pub max: Option<f64>,
    /// Standard uncertainty of a reading, in the signal's unit.
    pub u: Option<f64>,
    /// Reference of the calibration certificate.
    pub certificate: Option<String>,
    /// Date of the calibration, as written.
    pub date: Option<String>,
}

impl Default for Calibration {
    fn default() -> Self {
        Calibration { gain: 1.0, offset: 0.0, min: None, max: None, u: None, certificate: None, date: None }
    }
}

/// Spans of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// Drive ended for this long ends a cycle.
    pub quiet: Seconds,
    /// How long after the drive the hold and relaxation belong to the cycle, at the most.
    pub tail: Seconds,
    /// A demand with nothing driven for this long was refused.
    pub refusal: Seconds,
    /// The pump may run on for this long after the last confirmation.
    pub run_on: Seconds,
    /// The pump may push against a stop at relief pressure for this long.
    pub relief_dwell: Seconds,
}

/// The conditions that expected times and limits hold for.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// Oil temperature.
    pub oil_temperature: Celsius,
    /// Supply voltage while the pump runs.
    pub supply: Volts,
}

/// Oil, pump, relief valve, cylinders. What is not given can't be judged, and is said so.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Hydraulics {
    /// Kinematic viscosity at 40 °C.
    pub viscosity_40: Option<SquareMillimetresPerSecond>,
    /// Kinematic viscosity at 100 °C.
    pub viscosity_100: Option<SquareMillimetresPerSecond>,
    /// The oil's name, as written.
    pub oil_grade: Option<String>,
    /// Oil in the whole system.
    pub fill: Option<Millilitres>,
    /// Delivery of the pump at nominal voltage.
    pub pump_delivery: Option<LitresPerMinute>,
    /// Pistons (or teeth) of the pump: ripples a revolution.
    pub pump_pistons: Option<u32>,
    /// Setting of the relief valve.
    pub relief: Option<Bar>,
    /// Time constant with which the pressure falls after the drive on a sound roof, at reference oil temperature.
    pub hold: Option<Seconds>,
    /// The cylinders.
    pub cylinders: Vec<Cylinder>,
}

/// A group of equal cylinders.
#[derive(Debug, Clone, PartialEq)]
pub struct Cylinder {
    /// Name in phases.
    pub id: String,
    /// Piston diameter.
    pub bore: Millimetres,
    /// Rod diameter.
    pub rod: Millimetres,
    /// Stroke.
    pub stroke: Millimetres,
    /// How many move together.
    pub count: u32,
}

/// Supply, motor, fuse, duty.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Electrics {
    /// Nominal supply voltage.
    pub nominal: Option<Volts>,
    /// Motor current while moving the roof.
    pub running: Option<Amps>,
    /// Highest motor current at the start.
    pub inrush: Option<Amps>,
    /// Rating of the pump feed's fuse.
    pub fuse: Option<Amps>,
    /// Body of the fuse.
    pub fuse_body: FuseBody,
    /// The pump may run for this long without a rest.
    pub longest_run: Option<Seconds>,
    /// Rest after which the longest run is allowed again.
    pub cool_down: Option<Seconds>,
}

/// Body of a blade fuse: it sets the time-current class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FuseBody {
    /// Standard blade.
    #[default]
    Standard,
    /// Large blade.
    Large,
}

/// A condition without which the unit will not move.
#[derive(Debug, Clone, PartialEq)]
pub struct Permission {
    /// Name for people: "boot lid latched".
    pub label: String,
    /// What must be so.
    pub needs: Expr,
    /// Only for this direction; both where none is given.
    pub direction: Option<Direction>,
}

/// Switches wired in series: the signal is made only while every member is.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// The signal that shows the chain.
    pub signal: SignalIx,
    /// The members, in the order of the wiring.
    pub members: Vec<ChainMember>,
}

/// One switch of a chain.
#[derive(Debug, Clone, PartialEq)]
pub struct ChainMember {
    /// Name for people.
    pub label: String,
    /// The signal that shows this member alone, where it is logged.
    pub signal: Option<SignalIx>,
}

/// One step of a sequence. It ends when its confirmation arrives.
#[derive(Debug, Clone, PartialEq)]
pub struct Phase {
    /// Name for people and tables, unique within the direction.
    pub name: String,
    /// Valves energised during the step.
    pub valves: Vec<SignalIx>,
    /// Whether the pump runs; a step under gravity or spring has none.
    pub pump: bool,
    /// What moves, in words.
    pub moves: String,
    /// What confirms that the step is done.
    pub confirm: Expr,
    /// How long it takes on a sound roof at reference oil temperature and voltage.
    pub expected: Seconds,
    /// Longer than this, at reference conditions, is slow.
    pub limit: Seconds,
    /// The control unit gives up after this long, where it is known.
    pub give_up: Option<Seconds>,
    /// Mean pressure while its mechanism moves, on a sound roof at reference oil temperature and voltage, where it is known.
    pub pressure: Option<Bar>,
    /// Cylinders that move: place in [`Hydraulics::cylinders`], and whether they extend.
    pub cylinders: Vec<(usize, bool)>,
}

/// A moment and what a phase is called: where in the sequences a run of a phase belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct PhaseRef {
    /// Whose sequence.
    pub direction: Direction,
    /// Place in it, from 0.
    pub index: usize,
}

impl PhaseRef {
    /// The step itself.
    ///
    /// # Panics
    /// When it comes from another profile.
    pub fn of(self, profile: &Profile) -> &Phase {
        &profile.sequence(self.direction)[self.index]
    }
}
