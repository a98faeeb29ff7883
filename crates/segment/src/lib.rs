//! Samples to cycles and their phases.

mod model;

pub use model::*;
