//! What concerns one run of a step: its confirmation, and how far and how hard its mechanism was pushed.

use foldwatch_profile::{Expr, PhaseRef, SignalIx, SignalKind};
use foldwatch_score::{AT_RELIEF, Cut, RunFacts, WAY};
use foldwatch_segment::{Confirmation, PhaseRun};
use foldwatch_units::{Micros, Seconds};

use crate::observe::Eye;
use crate::place::{Place, taps};
use crate::trace::{Trace, quantile};

/// Share of the expected time within which a stop counts as the step's own.
const OWN_STOP: f64 = 0.7;
/// A pump that moves nothing at this pressure loses its oil somewhere: there is no load, and no valve that opens.
const LOW: std::ops::Range<f64> = 0.05..0.42;
/// Between that and a relief valve that is set right.
const HALF: std::ops::Range<f64> = 0.42..0.85;
/// Share of the movement's highest pressure that counts as the highest.
const NO_HIGHER: f64 = 0.93;
/// Seconds between a chain's last member and the chain.
const WITH_THE_CHAIN: f64 = 0.06;
/// Seconds from the mechanism's stop to its confirmation that are a trace, and not late yet.
const SOMEWHAT_LATE: f64 = 0.2;
/// Seconds until the mechanism leaves where it stood: a valve's and a first switch's way. The second is the part of the step's
/// time in which a switch at the end is left.
const LATE_MOTION: f64 = 0.35;
const OF_ITS_TIME: f64 = 0.15;
/// Seconds at relief pressure at the beginning of a step that then moved.
const RELIEF_AT_START: f64 = 0.1;

