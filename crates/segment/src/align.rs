//! The alignment: which step of the sequence was running when.
//!
//! A Viterbi pass (Viterbi 1967; Rabiner 1989, section III.B) over the phases of both directions. The observations
//! are what changed and when: edges of the switches, changes of the drive, the operator's demand. One missing
//! confirmation costs its phase a penalty and not the cycle its meaning: the path through the other evidence is
//! still the cheapest.

use foldwatch_profile::{Expr, Phase, Profile, SignalIx, SignalKind};
use foldwatch_units::{Direction, Micros, Seconds};

use crate::drive::{DriveSignals, PumpSource};
use crate::ends::Ends;
use crate::model::{DriveSpan, Recording};

/// What evidence weighs, in nats: a step of ln 10 = 2.3 says "ten times less likely". Judgment, tried on simulated
/// roofs with every switch taken away in turn; the path does not hang on the second digit of any of them.
mod cost {
    /// The wrong drive, a second.
    pub const WRONG_DRIVE: f64 = 4.0;
    /// Longest stretch a contradiction is charged for, so that one long stay can't outweigh all else.
    pub const STRETCH_S: f64 = 3.0;
    /// A movement shorter than this weighs as one of this length: what a touch of the button drove tells which way it went
    /// as well as a whole movement does.
    pub const SHORTEST_S: f64 = 1.0;
    /// Staying in a step whose confirmation stands, a second.
    pub const STAYED: f64 = 1.0;
    /// Drive after the last step, a second.
    pub const DONE_DRIVE: f64 = 0.3;
    /// Leaving a step whose confirmation came before.
    pub const LEFT_LATER: f64 = 0.3;
    /// Leaving a step with no confirmation.
    pub const UNCONFIRMED: f64 = 5.0;
    /// Leaving a step whose confirmation can't be known.
    pub const UNKNOWN: f64 = 1.5;
    /// A step that only time ends, left without a change of the drive.
    pub const UNTIMED: f64 = 2.0;
    /// What a change of drive to that of the next step takes off the two above.
    pub const DRIVE_WENT_ON: f64 = 2.0;
    /// A step passed through in no time.
    pub const NO_TIME: f64 = 0.3;
    /// An edge that belongs to another step of this direction.
    pub const OTHER_STEP: f64 = 1.5;
    /// The same where the same drive brings the mechanism there: it moves on while the unit waits.
    pub const CARRIED: f64 = 0.5;
    /// An edge that belongs to the other direction only.
    pub const OTHER_WAY: f64 = 1.0;
    /// An edge of a switch that no step waits for.
    pub const STRAY: f64 = 0.2;
    /// Leaving an end position makes its switches open: hardly a surprise.
    pub const LEAVING: f64 = 0.1;
    /// Moving against the demand, a second.
    pub const AGAINST_DEMAND: f64 = 3.0;
    /// Beginning behind a step whose confirmation does not stand.
    pub const SKIPPED: f64 = 3.0;
    /// The same from the end position that the direction starts from: there nothing of it is done yet.
    pub const SKIPPED_FROM_END: f64 = 5.0;
    /// The same from part way, where a later step whose confirmation stands has undone it again: a lid that is down once more.
    pub const OVERTAKEN: f64 = 0.5;
    /// Beginning before a step whose confirmation stands, and does not where the direction starts from.
    pub const AHEAD: f64 = 1.5;
    /// Beginning behind a step whose confirmation stands.
    pub const DONE_BEFORE: f64 = 0.2;
    /// Beginning in the end position that the direction leads to.
    pub const THERE_ALREADY: f64 = 3.0;
    /// Beginning anywhere but in the end position that the direction starts from.
    pub const PART_WAY: f64 = 0.5;
    /// Drive with nothing left to do from the beginning.
    pub const NOTHING_TO_DO: f64 = 6.0;
    /// Turning round.
    pub const REVERSED: f64 = 6.0;
    /// What a demand for the other way takes off.
    pub const DEMAND_TURNED: f64 = 3.5;
    /// What a change of drive takes off.
    pub const DRIVE_TURNED: f64 = 1.0;
    /// Ending before the last step.
    pub const UNFINISHED: f64 = 1.0;
    /// The same although what confirms the last step came to stand during the movement.
    pub const UNFINISHED_BUT_THERE: f64 = 3.5;
}

/// A demand within this time before a moment still counts there: the unit's reaction.
const REACTION: Seconds = Seconds(0.5);

