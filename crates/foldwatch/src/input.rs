//! Logs from files and standard input to items: the encoding is recognised, compression undone.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, anyhow, bail};
use flate2::bufread::MultiGzDecoder;
use foldwatch_columns::ColumnMap;
use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Sink, Timeline};
use foldwatch_wire::{Decoded, Decoder, Encoding};

/// What a reading gave besides its items.
#[derive(Debug, Default)]
pub struct Reading {
    /// Which log.
    pub source: String,
    /// `packed`, `text`, `columns` or `parquet`.
    pub encoding: &'static str,
    /// What was left out, recognised, or worth saying.
    pub notes: Vec<String>,
    /// Rows that were read, of a log in columns.
    pub rows: u64,
    /// That rows could not be used, how many and why.
    pub unused: Option<String>,
    /// From item times to UTC, where the logger's own clock had to be mapped.
    pub timeline: Option<Timeline>,
}

/// So many bytes are looked at to recognise an encoding.
const PROBE: usize = 64 * 1024;
/// So many damaged stretches are told one by one; the rest is counted.
const TOLD: usize = 20;
/// So many bytes are taken at a time.
const PIECE: usize = 64 * 1024;

/// A column map from its file.
pub fn column_map(from: &Path, profile: &Profile) -> Result<ColumnMap> {
    let text = crate::profiles::read_text(from)?;
    ColumnMap::parse(&text, profile).map_err(|problems| crate::profiles::all(from, &problems))
}

/// The log before the `n`th that holds the same bytes. What is in a pipe can't be read twice, so it is taken for another.
pub fn given_before(logs: &[PathBuf], n: usize) -> Option<&Path> {
    let log = logs.get(n)?;
    logs[..n].iter().find(|earlier| same_bytes(earlier, log).unwrap_or(false)).map(PathBuf::as_path)
}

fn same_bytes(one: &Path, other: &Path) -> io::Result<bool> {
    let (of_one, of_other) = (std::fs::metadata(one)?, std::fs::metadata(other)?);
    if !of_one.is_file() || !of_other.is_file() || of_one.len() != of_other.len() {
        return Ok(false);
    }
    let (mut one, mut other) = (BufReader::new(File::open(one)?), BufReader::new(File::open(other)?));
    loop {
        let (a, b) = (one.fill_buf()?, other.fill_buf()?);
        let n = a.len().min(b.len());
        if a[..n] != b[..n] || n == 0 {
            return Ok(a.is_empty() && b.is_empty());
        }
        one.consume(n);
        other.consume(n);
    }
}

/// Reads one log to its end.
pub fn read(
    from: &Path,
    profile: &Arc<Profile>,
    columns: Option<&ColumnMap>,
    sink: &mut impl Sink,
) -> Result<Reading> {
    let name = if from == Path::new("-") { "standard input".to_owned() } else { from.display().to_string() };
    let source: Box<dyn Read + Send> = if from == Path::new("-") {
        Box::new(io::stdin())
    } else {
        Box::new(File::open(from).with_context(|| format!("{name} can't be opened"))?)
    };
    let mut source = BufReader::with_capacity(PIECE, source);
    let magic = source.fill_buf().with_context(|| format!("{name} can't be read"))?.to_vec();
    let reading = if magic.starts_with(b"PAR1") {
        if from == Path::new("-") {
            // Parquet is read from its end: a pipe must be a file first.
            let mut kept = tempfile::NamedTempFile::new().context("no room to keep standard input")?;
            io::copy(&mut source, &mut kept).with_context(|| format!("{name} can't be read"))?;
            in_parquet(kept.path(), profile, columns, sink)
        } else {
            in_parquet(from, profile, columns, sink)
        }
    } else if magic.starts_with(&[0x1f, 0x8b]) {
        plain(Box::new(MultiGzDecoder::new(source)), profile, columns, sink)
    } else {
        plain(Box::new(source), profile, columns, sink)
    };
    let mut reading = reading.with_context(|| name.clone())?;
    reading.source = name;
    Ok(reading)
}

fn plain(
    mut source: Box<dyn Read + Send>,
    profile: &Arc<Profile>,
    columns: Option<&ColumnMap>,
    sink: &mut impl Sink,
) -> Result<Reading> {
    let mut head = Vec::with_capacity(PROBE);
    source.by_ref().take(PROBE as u64).read_to_end(&mut head).map_err(|error| {
        anyhow!("the log breaks off within its first {PROBE} bytes: {error}; nothing was judged")
    })?;
    let encoding = match columns {
        Some(_) => Encoding::Columns,
        None => recognise(&head),
    };
    let whole = Cursor::new(head).chain(source);
    match encoding {
        Encoding::Columns => in_columns(whole, profile, columns, sink),
        framed => frames(whole, framed, profile, sink),
    }
}

