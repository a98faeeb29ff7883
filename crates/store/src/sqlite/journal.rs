//! Frames in and out, and the clock's exchanges.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use foldwatch_units::{Micros, Seconds};
use rusqlite::{Connection, OptionalExtension, Row, params};

use super::Fail;
use crate::StoreError;
use crate::chain;
use crate::check::{self, counted};
use crate::journal::*;
use crate::ranges::Ranges;

/// What a batch does to one start of one logger.
struct Stream {
    car: String,
    before: Ranges,
    held: Ranges,
    new: usize,
    known: usize,
}

pub(super) fn append(tx: &Connection, batch: &[Frame]) -> Result<Vec<Durable>, Fail> {
    let mut streams: BTreeMap<(&str, u64), Stream> = BTreeMap::new();
    let mut heads: BTreeMap<String, ChainHead> = BTreeMap::new();
    let mut seen: BTreeMap<&str, (Micros, u64)> = BTreeMap::new();
    let mut insert = tx.prepare_cached(
        "INSERT INTO journal (car, logger, boot, sequence, received_us, logged_us, bytes, link)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    for frame in batch {
        check::frame(frame)?;
        let stream = match streams.entry((&frame.logger, frame.boot)) {
            std::collections::btree_map::Entry::Occupied(there) => there.into_mut(),
            std::collections::btree_map::Entry::Vacant(free) => free.insert(stream(tx, frame)?),
        };
        seen.insert(&frame.logger, (frame.received, frame.boot));
        if stream.held.contains(frame.sequence) {
            stream.known += 1;
            continue;
        }
        let head = match heads.get_mut(&stream.car) {
            Some(head) => head,
            None => {
                let head = head(tx, &stream.car)?.unwrap_or(ChainHead {
                    position: Position(0),
                    frames: 0,
                    link: chain::GENESIS,
                });
                heads.entry(stream.car.clone()).or_insert(head)
            }
        };
        let link = chain::link(&head.link, frame);
        insert.execute(params![
            stream.car,
            frame.logger,
            frame.boot as i64,
            frame.sequence as i64,
            frame.received.0,
            frame.logged.map(|at| at.0),
            frame.bytes,
            link,
        ])?;
        *head =
            ChainHead { position: Position(tx.last_insert_rowid() as u64), frames: head.frames + 1, link };
        stream.held.insert(frame.sequence..=frame.sequence);
        stream.new += 1;
    }
    for (car, head) in &heads {
        tx.prepare_cached(
            "INSERT INTO chain_heads (car, position, frames, link) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (car) DO UPDATE SET position = ?2, frames = ?3, link = ?4",
        )?
        .execute(params![car, head.position.0 as i64, head.frames as i64, head.link])?;
    }
    for (logger, (at, boot)) in seen {
        tx.prepare_cached(
            "INSERT INTO loggers (id, last_seen_us, last_boot) VALUES (?1, ?2, ?3)
             ON CONFLICT (id) DO UPDATE SET last_seen_us = ?2, last_boot = ?3",
        )?
        .execute(params![logger, at.0, boot as i64])?;
    }
    let mut durable = Vec::with_capacity(streams.len());
    for ((logger, boot), stream) in &streams {
        save_ranges(tx, "held", logger, *boot, &stream.before, &stream.held)?;
        let lost = load_ranges(tx, "lost", logger, *boot)?;
        durable.push(Durable::of(
            logger,
            (earlier(tx, logger, *boot)?, *boot),
            &stream.held,
            &lost,
            (stream.new, stream.known),
        ));
    }
    Ok(durable)
}

fn stream(tx: &Connection, frame: &Frame) -> Result<Stream, Fail> {
    let car = attached_to(tx, &frame.logger)?
        .ok_or_else(|| StoreError::UnknownLogger { logger: frame.logger.clone() })?;
    let held = load_ranges(tx, "held", &frame.logger, frame.boot)?;
    Ok(Stream { car, before: held.clone(), held, new: 0, known: 0 })
}

