//! A Parquet log as a table of text, so that one column map and one reader serve both.

use std::io::{self, Read};
use std::path::Path;

use anyhow::{Result, bail};
use foldwatch_report::rfc3339;
use foldwatch_store::{LogKind, LogValues, ParquetBatches, ParquetLog};

/// The lines of a Parquet file: a header, then its rows.
pub struct Lines {
    batches: ParquetBatches,
    text: Vec<u8>,
    at: usize,
}

impl Lines {
    /// Opens the file; columns that are neither numbers, states, moments nor texts are left out.
    pub fn open(from: &Path) -> Result<Self> {
        let log = ParquetLog::open(from)?;
        let names: Vec<&str> = log
            .columns()
            .iter()
            .filter(|column| column.kind != LogKind::Other)
            .map(|column| column.name.as_str())
            .collect();
        if names.is_empty() {
            bail!("no column that can be read");
        }
        let mut header = csv::Writer::from_writer(Vec::new());
        // A file that says its units, as the archive's do, has them in the header: its numbers are no raw ones.
        let with_unit = |name: &&str| match log.note(&format!("unit:{name}")) {
            Some(unit) if !unit.is_empty() => format!("{name} [{unit}]"),
            _ => (*name).to_owned(),
        };
        header.write_record(names.iter().map(with_unit))?;
        let text = header.into_inner().map_err(|error| error.into_error())?;
        Ok(Lines { batches: log.batches(&names)?, text, at: 0 })
    }

    fn next_batch(&mut self) -> io::Result<bool> {
        let Some(batch) = self.batches.next() else { return Ok(false) };
        let columns = batch.map_err(io::Error::other)?;
        let rows = columns.first().map_or(0, length);
        self.text.clear();
        self.at = 0;
        let mut lines = csv::Writer::from_writer(std::mem::take(&mut self.text));
        for row in 0..rows {
            lines.write_record(columns.iter().map(|column| cell(column, row))).map_err(io::Error::other)?;
        }
        self.text = lines.into_inner().map_err(|error| error.into_error())?;
        Ok(true)
    }
}

impl Read for Lines {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        while self.at == self.text.len() {
            if !self.next_batch()? {
                return Ok(0);
            }
        }
        let n = out.len().min(self.text.len() - self.at);
        out[..n].copy_from_slice(&self.text[self.at..self.at + n]);
        self.at += n;
        Ok(n)
    }
}

fn length(column: &LogValues) -> usize {
    match column {
        LogValues::Numbers(v) => v.len(),
        LogValues::Integers(v) => v.len(),
        LogValues::States(v) => v.len(),
        LogValues::Moments(v) => v.len(),
        LogValues::Texts(v) => v.len(),
    }
}

fn cell(column: &LogValues, row: usize) -> String {
    match column {
        LogValues::Numbers(v) if v[row].is_nan() => String::new(),
        LogValues::Numbers(v) => v[row].to_string(),
        LogValues::Integers(v) => v[row].map(|n| n.to_string()).unwrap_or_default(),
        LogValues::States(v) => v[row].map(|on| if on { "1" } else { "0" }.to_owned()).unwrap_or_default(),
        LogValues::Moments(v) => v[row].map(rfc3339).unwrap_or_default(),
        LogValues::Texts(v) => v[row].clone().unwrap_or_default(),
    }
}
