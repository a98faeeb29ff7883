//! The shape of a diagnosis in JSON, and in words.

use std::fmt::Write;

use foldwatch_cause as cause;
use foldwatch_profile::Profile;
use serde::{Deserialize, Serialize};

/// One cause, with what speaks for and against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Cause {
    /// Its plain name: `worn-pump`.
    pub cause: String,
    /// Its name for people, with its place.
    pub name: String,
    /// The step that it sits in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// The direction of that step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<String>,
    /// The switch, valve or sensor that it sits at, by its id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signal: Option<String>,
    /// The cylinder that it sits at, by its id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cylinder: Option<String>,
    /// From 0 to 1. Two causes can be so at once: the probabilities need not add up to 1.
    pub probability: f64,
    /// What speaks for it, the strongest first.
    #[serde(rename = "for")]
    pub supports: Vec<String>,
    /// What speaks against it, the strongest first.
    pub against: Vec<String>,
}

/// The check that tells most per minute.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct NextCheck {
    /// Its name, with its place: `switch-place:lid_open`.
    pub check: String,
    /// What to do.
    pub does: String,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// What can hurt: `none`, `pressure`, `moving-roof` or `electric`.
    pub hazard: String,
    /// What to heed.
    pub caution: String,
    /// Information expected of it, in bits.
    pub bits: f64,
    /// What each result would do.
    pub results: Vec<IfResult>,
}

/// What a result would do to the ranking.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct IfResult {
    /// The result, to be entered as `CHECK=RESULT`.
    pub result: String,
    /// How likely it is, from 0 to 1.
    pub probability: f64,
    /// The likeliest causes then.
    pub causes: Vec<IfCause>,
}

/// A cause and its probability after a result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct IfCause {
    /// Its name for people, with its place.
    pub name: String,
    /// From 0 to 1.
    pub probability: f64,
}

/// That something set in within a log.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct SetIn {
    /// Cycles before it.
    pub after: u32,
    /// Cycles of the whole log.
    pub of: u32,
}

impl SetIn {
    /// As a sentence.
    pub fn text(self) -> String {
        let SetIn { after, of } = self;
        let first = if after == 1 { "the first".to_owned() } else { format!("the first {after}") };
        let since = of.saturating_sub(after);
        format!("It set in after {first} of {of} cycles; what is counted here are the {since} since.")
    }
}

/// Causes and next check of a log.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Diagnosis {
    /// Ranked, the likeliest first; only those of at least 0.01.
    pub causes: Vec<Cause>,
    /// What to look at next; none where nothing was found.
    pub next_check: Option<NextCheck>,
    /// When it set in, if that was within the log: the causes are those of the cycles since.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_in: Option<SetIn>,
    /// What was seen and the likeliest explanation does not explain.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unexplained: Vec<String>,
    /// Results of checks that were entered and fit no check.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unused_results: Vec<String>,
}

/// A diagnosis in its JSON shape.
pub fn diagnosis(profile: &Profile, found: &cause::Diagnosis) -> Diagnosis {
    let tidy = |p: f64| (p * 1e4).round() / 1e4;
    let causes = found
        .causes
        .iter()
        .map(|c| Cause {
            cause: c.cause.clone(),
            name: named(&c.name, &c.label),
            phase: c.place.phase.map(|p| p.of(profile).name.clone()),
            direction: c.place.phase.map(|p| p.direction.to_string()),
            signal: c.place.signal.map(|ix| profile.signal(ix).id.clone()),
            cylinder: (c.place == cause::Place::ROOF && !c.at.is_empty()).then(|| c.at.clone()),
            probability: tidy(c.probability),
            supports: c.supports.clone(),
            against: c.against.clone(),
        })
        .collect();
    let next_check = found.next.as_ref().map(|next| NextCheck {
        check: next.check.clone(),
        does: next.does.clone(),
        minutes: next.minutes,
        hazard: next.hazard.to_owned(),
        caution: next.caution.clone(),
        bits: tidy(next.bits),
        results: next
            .outcomes
            .iter()
            .map(|outcome| IfResult {
                result: outcome.result.clone(),
                probability: tidy(outcome.chance),
                causes: outcome
                    .then
                    .iter()
                    .map(|(name, label, p)| IfCause { name: named(name, label), probability: tidy(*p) })
                    .collect(),
            })
            .collect(),
    });
    Diagnosis {
        causes,
        next_check,
        set_in: found.set_in.map(|cause::SetIn { after, of }| SetIn { after, of }),
        unexplained: found.unexplained.clone(),
        unused_results: found.unused.iter().map(|r| format!("{}={}", r.check, r.result)).collect(),
    }
}

fn named(name: &str, label: &str) -> String {
    if label.is_empty() { name.to_owned() } else { format!("{name}: {label}") }
}

/// So many causes are told in words.
const TOLD: usize = 3;

impl Diagnosis {
    /// Whether any cause is likely enough to speak of.
    pub fn found(&self) -> bool {
        self.causes.iter().any(|c| c.probability >= cause::FOUND)
    }

    /// The first causes and the next check, for a terminal.
    pub fn text(&self) -> String {
        let likely: Vec<&Cause> =
            self.causes.iter().filter(|c| c.probability >= cause::FOUND).take(TOLD).collect();
        if likely.is_empty() {
            return "Causes: nothing found.\n".to_owned();
        }
        let mut out = String::from("Causes, the likeliest first:\n");
        // Writing to a text can't fail.
        if let Some(set_in) = self.set_in {
            let _ = writeln!(out, "  {}", set_in.text());
        }
        for cause in likely {
            let _ = writeln!(out, "  {:3.0} %  {}", 100.0 * cause.probability, cause.name);
            for line in cause.supports.iter().take(TOLD) {
                let _ = writeln!(out, "         for: {line}");
            }
            for line in cause.against.iter().take(TOLD) {
                let _ = writeln!(out, "         against: {line}");
            }
        }
        for line in &self.unexplained {
            let _ = writeln!(out, "  Not explained by that: {line}");
        }
        if let Some(next) = &self.next_check {
            let _ = writeln!(out, "Next check ({:.0} min): {}", next.minutes, next.does);
            if !next.caution.is_empty() {
                let _ = writeln!(out, "  Caution: {}", next.caution);
            }
            for result in &next.results {
                let then: Vec<String> = result
                    .causes
                    .iter()
                    .map(|c| format!("{} {:.0} %", c.name, 100.0 * c.probability))
                    .collect();
                let _ =
                    writeln!(out, "  --result {}={}: then {}", next.check, result.result, then.join("; "));
            }
            out.push_str("  An aid to judgment: the maker's procedure and licensed practice come first.\n");
        }
        out
    }
}
