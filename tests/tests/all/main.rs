//! All tests that need more than one crate, in one binary.

mod plain;
