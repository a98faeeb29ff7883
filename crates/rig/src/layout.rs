//! What moves where, and which switch sees it: worked out from a profile's sequences and confirmations.
//!
//! A profile says in what order steps run and which switches confirm them; it does not say where a switch sits. The
//! rig needs places, so that one switch tells the truth on the way there and on the way back. So every step moves
//! one or more *axes* (a group of cylinders; where a step names none, the steps whose confirmations share a switch
//! share an axis), every axis runs from 0 to 1, and every switch gets the place on one axis that fits all that the
//! confirmations of both directions say about it.

use foldwatch_profile::{Expr, Profile, SignalIx, SignalKind};
use foldwatch_units::Direction;

/// One thing that moves, from 0 to 1 of its stroke.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// The cylinders' name, or what moves in the profile's words.
    pub name: String,
    /// Where it stands on a closed roof.
    pub home: f64,
}

/// One axis' part in a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Which axis.
    pub axis: usize,
    /// Where the step takes it from.
    pub from: f64,
    /// Where to.
    pub to: f64,
}

impl Move {
    /// 1 where the position grows, -1 where it shrinks.
    pub fn sign(&self) -> f64 {
        if self.to >= self.from { 1.0 } else { -1.0 }
    }
}

/// Where a switch is made: within `make` of `level` on its axis, until it is further than `release` away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Which axis works it.
    pub axis: usize,
    /// The position at its middle.
    pub level: f64,
    /// It makes when the axis comes this close.
    pub make: f64,
    /// It opens when the axis is this far away; more than `make`: hysteresis.
    pub release: f64,
    /// The contact is a break contact: made outside instead.
    pub inverted: bool,
}

/// What a binary signal follows.
#[derive(Debug, Clone, PartialEq)]
pub enum Law {
    /// A place on an axis.
    Place(Place),
    /// Made while all of these signals' switches are, and its own hidden ones at `own`, where there are any.
    Chain {
        /// The members that are logged themselves.
        members: Vec<SignalIx>,
        /// Where the members are that are not logged.
        own: Option<Place>,
    },
    /// Never moved by the roof.
    Fixed(bool),
}

/// The places of everything.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// All that moves.
    pub axes: Vec<Axis>,
    /// For opening and closing, for each step: what it moves.
    pub moves: [Vec<Vec<Move>>; 2],
    /// For each signal of the profile that is a switch: what it follows.
    pub laws: Vec<Option<Law>>,
    /// For each axis: the position signals that show it.
    pub shown_by: Vec<(SignalIx, usize)>,
}

/// A switch makes this close to its level, in parts of the stroke.
const MAKE: f64 = 0.008;
/// Each further switch of one confirmation makes a little earlier than the one before it in the list.
const STAGGER: f64 = 0.003;
/// Extra travel until a switch opens again.
const HYSTERESIS: f64 = 0.012;
/// A switch whose opening alone confirms a step has lost motion: it opens only near the end of the stroke.
const LOST_MOTION: f64 = 0.975;

/// The place of a direction in arrays of two.
pub fn side(direction: Direction) -> usize {
    match direction {
        Direction::Opening => 0,
        Direction::Closing => 1,
    }
}

/// The steps of both directions in the order of a full cycle from the closed roof.
fn steps(profile: &Profile) -> impl Iterator<Item = (Direction, usize)> + '_ {
    [Direction::Opening, Direction::Closing]
        .into_iter()
        .flat_map(|d| (0..profile.sequence(d).len()).map(move |k| (d, k)))
}

impl Layout {
    /// Works out the places for a profile.
    pub fn from_profile(profile: &Profile) -> Layout {
        let (mut axes, wishes) = axes(profile);
        let moves = moves(profile, &mut axes, &wishes);
        let laws = laws(profile, &axes, &moves);
        let shown_by = positions(profile, &axes, &moves);
        Layout { axes, moves, laws, shown_by }
    }

    /// What a step moves.
    pub fn of(&self, direction: Direction, step: usize) -> &[Move] {
        self.moves[side(direction)].get(step).map_or(&[], Vec::as_slice)
    }

    /// Where everything stands at the start of a direction.
    pub fn at_start(&self, direction: Direction) -> Vec<f64> {
        let mut at: Vec<f64> = self.axes.iter().map(|a| a.home).collect();
        if direction == Direction::Closing {
            for m in self.moves[0].iter().flatten() {
                at[m.axis] = m.to;
            }
        }
        at
    }
}

/// Which axes a step moves, and which way where the profile says.
type Wish = Vec<(usize, Option<bool>)>;

