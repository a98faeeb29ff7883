//! Tables of measured times from other programs: car, time, direction, phase, seconds, in any order of columns.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use anyhow::{Context, Result, bail};
use foldwatch_trend::Service;
use foldwatch_trend::table::Row;
use foldwatch_units::{Direction, Micros, Seconds};

/// What a table gave.
#[derive(Debug, Default)]
pub struct Times {
    /// Its rows.
    pub rows: Vec<Row>,
    /// Rows without a time in seconds: nothing was measured there.
    pub empty: usize,
}

/// The names that a column may bear; the first one that is there counts. The later ones are those of foldwatch's own
/// table of steps.
const CAR: &[&str] = &["car"];
const TIME: &[&str] = &["time", "cycle_start_utc", "start_utc"];
const DIRECTION: &[&str] = &["direction"];
const PHASE: &[&str] = &["phase"];
const SECONDS: &[&str] = &["seconds", "corrected_s", "duration_s"];
const WHAT: &[&str] = &["what", "subject"];

/// Whose the rows of a table without a column for the car are.
const ONLY_CAR: &str = "car";

/// Measured times from a file or, for `-`, from standard input.
pub fn times(from: &Path) -> Result<Times> {
    let mut table = Table::open(from)?;
    let car = table.column(CAR);
    let [time, direction, phase, seconds] =
        [table.needed(TIME)?, table.needed(DIRECTION)?, table.needed(PHASE)?, table.needed(SECONDS)?];
    let mut found = Times::default();
    while table.next()? {
        let text = table.cell(seconds);
        if text.is_empty() {
            found.empty += 1;
            continue;
        }
        let value = match table.number(text) {
            Some(value) if value.is_nan() => {
                found.empty += 1;
                continue;
            }
            Some(value) if value.is_finite() && value >= 0.0 => value,
            _ => {
                return Err(table.bad(
                    seconds,
                    "seconds, 0 or more, like 4.21; an empty cell where nothing was measured",
                ));
            }
        };
        let way = match table.cell(direction).to_ascii_lowercase().as_str() {
            "opening" | "open" => Direction::Opening,
            "closing" | "close" => Direction::Closing,
            _ => return Err(table.bad(direction, "`opening` or `closing`")),
        };
        let name = table.cell(phase);
        if name.is_empty() {
            return Err(table.bad(phase, "the name of a step"));
        }
        found.rows.push(Row {
            car: car.map_or(ONLY_CAR, |car| table.cell(car)).to_owned(),
            at: table.moment(time)?,
            direction: way,
            phase: name.to_owned(),
            seconds: Seconds(value),
        });
    }
    Ok(found)
}

/// A service record: car, time, what. By car, in order of time.
pub fn services(from: &Path) -> Result<BTreeMap<String, Vec<Service>>> {
    let mut table = Table::open(from)?;
    let car = table.column(CAR);
    let (time, what) = (table.needed(&["time", "at"])?, table.needed(WHAT)?);
    let mut found: BTreeMap<String, Vec<Service>> = BTreeMap::new();
    while table.next()? {
        let service = Service { at: table.moment(time)?, what: table.cell(what).to_owned() };
        found.entry(car.map_or(ONLY_CAR, |car| table.cell(car)).to_owned()).or_default().push(service);
    }
    found.values_mut().for_each(|list| list.sort_by_key(|service| service.at));
    Ok(found)
}

/// A table being read, with what is needed to say where something is wrong.
struct Table {
    name: String,
    header: Vec<String>,
    comma: bool,
    reader: csv::Reader<Box<dyn Read>>,
    record: csv::StringRecord,
}

impl Table {
    fn open(from: &Path) -> Result<Self> {
        let piped = from == Path::new("-");
        let name = if piped { "standard input".to_owned() } else { from.display().to_string() };
        let source: Box<dyn Read> = if piped {
            Box::new(io::stdin())
        } else {
            Box::new(File::open(from).with_context(|| format!("{name} can't be opened"))?)
        };
        Table::read(name, source)
    }

