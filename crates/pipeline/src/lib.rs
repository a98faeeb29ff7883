//! Samples to judged cycles: the pure steps joined.
