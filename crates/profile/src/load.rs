//! Text to a checked [`Profile`], or to every problem in it.

use toml::de::DeTable;

use foldwatch_units::{
    Amps, Bar, Celsius, Direction, LitresPerMinute, Millilitres, Millimetres, Seconds,
    SquareMillimetresPerSecond, Volts,
};

use crate::advice;
use crate::model::*;
use crate::names::Names;
use crate::problem::{Problem, Problems};
use crate::sequence;
use crate::shape::{Table, nearest};
use crate::signal;

/// A profile that can be worked with, and what it leaves unsaid.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// The profile.
    pub profile: Profile,
    /// What can't be judged because the profile does not say it, and what looks odd. Nothing in it stops the work.
    pub advice: Vec<Problem>,
}

/// Far more than any roof needs; it keeps a wrong file (a log, an image) from being picked over.
const LONGEST_FILE: usize = 256 << 10;

/// Reads and checks a whole profile.
///
/// ```
/// let loaded = foldwatch_profile::parse(r#"
///     id = "flap"
///     name = "One flap, one switch at each end"
///     [[signal]]
///     id = "pump"
///     kind = "pump"
///     [[signal]]
///     id = "is_open"
///     kind = "switch"
///     [[opening]]
///     name = "Raise"
///     confirm = "is_open"
///     expected_s = 5
///     [[closing]]
///     name = "Lower"
///     confirm = "not is_open"
///     expected_s = 4
/// "#).unwrap();
/// assert_eq!(loaded.profile.opening[0].limit.value(), 6.5);
/// ```
///
/// # Errors
/// Every problem in the file, in order of place.
///
/// ```
/// let problems = foldwatch_profile::parse("id = 'flap'\nnmae = 'Flap'\n[timing]\nquiet_s = -1").unwrap_err();
/// let told: Vec<String> = problems.iter().map(|problem| problem.to_string()).collect();
/// assert!(told.contains(&"line 2, column 1: nmae: no such key; did you mean `name`?".to_owned()));
/// assert!(told.contains(
///     &"line 4, column 11: timing.quiet_s: -1 is out of range; give a number from 0.1 to 60 s".to_owned()
/// ));
/// ```
pub fn parse(text: &str) -> Result<Loaded, Vec<Problem>> {
    let mut problems = Problems::default();
    if text.len() > LONGEST_FILE {
        let found = format!("{} bytes are too many for a profile", text.len());
        problems.wrong(0, "", found, format!("give a TOML file of at most {LONGEST_FILE} bytes"));
        return Err(problems.placed(text));
    }
    let (root, unreadable) = DeTable::parse_recoverable(text);
    let root = Table::root(root.get_ref());
    root.check(&mut problems);
    let profile = build(&root, text, &mut problems);

    if !unreadable.is_empty() {
        let places: Vec<usize> = unreadable.iter().filter_map(|e| e.span()).map(|span| span.start).collect();
        problems.keep_certain(text, &places);
        for error in &unreadable {
            let at = error.span().map_or(0, |span| span.start);
            let remedy = if error.message().contains("duplicate") {
                "keep one of the two"
            } else {
                "write one `key = value` a line, texts in quotes, lists in [ ], `[table]` or `[[table]]` alone on its line"
            };
            problems.wrong(at, "", error.message(), remedy);
        }
    }
    if !problems.is_empty() {
        return Err(problems.placed(text));
    }
    let mut advice = Problems::default();
    advice::give(&profile, &root, &mut advice);
    Ok(Loaded { profile, advice: advice.placed(text) })
}

