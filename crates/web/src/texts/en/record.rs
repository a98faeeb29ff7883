//! The service record and its forms.

pub const RECORD: &str = "Service record and notes";
pub const NOTHING_WRITTEN: &str = "Nothing was written yet.";
pub const WRITE_ENTRY: &str = "Write an entry";
pub const WRITE_LEAD: &str = "Work on the roof splits the history: what follows is judged by itself, and compared with what was before. Nothing is \
                              ever overwritten: a correction is a new entry.";
pub const ENTRY_KIND: &str = "What it is";
pub const KIND_SERVICE: &str = "Work that was done";
pub const KIND_NOTE: &str = "A note";
pub const ENTRY_SUBJECT: &str = "What was done, or noted";
pub const ENTRY_AT: &str = "When (UTC; empty: now)";
pub const ENTRY_TEXT: &str = "What else is worth knowing";
pub const ENTRY_CORRECTS: &str = "In place of entry number";
pub const ENTRY_CSV: &str =
    "Lines of a CSV with the columns at and subject, and if wanted kind, text and author";
pub const MANY_ENTRIES: &str = "Many entries at once";
pub const RECORD_CSV: &str = "The record as CSV";
pub const TAKE_IN: &str = "Take them in";
/// Under the form for many: how such lines look.
pub const CSV_EXAMPLE: &str = "at,subject\n2026-05-01T08:00:00Z,lid cylinder resealed";
pub const CORRECTED: &str = "Corrected later: it no longer counts.";

/// Offered while one writes; any words will do.
pub const USUAL_WORK: [&str; 7] = [
    "oil changed",
    "system bled",
    "cylinder resealed",
    "switch adjusted",
    "valve replaced",
    "pump replaced",
    "wiring repaired",
];

/// How an entry's kind is shown.
pub fn entry_kind(kind: &str) -> &'static str {
    match kind {
        "service" => "Work",
        "check" => "Check",
        _ => "Note",
    }
}

/// Entries that the page does not show.
pub fn older_entries(n: usize) -> String {
    format!("And {n} older ones, in the CSV.")
}

/// The entry stands for another one.
pub fn in_place_of(number: u64) -> String {
    format!("(in place of {number})")
}
