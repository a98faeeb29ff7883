//! Every fault moves the signals the way it should.

use std::sync::LazyLock;

use foldwatch_profile::{PhaseRef, Profile, SignalKind};
use foldwatch_rig::{
    Fault, FaultKind, Layout, MoveParams, Onset, Operator, RigParams, Scenario, Target, TrueOutcome,
};
use foldwatch_units::{Direction, Seconds};
use proptest::prelude::*;

use crate::{FIVE, Run, mean, most, profile, quick};

fn step(direction: Direction, index: usize) -> Target {
    Target::Step(PhaseRef { direction, index })
}

fn at(profile: &Profile, id: &str) -> Target {
    Target::Signal(profile.find(id).unwrap())
}

/// One opening with a fault.
fn with(kind: FaultKind, target: Target, strength: f64) -> Run {
    let mut scenario = Scenario::cycles(&profile(FIVE), 21, 1);
    scenario.sample_rate_hz = 20.0;
    scenario.faults.push(Fault::new(kind, target, strength));
    let run = quick(scenario);
    assert!(!run.cycles.is_empty());
    assert_eq!(run.cycles[0].faults[0].kind, kind.as_str());
    run
}

/// The same opening without a fault.
fn sound() -> &'static Run {
    static SOUND: LazyLock<Run> = LazyLock::new(|| {
        let mut scenario = Scenario::cycles(&profile(FIVE), 21, 1);
        scenario.sample_rate_hz = 20.0;
        quick(scenario)
    });
    &SOUND
}

/// Duration of a step in the first cycle.
fn took(run: &Run, step: usize) -> f64 {
    let phase = &run.cycles[0].phases[step];
    (phase.end_us - phase.start_us).0
}

/// Mean over a step, less its first and last half second.
fn over(run: &Run, kind: SignalKind, step: usize) -> f64 {
    let phase = &run.cycles[0].phases[step];
    mean(&run.within(kind, phase.start_us + Seconds(0.5), phase.end_us - Seconds(0.5)))
}

/// What is slow, and where the voltage goes. The operator lets go once the lid must be up: half a cycle tells it.
#[test]
fn pump_leaks_and_supply_make_steps_slow() {
    let lift = |fault: Option<Fault>| {
        let mut scenario = Scenario::cycles(&profile(FIVE), 21, 1);
        scenario.sample_rate_hz = 20.0;
        scenario.uses[0].operator = Operator::Release(Seconds(13.0));
        scenario.faults.extend(fault);
        quick(scenario)
    };
    let sound = lift(None);
    for (kind, target, least, volts) in [
        (FaultKind::WornPump, Target::System, 1.3, 0.0),
        (FaultKind::InternalLeak, step(Direction::Opening, 1), 1.3, 0.0),
        (FaultKind::ExternalLeak, Target::System, 1.2, 0.0),
        (FaultKind::CloggedStrainer, Target::System, 1.2, 0.0),
        (FaultKind::HighResistanceEarth, Target::System, 1.1, 0.0),
        (FaultKind::HighResistanceSupply, Target::System, 1.1, -1.0),
        (FaultKind::WeakBattery, Target::System, 1.1, -1.0),
        (FaultKind::Cold, Target::System, 1.04, 0.0),
    ] {
        let run = lift(Some(Fault::new(kind, target, 0.5)));
        let slower = took(&run, 1) / took(&sound, 1);
        assert!(slower > least && slower < 2.0, "{kind}: {slower}");
        let lock = took(&run, 0) / took(&sound, 0);
        assert_eq!(
            (lock - 1.0).abs() < 0.02,
            kind == FaultKind::InternalLeak,
            "{kind}: the lock takes {lock}"
        );
        let change = over(&run, SignalKind::Voltage, 1) - over(&sound, SignalKind::Voltage, 1);
        if volts < 0.0 {
            assert!(change < volts, "{kind}: {change} V");
        } else {
            // Behind the tap, or drawing a little more current, it hardly shows.
            assert!(change.abs() < 0.4, "{kind}: {change} V");
        }
        // Just noticeable is less than moderate; one of the plant and one of the wiring stand for all.
        if matches!(kind, FaultKind::WornPump | FaultKind::HighResistanceEarth) {
            let slight = took(&lift(Some(Fault::new(kind, target, 0.0))), 1) / took(&sound, 1);
            assert!(slight > 1.0 && slight < slower, "{kind}: {slight} at the least, {slower} at half");
        }
    }
}

