//! What a profile leaves unsaid, and what looks odd in it: nothing that stops the work.

use foldwatch_units::{Direction, LitresPerMinute, Millilitres, Seconds};

use crate::expr::Expr;
use crate::keys::{Absent, KEYS, Key};
use crate::logic;
use crate::model::{Cylinder, Phase, Profile, SignalKind};
use crate::problem::Problems;
use crate::shape::Table;

/// What is lost where no signal of a kind is described.
const WITHOUT_SIGNAL: &[(SignalKind, &str)] = &[
    (SignalKind::Switch, "missing-confirmation, late-confirmation, chatter and dropout can't be judged"),
    (SignalKind::Demand, "a refused cycle and one that the operator stopped can't be told from others"),
    (SignalKind::Pump, "stuck-relay can't be judged"),
    (SignalKind::Pressure, "relief-dwell, no-pressure, leak-down and air-in-oil can't be judged"),
    (SignalKind::Current, "dry-running, stuck-relay and fuse-margin can't be judged"),
    (SignalKind::Voltage, "low-supply can't be judged, and phase times can't be corrected for the battery"),
    (SignalKind::Temperature, "phase times can't be corrected for the oil's temperature"),
];

/// Expected times further from what the cylinders need than this are worth a look. A judgment: pump delivery is
/// rarely known to better than a tenth, and the time to start and stop comes on top.
const ODD_TIME: f64 = 0.3;

/// What can't be judged with a roof so described: the key or kind of signal that is missing, and the consequence.
///
/// A log that carries less than the profile describes loses more; that is for the reader of the log to say.
pub fn unjudged(profile: &Profile) -> Vec<(String, String)> {
    let keys = KEYS.iter().filter_map(|key| match key.absent {
        Absent::Unjudged(lost) if !is_given(profile, key.path) => {
            Some((key.path.to_owned(), lost.to_owned()))
        }
        _ => None,
    });
    let signals = WITHOUT_SIGNAL
        .iter()
        .filter(|(kind, _)| profile.of_kind(*kind).next().is_none())
        .map(|(kind, lost)| (format!("signal of kind `{}`", kind.as_str()), (*lost).to_owned()));
    let driven = profile.drive_signals().next().map(|ix| profile.signal(ix).kind);
    let undriven = driven.is_none().then(|| {
        (
            "signal of kind `pump`, `current`, `valve`, `pressure` or `demand`".to_owned(),
            "nothing tells when the roof is driven, so no movement can be found: record one of these and describe it here"
                .to_owned(),
        )
    });
    let signals = signals.map(|(what, lost)| match driven {
        Some(by) if by != SignalKind::Pump && what == "signal of kind `pump`" => {
            (what, format!("the pump's run is told by the {} signal, and {lost}", by.as_str()))
        }
        _ => (what, lost),
    });
    undriven.into_iter().chain(keys).chain(signals).collect()
}

/// Whether a profile holds what a key without default gives.
fn is_given(profile: &Profile, path: &str) -> bool {
    let (hydraulics, electrics) = (&profile.hydraulics, &profile.electrics);
    match path {
        "hydraulics.viscosity_40c_mm2_s" => hydraulics.viscosity_40.is_some(),
        "hydraulics.viscosity_100c_mm2_s" => hydraulics.viscosity_100.is_some(),
        "hydraulics.fill_ml" => hydraulics.fill.is_some(),
        "hydraulics.pump_delivery_l_min" => hydraulics.pump_delivery.is_some(),
        "hydraulics.pump_pistons" => hydraulics.pump_pistons.is_some(),
        "hydraulics.relief_bar" => hydraulics.relief.is_some(),
        "hydraulics.cylinder" => !hydraulics.cylinders.is_empty(),
        "electrics.running_a" => electrics.running.is_some(),
        "electrics.fuse_a" => electrics.fuse.is_some(),
        "electrics.longest_run_s" => electrics.longest_run.is_some(),
        "electrics.cool_down_s" => electrics.cool_down.is_some(),
        "permission" => !profile.permissions.is_empty(),
        _ => true,
    }
}

