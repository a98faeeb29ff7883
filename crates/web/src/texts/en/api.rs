//! The list of the API.

pub const API: &str = "For programs: the API";
pub const API_LEAD: [&str; 2] =
    ["JSON over HTTP, described by ", " (OpenAPI 3.1). A failure has a stable code and a sentence."];
