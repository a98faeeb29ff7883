//! Evidence and results of checks to ranked causes and the next check.

use std::collections::HashMap;

use foldwatch_profile::{Profile, SignalKind};

use crate::SIGNS;
use crate::candidates::{self, Candidate, Spot, Variant};
use crate::evidence::{Counts, Evidence, Tally};
use crate::infer::{self, Counted, Model, World};
use crate::place::Place;
use crate::results::Entered;
use crate::since;
use crate::table::{Table, Unrecorded};
use crate::{explain, next};

/// Below this probability a cause is not told.
const TOLD: f64 = 0.005;
/// When no cause reaches this, nothing was found, and nothing needs to be looked at.
pub const FOUND: f64 = 0.1;

/// Why, and what to look at next.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Diagnosis {
    /// The causes, the likeliest first; those below 0.005 are left out, and below [`FOUND`] those for which nothing speaks. Two
    /// can be so at once, so they need not add up to 1.
    pub causes: Vec<Ranked>,
    /// The chance that none of the causes of the table is there.
    pub none: f64,
    /// The check that tells most per minute; `None` where nothing was found, or nothing is left to look at.
    pub next: Option<NextCheck>,
    /// When it set in, if that was within the log: the causes are those of the cycles since.
    pub set_in: Option<SetIn>,
    /// What was seen and the likeliest explanation does not explain.
    pub unexplained: Vec<String>,
    /// Entered results that fit neither table nor roof any more.
    pub unused: Vec<Entered>,
}

/// That something set in within a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SetIn {
    /// Cycles before it, in which the roof was as it should be.
    pub after: u32,
    /// Cycles of the whole log.
    pub of: u32,
}

impl Diagnosis {
    /// No cause is likely enough to speak of.
    pub fn is_nothing(&self) -> bool {
        self.causes.first().is_none_or(|cause| cause.probability < FOUND)
    }
}

/// One cause at one place, with its probability.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// Its name in the table.
    pub cause: String,
    /// Its name for people.
    pub name: String,
    /// Where it sits, for people; empty for the whole roof.
    pub label: String,
    /// Where it sits, for files: `opening/Raise lid`, a signal's or cylinder's id; empty for the whole roof.
    pub at: String,
    /// Its step or signal, where it sits at one.
    pub place: Place,
    /// Given all that was seen and entered.
    pub probability: f64,
    /// What speaks for it, the strongest first.
    pub supports: Vec<String>,
    /// What speaks against it, the strongest first.
    pub against: Vec<String>,
}

/// The check to do next.
#[derive(Debug, Clone, PartialEq)]
pub struct NextCheck {
    /// Its name in the table, and its place: `switch-place:lid_open`.
    pub check: String,
    /// What to do.
    pub does: String,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// What can hurt: `none`, `pressure`, `moving-roof`, `electric`.
    pub hazard: &'static str,
    /// What to heed; empty where there is no hazard.
    pub caution: String,
    /// Information expected of it, in bits.
    pub bits: f64,
    /// What each result would do.
    pub outcomes: Vec<IfResult>,
}

/// What a result would do to the ranking.
#[derive(Debug, Clone, PartialEq)]
pub struct IfResult {
    /// The result.
    pub result: String,
    /// How likely it is.
    pub chance: f64,
    /// The likeliest causes then: name, place for people, probability.
    pub then: Vec<(String, String, f64)>,
}

/// All that the inference of one diagnosis is made of.
pub(crate) struct Work<'a> {
    pub table: &'a Table,
    pub profile: &'a Profile,
    pub candidates: Vec<Candidate>,
    pub variants: Vec<Variant>,
    pub spots: Vec<Spot>,
    pub leak: Vec<[f64; 3]>,
    /// Of the cycles since the fault set in.
    pub counts: Vec<Counts>,
    pub counted: Vec<Counted>,
    pub ln_leak: Vec<f64>,
    pub weight: Vec<f64>,
    /// For each sign's place, where it stands in the evidence.
    names: Vec<Option<usize>>,
    /// What else speaks for a sound roof (ln).
    pub ln_sound: f64,
}

impl<'a> Work<'a> {
    fn new(table: &'a Table, profile: &'a Profile, evidence: &Evidence, whole: &Tally) -> Self {
        let candidates = candidates::candidates(table, profile);
        let spots = candidates::spots(profile);
        let names = evidence.names(profile, spots.iter().map(|spot| (SIGNS[spot.sign].id, spot.place)));
        let is_pump =
            |place: Place| place.signal.is_some_and(|ix| profile.signal(ix).kind == SignalKind::Pump);
        let recorded = |what| {
            spots.iter().zip(&names).any(|(spot, name)| {
                let sign = SIGNS[spot.sign].id;
                let tells = match what {
                    Unrecorded::Supply => sign == "low-supply",
                    Unrecorded::PumpCommand => sign == "dropout" && is_pump(spot.place),
                };
                tells && whole.counts(sign, *name).looked > 0
            })
        };
        let leak = |spot: &Spot| candidates::at_most(table.leak[spot.sign], SIGNS[spot.sign].without_cause());
        Work {
            variants: candidates::variants(table, profile, &candidates, &spots, recorded),
            leak: spots.iter().map(leak).collect(),
            counts: Vec::new(),
            counted: Vec::new(),
            ln_leak: Vec::new(),
            weight: Vec::new(),
            names,
            ln_sound: 0.0,
            table,
            profile,
            candidates,
            spots,
        }
    }

