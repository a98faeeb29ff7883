//! Whole diagnoses, from counts by hand: the table's own statements, the arithmetic, what must always hold.

use foldwatch_profile::{PhaseRef, Profile, SignalIx};
use foldwatch_units::Direction;
use proptest::prelude::*;

use crate::candidates::{Variant, at_most};
use crate::infer::{Counted, Model, counted, likelihood, ln_likelihood};
use crate::{Diagnosis, Entered, Evidence, FOUND, Place, Ranked, SIGNS, SetIn, Table, diagnose};

/// A sign, where, in how many cycles.
type Seen<'a> = (&'a str, Place, u32);

fn roof() -> Profile {
    foldwatch_profile::parse(include_str!("../../../config/profiles/hardtop-five.toml")).unwrap().profile
}

fn step(direction: Direction, index: usize) -> Place {
    Place::step(PhaseRef { direction, index })
}

fn switch(profile: &Profile, id: &str) -> SignalIx {
    profile.find(id).unwrap()
}

/// Signs that need what a profile states, and those that take their place where it does not.
const WHERE_STATED: [(&[&str], &[&str]); 2] = [
    (
        &["far-heavier-than-stated", "heavier-than-stated", "somewhat-heavier-than-stated"],
        &["near-relief", "heavier-than-others", "somewhat-heavier"],
    ),
    (&["shorter-hold-than-stated"], &["short-hold"]),
];

/// A week in which everything was looked for and nothing seen, but for what is given.
fn week(profile: &Profile, seen: &[Seen]) -> Evidence {
    let mut evidence = Evidence::default();
    for sign in SIGNS {
        for place in sign.at.places(profile) {
            let count = seen.iter().find(|(id, at, _)| *id == sign.id && *at == place).map_or(0, |s| s.2);
            // A step runs in every other movement.
            let looked = if place.phase.is_some() { 20 } else { 40 };
            // Where the next part carries on, nothing is late; elsewhere nothing is handed over.
            let looked = if sign.id == "handed-over" { count } else { looked };
            // Near the relief setting is what is heavy, and only that is asked.
            let heavy = seen.iter().any(|(id, at, _)| id.starts_with("heavier") && *at == place);
            let higher = ["near-relief", "far-heavier-than-stated"].contains(&sign.id);
            let looked = if higher && !heavy { count } else { looked };
            // What the profile states is looked for against that, or else without it.
            let ways =
                WHERE_STATED.iter().find(|ways| ways.0.contains(&sign.id) || ways.1.contains(&sign.id));
            let looked = ways.map_or(looked, |(with, without)| {
                let is_stated = !seen.iter().any(|s| without.contains(&s.0));
                if is_stated == with.contains(&sign.id) { looked } else { 0 }
            });
            evidence.set(profile, sign.id, place, looked, count.min(looked));
        }
    }
    evidence
}

/// The same of a log that does not carry what these signs need.
fn week_without(profile: &Profile, seen: &[Seen], not_carried: &[&str]) -> Evidence {
    let mut evidence = week(profile, seen);
    for sign in SIGNS.iter().filter(|sign| not_carried.contains(&sign.id)) {
        for place in sign.at.places(profile) {
            evidence.set(profile, sign.id, place, 0, 0);
        }
    }
    evidence
}

fn diagnosed(profile: &Profile, seen: &[Seen]) -> Diagnosis {
    diagnose(&Table::shipped(), profile, &week(profile, seen), &[])
}

fn first(diagnosis: &Diagnosis) -> (&str, &str) {
    let Ranked { cause, at, .. } = &diagnosis.causes[0];
    (cause, at)
}

fn chance(diagnosis: &Diagnosis, cause: &str) -> f64 {
    diagnosis.causes.iter().filter(|c| c.cause == cause).map(|c| c.probability).sum()
}

#[test]
fn nothing_seen_is_nothing_found() {
    let roof = roof();
    for evidence in [Evidence::default(), week(&roof, &[])] {
        let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
        assert!(diagnosis.is_nothing() && diagnosis.next.is_none(), "{:#?}", diagnosis.causes.first());
        assert!(diagnosis.causes.iter().all(|c| c.probability < FOUND));
    }
}

