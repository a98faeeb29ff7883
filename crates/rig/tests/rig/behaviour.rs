//! Whole cycles: sound ones, and what operators do.

use foldwatch_profile::SignalKind;
use foldwatch_rig::{Operator, Scenario, TrueOutcome, Use};
use foldwatch_units::{Direction, Micros, Seconds};

use crate::{FIVE, all_profiles, mean, profile, quick};

/// One use of the first roof.
fn one(operator: Operator) -> Scenario {
    let mut scenario = Scenario::cycles(&profile(FIVE), 11, 1);
    scenario.sample_rate_hz = 20.0;
    scenario.uses[0].operator = operator;
    scenario
}

#[test]
fn sound_roofs_keep_their_profiles_times() {
    for profile in all_profiles() {
        let mut scenario = Scenario::cycles(&profile, 1, 2);
        scenario.sample_rate_hz = 20.0;
        let run = quick(scenario);
        assert_eq!(run.cycles.len(), 2);
        for cycle in &run.cycles {
            assert_eq!(cycle.outcome, TrueOutcome::Completed);
            assert!(!cycle.from_part_way && cycle.faults.is_empty() && cycle.expect.is_empty());
            let steps = profile.sequence(cycle.direction);
            assert_eq!(cycle.phases.len(), steps.len(), "{}", profile.id);
            let mut end = cycle.start_us;
            for (run, step) in cycle.phases.iter().zip(steps) {
                assert_eq!(run.name, step.name);
                assert_eq!(run.start_us, end, "{}: steps follow each other", profile.id);
                end = run.end_us;
                let took = (run.end_us - run.start_us).0;
                assert!(
                    run.confirmed && (took / step.expected.0 - 1.0).abs() < 0.10,
                    "{} {}: {took} s, expected {}",
                    profile.id,
                    step.name,
                    step.expected
                );
                assert!(took < step.limit.0, "{} {}", profile.id, step.name);
            }
            // The unit lets go within its reaction.
            assert!(cycle.run_on_s > 0.01 && cycle.run_on_s < 0.2, "{}", cycle.run_on_s);
        }
    }
}

#[test]
fn the_log_is_in_order_and_its_edges_alternate() {
    let run = quick(one(Operator::Hold));
    assert!(run.rows.windows(2).all(|w| w[0].0 < w[1].0));
    assert!(run.edges.windows(2).all(|w| w[0].0 <= w[1].0));
    let mut last = std::collections::BTreeMap::new();
    for (_, signal, on) in &run.edges {
        assert_ne!(last.insert(signal.0, *on), Some(*on), "an edge to where it was");
    }
    // Full rate from before the drive to a minute after it (here: to the end of the short tail).
    let cycle = &run.cycles[0];
    let full: Vec<Micros> = run
        .rows
        .iter()
        .map(|r| r.0)
        .filter(|t| *t > cycle.start_us - Seconds(2.0) && *t < cycle.end_us)
        .collect();
    assert!(full.windows(2).all(|w| w[1].0 - w[0].0 == 50_000));
}

/// The true end of a step is the first transition that confirms it, and the log has it.
#[test]
fn confirming_edges_are_in_the_log() {
    let run = quick(one(Operator::Hold));
    for phase in &run.cycles[0].phases {
        assert!(run.edges.iter().any(|(at, _, _)| *at == phase.end_us), "{}", phase.name);
    }
}

#[test]
fn switches_bounce_for_milliseconds_and_commands_do_not() {
    let scenario = one(Operator::Hold);
    let profile = scenario.profile.clone();
    let run = quick(scenario);
    let of = |kind: SignalKind| -> Vec<(Micros, u16)> {
        let edges = run
            .edges
            .iter()
            .filter(|(at, s, _)| profile.signal(*s).kind == kind && *at > run.cycles[0].start_us);
        edges.map(|(at, s, _)| (*at, s.0)).collect()
    };
    let switches = of(SignalKind::Switch);
    let close = switches.windows(2).filter(|w| w[0].1 == w[1].1 && w[1].0 - w[0].0 < Seconds(0.009)).count();
    assert!(close > 4, "{close} transitions of bounce");
    let valves = of(SignalKind::Valve);
    assert!(valves.windows(2).all(|w| w[0].1 != w[1].1 || w[1].0 - w[0].0 > Seconds(0.3)));
}

