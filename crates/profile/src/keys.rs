//! Every key of a profile, in one list: the check, the key reference and `explain` all read it.

/// One key that a profile may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Key {
    /// The tables it lies in, and its name: `signal.debounce_ms`. The keys of `opening` hold for `closing` too.
    pub path: &'static str,
    /// What it takes.
    pub takes: Takes,
    /// What happens where it is not given.
    pub absent: Absent,
    /// What it means.
    pub meaning: &'static str,
}

/// What a key takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Takes {
    /// A table: `[name]`.
    Table,
    /// A list of tables, each begun by `[[name]]`.
    Tables {
        /// Not fewer.
        from: usize,
        /// Not more.
        to: usize,
    },
    /// Words for people.
    Text,
    /// The profile's id: letters, digits and `-`.
    ProfileId,
    /// An id that expressions can name: a letter, then letters, digits and `_`.
    Id,
    /// One of these words.
    OneOf(&'static [&'static str]),
    /// `true` or `false`.
    Flag,
    /// A whole number.
    Whole {
        /// Not less.
        from: i64,
        /// Not more.
        to: i64,
    },
    /// A number.
    Number {
        /// Its unit; empty for a bare factor.
        unit: &'static str,
        /// Not less.
        from: f64,
        /// Not more.
        to: f64,
    },
    /// A date: `2026-03-14`.
    Date,
    /// A unit that fits the kind of signal.
    Unit,
    /// `not a and (b or c)` over on/off signals.
    Expression,
    /// The id of a signal.
    Signal,
    /// A list of ids of signals.
    Signals,
    /// A list of cylinder ids, each with `+` (extends) or `-` (retracts) behind it.
    Moves,
}

/// What happens where a key is not given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Absent {
    /// The profile is refused.
    Refused,
    /// This number stands, in the key's own unit.
    Number(f64),
    /// This word stands.
    Word(&'static str),
    /// This flag stands.
    Flag(bool),
    /// Nothing is lost, or another key or rule takes its place: which.
    Means(&'static str),
    /// Something can't be judged: what. It is said as advice.
    Unjudged(&'static str),
}

impl Key {
    /// The table the key lies in; empty for the top of the file.
    pub fn table(&self) -> &'static str {
        self.path.rsplit_once('.').map_or("", |(table, _)| table)
    }

    /// The last part of the path.
    pub fn name(&self) -> &'static str {
        self.path.rsplit_once('.').map_or(self.path, |(_, name)| name)
    }

    /// The key with this path.
    pub fn find(path: &str) -> Option<&'static Key> {
        KEYS.iter().find(|key| key.path == path)
    }
}

const fn key(path: &'static str, takes: Takes, absent: Absent, meaning: &'static str) -> Key {
    Key { path, takes, absent, meaning }
}

const fn number(unit: &'static str, from: f64, to: f64) -> Takes {
    Takes::Number { unit, from, to }
}

/// The words for [`crate::SignalKind`], in its order.
pub(crate) const KINDS: &[&str] =
    &["switch", "valve", "pump", "demand", "pressure", "current", "voltage", "temperature", "position"];

const DIRECTIONS: &[&str] = &["opening", "closing"];

use Absent::{Flag, Means, Number, Refused, Unjudged, Word};
use Takes::{
    Date, Expression, Id, Moves, OneOf, ProfileId, Signal, Signals, Table, Tables, Text, Unit, Whole,
};

