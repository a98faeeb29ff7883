//! Ports.

pub const PORTS: &str = "Ports";
pub const PORTS_LEAD: &str = "Where foldwatch listens, and which car each logger sits in. It only listens: a logger keeps what it \
    has until its car is known.";
pub const PICK_PORT: &str = "Pick a port";
pub const NO_SERIAL_PORT: &str = "This machine has no serial port just now. Plug the logger in, wait a moment, and look again. Its adapter may need a driver.";
pub const NOT_LISTENED: &str = "Nobody listens here.";
pub const LISTEN_HERE: &str = "Listen here";
pub const SPEED: &str = "Speed, baud";
pub const LOGGER: &str = "Logger";
pub const SITS_IN: &str = "in";
pub const ANSWERS_HERE: &str = "answers here. No car names it yet, so it keeps what it records.";
pub const SITS_IN_WHICH: &str = "Which car does it sit in?";
pub const IT_SITS_THERE: &str = "It sits there";
pub const NO_LOGGER_YET: &str = "No logger has introduced itself here.";
