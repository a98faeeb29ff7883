//! Delimited lines of another logger to rows, through a column map.
