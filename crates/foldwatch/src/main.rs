//! The command line. Exit status 0: done and judged, whatever was found; 1: could not be done, and why; 2: usage.

mod alarms;
mod analyze;
mod check;
mod cli;
mod compare;
mod demo;
mod evidence;
mod export;
mod fleet;
mod input;
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

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    tracing_subscriber::fmt()
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("FOLDWATCH_LOG")
                .unwrap_or_else(|_| "info,diffsol=warn".into()),
        )
        .with_writer(std::io::stderr)
        .init();
    let done = match cli.command {
        cli::Command::Analyze(args) => analyze::run(&args),
        cli::Command::Check(args) => check::run(&args),
        cli::Command::Export(args) => export::run(&args),
        cli::Command::Simulate(args) => simulate::run(&args),
        cli::Command::Serve(args) => serve::run(&args),
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