#[test]
fn oil_creeps_past_a_piston_both_ways() {
    let closing = |fault: Option<Fault>| {
        let mut scenario = Scenario::cycles(&profile(FIVE), 21, 2);
        scenario.sample_rate_hz = 20.0;
        scenario.faults.extend(fault);
        quick(scenario)
    };
    let (sound, run) =
        (closing(None), closing(Some(Fault::new(FaultKind::InternalLeak, step(Direction::Opening, 1), 0.5))));
    let took = |run: &Run, cycle: usize, name: &str| {
        let of_cycle = &run.cycles[cycle].phases;
        let lid = of_cycle.iter().find(|p| p.phase.of(&profile(FIVE)).name == name).unwrap();
        (lid.end_us - lid.start_us).0
    };
    // The lock moves before the lid's cylinders are connected.
    for (cycle, name, creeps) in [(0, "Unlock front", false), (0, "Raise lid", true), (1, "Lower lid", true)]
    {
        let slower = took(&run, cycle, name) / took(&sound, cycle, name);
        assert_eq!(slower > 1.3, creeps, "{name}: {slower}");
        assert!(creeps || (slower - 1.0).abs() < 0.02, "{name}: {slower}");
    }
}

#[test]
fn friction_shows_in_pressure_before_it_shows_in_time() {
    let sound = sound();
    let run = with(FaultKind::Friction, step(Direction::Opening, 2), 0.3);
    assert!(over(&run, SignalKind::Pressure, 2) > 1.15 * over(sound, SignalKind::Pressure, 2));
    assert!(over(&run, SignalKind::Current, 2) > 1.03 * over(sound, SignalKind::Current, 2));
    assert!(took(&run, 2) < 1.1 * took(sound, 2));
    assert!((over(&run, SignalKind::Pressure, 1) / over(sound, SignalKind::Pressure, 1) - 1.0).abs() < 0.05);
    let gross = with(FaultKind::Friction, step(Direction::Opening, 2), 1.0);
    assert_eq!(gross.cycles[0].outcome, TrueOutcome::GivenUp);
}

#[test]
fn pressure_is_lost_where_it_can_go() {
    let sound = sound();
    let run = with(FaultKind::ReleaseOpen, Target::System, 0.8);
    assert!(run.cycles[0].highest_pressure_bar < 40.0);
    assert_eq!(run.cycles[0].outcome, TrueOutcome::GivenUp);
    let certain: Vec<&str> =
        run.cycles[0].expect.iter().filter(|e| e.certain).map(|e| e.kind.as_str()).collect();
    assert_eq!(certain, ["no-pressure"]);
    // A low relief valve bounds what the pump can hold: seen while it runs on against the stop. Even the least one is
    // felt: the heaviest step comes through, and takes longer.
    let least = with(FaultKind::LowRelief, Target::System, 0.0);
    assert_eq!(least.cycles[0].outcome, TrueOutcome::Completed);
    let steps = 0..sound.cycles[0].phases.len();
    let slower = steps.map(|n| took(&least, n) / took(sound, n)).fold(0.0, f64::max);
    assert!(slower > 1.05, "{slower} times as long");
    let gross = with(FaultKind::LowRelief, Target::System, 1.0);
    assert_eq!(gross.cycles[0].outcome, TrueOutcome::GivenUp);
    let dwell = |extra: Option<f64>| {
        let mut scenario = Scenario::cycles(&profile(FIVE), 21, 1);
        scenario.sample_rate_hz = 20.0;
        scenario.faults.push(Fault::new(FaultKind::RunOn, Target::System, 0.2));
        scenario.faults.extend(extra.map(|s| Fault::new(FaultKind::LowRelief, Target::System, s)));
        quick(scenario).cycles[0].highest_pressure_bar
    };
    let (as_set, low) = (dwell(None), dwell(Some(0.0)));
    assert!((as_set - 180.0).abs() < 4.0, "{as_set} bar");
    let five = profile(FIVE);
    let params = RigParams::from_profile(&five, &Layout::from_profile(&five));
    let asks = |m: &MoveParams| m.load_pa.into_iter().fold(0.0, f64::max) + m.friction_pa;
    let heaviest = params.moves.iter().flatten().flatten().map(asks).fold(0.0, f64::max);
    assert!((low - 1.05 * heaviest / 1e5).abs() < 4.0, "{low} bar, the heaviest asks for {heaviest} Pa");
    // An external leak lets the hold go faster.
    let held = |run: &Run| {
        let end = run.cycles[0].end_us;
        mean(&run.within(SignalKind::Pressure, end + Seconds(3.0), end + Seconds(4.5)))
            / mean(&run.within(SignalKind::Pressure, end + Seconds(0.2), end + Seconds(0.5)))
    };
    assert!(held(&with(FaultKind::ExternalLeak, Target::System, 0.5)) < 0.6 * held(sound));
}

