//! What may be stored at all. Both stores refuse the same things in the same words.

use crate::StoreError;
use crate::journal::{ClockFit, Frame};
use crate::records::{Car, CycleRecord, FindingRecord};

/// Sequence numbers, boots and positions live in signed 64-bit columns.
pub(crate) fn counted(what: &str, number: u64) -> Result<i64, StoreError> {
    i64::try_from(number)
        .map_err(|_| StoreError::invalid(format!("{what} {number} is beyond what can be stored (2^63 - 1)")))
}

pub(crate) fn frame(frame: &Frame) -> Result<(), StoreError> {
    counted("boot", frame.boot)?;
    counted("sequence", frame.sequence)?;
    Ok(())
}

/// A car's id names a folder, so it must be harmless as one.
pub(crate) fn car(car: &Car) -> Result<(), StoreError> {
    let sound = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if (1..=64).contains(&car.id.len()) && car.id.chars().all(sound) {
        return Ok(());
    }
    Err(StoreError::invalid(format!(
        "`{}` can't be a car's id; use 1 to 64 letters (a to z), digits, `-` and `_`",
        car.id.escape_debug()
    )))
}

pub(crate) fn clock_fit(fit: &ClockFit) -> Result<(), StoreError> {
    counted("boot", fit.boot)?;
    finite("the drift of a clock fit", fit.drift_ppm)?;
    finite("the residual of a clock fit", fit.residual.0)
}

pub(crate) fn cycle(cycle: &CycleRecord) -> Result<(), StoreError> {
    for phase in &cycle.phases {
        finite(&format!("the duration of phase `{}`", phase.name), phase.duration.0)?;
        finite(&format!("the uncertainty of phase `{}`", phase.name), phase.u_duration.0)?;
    }
    for measure in &cycle.measures {
        finite(&format!("measure `{}`", measure.name), measure.value)?;
    }
    Ok(())
}

fn finite(what: &str, number: f64) -> Result<(), StoreError> {
    if number.is_finite() {
        return Ok(());
    }
    Err(StoreError::invalid(format!("{what} is {number}; leave out what could not be measured")))
}

/// A number that may be missing: what is no number is missing. Adding 0 makes -0 into 0, as the database does.
pub(crate) fn known(number: Option<f64>) -> Option<f64> {
    number.filter(|n| n.is_finite()).map(|n| n + 0.0)
}

/// The fit as it comes back.
pub(crate) fn kept_fit(mut fit: ClockFit) -> ClockFit {
    fit.drift_ppm += 0.0;
    fit.residual.0 += 0.0;
    fit
}

/// The cycle as it comes back.
pub(crate) fn kept_cycle(mut cycle: CycleRecord) -> CycleRecord {
    use foldwatch_units::{Celsius, Seconds, Volts};
    for phase in &mut cycle.phases {
        phase.duration.0 += 0.0;
        phase.u_duration.0 += 0.0;
        phase.corrected = known(phase.corrected.map(|s| s.0)).map(Seconds);
        phase.oil = known(phase.oil.map(|t| t.0)).map(Celsius);
        phase.supply = known(phase.supply.map(|v| v.0)).map(Volts);
    }
    for measure in &mut cycle.measures {
        measure.value += 0.0;
        measure.u = known(measure.u);
    }
    cycle.findings = cycle.findings.into_iter().map(kept_finding).collect();
    cycle
}

/// The finding as it comes back.
pub(crate) fn kept_finding(mut finding: FindingRecord) -> FindingRecord {
    finding.value = known(finding.value);
    finding.limit = known(finding.limit);
    // Stored as empty text, so that they can be part of a key.
    finding.phase = finding.phase.filter(|name| !name.is_empty());
    finding.signal = finding.signal.filter(|name| !name.is_empty());
    finding
}
