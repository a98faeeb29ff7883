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
    /// Collect from serial ports, judge, and serve the pages.
    Serve(Serve),
    /// Print the settings that `serve` would work with, and where each comes from.
    Settings(SettingsAsked),
    /// Say who may do what in a daemon's folder, and see who did what.
    Access(crate::access::Access),
    /// Copy a daemon's folder while it runs, and say whether a copy is whole.
    Backup(crate::backup::Backup),
    /// Play a week of an invented car through a pseudo-terminal, print its verdict, and serve the pages.
    Demo(Demo),
    /// List the serial ports, and which logger speaks there.
    Ports(Ports),
    /// Make a signed bag of evidence, or say whether one is whole.
    Evidence(crate::evidence::Evidence),
    /// Tell whether phases get slower, and when their limit is reached.
    Trend(Trend),
    /// Tell what a repair brought: before against after.
    Compare(Compare),
    /// Tell which car of a daemon's folder comes first, and how each kind of roof does by the month.
    Fleet(Fleet),
    /// Tell who outside is told of what, and try whether messages arrive.
    Alarms(Alarms),
    /// Measure on simulated roofs how often the verdict is right.
    Scorecard(Scorecard),
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
    /// Another table of causes and checks than the one that comes with foldwatch.
    #[arg(long, value_name = "FILE")]
    pub causes: Option<PathBuf>,
    /// What a check gave: the ranking of the causes takes it in.
    #[arg(long = "result", value_name = "CHECK=RESULT")]
    pub results: Vec<String>,
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

/// Which car comes first.
#[derive(Debug, Args)]
pub struct Fleet {
    /// The folder of a daemon, which may be running.
    #[arg(long, value_name = "FOLDER")]
    pub data: PathBuf,
    /// The highest risk within 90 days first, instead of the one that is nearest to a limit.
    #[arg(long)]
    pub by_risk: bool,
    /// No more cars than this.
    #[arg(long, value_name = "CARS")]
    pub limit: Option<usize>,
    /// How to print it.
    #[arg(long, value_enum, default_value_t = ToRead::Table)]
    pub format: ToRead,
}

/// Who outside is told.
#[derive(Debug, Args)]
pub struct Alarms {
    /// The daemon's settings, with `[alarms]` in it.
    #[arg(long, value_name = "FILE", env = "FOLDWATCH_CONFIG")]
    pub config: PathBuf,
    /// The daemon's folder, where the settings don't say it.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// Send a message that says nothing by every way, and tell whether it arrived.
    #[arg(long = "try")]
    pub attempt: bool,
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
    /// Logs of one car, as `analyze` takes them.
    #[arg(
        required_unless_present = "data",
        value_name = "LOG",
        requires = "profile",
        conflicts_with = "data"
    )]
    pub logs: Vec<PathBuf>,
    /// The roof of these logs: a profile's file, or the id of one that comes with foldwatch.
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// The column map of a log in columns.
    #[arg(long, value_name = "FILE")]
    pub columns: Option<PathBuf>,
    /// Instead of logs: the folder of a daemon, which may be running.
    #[arg(long, value_name = "FOLDER", requires = "car")]
    pub data: Option<PathBuf>,
    /// Which car of that folder.
    #[arg(long, value_name = "ID", requires = "data")]
    pub car: Option<String>,
    /// From this moment on (RFC 3339).
    #[arg(long, value_name = "TIME", requires = "data", value_parser = moment)]
    pub from: Option<foldwatch_units::Micros>,
    /// To before this moment.
    #[arg(long, value_name = "TIME", requires = "data", value_parser = moment)]
    pub until: Option<foldwatch_units::Micros>,
    /// Which table.
    #[arg(long, value_enum, default_value_t = Table::Cycles)]
    pub table: Table,
    /// Where to write; standard output where none is given. The file appears only when it is whole.
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// A moment on the command line.
pub fn moment(text: &str) -> Result<foldwatch_units::Micros, String> {
    let found = foldwatch_report::parse_utc(text);
    found.ok_or_else(|| "no time; write it as 2026-05-04T12:00:00Z".to_owned())
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
    /// A fault, as `KIND[:TARGET][=STRENGTH][@CYCLE][+CYCLES][~CHANCE]`: the target is a signal's id or a step
    /// (`opening/NAME`), the strength lies between 0 (just noticeable) and 1 (gross); it is there from a cycle on
    /// (counted from 0), comes to its strength over so many cycles, and is there in a cycle by chance.
    #[arg(long = "fault", value_name = "FAULT")]
    pub faults: Vec<String>,
    /// How the log is written.
    #[arg(long, value_enum, default_value_t = SimulatedEncoding::Packed)]
    pub encoding: SimulatedEncoding,
    /// Where to; `.gz` is compressed. The truth goes beside it as JSON Lines, a column map too where it needs one.
    #[arg(long, short, value_name = "FILE", required_unless_present = "play")]
    pub output: Option<PathBuf>,
    /// Instead of a file: on a pseudo-terminal, as a logger would send it, so many times faster than it happened.
    #[arg(long, value_name = "SPEED", conflicts_with = "output", value_parser = speed)]
    pub play: Option<f64>,
}

