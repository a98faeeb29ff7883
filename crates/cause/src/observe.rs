//! One judged cycle to the signs that it shows, and those that it could have shown and did not.
//!
//! What a log can't carry is not in the list at all, so it counts neither for nor against anything.

use foldwatch_profile::{Expr, PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_score::{AT_RELIEF, Cut, Finding, GONE, Judged, RunFacts, WAY, state_before};
use foldwatch_segment::{Confirmation, Cycle, DriveSpan, Outcome, PhaseRun};
use foldwatch_units::{Micros, Seconds};

use crate::line;
use crate::place::{Place, is_first, taps};
use crate::trace::{Trace, mean, period, quantile};

/// A sign at a place: seen, or looked for and not seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// The sign's name.
    pub sign: &'static str,
    /// Where.
    pub place: Place,
    /// Whether it was there.
    pub seen: bool,
}

/// What one cycle adds to a log's evidence.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Look {
    pub observations: Vec<Observation>,
    /// Mean oil temperature, °C.
    pub oil: Option<f64>,
    /// ln of the pump-driven steps' median time over the profile's, at reference conditions.
    pub slowness: Option<f64>,
    /// Each step's time over the profile's.
    pub steps: Vec<(PhaseRef, f64)>,
    /// ln of the resistance that the supply's drop shows.
    pub supply_resistance: Option<f64>,
    /// ln of the share of the relief setting at which a step stood.
    pub plateau: Option<f64>,
    /// Whether a step stood short of the relief setting; `None` where it ended otherwise than by going through.
    pub stopped: Option<bool>,
}

// Limits of the marks. All are judgments unless another ground is given: none of them is told to anybody as a fault, they
// only weigh causes against each other, and the table holds how often each goes wrong.

/// Share of the expected time within which a stop counts as the step's own.
const OWN_STOP: f64 = 0.7;
/// Pressure as a share of the relief setting: what moves above it has little left.
const NEAR_RELIEF: f64 = 0.7;
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
/// Seconds between two that are one.
const SAME_MOMENT: f64 = 0.03;
/// A step's mean pressure against the median of the others of its movement. Loads differ from step to step.
const HEAVIER: f64 = 1.4;
/// The same where it is only a trace.
const SOMEWHAT_HEAVIER: f64 = 1.15;
/// Seconds by which a step is longer and the next one shorter, and how well the two must agree.
const HANDED_OVER: f64 = 0.2;
const AGREE: std::ops::Range<f64> = 0.55..1.8;
/// Without an accumulator the pressure is gone within the tail's time (common practice, no source); a time constant is
/// a fifth of that. Short is a quarter of it.
const SHORT_HOLD: f64 = 1.0 / 20.0;
/// And at once is an eighth of that.
const AT_ONCE: f64 = SHORT_HOLD / 8.0;
/// Share of the profile's inrush current. Battery, feed, earth and brushes lie in its way, and nothing else.
const WEAK_START: f64 = 0.83;
/// Rows farther apart miss the inrush; and beyond the second its top, half a period of a current that goes down with the
/// motor's run-up, some 50 ms: a fifth at the most.
const INRUSH_PERIOD: f64 = 0.021;
const INRUSH_TOP: f64 = 0.0105;
const TOP_MISSED: f64 = 0.8;
/// A lead battery at rest, as a share of its nominal voltage: below 12.4 V of 12 V it is three quarters charged at the most.
/// Common practice, no source.
const LOW_AT_REST: f64 = 12.4 / 12.0;
/// A full lead battery at rest, as a share of its nominal voltage: 12.7 V of 12 V. Common practice, no source.
const RESTED: f64 = 12.7 / 12.0;
/// Valves let go this long after a last confirmation.
const LETS_GO: Seconds = Seconds(0.5);
/// Drop of the supply at the running current, as a share of the nominal voltage.
const DROP: f64 = 0.07;
/// Seconds until the mechanism leaves where it stood: a valve's and a first switch's way. The second is the part of the step's
/// time in which a switch at the end is left.
const LATE_MOTION: f64 = 0.35;
const OF_ITS_TIME: f64 = 0.15;
/// Share of the relief setting below which a pressure is low where the pump pushes on with nothing left to move.
const LOW_CEILING: f64 = 0.85;
/// Seconds at relief pressure at the beginning of a step that then moved.
const RELIEF_AT_START: f64 = 0.1;

