//! What a check looks at, and the words it uses.

use foldwatch_profile::{Phase, Profile, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Cycle, PhaseRun};
use foldwatch_units::Micros;

use crate::look::{self, Lane};
use crate::measures::Hold;
use crate::run::{self, RunFacts};
use crate::{History, Measure, PhaseTiming};

/// One cycle with all that is known of it.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The roof.
    pub profile: &'a Profile,
    /// The cycle.
    pub cycle: &'a Cycle,
    /// What is known of each run of a step, in order.
    pub runs: &'a [RunFacts],
    /// How the pressure was held.
    pub hold: &'a Hold,
    /// What was measured.
    pub measures: &'a [Measure],
    /// What each step should have taken.
    pub timings: &'a [PhaseTiming],
    /// What was learned from this car before.
    pub history: &'a History,
    /// Usual time from row to row while the roof was driven, in seconds.
    pub period: f64,
    /// How far each analog signal scatters.
    pub(crate) scatter: &'a [Scatter],
}

/// How far a signal scatters from one reading to the next during a movement.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scatter {
    pub signal: SignalIx,
    /// Standard deviation, in the signal's unit.
    pub value: f64,
    /// How far it may.
    pub limit: f64,
    /// Readings.
    pub readings: usize,
}

impl Scatter {
    /// Nothing but noise.
    pub fn is_noise(&self) -> bool {
        self.value > self.limit
    }
}

/// One run of a step with all that is known of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step<'a> {
    pub facts: &'a RunFacts,
    pub run: &'a PhaseRun,
    pub phase: &'a Phase,
    pub timing: Option<&'a PhaseTiming>,
}

impl Step<'_> {
    /// Longest time that counts as sound at the conditions of this run, in seconds.
    pub fn limit(&self) -> f64 {
        self.timing.map_or(self.phase.limit.0, |timing| timing.limit.0)
    }

    /// It was confirmed, and all of it was run at one go and recorded.
    pub fn is_whole(&self) -> bool {
        self.run.confirmation == Confirmation::Confirmed && self.facts.cut.is_none() && !self.facts.part
    }

    /// The step had the time to be done: it was driven for its limit, or the unit took it for done.
    pub fn had_fair_time(&self) -> bool {
        self.run.went_on || self.facts.driven_until_left >= self.limit()
    }
}

impl<'a> View<'a> {
    /// How far a signal scatters; `None` where that is not known.
    pub(crate) fn scatter_of(&self, signal: SignalIx) -> Option<&Scatter> {
        self.scatter.iter().find(|scatter| scatter.signal == signal)
    }

    pub(crate) fn steps(&self) -> impl Iterator<Item = Step<'a>> + use<'a> {
        let View { profile, cycle, timings, .. } = *self;
        self.runs.iter().map(move |facts| {
            let run = &cycle.phases[facts.run];
            let timing = timings.iter().find(|timing| timing.run == facts.run);
            Step { facts, run, phase: run.phase.of(profile), timing }
        })
    }

    /// How the other steps that the pump drove went against this car's usual: the median of their times over the expected
    /// ones. `None` where fewer than two tell.
    pub(crate) fn pace_of_others(&self, step: &Step) -> Option<f64> {
        let others = self.steps().filter(|other| {
            other.facts.run != step.facts.run
                && other.phase.pump
                && other.is_whole()
                && other.facts.lag.is_none()
        });
        let timings = others.filter_map(|other| other.timing.filter(|t| t.learned && t.tail.is_some()));
        let mut ratios: Vec<f64> = timings.map(|t| t.driven.0 / t.expected.0).collect();
        (ratios.len() >= 2).then(|| look::quantile(&mut ratios, 0.5)).flatten()
    }

    /// The step that ran before one.
    pub(crate) fn step_before(&self, step: &Step) -> Option<Step<'a>> {
        self.steps().take_while(|other| other.facts.run < step.facts.run).last()
    }

    /// The step that ran at a moment.
    pub(crate) fn step_at(&self, at: Micros) -> Option<Step<'a>> {
        self.steps().find(|step| step.run.start <= at && at <= step.run.left)
    }

    /// A measure of one run, or of the cycle.
    pub(crate) fn measure(&self, id: &str, run: Option<usize>) -> Option<f64> {
        self.measures.iter().find(|m| m.id == id && m.run == run).and_then(|m| m.value.value())
    }

    /// The first recorded signal of a kind, unless it is all noise.
    pub(crate) fn lane(&self, kind: SignalKind) -> Option<Lane<'a>> {
        look::lane_of_kind(self.profile, self.cycle, kind).filter(|lane| !self.is_noise(lane.signal))
    }

    fn is_noise(&self, signal: SignalIx) -> bool {
        // What hangs on supply or oil temperature is judged all the same: it takes a median of them.
        let kind = self.profile.signal(signal).kind;
        matches!(kind, SignalKind::Pressure | SignalKind::Current)
            && self.scatter.iter().any(|scatter| scatter.signal == signal && scatter.is_noise())
    }

    /// The current is recorded, and all noise.
    pub(crate) fn current_is_noise(&self) -> bool {
        let current = look::lane_of_kind(self.profile, self.cycle, SignalKind::Current);
        current.is_some_and(|lane| self.is_noise(lane.signal))
    }

    /// Signals of a kind of which something is recorded.
    pub(crate) fn recorded(&self, kind: SignalKind) -> impl Iterator<Item = SignalIx> + use<'a> {
        let cycle = self.cycle;
        self.profile.of_kind(kind).map(|(ix, _)| ix).filter(move |ix| look::is_recorded(cycle, *ix))
    }

    /// Whether the log tells when the pump ran: by its command or by its current. Valves alone do not.
    pub(crate) fn pump_is_seen(&self) -> bool {
        self.recorded(SignalKind::Pump).next().is_some() || self.lane(SignalKind::Current).is_some()
    }

    /// What a run of the pump cost, as a clause: " (180 A²s)"; empty where no current is recorded.
    pub(crate) fn heat_between(&self, from: Micros, to: Micros) -> String {
        self.lane(SignalKind::Current).map_or_else(String::new, |lane| {
            let heat = lane.within(from, to).integral(|amps| amps * amps);
            format!(", {heat:.0} A²s in the motor")
        })
    }

    /// A signal as a technician calls it.
    pub(crate) fn name(&self, signal: SignalIx) -> &'a str {
        &self.profile.signal(signal).label
    }

    /// A signal of a confirmation that is wanted in a state, in words; a chain with its members.
    pub(crate) fn wanted(&self, signal: SignalIx, on: bool, at: Micros) -> String {
        let name = self.name(signal);
        if !on {
            return format!("`{name}` did not open");
        }
        let Some(members) = run::chain(self.profile, signal) else {
            return format!("`{name}` did not close");
        };
        let state = |member: &foldwatch_profile::ChainMember| {
            member.signal.and_then(|signal| self.cycle.recording.state(signal, at))
        };
        let open: Vec<&str> =
            members.iter().filter(|m| state(m) == Some(false)).map(|m| m.label.as_str()).collect();
        let unknown: Vec<&str> =
            members.iter().filter(|m| state(m).is_none()).map(|m| m.label.as_str()).collect();
        match (open.as_slice(), unknown.as_slice()) {
            ([], []) => format!(
                "`{name}` did not close although each of its members did: look at the wire between them"
            ),
            ([], unknown) => {
                format!("`{name}` did not close: one of its members in series ({})", unknown.join(", "))
            }
            (open, _) => format!("`{name}` did not close: member open in the chain: {}", open.join(", ")),
        }
    }
}
