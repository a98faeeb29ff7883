//! What a map comes to once the header and the first row were seen: which column is what, and how its cells are read.

use crate::map::{GapAfter, OnRule, SignalColumn, WhenBack};
use crate::number::{Decimal, number, quick};
use crate::record::{Delimiter, decode};
use crate::report::SkipKind;
use crate::time::Clock;
use foldwatch_profile::{Level, Signal, SignalIx, SignalKind};
use foldwatch_units::Unit;
use std::borrow::Cow;

/// How the rows of one log are read.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub delimiter: Delimiter,
    pub comment: u8,
    pub clock: Clock,
    /// Place of the time column, from 0.
    pub time: usize,
    /// Place of the date column.
    pub date: Option<usize>,
    /// The cells that are read, in order of their columns.
    pub cells: Vec<Cell>,
    /// A row with fewer fields can't be read.
    pub least_fields: usize,
    /// A row with more fields is two rows.
    pub most_fields: usize,
    /// The header as it stands in the log.
    pub header: Option<Vec<u8>>,
    /// Signals of the profile.
    pub signals: usize,
    pub wrap: Option<Wrap>,
    pub dated: bool,
    pub when_back: WhenBack,
    pub gap_after: GapAfter,
}

/// A counter that begins at 0 again.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wrap {
    /// Microseconds from 0 to 0.
    pub period: i64,
    /// A smaller step back is something else.
    pub least_drop: i64,
}

/// One cell of a row that is a signal.
#[derive(Debug, Clone)]
pub(crate) struct Cell {
    /// Place of its column, from 0.
    pub column: usize,
    pub signal: SignalIx,
    /// The column's name, for messages.
    pub name: String,
    pub convert: Convert,
}

/// From a cell to the number that the engine works with.
#[derive(Debug, Clone)]
pub(crate) enum Convert {
    /// A number times `gain` plus `offset`.
    Linear { decimal: Decimal, gain: f64, offset: f64 },
    /// 1.0 or 0.0.
    State { decimal: Decimal, rule: StateRule, digit: [f32; 10] },
}

/// When a cell says on.
#[derive(Debug, Clone)]
pub(crate) enum StateRule {
    /// 0 and 1 are levels, words are states.
    Usual {
        on_when: Level,
        kind: SignalKind,
    },
    /// On if among the first; off otherwise, or only if among the second.
    Values(Vec<Value>, Option<Vec<Value>>),
    Above(f64),
    Below(f64),
}

/// A value that a map names.
#[derive(Debug, Clone)]
pub(crate) struct Value {
    text: String,
    number: Option<f64>,
}

impl Value {
    fn new(text: &str, decimal: Decimal) -> Self {
        Value { text: text.trim().to_owned(), number: number(text.trim().as_bytes(), decimal) }
    }

    fn is(&self, cell: &[u8], found: Option<f64>) -> bool {
        cell.eq_ignore_ascii_case(self.text.as_bytes()) || (found.is_some() && found == self.number)
    }
}

impl Convert {
    /// For a signal of the profile and what the map says about its column. `unit`: of the column, if any.
    pub fn new(signal: &Signal, said: Option<&SignalColumn>, unit: Option<Unit>, decimal: Decimal) -> Self {
        if signal.kind.is_binary() {
            let values =
                |list: &[String]| list.iter().map(|text| Value::new(text, decimal)).collect::<Vec<_>>();
            let rule = match said.and_then(|said| said.on.as_ref()) {
                None => StateRule::Usual { on_when: signal.on_when, kind: signal.kind },
                Some(OnRule::Values(on, off)) => {
                    StateRule::Values(values(on), off.as_ref().map(|o| values(o)))
                }
                Some(OnRule::Above(level)) => StateRule::Above(*level),
                Some(OnRule::Below(level)) => StateRule::Below(*level),
            };
            let mut digit = [f32::NAN; 10];
            for (value, place) in (b'0'..).zip(&mut digit) {
                *place = rule.state(&[value], decimal).map_or(f32::NAN, |on| f32::from(u8::from(on)));
            }
            return Convert::State { decimal, rule, digit };
        }
        // Each step is a straight line, and so is their chain: two points give it.
        let (scale, shift) = said.map_or((1.0, 0.0), |said| (said.scale, said.offset));
        let (factor, zero) = match unit {
            Some(unit) => (unit.to_working(1.0) - unit.to_working(0.0), unit.to_working(0.0)),
            None if said.is_some_and(|said| said.calibrated == Some(true)) => (1.0, 0.0),
            None => (signal.calibration.gain, signal.calibration.offset),
        };
        let (gain, offset) = (scale * factor, shift * factor + zero);
        Convert::Linear { decimal, gain, offset }
    }