/// Every key, in the order of the key reference. The bounds of numbers only catch slips (a comma lost, a wrong unit);
/// they are wide judgments and no statement about any roof.
pub const KEYS: &[Key] = &[
    key(
        "format",
        Whole { from: 1, to: 1 },
        Means("1"),
        "Version of this file format. A later foldwatch reads all earlier ones.",
    ),
    key("id", ProfileId, Refused, "Short name for file names and addresses: letters, digits and `-`."),
    key("name", Text, Refused, "Name for people."),
    key("notes", Text, Means("no notes"), "Anything worth knowing about this kind of roof."),
    key(
        "signal",
        Tables { from: 1, to: 256 },
        Refused,
        "One table for every signal that a log of this roof may carry. A log need not carry all of them.",
    ),
    key(
        "signal.id",
        Id,
        Refused,
        "Name in logs, expressions and tables: a letter, then letters, digits and `_`; none twice.",
    ),
    key(
        "signal.kind",
        OneOf(KINDS),
        Refused,
        "What it is. On/off: `switch` (end position or other), `valve` (solenoid, commanded or measured), `pump` (relay), `demand` (the operator's button). Numbers: `pressure`, `current` (of the pump motor), `voltage` (supply), `temperature` (oil), `position` (of a lever or cylinder).",
    ),
    key("signal.label", Text, Means("the id"), "Name for people."),
    key(
        "signal.unit",
        Unit,
        Means("none for on/off signals; numbers must have one"),
        "Unit of the number after `gain` and `offset`. It must fit the kind: bar, mbar, kPa, MPa, Pa, psi; A, mA; V, mV; °C, °F, K; mm, cm, m, in, deg, rad.",
    ),
    key(
        "signal.on_when",
        OneOf(&["high", "low"]),
        Word("high"),
        "On/off signals: the recorded level that means made, energised or given. A switch that completes a ground reads `low` when it is made.",
    ),
    key(
        "signal.debounce_ms",
        number("ms", 0.0, 2000.0),
        Number(20.0),
        "On/off signals: a change that does not last this long is contact bounce. It takes nothing from the time of an edge, which is that of its first transition.",
    ),
    key(
        "signal.gain",
        number("", -1e9, 1e9),
        Number(1.0),
        "Numbers: value = recorded number x gain + offset, in `unit`. A log that itself names a unit of this kind is taken as calibrated already, and the two are left out.",
    ),
    key("signal.offset", number("", -1e9, 1e9), Number(0.0), "Numbers: see `gain`; in `unit`."),
    key(
        "signal.min",
        number("", -1e9, 1e9),
        Means("no bound"),
        "Numbers: the smallest value the sensor can truly show, in `unit`. Less is a signal fault.",
    ),
    key(
        "signal.max",
        number("", -1e9, 1e9),
        Means("no bound"),
        "Numbers: the largest value the sensor can truly show, in `unit`. More is a signal fault.",
    ),
    key(
        "signal.u",
        number("", 0.0, 1e9),
        Means("not stated"),
        "Numbers: standard uncertainty of a reading, in `unit` (JCGM 100); it goes into the evidence.",
    ),
    key("signal.certificate", Text, Means("none"), "Numbers: reference of the calibration certificate."),
    key("signal.calibrated", Date, Means("not stated"), "Numbers: date of the calibration."),
    key(
        "signal.excludes",
        Signals,
        Means("none"),
        "Switches that can't be made while this one is (roof up, roof stowed). Said at one of the two, it holds for both; both made at once is a contradiction.",
    ),
    key(
        "signal.demands",
        OneOf(DIRECTIONS),
        Means("either way: one button for both"),
        "Demands: which way it asks the roof to go.",
    ),
    key("timing", Table, Means("every default in it"), "Spans of time."),
    key(
        "timing.quiet_s",
        number("s", 0.1, 60.0),
        Number(1.0),
        "A cycle is over when nothing has been driven for this long.",
    ),
    key(
        "timing.tail_s",
        number("s", 0.0, 3600.0),
        Number(480.0),
        "The hold and the falling pressure after a cycle belong to it for this long, at the most. A system without an accumulator relaxes within 7 minutes (common practice, no source).",
    ),
    key(
        "timing.refusal_s",
        number("s", 0.1, 60.0),
        Number(1.5),
        "A demand after which nothing is driven for this long was refused.",
    ),
    key(
        "timing.run_on_s",
        number("s", 0.0, 60.0),
        Number(1.0),
        "The pump may run on for this long after the last confirmation.",
    ),
    key(
        "timing.relief_dwell_s",
        number("s", 0.0, 60.0),
        Number(1.0),
        "The pump may push against a stop at relief pressure for this long.",
    ),
    key(
        "reference",
        Table,
        Means("every default in it"),
        "The conditions that expected times and limits hold for.",
    ),
    key("reference.oil_temperature_c", number("°C", -40.0, 120.0), Number(20.0), "Oil temperature."),
    key("reference.supply_v", number("V", 5.0, 60.0), Number(12.6), "Supply voltage while the pump runs."),
    key("hydraulics", Table, Means("see the keys in it"), "Oil, pump, relief valve."),
    key("hydraulics.oil_grade", Text, Means("no name"), "The oil's name, as written on the can."),
    key(
        "hydraulics.viscosity_40c_mm2_s",
        number("mm2/s", 1.0, 1000.0),
        Unjudged("phase times can't be corrected for the oil's temperature"),
        "Kinematic viscosity at 40 °C, from the oil's data sheet.",
    ),
    key(
        "hydraulics.viscosity_100c_mm2_s",
        number("mm2/s", 0.5, 500.0),
        Unjudged("phase times can't be corrected for the oil's temperature"),
        "Kinematic viscosity at 100 °C, from the oil's data sheet.",
    ),
    key(
        "hydraulics.fill_ml",
        number("mL", 10.0, 50_000.0),
        Unjudged("air-in-oil can't be judged"),
        "Oil in the whole system.",
    ),
    key(
        "hydraulics.pump_delivery_l_min",
        number("L/min", 0.01, 100.0),
        Unjudged("weak-pump can't be judged by volume"),
        "Delivery of the pump at the reference voltage.",
    ),
    key(
        "hydraulics.pump_pistons",
        Whole { from: 1, to: 60 },
        Unjudged("pump speed can't be read from the pressure ripple"),
        "Pistons or teeth of the pump: ripples a revolution.",
    ),
    key(
        "hydraulics.relief_bar",
        number("bar", 2.0, 700.0),
        Unjudged("relief-dwell can't be judged"),
        "Setting of the relief valve.",
    ),
    key(
        "hydraulics.hold_s",
        number("s", 0.1, 100_000.0),
        Means("not known: a pressure that is gone in seconds is weighed by itself"),
        "Time constant with which the pressure falls after the drive on a sound roof, at reference oil temperature: after this long 37 % are left.",
    ),
    key(
        "hydraulics.cylinder",
        Tables { from: 0, to: 64 },
        Unjudged("weak-pump can't be judged by volume"),
        "One table for each group of equal cylinders that move together.",
    ),
    key("hydraulics.cylinder.id", Id, Refused, "Name in the `cylinders` of a step; none twice."),
    key("hydraulics.cylinder.bore_mm", number("mm", 2.0, 500.0), Refused, "Diameter of the piston."),
    key(
        "hydraulics.cylinder.rod_mm",
        number("mm", 0.0, 499.0),
        Refused,
        "Diameter of the rod; less than the bore.",
    ),
    key("hydraulics.cylinder.stroke_mm", number("mm", 1.0, 10_000.0), Refused, "Stroke."),
    key("hydraulics.cylinder.count", Whole { from: 1, to: 64 }, Number(1.0), "How many move together."),
    key("electrics", Table, Means("see the keys in it"), "Supply, motor, fuse, duty."),
    key(
        "electrics.nominal_v",
        number("V", 5.0, 60.0),
        Means("the reference voltage"),
        "Nominal voltage of the supply.",
    ),
    key(
        "electrics.running_a",
        number("A", 0.1, 1000.0),
        Unjudged("the current can't be compared with a sound motor's"),
        "Motor current while the roof moves.",
    ),
    key(
        "electrics.inrush_a",
        number("A", 0.1, 5000.0),
        Means("not compared"),
        "Highest motor current at the start.",
    ),
    key(
        "electrics.fuse_a",
        number("A", 0.5, 1000.0),
        Unjudged("fuse-margin can't be judged"),
        "Rating of the fuse in the pump's feed.",
    ),
    key(
        "electrics.fuse_body",
        OneOf(&["standard", "large"]),
        Word("standard"),
        "Body of the blade fuse: it sets how long the fuse stands an overcurrent.",
    ),
    key(
        "electrics.longest_run_s",
        number("s", 1.0, 36_000.0),
        Unjudged("duty-exceeded can't be judged"),
        "The pump may run for this long without a rest.",
    ),
    key(
        "electrics.cool_down_s",
        number("s", 1.0, 86_400.0),
        Unjudged("duty-exceeded can't be judged"),
        "Rest after which the longest run is allowed again.",
    ),
    key(
        "permission",
        Tables { from: 0, to: 64 },
        Unjudged("a refused demand can't be explained"),
        "One table for each thing without which the unit will not move at all.",
    ),
    key("permission.label", Text, Refused, "Name for people: \"boot lid latched\"."),
    key("permission.needs", Expression, Refused, "What must be so."),
    key("permission.direction", OneOf(DIRECTIONS), Means("both"), "The direction it is needed for."),
    key(
        "chain",
        Tables { from: 0, to: 64 },
        Means("no chains"),
        "One table for each set of switches that are wired in series and seen as one signal.",
    ),
    key(
        "chain.signal",
        Signal,
        Refused,
        "The switch signal that shows the chain: made only while every member is.",
    ),
    key(
        "chain.members",
        Tables { from: 2, to: 64 },
        Refused,
        "The members in the order of the wiring: `[{ label = \"left hook\" }, { label = \"right hook\", signal = \"hook_right\" }]`.",
    ),
    key("chain.members.label", Text, Refused, "Name for people."),
    key(
        "chain.members.signal",
        Signal,
        Means("not logged alone"),
        "The switch signal that shows this member alone.",
    ),
    key("opening", Tables { from: 1, to: 64 }, Refused, "One table for each step of opening, in order."),
    key(
        "closing",
        Tables { from: 1, to: 64 },
        Refused,
        "One table for each step of closing, in order; the same keys as in `[[opening]]`.",
    ),
    key("opening.name", Text, Refused, "Name of the step, not twice in one direction."),
    key("opening.valves", Signals, Means("none"), "Valves energised during the step, and no others."),
    key(
        "opening.pump",
        Takes::Flag,
        Flag(true),
        "Whether the pump runs. A step under gravity or a spring, or one that only holds, has none.",
    ),
    key("opening.moves", Text, Means("nothing said"), "What moves, in words."),
    key(
        "opening.confirm",
        Expression,
        Refused,
        "What shows that the step is done, over on/off signals: `lid_open and not lid_closed`, with `and`, `or`, `not` and parentheses. `always` for a step that no switch confirms.",
    ),
    key(
        "opening.expected_s",
        number("s", 0.01, 3600.0),
        Refused,
        "How long the step takes on a sound roof at reference oil temperature and voltage.",
    ),
    key(
        "opening.limit_s",
        number("s", 0.01, 36_000.0),
        Means("1.3 x expected_s"),
        "Longer than this, at reference conditions, is slow.",
    ),
    key(
        "opening.give_up_s",
        number("s", 0.01, 36_000.0),
        Means("not known"),
        "The control unit gives up after this long.",
    ),
    key(
        "opening.pressure_bar",
        number("bar", 0.5, 700.0),
        Means("not known: at first the steps' pressures are held against each other"),
        "Mean pressure while the step's mechanism moves, on a sound roof at reference oil temperature and voltage.",
    ),
    key(
        "opening.cylinders",
        Moves,
        Means("none"),
        "Cylinder groups that move in this step, `+` for those that extend, `-` for those that retract: `[\"lid+\", \"lock-\"]`.",
    ),
];

