//! Which cause is right for which of the rig's faults, and how well a diagnosis did.

use std::collections::BTreeMap;

use foldwatch_cause::{Diagnosis, Ranked};
use foldwatch_pipeline::Verdict;
use foldwatch_profile::{PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_rig::{Fault, FaultKind, Target};
use foldwatch_units::Direction;
use rand::seq::IndexedRandom;
use rand::{Rng, RngCore};

use crate::play::Played;

/// Names of the causes that are right for a kind of fault. More than one where no log can tell them apart: a switch that
/// never makes may be out of adjustment or have a broken wire. None where nothing is wrong with the roof.
pub fn right_causes(kind: FaultKind) -> &'static [&'static str] {
    use FaultKind::*;
    match kind {
        WornPump => &["worn-pump"],
        InternalLeak => &["internal-leak"],
        ExternalLeak => &["low-oil"],
        AirInOil => &["air-in-oil"],
        Friction => &["stiff-mechanism"],
        SwitchLate => &["switch-adjustment"],
        SwitchNever | StuckOpen => &["switch-adjustment", "switch-wire"],
        Dropout => &["switch-wire"],
        Chatter => &["switch-worn"],
        StuckClosed => &["switch-shorted"],
        StickingValve => &["sticking-valve"],
        WeldedRelay => &["relay"],
        RunOn => &["control-output"],
        HighResistanceSupply => &["supply-resistance"],
        HighResistanceEarth => &["earth-resistance"],
        LowRelief => &["low-relief"],
        ReleaseOpen => &["release-open"],
        CloggedStrainer => &["clogged-strainer"],
        WeakBattery => &["weak-battery"],
        LogGap => &["logger-fault"],
        DeadSensor | StuckSensor | NoisySensor => &["sensor-fault"],
        Cold | ClockDrift | WrappedCounter | CorruptedBytes => &[],
    }
}

/// Whether a cause is the fault: the right one, at the right place.
pub fn is_right(profile: &Profile, fault: &Fault, told: &Ranked) -> bool {
    let place = match fault.target {
        Target::System => true,
        Target::Signal(ix) => match told.place.signal {
            Some(signal) => {
                signal == ix
                    || profile
                        .chains
                        .iter()
                        .any(|c| c.signal == ix && c.members.iter().any(|m| m.signal == Some(signal)))
            }
            None => false,
        },
        Target::Step(step) => {
            let cylinders = &step.of(profile).cylinders;
            told.place.phase == Some(step)
                || profile
                    .hydraulics
                    .cylinders
                    .iter()
                    .position(|c| c.id == told.at)
                    .is_some_and(|n| cylinders.iter().any(|(ix, _)| *ix == n))
        }
    };
    place && right_causes(fault.kind).contains(&told.cause.as_str())
}

/// The rank of the right cause, from 0; `None` where it is not told.
pub fn rank(profile: &Profile, fault: &Fault, diagnosis: &Diagnosis) -> Option<usize> {
    diagnosis.causes.iter().position(|told| is_right(profile, fault, told))
}

/// The mean squared error of the probabilities: over every cause that is told and the right one. 0 is perfect.
pub fn brier(profile: &Profile, fault: Option<&Fault>, diagnosis: &Diagnosis) -> f64 {
    let truth = |told: &Ranked| f64::from(u8::from(fault.is_some_and(|f| is_right(profile, f, told))));
    // Where several causes are right because no log tells them apart, they share the truth.
    let right: f64 = diagnosis.causes.iter().filter(|c| truth(c) > 0.0).map(|c| c.probability).sum();
    let wrong: f64 = diagnosis.causes.iter().filter(|c| truth(c) == 0.0).map(|c| c.probability.powi(2)).sum();
    let missed = match fault {
        Some(fault) if !right_causes(fault.kind).is_empty() => (1.0 - right.min(1.0)).powi(2),
        _ => 0.0,
    };
    (wrong + missed) / 2.0
}

/// What a fault can change, in numbers.
const TELLING: [&str; 8] = [
    "duration",
    "mean-pressure",
    "pressure-build-up",
    "running-current",
    "inrush-current",
    "supply-resistance",
    "hold-time-constant",
    "confirmation-lag",
];

/// The largest change of what is measured that a fault makes, against the same weeks without it: of the medians over the
/// cycles, as ln of their ratio. Infinite where other movements came of it.
pub fn change(with: &Played, without: &Played) -> f64 {
    let story = |played: &Played| {
        let cycle = |v: &Verdict| (v.cycle.direction, v.cycle.outcome, v.cycle.phases.len());
        played.verdicts.iter().map(cycle).collect::<Vec<_>>()
    };
    if story(with) != story(without) {
        return f64::INFINITY;
    }
    let (with, without) = (medians(with), medians(without));
    let both = with.iter().filter_map(|(key, a)| Some((a, without.get(key)?)));
    both.map(|(a, b)| (a / b).ln().abs()).filter(|ln| ln.is_finite()).fold(0.0, f64::max)
}

