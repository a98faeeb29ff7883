//! Column names: what a header's cell means, and which one was probably meant.

use crate::time::TimeUnit;
use foldwatch_units::Unit;

/// Case, blanks and marks apart.
pub(crate) fn plain(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// A header's cell, taken apart: `p [bar]`, `current (A)`, `pressure_bar`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Heading {
    /// As it stands there.
    pub full: String,
    /// Without the unit in brackets.
    pub name: String,
    /// The text in the brackets.
    pub bracket: Option<String>,
}

impl Heading {
    pub fn new(cell: &str) -> Self {
        let full = cell.trim().trim_start_matches('#').trim().to_owned();
        let (name, bracket) = match full.find(['[', '(']) {
            Some(at) if at > 0 => {
                let inside = full[at + 1..].trim_end().trim_end_matches([']', ')']).trim();
                (full[..at].trim().to_owned(), Some(inside.to_owned()))
            }
            _ => (full.clone(), None),
        };
        Heading { full, name, bracket }
    }

    /// Name and unit where the unit is hung on: `pressure_bar`.
    fn hung_on(&self) -> Option<(&str, &str)> {
        self.name.rsplit_once(['_', ' ', '/']).filter(|(name, _)| !name.is_empty())
    }

    /// Whether this column is the one called `id` or `label`; with the unit that its heading states.
    pub fn is_signal(&self, id: &str, label: &str) -> Option<Option<Unit>> {
        let bracket = self.bracket.as_deref().and_then(|unit| unit.parse::<Unit>().ok());
        let wanted = [plain(id), plain(label)];
        let is = |name: &str| wanted.iter().any(|w| !w.is_empty() && *w == plain(name));
        if is(&self.name) || is(&self.full) {
            return Some(bracket);
        }
        let (name, unit) = self.hung_on()?;
        if !is(name) {
            return None;
        }
        unit.parse::<Unit>().ok().map(Some)
    }

    /// Whether this column holds the time: how well that fits (smaller is better), and the unit stated.
    pub fn is_time(&self) -> Option<(usize, Option<TimeUnit>)> {
        const NAMES: [&str; 12] = [
            "time",
            "timestamp",
            "datetime",
            "dateandtime",
            "t",
            "ts",
            "elapsed",
            "elapsedtime",
            "timeutc",
            "utc",
            "clock",
            "uptime",
        ];
        let place = |name: &str| {
            let name = plain(name);
            NAMES.iter().position(|wanted| *wanted == name)
        };
        let bracket = self.bracket.as_deref().and_then(TimeUnit::find);
        if let Some(place) = place(&self.name).or_else(|| place(&self.full)) {
            return Some((place, bracket));
        }
        let (name, unit) = self.hung_on()?;
        Some((place(name)?, Some(TimeUnit::find(unit)?)))
    }

    pub fn is_date(&self) -> bool {
        plain(&self.full) == "date"
    }

    /// Whether a map that says `name` means this column: 0 exactly, 1 blanks and case apart, 2 without its unit.
    pub fn answers_to(&self, name: &str) -> Option<usize> {
        if self.full == name.trim() {
            return Some(0);
        }
        let wanted = plain(name);
        if wanted.is_empty() {
            return None;
        }
        if plain(&self.full) == wanted {
            return Some(1);
        }
        (self.bracket.is_some() && plain(&self.name) == wanted).then_some(2)
    }
}

/// The candidate that is nearest to what was written, if any is near.
pub(crate) fn nearest<'a>(written: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = plain(written);
    candidates
        .map(|candidate| {
            let other = plain(candidate);
            let longest = wanted.chars().count().max(other.chars().count());
            (strsim::levenshtein(&wanted, &other), candidate, longest)
        })
        .filter(|(distance, _, longest)| *distance * 2 <= *longest)
        .min_by_key(|(distance, ..)| *distance)
        .map(|(_, candidate, _)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings() {
        let unit = |cell: &str| {
            Heading::new(cell).is_signal("pressure", "Pump pressure").map(|u| u.map(|u| u.symbol))
        };
        assert_eq!(unit("pressure"), Some(None));
        assert_eq!(unit("Pressure [kPa]"), Some(Some("kPa")));
        assert_eq!(unit("pump pressure (bar)"), Some(Some("bar")));
        assert_eq!(unit("pressure_bar"), Some(Some("bar")));
        assert_eq!(unit("pressure bar"), Some(Some("bar")));
        assert_eq!(unit("pressure_rear"), None);
        assert_eq!(unit("[bar]"), None);
    }

    #[test]
    fn times() {
        let time = |cell: &str| Heading::new(cell).is_time().map(|(_, unit)| unit);
        assert_eq!(time("time"), Some(None));
        assert_eq!(time("# Time (ms)"), Some(Some(TimeUnit::Milliseconds)));
        assert_eq!(time("t_us"), Some(Some(TimeUnit::Microseconds)));
        assert_eq!(time("time [µs]"), Some(Some(TimeUnit::Microseconds)));
        assert_eq!(time("Time stamp"), Some(None));
        assert_eq!(time("temperature"), None);
    }

    #[test]
    fn near_names() {
        assert_eq!(nearest("LID_OP", ["LID OPEN", "PUMP"].into_iter()), Some("LID OPEN"));
        assert_eq!(nearest("presure", ["pressure", "current"].into_iter()), Some("pressure"));
        assert_eq!(nearest("xyz", ["pressure", "current"].into_iter()), None);
    }
}