/// All that one cycle tells.
pub(crate) fn look(profile: &Profile, cycle: &Cycle, judged: &Judged) -> Look {
    let mut look = Look { oil: oil(judged), ..Look::default() };
    let mut eye = Eye { profile, cycle, judged, out: Vec::new(), plateau: None, stands: false };
    eye.whole();
    // Of a movement that is not there as a whole, the rest would be told wrongly.
    let torn = cycle.recording.gaps.iter().any(|gap| gap.to > cycle.start && gap.from < cycle.end);
    if torn {
        eye.out.retain(|found| found.sign == "recording-gap");
    } else if cycle.outcome == Outcome::Refused {
        eye.contradictions();
    } else if cycle.outcome != Outcome::ServiceRun {
        for facts in &judged.runs {
            eye.step(facts);
        }
        eye.signals();
        (look.slowness, look.steps) = eye.against_profile();
        // How a drop goes with the warmth tells nothing where there is none.
        let drops = eye.saw("supply-drop");
        let ohm = eye.measure("supply-resistance", None).filter(|ohm| drops && *ohm > 0.0);
        look.supply_resistance = ohm.map(f64::ln);
    }
    look.plateau = eye.plateau;
    look.stopped = (eye.stands || !torn && cycle.outcome == Outcome::Completed).then_some(eye.stands);
    look.observations = eye.out;
    look
}

fn oil(judged: &Judged) -> Option<f64> {
    let of = judged.measures.iter().filter(|m| m.id == "oil-temperature").filter_map(|m| m.value.value());
    mean(of)
}

struct Eye<'a> {
    profile: &'a Profile,
    cycle: &'a Cycle,
    judged: &'a Judged,
    out: Vec<Observation>,
    /// Share of the relief setting at which a step stood (ln).
    plateau: Option<f64>,
    /// A step stood short of the relief setting.
    stands: bool,
}

impl<'a> Eye<'a> {
    fn put(&mut self, sign: &'static str, place: Place, seen: bool) {
        self.out.push(Observation { sign, place, seen });
    }

    /// Of what has its limit and a lower one: past the first it is the sign, and only short of that a trace or none.
    fn put_by_degree(
        &mut self,
        [sign, trace]: [&'static str; 2],
        place: Place,
        value: f64,
        [limit, lower]: [f64; 2],
    ) {
        self.put(sign, place, value > limit);
        if value <= limit {
            self.put(trace, place, value > lower);
        }
    }

    /// The sign was seen in this cycle already.
    fn saw(&self, sign: &str) -> bool {
        self.out.iter().any(|found| found.sign == sign && found.seen)
    }

    fn findings(&self, kind: &'static str) -> impl Iterator<Item = &'a Finding> + use<'a> {
        self.judged.findings.iter().filter(move |f| f.kind == kind)
    }

    fn found(&self, kind: &'static str) -> bool {
        self.findings(kind).next().is_some()
    }

    fn found_in(&self, kind: &'static str, phase: PhaseRef) -> bool {
        self.findings(kind).any(|f| f.phase == Some(phase))
    }

    fn measure(&self, id: &str, run: Option<usize>) -> Option<f64> {
        self.judged.measures.iter().find(|m| m.id == id && m.run == run)?.value.value()
    }

    /// The trace of the first signal of a kind that has numbers.
    fn trace(&self, kind: SignalKind) -> Option<Trace<'a>> {
        let (cycle, profile) = (self.cycle, self.profile);
        profile.of_kind(kind).find_map(|(ix, _)| {
            let values = cycle.recording.trace(ix)?;
            values.iter().any(|v| v.is_finite()).then_some(Trace {
                signal: ix,
                times: &cycle.recording.times,
                values,
            })
        })
    }