pub(super) fn attached_to(conn: &Connection, logger: &str) -> Result<Option<String>, Fail> {
    Ok(conn
        .prepare_cached("SELECT car FROM attachments WHERE logger = ?1 ORDER BY number DESC LIMIT 1")?
        .query_row([logger], |row| row.get(0))
        .optional()?)
}

pub(super) fn give_up(
    tx: &Connection,
    logger: &str,
    boot: u64,
    sequences: RangeInclusive<u64>,
) -> Result<Durable, Fail> {
    counted("boot", boot)?;
    counted("sequence", *sequences.end())?;
    if attached_to(tx, logger)?.is_none() {
        return Err(StoreError::UnknownLogger { logger: logger.to_owned() }.into());
    }
    let before = load_ranges(tx, "lost", logger, boot)?;
    let mut lost = before.clone();
    lost.insert(sequences);
    save_ranges(tx, "lost", logger, boot, &before, &lost)?;
    let starts = (earlier(tx, logger, boot)?, boot);
    Ok(Durable::of(logger, starts, &load_ranges(tx, "held", logger, boot)?, &lost, (0, 0)))
}

/// The last starts before one that anything was ever held of.
fn earlier(tx: &Connection, logger: &str, boot: u64) -> Result<Vec<u64>, Fail> {
    let mut query = tx.prepare_cached(
        "SELECT DISTINCT boot FROM held WHERE logger = ?1 AND boot < ?2 ORDER BY boot DESC LIMIT ?3",
    )?;
    let found = query.query_map(params![logger, boot as i64, Durable::MOST_EARLIER as i64], |row| {
        row.get::<_, i64>(0).map(|boot| boot as u64)
    })?;
    Ok(found.collect::<Result<_, _>>()?)
}

pub(super) fn held(conn: &Connection, logger: &str, boot: u64) -> Result<Held, Fail> {
    Ok(Held {
        held: load_ranges(conn, "held", logger, boot)?,
        lost: load_ranges(conn, "lost", logger, boot)?,
    })
}

fn load_ranges(conn: &Connection, table: &str, logger: &str, boot: u64) -> Result<Ranges, Fail> {
    let mut rows =
        conn.prepare_cached(&format!("SELECT first, last FROM {table} WHERE logger = ?1 AND boot = ?2"))?;
    let ranges = rows.query_map(params![logger, boot as i64], |row| {
        Ok(row.get::<_, i64>(0)? as u64..=row.get::<_, i64>(1)? as u64)
    })?;
    Ok(ranges.collect::<rusqlite::Result<_>>()?)
}

/// Writes only what differs: a stream grows at its end, whatever its holes.
fn save_ranges(
    tx: &Connection,
    table: &str,
    logger: &str,
    boot: u64,
    before: &Ranges,
    after: &Ranges,
) -> Result<(), Fail> {
    let as_map = |set: &Ranges| set.iter().map(RangeInclusive::into_inner).collect::<BTreeMap<_, _>>();
    let (before, after) = (as_map(before), as_map(after));
    let mut delete =
        tx.prepare_cached(&format!("DELETE FROM {table} WHERE logger = ?1 AND boot = ?2 AND first = ?3"))?;
    for first in before.keys().filter(|first| !after.contains_key(first)) {
        delete.execute(params![logger, boot as i64, *first as i64])?;
    }
    let mut put = tx.prepare_cached(&format!(
        "INSERT INTO {table} (logger, boot, first, last) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (logger, boot, first) DO UPDATE SET last = ?4"
    ))?;
    for (first, last) in after.iter().filter(|(first, last)| before.get(first) != Some(last)) {
        put.execute(params![logger, boot as i64, *first as i64, *last as i64])?;
    }
    Ok(())
}

/// Columns in the order of [`frame`].
pub(super) const FRAME_COLUMNS: &str = "position, car, logger, boot, sequence, received_us, logged_us, bytes";

pub(super) fn frame(row: &Row) -> rusqlite::Result<Journalled> {
    Ok(Journalled {
        position: Position(row.get::<_, i64>(0)? as u64),
        car: row.get(1)?,
        frame: Frame {
            logger: row.get(2)?,
            boot: row.get::<_, i64>(3)? as u64,
            sequence: row.get::<_, i64>(4)? as u64,
            received: Micros(row.get(5)?),
            logged: row.get::<_, Option<i64>>(6)?.map(Micros),
            bytes: row.get(7)?,
        },
    })
}

