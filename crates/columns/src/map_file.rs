//! A column map's text to a checked [`ColumnMap`], or everything that is wrong with it.

use crate::check::{Check, Table, number, place, shortened, whole};
use crate::map::{Column, ColumnMap, GapAfter, OnRule, SignalColumn, TimeColumn, TimeForm, WhenBack};
use crate::names::nearest;
use crate::number::Decimal;
use crate::record::Delimiter;
use crate::stamp;
use crate::time::{self, TimeUnit};
use foldwatch_profile::{Problem, Profile, Signal, SignalIx};
use foldwatch_units::{Micros, Seconds, Unit};
use jiff::tz::{TimeZone, TimeZoneDatabase};
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// A longer file is no column map.
const LONGEST_FILE: usize = 1 << 20;

impl ColumnMap {
    /// Reads a column map and checks it against the profile as a whole.
    ///
    /// ```
    /// # let profile = foldwatch_profile::parse(r#"
    /// #     id = "flap"
    /// #     name = "One flap"
    /// #     signal = [{ id = "pump", kind = "pump" }, { id = "is_open", kind = "switch" }]
    /// #     opening = [{ name = "Raise", confirm = "is_open", expected_s = 5 }]
    /// #     closing = [{ name = "Lower", confirm = "not is_open", expected_s = 4 }]
    /// # "#).map_err(|problems| problems[0].clone())?.profile;
    /// use foldwatch_columns::ColumnMap;
    /// let map = ColumnMap::parse(r#"
    ///     decimal = ","
    ///     [time]
    ///     column = "Zeit"
    ///     unit = "ms"
    ///     [[signal]]
    ///     id = "is_open"
    ///     column = "S1"
    ///     closed = { below = 2.5 }
    /// "#, &profile).map_err(|problems| problems[0].clone())?;
    /// assert_eq!(map.signals.len(), 1);
    ///
    /// let problems = ColumnMap::parse("[time]\ncolumn = 1\nunit = 'parsec'\n", &profile).unwrap_err();
    /// assert_eq!(
    ///     problems[0].to_string(),
    ///     "line 3, column 8: time.unit: `parsec` is no unit of time; one of ns, us, ms, s, min, h, d"
    /// );
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Every problem in the text, in order of place.
    pub fn parse(text: &str, profile: &Profile) -> Result<ColumnMap, Vec<Problem>> {
        let mut check = Check { text, profile, found: Vec::new() };
        if text.len() > LONGEST_FILE {
            check.wrong(0..0, "", "this is too long for a column map", "give a TOML file of at most 1 MiB");
            return Err(check.placed());
        }
        let (root, unreadable) = DeTable::parse_recoverable(text);
        let map = check.map(&Table { name: "", at: 0..0, keys: root.get_ref() });
        if !unreadable.is_empty() {
            // What is missing may only look so, and what stands on an unreadable line was reported with it.
            let lines: Vec<usize> =
                unreadable.iter().filter_map(|e| e.span()).map(|span| place(text, span.start).0).collect();
            check.found.retain(|(at, unsure, _)| !unsure && !lines.contains(&place(text, *at).0));
            for error in &unreadable {
                check.wrong(error.span().unwrap_or(0..0), "", error.message(), "write it as TOML 1.0");
            }
        }
        if check.found.is_empty() { Ok(map) } else { Err(check.placed()) }
    }
}

