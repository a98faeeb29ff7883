//! The operator's button, the control unit's steps, and which faults are at work.

use foldwatch_profile::{Expr, PhaseRef, SignalIx, SignalKind};
use foldwatch_units::Direction;
use rand::Rng;

use super::{Due, Rig};
use crate::condition::conditioned;
use crate::fault::{FaultKind, Wire};
use crate::plant::at;
use crate::scenario::Operator;
use crate::solver::{SolverError, Stepper};
use crate::truth::TrueOutcome;
use crate::unit::{Running, Unit, Want};

/// The unit's filter against bounce, s.
const FILTER_S: f64 = 0.012;

impl Rig<'_> {
    pub(super) fn begin_use(&mut self, solver: &mut dyn Stepper, ix: usize) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let u = scenario.uses[ix];
        let now = self.now;
        self.next_use = ix + 1;
        self.queue_use();
        let over = self.book.close_if_quiet(self.moment(now), &scenario.profile);
        self.tell(over);
        if self.prepared != Some(ix) {
            let colder = self.choose_faults(ix);
            let params = conditioned(&scenario.params, &self.effects);
            let ambient = self.ambient(u.at);
            solver.change(now, &mut |plant, y| {
                plant.params = params.clone();
                plant.ambient = ambient;
                y[at::OIL] -= colder;
                y[at::MOTOR] -= colder;
            })?;
        }
        // From the demand on, so that the first one does not pass before anything is driven.
        for (signal, wire) in self.effects.wires.clone() {
            if let Wire::Dropout(per_minute) = wire {
                let wait = self.dropout_wait(per_minute);
                self.push(now + wait, Due::Dropout(signal));
            }
        }
        if self.effects.gap_s > 0.0 {
            let after = self.rng.random_range(1.0..6.0);
            self.notice_all(FaultKind::LogGap);
            self.push(now + after, Due::GapBegins(self.effects.gap_s, false));
        }
        let press = |rig: &mut Self, t: f64, way| rig.push(now + t, Due::Demand(way));
        self.hold = false;
        match u.operator {
            Operator::Hold => {
                press(self, 0.0, Some(u.direction));
                self.hold = true;
            }
            Operator::Release(after) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, None);
            }
            Operator::Resume(after, again) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, None);
                press(self, after.0 + again.0, Some(u.direction));
                self.hold = true;
            }
            Operator::Reverse(after) => {
                press(self, 0.0, Some(u.direction));
                press(self, after.0, Some(u.direction.reversed()));
                self.hold = true;
            }
            Operator::PowerLoss(after) => {
                press(self, 0.0, Some(u.direction));
                self.push(now + after.0, Due::PowerLoss);
            }
            Operator::Refused(permission, span) => {
                self.deny(permission, true);
                press(self, 0.3, Some(u.direction));
                press(self, 0.3 + span.0, None);
            }
            Operator::Service(span) => {
                self.push(now, Due::Service(true));
                self.push(now + span.0, Due::Service(false));
            }
        }
        Ok(())
    }

    /// Which faults are at work in this use, and what they do to the wires at once. Gives by how much colder it is than
    /// in the use before.
    pub(super) fn choose_faults(&mut self, ix: usize) -> f64 {
        let scenario = self.scenario;
        let u = scenario.uses[ix];
        self.prepared = Some(ix);
        let before = std::mem::take(&mut self.effects).colder;
        self.active.clear();
        for (n, fault) in scenario.faults.iter().enumerate() {
            let lot = self.rng.random_range(0.0..1.0);
            let Some(strength) = fault.in_cycle(ix as u32, u.at, &mut self.since[n], lot) else { continue };
            self.effects.add(fault, strength);
            self.active.push((*fault, strength, false));
        }
        // Wires that are stuck, or no longer are.
        for signal in 0..self.wires.raw.len() {
            let ix = SignalIx(signal as u16);
            if !scenario.profile.signals[signal].kind.is_binary() {
                continue;
            }
            let should = match self.wire_fault(ix) {
                Some(Wire::Stuck(on)) => on,
                Some(Wire::Never) => false,
                _ if scenario.profile.signals[signal].kind == SignalKind::Switch => {
                    self.wires.mechanical[signal]
                }
                _ => self.wires.raw[signal],
            };
            if should != self.wires.raw[signal] {
                self.wires.settled[signal] = should;
                self.wires.epoch[signal] += 1;
                self.raw(ix, should);
            }
        }
        self.effects.colder - before
    }

    pub(super) fn reaction(&mut self) -> f64 {
        self.rng.random_range(0.010..0.040)
    }

    pub(super) fn press(&mut self, way: Option<Direction>) {
        if self.demand == way {
            return;
        }
        let (now, before) = (self.now, self.demand);
        self.demand = way;
        self.turned = false;
        for (ix, on) in self.demand_signals(before, way) {
            self.raw(ix, on);
        }
        let wait = FILTER_S + self.reaction();
        if before.is_some() {
            self.push(now + wait, Due::Stop);
            if let Some(missing) = self.refused.take() {
                let oil = self.oil_now;
                let (from, to) = (self.demand_since, self.moment(now));
                let direction = before.unwrap_or(Direction::Opening);
                let line = self.book.refused(&self.scenario.profile, direction, from, to, &missing, oil);
                self.tell(line);
            }
            if let Some(permission) = self.denied {
                self.push(now + 1.5, Due::Allow(permission));
            }
        }
        if let Some(direction) = way {
            self.demand_since = self.moment(now);
            // After a change of mind the unit lets the roof come to rest first.
            let rest = if before.is_some() { 0.3 } else { 0.0 };
            self.push(now + wait + rest, Due::Start(direction));
        }
    }

    pub(super) fn demand_signals(
        &self,
        before: Option<Direction>,
        after: Option<Direction>,
    ) -> Vec<(SignalIx, bool)> {
        let given = |s: &foldwatch_profile::Signal, way: Option<Direction>| {
            way.is_some_and(|d| s.demands.is_none_or(|asked| asked == d))
        };
        self.scenario
            .profile
            .of_kind(SignalKind::Demand)
            .filter(|(_, s)| given(s, before) != given(s, after))
            .map(|(ix, s)| (ix, given(s, after)))
            .collect()
    }

    /// The operator, who holds the button, lets it go after a moment.
    pub(super) fn let_go(&mut self, after: f64) {
        if self.hold {
            self.hold = false;
            let more = self.rng.random_range(0.2..0.6);
            self.push(self.now + after + more, Due::Demand(None));
        }
    }

    pub(super) fn start(
        &mut self,
        solver: &mut dyn Stepper,
        direction: Direction,
    ) -> Result<(), SolverError> {
        if self.demand != Some(direction) || self.unit.running.is_some() {
            return Ok(());
        }
        self.oil_now = solver.state()[at::OIL];
        let raw = &self.wires.raw;
        let on = |s: SignalIx| raw[s.at()];
        let missing = Unit::missing(&self.scenario.profile, direction, &on);
        if !missing.is_empty() {
            self.refused = Some(missing);
            self.let_go(1.5);
            return Ok(());
        }
        let entry = self.unit.entry(&self.scenario.profile, &self.scenario.layout, direction, &on);
        match entry {
            Some(step) => self.step(solver, direction, step),
            // A button for either way takes a roof that is there already back.
            None if self.is_for_either_way() && !std::mem::replace(&mut self.turned, true) => {
                self.demand = Some(direction.reversed());
                self.start(solver, direction.reversed())
            }
            None => {
                self.let_go(0.5);
                Ok(())
            }
        }
    }

    fn is_for_either_way(&self) -> bool {
        let mut demands = self.scenario.profile.of_kind(SignalKind::Demand);
        demands.any(|(_, signal)| signal.demands.is_none())
    }

    pub(super) fn step(
        &mut self,
        solver: &mut dyn Stepper,
        direction: Direction,
        step: usize,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let phase = &scenario.profile.sequence(direction)[step];
        self.generation += 1;
        self.intent = Some((direction, step));
        self.unit.memory = Some((direction, step));
        self.unit.running = Some(Running { direction, step, checking: false });
        self.command(solver, &phase.valves, phase.pump)?;
        self.book.step_begins(PhaseRef { direction, index: step }, self.moment(self.now));
        self.reconnect(solver)?;
        self.progress(solver)?;
        if phase.confirm == Expr::Always {
            self.push(self.now + phase.expected.0, Due::Check(self.generation));
        } else {
            let patience = phase.give_up.map_or(3.0 * phase.limit.0 + 5.0, |s| s.0);
            self.push(self.now + patience, Due::GiveUp(self.generation));
        }
        self.look(solver)
    }

    pub(super) fn look(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let raw = &self.wires.raw;
        let want = self.unit.look(&self.scenario.profile, &|s: SignalIx| raw[s.at()]);
        self.want(solver, want)
    }

    pub(super) fn want(&mut self, solver: &mut dyn Stepper, want: Want) -> Result<(), SolverError> {
        match want {
            Want::Nothing => Ok(()),
            Want::CheckLater => {
                let wait = FILTER_S + self.reaction();
                self.push(self.now + wait, Due::Check(self.generation));
                Ok(())
            }
            Want::Step(direction, step) => self.step(solver, direction, step),
            Want::Finished => {
                self.generation += 1;
                self.unit.running = None;
                self.unit.memory = None;
                self.book.ends_as(TrueOutcome::Completed, self.moment(self.now));
                self.let_go(0.1);
                if self.effects.run_on_s > 0.0 {
                    let span = self.effects.run_on_s + self.scenario.profile.timing.run_on.0;
                    self.push(self.now + span, Due::DriveOff);
                    Ok(())
                } else {
                    self.drive_off(solver)
                }
            }
        }
    }
}
