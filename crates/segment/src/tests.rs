//! A three-step roof played by hand, with everything that can happen on the way.

use std::sync::Arc;

use foldwatch_profile::*;
use foldwatch_samples::{GapCause, Item};
use foldwatch_units::*;

use crate::{Confirmation, Cycle, Event, Outcome, Segmenter, State};

const NAMES: [(&str, SignalKind); 12] = [
    ("locked", SignalKind::Switch),
    ("unlocked", SignalKind::Switch),
    ("shut", SignalKind::Switch),
    ("stowed", SignalKind::Switch),
    ("lid_latched", SignalKind::Switch),
    ("v_lock", SignalKind::Valve),
    ("v_roof", SignalKind::Valve),
    ("pump", SignalKind::Pump),
    ("open_button", SignalKind::Demand),
    ("close_button", SignalKind::Demand),
    ("pressure", SignalKind::Pressure),
    ("current", SignalKind::Current),
];

fn ix(id: &str) -> SignalIx {
    SignalIx(NAMES.iter().position(|(name, _)| *name == id).unwrap() as u16)
}

fn is(id: &str) -> Expr {
    Expr::Signal(ix(id))
}

fn phase(name: &str, valve: &str, confirm: Expr, expected: f64) -> Phase {
    Phase {
        name: name.into(),
        valves: vec![ix(valve)],
        pump: true,
        moves: String::new(),
        confirm,
        expected: Seconds(expected),
        limit: Seconds(expected * 1.3),
        give_up: Some(Seconds(10.0)),
        pressure: None,
        cylinders: Vec::new(),
    }
}

fn roof() -> Arc<Profile> {
    let signals = NAMES
        .iter()
        .map(|(id, kind)| Signal {
            id: (*id).into(),
            label: (*id).into(),
            kind: *kind,
            unit: Unit::STATE,
            on_when: Level::High,
            debounce: if *kind == SignalKind::Switch { Seconds(0.02) } else { Seconds(0.0) },
            calibration: Calibration::default(),
            excludes: Vec::new(),
            demands: match *id {
                "open_button" => Some(Direction::Opening),
                "close_button" => Some(Direction::Closing),
                _ => None,
            },
        })
        .collect();
    Arc::new(Profile {
        id: "three".into(),
        name: "Three steps".into(),
        notes: String::new(),
        signals,
        timing: Timing {
            quiet: Seconds(1.0),
            tail: Seconds(20.0),
            refusal: Seconds(1.5),
            run_on: Seconds(1.0),
            relief_dwell: Seconds(1.0),
        },
        reference: Reference { oil_temperature: Celsius(20.0), supply: Volts(12.5) },
        hydraulics: Hydraulics { relief: Some(Bar(150.0)), ..Hydraulics::default() },
        electrics: Electrics::default(),
        permissions: vec![Permission {
            label: "lid latched".into(),
            needs: is("lid_latched"),
            direction: None,
        }],
        chains: Vec::new(),
        opening: vec![
            phase("unlock", "v_lock", is("unlocked"), 2.0),
            phase("fold", "v_roof", is("stowed"), 5.0),
        ],
        closing: vec![
            phase("unfold", "v_roof", is("shut"), 5.0),
            phase("lock", "v_lock", Expr::All(vec![is("locked"), Expr::Not(Box::new(is("unlocked")))]), 2.0),
        ],
    })
}

/// A hand on every signal.
struct Bench {
    items: Vec<(Micros, Vec<f32>)>,
    now: Vec<f32>,
    t: f64,
    period: f64,
    extra: Vec<(usize, Item<'static>)>,
}

impl Bench {
    fn closed() -> Self {
        let mut now = vec![0.0; NAMES.len()];
        for id in ["locked", "shut", "lid_latched"] {
            now[ix(id).at()] = 1.0;
        }
        let mut bench = Bench { items: Vec::new(), now, t: 0.0, period: 0.01, extra: Vec::new() };
        bench.wait(3.0);
        bench
    }

