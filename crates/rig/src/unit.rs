//! The roof's control unit: it looks at the wires and commands valves and pump.

use foldwatch_profile::{Expr, Profile, SignalIx};
use foldwatch_units::Direction;

use crate::layout::{Layout, side};

/// What the unit is at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Running {
    pub direction: Direction,
    pub step: usize,
    /// A check of the confirmation is due.
    pub checking: bool,
}

/// What the unit wants done after something it saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Want {
    Nothing,
    /// Check again after the filter and its reaction.
    CheckLater,
    /// Drive this step.
    Step(Direction, usize),
    /// All done.
    Finished,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Unit {
    pub running: Option<Running>,
    /// Where it was when it was last stopped.
    pub memory: Option<(Direction, usize)>,
}

impl Unit {
    /// The permissions that are missing.
    pub fn missing(profile: &Profile, direction: Direction, on: &dyn Fn(SignalIx) -> bool) -> Vec<usize> {
        profile
            .permissions
            .iter()
            .enumerate()
            .filter(|(_, p)| p.direction.is_none_or(|d| d == direction))
            .filter(|(_, p)| p.needs.holds(&|s| Some(on(s))) != Some(true))
            .map(|(ix, _)| ix)
            .collect()
    }

    /// Where to begin: where it was stopped; after turning round, the step that takes back what was going on; else
    /// the first step that is not confirmed.
    pub fn entry(
        &self,
        profile: &Profile,
        layout: &Layout,
        direction: Direction,
        on: &dyn Fn(SignalIx) -> bool,
    ) -> Option<usize> {
        let steps = profile.sequence(direction);
        let open = |k: &usize| steps[*k].confirm.holds(&|s| Some(on(s))) != Some(true);
        match self.memory {
            Some((was, step)) if was == direction => Some(step),
            Some((was, step)) => {
                let ways: Vec<(usize, f64)> =
                    layout.of(was, step).iter().map(|m| (m.axis, m.sign())).collect();
                let back = layout.moves[side(direction)].iter().position(|moves| {
                    moves.iter().any(|m| ways.iter().any(|(axis, way)| *axis == m.axis && *way != m.sign()))
                });
                back.or_else(|| (0..steps.len()).find(open))
            }
            None => (0..steps.len()).find(open),
        }
    }

    /// Looks at the confirmation of the running step.
    pub fn look(&mut self, profile: &Profile, on: &dyn Fn(SignalIx) -> bool) -> Want {
        let Some(running) = &mut self.running else { return Want::Nothing };
        let phase = &profile.sequence(running.direction)[running.step];
        if phase.confirm == Expr::Always || running.checking {
            return Want::Nothing;
        }
        if phase.confirm.holds(&|s| Some(on(s))) == Some(true) {
            running.checking = true;
            return Want::CheckLater;
        }
        Want::Nothing
    }

    /// The check after filter and reaction: goes on if the confirmation still stands.
    pub fn check(&mut self, profile: &Profile, on: &dyn Fn(SignalIx) -> bool) -> Want {
        let Some(running) = &mut self.running else { return Want::Nothing };
        running.checking = false;
        let steps = profile.sequence(running.direction);
        if steps[running.step].confirm.holds(&|s| Some(on(s))) != Some(true) {
            return Want::Nothing;
        }
        if running.step + 1 == steps.len() {
            Want::Finished
        } else {
            Want::Step(running.direction, running.step + 1)
        }
    }
}
