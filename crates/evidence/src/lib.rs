//! Cycles to a signed bag and its report.