impl Eye<'_> {
    /// What concerns one run of a step.
    pub(super) fn step(&mut self, facts: &RunFacts) {
        let run = &self.cycle.phases[facts.run];
        let phase = run.phase.of(self.profile);
        let place = Place::step(run.phase);
        let timing = self.judged.timings.iter().find(|t| t.run == facts.run);
        let whole = facts.cut.is_none() && !facts.part;
        if whole && timing.is_some_and(|t| t.tail.is_some()) {
            self.put("slow-phase", place, self.found_in("slow-phase", run.phase));
        }
        let loads = ["mean-pressure", "running-current"];
        let loaded = loads.iter().any(|id| self.measure(id, Some(facts.run)).is_some());
        if whole && loaded && timing.is_some_and(|t| t.learned) {
            self.put("heavy-going", place, self.found_in("heavy-going", run.phase));
        }
        self.confirmation(facts, run);
        if !phase.pump {
            return;
        }
        let moved = facts.motion.filter(|_| whole && run.confirmation == Confirmation::Confirmed);
        if let Some(pressure) = self.sound(SignalKind::Pressure) {
            self.push(facts, run, timing.map_or(phase.expected.0, |t| t.expected.0), pressure);
        }
        // Once it is on its way by its switch or position: how long the valve kept it waiting.
        if let Some(lag) = self.measure("valve-lag", Some(facts.run)).filter(|_| moved.is_some()) {
            self.put("late-motion", place, lag > LATE_MOTION + OF_ITS_TIME * phase.expected.0);
        }
    }

    /// Whether the switches came that had to.
    fn confirmation(&mut self, facts: &RunFacts, run: &PhaseRun) {
        let phase = run.phase.of(self.profile);
        if phase.confirm == Expr::Always || self.found_in("no-pressure", run.phase) {
            return;
        }
        let missing = self.found_in("missing-confirmation", run.phase);
        let confirmed = matches!(run.confirmation, Confirmation::Confirmed | Confirmation::Late);
        if !(missing || confirmed) {
            return;
        }
        let seen_moving =
            self.sound(SignalKind::Pressure).is_some() || self.sound(SignalKind::Current).is_some();
        for (signal, wanted) in phase.confirm.wanted() {
            let place = Place { phase: Some(run.phase), signal: Some(signal) };
            self.put("missing-confirmation", place, missing && facts.unmet.contains(&(signal, wanted)));
            let late = self
                .findings("late-confirmation")
                .any(|f| f.phase == Some(run.phase) && f.signal.is_none_or(|late| late == signal));
            // What was closed already can't come late, and what closes late opens early.
            let closed = wanted && self.closed_within(signal, run);
            if confirmed && (closed && seen_moving && !self.carries_on(run.phase) || late) {
                self.put("late-confirmation", place, late);
                if !late && closed {
                    let last = run.confirmed_at.is_some_and(|at| self.came_last(signal, true, at));
                    let lag = self.measure("confirmation-lag", Some(facts.run)).filter(|_| last);
                    let somewhat = lag.is_some_and(|lag| lag > SOMEWHAT_LATE);
                    self.put("somewhat-late-confirmation", place, somewhat);
                }
            }
            for tap in taps(signal, self.profile) {
                let place = Place { phase: Some(run.phase), signal: Some(tap) };
                if let Some(on) = self.cycle.recording.state(tap, run.left) {
                    self.put("missing-confirmation", place, missing && on != wanted);
                }
                // Of a chain that came late, the member that closed with it was the last.
                let edges = self.cycle.recording.edges.iter().filter(|e| e.signal == tap && e.on == wanted);
                let came = edges.map(|e| e.at).rfind(|at| *at <= run.left);
                if let (true, Some(came), Some(chain)) = (late, came, run.confirmed_at) {
                    self.put("late-confirmation", place, (chain - came).0.abs() <= WITH_THE_CHAIN);
                }
            }
        }
    }

    /// The next step has the same drive, and left its switch, or came to the other one, in this step.
    fn next_moved_on(&self, run: &PhaseRun) -> bool {
        let next = self.profile.sequence(run.phase.direction).get(run.phase.index + 1);
        let Some(next) = next.filter(|_| self.carries_on(run.phase)) else { return false };
        let wanted = next.confirm.wanted();
        let inside = |at: Micros| at > run.start && at <= run.left;
        let mut edges = self.cycle.recording.edges.iter().filter(|edge| inside(edge.at));
        edges.any(|edge| {
            let own = run.phase.of(self.profile).confirm.wanted().iter().any(|(s, _)| *s == edge.signal);
            !own && wanted.contains(&(edge.signal, edge.on))
                && self.cycle.recording.state(edge.signal, run.left) == Some(edge.on)
        })
    }

    /// A switch of the place that the step leaves is closed at its beginning; without such a switch, the step is a whole one.
    fn begins_where_it_should(&self, facts: &RunFacts, run: &PhaseRun) -> bool {
        let wanted = run.phase.of(self.profile).confirm.wanted();
        let leaves: Vec<_> = wanted
            .iter()
            .filter(|(_, on)| !on)
            .filter_map(|(s, _)| self.cycle.recording.state(*s, run.start))
            .collect();
        if leaves.is_empty() { !facts.part } else { leaves.contains(&true) }
    }

    fn closed_within(&self, signal: SignalIx, run: &PhaseRun) -> bool {
        let mut edges = self.cycle.recording.edges.iter().filter(|edge| edge.signal == signal && edge.on);
        edges.any(|edge| (run.start..=run.left).contains(&edge.at))
    }

    /// The next step has the same drive: what it moves goes on by itself while this step's switch is waited for.
    fn carries_on(&self, phase: PhaseRef) -> bool {
        let sequence = self.profile.sequence(phase.direction);
        sequence.get(phase.index + 1).is_some_and(|next| {
            next.pump && phase.of(self.profile).pump && next.valves == sequence[phase.index].valves
        })
    }

    /// How far the mechanism was pushed, and how hard.
    fn push(&mut self, facts: &RunFacts, run: &PhaseRun, expected: f64, pressure: Trace) {
        let place = Place::step(run.phase);
        let own_doing = matches!(facts.cut, Some(Cut::Stopped | Cut::PowerLost | Cut::Gap));
        let unconfirmed = !facts.unmet.is_empty();
        let Some(relief) = self.profile.hydraulics.relief.map(|bar| bar.0) else { return };
        if own_doing && facts.driven_until_left < expected {
            return;
        }
        let late_half = run.start + Seconds(0.5 * (run.left - run.start).0);
        let level = quantile(pressure.within(late_half, run.left), 0.9);
        let highest = quantile(pressure.within(self.cycle.start, self.cycle.end), 0.99);
        let (Some(level), Some(highest)) = (level, highest) else { return };
        let high = level >= AT_RELIEF * relief;
        // It is there by its own switch, if another part of the confirmation is what does not come.
        let asked = run.phase.of(self.profile).confirm.wanted();
        let there = asked.iter().any(|(s, on)| *on && self.cycle.recording.state(*s, run.left) == Some(true));
        let in_its_time =
            there || facts.stall.is_some_and(|s| s.moved && (s.knee - run.start).0 >= OWN_STOP * expected);
        // With the same drive the next mechanism moves on from where this one has arrived, and nothing stands at a stop.
        let passed = unconfirmed && self.next_moved_on(run);
        let arrived = unconfirmed && (high && in_its_time || passed);
        let blocked = unconfirmed && high && !in_its_time && !passed;
        // Where the next part moves on by itself, nothing has to stand at a stop. And a step that is tried once more, after
        // its mechanism has left where it came from, may stand at its stop already or be held on its way.
        let known = !blocked || self.begins_where_it_should(facts, run);
        if known && (arrived || blocked || !unconfirmed || !self.carries_on(run.phase)) {
            self.put("arrived", place, arrived);
            self.put("blocked", place, blocked);
        }
        let part = level / relief;
        let stands = unconfirmed && facts.driven_until_left > 1.3 * expected && !in_its_time && !passed;
        self.stands |= stands && !high;
        let low = stands && LOW.contains(&part);
        // Where there is no pressure at all, it is lower than low.
        if low || !self.found_in("no-pressure", run.phase) {
            self.put("low-pressure", place, low);
        }
        // One relief valve serves all steps: where another one came higher, it is not the valve.
        let at_half = stands && HALF.contains(&part) && level >= NO_HIGHER * highest;
        self.put("half-pressure", place, at_half);
        // A leak's stand goes down with the warmth, out of one of the two ranges into the other.
        if stands && !high && level >= NO_HIGHER * highest {
            self.plateau = Some(part.ln());
        }
        // Only a step that begins with the pump or a valve can begin at a stand.
        if run.confirmation == Confirmation::Confirmed && !facts.part {
            let until = run.start + Seconds((0.5 * expected).max(0.5));
            let at_relief = pressure.seconds_above(run.start, until.min(run.end), AT_RELIEF * relief);
            let stood = run.duration().0 - at_relief > WAY * expected;
            self.put("relief-at-start", place, at_relief > RELIEF_AT_START && stood);
        }
    }
}