fn axes(profile: &Profile) -> (Vec<Axis>, Vec<(Direction, usize, Wish)>) {
    let mut axes: Vec<Axis> = Vec::new();
    let mut of_cylinder: Vec<Option<usize>> = vec![None; profile.hydraulics.cylinders.len()];
    // Steps without cylinders: the switches that confirm them, to find the steps that move the same thing.
    let mut of_switches: Vec<(usize, Vec<SignalIx>)> = Vec::new();
    let mut wishes = Vec::new();
    for (direction, k) in steps(profile) {
        let phase = &profile.sequence(direction)[k];
        let mut wish: Wish = Vec::new();
        for &(cylinder, extend) in &phase.cylinders {
            let Some(slot) = of_cylinder.get_mut(cylinder) else { continue };
            let axis = *slot.get_or_insert_with(|| {
                axes.push(Axis { name: profile.hydraulics.cylinders[cylinder].id.clone(), home: 0.0 });
                axes.len() - 1
            });
            wish.push((axis, Some(extend)));
        }
        let driven = phase.pump || !phase.valves.is_empty() || phase.confirm != Expr::Always;
        if wish.is_empty() && driven {
            let switches: Vec<SignalIx> = phase.confirm.wanted().into_iter().map(|(s, _)| s).collect();
            let known = of_switches.iter_mut().find(|(_, own)| own.iter().any(|s| switches.contains(s)));
            let axis = match known {
                Some((axis, own)) => {
                    own.extend(switches);
                    *axis
                }
                None => {
                    axes.push(Axis { name: phase.moves.clone(), home: 0.0 });
                    of_switches.push((axes.len() - 1, switches));
                    axes.len() - 1
                }
            };
            wish.push((axis, None));
        }
        wishes.push((direction, k, wish));
    }
    (axes, wishes)
}

fn moves(profile: &Profile, axes: &mut [Axis], wishes: &[(Direction, usize, Wish)]) -> [Vec<Vec<Move>>; 2] {
    let mut out = [vec![Vec::new(); profile.opening.len()], vec![Vec::new(); profile.closing.len()]];
    for (ix, axis) in axes.iter_mut().enumerate() {
        let own: Vec<(Direction, usize, Option<bool>)> = wishes
            .iter()
            .filter_map(|(d, k, wish)| wish.iter().find(|(a, _)| *a == ix).map(|(_, ext)| (*d, *k, *ext)))
            .collect();
        // Where the profile does not say (or says the same way all the time, which no axis can do), it goes to and fro.
        let told = own.iter().all(|w| w.2.is_some()) && own.iter().any(|w| w.2 != own[0].2);
        let ways: Vec<bool> =
            own.iter().enumerate().map(|(i, w)| if told { w.2 == Some(true) } else { i % 2 == 0 }).collect();
        axis.home = if ways.first() == Some(&false) { 1.0 } else { 0.0 };
        let mut i = 0;
        while i < own.len() {
            let run = ways[i..].iter().take_while(|w| **w == ways[i]).count();
            let weight = |j: usize| profile.sequence(own[j].0)[own[j].1].expected.0.max(0.1);
            let total: f64 = (i..i + run).map(weight).sum();
            let (start, way) = if ways[i] { (0.0, 1.0) } else { (1.0, -1.0) };
            let mut done = 0.0;
            for j in i..i + run {
                let from = start + way * done / total;
                done += weight(j);
                let to = if j + 1 == i + run { start + way } else { start + way * done / total };
                out[side(own[j].0)][own[j].1].push(Move { axis: ix, from, to });
            }
            i += run;
        }
    }
    out
}

fn laws(profile: &Profile, axes: &[Axis], moves: &[Vec<Vec<Move>>; 2]) -> Vec<Option<Law>> {
    let mut laws: Vec<Option<Law>> =
        profile.signals.iter().map(|s| (s.kind == SignalKind::Switch).then_some(Law::Fixed(false))).collect();
    for (ix, _) in profile.of_kind(SignalKind::Switch) {
        if let Some(place) = place(profile, axes, moves, ix) {
            laws[ix.at()] = Some(Law::Place(place));
        }
    }
    // What is only a permission stands as it must for the unit to move.
    for (signal, wanted) in profile.permissions.iter().flat_map(|p| p.needs.wanted()) {
        if laws[signal.at()] == Some(Law::Fixed(false)) {
            laws[signal.at()] = Some(Law::Fixed(wanted));
        }
    }
    for chain in &profile.chains {
        let Some(Law::Place(own)) = laws[chain.signal.at()].clone() else { continue };
        let members: Vec<SignalIx> = chain.members.iter().filter_map(|m| m.signal).collect();
        for (i, member) in members.iter().enumerate() {
            if matches!(laws[member.at()], Some(Law::Fixed(_))) {
                let make = own.make + STAGGER * (i + 1) as f64;
                let release = own.release.max(make + HYSTERESIS);
                laws[member.at()] = Some(Law::Place(Place { make, release, ..own }));
            }
        }
        let hidden = chain.members.iter().any(|m| m.signal.is_none());
        laws[chain.signal.at()] =
            Some(Law::Chain { members: members.clone(), own: (hidden || members.is_empty()).then_some(own) });
    }
    laws
}

/// What one step's confirmation wants of a switch.
struct Want {
    direction: Direction,
    step: usize,
    on: bool,
    /// Where all axes stand before and after the step.
    before: Vec<f64>,
    after: Vec<f64>,
}

