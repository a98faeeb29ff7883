//! Every cause at every place where it can sit on one roof.

use foldwatch_profile::{Profile, SignalIx, SignalKind};

use crate::place::{Place, Seat, moves, steps};
use crate::sign::SIGNS;
use crate::table::{Row, Scope, Table, Unrecorded};

/// One cause at one place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Candidate {
    /// Place in the table.
    pub cause: usize,
    /// Where, for people; empty for the whole roof.
    pub label: String,
    /// Where, for files: a step `opening/Raise lid`, a signal's id, a cylinder's; empty for the whole roof.
    pub key: String,
    /// Where it sits.
    pub place: Place,
    /// The ways in which it can be so, with their shares.
    pub seats: Vec<(Seat, f64)>,
    /// Its chance beforehand.
    pub prior: f64,
}

/// One way in which a candidate can be so, and how it changes the chances of the signs.
#[derive(Debug, Clone)]
pub(crate) struct Variant {
    /// Place in the list of candidates.
    pub candidate: usize,
    /// Its share of the candidate's prior.
    pub share: f64,
    /// For each sign's place that it changes, in order: chances of at most class 0, 1, 2 of frequency.
    pub effects: Vec<(usize, [f64; 3])>,
}

/// A sign at one of its places.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    /// Place in [`SIGNS`].
    pub sign: usize,
    pub place: Place,
}

/// Every sign at every place.
pub(crate) fn spots(profile: &Profile) -> Vec<Spot> {
    let of = |(sign, about): (usize, &crate::Sign)| {
        about.at.places(profile).into_iter().map(move |place| Spot { sign, place })
    };
    SIGNS.iter().enumerate().flat_map(of).collect()
}

/// All causes at all their places. A cause's prior is shared out evenly.
pub(crate) fn candidates(table: &Table, profile: &Profile) -> Vec<Candidate> {
    let mut out = Vec::new();
    for (cause, about) in table.causes.iter().enumerate() {
        let mut seats = seats(about.scope, profile);
        let prior = about.prior / seats.len().max(1) as f64;
        for seat in &mut seats {
            seat.cause = cause;
            seat.prior = prior;
        }
        out.append(&mut seats);
    }
    out
}

pub(crate) fn seats(scope: Scope, profile: &Profile) -> Vec<Candidate> {
    let at = |place: Place, key: String, label: String, seats: Vec<(Seat, f64)>| Candidate {
        cause: 0,
        label,
        key,
        place,
        seats,
        prior: 0.0,
    };
    let signal = |ix: SignalIx, chain: Option<SignalIx>| {
        let place = Place::signal(ix);
        at(place, place.key(profile), place.label(profile), vec![(Seat::Signal(ix, chain), 1.0)])
    };
    // Pushing out, in, and both ways, with their shares.
    let cylinders = |[out, back, both]: [f64; 3]| {
        profile.hydraulics.cylinders.iter().enumerate().map(move |(n, cylinder)| {
            let ways = vec![
                (Seat::Cylinder(n, Some(true)), out),
                (Seat::Cylinder(n, Some(false)), back),
                (Seat::Cylinder(n, None), both),
            ];
            at(Place::ROOF, cylinder.id.clone(), format!("cylinder `{}`", cylinder.id), ways)
        })
    };
    match scope {
        Scope::Roof => vec![at(Place::ROOF, String::new(), String::new(), vec![(Seat::Roof, 1.0)])],
        Scope::Step => steps(profile)
            .map(|step| {
                let place = Place::step(step);
                at(place, place.key(profile), place.label(profile), vec![(Seat::Step(step), 1.0)])
            })
            .collect(),
        Scope::Valve => profile.of_kind(SignalKind::Valve).map(|(ix, _)| signal(ix, None)).collect(),
        Scope::Sensor => {
            profile.signals().filter(|(_, s)| !s.kind.is_binary()).map(|(ix, _)| signal(ix, None)).collect()
        }
        // A lip that seals one way may be worn alone, or the piston's bore both ways. Judgment.
        Scope::Cylinder => cylinders([0.3, 0.3, 0.4]).collect(),
        // A joint is stiff both ways, mostly; a cylinder that moves in one step only is that step's. Judgment.
        Scope::Mechanism => {
            let several =
                |n: &usize| steps(profile).filter(|s| moves(s.of(profile), *n, None)).nth(1).is_some();
            let of_cylinders = (0..).zip(cylinders([0.2, 0.2, 0.6])).filter(|(n, _)| several(n));
            let of_cylinders = of_cylinders.map(|(_, candidate)| Candidate {
                label: format!("what {} moves", candidate.label),
                ..candidate
            });
            seats(Scope::Step, profile).into_iter().chain(of_cylinders).collect()
        }
        Scope::Switch => switches(profile)
            .into_iter()
            .flat_map(|ix| {
                let Some(chain) = profile.chains.iter().find(|chain| chain.signal == ix) else {
                    return vec![signal(ix, None)];
                };
                // A member with a tap of its own is told apart; the others, and the wire between, are one.
                let tapped = chain.members.iter().filter_map(|m| m.signal.map(|tap| signal(tap, Some(ix))));
                let rest: Vec<&str> =
                    chain.members.iter().filter(|m| m.signal.is_none()).map(|m| m.label.as_str()).collect();
                let mut out: Vec<Candidate> = tapped.collect();
                let mut whole = signal(ix, None);
                whole.label = match rest.as_slice() {
                    [] => format!("the wire between the members of `{}`", profile.signal(ix).label),
                    [one] => format!("`{one}` or its wire"),
                    more => format!("one of {} in series", more.join(", ")),
                };
                out.push(whole);
                out
            })
            .collect(),
    }
}