#[test]
fn letting_go_stops_the_roof() {
    let run = quick(one(Operator::Release(Seconds(5.0))));
    let cycle = &run.cycles[0];
    assert_eq!(cycle.outcome, TrueOutcome::Stopped);
    let took = (cycle.end_us - cycle.start_us).0;
    assert!((took - 5.0).abs() < 0.1, "{took}");
    assert!(!cycle.phases.last().unwrap().confirmed);
}

#[test]
fn pressing_again_within_the_quiet_time_goes_on_with_the_same_cycle() {
    let run = quick(one(Operator::Resume(Seconds(5.0), Seconds(0.6))));
    assert_eq!(run.cycles.len(), 1);
    assert_eq!(run.cycles[0].outcome, TrueOutcome::Completed);
    assert_eq!(run.cycles[0].phases.len(), 4, "the interrupted step is one step");
    let run = quick(one(Operator::Resume(Seconds(5.0), Seconds(4.0))));
    let outcomes: Vec<TrueOutcome> = run.cycles.iter().map(|c| c.outcome).collect();
    assert_eq!(outcomes, [TrueOutcome::Stopped, TrueOutcome::Completed]);
    assert!(run.cycles[1].from_part_way);
}

#[test]
fn turning_round_brings_the_roof_home() {
    // 0.9 s: the lock is under way; 4 s: the lid; 14 s: the roof is half-way; 19 s: the lid comes down.
    for after in [0.7, 4.0, 14.0, 19.5] {
        let mut scenario = one(Operator::Reverse(Seconds(after)));
        let again = Use { at: scenario.uses[0].at + Seconds(300.0), ..scenario.uses[0] };
        scenario.uses.push(Use { operator: Operator::Hold, ..again });
        let run = quick(scenario);
        let cycle = &run.cycles[0];
        assert_eq!(cycle.outcome, TrueOutcome::Reversed, "after {after} s");
        let last = cycle.phases.last().unwrap();
        assert!(last.confirmed && last.phase.direction == Direction::Closing, "after {after} s: {:?}", last);
        // It is home: the next opening is a full one.
        let next = run.cycles.last().unwrap();
        assert!(next.phases.len() == 4 && !next.from_part_way, "after {after} s: {next:?}");
    }
}

#[test]
fn a_missing_permission_refuses() {
    let scenario = one(Operator::Refused(1, Seconds(2.5)));
    let label = scenario.profile.permissions[1].label.clone();
    let run = quick(scenario);
    let cycle = &run.cycles[0];
    assert_eq!((cycle.outcome, cycle.refused_by.clone()), (TrueOutcome::Refused, vec![label]));
    assert!(run.trace(SignalKind::Current).iter().all(|(_, a)| a.abs() < 2.0), "nothing is driven");
    assert!((cycle.end_us - cycle.start_us - Seconds(2.5)).0.abs() < 1e-6);
}

#[test]
fn a_loss_of_supply_ends_the_log_until_it_is_back() {
    let run = quick(one(Operator::PowerLoss(Seconds(5.0))));
    assert_eq!(run.cycles[0].outcome, TrueOutcome::PowerLost);
    let (from, until, restart) = run.gaps[0];
    assert!(restart && until - from == Seconds(60.0));
    assert!(!run.rows.iter().any(|(at, _)| *at > from && *at < until));
    let before = run.within(SignalKind::Voltage, from - Seconds(0.2), from);
    assert!(before.iter().all(|v| *v < 1.0), "{before:?}");
    assert!(run.within(SignalKind::Voltage, until, until + Seconds(3.0)).iter().all(|v| *v > 12.0));
}

