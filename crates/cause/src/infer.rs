//! From evidence to probabilities: noisy-OR over up to two faults at once, by exact enumeration.
//!
//! A sign shows in no, few, some or nearly all of the cycles that could show it. Each cause that is there makes a class of
//! frequency by itself, so does the leak (whatever the table does not know), and the highest of them shows: noisy-MAX,
//! the graded form of noisy-OR (J. Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, 4.3.2; M. Henrion 1989).
//! P(class <= c | causes) is the product over the causes present, as in the noisy-OR.
//!
//! How many of the cycles then show it is beta-binomial about the class's rate. So forty cycles with the same finding are
//! one matter that shows in every cycle, not forty witnesses; and a sign that was looked for once and not seen says
//! little, forty times much, never nothing. Likewise eight slow steps are not eight witnesses: a sign at n places that
//! belong together counts with the weight of one over the square root of n at each (a composite likelihood; a judgment between
//! one matter and n).

use crate::candidates::Variant;

/// Rates of the classes seldom, some, every. Judgment.
const RATES: [f64; 3] = [0.1, 0.45, 0.93];
/// The class never: a rate that is 0 but for a mistake now and then (beta distribution's parameters, 0.2 % in the mean).
const NEVER: (f64, f64) = (0.1, 50.0);
/// How tightly rates keep to their class: the sum of the beta distribution's parameters. Judgment.
const TIGHT: f64 = 5.0;

/// A fault whose odds are below this (ln) changes nothing where it comes on top of another one: one in nine million.
const NEXT_TO_NOTHING: f64 = -16.0;

/// What was counted at one sign's place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Counted {
    /// The chance of it for each class of frequency, against the highest of them.
    pub of_class: [f64; 4],
    /// ln of the highest.
    pub ln_highest: f64,
}

/// For one sign's place: the chance of what was counted, for each class of frequency.
pub(crate) fn counted(looked: u32, seen: u32) -> Counted {
    let (n, k) = (f64::from(looked), f64::from(seen.min(looked)));
    // Without the binomial coefficient: the chance of the very order in which they came, so that a log can be cut in two.
    let ln = |(a, b): (f64, f64)| ln_beta(a + k, b + n - k) - ln_beta(a, b);
    let class = |rate: f64| ln((TIGHT * rate, TIGHT * (1.0 - rate)));
    let all = [ln(NEVER), class(RATES[0]), class(RATES[1]), class(RATES[2])];
    // Long logs make them too small for a number.
    let ln_highest = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Counted { of_class: all.map(|ln| (ln - ln_highest).exp()), ln_highest }
}

/// ln of a sum, of which the terms' ln are given.
pub(crate) fn ln_sum(terms: &[f64]) -> f64 {
    let highest = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if highest.is_finite() {
        highest + terms.iter().map(|ln| (ln - highest).exp()).sum::<f64>().ln()
    } else {
        highest
    }
}

fn ln_beta(a: f64, b: f64) -> f64 {
    use statrs::function::gamma::ln_gamma;
    ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b)
}

/// The chance of what was counted, given the chances of at most each class.
pub(crate) fn likelihood(counted: &Counted, at_most: &[f64; 3]) -> f64 {
    let of = &counted.of_class;
    of[3] + (0..3).map(|c| at_most[c] * (of[c] - of[c + 1])).sum::<f64>()
}

fn both(a: &[f64; 3], b: &[f64; 3]) -> [f64; 3] {
    [a[0] * b[0], a[1] * b[1], a[2] * b[2]]
}

/// A set of at most two ways in which something can be wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct World {
    /// Places in the list of variants; none is a sound roof.
    pub faults: [Option<usize>; 2],
    /// Its probability, once [`normalise`]d.
    pub weight: f64,
}

impl World {
    /// The variants that are so.
    pub fn faults(&self) -> impl Iterator<Item = usize> + use<> {
        self.faults.into_iter().flatten()
    }
}

/// What the inference works on.
pub(crate) struct Model<'a> {
    pub variants: &'a [Variant],
    /// For each variant: prior odds against its not being there.
    pub odds: Vec<f64>,
    /// For each sign's place: chances of at most each class by leak.
    pub leak: &'a [[f64; 3]],
    /// For each sign's place.
    pub counted: &'a [Counted],
    /// For each sign's place: [`ln_likelihood`] of what was counted, by leak alone.
    pub ln_leak: &'a [f64],
    /// For each sign's place: how much of a witness of its own it is, from 0 to 1.
    pub weight: &'a [f64],
    /// What else speaks for a sound roof (ln).
    pub ln_sound: f64,
}

