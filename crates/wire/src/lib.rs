//! Bytes to frames, with a report of what was damaged.
