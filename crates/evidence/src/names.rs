//! Names of files in a bag: which are safe to open on any system.

use std::collections::BTreeMap;

/// Why a name may not stand in a bag; `None`: it may.
///
/// Bags come from others: a name must not lead out of the bag, nor mean another file on another system.
pub(crate) fn trouble(name: &str) -> Option<&'static str> {
    let part_trouble = |part: &str| {
        if part.is_empty() {
            Some("has an empty part")
        } else if part == "." || part == ".." {
            Some("leads out of its folder with `.` or `..`")
        } else if part.ends_with(['.', ' ']) {
            Some("has a part that ends in a dot or a blank, which other systems drop")
        } else if is_device(part) {
            Some("is the name of a device on other systems")
        } else {
            None
        }
    };
    if name.is_empty() {
        Some("is empty")
    } else if name.starts_with('/') || name.as_bytes().get(1) == Some(&b':') {
        Some("is absolute")
    } else if name.starts_with('~') {
        Some("begins with `~`, which a shell takes for a home folder")
    } else if name.contains('\\') {
        Some("has a backslash, which is a folder on other systems")
    } else if name.chars().any(|c| c.is_control() || matches!(c, ':' | '*' | '?' | '"' | '<' | '>' | '|')) {
        Some("has a character that is not safe in a file's name")
    } else if name.len() > 240 {
        Some("is too long")
    } else {
        name.split('/').find_map(part_trouble)
    }
}

fn is_device(part: &str) -> bool {
    let stem = part.split('.').next().unwrap_or_default().to_ascii_lowercase();
    matches!(stem.as_str(), "con" | "prn" | "aux" | "nul")
        || (stem.len() == 4
            && (stem.starts_with("com") || stem.starts_with("lpt"))
            && stem.ends_with(|c: char| c.is_ascii_digit()))
}

/// Two names that only differ in case: on many systems one file.
pub(crate) fn case_clash<'a>(names: impl Iterator<Item = &'a str>) -> Option<(&'a str, &'a str)> {
    let mut seen: BTreeMap<String, &str> = BTreeMap::new();
    for name in names {
        if let Some(other) = seen.insert(name.to_lowercase(), name) {
            return Some((other, name));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tricks_are_refused() {
        for name in [
            "",
            "/etc/passwd",
            "../x",
            "data/../../x",
            "data//x",
            "./x",
            "C:/x",
            "c:x",
            "data\\x",
            "~/x",
            "~root",
            "data/x\n",
            "data/nul.csv",
            "data/COM1",
            "data/x.",
            "data/x ",
            "data/a:b",
            "data/\u{0}",
        ] {
            assert!(trouble(name).is_some(), "{name:?}");
        }
        for name in ["bagit.txt", "data/samples.csv", "data/a.b/c-d_e", "data/.hidden", "data/côté.csv"] {
            assert_eq!(trouble(name), None, "{name:?}");
        }
    }

    #[test]
    fn names_that_differ_in_case_clash() {
        assert_eq!(case_clash(["data/a", "data/b", "data/A"].into_iter()), Some(("data/a", "data/A")));
        assert_eq!(case_clash(["data/a", "data/b"].into_iter()), None);
    }
}
