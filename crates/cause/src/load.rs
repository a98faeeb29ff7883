//! Text to a checked [`Table`], or to every problem in it.

use foldwatch_profile::Problem;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::place::Relation;
use crate::sign::SIGNS;
use crate::table::{Cause, Check, Hazard, Often, Row, Scope, Table, Unrecorded};

/// The table that comes with foldwatch.
pub const SHIPPED: &str = include_str!("../../../config/causes.toml");

/// Far more than any table needs; it keeps a wrong file from being picked over.
const LONGEST_FILE: usize = 1 << 20;
/// Most causes and checks: the work grows with the square of the causes.
const MOST: usize = 200;

/// Problems told at once.
const MOST_TOLD: usize = 100;

const RELATIONS: [(&str, Relation); 6] = [
    ("there", Relation::There),
    ("where-closed", Relation::WhereClosed),
    ("where-open", Relation::WhereOpen),
    ("still-pressed", Relation::StillPressed),
    ("next-step", Relation::NextStep),
    ("first-step", Relation::FirstStep),
];

impl Table {
    /// The table that comes with foldwatch.
    ///
    /// ```
    /// let table = foldwatch_cause::Table::shipped();
    /// assert!(table.causes.iter().any(|cause| cause.id == "worn-pump"));
    /// ```
    pub fn shipped() -> Table {
        // A test reads it; an empty table, which explains nothing, is what a broken one would become.
        Table::parse(SHIPPED).unwrap_or_else(|_| Table {
            leak: vec![0.01; SIGNS.len()],
            causes: Vec::new(),
            checks: Vec::new(),
        })
    }

    /// Reads and checks a whole table.
    ///
    /// # Errors
    /// Every problem in the file, in order of place.
    ///
    /// ```
    /// let problems = foldwatch_cause::Table::parse("format = 1\n[[cause]]\nid = 'x'\nprior = 2").unwrap_err();
    /// let told: Vec<String> = problems.iter().map(|problem| problem.to_string()).collect();
    /// assert!(told.contains(
    ///     &"line 4, column 9: cause.prior: 2 is out of range; give a number from 0.0001 to 0.5".to_owned()
    /// ), "{told:?}");
    /// ```
    pub fn parse(text: &str) -> Result<Table, Vec<Problem>> {
        let mut reader = Reader { text, found: Vec::new() };
        if text.len() > LONGEST_FILE {
            reader.wrong(
                0,
                "",
                format!("{} bytes are too many for a table", text.len()),
                "give another file",
            );
            return Err(reader.found);
        }
        let (root, unreadable) = DeTable::parse_recoverable(text);
        for error in &unreadable {
            let at = error.span().map_or(0, |span| span.start);
            reader.wrong(at, "", error.message(), "write one `key = value` a line, texts in quotes");
        }
        if !unreadable.is_empty() {
            // What is absent may only look so.
            return Err(reader.placed());
        }
        let table = reader.table(&Part { path: "", at: 0, keys: root.get_ref() });
        if reader.found.is_empty() { Ok(table) } else { Err(reader.placed()) }
    }
}

/// One table of the file.
#[derive(Clone, Copy)]
struct Part<'a> {
    path: &'static str,
    at: usize,
    keys: &'a DeTable<'a>,
}

impl<'a> Part<'a> {
    fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.keys.get(key)
    }

    fn shown(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}

struct Reader<'t> {
    text: &'t str,
    found: Vec<Problem>,
}

