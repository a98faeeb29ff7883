//! The command line. Exit status 0: done and judged, whatever was found; 1: could not be done, and why; 2: usage.

// `println!` panics where nobody reads on; `out::say` does not.
#![warn(clippy::print_stdout)]

mod access;
mod alarms;
mod analyze;
mod backup;
mod check;
mod cli;
mod compare;
mod demo;
mod evidence;
mod export;
mod fleet;
mod input;
mod log;
mod out;
mod parquet;
mod ports;
mod profiles;
mod scorecard;
mod serve;
mod simulate;
mod times;
mod trend;
mod watch;
mod whole;

use std::process::ExitCode;

use clap::Parser;
use watch::settings::LogForm;

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    // The daemon's settings say how its log is written.
    if !matches!(cli.command, cli::Command::Serve(_)) {
        log::begin(LogForm::Text);
    }
    let done = match cli.command {
        cli::Command::Analyze(args) => analyze::run(&args),
        cli::Command::Check(args) => check::run(&args),
        cli::Command::Export(args) => export::run(&args),
        cli::Command::Simulate(args) => simulate::run(&args),
        cli::Command::Serve(args) => serve::run(&args),
        cli::Command::Settings(args) => serve::told(&args.serve),
        cli::Command::Access(args) => access::run(&args),
        cli::Command::Backup(args) => backup::run(&args),
        cli::Command::Demo(args) => demo::run(&args),
        cli::Command::Ports(args) => ports::run(&args),
        cli::Command::Evidence(args) => evidence::run(&args),
        cli::Command::Trend(args) => trend::run(&args),
        cli::Command::Compare(args) => compare::run(&args),
        cli::Command::Fleet(args) => fleet::run(&args),
        cli::Command::Alarms(args) => alarms::run(&args),
        cli::Command::Scorecard(args) => scorecard::run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("foldwatch: {error:#}");
            ExitCode::from(1)
        }
    }
}