#[test]
fn air_makes_the_oil_soft() {
    let rise = |run: &Run| {
        let cycle = &run.cycles[0];
        let trace = run.trace(SignalKind::Pressure);
        let reached = trace.iter().find(|(t, bar)| *t > cycle.start_us && *bar > 40.0).unwrap();
        (reached.0 - cycle.start_us).0
    };
    let (sound, airy) = (rise(sound()), rise(&with(FaultKind::AirInOil, Target::System, 0.7)));
    assert!(airy > sound + 0.2, "{airy} s instead of {sound} s to 40 bar");
}

#[test]
fn a_switch_out_of_adjustment_is_late_or_never() {
    let profile = profile(FIVE);
    let late = with(FaultKind::SwitchLate, at(&profile, "lid_open"), 0.5);
    let raise = &late.cycles[0].phases[1];
    assert!(raise.confirmed);
    assert!(raise.end_us - raise.arrived_us.unwrap() > Seconds(0.8), "{raise:?}");
    for (id, kind) in [("lid_latched", FaultKind::StuckOpen), ("lid_latched_left", FaultKind::SwitchNever)] {
        let never = with(kind, at(&profile, id), 0.5);
        let cycle = &never.cycles[0];
        let lower = &cycle.phases[3];
        assert!(!lower.confirmed && lower.arrived_us == Some(lower.end_us), "{kind} {id}: {lower:?}");
        assert_eq!(cycle.outcome, TrueOutcome::GivenUp);
        assert!(cycle.highest_pressure_bar > 170.0, "the pump pushes against the stop");
        let missing: Vec<_> = cycle.expect.iter().filter(|e| e.certain).collect();
        assert_eq!(missing.len(), 1);
        assert_eq!(
            (missing[0].kind.as_str(), missing[0].phase.as_deref()),
            ("missing-confirmation", Some("Lower lid"))
        );
    }
    // What this direction does not wait for is not missed in it.
    let other = with(FaultKind::SwitchNever, at(&profile, "front_locked"), 0.5);
    assert_eq!(other.cycles[0].outcome, TrueOutcome::Completed);
    assert!(other.cycles[0].expect.iter().all(|e| !e.certain));
}

/// With the same drive the next step's axis moves on by itself while the unit waits for a switch that never comes.
#[test]
fn what_moves_on_by_itself_is_a_step_of_its_own() {
    let profile = profile(FIVE);
    let run = with(FaultKind::SwitchNever, at(&profile, "lid_open"), 0.5);
    let names: Vec<&str> = run.cycles[0].phases.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["Unlock front", "Raise lid", "Fold roof"]);
    let phases = &run.cycles[0].phases;
    assert_eq!(phases[2].start_us, phases[1].end_us);
}