impl Reader<'_> {
    fn wrong(
        &mut self,
        at: usize,
        key: impl Into<String>,
        found: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        // Each takes a pass over the text; nobody mends more than this at a time.
        if self.found.len() < MOST_TOLD {
            self.found.push(Problem::at(self.text, at, key, found, remedy));
        }
    }

    fn placed(mut self) -> Vec<Problem> {
        self.found.sort_by_key(|p| (p.line, p.column));
        self.found
    }

    fn table(&mut self, root: &Part) -> Table {
        self.only(root, &["format", "sound", "cause", "check"]);
        if self.number(root, "format", 1.0..=1.0).is_none() && root.get("format").is_none() {
            self.wrong(0, "format", "not given, and must be", "write `format = 1` at the top");
        }
        let leak = self.leak(root);
        let causes: Vec<Cause> = self.parts(root, "cause").iter().map(|part| self.cause(part)).collect();
        self.no_twice(root, "cause", causes.iter().map(|c| c.id.as_str()));
        let checks: Vec<Check> =
            self.parts(root, "check").iter().map(|part| self.check(part, &causes)).collect();
        self.no_twice(root, "check", checks.iter().map(|c| c.id.as_str()));
        Table { leak, causes, checks }
    }

    fn leak(&mut self, root: &Part) -> Vec<f64> {
        let mut leak = vec![0.01; SIGNS.len()];
        let Some(value) = root.get("sound") else {
            self.wrong(root.at, "sound", "not given, and must be", "give each sign's chance without a cause");
            return leak;
        };
        let DeValue::Table(keys) = value.get_ref() else {
            self.wrong(value.span().start, "sound", "no table", "begin it with `[sound]`");
            return leak;
        };
        let part = Part { path: "sound", at: value.span().start, keys };
        let known: Vec<&str> = SIGNS.iter().map(|sign| sign.id).collect();
        self.only(&part, &known);
        for (n, sign) in SIGNS.iter().enumerate() {
            if let Some(chance) = self.number(&part, sign.id, 0.0001..=0.5) {
                leak[n] = chance;
            }
        }
        leak
    }

    fn cause(&mut self, part: &Part) -> Cause {
        self.only(part, &["id", "name", "scope", "prior", "two_kinds", "origin", "shows"]);
        self.text(part, "origin");
        let rows = match part.get("shows").map(|v| (v.span().start, v.get_ref())) {
            Some((_, DeValue::Array(list))) => list
                .iter()
                .filter_map(|item| match item.get_ref() {
                    DeValue::Table(keys) => {
                        self.row(&Part { path: "cause.shows", at: item.span().start, keys })
                    }
                    _ => {
                        self.wrong(
                            item.span().start,
                            "cause.shows",
                            "no table",
                            "each row is a table: `{ sign = ... }`",
                        );
                        None
                    }
                })
                .collect(),
            Some((at, _)) => {
                self.wrong(at, "cause.shows", "no list", "give a list of rows: [ { sign = ... } ]");
                Vec::new()
            }
            None => {
                self.wrong(part.at, "cause.shows", "not given, and must be", "give what the cause shows");
                Vec::new()
            }
        };
        Cause {
            id: self.id(part),
            name: self.text(part, "name"),
            scope: self.word(part, "scope", &Scope::WORDS).unwrap_or(Scope::Roof),
            prior: self.must(part, "prior", 0.0001..=0.5),
            two_kinds: self.yes_or_no(part, "two_kinds"),
            shows: rows,
        }
    }

    /// `false` where it is not given.
    fn yes_or_no(&mut self, part: &Part, key: &str) -> bool {
        let Some(value) = part.get(key) else { return false };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong(
                value.span().start,
                part.shown(key),
                "neither true nor false",
                "write true, or leave it out",
            );
            false
        })
    }

    fn row(&mut self, part: &Part) -> Option<Row> {
        self.only(part, &["sign", "at", "without", "chance", "often", "origin"]);
        let names: Vec<(&str, usize)> = SIGNS.iter().enumerate().map(|(n, s)| (s.id, n)).collect();
        let sign = self.word(part, "sign", &names);
        let at = match part.get("at") {
            Some(_) => self.word(part, "at", &RELATIONS)?,
            None => Relation::There,
        };
        let without = match part.get("without") {
            Some(_) => Some(self.word(part, "without", &Unrecorded::WORDS)?),
            None => None,
        };
        let often = self.word(part, "often", &Often::WORDS);
        let origin = self.text(part, "origin");
        let chance = self.chances(part);
        Some(Row { sign: sign?, at, without, chance: chance?, often: often?, origin })
    }

    /// Two or three chances: just noticeable, gross, and between them the middle, which else is their mean.
    fn chances(&mut self, part: &Part) -> Option<[f64; 3]> {
        let remedy = "give two chances from 0 to 0.999: [just noticeable, gross], or three";
        let key = part.shown("chance");
        let Some(value) = part.get("chance") else {
            self.wrong(part.at, key, "not given, and must be", remedy);
            return None;
        };
        let numbers: Vec<Option<f64>> = match value.get_ref() {
            DeValue::Array(list) => list.iter().map(|item| number(item.get_ref())).collect(),
            _ => Vec::new(),
        };
        let numbers: Option<Vec<f64>> =
            numbers.into_iter().map(|n| n.filter(|n| (0.0..=0.999).contains(n))).collect();
        match numbers.as_deref() {
            Some([least, most]) => Some([*least, 0.5 * (least + most), *most]),
            Some([least, middle, most]) => Some([*least, *middle, *most]),
            _ => {
                self.wrong(value.span().start, key, "not two or three chances", remedy);
                None
            }
        }
    }

    fn check(&mut self, part: &Part, causes: &[Cause]) -> Check {
        let keys = [
            "id",
            "does",
            "scope",
            "minutes",
            "hazard",
            "caution",
            "results",
            "otherwise",
            "given",
            "origin",
        ];
        self.only(part, &keys);
        let hazard = self.word(part, "hazard", &Hazard::WORDS).unwrap_or(Hazard::None);
        let caution = if part.get("caution").is_some() { self.text(part, "caution") } else { String::new() };
        if hazard != Hazard::None && caution.is_empty() {
            let remedy = "say what to heed, and that the maker's procedure comes first";
            self.wrong(part.at, "check.caution", "a hazard without a caution", remedy);
        }
        let results: Vec<String> = match part.get("results").map(Spanned::get_ref) {
            Some(DeValue::Array(list)) => {
                list.iter().filter_map(|item| item.get_ref().as_str().map(str::to_owned)).collect()
            }
            _ => Vec::new(),
        };
        let results = match <[String; 2]>::try_from(results) {
            Ok([bad, good]) if bad != good && is_id(&bad) && is_id(&good) => [bad, good],
            _ => {
                let at = part.get("results").map_or(part.at, |v| v.span().start);
                self.wrong(
                    at,
                    "check.results",
                    "not two words",
                    "name two results, the one that tells of trouble first",
                );
                [String::new(), String::new()]
            }
        };
        Check {
            id: self.id(part),
            does: self.text(part, "does"),
            scope: self.word(part, "scope", &Scope::WORDS).unwrap_or(Scope::Roof),
            minutes: self.must(part, "minutes", 0.5..=600.0),
            hazard,
            caution,
            results,
            leak: self.must(part, "otherwise", 0.001..=0.999),
            given: self.given(part, causes),
            origin: self.text(part, "origin"),
        }
    }

    fn given(&mut self, part: &Part, causes: &[Cause]) -> Vec<(usize, f64)> {
        let Some(value) = part.get("given") else {
            self.wrong(
                part.at,
                "check.given",
                "not given, and must be",
                "give the causes that it tells of: { id = 0.9 }",
            );
            return Vec::new();
        };
        let DeValue::Table(keys) = value.get_ref() else {
            self.wrong(value.span().start, "check.given", "no table", "write { id = 0.9, ... }");
            return Vec::new();
        };
        let part = Part { path: "check.given", at: value.span().start, keys };
        let known: Vec<&str> = causes.iter().map(|cause| cause.id.as_str()).collect();
        self.only(&part, &known);
        causes
            .iter()
            .enumerate()
            .filter_map(|(n, cause)| Some((n, self.number(&part, &cause.id, 0.0..=0.999)?)))
            .collect()
    }

    /// Reports every key that is not one of these.
    fn only(&mut self, part: &Part, known: &[&str]) {
        for name in part.keys.keys() {
            let key: &str = name.get_ref();
            if !known.contains(&key) {
                let remedy = match nearest(key, known) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => format!("known here: {}", known.join(", ")),
                };
                let shown = part.shown(&key.chars().take(60).collect::<String>());
                self.wrong(name.span().start, shown, "no such key", remedy);
            }
        }
    }

    fn parts<'a>(&mut self, root: &Part<'a>, key: &'static str) -> Vec<Part<'a>> {
        let Some(value) = root.get(key) else { return Vec::new() };
        let DeValue::Array(list) = value.get_ref() else {
            self.wrong(
                value.span().start,
                key,
                "no list of tables",
                format!("begin each one with `[[{key}]]`"),
            );
            return Vec::new();
        };
        if list.len() > MOST {
            self.wrong(
                value.span().start,
                key,
                format!("{} of them", list.len()),
                format!("at most {MOST} are possible"),
            );
            return Vec::new();
        }
        list.iter()
            .filter_map(|item| match item.get_ref() {
                DeValue::Table(keys) => Some(Part { path: key, at: item.span().start, keys }),
                _ => None,
            })
            .collect()
    }

    fn no_twice<'a>(&mut self, root: &Part, key: &'static str, ids: impl Iterator<Item = &'a str>) {
        let mut seen: Vec<&str> = Vec::new();
        for id in ids {
            if seen.contains(&id) && !id.is_empty() {
                let at = root.get(key).map_or(0, |v| v.span().start);
                self.wrong(at, format!("{key}.id"), format!("`{id}` stands twice"), "give each its own id");
            }
            seen.push(id);
        }
    }

    fn id(&mut self, part: &Part) -> String {
        let id = self.text(part, "id");
        if !id.is_empty() && !is_id(&id) {
            let at = part.get("id").map_or(part.at, |v| v.span().start);
            self.wrong(at, part.shown("id"), format!("`{id}` is no id"), "small letters, digits and `-`");
        }
        id
    }

    fn text(&mut self, part: &Part, key: &str) -> String {
        let at = part.get(key).map_or(part.at, |v| v.span().start);
        match part.get(key).map(|v| v.get_ref().as_str()) {
            Some(Some(text)) if !text.trim().is_empty() => text.to_owned(),
            Some(_) => {
                self.wrong(at, part.shown(key), "no text", "give a text in quotes");
                String::new()
            }
            None => {
                self.wrong(at, part.shown(key), "not given, and must be", "give a text in quotes");
                String::new()
            }
        }
    }

    fn word<T: Copy>(&mut self, part: &Part, key: &str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(part, key);
        if text.is_empty() {
            return None;
        }
        let known = words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        if known.is_none() {
            let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            let remedy = match nearest(&text, &names) {
                Some(meant) => format!("did you mean `{meant}`?"),
                None => format!("possible: {}", names.join(", ")),
            };
            let at = part.get(key).map_or(part.at, |v| v.span().start);
            self.wrong(at, part.shown(key), format!("`{text}` is not known"), remedy);
        }
        known
    }

    fn must(&mut self, part: &Part, key: &str, range: std::ops::RangeInclusive<f64>) -> f64 {
        if part.get(key).is_none() {
            let remedy = format!("give a number from {} to {}", range.start(), range.end());
            self.wrong(part.at, part.shown(key), "not given, and must be", remedy);
        }
        let least = *range.start();
        self.number(part, key, range).unwrap_or(least)
    }

    fn number(&mut self, part: &Part, key: &str, range: std::ops::RangeInclusive<f64>) -> Option<f64> {
        let value = part.get(key)?;
        let given = number(value.get_ref());
        if let Some(given) = given.filter(|given| range.contains(given)) {
            return Some(given);
        }
        let found = given.map_or("no number".to_owned(), |n| format!("{n} is out of range"));
        let remedy = format!("give a number from {} to {}", range.start(), range.end());
        self.wrong(value.span().start, part.shown(key), found, remedy);
        None
    }
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64),
        DeValue::Float(n) => n.as_str().parse::<f64>().ok().filter(|n| n.is_finite()),
        _ => None,
    }
}