    fn wait(&mut self, secs: f64) -> &mut Self {
        for _ in 0..(secs / self.period).round() as usize {
            self.items.push((Micros::from_secs(self.t), self.now.clone()));
            self.t += self.period;
        }
        self
    }

    fn set(&mut self, list: &[(&str, bool)]) -> &mut Self {
        for (id, on) in list {
            self.now[ix(id).at()] = f32::from(u8::from(*on));
        }
        self
    }

    fn pressure(&mut self, bar: f32) -> &mut Self {
        self.now[ix("pressure").at()] = bar;
        self
    }

    fn open(&mut self) -> &mut Self {
        self.set(&[("open_button", true)]).wait(0.1);
        self.set(&[("v_lock", true), ("pump", true)])
            .pressure(60.0)
            .wait(0.5)
            .set(&[("locked", false)])
            .wait(1.5);
        self.set(&[("unlocked", true)]).wait(0.03).set(&[("v_lock", false), ("v_roof", true)]).wait(0.5);
        self.set(&[("shut", false)]).wait(4.5).set(&[("stowed", true)]).wait(0.03).off()
    }

    fn close(&mut self) -> &mut Self {
        self.set(&[("close_button", true)]).wait(0.1);
        self.set(&[("v_roof", true), ("pump", true)])
            .pressure(60.0)
            .wait(0.5)
            .set(&[("stowed", false)])
            .wait(4.5);
        self.set(&[("shut", true)]).wait(0.03).set(&[("v_roof", false), ("v_lock", true)]).wait(0.5);
        self.set(&[("unlocked", false)]).wait(1.5).set(&[("locked", true)]).wait(0.03).off()
    }

    fn off(&mut self) -> &mut Self {
        self.set(&[("v_lock", false), ("v_roof", false), ("pump", false)]).pressure(0.0).wait(0.2);
        self.set(&[("open_button", false), ("close_button", false)]).wait(0.01)
    }

    fn gap(&mut self, secs: f64, cause: GapCause) -> &mut Self {
        self.t += secs;
        self.extra.push((self.items.len(), Item::Gap { until: Micros::from_secs(self.t), cause }));
        self
    }

    fn feed(&self, segmenter: &mut Segmenter, from: usize, to: usize, out: &mut impl FnMut(Event)) {
        for n in from..to {
            for (_, item) in self.extra.iter().filter(|(at, _)| *at == n) {
                segmenter.push(item, out);
            }
            let (at, values) = &self.items[n];
            segmenter.push(&Item::Row { at: *at, values }, out);
        }
    }

    fn cycles(&self) -> Vec<Cycle> {
        let mut segmenter = Segmenter::new(roof());
        let mut out = Vec::new();
        let mut keep = |event| {
            if let Event::Settled(cycle) = event {
                out.push(*cycle);
            }
        };
        self.feed(&mut segmenter, 0, self.items.len(), &mut keep);
        segmenter.finish(&mut keep);
        out
    }
}

/// Which way, how it ended, and how long each step took by what confirmation.
type Wanted<'a> = (Direction, Outcome, &'a [(f64, Confirmation)]);

fn check(bench: &Bench, wanted: &[Wanted]) {
    let cycles = bench.cycles();
    let got: Vec<_> = cycles
        .iter()
        .map(|c| {
            let phases: Vec<_> =
                c.phases.iter().map(|p| ((p.duration().0 * 100.0).round() / 100.0, p.confirmation)).collect();
            (c.direction, c.outcome, phases)
        })
        .collect();
    let wanted: Vec<_> = wanted.iter().map(|(d, o, p)| (*d, *o, p.to_vec())).collect();
    assert_eq!(got, wanted);
}

use Confirmation::*;
use Direction::*;

