//! The `[[opening]]` and `[[closing]]` tables, and what can be told from the finished sequences.

use foldwatch_units::{Bar, Direction, Seconds};

use crate::expr::Expr;
use crate::keys::LIMIT_OVER_EXPECTED;
use crate::load::suggestion;
use crate::model::{Cylinder, Hydraulics, Phase, Profile, SignalIx, SignalKind};
use crate::names::Names;
use crate::problem::Problems;
use crate::shape::{Table, shortened};

pub(crate) fn steps(
    root: &Table<'_>,
    direction: Direction,
    names: &Names<'_>,
    hydraulics: &Hydraulics,
    problems: &mut Problems,
) -> Vec<Phase> {
    let mut out: Vec<Phase> = Vec::new();
    for table in root.tables(direction.as_str()) {
        let step = step(&table, names, hydraulics, problems);
        if !step.name.is_empty() && out.iter().any(|other| other.name == step.name) {
            let found = format!("`{}` is there twice in {direction}", shortened(&step.name));
            problems.wrong(table.place("name"), table.shown("name"), found, "give each step its own name");
        }
        out.push(step);
    }
    out
}

fn step(table: &Table<'_>, names: &Names<'_>, hydraulics: &Hydraulics, problems: &mut Problems) -> Phase {
    let expected = table.number("expected_s");
    // A whole number of milliseconds, so that 1.3 x 5 s prints as 6.5 s.
    let default_limit = expected.map(|s| (s * LIMIT_OVER_EXPECTED * 1000.0).round() / 1000.0);
    let (limit, give_up) = (table.number("limit_s"), table.number("give_up_s"));
    for (name, given) in [("limit_s", limit), ("give_up_s", give_up)] {
        if let (Some(expected), Some(given)) = (expected, given)
            && given <= expected
        {
            let found = format!("{given} s is not more than `expected_s`, {expected} s");
            problems.wrong(
                table.place(name),
                table.shown(name),
                found,
                format!("give more than {expected}, or leave it out"),
            );
        }
    }
    let pressure = table.number("pressure_bar").map(Bar);
    if let (Some(pressure), Some(relief)) = (pressure, hydraulics.relief)
        && pressure >= relief
    {
        problems.wrong(
            table.place("pressure_bar"),
            table.shown("pressure_bar"),
            format!("at {pressure} the relief valve is open, it is set to {relief}"),
            "give the mean while the mechanism moves, or leave it out",
        );
    }
    Phase {
        name: table.text("name").unwrap_or_default().to_owned(),
        valves: names.listed(table, "valves", &[SignalKind::Valve], problems),
        pump: table.flag("pump").unwrap_or_default(),
        moves: table.text("moves").unwrap_or_default().to_owned(),
        confirm: names.expression(table, "confirm", problems),
        expected: Seconds(expected.unwrap_or_default()),
        limit: Seconds(limit.or(default_limit).unwrap_or_default()),
        give_up: give_up.map(Seconds),
        pressure,
        cylinders: moves(table, &hydraulics.cylinders, problems),
    }
}

fn moves(table: &Table<'_>, cylinders: &[Cylinder], problems: &mut Problems) -> Vec<(usize, bool)> {
    let mut out: Vec<(usize, bool)> = Vec::new();
    for (at, word) in table.words("cylinders") {
        let key = table.shown("cylinders");
        let (id, extends) = match (word.strip_suffix('+'), word.strip_suffix('-')) {
            (Some(id), _) => (id, true),
            (_, Some(id)) => (id, false),
            _ => {
                let found = format!("`{}` does not say which way", shortened(word));
                problems.wrong(at, key, found, "put `+` behind the id if it extends, `-` if it retracts");
                continue;
            }
        };
        match cylinders.iter().position(|cylinder| cylinder.id == id) {
            Some(place) if out.iter().any(|(other, _)| *other == place) => {
                problems.wrong(
                    at,
                    key,
                    format!("`{id}` is there twice"),
                    "a cylinder moves one way in a step",
                );
            }
            Some(place) => out.push((place, extends)),
            None => {
                let known: Vec<&str> =
                    cylinders.iter().map(|c| c.id.as_str()).filter(|id| !id.is_empty()).collect();
                let found = format!("`{}` is no cylinder", shortened(id));
                problems.absent(at, key, found, suggestion(id, &known, "cylinder"));
            }
        }
    }
    out
}