fn is_id(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
}

/// The known word that was probably meant: two letters off at the most.
fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    if word.len() > 60 {
        return None;
    }
    let off = |known: &str| strsim::osa_distance(word, known);
    known.iter().copied().filter(|k| off(k) <= 2 && k.len() > 3).min_by_key(|k| off(k))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_is_the_mean_where_it_is_not_given_and_two_kinds_have_none() {
        let row = r#"{ sign = "run-on", chance = [0.2, 0.6], often = "some", origin = "o" }"#;
        let given = row.replace("0.2, 0.6", "0.2, 0.9, 0.6");
        let sound: String = SIGNS.iter().map(|sign| format!("{} = 0.01\n", sign.id)).collect();
        let cause = |id: &str, more: &str, row: &str| {
            format!(
                "[[cause]]\nid = \"{id}\"\nname = \"n\"\nscope = \"roof\"\nprior = 0.1\norigin = \"o\"\n{more}shows = [ {row} ]\n"
            )
        };
        let text = format!(
            "format = 1\n[sound]\n{sound}{}{}",
            cause("degrees", "", row),
            cause("kinds", "two_kinds = true\n", &given)
        );
        let table = Table::parse(&text).unwrap_or_else(|problems| panic!("{problems:?}"));
        let [degrees, kinds] = table.causes.as_slice() else { panic!("{}", table.causes.len()) };
        assert!((degrees.shows[0].chance[1] - 0.4).abs() < 1e-12 && degrees.degrees() == [0, 1, 2]);
        assert!(kinds.shows[0].chance == [0.2, 0.9, 0.6] && kinds.degrees() == [0, 2]);
    }

    #[test]
    fn the_shipped_table_is_sound_and_every_sign_has_its_chance() {
        let table = Table::parse(SHIPPED).unwrap_or_else(|problems| {
            panic!("{}", problems.iter().map(|p| format!("{p}\n")).collect::<String>())
        });
        for sign in SIGNS {
            assert!(
                table.causes.iter().flat_map(|c| &c.shows).any(|row| SIGNS[row.sign].id == sign.id),
                "no cause shows {}",
                sign.id
            );
            assert!(SHIPPED.contains(&format!("\n{} = ", sign.id)), "no chance given for {}", sign.id);
        }
        let told: f64 = table.causes.iter().map(|c| c.prior).sum();
        assert!((0.3..1.5).contains(&told), "all causes together {told}");
        for check in &table.checks {
            assert!(!check.given.is_empty(), "{}", check.id);
        }
        for cause in 0..table.causes.len() {
            let known = table.checks.iter().any(|check| check.given.iter().any(|(c, _)| *c == cause));
            assert!(known, "no check tells of {}", table.causes[cause].id);
        }
    }

    fn problems(text: &str) -> Vec<String> {
        Table::parse(text).unwrap_err().iter().map(|p| p.to_string()).collect()
    }

    #[test]
    fn every_problem_is_told_at_once_with_its_place() {
        let text = "format = 1\n[sound]\nslow-phse = 0.1\n[[cause]]\nid = \"A b\"\nname = \"x\"\nscope = \"rof\"\n\
                    prior = 0.1\norigin = \"o\"\nshows = [ { sign = \"nothing\", chance = [0.1], often = \"some\", origin = \"o\" } ]\n";
        let told = problems(text);
        for wanted in [
            "line 3, column 1: sound.slow-phse: no such key; did you mean `slow-phase`?",
            "line 5, column 6: cause.id: `A b` is no id; small letters, digits and `-`",
            "line 7, column 9: cause.scope: `rof` is not known; did you mean `roof`?",
            "line 10, column 40: cause.shows.chance: not two or three chances; give two chances from 0 to 0.999: [just noticeable, gross], or three",
        ] {
            assert!(told.iter().any(|t| t == wanted), "{wanted} not in {told:#?}");
        }
        assert!(
            told.iter()
                .any(|t| t.starts_with("line 10, column 20: cause.shows.sign: `nothing` is not known")),
            "{told:#?}"
        );
        assert!(problems("format = 1\nx = [").len() == 1);
        let hazard = "format = 1\n[sound]\n[[check]]\nid = \"c\"\ndoes = \"d\"\nscope = \"roof\"\nminutes = 1\nhazard = \"pressure\"\n\
                      results = [\"a\", \"b\"]\notherwise = 0.1\ngiven = {}\norigin = \"o\"\n";
        assert!(problems(hazard).iter().any(|t| t.contains("a hazard without a caution")));
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(12))]
        #[test]
        fn no_text_makes_it_panic(at in 0usize..20_000, with in "[ \\[\\]{}=\"a-z0-9\n]{0,6}") {
            let at = (at..SHIPPED.len()).find(|n| SHIPPED.is_char_boundary(*n)).unwrap_or(0);
            let end = (at + 5..SHIPPED.len()).find(|n| SHIPPED.is_char_boundary(*n)).unwrap_or(SHIPPED.len());
            let text = format!("{}{with}{}", &SHIPPED[..at], &SHIPPED[end.max(at)..]);
            let _ = Table::parse(&text);
        }
    }
}