/// The place that fits what the confirmations say about a switch best.
fn place(profile: &Profile, axes: &[Axis], moves: &[Vec<Vec<Move>>; 2], signal: SignalIx) -> Option<Place> {
    // Positions after each step of a full cycle, and what the step's confirmation wants of the switch.
    let mut at: Vec<f64> = axes.iter().map(|a| a.home).collect();
    let mut wants: Vec<Want> = Vec::new();
    for (direction, k) in steps(profile) {
        let before = at.clone();
        for m in &moves[side(direction)][k] {
            at[m.axis] = m.to;
        }
        for (s, wanted) in profile.sequence(direction)[k].confirm.wanted() {
            if s == signal {
                wants.push(Want {
                    direction,
                    step: k,
                    on: wanted,
                    before: before.clone(),
                    after: at.clone(),
                });
            }
        }
    }
    if wants.is_empty() {
        return None;
    }
    let mut best: Option<(i64, Place)> = None;
    let own = words(&format!("{} {}", profile.signal(signal).id, profile.signal(signal).label));
    for axis in 0..axes.len() {
        let shared = words(&axes[axis].name).iter().filter(|w| own.contains(w)).count();
        let mut levels: Vec<f64> = vec![0.0, 1.0];
        for m in moves.iter().flatten().flatten().filter(|m| m.axis == axis) {
            levels.extend([m.from, m.to]);
        }
        levels.sort_by(f64::total_cmp);
        levels.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
        for &level in &levels {
            for inverted in [false, true] {
                let state = |at: &[f64]| ((at[axis] - level).abs() < 1e-6) != inverted;
                let mut merit = if inverted { 0 } else { 1 };
                // Where several axes move together only the names tell which of them a switch belongs to.
                merit += 50 * shared.min(1) as i64;
                for Want { direction, step, on: wanted, before, after } in &wants {
                    let moved = moves[side(*direction)][*step].iter().any(|m| m.axis == axis);
                    merit += if state(after) == *wanted { 1000 } else { 0 };
                    // The step that waits for the switch should be the one that works it.
                    merit += if moved && state(before) != state(after) && state(after) == *wanted {
                        100
                    } else {
                        0
                    };
                }
                if best.is_none_or(|(b, _)| merit > b) {
                    best = Some((
                        merit,
                        Place { axis, level, make: MAKE, release: MAKE + HYSTERESIS, inverted },
                    ));
                }
            }
        }
    }
    let (_, mut place) = best?;
    // Several switches that make in one step do so one after another, the last one nearest to the stop.
    let rank = wants.iter().find(|w| w.on != place.inverted).map_or(0, |w| {
        let wanted = profile.sequence(w.direction)[w.step].confirm.wanted();
        let after = wanted.iter().skip_while(|(s, _)| *s != signal).skip(1).filter(|(_, on)| *on).count();
        after.min(8)
    });
    place.make += STAGGER * rank as f64;
    place.release = place.make + HYSTERESIS;
    // A step that ends when a switch opens, and with nothing else, must not end right at its start.
    for Want { direction, step, on: wanted, before, after } in &wants {
        let leaves = (before[place.axis] - place.level).abs() < 1e-6 && *wanted == place.inverted;
        let alone = profile.sequence(*direction)[*step].confirm.wanted().iter().all(|(_, on)| !*on);
        if leaves && alone {
            let span = (after[place.axis] - before[place.axis]).abs();
            place.release = place.release.max(LOST_MOTION * span);
        }
    }
    Some(place)
}

/// The words of a name, small.
fn words(text: &str) -> Vec<String> {
    text.to_lowercase()
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| w.len() > 2)
        .map(str::to_owned)
        .collect()
}

/// Position signals show the axes in the order in which these first move, by a shared word in the name where there
/// is one.
fn positions(profile: &Profile, axes: &[Axis], moves: &[Vec<Vec<Move>>; 2]) -> Vec<(SignalIx, usize)> {
    let mut order: Vec<usize> = Vec::new();
    for m in moves.iter().flatten().flatten() {
        if !order.contains(&m.axis) {
            order.push(m.axis);
        }
    }
    let mut out: Vec<(SignalIx, usize)> = Vec::new();
    for (ix, signal) in profile.of_kind(SignalKind::Position) {
        let own = words(&format!("{} {}", signal.id, signal.label));
        let shares = |axis: usize| words(&axes[axis].name).iter().filter(|w| own.contains(w)).count();
        let named = order.iter().copied().filter(|a| shares(*a) > 0).max_by_key(|a| shares(*a));
        let next = order.iter().copied().find(|a| !out.iter().any(|(_, used)| used == a));
        if let Some(axis) = named.or(next).or(order.first().copied()) {
            out.push((ix, axis));
        }
    }
    out
}

impl Place {
    /// The state at a position, `was` being the state so far.
    pub fn state(&self, x: f64, was: bool) -> bool {
        let near = (x - self.level).abs();
        let inside_was = was != self.inverted;
        let inside = if inside_was { near <= self.release } else { near <= self.make };
        inside != self.inverted
    }

    /// What has to pass zero upwards for the state to change.
    pub fn distance(&self, x: f64, was: bool) -> f64 {
        let near = (x - self.level).abs();
        if was != self.inverted { near - self.release } else { self.make - near }
    }
}
