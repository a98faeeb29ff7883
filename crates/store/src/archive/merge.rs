//! Two streams of rows, each in order of time, into one: a day that is sealed again takes in what came late.

use std::collections::BTreeSet;
use std::sync::Arc;

use foldwatch_units::Micros;

use super::samples::{SampleColumn, Samples, Source, kept};
use crate::StoreError;

/// Rows a batch of the result, and a row group of a file.
pub(crate) const BATCH: usize = 65_536;

type Batches<'a> = Box<dyn Iterator<Item = Result<Samples, StoreError>> + 'a>;

/// The columns of both: those of `old`, then what `new` has besides. A signal that changed its unit or kind stands
/// in a column of its own.
pub(crate) fn united(old: &[SampleColumn], new: &[SampleColumn]) -> Arc<[SampleColumn]> {
    let mut all = old.to_vec();
    for column in new {
        let mut column = column.clone();
        for number in 2.. {
            match all.iter().find(|there| there.name == column.name) {
                None => all.push(column.clone()),
                Some(there) if same(there, &column) => {}
                Some(_) => {
                    column.name = format!("{}#{number}", column.name.split('#').next().unwrap_or_default());
                    continue;
                }
            }
            break;
        }
    }
    all.into()
}

fn same(a: &SampleColumn, b: &SampleColumn) -> bool {
    a.unit == b.unit && a.binary == b.binary
}

/// Where a column of `from` stands in `to`.
fn place(from: &SampleColumn, to: &[SampleColumn]) -> Option<usize> {
    let base = |name: &str| name.split('#').next().unwrap_or_default().to_owned();
    to.iter()
        .position(|there| there == from)
        .or_else(|| to.iter().position(|there| base(&there.name) == from.name && same(there, from)))
}

/// A stream with the row that is next.
struct Rows<'a> {
    batches: Batches<'a>,
    batch: Option<Samples>,
    at: usize,
    /// Where the batch's columns stand in the result.
    places: Vec<Option<usize>>,
}

impl<'a> Rows<'a> {
    fn new(batches: Batches<'a>) -> Self {
        Rows { batches, batch: None, at: 0, places: Vec::new() }
    }

    /// Time of the next row.
    fn peek(&mut self, to: &[SampleColumn]) -> Result<Option<Micros>, StoreError> {
        loop {
            if let Some(at) = self.batch.as_ref().and_then(|batch| batch.times.get(self.at)) {
                return Ok(Some(*at));
            }
            match self.batches.next() {
                None => return Ok(None),
                Some(batch) => {
                    let batch = batch?;
                    self.places = batch.columns.iter().map(|column| place(column, to)).collect();
                    self.at = 0;
                    self.batch = Some(batch);
                }
            }
        }
    }

    /// The source of the row that was peeked at.
    fn source(&self) -> Option<&Source> {
        self.batch.as_ref().and_then(|batch| batch.sources.get(self.at))
    }

    /// Moves the row that was peeked at to `out`, or past.
    fn take(&mut self, out: Option<&mut Samples>) {
        if let (Some(out), Some(batch)) = (out, &self.batch) {
            out.times.push(batch.times[self.at]);
            out.sources.push(batch.sources[self.at].clone());
            out.values.iter_mut().for_each(|column| column.push(f32::NAN));
            for (values, place) in batch.values.iter().zip(&self.places) {
                if let Some(place) = *place
                    && let Some(last) = out.values[place].last_mut()
                {
                    *last = kept(&out.columns[place], values[self.at]);
                }
            }
        }
        self.at += 1;
    }
}

/// The rows of both in order of time, `old` first where times are equal. A row of `new` whose frame has a row of that
/// very time in `old` is there already and is left out.
pub(crate) struct Merge<'a> {
    columns: Arc<[SampleColumn]>,
    old: Rows<'a>,
    new: Rows<'a>,
    over: bool,
}

impl<'a> Merge<'a> {
    pub(crate) fn new(columns: Arc<[SampleColumn]>, old: Batches<'a>, new: Batches<'a>) -> Self {
        Merge { columns, old: Rows::new(old), new: Rows::new(new), over: false }
    }