    /// A trace that its own check does not doubt.
    fn sound(&self, kind: SignalKind) -> Option<Trace<'a>> {
        self.trace(kind).filter(|t| self.findings("signal-fault").all(|f| f.signal != Some(t.signal)))
    }

    fn is_recorded(&self, signal: SignalIx) -> bool {
        self.cycle.recording.state(signal, self.cycle.end).is_some()
    }

    /// What concerns the roof as a whole.
    fn whole(&mut self) {
        let roof = Place::ROOF;
        let (cycle, profile) = (self.cycle, self.profile);
        let refused = cycle.outcome == Outcome::Refused;
        // Asked to go where it is, a unit has nothing to do.
        let on = |signal| cycle.recording.state(signal, cycle.start);
        // And from part way, after a movement that failed, many will not begin at all.
        let is_there = profile.end_position(cycle.direction).holds(&on) != Some(false);
        let part_way = profile.end_position(cycle.direction.reversed()).holds(&on) == Some(false);
        if !cycle.phases.is_empty() || refused && !is_there && !part_way {
            let reasonless = cycle.refused_by.is_empty() && !self.found("contradiction");
            self.put("no-reaction", roof, refused && reasonless);
        }
        if cycle.phases.is_empty() || refused || cycle.outcome == Outcome::ServiceRun {
            return;
        }
        self.put("recording-gap", roof, self.found("recording-gap"));
        let together = self
            .findings("signal-fault")
            .any(|f| f.signal.is_some_and(|ix| profile.signal(ix).kind.is_binary()));
        self.put("inputs-together", roof, together);
        let current = self.sound(SignalKind::Current);
        let pressure = self.sound(SignalKind::Pressure);
        let commanded = profile.of_kind(SignalKind::Pump).any(|(ix, _)| self.is_recorded(ix));
        if commanded && (current.is_some() || pressure.is_some()) {
            self.put("stuck-relay", roof, self.found("stuck-relay"));
        }
        if self.measure("run-on", None).is_some() {
            self.put("run-on", roof, self.found("run-on"));
        }
        if let Some(alone) = self.ran_on_alone() {
            self.put("pump-alone", roof, alone);
        }
        let nominal = profile.electrics.nominal.unwrap_or(profile.reference.supply).0;
        let mut share_at_rest = 1.0;
        if let Some(supply) = self.sound(SignalKind::Voltage) {
            self.put("low-supply", roof, self.found("low-supply"));
            let at_rest = mean(supply.within(cycle.start - Seconds(2.0), cycle.start - Seconds(0.05)));
            share_at_rest = at_rest.map_or(1.0, |volts| (volts / (RESTED * nominal)).clamp(0.5, 1.5));
            // A battery is weaker in the frost, and not for that a weak one.
            let frost = oil(self.judged).is_some_and(|oil| oil < 0.0);
            if let Some(at_rest) = at_rest.filter(|_| !frost) {
                self.put("low-at-rest", roof, at_rest < LOW_AT_REST * nominal);
            }
            let resistance = self.measure("supply-resistance", None);
            let resistance = resistance.filter(|_| !frost);
            if let Some((ohm, amps)) = resistance.zip(profile.electrics.running) {
                self.put("supply-drop", roof, ohm * amps.0 > DROP * nominal);
            }
        }
        if let (Some(inrush), true) = (profile.electrics.inrush, current.is_some()) {
            let highest = self.judged.measures.iter().filter(|m| m.id == "inrush-current");
            let highest = highest.filter_map(|m| m.value.value()).reduce(f64::max);
            // A log that begins with the drive has missed it.
            let before = cycle.recording.times.first().is_some_and(|first| *first < cycle.start);
            if let Some(highest) = highest.filter(|_| before && period(cycle) <= INRUSH_PERIOD) {
                // Ohm's law: an emptier battery drives less through the same resistance.
                let share = highest / inrush.0 / share_at_rest;
                let seen = if period(cycle) <= INRUSH_TOP { 1.0 } else { TOP_MISSED };
                self.put("weak-start", roof, share < WEAK_START * seen);
            }
        }
        if pressure.is_some() {
            self.put("no-pressure", roof, self.found("no-pressure"));
        }
        if current.is_some() {
            self.put("dry-running", roof, self.found("dry-running"));
        }
        let hold = self.measure("hold-time-constant", None);
        let held = self.measure("hold-at-least", None);
        if let Some(seconds) = hold.or(held) {
            self.put("leak-down", roof, self.found("leak-down"));
            let short = SHORT_HOLD * profile.timing.tail.0;
            // What a held load leaves standing is not lost.
            let goes = self.measure("hold-left", None).is_some_and(|left| left <= GONE);
            let shows = hold.is_some_and(|tau| tau < short) && goes;
            // What stops half-way hangs on other valves than what stands at its end.
            if cycle.outcome != Outcome::Stopped {
                if hold.is_some() || seconds >= short {
                    self.put("short-hold", roof, shows);
                }
                if shows {
                    self.put("gone-at-once", roof, seconds < AT_ONCE * profile.timing.tail.0);
                }
            }
        }
        if self.judged.measures.iter().any(|m| m.id == "bulk-modulus" && m.value.value().is_some()) {
            self.put("air-in-oil", roof, self.found("air-in-oil"));
        }
        let judged_steps = self.judged.timings.iter().filter(|t| t.tail.is_some()).count();
        let low = self.findings("weak-pump").any(|f| f.unit == "bar");
        if judged_steps >= 3 {
            self.put("slow-together", roof, self.findings("weak-pump").any(|f| f.unit != "bar"));
        }
        if pressure.is_some() && self.judged.runs.iter().any(|r| r.stall.is_some()) {
            self.put("low-plateau", roof, low);
        }
        self.pressure_after_start();
        self.ceiling();
    }

    /// Whether all valves had let go while the pump ran on; `None` where it did not, or the last step had none.
    fn ran_on_alone(&self) -> Option<bool> {
        let found = self.findings("run-on").next()?;
        let until =
            found.until.filter(|_| found.phase.is_some_and(|p| !p.of(self.profile).valves.is_empty()))?;
        let inside = |span: &&DriveSpan| span.from < until && span.to > found.at + LETS_GO;
        let mut spans = self.cycle.recording.drive.iter().filter(inside).peekable();
        spans.peek()?;
        Some(spans.all(|span| span.valves.is_empty()))
    }

    /// The pressure to which the pump comes with nothing left to move.
    fn ceiling(&mut self) {
        let Some(pressure) = self.sound(SignalKind::Pressure) else { return };
        let Some(relief) = self.profile.hydraulics.relief else { return };
        let Some(bar) = line::ceiling(self.cycle, pressure) else { return };
        let part = bar / relief.0;
        self.put("low-ceiling", Place::ROOF, part < LOW_CEILING);
        if part < LOW_CEILING {
            self.plateau.get_or_insert(part.ln());
        }
    }

    /// Whether gas gives way before the pressure stands, when the pump starts.
    fn pressure_after_start(&mut self) {
        let Some(pressure) = self.sound(SignalKind::Pressure) else { return };
        let Some(facts) = self.judged.runs.first() else { return };
        let run = &self.cycle.phases[facts.run];
        if !run.phase.of(self.profile).pump || period(self.cycle) > line::GAS_PERIOD {
            return;
        }
        // A pump at a low supply turns more slowly.
        let supply = self.measure("lowest-supply", Some(facts.run));
        let speed = supply.map_or(1.0, |volts| (volts / self.profile.reference.supply.0).clamp(0.3, 1.0));
        // And what slows all the other steps delivers less, but for a leak, which takes little at this pressure.
        let leaks = self.saw("gone-at-once");
        let others = self.judged.timings.iter().filter(|t| t.run != facts.run);
        let others = others.filter(|t| t.phase.of(self.profile).pump);
        let slower = quantile(others.map(|t| t.driven.0 / t.phase.of(self.profile).expected.0), 0.5);
        let slower = slower.filter(|_| !leaks).unwrap_or(1.0).max(1.0);
        let Some(gas) = line::gas(self.profile, run, pressure, speed / slower) else { return };
        let signs = ["late-pressure", "somewhat-late-pressure"];
        self.put_by_degree(signs, Place::ROOF, gas, [line::GAS, line::SOME_GAS]);
    }

    /// What concerns one run of a step.
    fn step(&mut self, facts: &RunFacts) {
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

    /// The confirmation came with this switch, and not with another part of it.
    fn came_last(&self, signal: SignalIx, on: bool, confirmed: Micros) -> bool {
        let mut edges = self.cycle.recording.edges.iter().filter(|e| e.signal == signal && e.on == on);
        edges.any(|e| (e.at - confirmed).0.abs() < SAME_MOMENT)
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

    /// Where nothing moves, for two switches contradict each other: of the two, the one that is closed where the end position
    /// leaves it open, if all the others are as that position leaves them.
    fn contradictions(&mut self) {
        let first = PhaseRef { direction: self.cycle.direction, index: 0 };
        let stands = |ix| {
            let left = state_before(self.profile, first, ix)?;
            Some((left, self.cycle.recording.state(ix, self.cycle.start)? == left))
        };
        let all: Vec<_> = self
            .profile
            .of_kind(SignalKind::Switch)
            .filter_map(|(ix, _)| stands(ix).map(|(left, agrees)| (ix, left, agrees)))
            .collect();
        let wrong: Vec<SignalIx> = all.iter().filter(|(.., agrees)| !agrees).map(|(ix, ..)| *ix).collect();
        for (ix, signal) in self.profile.signals().filter(|(_, s)| s.kind == SignalKind::Switch) {
            if signal.excludes.is_empty() || !self.is_recorded(ix) {
                continue;
            }
            let place = Place::signal(ix);
            // Told of one of the two, it concerns both.
            let told =
                |f: &Finding| f.signal.is_some_and(|other| other == ix || signal.excludes.contains(&other));
            let on = self.cycle.recording.state(ix, self.cycle.start) == Some(true);
            let seen = on && self.findings("contradiction").any(told);
            self.put("contradiction", place, seen);
            if let (Some((left, agrees)), [_]) = (stands(ix), wrong.as_slice()) {
                self.put("stuck-closed", place, !left && !agrees);
            }
        }
    }

    /// What concerns each signal by itself.
    fn signals(&mut self) {
        let whole = self.cycle.recording.gaps.is_empty();
        for (ix, signal) in self.profile.signals() {
            let place = Place::signal(ix);
            let about = |eye: &Self, kind| eye.findings(kind).any(|f| f.signal == Some(ix));
            if !signal.kind.is_binary() {
                if self.cycle.recording.trace(ix).is_some_and(|t| t.iter().any(|v| v.is_finite())) {
                    self.put("signal-fault", place, about(self, "signal-fault"));
                }
                continue;
            }
            if !self.is_recorded(ix) {
                continue;
            }
            match signal.kind {
                SignalKind::Switch => {
                    self.put("dropout", place, about(self, "dropout"));
                    self.put("chatter", place, about(self, "chatter"));
                    if !signal.excludes.is_empty() {
                        self.put("contradiction", place, about(self, "contradiction"));
                    }
                    let asked =
                        self.cycle.phases.iter().any(|run| {
                            run.phase.of(self.profile).confirm.wanted().iter().any(|(s, _)| *s == ix)
                        });
                    if asked && whole {
                        let stuck = self.findings("stuck-switch").find(|f| f.signal == Some(ix));
                        let on = stuck.and_then(|_| self.cycle.recording.state(ix, self.cycle.start));
                        self.put("stuck-open", place, on == Some(false));
                        self.put("stuck-closed", place, on == Some(true));
                    }
                }
                SignalKind::Valve | SignalKind::Pump => {
                    self.put("dropout", place, about(self, "dropout"));
                }
                _ => {}
            }
        }
    }

    /// The pressure that each step needs, against the others.
    fn loads_against_each_other(&mut self) {
        if self.sound(SignalKind::Pressure).is_none() {
            return;
        }
        let whole = self.judged.runs.iter().filter(|f| f.cut.is_none() && !f.part && f.motion.is_some());
        let loads: Vec<(PhaseRef, f64)> = whole
            .map(|f| (self.cycle.phases[f.run].phase, f.run))
            .filter(|(phase, _)| phase.of(self.profile).pump)
            .filter_map(|(phase, run)| Some((phase, self.measure("mean-pressure", Some(run))?)))
            .collect();
        if loads.len() < 3 {
            return;
        }
        for (n, (phase, bar)) in loads.iter().enumerate() {
            let others = loads.iter().enumerate().filter(|(m, _)| *m != n).map(|(_, load)| load.1);
            let Some(usual) = quantile(others, 0.5) else { continue };
            let signs = ["heavier-than-others", "somewhat-heavier"];
            let limits = [HEAVIER * usual, SOMEWHAT_HEAVIER * usual];
            self.put_by_degree(signs, Place::step(*phase), *bar, limits);
            // The heaviest step of a sound roof may well be near the relief setting, so it tells something only of a heavy one.
            if let Some(relief) = self.profile.hydraulics.relief.filter(|_| *bar > limits[0]) {
                self.put("near-relief", Place::step(*phase), *bar > NEAR_RELIEF * relief.0);
            }
        }
    }

    /// Times over the profile's, at reference conditions: the median past each direction's first step (ln), and each.
    fn against_profile(&mut self) -> (Option<f64>, Vec<(PhaseRef, f64)>) {
        let mut ratios: Vec<(PhaseRef, f64)> = Vec::new();
        for timing in &self.judged.timings {
            let facts = self.judged.runs.iter().find(|r| r.run == timing.run);
            let whole = facts.is_some_and(|f| f.cut.is_none() && !f.part && f.motion.is_some());
            let phase = timing.phase.of(self.profile);
            let late = self.found_in("late-confirmation", timing.phase)
                || self.findings("dropout").any(|f| f.phase == Some(timing.phase));
            let confirmed = self.cycle.phases[timing.run].confirmation == Confirmation::Confirmed;
            if whole && confirmed && phase.pump && !late && phase.expected.0 > 0.0 {
                ratios.push((timing.phase, timing.corrected.0 / phase.expected.0));
            }
        }
        self.loads_against_each_other();
        let Some(usual) = quantile(ratios.iter().map(|r| r.1), 0.5).filter(|_| ratios.len() >= 3) else {
            return (None, ratios);
        };
        // With the same valves on, the next part moves on by itself while the switch is still waited for.
        for pair in ratios.windows(2) {
            let [(here, slow), (next, fast)] = [pair[0], pair[1]];
            let (a, b) = (here.of(self.profile), next.of(self.profile));
            if next.index != here.index + 1 || next.direction != here.direction || a.valves != b.valves {
                continue;
            }
            let (more, less) = ((slow - usual) * a.expected.0, (usual - fast) * b.expected.0);
            let handed = more > HANDED_OVER && less > 0.0 && AGREE.contains(&(less / more));
            // The last part of the confirmation is what was waited for.
            let run = self.cycle.phases.iter().find(|run| run.phase == here);
            let Some(confirmed) = run.and_then(|run| run.confirmed_at) else { continue };
            for (signal, wanted) in a.confirm.wanted() {
                let last = self.came_last(signal, wanted, confirmed);
                if last && (wanted || handed) {
                    let place = Place { phase: Some(here), signal: Some(signal) };
                    self.put("handed-over", place, handed);
                }
            }
        }
        let later = ratios.iter().filter(|r| !is_first(r.0, self.profile)).map(|r| r.1);
        (quantile(later, 0.5).filter(|median| *median > 0.0).map(f64::ln), ratios)
    }
}
