//! Tables as CSV, written as they are read: a long period takes no more memory than a short one.

use std::io::{self, Write};

use axum::body::{Body, Bytes};
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use foldwatch_profile::Profile;
use foldwatch_report::{samples, table};
use foldwatch_samples::{Item, Sink};
use foldwatch_segment::Recording;
use foldwatch_store::{CycleQuery, Span};
use foldwatch_units::{Micros, Seconds};
use serde::Deserialize;
use tokio::sync::mpsc::Sender;
use tokio_stream::wrappers::ReceiverStream;

use crate::app::{App, Desk};
use crate::failure::{Asked, Failure, FailureBody};
use crate::query::{self, CarView};

/// Which time.
#[derive(Debug, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct Period {
    /// From this moment on, RFC 3339.
    from: Option<String>,
    /// Up to this moment, RFC 3339.
    until: Option<String>,
}

#[derive(Debug, Clone, Copy)]
enum Which {
    Verdict(table::Kind),
    Samples,
}

fn which(file: &str) -> Option<Which> {
    let name = file.strip_suffix(".csv")?;
    if name == "samples" {
        return Some(Which::Samples);
    }
    table::Kind::ALL.into_iter().find(|kind| kind.as_str() == name).map(Which::Verdict)
}

/// A table as CSV after RFC 4180: `cycles.csv`, `phases.csv`, `findings.csv`, `measures.csv` or `samples.csv`.
///
/// Moments are UTC after RFC 3339, units stand in the header. Samples need `from` and `until`.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/export/{table}",
    tag = "export",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("table" = String, Path, description = "cycles.csv, phases.csv, findings.csv, measures.csv or samples.csv"),
        Period
    ),
    responses(
        (status = 200, body = String, content_type = "text/csv"),
        (status = 400, body = FailureBody),
        (status = 404, body = FailureBody)
    )
)]
pub(crate) async fn export(
    State(app): State<App>,
    Path((car, file)): Path<(String, String)>,
    Asked(period): Asked<Period>,
) -> Result<Response, Failure> {
    let right = "cycles.csv, phases.csv, findings.csv, measures.csv or samples.csv";
    let which = which(&file).ok_or_else(|| Failure::parameter("table", &file, right))?;
    let span = query::span(period.from.as_deref(), period.until.as_deref())?;
    let bounded = span.from != Micros::MIN && span.until != Micros::MAX;
    if matches!(which, Which::Samples) && !bounded {
        return Err(Failure::parameter("from, until", "", "given for samples: both ends, RFC 3339"));
    }
    let view = app.ask(move |desk| query::car(desk, &car)).await?;
    let name = format!("attachment; filename=\"{}-{file}\"", view.car.id);
    let (sender, receiver) = tokio::sync::mpsc::channel(4);
    // Ends with the table or with the reader's connection, whichever is first.
    tokio::task::spawn_blocking(move || {
        let result = app.ask_here(|desk| write(desk, &view, which, span, &sender));
        if let Err(failure) = result {
            // The connection breaks, so that a table cut short can't be taken for a whole one.
            let _ = sender.blocking_send(Err(io::Error::other(failure.message)));
        }
    });
    let headers =
        [(header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()), (header::CONTENT_DISPOSITION, name)];
    Ok((headers, Body::from_stream(ReceiverStream::new(receiver))).into_response())
}

type Piece = Result<Bytes, io::Error>;

/// Hands bytes to the connection in pieces.
struct Pieces<'a> {
    held: Vec<u8>,
    to: &'a Sender<Piece>,
}

const PIECE: usize = 32 * 1024;

impl Write for Pieces<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.held.extend_from_slice(bytes);
        if self.held.len() >= PIECE {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.held.is_empty() {
            return Ok(());
        }
        let piece = Bytes::from(std::mem::take(&mut self.held));
        self.to.blocking_send(Ok(piece)).map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))
    }
}

fn write(desk: &Desk, view: &CarView, which: Which, span: Span, to: &Sender<Piece>) -> Result<(), Failure> {
    let pieces = Pieces { held: Vec::new(), to };
    match which {
        Which::Verdict(kind) => verdicts(desk, view, kind, span, pieces),
        Which::Samples => all_samples(desk, view, span, pieces),
    }
}

/// Cycles that are read at a time.
const AT_A_TIME: u32 = 200;

fn verdicts(
    desk: &Desk,
    view: &CarView,
    kind: table::Kind,
    span: Span,
    pieces: Pieces<'_>,
) -> Result<(), Failure> {
    let mut writer = table::Writer::new(kind, pieces).map_err(Failure::internal)?;
    let mut span = span;
    loop {
        let list = desk.catalogue.cycles(&CycleQuery {
            car: Some(view.car.id.clone()),
            span,
            newest_first: false,
            limit: AT_A_TIME,
            ..CycleQuery::default()
        })?;
        for cycle in query::whole(desk, &list)? {
            writer.cycle(&cycle).map_err(Failure::internal)?;
        }
        match list.last() {
            Some(last) if list.len() >= AT_A_TIME as usize => span.from = Micros(last.start.0 + 1),
            _ => break,
        }
    }
    writer.finish().map_err(Failure::internal)?;
    Ok(())
}

/// Samples are read in stretches of this length.
const STRETCH: Seconds = Seconds(600.0);

fn all_samples(desk: &Desk, view: &CarView, span: Span, pieces: Pieces<'_>) -> Result<(), Failure> {
    let utc = |at: Micros| at;
    let mut writer = samples::Writer::new(&view.profile, &utc, pieces, true).map_err(Failure::internal)?;
    let mut from = span.from;
    while from < span.until {
        let until = (from + STRETCH).min(span.until);
        // The last moment of a stretch belongs to the next one.
        if let Ok(recording) = desk.recording(&view.car.id, from, Micros(until.0 - 1)) {
            replay(&view.profile, &recording, from, until, &mut writer);
        }
        from = until;
    }
    writer.finish().map_err(Failure::internal)?;
    Ok(())
}

/// Rows and edges of a recording within `from..until`, in order of time.
fn replay(profile: &Profile, recording: &Recording, from: Micros, until: Micros, to: &mut impl Sink) {
    let mut row = vec![f32::NAN; profile.signals.len()];
    for (ix, _) in profile.signals().filter(|(_, s)| s.kind.is_binary()) {
        if let Some(on) = recording.initial.get(ix.at()).copied().flatten() {
            row[ix.at()] = f32::from(u8::from(on));
        }
    }
    let mut edges = recording.edges.iter().peekable();
    let within = |at: Micros| at >= from && at < until;
    for (n, at) in recording.times.iter().enumerate() {
        while let Some(edge) = edges.next_if(|edge| edge.at <= *at) {
            if let Some(place) = row.get_mut(edge.signal.at()) {
                *place = f32::from(u8::from(edge.on));
            }
            // An edge at a row's own moment stands in the row.
            if edge.at < *at && within(edge.at) {
                to.item(Item::Edge { at: edge.at, signal: edge.signal, on: edge.on });
            }
        }
        for trace in &recording.analog {
            if let (Some(place), Some(value)) = (row.get_mut(trace.signal.at()), trace.values.get(n)) {
                *place = *value;
            }
        }
        if within(*at) {
            to.item(Item::Row { at: *at, values: &row });
        }
    }
    for edge in edges.filter(|edge| within(edge.at)) {
        to.item(Item::Edge { at: edge.at, signal: edge.signal, on: edge.on });
    }
}