    /// Takes in what a stretch of the log showed.
    fn count(&mut self, stretch: &Tally) {
        let spots = self.spots.iter().zip(&self.names);
        self.counts = spots.map(|(spot, name)| stretch.counts(SIGNS[spot.sign].id, *name)).collect();
        // Few numbers come up, and each takes a dozen gamma functions.
        let mut known: HashMap<(u32, u32), Counted> = HashMap::new();
        let counted =
            |c: &Counts| *known.entry((c.looked, c.seen)).or_insert_with(|| infer::counted(c.looked, c.seen));
        self.counted = self.counts.iter().map(counted).collect();
        let ln = |(counted, leak): (&Counted, &[f64; 3])| infer::ln_likelihood(counted, leak);
        self.ln_leak = self.counted.iter().zip(&self.leak).map(ln).collect();
    }

    /// Takes in a stretch of the log, and how much of a witness each place is in it.
    fn look_at(&mut self, stretch: &Tally) {
        self.count(stretch);
        self.weight = weights(&self.spots, &self.counts);
    }

    /// Until the next look, traces are no witnesses.
    pub fn leave_out_traces(&mut self) {
        for (spot, weight) in self.spots.iter().zip(&mut self.weight) {
            if !SIGNS[spot.sign].wants_a_cause() {
                *weight = 0.0;
            }
        }
    }

    /// What a stretch of the log makes of the causes, the places being witnesses as before.
    pub fn given(&mut self, stretch: &Tally) -> Model<'_> {
        self.count(stretch);
        self.model()
    }

    pub fn model(&self) -> Model<'_> {
        let odds = |variant: &Variant| {
            let prior = self.candidates[variant.candidate].prior;
            prior * variant.share / (1.0 - prior)
        };
        Model {
            variants: &self.variants,
            odds: self.variants.iter().map(odds).collect(),
            leak: &self.leak,
            counted: &self.counted,
            ln_leak: &self.ln_leak,
            weight: &self.weight,
            ln_sound: self.ln_sound,
        }
    }

    /// The probability of each candidate.
    pub fn marginals(&self, worlds: &[World]) -> Vec<f64> {
        let mut out = vec![0.0; self.candidates.len()];
        for world in worlds {
            for fault in world.faults() {
                out[self.variants[fault].candidate] += world.weight;
            }
        }
        out.iter_mut().for_each(|p| *p = p.clamp(0.0, 1.0));
        out
    }
}

/// How much of a witness of its own each sign's place is. Places that show the same sign in one log are not independent,
/// nor are those that don't: a switch that is asked for in several steps, a mechanism that goes there and back.
fn weights(spots: &[Spot], counts: &[Counts]) -> Vec<f64> {
    let alike = |a: usize, b: usize| match (counts[a].seen > 0, counts[b].seen > 0) {
        (true, true) => true,
        (false, false) => spots[a].place.signal.is_some() && spots[a].place.signal == spots[b].place.signal,
        _ => false,
    };
    (0..spots.len())
        .map(|n| {
            let same = (0..spots.len()).filter(|m| spots[*m].sign == spots[n].sign && alike(n, *m)).count();
            let there_and_back =
                counts[n].seen == 0 && SIGNS[spots[n].sign].at == crate::place::At::Step && same == 0;
            let same = if there_and_back { 2 } else { same.max(1) };
            1.0 / (same as f64).sqrt()
        })
        .collect()
}

/// Ranks the causes by all that a log showed, and by what was looked at since.
///
/// ```
/// use foldwatch_cause::{Evidence, Table, diagnose};
/// let profile = foldwatch_profile::parse(include_str!("../../../config/profiles/hardtop-five.toml")).unwrap().profile;
/// // Nothing seen yet: nothing found.
/// let diagnosis = diagnose(&Table::shipped(), &profile, &Evidence::default(), &[]);
/// assert!(diagnosis.is_nothing() && diagnosis.next.is_none());
/// ```
pub fn diagnose(table: &Table, profile: &Profile, evidence: &Evidence, results: &[Entered]) -> Diagnosis {
    let whole = evidence.whole();
    let mut work = Work::new(table, profile, evidence, &whole);
    work.look_at(&whole);
    let since = since::when(evidence, whole, &mut work);
    work.look_at(&since.tally);
    work.ln_sound = since.ln_sound;
    let mut worlds = work.model().worlds();
    let checks = next::instances(&work);
    let mut unused = Vec::new();
    for result in results {
        match checks.iter().find(|check| check.key() == result.check) {
            Some(check) if check.result(&result.result).is_some() => {
                let first = check.result(&result.result) == Some(0);
                next::condition(&work, &mut worlds, check, first);
            }
            _ => unused.push(result.clone()),
        }
    }
    let marginals = work.marginals(&worlds);
    let mut order: Vec<usize> = (0..marginals.len()).filter(|n| marginals[*n] >= TOLD).collect();
    order.sort_by(|a, b| marginals[*b].total_cmp(&marginals[*a]));
    let causes: Vec<Ranked> = order
        .into_iter()
        .filter_map(|n| {
            let about = &work.candidates[n];
            let cause = &table.causes[about.cause];
            let (supports, against) = explain::told(&work, &worlds, n, marginals[n])?;
            Some(Ranked {
                cause: cause.id.clone(),
                name: cause.name.clone(),
                label: about.label.clone(),
                at: about.key.clone(),
                place: about.place,
                probability: marginals[n],
                supports,
                against,
            })
        })
        .collect();
    let none = worlds.iter().filter(|w| w.faults().next().is_none()).map(|w| w.weight).sum();
    let mut diagnosis = Diagnosis { causes, none, unused, ..Diagnosis::default() };
    if !diagnosis.is_nothing() {
        diagnosis.set_in = (since.before > 0).then(|| SetIn { after: since.before, of: evidence.cycles() });
        let done: Vec<&str> = results.iter().map(|r| r.check.as_str()).collect();
        diagnosis.next = next::choose(&work, &worlds, &checks, &done);
        diagnosis.unexplained = explain::unexplained(&work, &worlds);
    }
    diagnosis
}