/// The profile, with blanks where something was wrong (and has been reported).
fn build(root: &Table<'_>, text: &str, problems: &mut Problems) -> Profile {
    let signals = root.tables("signal");
    let mut names = Names::of(&signals, text, problems);
    let signals = signal::all(&signals, &names, problems);
    names.exclusive = signals
        .iter()
        .enumerate()
        .flat_map(|(a, signal)| signal.excludes.iter().map(move |b| (SignalIx(a as u16), *b)))
        .collect();

    let reference = root.table("reference");
    let reference = Reference {
        oil_temperature: Celsius(default_in(root, reference, "reference", "oil_temperature_c")),
        supply: Volts(default_in(root, reference, "reference", "supply_v")),
    };
    let timing = root.table("timing");
    let span = |name| Seconds(default_in(root, timing, "timing", name));
    let timing = Timing {
        quiet: span("quiet_s"),
        tail: span("tail_s"),
        refusal: span("refusal_s"),
        run_on: span("run_on_s"),
        relief_dwell: span("relief_dwell_s"),
    };
    let hydraulics = hydraulics(root.table("hydraulics"), problems);
    let electrics = electrics(root.table("electrics"), reference.supply, problems);
    Profile {
        id: root.text("id").unwrap_or_default().to_owned(),
        name: root.text("name").unwrap_or_default().to_owned(),
        notes: root.text("notes").unwrap_or_default().to_owned(),
        permissions: permissions(root, &names, problems),
        chains: chains(root, &names, problems),
        opening: sequence::steps(root, Direction::Opening, &names, &hydraulics, problems),
        closing: sequence::steps(root, Direction::Closing, &names, &hydraulics, problems),
        signals,
        timing,
        reference,
        hydraulics,
        electrics,
    }
}

/// A number of a table that need not be there, every key of which has a default.
fn default_in(root: &Table<'_>, table: Option<Table<'_>>, path: &str, name: &str) -> f64 {
    match table {
        Some(table) => table.number(name),
        None => root.default_below(path, name),
    }
    .unwrap_or_default()
}

/// The direction a word names.
pub(crate) fn direction(word: &str) -> Option<Direction> {
    [Direction::Opening, Direction::Closing].into_iter().find(|d| d.as_str() == word)
}

fn hydraulics(table: Option<Table<'_>>, problems: &mut Problems) -> Hydraulics {
    let Some(table) = table else { return Hydraulics::default() };
    let (at_40, at_100) = (table.number("viscosity_40c_mm2_s"), table.number("viscosity_100c_mm2_s"));
    if let (Some(cold), Some(hot)) = (at_40, at_100)
        && hot >= cold
    {
        problems.wrong(
            table.place("viscosity_100c_mm2_s"),
            table.shown("viscosity_100c_mm2_s"),
            format!("{hot} is not less than the {cold} at 40 °C"),
            "oil gets thinner when it is warm: look both up in its data sheet",
        );
    }
    Hydraulics {
        viscosity_40: at_40.map(SquareMillimetresPerSecond),
        viscosity_100: at_100.map(SquareMillimetresPerSecond),
        oil_grade: table.text("oil_grade").map(str::to_owned),
        fill: table.number("fill_ml").map(Millilitres),
        pump_delivery: table.number("pump_delivery_l_min").map(LitresPerMinute),
        pump_pistons: table.number("pump_pistons").map(|n| n as u32),
        relief: table.number("relief_bar").map(Bar),
        hold: table.number("hold_s").map(Seconds),
        cylinders: cylinders(&table, problems),
    }
}

fn cylinders(hydraulics: &Table<'_>, problems: &mut Problems) -> Vec<Cylinder> {
    let mut out: Vec<Cylinder> = Vec::new();
    for table in hydraulics.tables("cylinder") {
        let id = table.text("id").unwrap_or_default();
        if !id.is_empty() && out.iter().any(|c| c.id == id) {
            let found = format!("`{id}` is there twice");
            problems.wrong(table.place("id"), table.shown("id"), found, "give each group its own id");
        }
        let bore = table.number("bore_mm");
        let rod = table.number("rod_mm");
        if let (Some(bore), Some(rod)) = (bore, rod)
            && rod >= bore
        {
            problems.wrong(
                table.place("rod_mm"),
                table.shown("rod_mm"),
                format!("a rod of {rod} mm does not fit a bore of {bore} mm"),
                "the rod is thinner than the bore",
            );
        }
        out.push(Cylinder {
            id: id.to_owned(),
            bore: Millimetres(bore.unwrap_or_default()),
            rod: Millimetres(rod.unwrap_or_default()),
            stroke: Millimetres(table.number("stroke_mm").unwrap_or_default()),
            count: table.number("count").unwrap_or_default() as u32,
        });
    }
    out
}