#[test]
fn a_service_run_moves_nothing() {
    let run = quick(one(Operator::Service(Seconds(3.0))));
    let cycle = &run.cycles[0];
    assert_eq!(cycle.outcome, TrueOutcome::ServiceRun);
    assert!(cycle.phases.is_empty());
    assert!(cycle.highest_pressure_bar > 150.0, "against the relief valve");
}

#[test]
fn uses_two_seconds_apart_are_two_cycles() {
    let mut scenario = one(Operator::Hold);
    let second = Use {
        at: scenario.uses[0].at + Seconds(25.0),
        direction: Direction::Closing,
        operator: Operator::Hold,
    };
    scenario.uses.push(second);
    let run = quick(scenario);
    assert_eq!(run.cycles.len(), 2);
    let rest = run.cycles[1].start_us - run.cycles[0].end_us;
    assert!(rest > Seconds(1.0) && rest < Seconds(4.0), "{rest}");
    assert!(run.cycles.iter().all(|c| c.outcome == TrueOutcome::Completed));
}

#[test]
fn a_week_is_about_forty_cycles_at_changing_temperatures() {
    let scenario = Scenario::week(&profile(FIVE), 4);
    assert!((30..=50).contains(&scenario.uses.len()), "{}", scenario.uses.len());
    assert!(scenario.uses.windows(2).all(|w| w[0].at < w[1].at && w[0].direction != w[1].direction));
    let temperatures: Vec<f64> = scenario.uses.iter().map(|u| scenario.weather.at(u.at)).collect();
    let (low, high) = (temperatures.iter().copied().fold(99.0, f64::min), crate::most(&temperatures));
    assert!(high - low > 6.0, "{low} to {high}");
    let year = Scenario::year(&profile(FIVE), 4);
    assert!(year.uses.len() > 500 && year.end - year.start == Seconds(365.0 * 86_400.0));
}

/// Mean pressure of the steps of a cycle that are long enough for one, over the profile's.
fn pressures(scenario: Scenario) -> Vec<f64> {
    let profile = scenario.profile.clone();
    let run = quick(scenario);
    let steps = run.cycles[0].phases.iter().zip(profile.sequence(run.cycles[0].direction));
    let long = steps.filter(|(_, step)| step.expected.0 > 3.0);
    long.filter_map(|(phase, step)| {
        let (from, until) = (phase.start_us + Seconds(0.5), phase.end_us - Seconds(0.2));
        Some(mean(&run.within(SignalKind::Pressure, from, until)) / step.pressure?.0)
    })
    .collect()
}

#[test]
fn sound_roofs_move_at_their_profiles_pressures() {
    for profile in all_profiles() {
        let mut heavier = profile.clone();
        for step in heavier.opening.iter_mut() {
            step.pressure = step.pressure.map(|bar| bar * 1.3);
        }
        for profile in [profile, heavier] {
            let mut scenario = Scenario::cycles(&profile, 1, 1);
            scenario.sample_rate_hz = 20.0;
            let shares = pressures(scenario);
            assert!(shares.len() >= 3 || profile.opening.iter().all(|step| step.pressure.is_none()));
            assert!(shares.iter().all(|share| (share - 1.0).abs() < 0.06), "{}: {shares:?}", profile.id);
        }
    }
}

#[test]
fn no_two_roofs_of_a_kind_are_alike() {
    let another = |seed: u64| {
        let mut scenario = one(Operator::Hold);
        let mut rng = <rand_pcg::Pcg64Mcg as rand::SeedableRng>::seed_from_u64(seed);
        scenario.params = scenario.params.varied(&scenario.profile, &mut rng);
        pressures(scenario)
    };
    let (a, b) = (another(1), another(2));
    assert!(a.iter().zip(&b).all(|(a, b)| a != b), "{a:?} {b:?}");
    assert!(a.iter().chain(&b).all(|share| (share - 1.0).abs() < 0.3), "{a:?} {b:?}");
}
