//! Cars, profiles, loggers, judged cycles and entries: out.

use foldwatch_units::{Celsius, Direction, Micros, Seconds, Volts};
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Params, Row, ToSql, params};

use super::Fail;
use crate::journal::{Checkpoint, Position};
use crate::records::*;

pub(super) fn all<T>(
    conn: &Connection,
    sql: &str,
    params: impl Params,
    map: impl FnMut(&Row) -> rusqlite::Result<T>,
) -> Result<Vec<T>, Fail> {
    Ok(conn.prepare_cached(sql)?.query_map(params, map)?.collect::<rusqlite::Result<_>>()?)
}

fn unknown(column: usize, what: impl std::fmt::Display) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(
        column,
        Type::Text,
        format!("`{what}` is not known here").into(),
    )
}

fn direction(row: &Row, column: usize) -> rusqlite::Result<Direction> {
    match row.get_ref(column)?.as_str()? {
        "opening" => Ok(Direction::Opening),
        "closing" => Ok(Direction::Closing),
        other => Err(unknown(column, other)),
    }
}

fn text_or_none(row: &Row, column: usize) -> rusqlite::Result<Option<String>> {
    Ok(Some(row.get::<_, String>(column)?).filter(|text| !text.is_empty()))
}

fn one_car(row: &Row) -> rusqlite::Result<Car> {
    Ok(Car { id: row.get(0)?, name: row.get(1)?, profile: row.get(2)?, recorded: Micros(row.get(3)?) })
}

pub(super) fn cars(conn: &Connection) -> Result<Vec<Car>, Fail> {
    all(
        conn,
        "SELECT car, name, profile, recorded_us FROM car_revisions AS r
         WHERE revision = (SELECT max(revision) FROM car_revisions WHERE car = r.car) ORDER BY car",
        [],
        one_car,
    )
}

pub(super) fn car_history(conn: &Connection, id: &str) -> Result<Vec<Car>, Fail> {
    all(
        conn,
        "SELECT car, name, profile, recorded_us FROM car_revisions WHERE car = ?1 ORDER BY revision",
        [id],
        one_car,
    )
}

fn one_profile(row: &Row) -> rusqlite::Result<ProfileText> {
    Ok(ProfileText {
        profile: row.get(0)?,
        revision: row.get(1)?,
        text: row.get(2)?,
        recorded: Micros(row.get(3)?),
    })
}

pub(super) fn profile(conn: &Connection, id: &str) -> Result<Option<ProfileText>, Fail> {
    Ok(conn
        .prepare_cached(
            "SELECT profile, revision, text, recorded_us FROM profiles WHERE profile = ?1
             ORDER BY revision DESC LIMIT 1",
        )?
        .query_row([id], one_profile)
        .optional()?)
}

pub(super) fn profile_history(conn: &Connection, id: &str) -> Result<Vec<ProfileText>, Fail> {
    all(
        conn,
        "SELECT profile, revision, text, recorded_us FROM profiles WHERE profile = ?1 ORDER BY revision",
        [id],
        one_profile,
    )
}

pub(super) fn loggers(conn: &Connection) -> Result<Vec<Logger>, Fail> {
    all(
        conn,
        "SELECT a.logger, a.car, a.attached_us, l.last_seen_us, l.last_boot
         FROM attachments AS a LEFT JOIN loggers AS l ON l.id = a.logger
         WHERE a.number = (SELECT max(number) FROM attachments WHERE logger = a.logger) ORDER BY a.logger",
        [],
        |row| {
            Ok(Logger {
                id: row.get(0)?,
                car: row.get(1)?,
                attached: Micros(row.get(2)?),
                last_seen: row.get::<_, Option<i64>>(3)?.map(Micros),
                last_boot: row.get::<_, Option<i64>>(4)?.map(|boot| boot as u64),
            })
        },
    )
}

pub(super) fn checkpoint(conn: &Connection, car: &str) -> Result<Option<Checkpoint>, Fail> {
    Ok(conn
        .prepare_cached("SELECT position, saved_us, state FROM checkpoints WHERE car = ?1")?
        .query_row([car], |row| {
            Ok(Checkpoint {
                car: car.to_owned(),
                position: Position(row.get::<_, i64>(0)? as u64),
                saved: Micros(row.get(1)?),
                state: row.get(2)?,
            })
        })
        .optional()?)
}

