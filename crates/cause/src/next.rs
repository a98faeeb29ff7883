//! The next check: most expected information per minute.
//!
//! Information is that of the result about which faults are there: entropy of the result less its entropy once the faults
//! are known (mutual information; T. Cover, J. Thomas, Elements of Information Theory, 2nd ed., 2.4).

use crate::diagnosis::{FOUND, IfResult, NextCheck, Work};
use crate::infer::{World, normalise};
use crate::table::Check;
use crate::{candidates, explain};

/// Less than this many bits are not worth a walk to the car.
const WORTH_IT: f64 = 0.05;
/// Worlds less likely than this do not sway the choice.
const SWAYS: f64 = 2e-7;

/// A check at one of its places.
#[derive(Debug, Clone)]
pub(crate) struct Instance<'a> {
    check: &'a Check,
    key: String,
    label: String,
}

impl Instance<'_> {
    /// `switch-place:lid_open`.
    pub fn key(&self) -> String {
        if self.key.is_empty() { self.check.id.clone() } else { format!("{}:{}", self.check.id, self.key) }
    }

    /// 0 for the result that tells of trouble, 1 for the other.
    pub fn result(&self, name: &str) -> Option<usize> {
        self.check.results.iter().position(|result| result == name)
    }

    /// The chance of the first result when these faults are there: noisy-OR again.
    fn chance(&self, work: &Work, world: &World) -> f64 {
        let not = world.faults().fold(1.0 - self.check.leak, |not, fault| {
            not * (1.0 - self.sees(work, work.variants[fault].candidate))
        });
        1.0 - not
    }

    /// The chance of the first result by one candidate alone.
    fn sees(&self, work: &Work, candidate: usize) -> f64 {
        let about = &work.candidates[candidate];
        let here = about.key.is_empty() || self.key.is_empty() || about.key == self.key;
        let given = self.check.given.iter().find(|(cause, _)| *cause == about.cause);
        given.filter(|_| here).map_or(0.0, |(_, p)| *p)
    }
}

/// Every check at every place of this roof.
pub(crate) fn instances<'a>(work: &Work<'a>) -> Vec<Instance<'a>> {
    let at = |check: &'a Check| {
        candidates::seats(check.scope, work.profile).into_iter().map(move |seat| Instance {
            check,
            key: seat.key,
            label: seat.label,
        })
    };
    work.table.checks.iter().flat_map(at).collect()
}

/// Takes a result into the worlds' probabilities.
pub(crate) fn condition(work: &Work, worlds: &mut [World], check: &Instance, first: bool) {
    for world in worlds.iter_mut() {
        let chance = check.chance(work, world);
        world.weight *= if first { chance } else { 1.0 - chance };
    }
    normalise(worlds);
}

/// The check that tells most per minute, among those not done yet that bear on a cause that is told.
pub(crate) fn choose(work: &Work, worlds: &[World], checks: &[Instance], done: &[&str]) -> Option<NextCheck> {
    let mut likely: Vec<World> = worlds.iter().copied().filter(|w| w.weight > SWAYS).collect();
    normalise(&mut likely);
    let told = |check: &Instance| {
        let (mut all, mut known) = (0.0, 0.0);
        for world in &likely {
            let chance = check.chance(work, world);
            all += world.weight * chance;
            known += world.weight * entropy(chance);
        }
        (entropy(all) - known).max(0.0)
    };
    // What nobody was told of is not looked for before what was.
    let marginals = work.marginals(&likely);
    let bears = |check: &&Instance| {
        (0..marginals.len()).any(|n| marginals[n] >= FOUND && check.sees(work, n) > check.check.leak)
    };
    let open: Vec<(&Instance, f64)> = checks
        .iter()
        .filter(bears)
        .filter(|check| !done.contains(&check.key().as_str()))
        .map(|check| (check, told(check)))
        .collect();
    let per_minute = |much: f64, of: &Instance| much / of.check.minutes;
    let best = open
        .iter()
        .filter(|(_, bits)| *bits >= WORTH_IT)
        .max_by(|a, b| per_minute(a.1, a.0).total_cmp(&per_minute(b.1, b.0)));
    // Where next to nothing is open, what is left is to see the likeliest cause with one's own eyes.
    let confirming = || {
        let top = (0..marginals.len()).max_by(|a, b| marginals[*a].total_cmp(&marginals[*b]))?;
        let sees = |check: &Instance| per_minute(check.sees(work, top) - check.check.leak, check);
        open.iter().filter(|c| sees(c.0) > 0.0).max_by(|a, b| sees(a.0).total_cmp(&sees(b.0)))
    };
    let (instance, bits) = *best.or_else(confirming)?;
    let outcomes = [true, false].map(|first| {
        let mut then = likely.clone();
        let chance: f64 = then.iter().map(|w| w.weight * instance.chance(work, w)).sum();
        condition(work, &mut then, instance, first);
        let marginals = work.marginals(&then);
        let mut order: Vec<usize> = (0..marginals.len()).collect();
        order.sort_by(|a, b| marginals[*b].total_cmp(&marginals[*a]));
        let likeliest = order
            .into_iter()
            .filter(|n| marginals[*n] >= 0.01)
            .filter(|n| explain::told(work, &then, *n, marginals[*n]).is_some())
            .take(3)
            .map(|n| {
                let about = &work.candidates[n];
                (work.table.causes[about.cause].name.clone(), about.label.clone(), marginals[n])
            })
            .collect();
        IfResult {
            result: instance.check.results[usize::from(!first)].clone(),
            chance: if first { chance } else { 1.0 - chance },
            then: likeliest,
        }
    });
    Some(NextCheck {
        check: instance.key(),
        does: instance.check.does.replace("{at}", &instance.label),
        minutes: instance.check.minutes,
        hazard: instance.check.hazard.as_str(),
        caution: instance.check.caution.clone(),
        bits,
        outcomes: outcomes.to_vec(),
    })
}

/// Entropy of a yes-or-no, in bits.
fn entropy(p: f64) -> f64 {
    let part = |p: f64| if p > 0.0 { -p * p.log2() } else { 0.0 };
    part(p) + part(1.0 - p)
}