impl Model<'_> {
    /// How a variant alone changes the chance of what was seen at one place (ln).
    pub fn ln_factor(&self, spot: usize, at_most: &[f64; 3]) -> f64 {
        let alone = both(&self.leak[spot], at_most);
        self.weight[spot] * (ln_likelihood(&self.counted[spot], &alone) - self.ln_leak[spot])
    }

    /// The chance of all that was counted, on a sound roof (ln).
    pub fn ln_without(&self) -> f64 {
        let of = |(spot, counted): (usize, &Counted)| {
            self.weight[spot] * (counted.ln_highest + self.ln_leak[spot])
        };
        self.counted.iter().enumerate().map(of).sum()
    }

    /// For each variant, by each sign's place that it changes: how it alone changes the chance of what was seen (ln).
    fn alone(&self) -> Vec<Vec<f64>> {
        let of =
            |variant: &Variant| variant.effects.iter().map(|(spot, p)| self.ln_factor(*spot, p)).collect();
        self.variants.iter().map(of).collect()
    }

    /// For each variant: its odds against a sound roof (ln), given what was seen.
    fn single(&self, alone: &[Vec<f64>]) -> Vec<f64> {
        let each = alone.iter().zip(&self.odds);
        each.map(|(factors, odds)| odds.ln() + factors.iter().sum::<f64>()).collect()
    }

    /// The odds of one fault, whichever it is, against a sound roof (ln), given what was seen.
    pub fn ln_any(&self) -> f64 {
        ln_sum(&self.single(&self.alone()))
    }

    /// Every set of at most two faults with its probability.
    pub fn worlds(&self) -> Vec<World> {
        let alone = self.alone();
        let single = self.single(&alone);
        let mut out = vec![(World { faults: [None; 2], weight: 0.0 }, self.ln_sound)];
        let counts = |n: usize| single[n] > NEXT_TO_NOTHING;
        for n in 0..self.variants.len() {
            out.push((World { faults: [Some(n), None], weight: 0.0 }, single[n]));
            for m in (n + 1..self.variants.len()).filter(|m| counts(n) && counts(*m)) {
                if self.variants[n].candidate != self.variants[m].candidate {
                    let ln = single[n] + single[m] + self.overlap((n, &alone[n]), (m, &alone[m]));
                    out.push((World { faults: [Some(n), Some(m)], weight: 0.0 }, ln));
                }
            }
        }
        let highest = out.iter().map(|(_, ln)| *ln).fold(f64::NEG_INFINITY, f64::max);
        let mut worlds: Vec<World> =
            out.into_iter().map(|(world, ln)| World { weight: (ln - highest).exp(), ..world }).collect();
        normalise(&mut worlds);
        worlds
    }

    /// What two variants together make of the signs that both change, against each by itself (ln).
    fn overlap(&self, (n, alone_n): (usize, &[f64]), (m, alone_m): (usize, &[f64])) -> f64 {
        let (a, b) = (&self.variants[n].effects, &self.variants[m].effects);
        let (mut i, mut j, mut ln) = (0, 0, 0.0);
        while let (Some((spot, p)), Some((other, q))) = (a.get(i), b.get(j)) {
            match spot.cmp(other) {
                std::cmp::Ordering::Less => i += 1,
                std::cmp::Ordering::Greater => j += 1,
                std::cmp::Ordering::Equal => {
                    ln += self.ln_factor(*spot, &both(p, q)) - alone_n[i] - alone_m[j];
                    i += 1;
                    j += 1;
                }
            }
        }
        ln
    }
}

/// ln of it. No evidence is impossible: a chance of 0 in the table means that it was never thought of.
pub(crate) fn ln_likelihood(counted: &Counted, at_most: &[f64; 3]) -> f64 {
    likelihood(counted, at_most).max(1e-12).ln()
}

/// Makes the weights probabilities.
pub(crate) fn normalise(worlds: &mut [World]) {
    let sum: f64 = worlds.iter().map(|w| w.weight).sum();
    if sum > 0.0 {
        worlds.iter_mut().for_each(|w| w.weight /= sum);
    }
}
