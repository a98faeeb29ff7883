//! Every key of a column map, in one list: the check and the key reference both read it.

/// One key that a column map may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MapKey {
    /// The table it lies in (empty: the top of the file).
    pub table: &'static str,
    /// Its name.
    pub name: &'static str,
    /// What it takes.
    pub takes: &'static str,
    /// What holds where it is not given.
    pub absent: &'static str,
    /// What it means.
    pub meaning: &'static str,
}

const fn key(
    table: &'static str,
    name: &'static str,
    takes: &'static str,
    absent: &'static str,
    meaning: &'static str,
) -> MapKey {
    MapKey { table, name, takes, absent, meaning }
}

/// The keys, in the order of the reference.
pub const MAP_KEYS: &[MapKey] = &[
    key("", "format", "`1`", "`1`", "version of the map's own form"),
    key(
        "",
        "delimiter",
        "`\",\"` `\";\"` `\"\\t\"` `\"|\"` `\" \"` or `\"auto\"`",
        "recognised",
        "what stands between cells; `\" \"` is any run of blanks and tabs",
    ),
    key(
        "",
        "decimal",
        "`\".\"` `\",\"` or `\"auto\"`",
        "either, or the point where commas divide the cells",
        "the mark before a fraction; marks of thousands are not read",
    ),
    key("", "header", "`true`, `false` or `\"auto\"`", "recognised", "whether a line names the columns"),
    key("", "skip_lines", "a whole number", "`0`", "lines to leave out before anything else"),
    key("", "comment", "one character", "`\"#\"`", "lines that begin with it are left out"),
    key("", "time", "a table `[time]`", "recognised by its name", "the time column"),
    key("", "signal", "tables `[[signal]]`", "recognised by their names", "one for each signal"),
    key("time", "column", "a name, or a number from 1", "recognised by its name", "where the time is"),
    key(
        "time",
        "unit",
        "`ns` `us` `ms` `s` `min` `h` `d`",
        "the header's, or recognised from the first row",
        "the unit of times that are plain numbers",
    ),
    key(
        "time",
        "format",
        "`\"rfc3339\"`, or a pattern like `\"%d.%m.%Y %H:%M:%S%.f\"`",
        "recognised from the first row",
        "how times that are no plain numbers are written (directives as in POSIX strptime; `%.f` is a fraction with \
         its mark)",
    ),
    key("time", "date_column", "a name, or a number from 1", "none", "a column that holds the date alone"),
    key("time", "date_format", "as `format`", "`\"%Y-%m-%d\"`", "how that date is written"),
    key(
        "time",
        "origin",
        "a date and time: `\"2026-05-01T08:00:00Z\"`",
        "none: times count from the log's own zero",
        "the moment that times without a date count from",
    ),
    key(
        "time",
        "time_zone",
        "an IANA name like `\"Europe/Berlin\"`, or `\"+02:00\"`",
        "UTC",
        "the zone of stamps that state none",
    ),
    key(
        "time",
        "when_back",
        "`\"drop\"` or `\"restart\"`",
        "`\"drop\"`",
        "a row earlier than the row before: leave it out (a block written twice), or go on from the row before with a \
         gap (the clock began anew)",
    ),
    key(
        "time",
        "gap_after_s",
        "a number, or `\"never\"`",
        "ten times the usual distance of rows, at least 0.5 s; never where rows come at uneven times",
        "a longer silence is a gap in the recording; `\"never\"` for a logger that writes changes only",
    ),
    key("signal", "id", "id of a signal of the profile", "refused", "which signal it is"),
    key(
        "signal",
        "column",
        "a name, or a number from 1",
        "refused",
        "where it is; two signals may share a column",
    ),
    key("signal", "scale", "a number", "`1`", "value = cell × scale + offset"),
    key("signal", "offset", "a number", "`0`", "see `scale`; in the same unit"),
    key(
        "signal",
        "unit",
        "a unit of the signal's quantity",
        "the header's; else the number is raw, and the profile's calibration applies",
        "the unit of the value",
    ),
    key(
        "signal",
        "calibrated",
        "`true` or `false`",
        "`true` where a unit is stated",
        "`false`: apply the profile's calibration though the header states a unit; `true`: the value is in the working \
         unit already",
    ),
    key(
        "signal",
        "closed",
        "a value, a list of values, `{ above = 2.5 }` or `{ below = 2.5 }`",
        "words (on, closed, true) as they say; 0 and 1 by the profile's `on_when`",
        "which cells mean closed, energised, running, given",
    ),
    key(
        "signal",
        "open",
        "a value or a list of values",
        "every other value",
        "which cells mean the contrary; any other is then reported",
    ),
];