pub(super) fn rows(
    conn: &Connection,
    car: Option<&str>,
    after: Position,
    limit: u32,
) -> Result<Vec<Journalled>, Fail> {
    let after = i64::try_from(after.0).unwrap_or(i64::MAX);
    let of_car = if car.is_some() { "AND car = ?3" } else { "AND ?3 IS NULL" };
    let mut rows = conn.prepare_cached(&format!(
        "SELECT {FRAME_COLUMNS} FROM journal WHERE position > ?1 {of_car} ORDER BY position LIMIT ?2"
    ))?;
    Ok(rows.query_map(params![after, limit, car], frame)?.collect::<rusqlite::Result<_>>()?)
}

pub(super) fn head(conn: &Connection, car: &str) -> Result<Option<ChainHead>, Fail> {
    Ok(conn
        .prepare_cached("SELECT position, frames, link FROM chain_heads WHERE car = ?1")?
        .query_row([car], |row| {
            Ok(ChainHead {
                position: Position(row.get::<_, i64>(0)? as u64),
                frames: row.get::<_, i64>(1)? as u64,
                link: row.get(2)?,
            })
        })
        .optional()?)
}

pub(super) fn add_exchanges(tx: &Connection, exchanges: &[TimeExchange]) -> Result<(), Fail> {
    let mut insert = tx.prepare_cached(
        "INSERT INTO exchanges (logger, boot, sent_us, logger_us, received_us) VALUES (?1, ?2, ?3, ?4, ?5)
         ON CONFLICT DO NOTHING",
    )?;
    for exchange in exchanges {
        let boot = counted("boot", exchange.boot)?;
        insert.execute(params![
            exchange.logger,
            boot,
            exchange.sent.0,
            exchange.logged.0,
            exchange.received.0
        ])?;
    }
    Ok(())
}

pub(super) fn exchanges(conn: &Connection, logger: &str, boot: u64) -> Result<Vec<TimeExchange>, Fail> {
    let mut rows = conn.prepare_cached(
        "SELECT sent_us, logger_us, received_us FROM exchanges WHERE logger = ?1 AND boot = ?2
         ORDER BY sent_us, logger_us",
    )?;
    let found = rows.query_map(params![logger, boot as i64], |row| {
        Ok(TimeExchange {
            logger: logger.to_owned(),
            boot,
            sent: Micros(row.get(0)?),
            logged: Micros(row.get(1)?),
            received: Micros(row.get(2)?),
        })
    })?;
    Ok(found.collect::<rusqlite::Result<_>>()?)
}

pub(super) fn put_clock_fit(tx: &Connection, fit: &ClockFit) -> Result<(), Fail> {
    check::clock_fit(fit)?;
    tx.prepare_cached(
        "INSERT INTO clock_fits (logger, boot, offset_us, drift_ppm, residual_s, exchanges)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT DO UPDATE SET offset_us = ?3, drift_ppm = ?4, residual_s = ?5, exchanges = ?6",
    )?
    .execute(params![
        fit.logger,
        fit.boot as i64,
        fit.offset.0,
        fit.drift_ppm,
        fit.residual.0,
        fit.exchanges
    ])?;
    Ok(())
}

pub(super) fn clock_fit(conn: &Connection, logger: &str, boot: u64) -> Result<Option<ClockFit>, Fail> {
    Ok(conn
        .prepare_cached(
            "SELECT offset_us, drift_ppm, residual_s, exchanges FROM clock_fits WHERE logger = ?1 AND boot = ?2",
        )?
        .query_row(params![logger, boot as i64], |row| {
            Ok(ClockFit {
                logger: logger.to_owned(),
                boot,
                offset: Micros(row.get(0)?),
                drift_ppm: row.get(1)?,
                residual: Seconds(row.get(2)?),
                exchanges: row.get(3)?,
            })
        })
        .optional()?)
}
