//! One judged cycle to the signs that it shows, and those that it could have shown and did not.
//!
//! What a log can't carry is not in the list at all, so it counts neither for nor against anything.
//!
//! The limits of the marks in the folder `observe` are all judgments unless another ground is given: none of them is told to
//! anybody as a fault, they only weigh causes against each other, and the table holds how often each goes wrong.

mod relative;
mod roof;
mod signals;
mod step;

use foldwatch_profile::{PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_score::{Finding, Judged};
use foldwatch_segment::{Cycle, Outcome};
use foldwatch_units::Micros;

use crate::place::Place;
use crate::sign::trace_of;
use crate::trace::{Trace, mean};

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

/// Seconds between two that are one.
const SAME_MOMENT: f64 = 0.03;

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
    fn put_by_degree(&mut self, sign: &'static str, place: Place, value: f64, [limit, lower]: [f64; 2]) {
        self.put(sign, place, value > limit);
        if let Some(trace) = trace_of(sign).filter(|_| value <= limit) {
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

    /// The confirmation came with this switch, and not with another part of it.
    fn came_last(&self, signal: SignalIx, on: bool, confirmed: Micros) -> bool {
        let mut edges = self.cycle.recording.edges.iter().filter(|e| e.signal == signal && e.on == on);
        edges.any(|e| (e.at - confirmed).0.abs() < SAME_MOMENT)
    }
}