/// Conditions that are asked for only where they are given, so that the database can use its indices.
#[derive(Default)]
struct Conditions<'a> {
    sql: String,
    values: Vec<Box<dyn ToSql + 'a>>,
}

impl<'a> Conditions<'a> {
    fn and(&mut self, condition: &str, value: impl ToSql + 'a) {
        self.sql.push_str(if self.values.is_empty() { " WHERE " } else { " AND " });
        self.sql.push_str(condition);
        self.values.push(Box::new(value));
    }

    fn span(&mut self, column: &str, span: Span) {
        if span != Span::ALL {
            self.and(&format!("{column} >= ?"), span.from.0);
            self.and(&format!("{column} < ?"), span.until.0);
        }
    }

    fn limit(&mut self, limit: u32) {
        self.sql.push_str(" LIMIT ?");
        self.values.push(Box::new(limit));
    }
}

const CYCLE_COLUMNS: &str = "car, start_us, end_us, direction, outcome, findings, worst";

fn summary(row: &Row) -> rusqlite::Result<CycleSummary> {
    Ok(CycleSummary {
        car: row.get(0)?,
        start: Micros(row.get(1)?),
        end: Micros(row.get(2)?),
        direction: direction(row, 3)?,
        outcome: row.get(4)?,
        findings: row.get(5)?,
        worst: Weight::from_rank(row.get(6)?),
    })
}

pub(super) fn cycles(conn: &Connection, query: &CycleQuery) -> Result<Vec<CycleSummary>, Fail> {
    let mut conditions = Conditions::default();
    if let Some(car) = &query.car {
        conditions.and("car = ?", car);
    }
    conditions.span("start_us", query.span);
    if let Some(direction) = query.direction {
        conditions.and("direction = ?", direction.as_str());
    }
    if let Some(outcome) = &query.outcome {
        conditions.and("outcome = ?", outcome);
    }
    if let Some(worst) = query.worst {
        conditions.and("worst >= ?", worst.rank());
    }
    let order = if query.newest_first { "DESC" } else { "ASC" };
    conditions.sql.push_str(&format!(" ORDER BY start_us {order}, car"));
    conditions.limit(query.limit);
    let sql = format!("SELECT {CYCLE_COLUMNS} FROM cycles{}", conditions.sql);
    all(conn, &sql, rusqlite::params_from_iter(conditions.values), summary)
}

const PHASE_COLUMNS: &str = "direction, step, name, start_us, duration_s, u_duration_s, confirmation, corrected_s, \
                             oil_celsius, supply_volts";

/// From the columns of [`PHASE_COLUMNS`], the first of which is `from`.
fn phase(row: &Row, from: usize) -> rusqlite::Result<PhaseRecord> {
    Ok(PhaseRecord {
        direction: direction(row, from)?,
        index: row.get(from + 1)?,
        name: row.get(from + 2)?,
        start: Micros(row.get(from + 3)?),
        duration: Seconds(row.get(from + 4)?),
        u_duration: Seconds(row.get(from + 5)?),
        confirmation: row.get(from + 6)?,
        corrected: row.get::<_, Option<f64>>(from + 7)?.map(Seconds),
        oil: row.get::<_, Option<f64>>(from + 8)?.map(Celsius),
        supply: row.get::<_, Option<f64>>(from + 9)?.map(Volts),
    })
}

const MEASURE_COLUMNS: &str = "phase, name, value, u, unit";

fn measure(row: &Row, from: usize) -> rusqlite::Result<MeasureRecord> {
    Ok(MeasureRecord {
        phase: row.get(from)?,
        name: row.get(from + 1)?,
        value: row.get(from + 2)?,
        u: row.get(from + 3)?,
        unit: row.get(from + 4)?,
    })
}

const FINDING_COLUMNS: &str =
    "car, cycle_us, kind, weight, phase, signal, at_us, value, limit_, unit, message";

