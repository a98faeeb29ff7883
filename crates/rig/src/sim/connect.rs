//! From commands to spools and relay, and what these connect.

use foldwatch_profile::{Expr, PhaseRef, SignalIx, SignalKind};
use foldwatch_units::Direction;
use rand::Rng;

use super::{Due, Rig};
use crate::condition::drive_for;
use crate::fault::FaultKind;
use crate::plant::{Drive, at};
use crate::solver::{SolverError, Stepper};

/// From the unit's output to the relay's contact, s.
const RELAY_S: f64 = 0.006;

impl Rig<'_> {
    /// Notes which connected steps have got where they go, and lets the next one follow where it has the same drive.
    pub(super) fn progress(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let Some((direction, mut step)) = self.driven else { return Ok(()) };
        let scenario = self.scenario;
        let steps = scenario.profile.sequence(direction);
        loop {
            let done = {
                let plant = self.plant.borrow();
                scenario
                    .layout
                    .of(direction, step)
                    .iter()
                    .all(|m| plant.drives[m.axis].is_some_and(|d| d.to == m.to && d.arrived))
            };
            if !done {
                return Ok(());
            }
            let phase = PhaseRef { direction, index: step };
            if self.noted != Some(phase) {
                self.noted = Some(phase);
                self.book.arrived(phase, self.moment(self.now));
            }
            let same = steps.get(step + 1).is_some_and(|next| {
                next.pump == steps[step].pump
                    && next.valves == steps[step].valves
                    && next.confirm != Expr::Always
            });
            if !same {
                return Ok(());
            }
            step += 1;
            self.driven = Some((direction, step));
            self.book.carries_on(PhaseRef { direction, index: step }, self.moment(self.now));
            self.attach(solver, direction, step)?;
        }
    }

    /// Connects the axes of a step.
    pub(super) fn attach(
        &mut self,
        solver: &mut dyn Stepper,
        direction: Direction,
        step: usize,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let pumped = scenario.profile.sequence(direction)[step].pump;
        let phase = PhaseRef { direction, index: step };
        let drives: Vec<(usize, Option<Drive>)> = scenario
            .layout
            .of(direction, step)
            .iter()
            .enumerate()
            .map(|(nth, m)| {
                let (params, layout) = (&scenario.params, &scenario.layout);
                (m.axis, drive_for(params, &self.effects, layout, phase, nth, m, pumped))
            })
            .collect();
        for (axis, _) in &drives {
            self.connected[*axis] = Some((direction, step));
        }
        solver.change(self.now, &mut |plant, y| {
            for (axis, drive) in &drives {
                let mut drive = *drive;
                if let Some(d) = &mut drive {
                    let way = if d.to >= d.from { 1.0 } else { -1.0 };
                    d.arrived = (d.to - y[at::x(*axis)]) * way <= 1e-9;
                }
                plant.connect(*axis, drive, y);
            }
        })
    }

    /// Connects what the spools connect just now, and locks the rest.
    pub(super) fn reconnect(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        let scenario = self.scenario;
        let wanted = self.intent.and_then(|(direction, last)| {
            let steps = scenario.profile.sequence(direction);
            (0..=last)
                .rev()
                .find(|k| {
                    let phase = &steps[*k];
                    let spools = scenario
                        .profile
                        .of_kind(SignalKind::Valve)
                        .all(|(ix, _)| self.spools[ix.at()] == phase.valves.contains(&ix));
                    // Without any valve something moves only while the unit means it to.
                    spools && (!phase.valves.is_empty() || (self.unit.running.is_some() && *k == last))
                })
                .map(|k| (direction, k))
        });
        // With the same drive as so far, what is connected stays so, and the chain may be further on already.
        if let (Some((d, k)), Some((d2, k2))) = (wanted, self.driven)
            && d == d2
            && scenario.profile.sequence(d)[k].valves == scenario.profile.sequence(d)[k2].valves
        {
            if k > k2 {
                self.driven = wanted;
                self.attach(solver, d, k)?;
            }
            return self.progress(solver);
        }
        let drop: Vec<usize> = (0..self.connected.len()).filter(|a| self.connected[*a].is_some()).collect();
        self.connected.fill(None);
        self.driven = wanted;
        self.noted = None;
        solver.change(self.now, &mut |plant, y| {
            for axis in &drop {
                plant.connect(*axis, None, y);
            }
        })?;
        if let Some((direction, step)) = wanted {
            self.attach(solver, direction, step)?;
            self.progress(solver)?;
        }
        Ok(())
    }

    pub(super) fn drive_off(&mut self, solver: &mut dyn Stepper) -> Result<(), SolverError> {
        if self.unit.running.is_some() {
            // It has been started again meanwhile.
            return Ok(());
        }
        self.generation += 1;
        self.command(solver, &[], false)
    }

    pub(super) fn command(
        &mut self,
        solver: &mut dyn Stepper,
        valves: &[SignalIx],
        pump: bool,
    ) -> Result<(), SolverError> {
        let scenario = self.scenario;
        for (ix, _) in scenario.profile.of_kind(SignalKind::Valve) {
            let on = valves.contains(&ix);
            if self.commands[ix.at()] != on {
                self.commands[ix.at()] = on;
                self.raw(ix, on);
                let sticks = self.effects.lag.iter().find(|(v, _)| *v == ix).map_or(0.0, |(_, lag)| *lag);
                if sticks > 0.0 {
                    self.notice(&[FaultKind::StickingValve], ix);
                }
                let lag = scenario.params.valve_lag_s * self.rng.random_range(0.9..1.1) + sticks;
                self.push(self.now + lag, Due::Spool(ix, on));
            }
        }
        self.command_pump(pump);
        self.drive_changed(solver);
        Ok(())
    }

    pub(super) fn command_pump(&mut self, on: bool) {
        if self.pump_command == on {
            return;
        }
        self.pump_command = on;
        let pumps: Vec<SignalIx> =
            self.scenario.profile.of_kind(SignalKind::Pump).map(|(ix, _)| ix).collect();
        for ix in pumps {
            self.raw(ix, on);
        }
        self.relay_epoch += 1;
        let wait = if on { RELAY_S } else { RELAY_S + self.effects.welded_s };
        self.push(self.now + wait, Due::Relay(on, self.relay_epoch));
    }

    /// Keeps account of whether anything is driven.
    pub(super) fn drive_changed(&mut self, solver: &dyn Stepper) {
        let driven = self.pump_command || self.relay || self.commands.iter().any(|on| *on);
        let at = self.moment(self.now);
        if driven && !self.book.driving() {
            let direction = self.intent_or_use();
            let home = self.scenario.layout.at_start(direction);
            let y = solver.state();
            let part_way = home.iter().enumerate().any(|(axis, x)| (y[at::x(axis)] - x).abs() > 0.03);
            let closed = self.book.drive_begins(at, direction, part_way, y[at::OIL], &self.scenario.profile);
            self.tell(closed);
            self.notice_wrong_states();
        } else if !driven && self.book.driving() {
            self.book.drive_ends(at);
        }
        if driven || self.book.driving() {
            self.last_drive = self.now;
        }
        if !driven {
            self.last_drive = self.last_drive.max(self.now);
        }
    }

    pub(super) fn intent_or_use(&self) -> Direction {
        let used = self.next_use.checked_sub(1).and_then(|ix| self.scenario.uses.get(ix));
        match (self.unit.running, used) {
            (Some(running), _) => running.direction,
            (None, Some(u)) => u.direction,
            (None, None) => Direction::Opening,
        }
    }
}
