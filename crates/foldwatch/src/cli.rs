//! Commands and their options.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Tells what an electro-hydraulic folding roof did, step by step, what is wrong with it, why, and whether it is
/// getting worse. It only listens: it never drives anything.
#[derive(Debug, Parser)]
#[command(version, about, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Judge recorded logs.
    Analyze(Analyze),
    /// Check a roof profile (and a column map), and tell in words what they say.
    Check(Check),
    /// Write cycles, steps, findings, measures or raw samples as CSV.
    Export(Export),
    /// Write a log of a simulated roof, with the truth beside it.
    Simulate(Simulate),
}

/// The log and what is needed to read it.
#[derive(Debug, Args)]
pub struct Log {
    /// Logs of one car, in order of time: packed, text or delimited columns; `.gz` is taken as it is; `-`
    /// reads standard input.
    #[arg(required = true, value_name = "LOG")]
    pub logs: Vec<PathBuf>,
    /// The roof: a profile's file, or the id of one that comes with foldwatch.
    #[arg(long, value_name = "FILE")]
    pub profile: PathBuf,
    /// The column map of a log in columns.
    #[arg(long, value_name = "FILE")]
    pub columns: Option<PathBuf>,
}

/// Judge recorded logs.
#[derive(Debug, Args)]
pub struct Analyze {
    /// What to read.
    #[command(flatten)]
    pub log: Log,
    /// How to print the verdict.
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
    /// For `--format csv`: which table.
    #[arg(long, value_enum, default_value_t = Table::Findings)]
    pub table: Table,
}

/// How to print a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For a person.
    Table,
    /// One JSON object.
    Json,
    /// One table as CSV (RFC 4180).
    Csv,
}

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Table {
    /// One row a cycle.
    Cycles,
    /// One row a step.
    Phases,
    /// One row a finding.
    Findings,
    /// One row a measure.
    Measures,
    /// One row a moment, one column a signal.
    Samples,
}

/// Check a profile.
#[derive(Debug, Args)]
pub struct Check {
    /// The roof: a profile's file, or the id of one that comes with foldwatch.
    #[arg(value_name = "PROFILE", required_unless_present = "keys")]
    pub profile: Option<PathBuf>,
    /// A column map to check against the profile.
    #[arg(long, value_name = "FILE")]
    pub columns: Option<PathBuf>,
    /// Print every key that a profile may have, with its meaning.
    #[arg(long)]
    pub keys: bool,
}

/// Write CSV.
#[derive(Debug, Args)]
pub struct Export {
    /// What to read.
    #[command(flatten)]
    pub log: Log,
    /// Which table.
    #[arg(long, value_enum, default_value_t = Table::Cycles)]
    pub table: Table,
    /// Where to write; standard output where none is given. The file appears only when it is whole.
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Write a simulated log.
#[derive(Debug, Args)]
pub struct Simulate {
    /// The roof: a profile's file, or the id of one that comes with foldwatch.
    #[arg(long, value_name = "FILE")]
    pub profile: PathBuf,
    /// The same seed gives the same bytes.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// So many full cycles, some minutes apart, instead of a week of use.
    #[arg(long)]
    pub cycles: Option<u32>,
    /// Samples a second while the roof moves.
    #[arg(long, default_value_t = 100.0, value_parser = rate)]
    pub rate_hz: f64,
    /// A fault, as `KIND[:TARGET][=STRENGTH]`: the target is a signal's id or a step (`opening/NAME`), the strength
    /// lies between 0 (just noticeable) and 1 (gross).
    #[arg(long = "fault", value_name = "FAULT")]
    pub faults: Vec<String>,
    /// How the log is written.
    #[arg(long, value_enum, default_value_t = SimulatedEncoding::Packed)]
    pub encoding: SimulatedEncoding,
    /// Where to; `.gz` is compressed. The truth goes beside it as JSON Lines, a column map too where it needs one.
    #[arg(long, short, value_name = "FILE")]
    pub output: PathBuf,
}

/// How a simulated log is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SimulatedEncoding {
    /// Binary frames.
    Packed,
    /// Lines of text with a check.
    Text,
    /// A table, with a column map beside it.
    Columns,
}

fn rate(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(rate) if (1.0..=1000.0).contains(&rate) => Ok(rate),
        _ => Err("between 1 and 1000 samples a second".to_owned()),
    }
}
