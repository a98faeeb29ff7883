//! Cars, profiles, loggers, judged cycles and entries: in.

use foldwatch_units::Micros;
use rusqlite::{Connection, OptionalExtension, params};

use super::{Fail, journal, read};
use crate::StoreError;
use crate::check::{self, known};
use crate::records::*;

pub(super) fn car(tx: &Connection, car: &Car) -> Result<(), Fail> {
    check::car(car)?;
    tx.prepare_cached("INSERT INTO cars (id, created_us) VALUES (?1, ?2) ON CONFLICT DO NOTHING")?
        .execute(params![car.id, car.recorded.0])?;
    let history = read::car_history(tx, &car.id)?;
    if history.last().is_some_and(|latest| latest.name == car.name && latest.profile == car.profile) {
        return Ok(());
    }
    tx.prepare_cached(
        "INSERT INTO car_revisions (car, revision, name, profile, recorded_us) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?
    .execute(params![car.id, history.len() as i64 + 1, car.name, car.profile, car.recorded.0])?;
    Ok(())
}

fn expect_car(tx: &Connection, car: &str) -> Result<(), Fail> {
    if tx.prepare_cached("SELECT 1 FROM cars WHERE id = ?1")?.exists([car])? {
        return Ok(());
    }
    Err(StoreError::UnknownCar { car: car.to_owned() }.into())
}

pub(super) fn profile(tx: &Connection, profile: &str, text: &str, at: Micros) -> Result<u32, Fail> {
    let latest = read::profile(tx, profile)?;
    if let Some(latest) = latest.as_ref().filter(|latest| latest.text == text) {
        return Ok(latest.revision);
    }
    let revision = latest.map_or(1, |latest| latest.revision + 1);
    tx.prepare_cached("INSERT INTO profiles (profile, revision, text, recorded_us) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![profile, revision, text, at.0])?;
    Ok(revision)
}

pub(super) fn attach(tx: &Connection, logger: &str, car: &str, at: Micros) -> Result<(), Fail> {
    expect_car(tx, car)?;
    if journal::attached_to(tx, logger)?.as_deref() == Some(car) {
        return Ok(());
    }
    tx.prepare_cached("INSERT INTO attachments (logger, car, attached_us) VALUES (?1, ?2, ?3)")?
        .execute(params![logger, car, at.0])?;
    Ok(())
}

pub(super) fn judged(tx: &Connection, judged: &Judged) -> Result<(), Fail> {
    for one in &judged.cycles {
        cycle(tx, one)?;
    }
    for (car, finding) in &judged.findings {
        expect_car(tx, car)?;
        put_finding(tx, car, None, 0, finding)?;
    }
    if let Some(checkpoint) = &judged.checkpoint {
        expect_car(tx, &checkpoint.car)?;
        tx.prepare_cached(
            "INSERT INTO checkpoints (car, position, saved_us, state) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (car) DO UPDATE SET position = ?2, saved_us = ?3, state = ?4",
        )?
        .execute(params![
            checkpoint.car,
            check::counted("position", checkpoint.position.0)?,
            checkpoint.saved.0,
            checkpoint.state
        ])?;
    }
    Ok(())
}

fn cycle(tx: &Connection, cycle: &CycleRecord) -> Result<(), Fail> {
    check::cycle(cycle)?;
    expect_car(tx, &cycle.car)?;
    // The parts go with the whole, so that a cycle judged anew keeps nothing of the old judgment.
    tx.prepare_cached("DELETE FROM cycles WHERE car = ?1 AND start_us = ?2")?
        .execute(params![cycle.car, cycle.start.0])?;
    let summary = cycle.summary();
    tx.prepare_cached(
        "INSERT INTO cycles (car, start_us, end_us, direction, outcome, findings, worst, judged)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?
    .execute(params![
        cycle.car,
        cycle.start.0,
        cycle.end.0,
        cycle.direction.as_str(),
        cycle.outcome,
        summary.findings,
        summary.worst.map_or(0, Weight::rank),
        cycle.judged,
    ])?;
    let mut insert = tx.prepare_cached(
        "INSERT INTO phases (car, cycle_us, place, direction, step, name, start_us, duration_s, u_duration_s,
                             confirmation, corrected_s, oil_celsius, supply_volts)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
    )?;
    for (place, phase) in (0i64..).zip(&cycle.phases) {
        insert.execute(params![
            cycle.car,
            cycle.start.0,
            place,
            phase.direction.as_str(),
            phase.index,
            phase.name,
            phase.start.0,
            phase.duration.0,
            phase.u_duration.0,
            phase.confirmation,
            known(phase.corrected.map(|s| s.0)),
            known(phase.oil.map(|t| t.0)),
            known(phase.supply.map(|v| v.0)),
        ])?;
    }
    let mut insert = tx.prepare_cached(
        "INSERT INTO measures (car, cycle_us, place, phase, name, value, u, unit)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    for (place, measure) in (0i64..).zip(&cycle.measures) {
        insert.execute(params![
            cycle.car,
            cycle.start.0,
            place,
            measure.phase,
            measure.name,
            measure.value,
            known(measure.u),
            measure.unit
        ])?;
    }
    for (place, finding) in (0i64..).zip(&cycle.findings) {
        put_finding(tx, &cycle.car, Some(cycle.start), place, finding)?;
    }
    Ok(())
}

fn put_finding(
    tx: &Connection,
    car: &str,
    cycle: Option<Micros>,
    place: i64,
    finding: &FindingRecord,
) -> Result<(), Fail> {
    tx.prepare_cached(
        "INSERT INTO findings (car, at_us, kind, signal, phase, cycle_us, place, weight, value, unit, limit_, message)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
         ON CONFLICT (car, at_us, kind, signal, phase) WHERE cycle_us IS NULL
         DO UPDATE SET weight = ?8, value = ?9, unit = ?10, limit_ = ?11, message = ?12",
    )?
    .execute(params![
        car,
        finding.at.0,
        finding.kind,
        finding.signal.as_deref().unwrap_or_default(),
        finding.phase.as_deref().unwrap_or_default(),
        cycle.map(|start| start.0),
        place,
        finding.weight.rank(),
        known(finding.value),
        finding.unit,
        known(finding.limit),
        finding.message,
    ])?;
    Ok(())
}

pub(crate) fn entry(tx: &Connection, entry: &Entry) -> Result<u64, Fail> {
    expect_car(tx, &entry.car)?;
    if let Some(id) = entry.corrects {
        let there: Option<String> = tx
            .prepare_cached("SELECT car FROM entries WHERE id = ?1")?
            .query_row([check::counted("entry", id)?], |row| row.get(0))
            .optional()?;
        if there.as_ref() != Some(&entry.car) {
            return Err(StoreError::UnknownEntry { car: entry.car.clone(), id }.into());
        }
    }
    tx.prepare_cached(
        "INSERT INTO entries (car, kind, at_us, written_us, author, cycle_us, subject, result, text, corrects)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?
    .execute(params![
        entry.car,
        entry.kind.as_str(),
        entry.at.0,
        entry.written.0,
        entry.author,
        entry.cycle.map(|start| start.0),
        entry.subject,
        entry.result,
        entry.text,
        entry.corrects.map(|id| id as i64),
    ])?;
    Ok(tx.last_insert_rowid() as u64)
}
