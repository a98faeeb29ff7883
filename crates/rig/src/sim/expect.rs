//! What the faults of a cycle should show, given what happened in it.

use foldwatch_profile::SignalIx;

use super::Rig;
use crate::fault::{Expected, Fault, FaultKind, Target};
use crate::truth::{CycleTruth, FaultTruth, TrueOutcome, TruthLine};

impl Rig<'_> {
    /// Faults of these kinds at a signal, or at a member of its chain, have had their moment.
    pub(super) fn notice(&mut self, kinds: &[FaultKind], signal: SignalIx) {
        let chains = &self.scenario.profile.chains;
        let within = |at: SignalIx| {
            at == signal
                || chains.iter().any(|c| c.signal == signal && c.members.iter().any(|m| m.signal == Some(at)))
        };
        for (fault, _, noticed) in &mut self.active {
            let here = matches!(fault.target, Target::Signal(at) if within(at));
            *noticed |= here && kinds.contains(&fault.kind);
        }
    }

    /// Faults of a kind have had their moment, wherever they are.
    pub(super) fn notice_all(&mut self, kind: FaultKind) {
        for (fault, _, noticed) in &mut self.active {
            *noticed |= fault.kind == kind;
        }
    }

    /// When a drive begins: switches that are stuck closed although the roof is elsewhere.
    pub(super) fn notice_wrong_states(&mut self) {
        for (fault, _, noticed) in &mut self.active {
            if let (FaultKind::StuckClosed, Target::Signal(at)) = (fault.kind, fault.target) {
                *noticed |= !self.wires.mechanical[at.at()];
            }
        }
    }

    /// Hands a finished cycle over, with its faults and what they should show.
    pub(super) fn tell(&mut self, cycle: Option<CycleTruth>) {
        let Some(mut cycle) = cycle else { return };
        let profile = &self.scenario.profile;
        for (nth, (fault, strength, noticed)) in self.active.iter().enumerate() {
            cycle.faults.push(FaultTruth::of(fault, *strength, profile));
            let shows = self.has_its_say(fault, *noticed, &cycle);
            for mut expected in fault.shows(profile) {
                expected.fault = nth;
                expected.certain &= shows;
                // Only a pressure that stays low is no pressure.
                let relief = profile.hydraulics.relief.map_or(160.0, |p| p.0);
                if expected.kind == "no-pressure" && cycle.highest_pressure_bar > 0.35 * relief {
                    expected.certain = false;
                }
                cycle.expect.push(expected);
            }
            cycle.expect.extend(self.unconfirmed(nth, fault, &cycle));
        }
        self.recorder.truth(TruthLine::Cycle(Box::new(cycle)));
    }

    /// Whether a fault took part in a cycle.
    fn has_its_say(&self, fault: &Fault, noticed: bool, cycle: &CycleTruth) -> bool {
        if fault.kind.is_of_the_logger() && fault.kind != FaultKind::LogGap {
            return true;
        }
        if fault.kind.waits_for_its_moment() {
            return noticed;
        }
        match fault.target {
            Target::Step(step) => cycle.phases.iter().any(|p| p.phase == step),
            // A last step without pump leaves nothing that could run on: its valve only stays open.
            _ if fault.kind == FaultKind::RunOn => {
                let pumped = cycle.phases.last().is_some_and(|p| p.phase.of(&self.scenario.profile).pump);
                cycle.outcome == TrueOutcome::Completed && pumped
            }
            _ => cycle.outcome != TrueOutcome::Refused,
        }
    }

    /// Steps that went without their confirmation for a fault: certain where all had arrived and only the switch did
    /// not say so, or where the relief valve opens below what the step needs and it never arrived.
    fn unconfirmed(&self, nth: usize, fault: &Fault, cycle: &CycleTruth) -> Vec<Expected> {
        let profile = &self.scenario.profile;
        let stopped =
            matches!(cycle.outcome, TrueOutcome::Stopped | TrueOutcome::Reversed | TrueOutcome::PowerLost);
        if stopped || fault.kind.is_of_the_logger() {
            return Vec::new();
        }
        let concerns = |phase: &foldwatch_profile::Phase| match fault.target {
            Target::Signal(at) if fault.kind.is_of_a_switch() => {
                phase.confirm.wanted().iter().any(|(s, _)| {
                    *s == at
                        || profile
                            .chains
                            .iter()
                            .any(|c| c.signal == *s && c.members.iter().any(|m| m.signal == Some(at)))
                })
            }
            _ => false,
        };
        let mut out = Vec::new();
        for p in cycle.phases.iter().filter(|p| !p.confirmed) {
            let phase = p.phase.of(profile);
            let signal = match fault.target {
                Target::Signal(at) if fault.kind.is_of_a_switch() => Some(profile.signal(at).id.clone()),
                _ => None,
            };
            let held_back = fault.kind == FaultKind::LowRelief && phase.pump && p.arrived_us.is_none();
            out.push(Expected {
                kind: "missing-confirmation".to_owned(),
                fault: nth,
                certain: held_back || concerns(phase) && p.arrived_us.is_some(),
                phase: Some(phase.name.clone()),
                signal,
            });
        }
        out
    }
}
