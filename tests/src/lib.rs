//! Tests that need more than one crate live in `tests/`.
