//! Many cycles to drift, change and forecast.
//!
//! Not here: files, clocks, pages, and what a cycle or a phase is; a series is just numbers with their cycle and moment.

pub mod stats;
