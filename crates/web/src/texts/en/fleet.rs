//! The fleet, and who was told of what.

use super::frame::NO_CARS;

pub const FLEET_LEAD: &str = "Every car by where its numbers go: the first one is the first to book.";
pub const FLEET_RATE: &str = "Book: the watch alarms and the change holds among all numbers of all cars, with no more than 1 in 20 such calls \
                              false (Benjamini-Hochberg), or the limit is passed. Look again: the watch alarms, which among so many may be chance.";
pub const FLEET_FIRST: &str = "First";
/// What may stand on top: the address's word, and in words.
pub const FLEET_ORDERS: [(&str, &str); 2] =
    [("days", "nearest to a limit"), ("risk", "highest risk in 90 days")];
pub const FLEET_GROUP: (&str, &str) = ("Group", "all groups");
pub const FLEET_KIND: (&str, &str) = ("Roof", "all roofs");
pub const FLEET_SHOW: &str = "Show";
pub const FLEET_NOW: &str = "As of the newest cycle of all, ";
pub const FLEET_COLUMNS: [&str; 6] =
    ["Car", "What to do", "Its limit", "What comes first", "Risk in 90 days", "Beside its kind"];
pub const UNLIKE_THEM: &str = "unlike them";
pub const TOLD_COLUMNS: [&str; 4] = ["Car", "Matter", "Seen", "Told"];
pub const TOLD: &str = "Messages";
pub const TOLD_ONCE: &str = "Each matter is told once by each way. Work in the service record ends it; after that it can be told anew.";
pub const TOLD_NOTHING: &str = "Nobody had to be told of anything so far.";
pub const TOLD_NOT_YET: &str = "Not yet: seen too seldom, or quiet hours.";
pub const TOLD_ENDED: &str = "(ended)";
pub const CALL_BOOK: &str = "Book";
pub const CALL_LOOK: &str = "Look again";
pub const CALL_NONE: &str = "Nothing to do";

/// While histories are being read.
pub fn fleet_waiting(cars: usize) -> String {
    match cars {
        1 => "The history of one car is still being read.".to_owned(),
        n => format!("The histories of {n} cars are still being read."),
    }
}

/// Where the list is empty.
pub fn fleet_empty(cars: usize) -> &'static str {
    if cars == 0 {
        NO_CARS
    } else {
        "No number of these cars can be followed yet: that takes cycles whose steps can be timed."
    }
}

/// In how many cycles a matter was seen; the last one follows.
pub fn matter_seen(cycles: u32) -> String {
    match cycles {
        1 => "once,".to_owned(),
        n => format!("in {n} cycles, last"),
    }
}

/// Numbers of a car that call for it, where it is more than one.
pub fn for_numbers(n: usize) -> String {
    format!("for {n} of its numbers")
}

/// A slope with its interval.
pub fn in_100_cycles(value: &str, low: &str, high: &str, unit: &str) -> String {
    let space = if unit.is_empty() { "" } else { " " };
    format!("{value}{space}{unit} in 100 cycles ({low} to {high})")
}

/// A number against what is usual for the kind.
pub fn of_the_usual(percent: &str, cars: usize) -> String {
    format!("{percent} % of the usual of {cars}")
}

/// The list is cut.
pub fn first_of(shown: usize, all: usize) -> String {
    format!("The first {shown} of {all} cars.")
}

/// The newest matters only.
pub fn newest_matters(shown: usize, all: usize) -> String {
    format!("The newest {shown} of {all}.")
}

/// What became of a message that has not arrived.
pub fn telling_fails(way: &str, trouble: &str) -> String {
    format!("{way}: {trouble}; again ")
}

/// It is under way.
pub fn telling_now(way: &str) -> String {
    format!("{way}: being sent")
}

/// It was tried for long enough.
pub fn telling_given_up(way: &str, trouble: &str) -> String {
    format!("{way}: given up, {trouble}")
}