impl Check<'_> {
    fn map(&mut self, root: &Table<'_>) -> ColumnMap {
        self.known(root);
        self.take(root, "format", "1: this is the only form there is", |value| {
            (whole(value)? == 1).then_some(())
        });
        let delimiter =
            self.take(root, "delimiter", "one of \",\" \";\" \"\\t\" \"|\" \" \" or \"auto\"", |value| {
                Some(match value.as_str()? {
                    "auto" => None,
                    " " => Some(Delimiter::Blanks),
                    one @ ("," | ";" | "\t" | "|") => Some(Delimiter::Byte(one.as_bytes()[0])),
                    _ => return None,
                })
            });
        let decimal =
            self.take(root, "decimal", "\".\", \",\" or \"auto\"", |value| match value.as_str()? {
                "auto" => Some(None),
                "." => Some(Some(Decimal::Point)),
                "," => Some(Some(Decimal::Comma)),
                _ => None,
            });
        if let (Some((_, Some(Delimiter::Byte(b',')))), Some((at, Some(Decimal::Comma)))) =
            (&delimiter, &decimal)
        {
            self.wrong(
                at.clone(),
                "decimal",
                "the comma can't stand between cells and before fractions",
                "check which delimiter the log has",
            );
        }
        let header = self.take(root, "header", "true, false or \"auto\"", |value| match value.as_str() {
            Some(word) => (word == "auto").then_some(None),
            None => value.as_bool().map(Some),
        });
        let header = header.and_then(|(_, header)| header);
        let skip_lines = self.take(root, "skip_lines", "a whole number, not below 0", |value| {
            u64::try_from(whole(value)?).ok()
        });
        let comment = self.take(root, "comment", "one character, like \"#\"", |value| {
            match value.as_str()?.as_bytes() {
                [one] if one.is_ascii_graphic() => Some(*one),
                _ => None,
            }
        });
        let time = self.take(root, "time", "a table: [time]", |value| value.as_table());
        let time = time.map(|(at, keys)| self.time(&Table { name: "time", at, keys }, header));
        let (time, when_back, gap_after) = time.unwrap_or_default();
        let signals = self.signals(root, header);
        if header == Some(false) {
            let unnamed = |table: &str| match table {
                "time" => root
                    .get("time")
                    .and_then(|t| t.get_ref().as_table())
                    .is_none_or(|t| !t.contains_key("column")),
                table => root.get(table).is_none(),
            };
            for table in ["time", "signal"].into_iter().filter(|table| unnamed(table)) {
                let remedy = "without a header no column has a name: give its number from 1";
                self.note(
                    0,
                    true,
                    format!("{table}.column"),
                    "it is not given".to_owned(),
                    remedy.to_owned(),
                );
            }
        }
        ColumnMap {
            delimiter: delimiter.and_then(|(_, delimiter)| delimiter),
            decimal: decimal.and_then(|(_, decimal)| decimal),
            header,
            skip_lines: skip_lines.map_or(0, |(_, lines)| lines),
            comment: comment.map(|(_, comment)| comment),
            time,
            when_back,
            gap_after,
            signals,
        }
    }

    fn named_without_header(&mut self, header: Option<bool>, at: Range<usize>, key: String, column: &Column) {
        if header == Some(false) && matches!(column, Column::Name(_)) {
            self.wrong(at, key, "without a header no column has a name", "give the column's number from 1");
        }
    }

    fn time(&mut self, table: &Table<'_>, header: Option<bool>) -> (Option<TimeColumn>, WhenBack, GapAfter) {
        self.known(table);
        let column_of = |check: &mut Self, key: &str| {
            let (at, column) = check.column(table, key)?;
            check.named_without_header(header, at, table.shown(key), &column);
            Some(column)
        };
        let column = column_of(self, "column");
        let date_column = column_of(self, "date_column");
        let unit = self.words(table, "unit", "a unit of time");
        let unit = unit.and_then(|(at, word)| {
            let unit = TimeUnit::find(word);
            if unit.is_none() {
                let all: Vec<&str> = TimeUnit::SPELLINGS.iter().map(|(_, names)| names[0]).collect();
                let found = format!("`{}` is no unit of time", shortened(word));
                self.wrong(at, "time.unit", found, format!("one of {}", all.join(", ")));
            }
            unit
        });
        let form = self.time_form(table, "format");
        if let (Some(_), Some(value)) = (table.get("unit"), table.get("format")) {
            self.wrong(
                value.span(),
                "time.format",
                "`unit` is for plain numbers and `format` for all else",
                "give one of the two",
            );
        }
        let date_form = self.time_form(table, "date_format");
        if let (None, Some(value)) = (table.get("date_column"), table.get("date_format")) {
            self.wrong(
                value.span(),
                "time.date_format",
                "there is no `date_column`",
                "name it, or put the date into `format`",
            );
        }
        let zone = self.zone(table);
        let origin = self.origin(table, zone.as_ref());
        if let Some(value) = table.get("origin")
            && (date_column.is_some()
                || matches!(&form, Some(TimeForm::Rfc3339))
                || matches!(&form, Some(TimeForm::Pattern(pattern)) if pattern.contains("%d") || pattern.contains("%F")))
        {
            self.wrong(
                value.span(),
                "time.origin",
                "the times have a date of their own",
                "leave out one of the two",
            );
        }
        let when_back =
            self.take(table, "when_back", "\"drop\" or \"restart\"", |value| match value.as_str()? {
                "drop" => Some(WhenBack::Drop),
                "restart" => Some(WhenBack::Restart),
                _ => None,
            });
        let gap_after =
            self.take(table, "gap_after_s", "a number of seconds above 0, or \"never\"", |value| match value
                .as_str()
            {
                Some("never") => Some(GapAfter::Never),
                Some(_) => None,
                None => number(value).filter(|n| *n > 0.0 && *n < 1e9).map(|n| GapAfter::Span(Seconds(n))),
            });
        let time = TimeColumn {
            column,
            form: unit.map(TimeForm::Unit).or(form),
            date: date_column.map(|column| (column, date_form)),
            origin,
            zone,
        };
        (
            Some(time),
            when_back.map(|(_, when)| when).unwrap_or_default(),
            gap_after.map(|(_, after)| after).unwrap_or_default(),
        )
    }

    fn time_form(&mut self, table: &Table<'_>, key: &str) -> Option<TimeForm> {
        let (at, text) = self.words(table, key, "\"rfc3339\" or a pattern")?;
        if text == "rfc3339" {
            return Some(TimeForm::Rfc3339);
        }
        let remedy = "give \"rfc3339\", or a pattern like \"%d.%m.%Y %H:%M:%S%.f\"";
        if !text.contains('%') {
            let found = format!("`{}` holds no directive", shortened(text));
            self.wrong(at, table.shown(key), found, remedy);
            return None;
        }
        // What the library writes for some moment, and reads back, tells whether it knows every directive.
        let moment = jiff::Timestamp::UNIX_EPOCH.to_zoned_datetime(TimeZone::UTC);
        let known = || {
            let written = jiff::fmt::strtime::format(text, &moment)?;
            jiff::fmt::strtime::parse(text, written).map(|_| ())
        };
        if stamp::fields(text).is_none()
            && let Err(error) = known()
        {
            self.wrong(at, table.shown(key), error.to_string(), remedy);
            return None;
        }
        Some(TimeForm::Pattern(text.to_owned()))
    }

    fn zone(&mut self, table: &Table<'_>) -> Option<TimeZone> {
        let (at, name) = self.words(table, "time_zone", "a zone like \"Europe/Berlin\"")?;
        if let Ok(zone) = jiff::fmt::strtime::parse("%:z", name)
            && let Some(offset) = zone.offset()
        {
            return Some(TimeZone::fixed(offset));
        }
        let known = TimeZoneDatabase::bundled();
        match known.get(name) {
            Ok(zone) => Some(zone),
            Err(_) => {
                let names: Vec<String> = known.available().map(|name| name.to_string()).collect();
                let remedy = match nearest(name, names.iter().map(String::as_str)) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => "give a name like \"Europe/Berlin\", or an offset like \"+02:00\"".to_owned(),
                };
                self.wrong(at, "time.time_zone", format!("`{}` is no zone", shortened(name)), remedy);
                None
            }
        }
    }

    fn origin(&mut self, table: &Table<'_>, zone: Option<&TimeZone>) -> Option<Micros> {
        let wanted = "a date and time: \"2026-05-01T08:00:00Z\"";
        let (_, micros) = self.take(table, "origin", wanted, |value| {
            let text = match value {
                DeValue::Datetime(stamp) => stamp.to_string(),
                value => value.as_str()?.to_owned(),
            };
            let mut clock =
                time::Clock::new(time::Form::Stamp, None, 0, time::Zone::new(zone.cloned()), Decimal::Point);
            stamp::stamp(text.trim().as_bytes(), Decimal::Point)?.days?;
            clock.read(text.trim().as_bytes())
        })?;
        Some(Micros(micros))
    }

    fn signals(&mut self, root: &Table<'_>, header: Option<bool>) -> Vec<SignalColumn> {
        let tables = self.take(root, "signal", "tables, each begun by [[signal]]", |value| {
            value
                .as_array()?
                .iter()
                .map(|item| Some((item.span(), item.get_ref().as_table()?)))
                .collect::<Option<Vec<_>>>()
        });
        let mut out: Vec<SignalColumn> = Vec::new();
        for (at, keys) in tables.map(|(_, tables)| tables).unwrap_or_default() {
            let table = Table { name: "signal", at, keys };
            let Some(signal) = self.signal(&table, header) else { continue };
            if out.iter().any(|other| other.signal == signal.signal) {
                let at = table.get("id").map_or(table.at.clone(), |id| id.span());
                self.wrong(
                    at,
                    "signal.id",
                    "this signal has a column already",
                    "give each signal one column",
                );
            }
            out.push(signal);
        }
        out
    }

    fn signal(&mut self, table: &Table<'_>, header: Option<bool>) -> Option<SignalColumn> {
        self.known(table);
        let known = self.profile.signals.iter().map(|s| s.id.as_str());
        let signal: Option<(SignalIx, &Signal)> = match self.words(table, "id", "the id of a signal") {
            Some((at, id)) => {
                let found = self.profile.find(id);
                if found.is_none() {
                    let remedy = match nearest(id, known.clone()) {
                        Some(near) => format!("did you mean `{near}`?"),
                        None => format!("the profile's signals: {}", known.collect::<Vec<_>>().join(", ")),
                    };
                    let found = format!("the profile has no signal `{}`", shortened(id));
                    self.wrong(at, "signal.id", found, remedy);
                }
                found.map(|ix| (ix, self.profile.signal(ix)))
            }
            None => {
                if table.get("id").is_none() {
                    self.absent(table, "id", "name the signal of the profile");
                }
                None
            }
        };
        let column = self.column(table, "column");
        if let Some((at, column)) = &column {
            self.named_without_header(header, at.clone(), table.shown("column"), column);
        } else if table.get("column").is_none() {
            self.absent(table, "column", "name the column, or give its number from 1");
        }
        let scale = self.finite(table, "scale");
        if let Some((at, 0.0)) = &scale {
            self.wrong(
                at.clone(),
                "signal.scale",
                "with a scale of 0 every number becomes the same",
                "give another",
            );
        }
        let offset = self.finite(table, "offset");
        let unit = self.words(table, "unit", "a unit");
        let calibrated = self.take(table, "calibrated", "true or false", DeValue::as_bool);
        let closed = self.take(table, "closed", CLOSED, on_rule);
        let open = self.take(table, "open", "a value, or a list of values", values);

        let (ix, signal) = signal?;
        let foreign = if signal.kind.is_binary() {
            (&["scale", "offset", "unit", "calibrated"][..], "it is for numbers: use `closed` for a switch")
        } else {
            (&["closed", "open"][..], "it is for on/off signals")
        };
        for key in foreign.0 {
            if let Some(value) = table.get(key) {
                let found = format!("signal `{}` is a {}", signal.id, signal.kind.as_str());
                self.wrong(value.span(), table.shown(key), found, format!("take it out; {}", foreign.1));
            }
        }
        let unit = unit.filter(|_| !signal.kind.is_binary()).and_then(|(at, text)| {
            let fitting = format!("one of {}", Unit::spellings(signal.unit.quantity).join(", "));
            match text.parse::<Unit>() {
                Ok(unit) if unit.quantity == signal.unit.quantity => Some(unit),
                Ok(unit) => {
                    let found =
                        format!("{unit} is no unit of signal `{}`, which is a {}", signal.id, signal.kind.as_str());
                    let remedy = format!(
                        "{fitting}; or leave it out, and let a calibration in the profile lead from there to {}",
                        signal.unit
                    );
                    self.wrong(at, "signal.unit", found, remedy);
                    None
                }
                Err(unknown) => {
                    self.wrong(at, "signal.unit", unknown.to_string(), fitting);
                    None
                }
            }
        });
        if let (Some(_), Some((at, false))) = (table.get("unit"), &calibrated) {
            self.wrong(
                at.clone(),
                "signal.calibrated",
                "a number in a stated unit is not raw",
                "leave out `unit`, so that the profile's calibration leads to it",
            );
        }
        let on = match (closed, open) {
            (Some((_, OnRule::Values(on, _))), open) => Some(OnRule::Values(on, open.map(|(_, open)| open))),
            (Some((_, rule)), None) => Some(rule),
            (None, None) => None,
            (closed, Some((at, _))) => {
                if table.get("closed").is_none() || closed.is_some() {
                    self.wrong(
                        at,
                        "signal.open",
                        "it goes with the values of `closed`",
                        "say which values mean closed",
                    );
                }
                None
            }
        };
        Some(SignalColumn {
            signal: ix,
            column: column?.1,
            scale: scale.map_or(1.0, |(_, scale)| scale),
            offset: offset.map_or(0.0, |(_, offset)| offset),
            unit,
            calibrated: calibrated.map(|(_, calibrated)| calibrated),
            on,
        })
    }
}