/// Switches that a step's confirmation asks for.
fn switches(profile: &Profile) -> Vec<SignalIx> {
    let asked: Vec<SignalIx> =
        steps(profile).flat_map(|step| step.of(profile).confirm.wanted()).map(|(ix, _)| ix).collect();
    profile.of_kind(SignalKind::Switch).map(|(ix, _)| ix).filter(|ix| asked.contains(ix)).collect()
}

/// What each way of each candidate does to the signs.
pub(crate) fn variants(
    table: &Table,
    profile: &Profile,
    candidates: &[Candidate],
    spots: &[Spot],
    recorded: impl Fn(Unrecorded) -> bool,
) -> Vec<Variant> {
    let mut out = Vec::new();
    for (candidate, about) in candidates.iter().enumerate() {
        let cause = &table.causes[about.cause];
        let holds = |row: &&Row| row.without.is_none_or(|what| !recorded(what));
        let (rows, degrees): (Vec<&Row>, _) = (cause.shows.iter().filter(holds).collect(), cause.degrees());
        for (seat, part) in &about.seats {
            let touched: Vec<(usize, &Row)> = spots
                .iter()
                .enumerate()
                .flat_map(|(n, spot)| {
                    rows.iter()
                        .filter(|row| row.sign == spot.sign && seat.meets(row.at, spot.place, profile))
                        .map(move |row| (n, *row))
                })
                .collect();
            for degree in degrees {
                let mut effects: Vec<(usize, [f64; 3])> = Vec::new();
                for (spot, row) in &touched {
                    let at_most = at_most(row.chance[*degree], row.often.classes());
                    match effects.last_mut() {
                        Some((last, known)) if last == spot => {
                            (0..3).for_each(|class| known[class] *= at_most[class]);
                        }
                        _ => effects.push((*spot, at_most)),
                    }
                }
                out.push(Variant { candidate, share: part / degrees.len() as f64, effects });
            }
        }
    }
    out
}

/// Chances of at most each class of frequency: 0 never, 1 seldom, 2 in some cycles; every cycle is always at most.
pub(crate) fn at_most(chance: f64, classes: [f64; 3]) -> [f64; 3] {
    let none = 1.0 - chance;
    [none, none + chance * classes[0], none + chance * (classes[0] + classes[1])]
}
