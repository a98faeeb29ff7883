//! What concerns the roof as a whole: supply, motor, pump, oil, what is held.

use foldwatch_profile::SignalKind;
use foldwatch_score::GONE;
use foldwatch_segment::{DriveSpan, Outcome};
use foldwatch_units::{Celsius, Seconds};

use crate::line;
use crate::observe::{Eye, oil};
use crate::place::Place;
use crate::trace::{mean, period, quantile};

/// Without an accumulator the pressure is gone within the tail's time (common practice, no source); a time constant is
/// a fifth of that. Short is a quarter of it.
const SHORT_HOLD: f64 = 1.0 / 20.0;
/// And at once is an eighth of that.
const AT_ONCE: f64 = SHORT_HOLD / 8.0;
/// The same as a share of what the profile states of a sound roof: these differ by a factor of two.
const SHORTER_THAN_STATED: f64 = 0.3;
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
/// Share of the relief setting below which a pressure is low where the pump pushes on with nothing left to move.
const LOW_CEILING: f64 = 0.85;

impl Eye<'_> {
    /// What concerns the roof as a whole.
    pub(super) fn whole(&mut self) {
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
        let supply = self.sound(SignalKind::Voltage);
        let at_rest =
            supply.and_then(|s| mean(s.within(cycle.start - Seconds(2.0), cycle.start - Seconds(0.05))));
        if supply.is_some() {
            self.put("low-supply", roof, self.found("low-supply"));
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
            let period = period(cycle);
            if let Some(highest) = highest.filter(|_| before && period <= INRUSH_PERIOD) {
                // Ohm's law: an emptier battery drives less through the same resistance.
                let rested = at_rest.map_or(1.0, |volts| (volts / (RESTED * nominal)).clamp(0.5, 1.5));
                let seen = if period <= INRUSH_TOP { 1.0 } else { TOP_MISSED };
                self.put("weak-start", roof, highest / inrush.0 / rested < WEAK_START * seen);
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
            let (sign, short) = match self.stated_hold() {
                Some(stated) => ("shorter-hold-than-stated", SHORTER_THAN_STATED * stated),
                None => ("short-hold", SHORT_HOLD * profile.timing.tail.0),
            };
            // What a held load leaves standing is not lost.
            let goes = self.measure("hold-left", None).is_some_and(|left| left <= GONE);
            let shows = hold.is_some_and(|tau| tau < short) && goes;
            // What stops half-way hangs on other valves than what stands at its end.
            if cycle.outcome != Outcome::Stopped {
                if hold.is_some() || seconds >= short {
                    self.put(sign, roof, shows);
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

    /// The time constant that the profile states, in seconds, with the oil as warm as it was: what creeps through gaps goes with
    /// 1 / viscosity (laminar gap flow, any hydraulics handbook).
    fn stated_hold(&self) -> Option<f64> {
        let stated = self.profile.hydraulics.hold?;
        let of = foldwatch_score::oil(self.profile);
        let nu = |celsius: Celsius| of.viscosity(celsius).0;
        let reference = self.profile.reference.oil_temperature;
        let now = oil(self.judged).map_or(reference, Celsius);
        Some(stated.0 * nu(now) / nu(reference)).filter(|seconds| seconds.is_finite())
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
        self.put_by_degree("late-pressure", Place::ROOF, gas, [line::GAS, line::SOME_GAS]);
    }
}