#[test]
fn one_finding_once_in_a_week_is_no_disease() {
    let roof = roof();
    for (sign, place) in [
        ("slow-phase", step(Direction::Opening, 1)),
        ("recording-gap", Place::ROOF),
        ("blocked", step(Direction::Closing, 0)),
    ] {
        let once = diagnosed(&roof, &[(sign, place, 1)]);
        let always = diagnosed(&roof, &[(sign, place, 40)]);
        let top = |d: &Diagnosis| d.causes.first().map_or(0.0, |c| c.probability);
        assert!(top(&once) < top(&always), "{sign}");
    }
}

#[test]
fn what_the_table_says_comes_out() {
    let roof = roof();
    let signal = |id: &str| Place::signal(switch(&roof, id));
    let wanted = |direction, index, id: &str| Place {
        phase: Some(PhaseRef { direction, index }),
        signal: Some(switch(&roof, id)),
    };
    let (opening, closing) = (Direction::Opening, Direction::Closing);
    let slow: Vec<Seen> = (0..4)
        .flat_map(|n| [("slow-phase", step(opening, n), 30), ("slow-phase", step(closing, n), 30)])
        .chain([("below-delivery", Place::ROOF, 40)])
        .collect();
    let with = |more: &[(&'static str, Place, u32)]| [slow.clone(), more.to_vec()].concat();
    let cases: Vec<(Vec<Seen>, &str, &str)> = vec![
        (with(&[("slower-warm", Place::ROOF, 40)]), "worn-pump", ""),
        (with(&[("slower-cold", Place::ROOF, 40)]), "clogged-strainer", ""),
        (with(&[("weak-start", Place::ROOF, 40)]), "earth-resistance", ""),
        (with(&[("short-hold", Place::ROOF, 40), ("late-pressure", Place::ROOF, 40)]), "low-oil", ""),
        (vec![("dropout", signal("lid_open"), 12)], "switch-wire", "lid_open"),
        (
            vec![
                ("late-confirmation", wanted(opening, 1, "lid_open"), 20),
                ("late-confirmation", wanted(closing, 0, "lid_open"), 20),
            ],
            "switch-adjustment",
            "lid_open",
        ),
        (
            vec![("stuck-closed", signal("roof_up"), 38), ("contradiction", signal("roof_up"), 38)],
            "switch-shorted",
            "roof_up",
        ),
        (vec![("stuck-relay", Place::ROOF, 40)], "relay", ""),
        (vec![("run-on", Place::ROOF, 40)], "control-output", ""),
        (vec![("signal-fault", signal("pressure"), 40)], "sensor-fault", "pressure"),
        (vec![("recording-gap", Place::ROOF, 30)], "logger-fault", ""),
        (
            vec![
                ("supply-drop", Place::ROOF, 40),
                ("weak-start", Place::ROOF, 40),
                ("low-supply", Place::ROOF, 30),
                ("low-at-rest", Place::ROOF, 40),
            ],
            "weak-battery",
            "",
        ),
        (
            vec![
                ("supply-drop", Place::ROOF, 40),
                ("weak-start", Place::ROOF, 40),
                ("low-supply", Place::ROOF, 30),
                ("drop-steady", Place::ROOF, 40),
            ],
            "supply-resistance",
            "",
        ),
        (
            vec![
                ("near-relief", step(opening, 2), 20),
                ("heavier-than-others", step(opening, 2), 20),
                ("slow-phase", step(opening, 2), 10),
            ],
            "stiff-mechanism",
            "opening/Fold roof",
        ),
        (
            [(opening, 1), (opening, 3), (closing, 0), (closing, 3)]
                .into_iter()
                .map(|(way, n)| ("heavy-going", step(way, n), 20))
                .chain([
                    ("somewhat-heavier", step(opening, 1), 20),
                    ("somewhat-heavier", step(opening, 3), 20),
                ])
                .collect(),
            "stiff-mechanism",
            "lid",
        ),
        (
            // Lost now and then as it should come; where it has to open, nothing is expected of it.
            vec![
                ("missing-confirmation", wanted(opening, 1, "lid_open"), 5),
                ("missing-confirmation", wanted(closing, 0, "lid_open"), 5),
                ("arrived", step(opening, 1), 5),
                ("arrived", step(closing, 0), 5),
            ],
            "switch-wire",
            "lid_open",
        ),
        (
            vec![
                ("slow-only-cold", Place::ROOF, 8),
                ("slow-phase", step(opening, 2), 2),
                ("slow-phase", step(closing, 0), 2),
            ],
            "cold",
            "",
        ),
        (
            vec![("relief-at-start", step(opening, 0), 20), ("relief-at-start", step(closing, 3), 20)],
            "sticking-valve",
            "valve_a",
        ),
    ];
    for (seen, cause, at) in cases {
        let diagnosis = diagnosed(&roof, &seen);
        assert_eq!(
            first(&diagnosis),
            (cause, at),
            "{:#?}",
            &diagnosis.causes[..diagnosis.causes.len().min(3)]
        );
        assert!(diagnosis.causes[0].probability > 0.4, "{cause} {at} {}", diagnosis.causes[0].probability);
        assert!(!diagnosis.causes[0].supports.is_empty(), "{cause}");
        let next = diagnosis.next.unwrap_or_else(|| panic!("no check for {cause}"));
        assert!(next.hazard == "none" || !next.caution.is_empty());
    }
}

#[test]
fn of_switches_in_series_the_tapped_one_is_told_or_cleared() {
    let roof = roof();
    let chain = Place::signal(switch(&roof, "lid_latched"));
    let tap = Place::signal(switch(&roof, "lid_latched_left"));
    let left = diagnosed(&roof, &[("dropout", chain, 10), ("dropout", tap, 10)]);
    assert_eq!(first(&left), ("switch-wire", "lid_latched_left"));
    let right = diagnosed(&roof, &[("dropout", chain, 10)]);
    assert_eq!(first(&right), ("switch-wire", "lid_latched"));
    assert!(right.causes[0].label.contains("right lid latch"), "{}", right.causes[0].label);

    let text = include_str!("../../../config/profiles/hardtop-five.toml").replace(
        "{ label = \"left lid latch\", signal = \"lid_latched_left\" }",
        "{ label = \"left lid latch\" }",
    );
    let blind = foldwatch_profile::parse(&text).unwrap().profile;
    let either = diagnosed(&blind, &[("dropout", chain, 10)]);
    assert_eq!(either.causes[0].label, "one of left lid latch, right lid latch in series");
}

#[test]
fn where_no_supply_is_recorded_a_weak_one_slows_the_roof_as_well() {
    let roof = roof();
    let seen = [("below-delivery", Place::ROOF, 8), ("none-spared", Place::ROOF, 8)];
    let table = Table::shipped();
    let electric = ["low-supply", "supply-drop", "drop-steady", "low-at-rest", "weak-start"];
    let with = diagnose(&table, &roof, &week(&roof, &seen), &[]);
    let without = diagnose(&table, &roof, &week_without(&roof, &seen, &electric), &[]);
    for cause in ["weak-battery", "supply-resistance"] {
        let (with, without) = (chance(&with, cause), chance(&without, cause));
        assert!(without > 0.03 && without > 5.0 * with, "{cause}: {with} {without}");
    }
}

#[test]
fn a_pump_that_runs_on_is_the_relays_where_the_valves_have_let_go_or_no_command_is_recorded() {
    let roof = roof();
    let table = Table::shipped();
    let run_on = ("run-on", Place::ROOF, 40);
    let of = |evidence: &Evidence| {
        let diagnosis = diagnose(&table, &roof, evidence, &[]);
        (chance(&diagnosis, "relay"), chance(&diagnosis, "control-output"))
    };
    let (held, unit) = of(&week(&roof, &[run_on]));
    assert!(unit > 0.85 && held < 0.1, "{unit} {held}");
    let (alone, unit) = of(&week(&roof, &[run_on, ("pump-alone", Place::ROOF, 40)]));
    assert!(alone > 0.3 && alone > 5.0 * held, "{unit} {alone}");
    let (unknown, _) = of(&week_without(&roof, &[run_on], &["dropout", "stuck-relay", "pump-alone"]));
    assert!(unknown > 0.3, "{unknown}");
}

#[test]
fn two_faults_at_once_are_both_told() {
    let roof = roof();
    let both = [("stuck-relay", Place::ROOF, 40), ("dropout", Place::signal(switch(&roof, "lid_open")), 15)];
    let diagnosis = diagnosed(&roof, &both);
    let told: Vec<&str> =
        diagnosis.causes.iter().filter(|c| c.probability > 0.5).map(|c| c.cause.as_str()).collect();
    assert_eq!(told.len(), 2, "{:#?}", &diagnosis.causes);
    assert!(told.contains(&"relay") && told.contains(&"switch-wire"));
}

#[test]
fn forty_cycles_with_one_finding_are_one_matter() {
    let roof = roof();
    let place = step(Direction::Opening, 1);
    let of = |cycles: u32| {
        let mut evidence = Evidence::default();
        evidence.set(&roof, "slow-phase", place, cycles, cycles);
        let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
        chance(&diagnosis, "stiff-mechanism") + chance(&diagnosis, "internal-leak")
    };
    // As independent witnesses, 400 would make of 40 a certainty; as one matter it hardly moves.
    assert!((of(400) - of(40)).abs() < 0.05, "{} {}", of(400), of(40));
    assert!(of(40) < 0.98);
}

#[test]
fn what_a_log_cannot_carry_counts_for_nothing() {
    let roof = roof();
    // Slow in every step: a pump as worn as that gets slower with the warmth.
    let slow = [(Direction::Opening, 0..4), (Direction::Closing, 0..4)];
    let slow = slow.into_iter().flat_map(|(way, steps)| steps.map(move |n| ("slow-phase", step(way, n), 20)));
    let seen: Vec<Seen> = slow.chain([("below-delivery", Place::ROOF, 40)]).collect();
    let mut evidence = week(&roof, &seen);
    let with = diagnose(&Table::shipped(), &roof, &evidence, &[]);
    // Without oil temperature nothing is known of warm and cold: the pump is no longer spoken against.
    evidence.set(&roof, "slower-warm", Place::ROOF, 0, 0);
    let without = diagnose(&Table::shipped(), &roof, &evidence, &[]);
    let told =
        |d: &Diagnosis| d.causes.iter().any(|c| c.against.iter().any(|a| a.contains("slower with warm")));
    assert!(told(&with) && !told(&without));
    assert!(chance(&without, "worn-pump") > chance(&with, "worn-pump"));
}

#[test]
fn a_result_moves_the_ranking_as_was_announced() {
    let roof = roof();
    let table = Table::shipped();
    let evidence = week(&roof, &[("below-delivery", Place::ROOF, 40), ("weak-start", Place::ROOF, 30)]);
    let before = diagnose(&table, &roof, &evidence, &[]);
    let next = before.next.unwrap();
    for outcome in &next.outcomes {
        let entered = Entered { check: next.check.clone(), result: outcome.result.clone() };
        let after = diagnose(&table, &roof, &evidence, std::slice::from_ref(&entered));
        for (name, label, p) in &outcome.then {
            let told = after.causes.iter().find(|c| c.name == *name && c.label == *label).unwrap();
            assert!((told.probability - p).abs() < 1e-3, "{name}: announced {p}, then {}", told.probability);
        }
        assert!(after.next.is_none_or(|then| then.check != next.check), "done is done");
    }
    let sum: f64 = next.outcomes.iter().map(|o| o.chance).sum();
    assert!((sum - 1.0).abs() < 1e-9);
    let odd = Entered { check: "nothing".into(), result: "so".into() };
    assert_eq!(diagnose(&table, &roof, &evidence, std::slice::from_ref(&odd)).unused, [odd]);
}

/// The noisy-OR of two causes and a leak, with numbers by hand: P(finding | both) = 1 - (1 - l)(1 - p)(1 - q)
/// (J. Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, 4.3.2).
#[test]
fn the_noisy_or_by_hand() {
    // One cycle, seen once or not, no classes: all of the chance in one class, whose rate is taken as certain.
    let certain = |p: f64| at_most(p, [0.0, 0.0, 1.0]);
    let (p, q, leak) = (0.8, 0.6, 0.1);
    let variants = [
        Variant { candidate: 0, share: 1.0, effects: vec![(0, certain(p))] },
        Variant { candidate: 1, share: 1.0, effects: vec![(0, certain(q))] },
    ];
    let (prior_a, prior_b) = (0.1_f64, 0.2_f64);
    let seen = [Counted { of_class: [0.0, 0.0, 0.0, 1.0], ln_highest: 0.0 }];
    let leak_class = [certain(leak)];
    let ln_leak = [ln_likelihood(&seen[0], &leak_class[0])];
    let model = Model {
        variants: &variants,
        odds: vec![prior_a / (1.0 - prior_a), prior_b / (1.0 - prior_b)],
        leak: &leak_class,
        counted: &seen,
        ln_leak: &ln_leak,
        weight: &[1.0],
        ln_sound: 0.0,
    };
    let worlds = model.worlds();
    // By hand: joint = prior x chance of the finding.
    let none = 0.9 * 0.8 * 0.1;
    let only_a = 0.1 * 0.8 * (1.0 - 0.9 * 0.2);
    let only_b = 0.9 * 0.2 * (1.0 - 0.9 * 0.4);
    let both = 0.1 * 0.2 * (1.0 - 0.9 * 0.2 * 0.4);
    let sum = none + only_a + only_b + both;
    let of = |faults: [Option<usize>; 2]| worlds.iter().find(|w| w.faults == faults).unwrap().weight;
    for (faults, by_hand) in [
        ([None, None], none),
        ([Some(0), None], only_a),
        ([Some(1), None], only_b),
        ([Some(0), Some(1)], both),
    ] {
        assert!((of(faults) - by_hand / sum).abs() < 1e-9, "{faults:?}");
    }
    // P(a | seen) = 0.2695..., explained away by b: less than the 0.2866 it would have if b were impossible... by hand.
    let a = (only_a + both) / sum;
    assert!((of([Some(0), None]) + of([Some(0), Some(1)]) - a).abs() < 1e-9);
}

#[test]
fn absence_speaks_louder_the_more_often_it_was_looked_for() {
    let shown = at_most(0.9, [0.0, 0.0, 1.0]);
    let not = [1.0; 3];
    let against = |looked: u32| {
        let counted = counted(looked, 0);
        likelihood(&counted, &shown) / likelihood(&counted, &not)
    };
    assert!(against(0) == 1.0);
    assert!(against(1) > against(3) && against(3) > against(40));
    assert!(against(40) > 0.09, "one in ten faulty roofs never shows it: {}", against(40));
}

/// Cycles that were looked at for everything; from one of them on a sign is seen.
fn from_cycle_on(profile: &Profile, cycles: u32, before: u32, sign: &str, place: Place) -> Evidence {
    let mut evidence = Evidence::default();
    for cycle in 0..cycles {
        let looked: Vec<(&str, Place, bool)> = SIGNS
            .iter()
            .flat_map(|s| s.at.places(profile).into_iter().map(move |at| (s.id, at)))
            .map(|(id, at)| (id, at, cycle >= before && id == sign && at == place))
            .collect();
        evidence.show(profile, &looked);
    }
    evidence
}

#[test]
fn what_sets_in_within_the_log_is_told_since_then() {
    let roof = roof();
    let told = |cycles, before| {
        let evidence = from_cycle_on(&roof, cycles, before, "run-on", Place::ROOF);
        diagnose(&Table::shipped(), &roof, &evidence, &[])
    };
    let diagnosis = told(40, 25);
    assert_eq!(diagnosis.set_in, Some(SetIn { after: 25, of: 40 }));
    assert_eq!(first(&diagnosis), ("control-output", ""));
    assert!(diagnosis.causes[0].supports[0].ends_with("in 15 of 15 cycles."), "{:?}", diagnosis.causes[0]);
    // As sure as if the log had begun there, but for its being one of many places where it could have begun.
    let alone = told(15, 0);
    assert!(alone.set_in.is_none());
    assert!((chance(&alone, "control-output") - chance(&diagnosis, "control-output")).abs() < 0.05);

    // Longer than what is kept one by one: the older ones are before it all together.
    let long = told(200, 160);
    assert_eq!(long.set_in, Some(SetIn { after: 160, of: 200 }));
    // Once at the very end is no beginning of anything.
    let once = told(40, 39);
    assert!(once.set_in.is_none() && chance(&once, "control-output") < 0.3, "{:#?}", once.causes.first());
    assert!(told(40, 40).is_nothing());
}

#[test]
fn a_trace_that_passes_its_limit_within_the_log_is_no_beginning() {
    let (roof, place) = (roof(), step(Direction::Opening, 3));
    let evidence = from_cycle_on(&roof, 40, 6, "somewhat-heavier-than-stated", place);
    let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
    assert!(diagnosis.is_nothing() && diagnosis.set_in.is_none(), "{:#?}", diagnosis.causes);
}

/// Of one cycle in the singular, and no cylinder twice.
#[test]
fn sentences_read_well() {
    let roof = roof();
    let mut evidence = Evidence::default();
    evidence.set(&roof, "stuck-relay", Place::ROOF, 1, 1);
    let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
    assert!(diagnosis.causes[0].supports[0].ends_with("in 1 of 1 cycle."), "{:?}", diagnosis.causes[0]);
    for check in Table::shipped().checks {
        assert!(!check.does.contains("cylinder {at}"), "{}", check.does);
    }
}

#[test]
fn looking_at_many_beginnings_makes_no_fault_likelier() {
    let roof = roof();
    // Now and then, from the first cycle to the last: nothing set in.
    let mut evidence = Evidence::default();
    for cycle in 0..60 {
        evidence.show(&roof, &[("dropout", Place::signal(switch(&roof, "lid_open")), cycle % 6 == 0)]);
    }
    let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
    assert_eq!(diagnosis.set_in, None);
    assert_eq!(first(&diagnosis), ("switch-wire", "lid_open"));
}

/// The chance of one order of k in n under a beta-binomial: a(a+1).. b(b+1).. / (a+b)(a+b+1).. (N. Johnson, A. Kemp, S. Kotz,
/// Univariate Discrete Distributions, 3rd ed., 6.2.2), by hand for one and two cycles with a = 4.65, b = 0.35.
#[test]
fn the_chance_of_an_order_by_hand() {
    let every = |looked, seen| {
        let counted = counted(looked, seen);
        counted.of_class[3] * counted.ln_highest.exp()
    };
    assert!((every(1, 1) - 0.93).abs() < 1e-9 && (every(1, 0) - 0.07).abs() < 1e-9);
    assert!((every(2, 1) - 4.65 * 0.35 / (5.0 * 6.0)).abs() < 1e-9);
    assert!((every(2, 2) - 4.65 * 5.65 / 30.0).abs() < 1e-9);
    // All orders of two cycles together are certain.
    assert!((every(2, 0) + 2.0 * every(2, 1) + every(2, 2) - 1.0).abs() < 1e-9);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10))]

    /// Cut anywhere, the two stretches together are the whole.
    #[test]
    fn a_cut_loses_nothing(cycles in prop::collection::vec((any::<bool>(), any::<bool>()), 1..140), at in 0.0..1.0) {
        let roof = roof();
        let (mut evidence, name) = (Evidence::default(), "short-hold");
        for (looked, seen) in &cycles {
            let all = [(name, Place::ROOF, *seen)];
            evidence.show(&roof, &all[..usize::from(*looked)]);
        }
        let splits = evidence.splits();
        let before = splits.start() + (at * f64::from(splits.end() - splits.start())) as u32;
        let place = evidence.names(&roof, std::iter::once((name, Place::ROOF)))[0];
        let (first, then) = evidence.split(before);
        let (first, then) = (first.counts(name, place), then.counts(name, place));
        let whole = evidence.counts(&roof, name, Place::ROOF);
        prop_assert_eq!(first.looked + then.looked, whole.looked);
        prop_assert_eq!(first.seen + then.seen, whole.seen);
        let by_hand = cycles.iter().filter(|c| c.0 && c.1).count();
        prop_assert_eq!(whole.seen as usize, by_hand);
    }

    /// Whatever was counted, probabilities are probabilities, and the ranking is one.
    #[test]
    fn probabilities_whatever_was_seen(
        seen in prop::collection::vec((0usize..SIGNS.len(), 0usize..16, 0u32..60, 0u32..60), 0..12)
    ) {
        let roof = roof();
        let mut evidence = Evidence::default();
        for (sign, place, looked, count) in seen {
            let places = SIGNS[sign].at.places(&roof);
            evidence.set(&roof, SIGNS[sign].id, places[place % places.len()], looked, count.min(looked));
        }
        let diagnosis = diagnose(&Table::shipped(), &roof, &evidence, &[]);
        for cause in &diagnosis.causes {
            prop_assert!((0.0..=1.0).contains(&cause.probability));
        }
        prop_assert!(diagnosis.causes.windows(2).all(|w| w[0].probability >= w[1].probability));
        prop_assert!((0.0..=1.0).contains(&diagnosis.none));
        let copy: Evidence = serde_json::from_str(&serde_json::to_string(&evidence).unwrap()).unwrap();
        prop_assert_eq!(copy, evidence);
    }

    /// Seeing one more cycle of a sign that only one cause shows never makes that cause less likely.
    #[test]
    fn more_of_its_sign_never_lowers_a_cause(seen in 0u32..40, clean in any::<bool>()) {
        let roof = roof();
        let evidence = |seen: u32| {
            let mut evidence = if clean { week(&roof, &[]) } else { Evidence::default() };
            evidence.set(&roof, "run-on", Place::ROOF, 40, seen);
            evidence
        };
        let of = |seen| chance(&diagnose(&Table::shipped(), &roof, &evidence(seen), &[]), "control-output");
        // How often it shows has its own say (in some cycles or in every one), so compare with none at all.
        prop_assert!(of(seen.max(1)) >= of(0));
    }
}