fn medians(played: &Played) -> BTreeMap<(&'static str, Option<PhaseRef>), f64> {
    let mut values: BTreeMap<_, Vec<f64>> = BTreeMap::new();
    let measures = played.verdicts.iter().flat_map(|v| &v.judged.measures);
    for measure in measures.filter(|m| TELLING.contains(&m.id)) {
        values.entry((measure.id, measure.phase)).or_default().extend(measure.value.value());
    }
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    values.into_iter().map(|(key, values)| (key, median(values))).collect()
}

/// A fault of a kind at a place of the roof where it can sit, drawn by lot; `None` where the roof has no such place.
pub fn draw(profile: &Profile, kind: FaultKind, rng: &mut impl RngCore) -> Option<Fault> {
    use FaultKind::*;
    let steps = || {
        let of = |direction: Direction| {
            let sequence = profile.sequence(direction).iter().enumerate();
            sequence.filter(|(_, step)| step.pump).map(move |(index, _)| PhaseRef { direction, index })
        };
        of(Direction::Opening).chain(of(Direction::Closing)).collect::<Vec<_>>()
    };
    let signals = |wanted: fn(SignalKind) -> bool| -> Vec<SignalIx> {
        profile.signals().filter(|(_, s)| wanted(s.kind)).map(|(ix, _)| ix).collect()
    };
    let target = match kind {
        InternalLeak => {
            let moving: Vec<PhaseRef> =
                steps().into_iter().filter(|s| !s.of(profile).cylinders.is_empty()).collect();
            Target::Step(*moving.choose(rng)?)
        }
        Friction => Target::Step(*steps().choose(rng)?),
        SwitchLate | SwitchNever | Dropout | Chatter | StuckOpen | StuckClosed => {
            let wanted: Vec<SignalIx> = steps()
                .into_iter()
                .flat_map(|s| s.of(profile).confirm.wanted())
                .filter(|w| w.1)
                .map(|w| w.0)
                .collect();
            Target::Signal(*wanted.choose(rng)?)
        }
        StickingValve => Target::Signal(*signals(|k| k == SignalKind::Valve).choose(rng)?),
        DeadSensor | StuckSensor | NoisySensor => {
            let kinds = |k| matches!(k, SignalKind::Pressure | SignalKind::Current | SignalKind::Voltage);
            Target::Signal(*signals(kinds).choose(rng)?)
        }
        _ => Target::System,
    };
    Some(Fault::new(kind, target, rng.random_range(0.1..1.0)))
}

/// Where a fault sits, in the names of files.
pub fn place(profile: &Profile, fault: &Fault) -> String {
    match fault.target {
        Target::System => String::new(),
        Target::Signal(ix) => profile.signal(ix).id.clone(),
        Target::Step(step) => format!("{}/{}", step.direction, step.of(profile).name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_cause::{Evidence, FOUND, Table, diagnose};
    use foldwatch_rig::Scenario;

    fn roof() -> Profile {
        foldwatch_profile::parse(include_str!("../../../config/profiles/hardtop-five.toml")).unwrap().profile
    }

    fn told(profile: &Profile, faults: Vec<Fault>) -> (Diagnosis, Evidence) {
        let mut scenario = Scenario::cycles(profile, 5, 6);
        scenario.sample_rate_hz = 50.0;
        scenario.relaxation = foldwatch_units::Seconds(60.0);
        scenario.faults = faults;
        let played = crate::play(&scenario, &crate::Logger { edges: true, absent: Vec::new() }).unwrap();
        (diagnose(&Table::shipped(), profile, &played.evidence, &[]), played.evidence)
    }

    #[test]
    fn from_a_simulated_roof_to_its_cause() {
        let roof = roof();
        let (sound, evidence) = told(&roof, Vec::new());
        assert_eq!(evidence.cycles(), 6);
        assert!(sound.is_nothing() && sound.next.is_none(), "{:#?}", sound.causes);
        assert!(sound.causes.iter().all(|c| c.probability <= FOUND));
        assert!(brier(&roof, None, &sound) < 0.02);

        let switch = roof.find("roof_stowed").unwrap();
        let lid = PhaseRef { direction: Direction::Closing, index: 0 };
        for (kind, target) in [
            (FaultKind::HighResistanceEarth, Target::System),
            // Told by what the profile states: the pressure of the lightest step, and how long pressure is held.
            (FaultKind::Friction, Target::Step(lid)),
            (FaultKind::ExternalLeak, Target::System),
            (FaultKind::SwitchNever, Target::Signal(switch)),
        ] {
            let fault = Fault::new(kind, target, 0.8);
            let (diagnosis, _) = told(&roof, vec![fault]);
            assert_eq!(rank(&roof, &fault, &diagnosis), Some(0), "{kind}: {:#?}", diagnosis.causes);
            assert!(diagnosis.next.is_some());
            assert!(brier(&roof, Some(&fault), &diagnosis) < 0.25, "{kind}");
        }
    }
}