const CLOSED: &str = "a value, a list of values, { above = 2.5 } or { below = 2.5 }";

fn on_rule(value: &DeValue<'_>) -> Option<OnRule> {
    let Some(table) = value.as_table() else { return Some(OnRule::Values(values(value)?, None)) };
    let mut keys = table.iter();
    let (Some((key, level)), None) = (keys.next(), keys.next()) else { return None };
    let level = number(level.get_ref()).filter(|level| level.is_finite())?;
    match key.get_ref().as_ref() {
        "above" => Some(OnRule::Above(level)),
        "below" => Some(OnRule::Below(level)),
        _ => None,
    }
}

/// One value or several, as they stand in cells.
fn values(value: &DeValue<'_>) -> Option<Vec<String>> {
    let one = |value: &DeValue<'_>| match value {
        DeValue::String(text) => Some(text.trim().to_owned()),
        DeValue::Boolean(flag) => Some(flag.to_string()),
        value => number(value).filter(|n| n.is_finite()).map(|n| n.to_string()),
    };
    match value.as_array() {
        Some(list) => {
            let all: Option<Vec<String>> = list.iter().map(|item| one(item.get_ref())).collect();
            all.filter(|all| !all.is_empty())
        }
        None => Some(vec![one(value)?]),
    }
}