    fn read(name: String, source: Box<dyn Read>) -> Result<Self> {
        let mut source = BufReader::new(source);
        // What divides the cells is seen in the header: no name of a column has one of these in it.
        let start = source.fill_buf().with_context(|| format!("{name} can't be read"))?;
        let line = start.split(|b| *b == b'\n').next().unwrap_or_default();
        let divider = [b'\t', b';'].into_iter().find(|d| line.contains(d)).unwrap_or(b',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(divider)
            .trim(csv::Trim::All)
            .from_reader(Box::new(source) as Box<dyn Read>);
        let header = reader.headers().with_context(|| format!("{name}, line 1"))?;
        let tidy = |cell: &str| cell.trim_start_matches('\u{feff}').to_ascii_lowercase();
        let header: Vec<String> = header.iter().map(tidy).collect();
        if header.is_empty() {
            bail!("{name} is empty: the first line must name the columns");
        }
        Ok(Table { name, header, comma: divider != b',', reader, record: csv::StringRecord::new() })
    }

    fn column(&self, names: &[&str]) -> Option<usize> {
        names.iter().find_map(|name| self.header.iter().position(|cell| cell == name))
    }

    fn needed(&self, names: &[&str]) -> Result<usize> {
        let Some(column) = self.column(names) else {
            bail!(
                "{}, line 1: no column `{}`; there are: {}. The first line must name the columns",
                self.name,
                names.join("` or `"),
                self.header.join(", ")
            )
        };
        Ok(column)
    }

    /// The next row; `false` at the end.
    fn next(&mut self) -> Result<bool> {
        self.reader.read_record(&mut self.record).with_context(|| self.name.clone())
    }

    fn cell(&self, column: usize) -> &str {
        self.record.get(column).unwrap_or_default()
    }

    fn number(&self, text: &str) -> Option<f64> {
        if self.comma { text.replace(',', ".").parse().ok() } else { text.parse().ok() }
    }

    /// RFC 3339; a date and time of day without an offset, taken for UTC; seconds since 1970.
    fn moment(&self, column: usize) -> Result<Micros> {
        let text = self.cell(column);
        let day = || text.parse::<jiff::civil::Date>().ok().map(|date| date.at(0, 0, 0, 0));
        let civil = || text.parse::<jiff::civil::DateTime>().ok().or_else(day);
        let in_utc = || Some(jiff::tz::TimeZone::UTC.to_timestamp(civil()?).ok()?.as_microsecond());
        let since_1970 = || {
            let seconds = self.number(text).filter(|s| s.abs() < 1e11)?;
            Some(Micros::from_secs(seconds))
        };
        let read = foldwatch_report::parse_utc(text).or_else(|| in_utc().map(Micros)).or_else(since_1970);
        read.ok_or_else(|| self.bad(column, "a moment like 2026-05-01T08:00:00Z"))
    }

    fn bad(&self, column: usize, right: &str) -> anyhow::Error {
        let line = self.record.position().map_or(0, csv::Position::line);
        anyhow::anyhow!(
            "{}, line {line}, column `{}`: `{}`; it must be {right}. Nothing was judged",
            self.name,
            self.header.get(column).map_or("", String::as_str),
            self.cell(column)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &'static str) -> Result<Times> {
        let dir = tempfile::tempdir()?;
        let path = dir.path().join("times.csv");
        std::fs::write(&path, text)?;
        times(&path)
    }

    #[test]
    fn any_order_of_columns_and_either_decimal_sign() {
        let one =
            read("car,time,direction,phase,seconds\noak,2026-05-01T08:00:00Z,opening,lid,4.25\n").unwrap();
        let other = read(
            "\u{feff}Phase;Seconds;Note;Direction;Car;Time\r\n\"lid\";4,25;x;Opening;oak;2026-05-01 10:00:00+02:00\r\n",
        )
        .unwrap();
        assert_eq!(one.rows, other.rows);
        let third = read("seconds\tphase\ttime\tdirection\n4.25\tlid\t1777622400\topening\n").unwrap();
        assert_eq!((third.rows[0].at, third.rows[0].car.as_str()), (one.rows[0].at, "car"));
    }

    #[test]
    fn what_was_not_measured_is_counted_and_what_is_wrong_is_told_with_its_line() {
        let found =
            read("time,direction,phase,seconds\n2026-05-01,closing,lid,\n2026-05-01,closing,lid,NaN\n");
        let found = found.unwrap();
        assert_eq!((found.rows.len(), found.empty), (0, 2));
        let said = |text| format!("{:#}", read(text).unwrap_err());
        assert!(
            said("time,direction,phase,seconds\n2026-05-01,closing,lid,4\n2026-05-01,up,lid,4\n")
                .contains("line 3, column `direction`: `up`")
        );
        assert!(
            said("time,direction,phase,seconds\nyesterday,closing,lid,4\n").contains("line 2, column `time`")
        );
        assert!(said("time,direction,phase,seconds\n2026-05-01,closing,lid,-4\n").contains("0 or more"));
        assert!(said("time,direction,phase,seconds\n2026-05-01,closing,lid,inf\n").contains("0 or more"));
        assert!(said("time,direction,seconds\n").contains("no column `phase`"));
        assert!(said("time,direction,phase,seconds\n2026-05-01,closing\n").contains("line"));
        assert!(said("").contains("empty"));
    }
}