impl Profile {
    /// The names of the steps of one direction, in order.
    pub fn phase_names(&self, direction: Direction) -> impl Iterator<Item = &str> {
        self.sequence(direction).iter().map(|phase| phase.name.as_str())
    }

    /// What holds once a direction has been run to its end, and not where the other one ends.
    ///
    /// The last confirmation alone may not tell the two ends apart (a lid is shut at both), so the steps before it are
    /// added one by one at both ends, as far as later ones leave them standing, until something is asked for that
    /// can't be so at both. Where nothing is, a state has to do that the other direction never asks for.
    /// [`Expr::Always`] where no step is confirmed by a switch.
    ///
    /// ```
    /// # let profile = foldwatch_profile::parse(r#"
    /// #   id = "a"
    /// #   name = "b"
    /// #   signal = [{ id = "lid", kind = "switch" }, { id = "stowed", kind = "switch" }, { id = "up", kind = "switch" }]
    /// #   opening = [{ name = "fold", confirm = "stowed", expected_s = 1 }, { name = "shut", confirm = "lid", expected_s = 1 }]
    /// #   closing = [{ name = "raise", confirm = "up", expected_s = 1 }, { name = "shut", confirm = "lid", expected_s = 1 }]
    /// # "#).unwrap().profile;
    /// use foldwatch_units::Direction;
    /// assert_eq!(profile.end_position(Direction::Opening).written(&profile), "lid and stowed");
    /// assert_eq!(profile.end_position(Direction::Closing).written(&profile), "lid and up");
    /// ```
    pub fn end_position(&self, direction: Direction) -> Expr {
        let steps = self.opening.len().max(self.closing.len());
        let clashing = (1..=steps).find(|n| {
            let (own, other) =
                (self.last_steps(direction, *n).1, self.last_steps(direction.reversed(), *n).1);
            own.iter().any(|a| other.iter().any(|b| self.clash(*a, *b)))
        });
        let asked_there: Vec<State> =
            self.sequence(direction.reversed()).iter().flat_map(|phase| phase.confirm.wanted()).collect();
        let only_here =
            || (1..steps).find(|n| self.last_steps(direction, *n).1.iter().any(|s| !asked_there.contains(s)));
        let (mut kept, _) = self.last_steps(direction, clashing.or_else(only_here).unwrap_or(steps));
        if kept.len() == 1 {
            kept.remove(0)
        } else if kept.is_empty() {
            Expr::Always
        } else {
            Expr::All(kept)
        }
    }

    /// The confirmations of the last `n` steps of a direction, from the last one back, less what later ones have
    /// overtaken; and the states that they ask for.
    fn last_steps(&self, direction: Direction, n: usize) -> (Vec<Expr>, Vec<State>) {
        let (mut kept, mut states) = (Vec::new(), Vec::<State>::new());
        for phase in self.sequence(direction).iter().rev().take(n) {
            let later = states.clone();
            for clause in clauses(&phase.confirm) {
                let wanted = clause.wanted();
                let overtaken = wanted.iter().any(|a| later.iter().any(|b| a.0 == b.0 || self.clash(*a, *b)));
                if !overtaken && !wanted.is_empty() {
                    states.extend(wanted);
                    kept.push(clause.clone());
                }
            }
        }
        (kept, states)
    }

    /// Whether two states can't be together.
    fn clash(&self, a: State, b: State) -> bool {
        if a.0 == b.0 { a.1 != b.1 } else { a.1 && b.1 && self.signal(a.0).excludes.contains(&b.0) }
    }
}

/// A signal, and whether it is on.
type State = (SignalIx, bool);

/// The parts that must all be so.
fn clauses(expr: &Expr) -> &[Expr] {
    match expr {
        Expr::All(parts) => parts,
        other => std::slice::from_ref(other),
    }
}