fn in_parquet(
    from: &Path,
    profile: &Arc<Profile>,
    columns: Option<&ColumnMap>,
    sink: &mut impl Sink,
) -> Result<Reading> {
    // The lines are foldwatch's own: comma and point, whatever the map says of a text file.
    let mut map = columns.cloned().unwrap_or_default();
    map.delimiter = Some(foldwatch_columns::Delimiter::Byte(b','));
    map.decimal = Some(foldwatch_columns::Decimal::Point);
    let lines = crate::parquet::Lines::open(from)?;
    let reading = in_columns(lines, profile, Some(&map), sink)?;
    Ok(Reading { encoding: "parquet", ..reading })
}

fn recognise(head: &[u8]) -> Encoding {
    let mut decoder = Decoder::auto();
    decoder.push(head, &mut |_| {});
    decoder.finish(&mut |_| {});
    decoder.encoding().unwrap_or(Encoding::Columns)
}

fn in_columns(
    source: impl Read + Send,
    profile: &Arc<Profile>,
    columns: Option<&ColumnMap>,
    sink: &mut impl Sink,
) -> Result<Reading> {
    let inferred = ColumnMap::default();
    let report = foldwatch_columns::read(source, columns.unwrap_or(&inferred), profile, sink)?;
    let mut notes = report.assumed.clone();
    notes.extend(report.skipped.iter().map(ToString::to_string));
    if !report.extra_columns.is_empty() {
        notes.push(format!("columns that no signal needs, left out: {}", report.extra_columns.join(", ")));
    }
    if !report.unmapped_signals.is_empty() {
        let ids: Vec<&str> =
            report.unmapped_signals.iter().map(|ix| profile.signal(*ix).id.as_str()).collect();
        notes.push(format!("signals of the profile that the log does not carry: {}", ids.join(", ")));
    }
    let lost = report.lost_rows();
    let unused = report
        .worst_loss()
        .map(|why| format!("{lost} of {} rows could not be used: {why}", report.rows + lost));
    Ok(Reading { encoding: "columns", notes, rows: report.rows, unused, ..Reading::default() })
}

fn frames(
    mut source: impl Read,
    encoding: Encoding,
    profile: &Arc<Profile>,
    sink: &mut impl Sink,
) -> Result<Reading> {
    let mut decoder = Decoder::of(encoding);
    let mut assembler = Assembler::new(Arc::clone(profile));
    let mut notes = Vec::new();
    let (mut damaged, mut damaged_bytes, mut whole) = (0u64, 0u64, 0u64);
    let mut take = |decoded: Decoded, assembler: &mut Assembler, sink: &mut _| match decoded {
        Decoded::Frame(received) => {
            whole += 1;
            assembler.push(received.id, received.frame, sink);
        }
        Decoded::Damage(damage, _) => {
            damaged += 1;
            damaged_bytes += damage.bytes.end - damage.bytes.start;
            if damaged <= TOLD as u64 {
                notes.push(damage.message);
            }
            assembler.damaged();
        }
        Decoded::Columns(_) => {}
    };
    let mut piece = vec![0; PIECE];
    let mut at = 0u64;
    loop {
        let n = match source.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => bail!(
                "the log breaks off at byte {at}: {error}; it is damaged or cut off, and was not judged"
            ),
        };
        at += n as u64;
        decoder.push(&piece[..n], &mut |decoded| take(decoded, &mut assembler, sink));
    }
    decoder.finish(&mut |decoded| take(decoded, &mut assembler, sink));
    assembler.flush(sink);
    if whole == 0 {
        bail!("no whole frame in {at} bytes of {}; is this a log of a logger?", encoding.as_str());
    }
    if damaged > TOLD as u64 {
        notes.push(format!("{} more damaged stretches; {damaged_bytes} bytes in all", damaged - TOLD as u64));
    }
    let told = assembler.take_notes();
    let unfit = told.iter().any(|note| matches!(note, foldwatch_samples::Note::Unfit(..)));
    notes.extend(told.iter().map(ToString::to_string));
    if unfit {
        bail!("the log does not fit the profile: {}", notes.join("; "));
    }
    Ok(Reading {
        encoding: encoding.as_str(),
        notes,
        timeline: Some(assembler.timeline().clone()),
        ..Reading::default()
    })
}