/// A switch that comes back within this time did not follow the mechanism: it chatters or its wire is loose. Judgment:
/// no step of a roof takes less.
pub(crate) const SHAKE: Seconds = Seconds(0.5);

/// Everything the alignment looks at.
pub(crate) struct Scene<'a> {
    pub profile: &'a Profile,
    pub signals: &'a DriveSignals,
    pub ends: &'a Ends,
    pub source: PumpSource,
    /// Which signals were ever recorded, by their place in the profile.
    pub seen: &'a [bool],
    pub recording: &'a Recording,
    /// Spans of unchanging drive, from the cycle's start to its end.
    pub drive: &'a [DriveSpan],
    pub start: Micros,
    /// Last drive.
    pub end: Micros,
}

/// One of the alignment's states: a step, or `index` past the last one: done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct State {
    pub direction: Direction,
    pub index: usize,
}

/// A stay in one state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stay {
    pub state: State,
    pub from: Micros,
    pub to: Micros,
}

/// Switch edges shortly after the drive's end belong to it: the unit and the sampling need that long.
pub(crate) const AFTER_END: Seconds = Seconds(0.3);

struct Moment {
    at: Micros,
    /// Switch edges at this moment.
    edges: Vec<(SignalIx, bool)>,
    /// State of all binary signals from this moment on.
    on: Vec<Option<bool>>,
    drive: Drive,
    drive_changed: bool,
    /// A demand stands or stood a moment ago.
    demand: Option<Direction>,
}

#[derive(Clone, PartialEq, Default)]
struct Drive {
    valves: Vec<SignalIx>,
    pump: bool,
    on: bool,
}

impl<'a> Scene<'a> {
    pub fn states(&self) -> Vec<State> {
        [Direction::Opening, Direction::Closing]
            .into_iter()
            .filter(|direction| !self.profile.sequence(*direction).is_empty())
            .flat_map(|direction| {
                (0..=self.profile.sequence(direction).len()).map(move |index| State { direction, index })
            })
            .collect()
    }

    /// Whether the roof stood in the end position of a direction before the cycle began; `None`: no switch tells.
    pub fn stood_at_end(&self, direction: Direction) -> Option<bool> {
        let on = |ix: SignalIx| self.recording.state(ix, Micros(self.start.0.saturating_sub(1)));
        self.ends.holds(direction, &on)
    }