fn finding(row: &Row) -> rusqlite::Result<FindingRow> {
    let rank: u8 = row.get(3)?;
    Ok(FindingRow {
        car: row.get(0)?,
        cycle: row.get::<_, Option<i64>>(1)?.map(Micros),
        finding: FindingRecord {
            kind: row.get(2)?,
            weight: Weight::from_rank(rank).ok_or_else(|| unknown(3, rank))?,
            phase: text_or_none(row, 4)?,
            signal: text_or_none(row, 5)?,
            at: Micros(row.get(6)?),
            value: row.get(7)?,
            limit: row.get(8)?,
            unit: row.get(9)?,
            message: row.get(10)?,
        },
    })
}

pub(super) fn cycle(conn: &Connection, car: &str, start: Micros) -> Result<Option<CycleRecord>, Fail> {
    let found = conn
        .prepare_cached(&format!(
            "SELECT {CYCLE_COLUMNS}, judged FROM cycles WHERE car = ?1 AND start_us = ?2"
        ))?
        .query_row(params![car, start.0], |row| Ok((summary(row)?, row.get::<_, String>(7)?)))
        .optional()?;
    let Some((summary, judged)) = found else { return Ok(None) };
    let of_cycle = |columns: &str, table: &str| {
        format!("SELECT {columns} FROM {table} WHERE car = ?1 AND cycle_us = ?2 ORDER BY place")
    };
    let key = params![car, start.0];
    let findings = all(conn, &of_cycle(FINDING_COLUMNS, "findings"), key, finding)?;
    Ok(Some(CycleRecord {
        car: summary.car,
        start: summary.start,
        end: summary.end,
        direction: summary.direction,
        outcome: summary.outcome,
        judged,
        phases: all(conn, &of_cycle(PHASE_COLUMNS, "phases"), key, |row| phase(row, 0))?,
        measures: all(conn, &of_cycle(MEASURE_COLUMNS, "measures"), key, |row| measure(row, 0))?,
        findings: findings.into_iter().map(|row| row.finding).collect(),
    }))
}

pub(super) fn findings(conn: &Connection, query: &FindingQuery) -> Result<Vec<FindingRow>, Fail> {
    let mut conditions = Conditions::default();
    if let Some(car) = &query.car {
        conditions.and("car = ?", car);
    }
    conditions.span("at_us", query.span);
    if let Some(kind) = &query.kind {
        conditions.and("kind = ?", kind);
    }
    if let Some(weight) = query.weight {
        conditions.and("weight >= ?", weight.rank());
    }
    conditions.sql.push_str(" ORDER BY at_us DESC, car, kind, signal, phase, cycle_us, place");
    conditions.limit(query.limit);
    let sql = format!("SELECT {FINDING_COLUMNS} FROM findings{}", conditions.sql);
    all(conn, &sql, rusqlite::params_from_iter(conditions.values), finding)
}

pub(super) fn phase_runs(
    conn: &Connection,
    car: &str,
    direction: Direction,
    index: u32,
    span: Span,
    limit: u32,
) -> Result<Vec<PhaseRow>, Fail> {
    let mut rows = all(
        conn,
        &format!(
            "SELECT cycle_us, (SELECT outcome FROM cycles WHERE car = p.car AND start_us = p.cycle_us), {PHASE_COLUMNS}
             FROM phases AS p
             WHERE car = ?1 AND direction = ?2 AND step = ?3 AND cycle_us >= ?4 AND cycle_us < ?5
             ORDER BY cycle_us DESC, place DESC LIMIT ?6"
        ),
        params![car, direction.as_str(), index, span.from.0, span.until.0, limit],
        |row| Ok(PhaseRow { cycle: Micros(row.get(0)?), outcome: row.get(1)?, phase: phase(row, 2)? }),
    )?;
    rows.reverse();
    Ok(rows)
}

pub(super) fn measure_runs(
    conn: &Connection,
    car: &str,
    name: &str,
    span: Span,
    limit: u32,
) -> Result<Vec<MeasureRow>, Fail> {
    let mut rows = all(
        conn,
        &format!(
            "SELECT cycle_us, {MEASURE_COLUMNS} FROM measures
             WHERE car = ?1 AND name = ?2 AND cycle_us >= ?3 AND cycle_us < ?4
             ORDER BY cycle_us DESC, place DESC LIMIT ?5"
        ),
        params![car, name, span.from.0, span.until.0, limit],
        |row| Ok(MeasureRow { cycle: Micros(row.get(0)?), measure: measure(row, 1)? }),
    )?;
    rows.reverse();
    Ok(rows)
}