fn electrics(table: Option<Table<'_>>, supply: Volts, problems: &mut Problems) -> Electrics {
    let Some(table) = table else { return Electrics { nominal: Some(supply), ..Electrics::default() } };
    let (running, inrush) = (table.number("running_a"), table.number("inrush_a"));
    if let (Some(running), Some(inrush)) = (running, inrush)
        && inrush < running
    {
        problems.wrong(
            table.place("inrush_a"),
            table.shown("inrush_a"),
            format!("{inrush} A is less than the running current of {running} A"),
            "a motor takes most current at the start",
        );
    }
    Electrics {
        nominal: Some(table.number("nominal_v").map_or(supply, Volts)),
        running: running.map(Amps),
        inrush: inrush.map(Amps),
        fuse: table.number("fuse_a").map(Amps),
        fuse_body: match table.text("fuse_body") {
            Some("large") => FuseBody::Large,
            _ => FuseBody::Standard,
        },
        longest_run: table.number("longest_run_s").map(Seconds),
        cool_down: table.number("cool_down_s").map(Seconds),
    }
}

fn permissions(root: &Table<'_>, names: &Names<'_>, problems: &mut Problems) -> Vec<Permission> {
    let tables = root.tables("permission");
    tables
        .iter()
        .map(|table| {
            if table.text("needs").map(str::trim) == Some("always") {
                let found = "what is always so is no condition";
                problems.wrong(table.place("needs"), table.shown("needs"), found, "take the permission out");
            }
            Permission {
                label: table.text("label").unwrap_or_default().to_owned(),
                needs: names.expression(table, "needs", problems),
                direction: table.text("direction").and_then(direction),
            }
        })
        .collect()
}

fn chains(root: &Table<'_>, names: &Names<'_>, problems: &mut Problems) -> Vec<Chain> {
    let mut out: Vec<Chain> = Vec::new();
    for table in root.tables("chain") {
        let signal = names.named(&table, "signal", &[SignalKind::Switch], problems);
        if let Some(signal) = signal
            && out.iter().any(|chain| chain.signal == signal)
        {
            let found = "this signal already shows another chain";
            problems.wrong(
                table.place("signal"),
                table.shown("signal"),
                found,
                "put all members in one chain",
            );
        }
        let mut members: Vec<ChainMember> = Vec::new();
        for member in table.tables("members") {
            let own = names.named(&member, "signal", &[SignalKind::Switch], problems);
            let odd = if own.is_none() {
                None
            } else if own == signal {
                Some("this is the signal of the whole chain")
            } else if members.iter().any(|other| other.signal == own) {
                Some("this signal already shows another member")
            } else {
                None
            };
            if let Some(odd) = odd {
                let remedy = "name the signal of this member alone, or leave it out";
                problems.wrong(member.place("signal"), member.shown("signal"), odd, remedy);
            }
            members.push(ChainMember {
                label: member.text("label").unwrap_or_default().to_owned(),
                signal: own,
            });
        }
        // A chain whose signal is wrong has been reported; the profile is dropped.
        out.push(Chain { signal: signal.unwrap_or(SignalIx(0)), members });
    }
    out
}

/// `did you mean ...?`, or the list of what there is.
pub(crate) fn suggestion(word: &str, known: &[&str], what: &str) -> String {
    const MOST: usize = 24;
    match nearest(word, known) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None if known.is_empty() => format!("the file describes no {what}"),
        None if known.len() > MOST => format!("name one that the file describes, there are {}", known.len()),
        None => format!("each {what} described: {}", known.join(", ")),
    }
}
