//! Evidence.

pub const EVIDENCE: &str = "A bag for a claim: everything that was recorded in a stretch of time, what follows from it, what it \
    was measured with, and a report, signed so that nobody can change it unseen. Whoever gets it can check all of it, with \
    foldwatch or without.";
pub const EVIDENCE_LIMITS: &str = "It shows what the sensors saw and that nobody has changed it since. It can't show who fitted \
    them, or that a sensor is right beyond its calibration.";
pub const MAKE_A_BAG: &str = "Make a bag";
pub const BAGS: &str = "Bags";
pub const NO_BAGS: &str = "None was made yet.";
pub const WHICH_PART: &str = "Which part of what was recorded";
pub const PART_FROM: &str = "From (UTC)";
pub const PART_UNTIL: &str = "Until (UTC)";
pub const PART_CYCLES: &str = "or cycles, counted from the car's first";
pub const PART_NOTE: &str = "The times of the car's newest week are filled in; empty: from the first moment, up to the newest cycle. Where \
    cycles are given, the times are not used.";
pub const LEAVE_OUT_TITLE: &str = "Leave out";
pub const THE_REPORT: &str = "The report";
pub const PAPER: &str = "Paper";
pub const IT_CORRECTS: &str = "It corrects";
pub const NO_EARLIER_BAG: &str = "no earlier bag";
pub const MAKE_IT: &str = "Make the bag";
pub const ONE_AT_A_TIME: &str = "One at a time: wait until the one below is made.";
pub const NOTHING_CAME: &str = "Nothing came of it:";
pub const DOWNLOAD: &str = "Download";
pub const WHAT_NAMES_IT: &str = "Its digests";
pub const DIGESTS: [&str; 4] = [
    "Tag manifest, SHA-256",
    "Signed by the key",
    "End of the chain over what was recorded",
    "End of the chain over the archive",
];
pub const CHECKING: &str = "How the other side checks it";
pub const CHECKING_KEY: [&str; 2] = [
    "Whoever gets a bag needs the public key by another way than the bag: ",
    ", or its fingerprint read out:",
];
pub const CHECKING_HOW: [&str; 2] = [
    "Then ",
    " says whether every byte is as signed, whether the samples are what was recorded, and whether they give the findings \
     and the report. The bag tells how it is done without foldwatch.",
];
pub const NO_KEY: &str = "There is no key to sign with; the log tells why. Say in the settings where keys may be kept (`keys`), \
    outside the data's folder.";

/// What can be left out of a bag: the field's name, and in words.
pub const LEAVE_OUT: [(&str, &str); 3] = [
    (
        "without_owner",
        "what may tell whose car it is: its name, who wrote entries, and the originals, which carry names",
    ),
    ("without_service", "the service record"),
    ("without_originals", "the originals: then only you can show that the samples are what was recorded"),
];

/// A size for people.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.0} kB", bytes as f64 / 1e3),
        _ => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}

pub const HOW_FAR: &str = "How far it is";
pub const STOP_MAKING: &str = "Stop it";

/// A bag by its number.
pub fn bag(number: u32) -> String {
    format!("bag {number}")
}

/// It stands in place of another one.
pub fn corrects_bag(number: u32) -> String {
    format!(", corrects bag {number}")
}

/// What a bag does not hold.
pub fn without(what: &str) -> String {
    format!("Without {what}.")
}
