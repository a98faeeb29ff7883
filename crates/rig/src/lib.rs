//! A simulated roof: battery, motor, pump, oil, cylinders, switches and control unit as physics, with faults of known
//! strength, seen through a logger, and the truth beside it.
//!
//! In goes a [`Scenario`]: a kind of roof (a profile), how it is used, the weather, the faults, a seed. Out come, by
//! [`simulate`], what a logger would record, and what really happened. The same scenario gives the same output, byte
//! for byte.
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
