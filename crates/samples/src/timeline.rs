//! Items' times mapped to UTC, beside the items.

use foldwatch_units::{Micros, Seconds};

use crate::clock::{Added, ClockFit, Exchange, Line};

/// The map from items' times to UTC: a line for each start of the logger and each setting of a clock.
///
/// Lines get better while exchanges come in, so a time is best mapped when it is shown or written, not when its item
/// comes by.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Timeline {
    pieces: Vec<Piece>,
    fit: ClockFit,
}

/// One line, from a moment on.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
struct Piece {
    from: Micros,
    line: Option<Line>,
    /// Items' times are UTC already by the logger's own clock.
    dated: bool,
    /// Where the piece before has ended, in UTC: this one does not go behind.
    floor: Option<Micros>,
}

/// A moment in UTC.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Utc {
    /// Since 1970.
    pub at: Micros,
    /// Standard uncertainty of the map; `None`: only the logger's own clock says so, nothing has confirmed it.
    pub u: Option<Seconds>,
}

/// A log of more starts than this forgets the map of the first ones.
const PIECES: usize = 4096;

impl Timeline {
    /// UTC at an item's time; `None`: nothing ever told the date.
    pub fn utc(&self, at: Micros) -> Option<Utc> {
        let ix = self.pieces.partition_point(|piece| piece.from <= at).saturating_sub(1);
        let piece = self.pieces.get(ix)?;
        let utc = match piece.line {
            Some(line) => Utc { at: line.utc(at), u: Some(line.u(at)) },
            None if piece.dated => Utc { at, u: None },
            None => return None,
        };
        Some(Utc { at: piece.floor.map_or(utc.at, |floor| floor.max(utc.at)), ..utc })
    }

    /// The line that holds at an item's time.
    pub fn line(&self, at: Micros) -> Option<Line> {
        let ix = self.pieces.partition_point(|piece| piece.from <= at).saturating_sub(1);
        self.pieces.get(ix)?.line
    }

    /// The latest line: offset, drift and residual for a status page.
    pub fn latest(&self) -> Option<Line> {
        self.pieces.last()?.line
    }

    /// The logger started anew: items from here on have a line of their own.
    pub(crate) fn begin(&mut self, from: Micros, dated: bool) {
        self.fit = ClockFit::default();
        self.piece(from, None, dated);
    }

    /// Takes an exchange, with the logger's moment as an item's time.
    pub(crate) fn add(&mut self, exchange: Exchange) -> Added {
        let added = self.fit.add(exchange);
        let line = self.fit.line();
        match (added, self.pieces.last_mut()) {
            (Added::Jump { .. }, Some(last)) => {
                let from = self.fit.begins().unwrap_or(exchange.logger).max(last.from);
                self.piece(from, line, false);
            }
            (_, Some(last)) => last.line = line,
            (_, None) => self.piece(exchange.logger, line, false),
        }
        added
    }

    fn piece(&mut self, from: Micros, line: Option<Line>, dated: bool) {
        let (from, floor) = match self.pieces.last() {
            Some(last) => {
                let from = from.max(last.from);
                (from, self.utc(from).map(|utc| utc.at).or(last.floor))
            }
            None => (from, None),
        };
        if self.pieces.len() == PIECES {
            self.pieces.remove(0);
        }
        self.pieces.push(Piece { from, line, dated, floor });
    }
}
