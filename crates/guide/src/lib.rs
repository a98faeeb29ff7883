//! Commissioning and guided tests: what to do next, and what the signals say of it.
//!
//! In: the items of one car as they come, what its logger says of itself, the measures of a movement that is over, and
//! the presses of a person. Out: the step that is due with its caution, what is seen at the moment, and an [`Answer`] for
//! each step; at the end a [`Record`] to be kept with the car. Not here: ports, pages, clocks; nothing is driven.
//!
//! To add a test: its line in [`Kind`], its steps in `steps.rs`, its words in `words.rs`, and a file in `watch/` if
//! none of those there watches what it needs.

mod answer;
mod kind;
mod steps;
mod watch;
mod words;

use std::sync::Arc;

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_samples::Item;
use foldwatch_units::Micros;

pub use answer::{Answer, Grade, Record};
pub use kind::Kind;
pub use watch::{LoggerFacts, Stiffness};

use steps::Step;

/// What a person says that no signal tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Press {
    /// Nothing happened, or nothing more will.
    DidNot,
    /// It happened the wrong way round.
    WrongWay,
    /// This step is left out.
    Skip,
    /// The step before once more.
    Again,
}

impl Press {
    /// The word in addresses and forms.
    pub fn as_str(self) -> &'static str {
        match self {
            Press::DidNot => "did-not",
            Press::WrongWay => "wrong-way",
            Press::Skip => "skip",
            Press::Again => "again",
        }
    }

    /// The other way round.
    pub fn of(word: &str) -> Option<Press> {
        [Press::DidNot, Press::WrongWay, Press::Skip, Press::Again].into_iter().find(|p| p.as_str() == word)
    }
}

/// What the signals are just now.
pub(crate) struct Seen<'a> {
    pub profile: &'a Profile,
    /// The last value of each signal; NaN: none yet.
    pub values: &'a [f32],
    pub now: Micros,
}

impl Seen<'_> {
    pub fn value(&self, ix: SignalIx) -> Option<f64> {
        self.values.get(ix.at()).copied().filter(|v| !v.is_nan()).map(f64::from)
    }

    pub fn is_on(&self, ix: SignalIx) -> Option<bool> {
        self.value(ix).map(|v| v >= 0.5)
    }

    pub fn label(&self, ix: SignalIx) -> &str {
        &self.profile.signal(ix).label
    }
}

/// One commissioning or test of one car, from its first step to its record.
pub struct Guide {
    kind: Kind,
    profile: Arc<Profile>,
    values: Vec<f32>,
    now: Option<Micros>,
    steps: Vec<Step>,
    at: usize,
}

impl Guide {
    /// Begins one.
    ///
    /// # Errors
    /// In words, where this car's roof does not record what it needs.
    pub fn new(kind: Kind, profile: Arc<Profile>) -> Result<Guide, String> {
        let steps = steps::of(kind, &profile)?;
        Ok(Guide { kind, values: vec![f32::NAN; profile.signals.len()], now: None, steps, at: 0, profile })
    }

    /// Goes on with one whose first steps were answered before: the step that was due begins anew.
    ///
    /// # Errors
    /// In words, where this roof does not have these steps (any more).
    pub fn resume(kind: Kind, profile: Arc<Profile>, answered: &[(String, Answer)]) -> Result<Guide, String> {
        let mut guide = Guide::new(kind, profile)?;
        let fits = guide.steps.len() >= answered.len()
            && guide.steps.iter().zip(answered).all(|(step, (name, _))| step.name == *name);
        if !fits {
            return Err(words::OTHER_STEPS.to_owned());
        }
        for (_, answer) in answered {
            guide.answer(answer.clone());
        }
        Ok(guide)
    }