/// All advice on a profile that was read without a problem.
pub(crate) fn give(profile: &Profile, root: &Table<'_>, advice: &mut Problems) {
    for (key, lost) in unjudged(profile) {
        let at = Key::find(&key).and_then(|key| root.table(key.table())).map_or(0, |table| table.at);
        advice.absent(at, key, "not given", lost);
    }
    electrics(profile, root, advice);
    for direction in [Direction::Opening, Direction::Closing] {
        let mut before = profile.sequence(direction.reversed()).last();
        for (phase, table) in profile.sequence(direction).iter().zip(root.tables(direction.as_str())) {
            if let Some(before) = before.filter(|before| already_done(profile, before, phase)) {
                let found = format!("so as soon as `{}` is done", before.name);
                let remedy = "this step ends when it begins; name a switch that it alone changes";
                advice.wrong(table.place("confirm"), table.shown("confirm"), found, remedy);
            }
            step(profile, phase, &table, advice);
            before = Some(phase);
        }
    }
    let (open, closed) = (profile.end_position(Direction::Opening), profile.end_position(Direction::Closing));
    if open == closed {
        let found = "opening and closing end with the same switches".to_owned();
        advice.wrong(
            0,
            "opening.confirm",
            found,
            "where a cycle began can't be told; name a switch of one end",
        );
    }
}

fn electrics(profile: &Profile, root: &Table<'_>, advice: &mut Problems) {
    let Some(table) = root.table("electrics") else { return };
    if let (Some(running), Some(fuse)) = (profile.electrics.running, profile.electrics.fuse)
        && running > fuse
    {
        let found = format!("a fuse of {fuse} is less than the running current of {running}");
        advice.wrong(table.place("fuse_a"), table.shown("fuse_a"), found, "check both");
    }
}

/// Whether a step is confirmed by what confirmed the one before it.
fn already_done(profile: &Profile, before: &Phase, phase: &Phase) -> bool {
    let exclusive = profile.signals().flat_map(|(a, s)| s.excludes.iter().map(move |b| (a, *b))).collect();
    phase.confirm != Expr::Always && logic::implies(&before.confirm, &phase.confirm, &exclusive)
}

fn step(profile: &Profile, phase: &Phase, table: &Table<'_>, advice: &mut Problems) {
    if let Some(give_up) = phase.give_up
        && give_up < phase.limit
    {
        let found = format!("{give_up} comes before the step counts as slow, at {}", phase.limit);
        advice.wrong(table.place("give_up_s"), table.shown("give_up_s"), found, "give a lower `limit_s`");
    }
    if phase.pump && phase.valves.is_empty() && profile.of_kind(SignalKind::Valve).next().is_some() {
        let found = "the pump runs, and no valve is energised".to_owned();
        advice.wrong(table.at, table.shown("valves"), found, "a log can't tell this from a service run");
    }
    if let (true, Some(delivery)) = (phase.pump, profile.hydraulics.pump_delivery) {
        let volume = displaced(&profile.hydraulics.cylinders, phase);
        let needed = time_to_fill(volume, delivery);
        let off = phase.expected / needed - 1.0;
        if volume.value() > 0.0 && off.abs() > ODD_TIME {
            let found = format!(
                "{} expected, but its cylinders take {:.1} mL, {:.1} s at {delivery}",
                phase.expected,
                volume.value(),
                needed.value()
            );
            let remedy = "check bore, rod, stroke, count, and the sign behind each cylinder";
            advice.wrong(table.place("expected_s"), table.shown("expected_s"), found, remedy);
        }
    }
}

/// Oil that the cylinders of a step take in: area times stroke, the rod taken off where they retract.
pub fn displaced(cylinders: &[Cylinder], phase: &Phase) -> Millilitres {
    let volumes = phase.cylinders.iter().filter_map(|(place, extends)| {
        let cylinder = cylinders.get(*place)?;
        let rod = if *extends { 0.0 } else { cylinder.rod.value() };
        let area = std::f64::consts::FRAC_PI_4 * (cylinder.bore.value().powi(2) - rod.powi(2));
        Some(Millilitres(area * cylinder.stroke.value() * f64::from(cylinder.count) / 1000.0))
    });
    volumes.sum()
}

/// How long a pump takes for a volume.
fn time_to_fill(volume: Millilitres, delivery: LitresPerMinute) -> Seconds {
    Seconds(volume.value() / (delivery.value() * 1000.0 / 60.0))
}
