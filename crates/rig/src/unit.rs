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

    /// Where to begin: where it was stopped; where only the first step of the other way had begun, and from the end of this
    /// way, the step that takes that back; else the first step that is not confirmed.
    pub fn entry(
        &self,
        profile: &Profile,
        layout: &Layout,
        direction: Direction,
        on: &dyn Fn(SignalIx) -> bool,
    ) -> Option<usize> {
        let steps = profile.sequence(direction);
        let back = match self.memory {
            Some((was, step)) if was == direction => Some(step),
            Some((was, 0)) => {
                let begun = layout.of(was, 0);
                let takes_back = layout.moves[side(direction)].iter().position(|moves| {
                    moves.iter().any(|m| begun.iter().any(|b| b.axis == m.axis && b.sign() != m.sign()))
                });
                // What the step before it does is done: else the other way did not begin from this one's end.
                takes_back.filter(|k| {
                    let before = k.checked_sub(1).map(|k| &steps[k].confirm);
                    before.is_none_or(|confirm| confirm.holds(&|s| Some(on(s))) == Some(true))
                })
            }
            _ => None,
        };
        Unit::next(profile, direction, back.unwrap_or(0), on)
    }

    /// The first step from this one on that is not confirmed already.
    fn next(
        profile: &Profile,
        direction: Direction,
        from: usize,
        on: &dyn Fn(SignalIx) -> bool,
    ) -> Option<usize> {
        let steps = profile.sequence(direction);
        (from..steps.len()).find(|k| {
            let confirm = &steps[*k].confirm;
            *confirm == Expr::Always || confirm.holds(&|s| Some(on(s))) != Some(true)
        })
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
        let direction = running.direction;
        match Unit::next(profile, direction, running.step + 1, on) {
            Some(step) => Want::Step(direction, step),
            None => Want::Finished,
        }
    }
}
