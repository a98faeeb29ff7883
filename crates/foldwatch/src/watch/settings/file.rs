//! The settings as the file, the environment and the command line have them, and where each value comes from.

use std::ffi::OsString;
use std::fmt;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Result, anyhow, bail};
use foldwatch_profile::Problem;
use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use crate::watch::alarms::settings::AlarmKeys;

/// All settings. The names are those of the file.
#[derive(Debug, Clone, Default, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct File {
    pub data: Option<PathBuf>,
    pub keys: Option<PathBuf>,
    pub listen: Option<SocketAddr>,
    pub log_form: LogForm,
    pub tls: TlsKeys,
    pub limits: Limits,
    pub disk: Disk,
    pub keep: Keep,
    pub port: Vec<PortKeys>,
    pub car: Vec<CarKeys>,
    pub alarms: Option<AlarmKeys>,
}

/// How the log is written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum LogForm {
    /// Lines for people.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

#[derive(Debug, Clone, Default, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct TlsKeys {
    pub certificate: Option<PathBuf>,
    pub key: Option<PathBuf>,
}

/// Bounds on those who ask.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    pub connections: usize,
    pub connections_of_one_address: usize,
    pub head_s: u64,
    pub answer_s: u64,
    pub stalled_s: u64,
    pub body_kib: usize,
    pub requests_a_second: u32,
    pub requests_at_once: u32,
}

impl Default for Limits {
    fn default() -> Self {
        let usual = foldwatch_web::Bounds::default();
        Limits {
            connections: usual.connections,
            connections_of_one_address: usual.of_one,
            head_s: usual.head.as_secs(),
            answer_s: usual.answer.as_secs(),
            stalled_s: usual.stalled.as_secs(),
            body_kib: usual.body_bytes >> 10,
            requests_a_second: 20,
            requests_at_once: 200,
        }
    }
}

impl Limits {
    /// As the pages take them.
    pub fn bounds(&self) -> foldwatch_web::Bounds {
        let seconds = std::time::Duration::from_secs;
        foldwatch_web::Bounds {
            connections: self.connections.max(1),
            of_one: self.connections_of_one_address.max(1),
            head: seconds(self.head_s.max(1)),
            answer: seconds(self.answer_s.max(1)),
            stalled: seconds(self.stalled_s.max(1)),
            body_bytes: self.body_kib << 10,
        }
    }
}

/// Room on the disk.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct Disk {
    /// With less it is told.
    pub warn_mib: u64,
    /// With less nothing is taken over: loggers keep what they record.
    pub stop_mib: u64,
}

impl Disk {
    /// As the store takes it.
    pub fn reserve(&self) -> foldwatch_store::Options {
        foldwatch_store::Options { floor_bytes: self.stop_mib << 20 }
    }
}

impl Default for Disk {
    fn default() -> Self {
        Disk { warn_mib: 1024, stop_mib: 64 }
    }
}

