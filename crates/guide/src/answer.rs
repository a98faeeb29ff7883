//! What a step gave, and the whole of it.

use crate::{Kind, words};

/// How a step went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// As it should be.
    Passed,
    /// Left out, or nothing to be seen.
    Skipped,
    /// Usable, but worth knowing.
    Remark,
    /// Not as it should be.
    Failed,
}

impl Grade {
    /// One word for people and files.
    pub fn as_str(self) -> &'static str {
        match self {
            Grade::Passed => "passed",
            Grade::Skipped => "left-out",
            Grade::Remark => "remark",
            Grade::Failed => "failed",
        }
    }

    /// The other way round.
    pub fn of(word: &str) -> Option<Grade> {
        [Grade::Passed, Grade::Skipped, Grade::Remark, Grade::Failed].into_iter().find(|g| g.as_str() == word)
    }
}

/// What a step gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// How it went.
    pub grade: Grade,
    /// In a sentence, with the numbers and their units.
    pub says: String,
}

impl Answer {
    /// From its parts.
    pub fn new(grade: Grade, says: impl Into<String>) -> Answer {
        Answer { grade, says: says.into() }
    }
}

/// What is kept with the car: an entry of its service record.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Which test: `hold-test`.
    pub subject: &'static str,
    /// `passed`, `passed-with-remarks`, `failed` or `broken-off`.
    pub result: &'static str,
    /// A line a step: its name, how it went, what was seen.
    pub text: String,
}

impl Record {
    /// Of the steps' names and answers.
    pub fn of<'a>(kind: Kind, steps: impl Iterator<Item = (&'a str, Option<&'a Answer>)>) -> Record {
        let mut worst = Grade::Passed;
        let (mut over, mut any) = (true, false);
        let mut lines = Vec::new();
        for (name, answer) in steps {
            match answer {
                Some(answer) => {
                    worst = worst.max(answer.grade);
                    any |= answer.grade != Grade::Skipped;
                    lines.push(words::line(name, answer));
                }
                None => over = false,
            }
        }
        let result = match (worst, over) {
            (Grade::Failed, _) => "failed",
            (_, false) => "broken-off",
            // Nothing was looked at.
            _ if !any => "broken-off",
            (Grade::Passed, _) => "passed",
            _ => "passed-with-remarks",
        };
        Record { subject: kind.as_str(), result, text: lines.join("\n") }
    }
}