#[test]
fn wires_that_drop_out_chatter_or_stick() {
    let profile = profile(FIVE);
    let edges = |run: &Run, id: &str| {
        let ix = profile.find(id).unwrap();
        let start = run.cycles[0].start_us;
        run.edges.iter().filter(|(t, s, _)| *s == ix && *t >= start).map(|(t, ..)| *t).collect::<Vec<_>>()
    };
    let sound = sound();
    // Enough dropouts a minute that some fall into the cycle; each is longer than the debounce, and comes back.
    let run = with(FaultKind::Dropout, at(&profile, "luggage_latched"), 1.0);
    assert!(edges(sound, "luggage_latched").is_empty());
    let drops = edges(&run, "luggage_latched");
    assert!(drops.len() >= 4 && drops.len() % 2 == 0, "{}", drops.len());
    assert!(drops.chunks(2).all(|w| w[1] - w[0] > profile.signals[0].debounce));
    assert!(run.cycles[0].expect.iter().any(|e| e.kind == "dropout" && e.certain));
    let chatter = edges(&with(FaultKind::Chatter, at(&profile, "roof_stowed"), 0.5), "roof_stowed");
    assert!(chatter.len() > edges(sound, "roof_stowed").len() + 6);
    let span = *chatter.last().unwrap() - chatter[0];
    assert!(span > Seconds(0.05) && span < Seconds(0.3), "{span}");
    let stuck = with(FaultKind::StuckClosed, at(&profile, "front_locked"), 0.5);
    assert!(edges(&stuck, "front_locked").is_empty());
    assert!(stuck.cycles[0].expect.iter().any(|e| e.kind == "stuck-switch" && e.certain));
}

#[test]
fn valve_relay_and_unit_hold_on_too_long() {
    let profile = profile(FIVE);
    let sound = sound();
    let sticks = with(FaultKind::StickingValve, at(&profile, "valve_b"), 0.5);
    assert!(took(&sticks, 3) > took(sound, 3) + 0.4 && (took(&sticks, 2) - took(sound, 2)).abs() < 0.1);
    let pump = profile.find("pump").unwrap();
    for (kind, command_lasts) in [(FaultKind::WeldedRelay, false), (FaultKind::RunOn, true)] {
        let run = with(kind, Target::System, 0.3);
        let cycle = &run.cycles[0];
        assert_eq!(cycle.outcome, TrueOutcome::Completed);
        assert!(cycle.run_on_s > 3.0, "{kind}");
        let off = run.edges.iter().rfind(|(_, s, on)| *s == pump && !*on).unwrap().0;
        assert_eq!((cycle.end_us - off) < Seconds(0.1), command_lasts, "{kind}");
        let amps = run.within(SignalKind::Current, cycle.end_us - Seconds(1.0), cycle.end_us - Seconds(0.1));
        assert!(mean(&amps) > 10.0, "{kind}: the pump runs");
    }
}

#[test]
fn sensors_and_logger_fail_without_the_roof() {
    let profile = profile(FIVE);
    let target = at(&profile, "pressure");
    let sound = sound();
    let dead = with(FaultKind::DeadSensor, target, 0.5);
    assert!(most(&dead.trace(SignalKind::Pressure).iter().map(|r| r.1).collect::<Vec<_>>()) <= 0.1);
    let stuck = with(FaultKind::StuckSensor, target, 0.5);
    let (cycle, bar) = (&stuck.cycles[0], stuck.trace(SignalKind::Pressure));
    assert!(bar.windows(2).filter(|w| w[0].0 > cycle.start_us).all(|w| w[0].1 == w[1].1));
    let noisy = with(FaultKind::NoisySensor, target, 0.5);
    let rough = |run: &Run| {
        let phase = &run.cycles[0].phases[2];
        let bar = run.within(SignalKind::Pressure, phase.start_us + Seconds(1.0), phase.end_us);
        mean(&bar.windows(2).map(|w| (w[1] - w[0]).abs()).collect::<Vec<_>>())
    };
    assert!(rough(&noisy) > 5.0 * rough(sound));
    let gap = with(FaultKind::LogGap, Target::System, 0.3);
    let (from, until, restart) = gap.gaps[0];
    assert!(!restart && until - from > Seconds(5.0));
    assert!(!gap.rows.iter().any(|(t, _)| *t > from && *t < until));
    for run in [&dead, &stuck, &noisy, &gap] {
        assert!((took(run, 2) - took(sound, 2)).abs() < 0.05, "the roof itself is sound");
        assert!(run.cycles[0].expect.iter().any(|e| e.certain));
    }
}

