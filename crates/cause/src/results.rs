//! Results that a technician enters.

use foldwatch_profile::Profile;
use serde::{Deserialize, Serialize};

use crate::candidates;
use crate::table::Table;

/// What a check gave. Kept by name, with the car.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entered {
    /// The check, and its place: `oil-level`, `switch-place:lid_open`.
    pub check: String,
    /// One of its two results.
    pub result: String,
}

impl Entered {
    /// Reads `CHECK=RESULT`, as a person writes it.
    ///
    /// ```
    /// use foldwatch_cause::{Entered, Table};
    /// let profile = foldwatch_profile::parse(include_str!("../../../config/profiles/hardtop-five.toml")).unwrap().profile;
    /// let table = Table::shipped();
    /// assert_eq!(Entered::parse("oil-level=low", &table, &profile).unwrap().result, "low");
    /// assert!(Entered::parse("switch-place:lid_open=off", &table, &profile).is_ok());
    /// let error = Entered::parse("oil-level=gone", &table, &profile).unwrap_err();
    /// assert_eq!(error, "`oil-level` has no result `gone`: give `oil-level=low` or `oil-level=right`");
    /// ```
    ///
    /// # Errors
    /// In words: what is not known, and what would be right.
    pub fn parse(text: &str, table: &Table, profile: &Profile) -> Result<Entered, String> {
        let (check, result) =
            text.rsplit_once('=').ok_or_else(|| format!("`{text}`: write it as CHECK=RESULT"))?;
        let (id, at) = check.split_once(':').unwrap_or((check, ""));
        let known = table.checks.iter().find(|c| c.id == id).ok_or_else(|| {
            let ids: Vec<&str> = table.checks.iter().map(|c| c.id.as_str()).collect();
            format!("there is no check `{id}`; there are {}", ids.join(", "))
        })?;
        let places: Vec<String> =
            candidates::seats(known.scope, profile).into_iter().map(|seat| seat.key).collect();
        if !places.iter().any(|place| place == at) {
            let names: Vec<String> = places
                .iter()
                .map(|place| if place.is_empty() { id.to_owned() } else { format!("`{id}:{place}`") })
                .collect();
            return Err(format!("`{check}` names no place of this check on this roof: {}", names.join(", ")));
        }
        if !known.results.iter().any(|r| r == result) {
            let [bad, good] = &known.results;
            return Err(format!(
                "`{check}` has no result `{result}`: give `{check}={bad}` or `{check}={good}`"
            ));
        }
        Ok(Entered { check: check.to_owned(), result: result.to_owned() })
    }
}
