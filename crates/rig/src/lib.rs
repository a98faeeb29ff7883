//! A simulated roof: battery, motor, pump, oil, cylinders, switches and control unit as physics, with faults of known
//! strength, seen through a logger, and the truth beside it.
//!
//! In goes a [`Scenario`]: a kind of roof (a profile), how it is used, the weather, the faults, a seed. Out come, by
//! [`simulate`], what a logger would record, and what really happened. The same scenario gives the same output, byte
//! for byte.
//!
//! ```
//! use foldwatch_rig::write::{WireLog, WireOptions};
//! use foldwatch_rig::{Fault, FaultKind, Scenario, Target, simulate};
//! # let text = include_str!("../../../config/profiles/hardtop-five.toml");
//! let profile = foldwatch_profile::parse(text).map_err(|problems| problems[0].clone())?.profile;
//! let mut scenario = Scenario::cycles(&profile, 7, 1);
//! scenario.faults.push(Fault::new(FaultKind::WornPump, Target::System, 0.5));
//! let mut log = WireLog::new(&scenario, WireOptions::new(foldwatch_encoder::Encoding::Packed, &scenario));
//! simulate(&scenario, &mut log)?;
//! log.finish()?;
//! assert!(log.drain().len() > 10_000);
//! assert_eq!(log.drain_truth().len(), 3); // the roof, one cycle, the log itself
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Not here: any formula or code of the analyser. The rig has its own oil, its own pump, its own everything, so that
//! the two can be held against each other; they share units and the profile only. No files and no clock either.

mod book;
mod channel;
mod condition;
mod fault;
mod layout;
mod oil;
mod params;
pub mod plant;
mod scenario;
mod sensor;
mod sim;
mod solver;
mod truth;
mod unit;
mod vary;
mod wire;
pub mod write;

pub use channel::Channel;
pub use fault::{Effects, Expected, Fault, FaultKind, Onset, Sensor, Target, Wire};
pub use layout::{Axis, Law, Layout, Move, Place};
pub use oil::{BULK, Oil, compressibility, density};
pub use params::{MoveParams, RigParams};
pub use scenario::{Operator, Scenario, Use, Weather};
pub use sim::{Energy, Recorder, RigEvent, simulate};
pub use solver::{Reached, SolverError, Stepper, with_solver};
pub use truth::{CycleTruth, FaultTruth, LogTruth, PhaseTruth, RoofTruth, TrueOutcome, TruthLine};
