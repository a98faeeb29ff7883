//! The program as its users have it: the command line, the daemon, its pages.

// Helpers of tests are tests.
#![allow(clippy::unwrap_used)]

mod alarms;
mod backup;
mod columns;
mod command_line;
mod daemon;
mod deployed;
mod encrypted;
mod faults;
mod guided;
mod jobs;
mod keeping;
mod killed;
mod logger;
mod looks;
mod manager;
mod pages;
mod sample_logs;
mod trends;
mod warranty;