/// How long samples are kept; verdicts and what people entered always are.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct Keep {
    /// In the archive, at the least; 0: for ever.
    pub days: u32,
    /// The archive's size at the most; 0: as large as it gets.
    pub archive_mib: u64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct PortKeys {
    pub name: String,
    #[serde(default = "usual_baud")]
    pub baud: u32,
    pub encoding: Option<PortEncoding>,
    /// Whose lines of columns come here: they tell no logger.
    pub car: Option<String>,
    /// What their columns are.
    pub columns: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum PortEncoding {
    Packed,
    Text,
    Columns,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct CarKeys {
    pub id: String,
    pub name: Option<String>,
    pub profile: PathBuf,
    #[serde(default)]
    pub loggers: Vec<String>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub group: String,
}

fn usual_baud() -> u32 {
    super::USUAL_BAUD
}

/// What can be said from outside of the file: tables of ports and cars can't.
const OUTSIDE: [(&str, &str); 18] = [
    ("data", "the folder that holds everything"),
    ("keys", "the folder of the key that signs evidence, outside the data"),
    ("listen", "where the pages are served"),
    ("log_form", "text or json"),
    ("tls.certificate", "PEM; with it and its key the pages are encrypted"),
    ("tls.key", "PEM"),
    ("limits.connections", "so many at once"),
    ("limits.connections_of_one_address", "so many at once of one address"),
    ("limits.head_s", "a request's head is waited for so long"),
    ("limits.answer_s", "an answer must have begun after so long"),
    ("limits.stalled_s", "who takes nothing of an answer for so long is cut"),
    ("limits.body_kib", "a request's body is at most so large"),
    ("limits.requests_a_second", "of one address of another machine, in the long run"),
    ("limits.requests_at_once", "of one address of another machine"),
    ("disk.warn_mib", "with less room it is told"),
    ("disk.stop_mib", "with less room nothing is taken over; loggers keep what they record"),
    ("keep.days", "samples stay in the archive for at least so long; 0: for ever"),
    ("keep.archive_mib", "beyond it the oldest samples leave the archive; 0: never"),
];

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    CommandLine,
    Environment(String),
    File(usize),
    Usual,
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::CommandLine => f.write_str("command line"),
            Source::Environment(name) => write!(f, "environment, {name}"),
            Source::File(line) => write!(f, "file, line {line}"),
            Source::Usual => f.write_str("usual"),
        }
    }
}

