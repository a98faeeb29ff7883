//! One cycle to measures and findings.
