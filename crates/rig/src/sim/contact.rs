//! From the roof to the contacts, from these to the wires.

use foldwatch_profile::{PhaseRef, SignalIx};
use rand::Rng;

use super::{Due, Rig, RigEvent};
use crate::condition::conditioned;
use crate::fault::{FaultKind, Wire};
use crate::layout::Law;
use crate::plant::Happened;
use crate::solver::{SolverError, Stepper};
use crate::wire::signal_state;

impl Rig<'_> {
    pub(super) fn after(&mut self, solver: &mut dyn Stepper, what: Happened) -> Result<(), SolverError> {
        match what {
            Happened::Switch(ix) => {
                self.contacts[ix] = !self.contacts[ix];
                let layout = &self.scenario.layout;
                for (signal, law) in layout.laws.iter().enumerate() {
                    if law.is_none() {
                        continue;
                    }
                    let state = signal_state(layout, &self.contacts, SignalIx(signal as u16));
                    if state != self.wires.mechanical[signal] {
                        self.wires.mechanical[signal] = state;
                        self.push(self.now, Due::Mechanical(SignalIx(signal as u16), state));
                    }
                }
            }
            Happened::Arrived(_) => self.progress(solver)?,
            Happened::CurrentGone | Happened::MotorStopped | Happened::Relief | Happened::Motion(_) => {}
        }
        Ok(())
    }

    pub(super) fn dropout_wait(&mut self, per_minute: f64) -> f64 {
        -(1.0 - self.rng.random_range(0.0f64..1.0)).ln() * 60.0 / per_minute
    }

    /// A wire opens for a moment that is longer than bounce.
    pub(super) fn drop_out(&mut self, solver: &mut dyn Stepper, signal: SignalIx) -> Result<(), SolverError> {
        let Some(Wire::Dropout(per_minute)) = self.effects.wire(signal) else { return Ok(()) };
        let (now, ix) = (self.now, signal.at());
        if self.wires.raw[ix] && self.wires.settled[ix] && self.book.driving() {
            let debounce = self.scenario.profile.signals[ix].debounce.0.max(0.01);
            let span = self.rng.random_range(1.5..6.0) * debounce;
            self.notice(&[FaultKind::Dropout], signal);
            // A member of a chain takes the whole chain with it.
            let chains = self.scenario.profile.chains.iter();
            let whole =
                chains.filter(|c| c.members.iter().any(|m| m.signal == Some(signal))).map(|c| c.signal);
            for wire in std::iter::once(signal).chain(whole) {
                self.raw(wire, false);
                self.push(now + span, Due::DropoutOver(wire));
            }
            self.look(solver)?;
        }
        if self.book.driving() || self.demand.is_some() {
            let wait = self.dropout_wait(per_minute);
            self.push(now + wait.max(0.3), Due::Dropout(signal));
        }
        Ok(())
    }

    /// Takes a permission away, or gives it back.
    pub(super) fn deny(&mut self, permission: usize, away: bool) {
        let scenario = self.scenario;
        let Some(p) = scenario.profile.permissions.get(permission) else { return };
        for (signal, wanted) in p.needs.wanted() {
            if matches!(scenario.layout.laws.get(signal.at()), Some(Some(Law::Fixed(_)))) {
                let state = wanted != away;
                if self.wires.mechanical[signal.at()] != state {
                    self.wires.mechanical[signal.at()] = state;
                    self.contact(signal, state);
                }
            }
        }
        self.denied = away.then_some(permission);
    }

    /// What is wrong with a signal's wire: its own fault, or one of a switch in its chain that holds for the chain.
    pub(super) fn wire_fault(&self, signal: SignalIx) -> Option<Wire> {
        self.effects.wire(signal).or_else(|| {
            let chain = self.scenario.profile.chains.iter().find(|c| c.signal == signal)?;
            chain
                .members
                .iter()
                .filter_map(|m| self.effects.wire(m.signal?))
                .find(|w| *w != Wire::Stuck(true))
        })
    }

    /// A contact is worked by the roof; what comes of it on the wire.
    pub(super) fn contact(&mut self, signal: SignalIx, on: bool) {
        let ix = signal.at();
        self.wires.epoch[ix] += 1;
        let delay = match self.wire_fault(signal) {
            Some(Wire::Stuck(stuck)) => {
                if stuck != on {
                    self.notice(&[FaultKind::StuckOpen, FaultKind::StuckClosed], signal);
                }
                return;
            }
            Some(Wire::Never) => {
                if on {
                    self.notice(&[FaultKind::SwitchNever], signal);
                }
                return;
            }
            Some(Wire::Late(delay)) if on => delay,
            _ => 0.0,
        };
        self.push(self.now + delay, Due::Settle(signal, on, self.wires.epoch[ix]));
    }

    /// First transition of a change, with the bounce that follows it.
    pub(super) fn settle(
        &mut self,
        solver: &mut dyn Stepper,
        signal: SignalIx,
        on: bool,
    ) -> Result<(), SolverError> {
        let ix = signal.at();
        if self.wires.settled[ix] == on {
            return Ok(());
        }
        self.wires.settled[ix] = on;
        let confirmed = self.confirm_edge(signal);
        // Where another switch of the step comes later still, this one holds nothing up.
        if on && confirmed && matches!(self.wire_fault(signal), Some(Wire::Late(_))) {
            self.notice(&[FaultKind::SwitchLate], signal);
        }
        self.raw(signal, on);
        let (now, epoch) = (self.now, self.wires.epoch[ix]);
        let (span, pairs) = match self.wire_fault(signal) {
            Some(Wire::Chatter(span)) => {
                self.notice(&[FaultKind::Chatter], signal);
                (span, (span / 0.02).ceil() as usize + 2)
            }
            _ => (self.rng.random_range(0.001..0.008), self.rng.random_range(0..=3)),
        };
        let mut times: Vec<f64> = (0..2 * pairs).map(|_| self.rng.random_range(0.0002..span)).collect();
        times.sort_by(f64::total_cmp);
        for (n, t) in times.iter().enumerate() {
            self.push(now + t, Due::Raw(signal, (n % 2 == 1) == on, epoch));
        }
        self.look(solver)
    }

    /// If the running step's confirmation has just come about by this signal's change, this is its edge; gives whether it
    /// has. What holds already does not come about once more by what another switch does.
    fn confirm_edge(&mut self, changed: SignalIx) -> bool {
        let mut came = false;
        let at = self.moment(self.now);
        let running = self.unit.running.map(|r| PhaseRef { direction: r.direction, index: r.step });
        for phase in running.into_iter().chain(self.book.carried()) {
            let settled = &self.wires.settled;
            let confirm = &phase.of(&self.scenario.profile).confirm;
            let holds = |before: bool| {
                confirm.holds(&|s: SignalIx| Some(settled[s.at()] != (before && s == changed))) == Some(true)
            };
            if holds(false) && !holds(true) {
                self.book.confirmed(phase, at);
                came = true;
            }
        }
        came
    }

    /// A transition on the wire.
    pub(super) fn raw(&mut self, signal: SignalIx, on: bool) {
        if self.wires.raw[signal.at()] == on {
            return;
        }
        self.wires.raw[signal.at()] = on;
        if self.dark.is_none() {
            self.recorder.event(RigEvent::Edge { at: self.moment(self.now), signal, on });
        }
    }

    /// The logger records again.
    pub(super) fn light(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let Some((from, before, restart)) = self.dark.take() else { return Ok(()) };
        let until = self.moment(self.now);
        self.recorder.event(RigEvent::Gap { from, until, restart });
        for (signal, on) in self.wires.states() {
            if restart || before[signal.at()] != on {
                self.recorder.event(RigEvent::Edge { at: until, signal, on });
            }
        }
        if restart {
            let emf = conditioned(&self.scenario.params, &self.effects).emf_v;
            solver.change(self.now, &mut |plant, _| plant.params.emf_v = emf)?;
        }
        Ok(())
    }
}