    pub fn phase(&self, state: State) -> Option<&'a Phase> {
        self.profile.sequence(state.direction).get(state.index)
    }

    /// How little a drive fits a step: 0 fits, 1 or more does not. Only recorded signals count.
    pub fn mismatch(&self, span: &DriveSpan, phase: &Phase) -> f64 {
        self.drive_mismatch(&span.valves, span.pump, phase)
    }

    fn drive_mismatch(&self, valves: &[SignalIx], pump: bool, phase: &Phase) -> f64 {
        let known = |ix: &&SignalIx| self.seen.get(ix.at()).copied().unwrap_or(false);
        let wanted: Vec<&SignalIx> = phase.valves.iter().filter(known).collect();
        let union = wanted.iter().filter(|ix| !valves.contains(ix)).count() + valves.len();
        let common = wanted.iter().filter(|ix| valves.contains(ix)).count();
        let mut out = 0.0;
        if common != union {
            out += 0.5 + 0.5 * (union - common) as f64 / union as f64;
        }
        if self.source != PumpSource::Valves && pump != phase.pump {
            out += 0.5;
        }
        out
    }

    fn demand_at(&self, on: &[Option<bool>]) -> Option<Direction> {
        let asked = |direction| {
            self.signals.demands.iter().any(|ix| {
                self.profile.signal(*ix).demands == Some(direction)
                    && on.get(ix.at()).copied().flatten() == Some(true)
            })
        };
        match (asked(Direction::Opening), asked(Direction::Closing)) {
            (true, false) => Some(Direction::Opening),
            (false, true) => Some(Direction::Closing),
            _ => None,
        }
    }

    /// The edges of switches that tell of the mechanism. Of changes that follow each other within [`SHAKE`] the first
    /// counts where the switch stays changed, and none where it comes back.
    fn evidence(&self) -> Vec<(Micros, SignalIx)> {
        let mut out = Vec::new();
        for (signal, _) in self.profile.of_kind(SignalKind::Switch) {
            let times: Vec<Micros> =
                self.recording.edges.iter().filter(|e| e.signal == signal).map(|e| e.at).collect();
            for shaking in times.chunk_by(|a, b| *b - *a <= SHAKE).filter(|group| group.len() % 2 == 1) {
                out.push((shaking[0], signal));
            }
        }
        out
    }

    fn moments(&self) -> Vec<Moment> {
        let horizon = self.end + AFTER_END;
        let rec = self.recording;
        let mut on = rec.initial.clone();
        on.resize(self.profile.signals.len(), None);
        let mut edges = rec.edges.iter().peekable();
        while let Some(edge) = edges.next_if(|edge| edge.at < self.start) {
            on[edge.signal.at()] = Some(edge.on);
        }
        let mut times: Vec<Micros> = vec![self.start, self.end];
        times.extend(rec.edges.iter().map(|e| e.at).filter(|at| *at >= self.start && *at <= horizon));
        times.extend(self.drive.iter().map(|span| span.from).filter(|at| *at > self.start && *at < self.end));
        times.sort_unstable();
        times.dedup();

        let evidence = self.evidence();
        let mut out: Vec<Moment> = Vec::with_capacity(times.len());
        let mut span = 0;
        let mut last_demand: Option<(Micros, Direction)> = None;
        for at in times {
            let before = self.demand_at(&on);
            if let Some(direction) = before {
                last_demand = Some((at, direction));
            }
            let mut here = Vec::new();
            while let Some(edge) = edges.next_if(|edge| edge.at <= at) {
                on[edge.signal.at()] = Some(edge.on);
                if evidence.contains(&(edge.at, edge.signal)) {
                    here.push((edge.signal, edge.on));
                }
            }
            while span + 1 < self.drive.len() && self.drive[span].to <= at {
                span += 1;
            }
            let drive = self
                .drive
                .get(span)
                .filter(|s| s.from <= at && at < s.to)
                .map(|s| Drive { valves: s.valves.clone(), pump: s.pump, on: s.is_drive() })
                .unwrap_or_default();
            let now = self.demand_at(&on);
            if let Some(direction) = now {
                last_demand = Some((at, direction));
            }
            let demand =
                last_demand.filter(|(when, _)| at - *when <= REACTION).map(|(_, direction)| direction);
            let drive_changed = out.last().is_none_or(|last| last.drive != drive);
            out.push(Moment { at, edges: here, on: on.clone(), drive, drive_changed, demand });
        }
        out
    }

    /// The cheapest path, as stays in order of time; stays of no length are kept where a step was passed through.
    pub fn align(&self) -> Vec<Stay> {
        let states = self.states();
        let moments = self.moments();
        if states.is_empty() || moments.is_empty() {
            return Vec::new();
        }
        let wanted: Vec<Vec<(SignalIx, bool)>> =
            states.iter().map(|s| self.phase(*s).map(|p| p.confirm.wanted()).unwrap_or_default()).collect();
        let holds: Vec<Vec<Option<bool>>> = moments
            .iter()
            .map(|m| {
                let on = |ix: SignalIx| m.on.get(ix.at()).copied().flatten();
                states.iter().map(|s| self.phase(*s).and_then(|p| p.confirm.holds(&on))).collect()
            })
            .collect();
        let before_start: Vec<Option<bool>> = {
            let on = |ix: SignalIx| self.recording.state(ix, Micros(self.start.0.saturating_sub(1)));
            states.iter().map(|s| self.phase(*s).and_then(|p| p.confirm.holds(&on))).collect()
        };

        let mut costs: Vec<f64> =
            (0..states.len()).map(|s| self.init_cost(&states, s, &before_start)).collect();
        let mut back: Vec<Vec<usize>> = Vec::with_capacity(moments.len());
        for (m, moment) in moments.iter().enumerate() {
            let earlier = if m == 0 { &before_start } else { &holds[m - 1] };
            let mut next = vec![f64::INFINITY; states.len()];
            let mut from = vec![0; states.len()];
            for to in 0..states.len() {
                for (source, source_cost) in costs.iter().enumerate() {
                    let step = self.step_cost(&states, &wanted, source, to, moment, &holds[m], earlier);
                    let total = source_cost + step;
                    // Strictly less: of equal paths the one that stays wins, whatever the order of the states.
                    if total < next[to] - 1e-12 || (source == to && total <= next[to] + 1e-12) {
                        next[to] = total;
                        from[to] = source;
                    }
                }
            }
            if let Some(following) = moments.get(m + 1) {
                let stretch = (following.at - moment.at).0;
                for (s, c) in next.iter_mut().enumerate() {
                    *c += self.stay_cost(states[s], moment, holds[m][s], stretch);
                }
            }
            costs = next;
            back.push(from);
        }
        // The last step's confirmation fell and came to stand again (or for the first time) during the movement.
        let there = |direction: Direction| {
            let last_step =
                |s: &State| s.direction == direction && s.index + 1 == self.profile.sequence(direction).len();
            states.iter().position(last_step).is_some_and(|s| {
                let was_away = before_start[s] == Some(false) || holds.iter().any(|h| h[s] == Some(false));
                was_away && holds.last().is_some_and(|h| h[s] == Some(true))
            })
        };
        for (s, c) in costs.iter_mut().enumerate() {
            if self.phase(states[s]).is_some() {
                let there = there(states[s].direction);
                *c += if there { cost::UNFINISHED_BUT_THERE } else { cost::UNFINISHED };
            }
        }
        let mut state = (0..states.len()).min_by(|a, b| costs[*a].total_cmp(&costs[*b])).unwrap_or(0);
        let mut path = vec![state];
        for from in back.iter().rev() {
            state = from[state];
            path.push(state);
        }
        path.reverse();
        self.stays(&states, &moments, &path)
    }

    fn stays(&self, states: &[State], moments: &[Moment], path: &[usize]) -> Vec<Stay> {
        // path[0] is the state before the first moment, path[m + 1] the state from moment m on.
        let mut out: Vec<Stay> = Vec::new();
        let first = states[path[0]];
        out.push(Stay { state: first, from: self.start, to: self.start });
        for (m, moment) in moments.iter().enumerate() {
            let (source, to) = (states[path[m]], states[path[m + 1]]);
            if let Some(last) = out.last_mut() {
                last.to = moment.at;
            }
            if source == to {
                continue;
            }
            if source.direction == to.direction {
                for index in source.index + 1..to.index {
                    let state = State { direction: to.direction, index };
                    out.push(Stay { state, from: moment.at, to: moment.at });
                }
            }
            out.push(Stay { state: to, from: moment.at, to: moment.at });
        }
        out
    }

    fn init_cost(&self, states: &[State], s: usize, before: &[Option<bool>]) -> f64 {
        let state = states[s];
        let sequence = self.profile.sequence(state.direction);
        let from_end = self.stood_at_end(state.direction.reversed());
        let part_way = from_end == Some(false);
        let stands = |j: usize| {
            let at = states.iter().position(|x| x.direction == state.direction && x.index == j);
            at.and_then(|at| before[at])
        };
        let contradict = |a: &[(SignalIx, bool)], b: &[(SignalIx, bool)]| {
            a.iter().any(|(signal, on)| b.contains(&(*signal, !on)))
        };
        let wanted = |j: usize| sequence[j].confirm.wanted();
        let overtaken = |j: usize| {
            part_way
                && (j + 1..sequence.len())
                    .any(|k| stands(k) == Some(true) && contradict(&wanted(k), &wanted(j)))
        };
        let skipped = |j: usize| match stands(j) {
            Some(true) => cost::DONE_BEFORE,
            Some(false) if overtaken(j) => cost::OVERTAKEN,
            Some(false) if from_end == Some(true) => cost::SKIPPED_FROM_END,
            Some(false) => cost::SKIPPED,
            None => 1.0,
        };
        let starts_from = self.ends.wanted(state.direction.reversed());
        let ahead = (state.index + 1..sequence.len())
            .filter(|j| stands(*j) == Some(true) && contradict(&wanted(*j), &starts_from));
        let mut out: f64 = (0..state.index).map(skipped).sum::<f64>() + cost::AHEAD * ahead.count() as f64;
        if self.stood_at_end(state.direction) == Some(true) {
            out += cost::THERE_ALREADY;
        }
        if part_way {
            out += cost::PART_WAY;
        }
        if state.index == sequence.len() {
            out += cost::NOTHING_TO_DO;
        }
        out
    }

    fn stay_cost(&self, state: State, moment: &Moment, holds: Option<bool>, stretch_s: f64) -> f64 {
        if !moment.drive.on || moment.at >= self.end {
            return 0.0;
        }
        let whole = (self.end - self.start).0.max(1e-3);
        let stretch = (stretch_s * (cost::SHORTEST_S / whole).max(1.0)).min(cost::STRETCH_S);
        let mut rate = 0.0;
        match self.phase(state) {
            Some(phase) => {
                rate +=
                    cost::WRONG_DRIVE * self.drive_mismatch(&moment.drive.valves, moment.drive.pump, phase);
                if holds == Some(true) && phase.confirm != Expr::Always {
                    rate += cost::STAYED;
                }
            }
            None => rate += cost::DONE_DRIVE,
        }
        if moment.demand.is_some_and(|direction| direction != state.direction) {
            rate += cost::AGAINST_DEMAND;
        }
        rate * stretch
    }

    #[expect(clippy::too_many_arguments, reason = "one place puts the evidence of a moment together")]
    fn step_cost(
        &self,
        states: &[State],
        wanted: &[Vec<(SignalIx, bool)>],
        source: usize,
        to: usize,
        moment: &Moment,
        holds: &[Option<bool>],
        earlier: &[Option<bool>],
    ) -> f64 {
        let (a, b) = (states[source], states[to]);
        let mut out = 0.0;
        if a.direction == b.direction {
            if b.index < a.index {
                return f64::INFINITY;
            }
            let target = self.phase(b);
            for leaving in source..source + (b.index - a.index) {
                let Some(phase) = self.phase(states[leaving]) else { continue };
                let went_on = moment.drive_changed
                    && match target {
                        Some(target) => {
                            let fits_next =
                                self.drive_mismatch(&moment.drive.valves, moment.drive.pump, target);
                            let fits_this =
                                self.drive_mismatch(&moment.drive.valves, moment.drive.pump, phase);
                            moment.drive.on && fits_next + 0.25 <= fits_this
                        }
                        None => false,
                    };
                let help = if went_on { cost::DRIVE_WENT_ON } else { 0.0 };
                out += match holds[leaving] {
                    _ if phase.confirm == Expr::Always => cost::UNTIMED - help,
                    Some(true) if earlier[leaving] == Some(true) => cost::LEFT_LATER,
                    Some(true) => 0.0,
                    Some(false) => cost::UNCONFIRMED - help,
                    None => (cost::UNKNOWN - help).max(0.0),
                };
                if leaving != source {
                    out += cost::NO_TIME;
                }
            }
        } else {
            out += cost::REVERSED;
            if self.phase(b).is_none() {
                out += cost::NOTHING_TO_DO;
            }
            if moment.demand == Some(b.direction) {
                out -= cost::DEMAND_TURNED;
            }
            if moment.drive_changed && moment.drive.on {
                out -= cost::DRIVE_TURNED;
            }
        }
        for edge in &moment.edges {
            out += self.edge_cost(states, wanted, source, to, *edge);
        }
        out
    }

    /// Two steps with the same drive, where the drive is recorded.
    fn same_drive(&self, a: State, b: State) -> bool {
        let recorded =
            self.source != PumpSource::Demand && self.signals.valves.iter().all(|ix| self.seen[ix.at()]);
        recorded
            && self.phase(a).zip(self.phase(b)).is_some_and(|(a, b)| a.valves == b.valves && a.pump == b.pump)
    }

    /// How surprising a switch's edge is to a path that goes from `source` to `to` at that moment.
    fn edge_cost(
        &self,
        states: &[State],
        wanted: &[Vec<(SignalIx, bool)>],
        source: usize,
        to: usize,
        (signal, on): (SignalIx, bool),
    ) -> f64 {
        let direction = states[to].direction;
        let first = if states[source].direction == direction { source } else { to };
        if wanted[first..=to].iter().any(|atoms| atoms.contains(&(signal, on))) {
            return 0.0;
        }
        let of = |direction: Direction, on: bool| {
            states
                .iter()
                .zip(wanted)
                .any(|(state, atoms)| state.direction == direction && atoms.contains(&(signal, on)))
        };
        let carried = || {
            let ahead = states[to..].iter().zip(&wanted[to..]).skip(1);
            ahead
                .take_while(|(state, _)| state.direction == direction && self.same_drive(states[to], **state))
                .any(|(_, atoms)| atoms.contains(&(signal, on)))
        };
        if carried() {
            cost::CARRIED
        } else if of(direction, on) {
            cost::OTHER_STEP
        } else if of(direction.reversed(), on) {
            cost::OTHER_WAY
        } else if of(direction, !on) || of(direction.reversed(), !on) {
            cost::LEAVING
        } else {
            cost::STRAY
        }
    }
}