/// The settings with the way they came.
#[derive(Debug, Clone)]
pub struct Read {
    /// All of it.
    pub file: File,
    from: Vec<(&'static str, Source)>,
}

impl Read {
    /// From a file's text, the environment over it, and the command line over both.
    ///
    /// # Errors
    /// The first wrong key or value, with its place.
    pub fn new(
        text: Option<(&Path, &str)>,
        environment: impl Iterator<Item = (OsString, OsString)>,
        command_line: &[(&'static str, String)],
    ) -> Result<Read> {
        let mut all = Table::new();
        let mut from: Vec<(&'static str, Source)> =
            OUTSIDE.iter().map(|(key, _)| (*key, Source::Usual)).collect();
        if let Some((path, text)) = text {
            toml::from_str::<File>(text)
                .map_err(|error| anyhow!("{}: {}", path.display(), told(text, &error)))?;
            all = toml::from_str(text).map_err(|error| anyhow!("{}: {error}", path.display()))?;
            let spanned =
                toml::de::DeTable::parse(text).map_err(|error| anyhow!("{}: {error}", path.display()))?;
            for (key, source) in &mut from {
                if let Some(at) = place(spanned.get_ref(), key) {
                    *source = Source::File(text.get(..at).unwrap_or(text).matches('\n').count() + 1);
                }
            }
        }
        let mut said: Vec<(&'static str, String, Source)> = Vec::new();
        for (name, value) in environment {
            let (Some(name), Some(value)) = (name.to_str(), value.to_str()) else { continue };
            let Some(rest) = name.strip_prefix("FOLDWATCH_") else { continue };
            match OUTSIDE.iter().find(|(key, _)| variable(key) == rest) {
                Some((key, _)) => said.push((*key, value.to_owned(), Source::Environment(name.to_owned()))),
                // Other parts have variables of their own; only a slip is refused.
                None => {
                    let known: Vec<String> = OUTSIDE.iter().map(|(key, _)| variable(key)).collect();
                    if let Some(near) = nearest(rest, known.iter().map(String::as_str)) {
                        bail!("{name}: there is no such setting; did you mean FOLDWATCH_{near}?");
                    }
                }
            }
        }
        said.extend(command_line.iter().map(|(key, value)| (*key, value.clone(), Source::CommandLine)));
        for (key, value, source) in said {
            let one = alone(key, &value);
            let fits = one.clone().try_into::<File>();
            fits.map_err(|error| anyhow!("{key} = {value} ({source}): {}", error.message().trim()))?;
            merge(&mut all, one);
            if let Some((_, of)) = from.iter_mut().find(|(known, _)| *known == key) {
                *of = source;
            }
        }
        let file = all.try_into::<File>().map_err(|error| anyhow!("settings: {error}"))?;
        Ok(Read { file, from })
    }

    /// Every value that holds, and where it comes from; then ports and cars.
    pub fn told(&self) -> Result<String> {
        let all = Table::try_from(&self.file)?;
        let mut out = String::new();
        for (key, source) in &self.from {
            let value = look(&all, key).map_or_else(|| "-".to_owned(), Value::to_string);
            let meaning = OUTSIDE.iter().find(|(known, _)| known == key).map_or("", |(_, meaning)| *meaning);
            out.push_str(&format!("{:<52} # {source}; {meaning}\n", format!("{key} = {value}")));
        }
        for list in ["port", "car"] {
            if let Some(Value::Array(entries)) = all.get(list) {
                for entry in entries {
                    out.push_str(&format!("\n[[{list}]]\n{}", toml::to_string(entry)?));
                }
            }
        }
        if let Some(alarms) = all.get("alarms") {
            let alarms = Table::from_iter([("alarms".to_owned(), alarms.clone())]);
            out.push_str(&format!("\n{}", toml::to_string(&alarms)?));
        }
        Ok(out)
    }
}

/// `limits.head_s`: `LIMITS_HEAD_S`.
fn variable(key: &str) -> String {
    key.replace('.', "_").to_uppercase()
}

/// A table of one key. A value that is written like a number is one.
fn alone(key: &str, value: &str) -> Table {
    let value = match value.parse::<i64>() {
        Ok(number) => Value::Integer(number),
        Err(_) => Value::String(value.to_owned()),
    };
    let mut table = Table::new();
    match key.split_once('.') {
        Some((outer, inner)) => {
            table.insert(outer.to_owned(), Value::Table(Table::from_iter([(inner.to_owned(), value)])))
        }
        None => table.insert(key.to_owned(), value),
    };
    table
}

fn merge(all: &mut Table, one: Table) {
    for (key, value) in one {
        match (all.get_mut(&key), value) {
            (Some(Value::Table(into)), Value::Table(from)) => merge(into, from),
            (_, value) => {
                all.insert(key, value);
            }
        }
    }
}

fn look<'a>(all: &'a Table, key: &str) -> Option<&'a Value> {
    match key.split_once('.') {
        Some((outer, inner)) => all.get(outer)?.as_table()?.get(inner),
        None => all.get(key),
    }
}

/// The byte at which a key's value begins.
fn place(table: &toml::de::DeTable<'_>, key: &str) -> Option<usize> {
    let (outer, inner) = key.split_once('.').map_or((key, None), |(outer, inner)| (outer, Some(inner)));
    let value = table.get(outer)?;
    match inner {
        Some(inner) => Some(value.get_ref().as_table()?.get(inner)?.span().start),
        None => Some(value.span().start),
    }
}

/// What is wrong in a text, where, and the nearest right one.
fn told(text: &str, error: &toml::de::Error) -> Problem {
    let at = error.span().map_or(0, |span| span.start);
    let message = error.message().trim();
    // The message names what may stand there: "unknown field `logger`, expected one of `id`, `loggers`".
    let mut names = message.split('`').skip(1).step_by(2);
    let wrong = names.next();
    let known: Vec<&str> = names.collect();
    match (wrong, message.starts_with("unknown ")) {
        (Some(wrong), true) => {
            let what = if message.starts_with("unknown field") { "no such key" } else { "no such value" };
            let remedy = match nearest(wrong, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known: {}", known.join(", ")),
            };
            Problem::at(text, at, wrong, what, remedy)
        }
        _ => Problem::at(text, at, "", message, ""),
    }
}

/// The known name that was probably meant.
fn nearest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let near = known.map(|known| (strsim::damerau_levenshtein(name, known), known));
    near.filter(|(distance, known)| *distance <= 1 + known.len().min(name.len()) / 4)
        .min()
        .map(|(_, known)| known)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, environment: &[(&str, &str)], line: &[(&'static str, &str)]) -> Result<Read> {
        let environment =
            environment.iter().map(|(name, value)| (OsString::from(name), OsString::from(value)));
        let line: Vec<_> = line.iter().map(|(key, value)| (*key, (*value).to_owned())).collect();
        Read::new(Some((Path::new("f.toml"), text)), environment, &line)
    }

    fn source(read: &Read, key: &str) -> String {
        read.from.iter().find(|(known, _)| *known == key).unwrap().1.to_string()
    }

    #[test]
    fn each_value_holds_from_where_it_is_said_last_and_that_is_told() {
        let text = "\ndata = \"a\"\nlisten = \"127.0.0.1:1\"\n[disk]\nwarn_mib = 5\nstop_mib = 4\n";
        let environment = [
            ("FOLDWATCH_LISTEN", "127.0.0.1:2"),
            ("FOLDWATCH_DISK_STOP_MIB", "3"),
            ("FOLDWATCH_PICTURES", "x"),
            ("PATH", "y"),
        ];
        let read = read(text, &environment, &[("listen", "127.0.0.1:3")]).unwrap();
        assert_eq!(read.file.listen.unwrap().port(), 3);
        assert_eq!(read.file.disk, Disk { warn_mib: 5, stop_mib: 3 });
        for (key, from) in [
            ("data", "file, line 2"),
            ("listen", "command line"),
            ("disk.warn_mib", "file, line 5"),
            ("disk.stop_mib", "environment, FOLDWATCH_DISK_STOP_MIB"),
            ("limits.head_s", "usual"),
        ] {
            assert_eq!(source(&read, key), from, "{key}");
        }
        let told = read.told().unwrap();
        assert!(told.contains("disk.stop_mib = 3"), "{told}");
        assert!(told.contains("limits.connections = 256"), "{told}");
    }

    #[test]
    fn a_slip_is_refused_with_its_place_and_what_was_meant() {
        for (text, said) in [
            ("lissen = \"x\"\n", "f.toml: line 1, column 1: lissen: no such key; did you mean `listen`?"),
            ("[limits]\n  bodykib = 3\n", "line 2, column 3: bodykib: no such key; did you mean `body_kib`?"),
            ("log_form = \"jsn\"\n", "line 1, column 12: jsn: no such value; did you mean `json`?"),
            (
                "[[port]]\nname = \"auto\"\nencoding = \"paked\"\n",
                "column 12: paked: no such value; did you mean `packed`?",
            ),
            ("listen = \"nowhere\"\n", "line 1, column 10: invalid socket address"),
            ("[disk]\nwarn_mib = -1\n", "line 2, column 12"),
            ("data = \n", "line 1, column 8"),
        ] {
            let found = format!("{:#}", read(text, &[], &[]).unwrap_err());
            assert!(found.contains(said), "{text}: {found}");
        }
        for (environment, said) in [
            (
                ("FOLDWATCH_LISTNE", "x"),
                "FOLDWATCH_LISTNE: there is no such setting; did you mean FOLDWATCH_LISTEN?",
            ),
            (("FOLDWATCH_LISTEN", "x"), "listen = x (environment, FOLDWATCH_LISTEN): invalid socket address"),
            (
                ("FOLDWATCH_DISK_WARN_MIB", "much"),
                "disk.warn_mib = much (environment, FOLDWATCH_DISK_WARN_MIB)",
            ),
        ] {
            let found = format!("{:#}", read("", &[environment], &[]).unwrap_err());
            assert!(found.contains(said), "{environment:?}: {found}");
        }
    }

    #[test]
    fn all_that_can_be_said_outside_of_the_file_is_a_key_of_it() {
        let all = Table::try_from(File {
            data: Some("d".into()),
            keys: Some("k".into()),
            listen: Some(([127, 0, 0, 1], 1).into()),
            tls: TlsKeys { certificate: Some("c".into()), key: Some("k".into()) },
            ..File::default()
        });
        let all = all.unwrap();
        let mut known: Vec<String> = Vec::new();
        for (key, value) in &all {
            match value {
                Value::Table(inner) => known.extend(inner.keys().map(|inner| format!("{key}.{inner}"))),
                Value::Array(_) => {}
                _ => known.push(key.clone()),
            }
        }
        let mut outside: Vec<&str> = OUTSIDE.iter().map(|(key, _)| *key).collect();
        outside.sort_unstable();
        known.sort_unstable();
        assert_eq!(outside, known);
    }
}