/// `limit_s` over `expected_s` where no limit is given. A judgment: cold oil and a weak battery are corrected for
/// before the comparison, so what is left is scatter of a few percent and true slowness.
pub(crate) const LIMIT_OVER_EXPECTED: f64 = 1.3;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_stands_once_and_within_a_listed_table() {
        for (n, key) in KEYS.iter().enumerate() {
            assert!(KEYS[..n].iter().all(|other| other.path != key.path), "{} twice", key.path);
            if !key.table().is_empty() {
                let table = Key::find(key.table()).unwrap_or_else(|| panic!("{} has no table", key.path));
                assert!(matches!(table.takes, Table | Tables { .. }), "{}", key.path);
            }
            assert!(key.meaning.ends_with(['.', ')']), "{}", key.path);
        }
    }

    #[test]
    fn defaults_fit_what_the_key_takes() {
        for key in KEYS {
            let fits = match (key.takes, key.absent) {
                (Takes::Number { from, to, .. }, Number(n)) => from <= n && n <= to,
                (Whole { from, to }, Number(n)) => from as f64 <= n && n <= to as f64,
                (OneOf(words), Word(word)) => words.contains(&word),
                (Takes::Flag, Flag(_)) => true,
                (_, Refused | Means(_) | Unjudged(_)) => true,
                _ => false,
            };
            assert!(fits, "{}", key.path);
        }
    }

    #[test]
    fn units_stand_in_the_names_of_numbers() {
        let ending = |unit| match unit {
            "s" => "_s",
            "ms" => "_ms",
            "V" => "_v",
            "A" => "_a",
            "bar" => "_bar",
            "mm" => "_mm",
            "mL" => "_ml",
            "°C" => "_c",
            "L/min" => "_l_min",
            "mm2/s" => "_mm2_s",
            other => panic!("no ending for {other}"),
        };
        for key in KEYS {
            if let Takes::Number { unit, .. } = key.takes {
                assert!(unit.is_empty() || key.name().ends_with(ending(unit)), "{}", key.path);
            }
        }
    }
}
