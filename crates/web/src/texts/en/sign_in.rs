//! Signing in and out.

pub const SIGN_IN: &str = "Sign in";
pub const SIGN_OUT: &str = "Sign out";
pub const SIGNED_IN: &str = "Signed in";
pub const SIGN_IN_NAME: &str = "Name";
pub const SIGN_IN_PASSWORD: &str = "Password";
pub const NOT_LOST: &str = "What you entered is not lost: it is shown once more when you are signed in.";
/// What stands between back quotes is typed as it is.
pub const SIGN_IN_HELP: &str = "On the machine itself everything can be looked at without signing in. The first name is `owner`; its \
    password was told when the daemon first started, and stands in the file `owner-password` in its folder. `foldwatch \
    access` adds people and tokens.";
pub const ENTERED_BEFORE: &str = "This is what you entered. It is kept when you send it.";
pub const SEND_IT: &str = "Enter it";
pub const LEAVE_IT: &str = "Leave it";

/// Who is signed in, around the name.
pub fn signed_in_as(role: &str) -> (&'static str, String) {
    ("You are signed in here as ", format!(", who may {role}."))
}

/// A form's field in words, where what was entered is shown once more.
pub fn field(name: &str) -> &str {
    match name {
        "check" => "Check",
        "result" => "What it gave",
        "author" => "Who",
        "subject" => "What",
        "kind" => "Kind",
        "at" => "When (UTC)",
        "text" => "In words",
        "corrects" => "In place of entry",
        "test" => "Test",
        "press" => "Answer",
        "port" => "Port",
        "baud" => "Speed, baud",
        "logger" => "Logger",
        "car" => "Car",
        "from" => "From (UTC)",
        "until" => "Until (UTC)",
        "cycles" => "Cycles",
        "paper" => "Paper",
        "revises" => "Corrects bag",
        "number" => "Bag",
        "csv" => "Lines",
        other => other,
    }
}