#[test]
fn a_sound_opening_and_closing() {
    let mut b = Bench::closed();
    b.open().wait(30.0).close().wait(30.0);
    check(
        &b,
        &[
            (Opening, Outcome::Completed, &[(2.0, Confirmed), (5.03, Confirmed)]),
            (Closing, Outcome::Completed, &[(5.0, Confirmed), (2.03, Confirmed)]),
        ],
    );
}

#[test]
fn two_cycles_less_than_a_second_apart_are_two() {
    let mut b = Bench::closed();
    b.open().wait(0.5).close().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 2, "{cycles:?}");
    assert!(cycles.iter().all(|c| c.outcome == Outcome::Completed));
}

#[test]
fn a_missing_confirmation_costs_one_phase_its_confirmation() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)])
        .wait(0.1)
        .set(&[("v_lock", true), ("pump", true)])
        .pressure(60.0)
        .wait(0.5);
    b.set(&[("locked", false)]).wait(1.5);
    // The stop is reached and the switch stays open; the unit waits and goes on.
    b.pressure(145.0).wait(6.0).set(&[("v_lock", false), ("v_roof", true)]).pressure(60.0).wait(0.5);
    b.set(&[("shut", false)]).wait(4.5).set(&[("stowed", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1);
    assert_eq!(cycles[0].outcome, Outcome::Completed);
    assert_eq!(cycles[0].phases[0].confirmation, Inferred);
    assert!(
        (cycles[0].phases[0].duration().0 - 2.0).abs() < 0.1,
        "the stop tells: {:?}",
        cycles[0].phases[0]
    );
    assert_eq!(cycles[0].phases[1].confirmation, Confirmed);
    assert!((cycles[0].phases[1].duration().0 - 5.0).abs() < 0.02, "{:?}", cycles[0].phases);
}

#[test]
fn the_unit_gives_up_on_the_last_step() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(0.5);
    b.set(&[("locked", false)]).wait(1.5).set(&[("unlocked", true)]).wait(0.03);
    b.set(&[("v_lock", false), ("v_roof", true)]).wait(0.5).set(&[("shut", false)]).wait(9.5).off().wait(5.0);
    check(&b, &[(Opening, Outcome::GivenUp, &[(2.0, Confirmed), (10.03, Missing)])]);
}

