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
    /// `full` and `name` as they are compared: with every signal, for every delimiter, so that they are made once.
    plain: [String; 2],
    /// Name and unit where the unit is hung on: `pressure_bar`.
    hung_on: Option<(String, String)>,
}

impl Heading {
    pub fn new(cell: &str) -> Self {
        let full = cell.trim().trim_start_matches('#').trim().to_owned();
        let (name, bracket) = match full.find(['[', '(']) {
            Some(at) if at > 0 => {
                let inside = full[at + 1..].split([']', ')']).next().unwrap_or_default().trim();
                (full[..at].trim().to_owned(), Some(inside.to_owned()))
            }
            _ => (full.clone(), None),
        };
        let hung_on = name.rsplit_once(['_', ' ', '/']).filter(|(name, _)| !name.is_empty());
        Heading {
            plain: [plain(&full), plain(&name)],
            hung_on: hung_on.map(|(name, unit)| (plain(name), unit.to_owned())),
            full,
            name,
            bracket,
        }
    }

    /// Whether this column is the one that is called so, id and label made [`plain`]; with what its heading states as
    /// the unit.
    pub fn is_signal(&self, wanted: &[String; 2]) -> Option<Option<&str>> {
        let is = |name: &String| !name.is_empty() && wanted.contains(name);
        if self.plain.iter().any(is) {
            return Some(self.bracket.as_deref());
        }
        // `lid_c` is another switch, not `lid` in degrees: what is hung on is a unit only as it is usually written.
        let (name, unit) = self.hung_on.as_ref()?;
        (is(name) && Unit::exactly(unit).is_some()).then_some(Some(unit))
    }

    /// The unit that is hung on to the name: `supply_mV`. It may as well be a part of a name: `sensor_A`.
    pub fn hung_on_unit(&self) -> Option<Unit> {
        Unit::exactly(&self.hung_on.as_ref().filter(|_| self.bracket.is_none())?.1)
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
        let place = |name: &String| NAMES.iter().position(|wanted| wanted == name);
        let [full, name] = &self.plain;
        let bracket = self.bracket.as_deref().and_then(TimeUnit::find);
        if let Some(place) = place(name).or_else(|| place(full)) {
            return Some((place, bracket));
        }
        let (name, unit) = self.hung_on.as_ref()?;
        Some((place(name)?, Some(TimeUnit::find(unit)?)))
    }

    pub fn is_date(&self) -> bool {
        self.plain[0] == "date"
    }

    /// Whether a map that says `name`, which made [`plain`] is `wanted`, means this column: 0 exactly, 1 blanks and case
    /// apart, 2 without its unit.
    pub fn answers_to(&self, name: &str, wanted: &str) -> Option<usize> {
        if self.full == name.trim() {
            return Some(0);
        }
        if wanted.is_empty() {
            return None;
        }
        let [full, name] = &self.plain;
        if full == wanted {
            return Some(1);
        }
        (self.bracket.is_some() && name == wanted).then_some(2)
    }
}

/// The candidate that is nearest to what was written, if any is near.
pub(crate) fn nearest<'a>(written: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = plain(written);
    let length = wanted.chars().count();
    candidates
        .filter_map(|candidate| {
            let other = plain(candidate);
            let others = other.chars().count();
            let longest = length.max(others);
            // At least so many letters differ: what is of another length need not be compared.
            (length.abs_diff(others) * 2 <= longest)
                .then(|| (strsim::levenshtein(&wanted, &other), candidate, longest))
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
        let wanted = [plain("pressure"), plain("Pump pressure")];
        let unit = |cell: &str| {
            Heading::new(cell).is_signal(&wanted).map(|unit| unit.map(str::to_owned).unwrap_or_default())
        };
        assert_eq!(unit("pressure"), Some(String::new()));
        assert_eq!(unit("Pressure [kPa]"), Some("kPa".into()));
        assert_eq!(unit("pump pressure (bar)"), Some("bar".into()));
        assert_eq!(unit("pressure_bar"), Some("bar".into()));
        assert_eq!(unit("pressure bar"), Some("bar".into()));
        assert_eq!(unit("pressure [bar] (rear)"), Some("bar".into()));
        assert_eq!(unit("pressure [furlong]"), Some("furlong".into()));
        assert_eq!(unit("pressure_rear"), None);
        assert_eq!(unit("pressure_c"), None);
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
