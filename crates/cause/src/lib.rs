//! Findings to ranked causes and the next check.
