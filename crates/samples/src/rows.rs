//! Items handed out in order of time, and a row that repeats the one before told apart.

use foldwatch_units::Micros;

use crate::item::{GapCause, Item, Sink};

/// The end of the items so far.
#[derive(Debug, Clone)]
pub(crate) struct Rows {
    /// Time of the last item.
    pub last: Option<Micros>,
    /// Something is missing between the last item and the next.
    pub gap: Option<GapCause>,
    /// The row before, if nothing but marks came after it.
    standing: bool,
    row: Vec<f32>,
    next: Vec<f32>,
    same: Vec<Micros>,
}

impl Rows {
    pub fn new(signals: usize) -> Self {
        Rows {
            last: None,
            gap: None,
            standing: false,
            row: vec![f32::NAN; signals],
            next: vec![f32::NAN; signals],
            same: Vec::new(),
        }
    }

    /// The logger started anew.
    pub fn begin(&mut self) {
        self.standing = false;
        if self.last.is_some() {
            self.gap = Some(GapCause::Restart);
        }
    }

    /// The recording reaches to a moment: ends a gap.
    pub fn known(&mut self, at: Micros, out: &mut impl Sink) -> Micros {
        let at = self.last.map_or(at, |last| last.max(at));
        if let Some(cause) = self.gap.take()
            && self.last.is_some()
        {
            self.flush(out);
            self.standing = false;
            self.last = Some(at);
            out.item(Item::Gap { until: at, cause });
        }
        at
    }

    /// An edge or a mark. One that comes a little late is not lost: it counts from the last item's time.
    pub fn event(&mut self, at: Micros, out: &mut impl Sink, item: impl FnOnce(Micros) -> Item<'static>) {
        let at = self.known(at, out);
        self.flush(out);
        let item = item(at);
        if matches!(item, Item::Edge { .. }) {
            self.standing = false;
        }
        self.last = Some(at);
        out.item(item);
    }

    /// A row; `repeats` when its numbers and levels are those of the row given before. False: its time is over already.
    pub fn row(
        &mut self,
        at: Micros,
        repeats: bool,
        fill: impl FnOnce(&mut [f32]),
        out: &mut impl Sink,
    ) -> bool {
        if self.last.is_some_and(|last| at < last || (at == last && self.standing)) {
            return false;
        }
        self.known(at, out);
        self.last = Some(at);
        if !(repeats && self.standing) {
            self.next.fill(f32::NAN);
            fill(&mut self.next);
            let equal = self.row.iter().zip(&self.next).all(|(a, b)| a.to_bits() == b.to_bits());
            if !(equal && self.standing) {
                self.flush(out);
                std::mem::swap(&mut self.row, &mut self.next);
                self.standing = true;
                out.item(Item::Row { at, values: &self.row });
                return true;
            }
        }
        self.same.push(at);
        true
    }

    /// Hands out the repeated rows that are held together.
    pub fn flush(&mut self, out: &mut impl Sink) {
        if !self.same.is_empty() {
            out.same(&self.same);
            self.same.clear();
        }
    }
}