#[test]
fn the_operator_lets_go_and_goes_on() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(2.0);
    b.set(&[("locked", false), ("unlocked", true)])
        .wait(0.03)
        .set(&[("v_lock", false), ("v_roof", true)])
        .wait(2.0);
    b.set(&[("shut", false), ("open_button", false)]).wait(0.05);
    b.set(&[("v_roof", false), ("pump", false)]).wait(4.0);
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_roof", true), ("pump", true)]).wait(3.0);
    b.set(&[("stowed", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    let outcomes: Vec<_> =
        cycles.iter().map(|c| (c.direction, c.outcome, c.from_part_way, c.phases.len())).collect();
    assert_eq!(outcomes, [(Opening, Outcome::Stopped, false, 2), (Opening, Outcome::Completed, true, 1)]);
}

#[test]
fn a_short_stop_stays_within_the_cycle_and_is_not_driven_time() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(2.0);
    b.set(&[("locked", false), ("unlocked", true)])
        .wait(0.03)
        .set(&[("v_lock", false), ("v_roof", true)])
        .wait(2.0);
    b.set(&[("shut", false), ("v_roof", false), ("pump", false)]).wait(0.6);
    b.set(&[("v_roof", true), ("pump", true)]).wait(3.0).set(&[("stowed", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1);
    let fold = &cycles[0].phases[1];
    assert!((fold.duration().0 - 5.63).abs() < 0.02 && (fold.driven.0 - 5.03).abs() < 0.02, "{fold:?}");
}

#[test]
fn turned_round_half_way() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(2.0);
    b.set(&[("locked", false), ("unlocked", true)])
        .wait(0.03)
        .set(&[("v_lock", false), ("v_roof", true)])
        .wait(2.0);
    b.set(&[("shut", false)]).wait(0.3).set(&[("open_button", false), ("close_button", true)]).wait(0.4);
    b.wait(2.0).set(&[("shut", true)]).wait(0.03).set(&[("v_roof", false), ("v_lock", true)]).wait(0.5);
    b.set(&[("unlocked", false)]).wait(1.5).set(&[("locked", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1, "{cycles:?}");
    assert_eq!((cycles[0].direction, cycles[0].outcome), (Opening, Outcome::Reversed));
    let ways: Vec<_> = cycles[0].phases.iter().map(|p| (p.phase.direction, p.phase.index)).collect();
    assert_eq!(ways, [(Opening, 0), (Opening, 1), (Closing, 0), (Closing, 1)]);
}

#[test]
fn a_demand_that_is_refused() {
    let mut b = Bench::closed();
    b.set(&[("lid_latched", false)]).wait(1.0).set(&[("open_button", true)]).wait(3.0);
    b.set(&[("open_button", false)]).wait(3.0).set(&[("lid_latched", true)]).wait(1.0).open().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 2);
    assert_eq!((cycles[0].outcome, cycles[0].refused_by.as_slice()), (Outcome::Refused, &[0][..]));
    assert_eq!(cycles[1].outcome, Outcome::Completed);
}

#[test]
fn asking_for_what_is_already_so_is_not_refused() {
    let mut b = Bench::closed();
    b.set(&[("close_button", true)]).wait(3.0).set(&[("close_button", false)]).wait(3.0);
    assert!(b.cycles().is_empty());
}

#[test]
fn a_pump_without_valve_is_a_service_run() {
    let mut b = Bench::closed();
    b.open().wait(30.0).set(&[("pump", true)]).wait(4.0).set(&[("pump", false)]).wait(4.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 2);
    assert_eq!(cycles[1].outcome, Outcome::ServiceRun);
}

#[test]
fn a_gap_in_the_middle() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(1.0);
    b.set(&[("locked", false)]);
    b.gap(3.0, GapCause::Missing).set(&[("unlocked", true), ("v_lock", false), ("v_roof", true)]).wait(2.0);
    b.set(&[("shut", false)]).wait(2.0).set(&[("stowed", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1);
    assert_eq!(cycles[0].outcome, Outcome::RecordingGap);
    assert_eq!(cycles[0].phases.len(), 2);
}

#[test]
fn rows_that_stop_during_the_drive_are_a_gap_too() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(1.0);
    b.t += 9.0;
    b.set(&[("locked", false), ("unlocked", true), ("stowed", true), ("shut", false)]);
    b.set(&[("v_lock", false), ("pump", false)]).wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1);
    assert_eq!(cycles[0].outcome, Outcome::RecordingGap);
    assert!((cycles[0].end - cycles[0].start).0 < 1.1, "the end is not known beyond the gap");
}

#[test]
fn a_logger_that_starts_anew_in_a_cycle_lost_its_power() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(1.0);
    b.gap(3.0, GapCause::Restart)
        .set(&[("v_lock", false), ("pump", false), ("open_button", false)])
        .wait(5.0);
    assert_eq!(b.cycles().iter().map(|c| c.outcome).collect::<Vec<_>>(), [Outcome::PowerLost]);
}

#[test]
fn bounce_at_every_edge_moves_no_edge() {
    let mut b = Bench::closed();
    b.open().wait(30.0).close().wait(30.0);
    let clean = b.cycles();
    let mut before = b.items[0].1.clone();
    let mut bounced = Bench { items: Vec::new(), now: Vec::new(), t: 0.0, period: 0.01, extra: Vec::new() };
    for (at, values) in &b.items {
        bounced.items.push((*at, values.clone()));
        if before != *values {
            // Back for 2 ms within the sample period.
            let switches = 5;
            let mut back = values.clone();
            back[..switches].copy_from_slice(&before[..switches]);
            bounced.items.push((*at + Seconds(0.001), back));
            bounced.items.push((*at + Seconds(0.003), values.clone()));
        }
        before.clone_from(values);
    }
    let dirty = bounced.cycles();
    let edges = |cycles: &[Cycle]| {
        cycles
            .iter()
            .flat_map(|c| c.phases.iter().map(|p| (p.start, p.end, p.confirmation)))
            .collect::<Vec<_>>()
    };
    assert_eq!(edges(&dirty), edges(&clean));
}

#[test]
fn from_an_unknown_position() {
    let mut b = Bench::closed();
    b.set(&[("locked", false), ("shut", false), ("unlocked", true)]).wait(5.0);
    b.set(&[("close_button", true)]).wait(0.1).set(&[("v_roof", true), ("pump", true)]).wait(2.0);
    b.set(&[("shut", true)]).wait(0.03).set(&[("v_roof", false), ("v_lock", true)]).wait(0.5);
    b.set(&[("unlocked", false)]).wait(1.5).set(&[("locked", true)]).wait(0.03).off().wait(5.0);
    let cycles = b.cycles();
    assert_eq!(cycles.len(), 1);
    assert!(cycles[0].from_part_way);
    assert_eq!((cycles[0].direction, cycles[0].outcome), (Closing, Outcome::Completed));
}

#[test]
fn without_valves_pump_or_demand_the_switches_still_tell_the_steps() {
    let mut b = Bench::closed();
    b.open().wait(30.0).close().wait(30.0);
    for (_, values) in &mut b.items {
        for id in ["v_lock", "v_roof", "open_button", "close_button"] {
            values[ix(id).at()] = f32::NAN;
        }
    }
    check(
        &b,
        &[
            (Opening, Outcome::Completed, &[(2.0, Confirmed), (5.03, Confirmed)]),
            (Closing, Outcome::Completed, &[(5.0, Confirmed), (2.03, Confirmed)]),
        ],
    );
}

#[test]
fn put_away_and_taken_up_at_any_item_gives_the_same() {
    let mut b = Bench::closed();
    b.period = 0.05;
    b.open().wait(0.6).close().wait(8.0).set(&[("lid_latched", false), ("open_button", true)]).wait(3.0);
    let whole = b.cycles();
    for cut in (1..b.items.len()).step_by(7) {
        let mut out = Vec::new();
        let mut keep = |event| {
            if let Event::Settled(cycle) = event {
                out.push(*cycle);
            }
        };
        let mut first = Segmenter::new(roof());
        b.feed(&mut first, 0, cut, &mut keep);
        let bytes = postcard::to_allocvec(first.state()).unwrap();
        let state: State = postcard::from_bytes(&bytes).unwrap();
        let mut second = Segmenter::resume(roof(), state).unwrap();
        b.feed(&mut second, cut, b.items.len(), &mut keep);
        second.finish(&mut keep);
        assert_eq!(out, whole, "cut at item {cut}");
    }
}

#[test]
fn rows_that_repeat_may_come_in_runs_of_any_length() {
    let mut b = Bench::closed();
    b.open().wait(0.6).close().wait(8.0).gap(3.0, GapCause::Missing).wait(2.5).open().wait(9.0);
    b.period = 0.4;
    b.wait(4.0).set(&[("lid_latched", false), ("close_button", true)]).wait(6.0);
    let mut one_by_one = Segmenter::new(roof());
    let mut wanted = Vec::new();
    b.feed(&mut one_by_one, 0, b.items.len(), &mut |event| wanted.push(event));
    let state = postcard::to_allocvec(one_by_one.state()).unwrap();
    one_by_one.finish(&mut |event| wanted.push(event));
    for longest in [2, 7, 60, 100_000] {
        let mut got = Vec::new();
        let mut in_runs = Segmenter::new(roof());
        let mut n = 0;
        while n < b.items.len() {
            b.feed(&mut in_runs, n, n + 1, &mut |event| got.push(event));
            let goes_on = |next: usize| {
                b.items.get(next).is_some_and(|(_, values)| *values == b.items[n].1)
                    && b.extra.iter().all(|(at, _)| *at != next)
            };
            let run = (1..=longest).take_while(|k| goes_on(n + k)).count();
            let times: Vec<Micros> = b.items[n + 1..=n + run].iter().map(|(at, _)| *at).collect();
            in_runs.same(&times, &mut |event| got.push(event));
            n += 1 + run;
        }
        assert_eq!(postcard::to_allocvec(in_runs.state()).unwrap(), state, "runs of {longest}");
        in_runs.finish(&mut |event| got.push(event));
        assert_eq!(got, wanted, "runs of {longest}");
    }
}

#[test]
fn live_tells_what_is_waited_for() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("v_lock", true), ("pump", true)]).wait(1.0);
    let mut segmenter = Segmenter::new(roof());
    b.feed(&mut segmenter, 0, b.items.len(), &mut |_| {});
    let live = segmenter.live().unwrap();
    assert_eq!(live.phase, Some(PhaseRef { direction: Opening, index: 0 }));
    assert_eq!(live.waiting_for, [(ix("unlocked"), true)]);
    assert!((live.pump_on.unwrap().0 - 1.0).abs() < 0.02);
}