    /// Reads the plain number or digit that `text` begins with and tells how long it is. `None`: look closer. The
    /// byte after it decides whether it was all of the cell.
    #[inline]
    pub fn quick(&self, text: &[u8], value: &mut f32) -> Option<usize> {
        match self {
            Convert::Linear { decimal, gain, offset } => {
                let (raw, used) = quick(text, *decimal)?;
                *value = (raw * gain + offset) as f32;
                value.is_finite().then_some(used)
            }
            Convert::State { digit, .. } => {
                *value = *digit.get(usize::from(text.first()?.wrapping_sub(b'0')))?;
                (!value.is_nan()).then_some(1)
            }
        }
    }

    /// Reads a cell, blanks and quotes taken off.
    #[inline]
    pub fn read(&self, cell: &[u8]) -> Result<f32, SkipKind> {
        match self {
            Convert::Linear { decimal, gain, offset } => match number(cell, *decimal) {
                Some(raw) => {
                    let value = (raw * gain + offset) as f32;
                    if value.is_finite() { Ok(value) } else { Err(not_finite(raw)) }
                }
                None => Err(no_number(cell)),
            },
            Convert::State { decimal, rule, digit } => {
                if let [one] = cell
                    && let Some(state) = digit.get(usize::from(one.wrapping_sub(b'0')))
                    && !state.is_nan()
                {
                    return Ok(*state);
                }
                match rule.state(cell, *decimal) {
                    Some(on) => Ok(f32::from(u8::from(on))),
                    None => Err(no_number(cell)),
                }
            }
        }
    }
}

impl StateRule {
    fn state(&self, cell: &[u8], decimal: Decimal) -> Option<bool> {
        match self {
            StateRule::Usual { on_when, kind } => {
                if let Some(level) = number(cell, decimal) {
                    return match (level == 1.0, level == 0.0) {
                        (true, _) => Some(*on_when == Level::High),
                        (_, true) => Some(*on_when == Level::Low),
                        _ => None,
                    };
                }
                match &*lower(cell) {
                    "on" | "true" | "yes" | "made" | "energised" | "energized" | "active" => Some(true),
                    "off" | "false" | "no" | "inactive" => Some(false),
                    "high" => Some(*on_when == Level::High),
                    "low" => Some(*on_when == Level::Low),
                    // An open valve lets oil through and an open switch no current: only for a switch is it clear.
                    "closed" if *kind == SignalKind::Switch => Some(true),
                    "open" if *kind == SignalKind::Switch => Some(false),
                    _ => None,
                }
            }
            StateRule::Values(on, off) => {
                if says_nothing(cell) && !on.iter().chain(off.iter().flatten()).any(|v| v.is(cell, None)) {
                    return None;
                }
                let found = number(cell, decimal);
                if on.iter().any(|value| value.is(cell, found)) {
                    return Some(true);
                }
                match off {
                    None => Some(false),
                    Some(off) => off.iter().any(|value| value.is(cell, found)).then_some(false),
                }
            }
            StateRule::Above(limit) => {
                number(cell, decimal).filter(|level| !level.is_nan()).map(|level| level > *limit)
            }
            StateRule::Below(limit) => {
                number(cell, decimal).filter(|level| !level.is_nan()).map(|level| level < *limit)
            }
        }
    }
}

fn lower(cell: &[u8]) -> Cow<'static, str> {
    Cow::Owned(decode(cell).to_ascii_lowercase())
}

fn not_finite(raw: f64) -> SkipKind {
    if raw.is_nan() { SkipKind::Empty } else { SkipKind::Infinite }
}

/// Ways of writing that there is no number.
pub(crate) fn says_nothing(cell: &[u8]) -> bool {
    const WORDS: [&str; 9] = ["nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---"];
    cell.is_empty() || WORDS.iter().any(|word| cell.eq_ignore_ascii_case(word.as_bytes()))
}

#[cold]
fn no_number(cell: &[u8]) -> SkipKind {
    if says_nothing(cell) { SkipKind::Empty } else { SkipKind::BadCell }
}
