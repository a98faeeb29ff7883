//! Since when: what sets in within a log shows in the cycles from then on only, and counted over all of them it would be
//! "in some", as nothing is that shows in every cycle.
//!
//! A fault is there from before the log on, or it sets in before one of its cycles, and the roof is sound until then. Each of
//! these is weighed by the chance of all that was seen before it, on a sound roof, and from it on, with any one fault: the
//! change-point model of A. F. M. Smith, A Bayesian approach to inference about a change-point in a sequence of random
//! variables, Biometrika 62 (1975) 407. The likeliest one is told, and the causes are ranked by the cycles from it on; that
//! the roof is sound is held against all of them together, so that looking at many beginnings makes no fault likelier.

use crate::diagnosis::Work;
use crate::evidence::{Evidence, Tally};
use crate::infer::ln_sum;

/// The chance that a fault was there before the log began: most loggers are fitted for it. Judgment.
const BEFORE_THE_LOG: f64 = 0.8;
/// So many cycles there have to be before and after it, or nothing can be told of them. Judgment.
const FEWEST_BEFORE: u32 = 3;
const FEWEST_AFTER: u32 = 4;

/// When a fault set in, if there is one.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Since {
    /// Cycles of the log before it.
    pub before: u32,
    /// What the cycles from it on showed.
    pub tally: Tally,
    /// How much less likely a sound roof is (ln) than by the cycles from it on alone, with everything weighed.
    pub ln_sound: f64,
}

/// The likeliest beginning. `work` knows how much of a witness each sign's place is over the `whole`.
pub(crate) fn when(evidence: &Evidence, whole: Tally, work: &mut Work) -> Since {
    // What lies near its lower limit passes it one day or another: a trace ranks causes, and tells of no beginning.
    work.leave_out_traces();
    let model = work.given(&whole);
    let (sound, fault) = (model.ln_without(), model.ln_any());
    let last = evidence.cycles().saturating_sub(FEWEST_AFTER);
    let splits: Vec<u32> = evidence.splits().filter(|n| (FEWEST_BEFORE..=last).contains(n)).collect();
    let each = ((1.0 - BEFORE_THE_LOG) / splits.len().max(1) as f64).ln();
    // With a fault since then: ln of the chance of everything. Of the best: since when, by what, and ln of the fault's odds by
    // that stretch alone.
    let mut all = vec![BEFORE_THE_LOG.ln() + sound + fault];
    let (mut most, mut best) = (all[0], (0, whole, fault));
    for before in splits {
        let (first, then) = evidence.split(before);
        let unharmed = work.given(&first).ln_without();
        let model = work.given(&then);
        let fault = model.ln_any();
        let chance = each + unharmed + model.ln_without() + fault;
        all.push(chance);
        if chance > most {
            (most, best) = (chance, (before, then, fault));
        }
    }
    let (before, tally, fault) = best;
    // Sound to faulty is as `sound` to the sum; the best stretch alone would have it as 1 to its odds.
    Since { before, tally, ln_sound: sound - ln_sum(&all) + fault }
}
