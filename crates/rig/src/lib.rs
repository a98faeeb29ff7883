//! A simulated roof with faults of known strength.