pub(super) fn figures(
    conn: &Connection,
    car: &str,
    measures: &[&str],
    span: Span,
    limit: u32,
) -> Result<Vec<CycleRecord>, Fail> {
    let mut cycles = all(
        conn,
        &format!(
            "SELECT {CYCLE_COLUMNS} FROM cycles WHERE car = ?1 AND start_us >= ?2 AND start_us < ?3
             ORDER BY start_us DESC LIMIT ?4"
        ),
        params![car, span.from.0, span.until.0, limit],
        |row| {
            let summary = summary(row)?;
            Ok(CycleRecord {
                car: summary.car,
                start: summary.start,
                end: summary.end,
                direction: summary.direction,
                outcome: summary.outcome,
                judged: String::new(),
                phases: Vec::new(),
                measures: Vec::new(),
                findings: Vec::new(),
            })
        },
    )?;
    cycles.reverse();
    let (Some(first), Some(last)) = (cycles.first().map(|c| c.start.0), cycles.last().map(|c| c.start.0))
    else {
        return Ok(cycles);
    };
    // Both lists come in the order of the cycles: one pass puts each row to its own.
    let mut statement = conn.prepare_cached(&format!(
        "SELECT cycle_us, {PHASE_COLUMNS} FROM phases
         WHERE car = ?1 AND cycle_us BETWEEN ?2 AND ?3 ORDER BY cycle_us, place"
    ))?;
    let mut rows = statement.query(params![car, first, last])?;
    let mut at = 0;
    while let Some(row) = rows.next()? {
        if let Some(cycle) = seek(&mut cycles, &mut at, row.get(0)?) {
            cycle.phases.push(phase(row, 1)?);
        }
    }
    let mut statement = conn.prepare_cached(&format!(
        "SELECT cycle_us, {MEASURE_COLUMNS} FROM measures
         WHERE car = ?1 AND name = ?2 AND cycle_us BETWEEN ?3 AND ?4 ORDER BY cycle_us, place"
    ))?;
    for name in measures {
        let mut rows = statement.query(params![car, name, first, last])?;
        let mut at = 0;
        while let Some(row) = rows.next()? {
            if let Some(cycle) = seek(&mut cycles, &mut at, row.get(0)?) {
                cycle.measures.push(measure(row, 1)?);
            }
        }
    }
    Ok(cycles)
}

/// The cycle of that start, at or after the last one found.
fn seek<'a>(cycles: &'a mut [CycleRecord], at: &mut usize, start: i64) -> Option<&'a mut CycleRecord> {
    while cycles.get(*at).is_some_and(|cycle| cycle.start.0 < start) {
        *at += 1;
    }
    cycles.get_mut(*at).filter(|cycle| cycle.start.0 == start)
}

pub(super) fn entries(
    conn: &Connection,
    car: &str,
    span: Span,
    limit: u32,
) -> Result<Vec<(u64, Entry)>, Fail> {
    let mut rows = all(
        conn,
        "SELECT id, kind, at_us, written_us, author, cycle_us, subject, result, text, corrects FROM entries
         WHERE car = ?1 AND at_us >= ?2 AND at_us < ?3 ORDER BY at_us DESC, id DESC LIMIT ?4",
        params![car, span.from.0, span.until.0, limit],
        |row| {
            let kind = row.get_ref(1)?.as_str()?.to_owned();
            let entry = Entry {
                car: car.to_owned(),
                kind: EntryKind::parse(&kind).ok_or_else(|| unknown(1, kind))?,
                at: Micros(row.get(2)?),
                written: Micros(row.get(3)?),
                author: row.get(4)?,
                cycle: row.get::<_, Option<i64>>(5)?.map(Micros),
                subject: row.get(6)?,
                result: row.get(7)?,
                text: row.get(8)?,
                corrects: row.get::<_, Option<i64>>(9)?.map(|id| id as u64),
            };
            Ok((row.get::<_, i64>(0)? as u64, entry))
        },
    )?;
    rows.reverse();
    Ok(rows)
}