/// A clamp that was never closed: without the pump's command the valves tell, as where no current is recorded at all.
#[test]
fn a_current_that_shows_no_motor_does_not_count_while_the_roof_moves() {
    let mut b = Bench::closed();
    b.open().wait(30.0).close().wait(30.0);
    for (_, values) in &mut b.items {
        values[ix("pump").at()] = f32::NAN;
        values[ix("current").at()] = f32::NAN;
    }
    let without = b.cycles();
    for dead in [0.0, 0.35] {
        for (_, values) in &mut b.items {
            values[ix("current").at()] = dead;
        }
        let cycles = b.cycles();
        let told = |cycles: &[Cycle]| -> Vec<_> {
            let steps = |c: &Cycle| c.phases.iter().map(|p| (p.start, p.end, p.confirmation)).collect();
            cycles.iter().map(|c| (c.direction, c.outcome, steps(c))).collect::<Vec<(_, _, Vec<_>)>>()
        };
        assert_eq!(told(&cycles), told(&without));
        assert!(cycles.iter().all(|c| c.recording.drive.iter().any(|span| span.pump)));
    }
}

/// Where all steps have the same drive the mechanism moves on while the unit waits for the first one's switch.
#[test]
fn what_one_drive_carries_on_is_no_step_that_was_left_out() {
    let mut b = Bench::closed();
    b.set(&[("open_button", true)]).wait(0.1).set(&[("pump", true)]).pressure(60.0).wait(0.5);
    b.set(&[("locked", false)]).wait(2.0).set(&[("shut", false)]).wait(4.5);
    b.set(&[("stowed", true)]).pressure(145.0).wait(3.0).off().wait(5.0);
    for (_, values) in &mut b.items {
        for id in ["v_lock", "v_roof"] {
            values[ix(id).at()] = f32::NAN;
        }
    }
    let mut roof = (*roof()).clone();
    roof.opening.iter_mut().for_each(|phase| phase.valves.clear());
    let mut segmenter = Segmenter::new(Arc::new(roof));
    let mut cycles = Vec::new();
    let mut keep = |event| {
        if let Event::Settled(cycle) = event {
            cycles.push(*cycle);
        }
    };
    b.feed(&mut segmenter, 0, b.items.len(), &mut keep);
    segmenter.finish(&mut keep);
    assert_eq!(cycles.len(), 1);
    assert_eq!((cycles[0].direction, cycles[0].outcome), (Opening, Outcome::GivenUp));
    let first = &cycles[0].phases[0];
    assert_eq!((first.phase.index, first.confirmation), (0, Missing), "{:?}", cycles[0].phases);
}