    /// What it is.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// Takes one item of the car. Items come in order of time.
    pub fn item(&mut self, item: &Item<'_>) {
        match *item {
            Item::Row { at, values } => {
                for (kept, value) in self.values.iter_mut().zip(values) {
                    if !value.is_nan() {
                        *kept = *value;
                    }
                }
                self.now = Some(at);
            }
            Item::Edge { at, signal, on } => {
                if let Some(kept) = self.values.get_mut(signal.at()) {
                    *kept = f32::from(u8::from(on));
                }
                self.now = Some(at);
            }
            Item::Same { at } => self.now = Some(at),
            Item::Mark { .. } => return,
            Item::Gap { .. } => {
                // What lies behind a gap is not what went before.
                if let Some(step) = self.steps.get_mut(self.at) {
                    step.watch.begin();
                }
                return;
            }
        }
        self.look(|watch, seen| watch.look(seen));
    }

    /// Takes what the logger says of itself.
    pub fn logger(&mut self, facts: &LoggerFacts) {
        self.look(|watch, seen| watch.logger(facts, seen));
    }

    /// Takes what a movement that is over gave.
    pub fn movement(&mut self, stiffness: &[Stiffness]) {
        self.look(|watch, seen| watch.movement(stiffness, seen));
    }

    /// Takes what a person says.
    pub fn press(&mut self, press: Press) {
        match press {
            Press::Again => {
                // The step that is due anew if it has not been answered; else the one before.
                self.at = self.at.saturating_sub(1);
                if let Some(step) = self.steps.get_mut(self.at) {
                    step.answer = None;
                    step.watch.begin();
                }
            }
            Press::Skip => self.answer(Answer::new(Grade::Skipped, words::SKIPPED)),
            Press::DidNot => self.look(|watch, seen| Some(watch.did_not(seen))),
            Press::WrongWay => self.look(|watch, seen| Some(watch.wrong_way(seen))),
        }
    }

    fn look(&mut self, ask: impl FnOnce(&mut dyn watch::Watch, &Seen<'_>) -> Option<Answer>) {
        let seen = Seen { profile: &self.profile, values: &self.values, now: self.now.unwrap_or(Micros(0)) };
        let answer = self.steps.get_mut(self.at).and_then(|step| ask(&mut *step.watch, &seen));
        if let Some(answer) = answer {
            self.answer(answer);
        }
    }

    fn answer(&mut self, answer: Answer) {
        if let Some(step) = self.steps.get_mut(self.at) {
            step.answer = Some(answer);
            self.at += 1;
        }
    }

    /// The steps, with the answers so far.
    pub fn steps(&self) -> impl Iterator<Item = (&str, Option<&Answer>)> {
        self.steps.iter().map(|step| (step.name.as_str(), step.answer.as_ref()))
    }

    /// Which step is due, from 0; their number when all are answered.
    pub fn at(&self) -> usize {
        self.at
    }

    /// Every step is answered.
    pub fn is_over(&self) -> bool {
        self.at >= self.steps.len()
    }

    /// What to do in the step that is due; `None`: there is none.
    pub fn does(&self) -> Option<&str> {
        self.steps.get(self.at).map(|step| step.does.as_str())
    }

    /// What can hurt in it; empty: nothing.
    pub fn caution(&self) -> &'static str {
        self.steps.get(self.at).map_or("", |step| step.caution)
    }

    /// The presses that make sense in it.
    pub fn presses(&self) -> &'static [Press] {
        self.steps.get(self.at).map_or(&[], |step| step.presses)
    }

    /// What is seen just now.
    pub fn says(&self) -> String {
        match (self.steps.get(self.at), self.now) {
            (None, _) => words::OVER.to_owned(),
            (Some(step), None) if !step.watch.needs_no_samples() => words::NOT_HEARD.to_owned(),
            (Some(step), now) => {
                let now = now.unwrap_or(Micros(0));
                step.watch.says(&Seen { profile: &self.profile, values: &self.values, now })
            }
        }
    }

    /// What is kept with the car.
    pub fn record(&self) -> Record {
        Record::of(self.kind, self.steps())
    }
}