    fn batch(&mut self) -> Result<Samples, StoreError> {
        let mut out = Samples::new(self.columns.clone());
        while out.len() < BATCH {
            let (old, new) = (self.old.peek(&self.columns)?, self.new.peek(&self.columns)?);
            let Some(at) = old.into_iter().chain(new).min() else { break };
            let mut there = BTreeSet::new();
            while self.old.peek(&self.columns)? == Some(at) {
                if new == Some(at) {
                    there.extend(self.old.source().cloned());
                }
                self.old.take(Some(&mut out));
            }
            while self.new.peek(&self.columns)? == Some(at) {
                let known = self.new.source().is_some_and(|source| there.contains(source));
                self.new.take(if known { None } else { Some(&mut out) });
            }
        }
        Ok(out)
    }
}

impl Iterator for Merge<'_> {
    type Item = Result<Samples, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let batch = self.batch();
        self.over = !batch.as_ref().is_ok_and(|batch| !batch.is_empty());
        match batch {
            Ok(batch) if batch.is_empty() => None,
            batch => Some(batch),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(name: &str, unit: &str) -> SampleColumn {
        SampleColumn { name: name.into(), unit: unit.into(), binary: false }
    }

    fn rows(columns: &[SampleColumn], rows: &[(i64, u64, f32)]) -> Samples {
        let mut all = Samples::new(columns.to_vec().into());
        for (at, sequence, value) in rows {
            all.times.push(Micros(*at));
            all.sources.push(Source { logger: "L".into(), boot: 1, sequence: *sequence });
            all.values.iter_mut().for_each(|column| column.push(*value));
        }
        all
    }

    fn merged(old: &[Samples], new: &[Samples]) -> Samples {
        let heads = |of: &[Samples]| of.first().map_or(Vec::new(), |batch| batch.columns.to_vec());
        let columns = united(&heads(old), &heads(new));
        let stream = |of: &[Samples]| -> Batches<'static> {
            let own = of.to_vec();
            Box::new(own.into_iter().map(Ok))
        };
        let mut all = Merge::new(columns, stream(old), stream(new)).collect::<Result<Vec<_>, _>>().unwrap();
        assert_eq!(all.len(), 1);
        all.remove(0)
    }

    #[test]
    fn what_came_late_falls_into_place_and_what_was_there_stays_single() {
        let p = [column("p", "bar")];
        let old = [rows(&p, &[(10, 1, 1.0), (20, 1, 2.0)]), rows(&p, &[(40, 2, 4.0)])];
        let new =
            [rows(&p, &[(5, 7, 0.5), (20, 1, 2.0), (20, 8, 9.0), (40, 2, 4.0)]), rows(&p, &[(50, 9, 5.0)])];
        let all = merged(&old, &new);
        assert_eq!(all.times.iter().map(|at| at.0).collect::<Vec<_>>(), [5, 10, 20, 20, 40, 50]);
        assert_eq!(all.values[0], [0.5, 1.0, 2.0, 9.0, 4.0, 5.0]);
    }

    #[test]
    fn a_signal_that_changed_its_unit_gets_a_column_of_its_own() {
        let old = [rows(&[column("a", "bar"), column("b", "A")], &[(1, 1, 1.0)])];
        let new = [rows(&[column("b", "V"), column("c", "V")], &[(2, 2, 2.0)])];
        let all = merged(&old, &new);
        let names: Vec<_> = all.columns.iter().map(|column| column.name.as_str()).collect();
        assert_eq!(names, ["a", "b", "b#2", "c"]);
        let second: Vec<_> = all.values.iter().map(|column| column[1]).collect();
        assert!(second[0].is_nan() && second[1].is_nan() && second[2..] == [2.0, 2.0], "{second:?}");
        // Once more, with what is in the file by now: no third column.
        let again = united(&all.columns, &new[0].columns);
        assert_eq!(*again, *all.columns);
    }
}
