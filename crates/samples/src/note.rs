//! What is worth telling about a stream, besides its items.

use std::fmt;

use foldwatch_units::{Micros, Seconds};
use foldwatch_wire::FrameId;

use crate::binding::BindingError;

/// One thing that was noticed, for a person.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// A boot of the logger begins.
    Boot {
        /// Its hello.
        id: FrameId,
        /// The logger's name for people.
        name: String,
        /// Version of the firmware.
        firmware: String,
        /// Channels that the profile does not know: left out.
        unknown: Vec<String>,
        /// Signals of the profile that are not recorded, by their ids.
        unrecorded: Vec<String>,
        /// Signals that come in their own unit, so that the profile's calibration is not applied, by their ids.
        calibrated: Vec<String>,
    },
    /// The logger's channels do not fit the profile: nothing of this boot can be used.
    Unfit(FrameId, BindingError),
    /// Frames came without the hello that names their channels.
    NoHello(FrameId),
    /// Frames of a boot are missing.
    Missing {
        /// The first missing one.
        from: FrameId,
        /// Sequence number of the last missing one.
        to: u32,
    },
    /// The logger dropped rows because there was no room for them.
    Dropped {
        /// How many.
        rows: u32,
        /// When it said so.
        at: Micros,
    },
    /// The logger's counter went back within a boot.
    Back {
        /// In which frame.
        id: FrameId,
        /// By how much.
        by: Seconds,
    },
    /// The logger's counter went on by more than a day although no frame is missing.
    Ahead {
        /// In which frame.
        id: FrameId,
        /// By how much.
        by: Seconds,
    },
    /// The logger's own clock is not set, or not to a date of this time.
    NotSet(FrameId),
    /// The logger's own clock is behind what was recorded before.
    BehindTheLog(FrameId),
    /// A clock was set: the map to UTC jumps.
    ClockSet {
        /// In which frame.
        id: FrameId,
        /// By how much UTC goes forward.
        by: Seconds,
        /// When.
        at: Micros,
    },
    /// A time note says something that can't be.
    BadTime(FrameId),
    /// A frame does not fit the hello of its start.
    Misfit(FrameId),
    /// Frames of another logger came along: left out.
    Foreign(FrameId),
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Note::Boot { id, name, firmware, unknown, unrecorded, calibrated } => {
                write!(f, "logger {:08X} `{name}` (firmware {firmware}), start {}", id.logger, id.boot)?;
                if !unknown.is_empty() {
                    write!(f, "; channels not in the profile, left out: {}", unknown.join(", "))?;
                }
                if !unrecorded.is_empty() {
                    write!(f, "; signals of the profile not recorded: {}", unrecorded.join(", "))?;
                }
                if !calibrated.is_empty() {
                    write!(f, "; in their own unit, so the profile's calibration is taken as applied: ")?;
                    f.write_str(&calibrated.join(", "))?;
                }
                Ok(())
            }
            Note::Unfit(id, error) => write!(f, "start {}: {error}", id.boot),
            Note::NoHello(id) => write!(
                f,
                "frame {}.{} came without the hello of its start: channels without names can't be used; have the \
                 logger send frame {}.0 again",
                id.boot, id.sequence, id.boot
            ),
            Note::Missing { from, to } => {
                write!(f, "frames {}.{} to {}.{to} are missing", from.boot, from.sequence, from.boot)
            }
            Note::Dropped { rows, .. } => write!(
                f,
                "the logger dropped {rows} rows for want of room: collect it more often, or record fewer signals"
            ),
            Note::Back { id, by } => {
                write!(
                    f,
                    "frame {}.{}: the logger's counter went back by {:.3} s",
                    id.boot, id.sequence, by.0
                )
            }
            Note::Ahead { id, by } => write!(
                f,
                "frame {}.{}: the logger's counter went on by {:.1} h, but no frame is missing",
                id.boot,
                id.sequence,
                by.0 / 3600.0
            ),
            Note::NotSet(id) => write!(
                f,
                "start {}: the logger's clock is not set; times count from the start until a host tells the date",
                id.boot
            ),
            Note::BehindTheLog(id) => write!(
                f,
                "start {}: by its clock the logger started before its last record; its times go on from there",
                id.boot
            ),
            Note::ClockSet { by, .. } => {
                write!(f, "a clock was set by {:.1} s: dates before and after may not fit one another", by.0)
            }
            Note::BadTime(id) => {
                write!(f, "frame {}.{}: a time that can't be, left out", id.boot, id.sequence)
            }
            Note::Misfit(id) => write!(
                f,
                "frame {}.{}: does not fit the channels that the logger named at its start, left out",
                id.boot, id.sequence
            ),
            Note::Foreign(id) => write!(
                f,
                "frames of logger {:08X} are among those of another, left out; give each its own log",
                id.logger
            ),
        }
    }
}
