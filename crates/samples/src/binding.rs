//! A logger's channels matched to a profile's signals.

use std::fmt;

use foldwatch_profile::{Level, Profile, Signal, SignalIx};
use foldwatch_units::Unit;
use foldwatch_wire::{Hello, Kind, NO_READING};

/// Which channel is which signal, and how its counts become the signal's working unit.
///
/// Counts times the logger's scale are the recorded number. In a unit of the signal's own quantity it is converted to
/// the working unit, and the profile's calibration is taken as applied by the logger. Without a unit, in `count`, or in
/// the unit of a sensor's output (volts under a pressure), it is the number that the profile's calibration is for.
#[derive(Debug, Clone, PartialEq)]
pub struct Binding {
    columns: Vec<Option<Column>>,
    states: Vec<Option<State>>,
    unknown: Vec<String>,
    unrecorded: Vec<SignalIx>,
    calibrated: Vec<SignalIx>,
}

/// value = counts * factor + offset
#[derive(Debug, Clone, Copy, PartialEq)]
struct Column {
    signal: SignalIx,
    factor: f64,
    offset: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct State {
    signal: SignalIx,
    on_when_high: bool,
}

/// Everything in a logger's channel list that does not fit the profile, at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BindingError {
    /// One sentence each.
    pub problems: Vec<String>,
}

impl fmt::Display for BindingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the log does not fit the profile: {}", self.problems.join("; "))
    }
}

impl std::error::Error for BindingError {}

impl Binding {
    /// Matches by id. Channels that the profile does not know are left out, see [`Binding::unknown`].
    ///
    /// # Errors
    /// A channel of the wrong kind, in a wrong or unknown unit, given twice; or no channel at all that the profile
    /// knows. All problems are given at once.
    pub fn new(hello: &Hello, profile: &Profile) -> Result<Binding, BindingError> {
        let mut problems = Vec::new();
        let (mut unknown, mut calibrated) = (Vec::new(), Vec::new());
        let (mut columns, mut states) = (Vec::new(), Vec::new());
        let mut bound = vec![false; profile.signals.len()];
        for channel in &hello.signals {
            let found = profile.find(&channel.id);
            let signal = found.filter(|ix| {
                let twice = std::mem::replace(&mut bound[ix.at()], true);
                if twice {
                    problems.push(format!("channel `{}` is given twice", channel.id));
                }
                !twice
            });
            if found.is_none() {
                unknown.push(channel.id.clone());
            }
            match channel.kind {
                Kind::State => states.push(signal.and_then(|ix| {
                    let wanted = profile.signal(ix);
                    if !wanted.kind.is_binary() {
                        problems.push(format!(
                            "channel `{}` is a state, the profile's signal is a number in {}",
                            channel.id, wanted.unit
                        ));
                        return None;
                    }
                    Some(State { signal: ix, on_when_high: wanted.on_when == Level::High })
                })),
                Kind::Number => {
                    columns.push(signal.and_then(|ix| match column(channel, ix, profile.signal(ix)) {
                        Ok((column, as_applied)) => {
                            calibrated.extend(as_applied.then_some(ix));
                            Some(column)
                        }
                        Err(problem) => {
                            problems.push(problem);
                            None
                        }
                    }));
                }
            }
        }
        if !bound.contains(&true) {
            let ids: Vec<_> = hello.signals.iter().map(|s| s.id.as_str()).collect();
            problems.push(format!(
                "none of the logger's channels ({}) is a signal of profile `{}`",
                if ids.is_empty() { "it names none".to_owned() } else { ids.join(", ") },
                profile.id
            ));
        }
        if !problems.is_empty() {
            return Err(BindingError { problems });
        }
        let unrecorded = profile.signals().map(|(ix, _)| ix).filter(|ix| !bound[ix.at()]).collect();
        Ok(Binding { columns, states, unknown, unrecorded, calibrated })
    }

    /// Channels that the profile does not know.
    pub fn unknown(&self) -> &[String] {
        &self.unknown
    }

    /// Signals of the profile that this logger does not record.
    pub fn unrecorded(&self) -> &[SignalIx] {
        &self.unrecorded
    }

    /// Signals that come in their own unit although the profile has a calibration, which is then not applied.
    pub fn calibrated(&self) -> &[SignalIx] {
        &self.calibrated
    }

    /// How many numbers a row of this logger has.
    pub fn columns(&self) -> usize {
        self.columns.len()
    }

    /// Fills a row of the profile's signals; what is not recorded or not readable is left as it is.
    pub fn fill(&self, counts: &[i32], levels: u64, row: &mut [f32]) {
        for (column, count) in self.columns.iter().zip(counts) {
            if let Some(column) = column
                && *count != NO_READING
                && let Some(slot) = row.get_mut(column.signal.at())
            {
                *slot = (f64::from(*count) * column.factor + column.offset) as f32;
            }
        }
        for (ix, state) in self.states.iter().enumerate() {
            if let Some(state) = state
                && let Some(slot) = row.get_mut(state.signal.at())
            {
                let high = levels >> ix & 1 == 1;
                *slot = if high == state.on_when_high { 1.0 } else { 0.0 };
            }
        }
    }

    /// What an edge of the logger's state `state` to `high` means; `None` where the profile does not know it.
    pub fn edge(&self, state: u8, high: bool) -> Option<(SignalIx, bool)> {
        let state = (*self.states.get(usize::from(state))?)?;
        Some((state.signal, high == state.on_when_high))
    }
}

/// How a channel's counts become a signal, and whether the profile's calibration is taken as applied.
fn column(channel: &foldwatch_wire::Signal, ix: SignalIx, wanted: &Signal) -> Result<(Column, bool), String> {
    let id = &channel.id;
    if wanted.kind.is_binary() {
        return Err(format!("channel `{id}` is a number, the profile's signal is on or off"));
    }
    let scale = f64::from(channel.scale.mantissa) * 10f64.powi(i32::from(channel.scale.exponent));
    let (gain, offset) = (wanted.calibration.gain, wanted.calibration.offset);
    let calibrates = gain != 1.0 || offset != 0.0;
    let raw = Column { signal: ix, factor: scale * gain, offset };
    if matches!(channel.unit.as_str(), "" | "count") {
        return Ok((raw, false));
    }
    let spellings = || Unit::spellings(wanted.unit.quantity).join(", ");
    let unit: Unit = channel
        .unit
        .parse()
        .map_err(|e| format!("channel `{id}`: {e}; right would be one of {}", spellings()))?;
    if unit.quantity == wanted.unit.quantity {
        let zero = unit.to_working(0.0);
        let factor = (unit.to_working(1.0) - zero) * scale;
        return Ok((Column { signal: ix, factor, offset: zero }, calibrates));
    }
    if calibrates {
        return Ok((raw, false));
    }
    Err(format!(
        "channel `{id}` comes in {unit}, but the profile's signal is in {}: give the profile a calibration for what the \
         sensor puts out, or have the logger send one of {}",
        wanted.unit,
        spellings()
    ))
}