/// Measured times, and what is known of the cars.
#[derive(Debug, Args)]
pub struct Measured {
    /// A CSV of car, time, direction, phase and seconds, in any order of columns; `-` reads standard input. Times are
    /// RFC 3339; those without an offset are taken for UTC.
    #[arg(required_unless_present = "data", value_name = "CSV", conflicts_with = "data")]
    pub times: Option<PathBuf>,
    /// Instead of a CSV: the folder of a daemon, which may be running.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// Only this car.
    #[arg(long, value_name = "ID")]
    pub car: Option<String>,
    /// A CSV of car, time and what was done: each entry splits the history.
    #[arg(long, value_name = "CSV", conflicts_with = "data")]
    pub services: Option<PathBuf>,
    /// How to print it.
    #[arg(long, value_enum, default_value_t = ToRead::Table)]
    pub format: ToRead,
}

/// Follow the trend.
#[derive(Debug, Args)]
pub struct Trend {
    /// What to read.
    #[command(flatten)]
    pub measured: Measured,
    /// The limit of every phase, in seconds.
    #[arg(long, value_name = "SECONDS", conflicts_with = "data", value_parser = limit)]
    pub limit: Option<f64>,
    /// The roof whose phases' limits hold: a profile's file, or the id of one that comes with foldwatch.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["data", "limit"])]
    pub profile: Option<PathBuf>,
    /// The moment that forecasts are made at; where none is given, that of the newest cycle (RFC 3339).
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub now: Option<foldwatch_units::Micros>,
}

/// Compare.
#[derive(Debug, Args)]
pub struct Compare {
    /// What to read.
    #[command(flatten)]
    pub measured: Measured,
    /// The moment between before and after (RFC 3339); where none is given, each car's last service entry.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub at: Option<foldwatch_units::Micros>,
}

/// Measure the verdict.
#[derive(Debug, Args)]
pub struct Scorecard {
    /// A shortened run.
    #[arg(long)]
    pub quick: bool,
    /// The same seed gives the same figures.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// How to print it.
    #[arg(long, value_enum, default_value_t = ToRead::Table)]
    pub format: ToRead,
    /// So many runs at a time.
    #[arg(long, default_value_t = 1)]
    pub jobs: usize,
}

/// How to print figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ToRead {
    /// For a person.
    Table,
    /// One JSON object.
    Json,
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

/// Run the daemon.
#[derive(Debug, Args)]
pub struct Serve {
    /// The settings; see config/foldwatch.toml.
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// The folder that holds everything.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// Where the pages are served.
    #[arg(long, value_name = "ADDRESS")]
    pub listen: Option<std::net::SocketAddr>,
    /// Where loggers are heard: a port, a pattern such as `/dev/ttyUSB*`, or `auto` for every USB port. May be given
    /// more than once.
    #[arg(long = "port", value_name = "PORT")]
    pub ports: Vec<String>,
    /// Speed of these ports.
    #[arg(long, default_value_t = crate::watch::settings::USUAL_BAUD)]
    pub baud: u32,
    /// The column map of a logger at these ports that prints delimited columns; they are the car's of `--car`.
    #[arg(long, value_name = "FILE", requires = "profile")]
    pub columns: Option<PathBuf>,
    /// A car besides those of the settings, with `--profile`.
    #[arg(long, value_name = "ID", default_value = "car", requires = "profile")]
    pub car: String,
    /// That car's roof: a profile's file, or the id of one that comes with foldwatch.
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// The key that signs evidence.
    #[command(flatten)]
    pub keys: crate::evidence::KeyFolder,
}

/// Print settings.
#[derive(Debug, Args)]
pub struct SettingsAsked {
    /// As `serve` is told them.
    #[command(flatten)]
    pub serve: Serve,
}

/// Play a week.
#[derive(Debug, Args)]
pub struct Demo {
    /// Exit after the verdict.
    #[arg(long)]
    pub once: bool,
    /// Where the pages are served.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8765")]
    pub listen: std::net::SocketAddr,
    /// Keep the data in this folder instead of a passing one.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
}

/// List ports.
#[derive(Debug, Args)]
pub struct Ports {
    /// Ports to listen at; all, where none is named.
    #[arg(value_name = "PORT")]
    pub names: Vec<String>,
    /// So many seconds are listened; 0: not at all.
    #[arg(long, default_value_t = 3.0, value_parser = seconds)]
    pub listen: f64,
    /// Speed of the ports.
    #[arg(long, default_value_t = crate::watch::settings::USUAL_BAUD)]
    pub baud: u32,
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (0.0..=3600.0).contains(&seconds) => Ok(seconds),
        _ => Err("between 0 and 3600 seconds".to_owned()),
    }
}

fn limit(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(limit) if limit > 0.0 && limit <= 36_000.0 => Ok(limit),
        _ => Err("between 0 and 36000 seconds".to_owned()),
    }
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=1e6).contains(&speed) => Ok(speed),
        _ => Err("between 0.1 and 1000000 times real time".to_owned()),
    }
}

fn rate(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(rate) if (1.0..=1000.0).contains(&rate) => Ok(rate),
        _ => Err("between 1 and 1000 samples a second".to_owned()),
    }
}
