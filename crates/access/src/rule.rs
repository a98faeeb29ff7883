//! What a request needs.

use crate::Role;

/// What a request needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Nothing: the way in, what it is made up with, and whether the daemon is there.
    Nothing,
    /// Somebody who may do at least so much.
    Role(Role),
}

/// What everybody may ask for.
const OPEN: [&str; 4] = ["/ready", "/sign-in", "/style.css", "/script.js"];
/// What only those who administer may ask for.
const OF_ADMINISTERING: [&str; 1] = ["/api/v1/trail"];

/// What a request needs. An address that is not known yet needs what its method says: reading needs somebody who may
/// look, everything else somebody who may work. So nothing new is open by being forgotten here.
///
/// ```
/// use foldwatch_access::{Need, Role, need};
/// assert_eq!(need("GET", "/cars/oak"), Need::Role(Role::Look));
/// assert_eq!(need("POST", "/cars/oak/checks"), Need::Role(Role::Work));
/// assert_eq!(need("POST", "/sign-in"), Need::Nothing);
/// ```
pub fn need(method: &str, path: &str) -> Need {
    let reads = matches!(method, "GET" | "HEAD");
    if OF_ADMINISTERING.contains(&path) {
        return Need::Role(Role::Administer);
    }
    match (reads, path) {
        (true, path) if OPEN.contains(&path) => Need::Nothing,
        (false, "/sign-in" | "/sign-out") => Need::Nothing,
        (true, _) => Need::Role(Role::Look),
        (false, _) => Need::Role(Role::Work),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_spelling_of_an_open_address_opens_another() {
        for path in
            ["/readyx", "/sign-in/", "//sign-in", "/sign-in/../cars/oak", "/SIGN-IN", "/style.css/x", ""]
        {
            assert_eq!(need("GET", path), Need::Role(Role::Look), "{path}");
        }
        for method in ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "get", "BREW"] {
            assert_eq!(need(method, "/ready"), Need::Role(Role::Work), "{method}");
        }
        assert_eq!(need("GET", "/api/v1/trail"), Need::Role(Role::Administer));
        assert_eq!(need("DELETE", "/api/v1/trail"), Need::Role(Role::Administer));
    }
}