#[test]
fn faults_come_with_their_onset_and_grow() {
    let fault = Fault {
        onset: Onset::Cycle(2),
        over_cycles: 4,
        ..Fault::new(FaultKind::WornPump, Target::System, 0.8)
    };
    let mut since = None;
    let seen: Vec<Option<f64>> =
        (0..7).map(|n| fault.in_cycle(n, foldwatch_units::Micros(0), &mut since, 0.5)).collect();
    let rounded: Vec<Option<i64>> = seen.iter().map(|s| s.map(|s| (s * 100.0).round() as i64)).collect();
    assert_eq!(rounded, [None, None, Some(20), Some(40), Some(60), Some(80), Some(80)]);
    let rare = fault.now_and_then(0.3);
    assert_eq!(rare.in_cycle(6, foldwatch_units::Micros(0), &mut since, 0.31), None);
    assert!(FaultKind::ALL.len() > 25);
}

/// With the supply gone the motor drives its current back, and the diode beside it lets none of that through.
#[test]
fn a_supply_that_goes_away_gives_no_energy() {
    for after in [0.3, 0.7, 3.0] {
        let mut scenario = Scenario::cycles(&crate::all_profiles().remove(0), 7, 1);
        scenario.sample_rate_hz = 10.0;
        scenario.uses[0].operator = foldwatch_rig::Operator::PowerLoss(Seconds(after));
        let e = quick(scenario).energy;
        assert!(e.missing().0.abs() < 0.005 * e.source.0, "{after}: {e:?} {}", e.missing());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(5))]

    /// Whatever is wrong, whatever the operator does: the log is in order, the truth makes sense, energy is kept.
    #[test]
    fn any_two_faults_give_a_log_and_a_truth(
        kinds in proptest::collection::vec((0..FaultKind::ALL.len(), 0.0f64..1.0, any::<u16>()), 0..3),
        roof in 0usize..3,
        seed in any::<u64>(),
        after in 0.2f64..20.0,
        what in 0usize..6,
    ) {
        use foldwatch_rig::Operator::*;
        let profile = crate::all_profiles().remove(roof);
        let mut scenario = Scenario::cycles(&profile, seed, 2);
        scenario.sample_rate_hz = 10.0;
        scenario.uses[0].operator = match what {
            0 => Release(Seconds(after)),
            1 => Resume(Seconds(after), Seconds(1.0)),
            2 => Reverse(Seconds(after)),
            3 => PowerLoss(Seconds(after)),
            4 => Refused(0, Seconds(after)),
            _ => Hold,
        };
        for (kind, strength, where_) in kinds {
            let kind = FaultKind::ALL[kind];
            let steps: Vec<Target> = [Direction::Opening, Direction::Closing].into_iter().flat_map(|d| {
                (0..profile.sequence(d).len()).map(move |k| step(d, k))
            }).collect();
            let wanted = match kind {
                FaultKind::StickingValve => SignalKind::Valve,
                FaultKind::DeadSensor | FaultKind::StuckSensor | FaultKind::NoisySensor => SignalKind::Pressure,
                _ => SignalKind::Switch,
            };
            let signals: Vec<Target> = profile.of_kind(wanted).map(|(ix, _)| Target::Signal(ix)).collect();
            let pick = |list: &[Target]| list[usize::from(where_) % list.len()];
            let target = match kind {
                FaultKind::Friction | FaultKind::InternalLeak => pick(&steps),
                _ => pick(&signals),
            };
            scenario.faults.push(Fault::new(kind, target, strength));
        }
        let run = quick(scenario);
        prop_assert!(run.rows.windows(2).all(|w| w[0].0 < w[1].0));
        prop_assert!(run.edges.windows(2).all(|w| w[0].0 <= w[1].0));
        prop_assert!(run.rows.iter().all(|(_, values)| values.iter().all(|v| v.is_finite())));
        prop_assert!(run.cycles.windows(2).all(|w| w[0].end_us <= w[1].start_us));
        for cycle in &run.cycles {
            prop_assert!(cycle.start_us < cycle.end_us);
            prop_assert!(cycle.phases.windows(2).all(|w| w[0].start_us <= w[1].start_us));
            prop_assert!(cycle.phases.iter().all(|p| p.start_us <= p.end_us), "{:?}", cycle.phases);
        }
        let e = run.energy;
        prop_assert!(e.missing().0.abs() <= 0.01 * e.source.0 + 1.0, "{:?} {}", e, e.missing());
    }
}
