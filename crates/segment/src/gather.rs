//! The stream cut into cycles: what was recorded from shortly before a drive to the end of its tail.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_samples::{GapCause, Item};
use foldwatch_units::{Direction, Micros, Seconds};
use serde::{Deserialize, Serialize};

use crate::condition::{Change, Conditioner};
use crate::drive::{PumpSource, RunningEdge};
use crate::fixed::Fixed;
use crate::gathering::Gathering;
use crate::lead::{FEWEST_ROWS, LEAD, Lead};
use crate::model::{Edge, Gap, Glitch, Recording};
use crate::motor::{Command, Motor};
use crate::outcome::Ending;
use crate::pace::Pace;
use crate::rest::Rest;

/// What the gathering hands on.
#[derive(Debug)]
pub(crate) enum Gathered {
    /// A drive began.
    Began,
    /// The drive is over; the tail still comes.
    Closed,
    /// The tail is over: this is all.
    Settled(Box<Gathering>),
    /// A demand was given and nothing was driven.
    Refused { at: Micros, until: Micros, direction: Option<Direction>, recording: Box<Recording> },
}

/// What may still change between two items; all of it, so that it can be put away and taken up again.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Gatherer {
    now: Micros,
    pace: Pace,
    values: Vec<f32>,
    seen: Vec<bool>,
    conditioners: Vec<Option<Conditioner>>,
    motor: Motor,
    pending: bool,
    lead: Lead,
    rest: Rest,
    open: Option<Gathering>,
    /// Drive is on.
    driving: bool,
    /// The cycle is closed and its tail runs.
    in_tail: bool,
    last_drive_edge: Micros,
    /// The first edge that switched something on since the drive was off.
    first_on_edge: Option<Micros>,
    valves_off_since: Option<Micros>,
    demands: Vec<(SignalIx, Micros)>,
    out_of_order: u64,
    /// Something that says whether the roof is driven has changed since the drive was last followed; never between
    /// two items.
    #[serde(skip)]
    stirred: bool,
}

impl Gatherer {
    pub fn new(fixed: &Fixed) -> Self {
        let signals = &fixed.profile.signals;
        Gatherer {
            now: Micros::MIN,
            pace: Pace::new(),
            values: vec![f32::NAN; signals.len()],
            seen: vec![false; signals.len()],
            conditioners: signals
                .iter()
                .map(|s| s.kind.is_binary().then(|| Conditioner::new(s.debounce)))
                .collect(),
            motor: Motor::new(),
            pending: false,
            lead: Lead::new(fixed.analog.len()),
            rest: Rest::new(signals.len()),
            open: None,
            driving: false,
            in_tail: false,
            last_drive_edge: Micros::MIN,
            first_on_edge: None,
            valves_off_since: None,
            demands: Vec::new(),
            out_of_order: 0,
            stirred: false,
        }
    }

    pub fn now(&self) -> Micros {
        self.now
    }

    pub fn values(&self) -> &[f32] {
        &self.values
    }

    pub fn seen(&self) -> &[bool] {
        &self.seen
    }

    pub fn out_of_order(&self) -> u64 {
        self.out_of_order
    }

    /// The cycle under way (or its tail), as gathered so far.
    pub fn open(&self) -> Option<&Gathering> {
        self.open.as_ref()
    }

    pub fn is_driving(&self) -> bool {
        self.driving
    }

    pub fn is_at_rest(&self) -> bool {
        self.open.is_none() && self.demands.is_empty()
    }

    pub fn source(&self, fixed: &Fixed) -> PumpSource {
        fixed.signals.pump_source(&|ix| self.seen[ix.at()])
    }

    /// Takes one item; `completed` is asked whether the movement gathered so far reached its end position.
    pub fn push(
        &mut self,
        fixed: &Fixed,
        item: &Item,
        completed: &dyn Fn(&Gathering, &Gatherer) -> bool,
        out: &mut dyn FnMut(Gathered, &Gatherer),
    ) {
        match *item {
            Item::Row { at, values } => {
                if !self.step_to(fixed, at, true, completed, out) {
                    return;
                }
                self.row(fixed, at, values);
            }
            Item::Same { at } => {
                if !self.step_to(fixed, at, true, completed, out) {
                    return;
                }
                self.lead.repeat(at);
                self.keep_newest(at);
            }
            Item::Edge { at, signal, on } => {
                if !self.step_to(fixed, at, false, completed, out) {
                    return;
                }
                if signal.at() < self.values.len() {
                    self.know(signal, f32::from(u8::from(on)));
                    self.see(fixed, at, signal, on, Seconds(0.0));
                }
            }
            Item::Mark { at } => {
                if self.step_to(fixed, at, false, completed, out)
                    && let Some(open) = &mut self.open
                {
                    open.recording.marks.push(at);
                }
            }
            Item::Gap { until, cause } => {
                if until < self.now {
                    return;
                }
                self.gap(fixed, self.now, until, Some(cause), completed, out);
                self.now = until;
                self.pace.skip_to(until);
            }
        }
        self.follow_drive(fixed, completed, out);
    }

    /// Steps over those rows of a run of [`Item::Same`] that leave no trace: nothing is driven, nothing waits for time
    /// to pass, and the rest of the run pushes them out of the lead. How many these were.
    pub fn step_over(&mut self, times: &[Micros]) -> usize {
        let (Some(first), Some(last)) = (times.first(), times.last()) else { return 0 };
        let waits =
            self.open.is_some() || self.pending || !self.demands.is_empty() || self.lead.newest().is_none();
        if waits || *first < self.now || !times.is_sorted_by(|a, b| a < b) {
            return 0;
        }
        let old = times.partition_point(|at| *at < *last - LEAD);
        let over = old.min(times.len().saturating_sub(Pace::PERIODS + FEWEST_ROWS));
        if let Some(at) = over.checked_sub(1).map(|last| times[last]) {
            self.now = at;
            self.pace.skip_to(at);
        }
        over
    }

    /// The recording is over.
    pub fn finish(
        &mut self,
        fixed: &Fixed,
        completed: &dyn Fn(&Gathering, &Gatherer) -> bool,
        out: &mut dyn FnMut(Gathered, &Gatherer),
    ) {
        self.decide_pending(fixed);
        self.follow_drive(fixed, completed, out);
        self.judge_demands(fixed, Micros::MAX, out);
        if let Some(open) = &mut self.open
            && !self.in_tail
        {
            if self.driving {
                open.end = self.now;
                open.ending = Ending::BrokenOff(None);
            }
            self.in_tail = true;
            out(Gathered::Closed, self);
        }
        self.settle(out);
    }

    /// Moves the clock; what waited for time to pass happens. False: the item lies in the past.
    fn step_to(
        &mut self,
        fixed: &Fixed,
        at: Micros,
        is_row: bool,
        completed: &dyn Fn(&Gathering, &Gatherer) -> bool,
        out: &mut dyn FnMut(Gathered, &Gatherer),
    ) -> bool {
        if at < self.now {
            self.out_of_order += 1;
            return false;
        }
        if is_row && let Some(before) = self.pace.row(at, self.driving) {
            self.gap(fixed, before, at, None, completed, out);
        }
        self.now = at;
        if self.pending {
            self.pass(fixed, at);
            self.follow_drive(fixed, completed, out);
        }
        if let Some(open) = &self.open {
            if !self.in_tail && !self.driving && at - open.end >= fixed.profile.timing.quiet {
                self.in_tail = true;
                out(Gathered::Closed, self);
            }
            let over = self.open.as_ref().is_some_and(|open| at - open.end >= fixed.profile.timing.tail);
            if self.in_tail && over {
                self.settle(out);
            }
        }
        if !self.demands.is_empty() {
            self.judge_demands(fixed, at, out);
        }
        true
    }

    fn row(&mut self, fixed: &Fixed, at: Micros, values: &[f32]) {
        let resolution = self.lead.newest().map_or(Seconds(0.0), |before| at - before);
        for n in 0..fixed.binaries.len() {
            let signal = fixed.binaries[n];
            let Some(value) = values.get(signal.at()).copied().filter(|v| !v.is_nan()) else { continue };
            let on = value >= 0.5;
            self.know(signal, value);
            if self.conditioners[signal.at()].as_ref().is_some_and(|c| c.is_news(on)) {
                self.see(fixed, at, signal, on, resolution);
            }
        }
        for signal in &fixed.analog {
            if let Some(value) = values.get(signal.at()).copied().filter(|v| !v.is_nan()) {
                self.know(*signal, value);
            }
        }
        self.see_motor(fixed, at, values, resolution);
        let value = |ix: &SignalIx| values.get(ix.at()).copied().unwrap_or(f32::NAN);
        self.lead.push(at, fixed.analog.iter().map(value));
        self.keep_newest(at);
    }

    fn know(&mut self, signal: SignalIx, value: f32) {
        self.values[signal.at()] = value;
        // What tells of the pump depends on what is there at all.
        self.stirred |= !std::mem::replace(&mut self.seen[signal.at()], true);
    }

    /// The motor's state by its current, or what stands in for it.
    fn see_motor(&mut self, fixed: &Fixed, at: Micros, values: &[f32], resolution: Seconds) {
        let source = self.source(fixed);
        let (signal, limits) = match source {
            PumpSource::Command | PumpSource::Current => (fixed.signals.current, fixed.current),
            PumpSource::Pressure => (fixed.signals.pressure, fixed.pressure),
            PumpSource::Valves | PumpSource::Demand => return,
        };
        let Some(value) = signal.and_then(|ix| values.get(ix.at())).filter(|v| !v.is_nan()) else { return };
        let command = match source {
            PumpSource::Command if fixed.signals.pumps.iter().any(|ix| self.on(*ix)) => Command::On,
            PumpSource::Command => Command::Off,
            _ => Command::Unknown,
        };
        let mut changes = Vec::new();
        let times = (resolution, self.pace.shortest());
        let reading = (at, f64::from(*value));
        if self.motor.see(reading, limits, command, times, &mut |change| changes.push(change)) {
            self.stirred = true;
            self.pending |= self.motor.is_pending();
            self.note_running(changes);
        }
    }

    fn see(&mut self, fixed: &Fixed, at: Micros, signal: SignalIx, on: bool, resolution: Seconds) {
        let Some(conditioner) = self.conditioners.get_mut(signal.at()).and_then(Option::as_mut) else {
            return;
        };
        self.stirred = true;
        let first = conditioner.stable().is_none();
        let mut changes = Vec::new();
        conditioner.see(at, on, resolution, &mut |change| changes.push(change));
        self.pending |= conditioner.is_pending();
        if first {
            // Known from now on; for what is already being recorded it was so before.
            self.rest.know(signal, on);
            if let Some(slot) =
                self.open.as_mut().and_then(|open| open.recording.initial.get_mut(signal.at()))
            {
                *slot = Some(on);
            }
        }
        changes.into_iter().for_each(|change| self.note(fixed, signal, change));
    }

    fn pass(&mut self, fixed: &Fixed, at: Micros) {
        self.pending = false;
        self.stirred = true;
        for n in 0..fixed.binaries.len() {
            let signal = fixed.binaries[n];
            let Some(conditioner) = self.conditioners[signal.at()].as_mut().filter(|c| c.is_pending()) else {
                continue;
            };
            let mut changes = Vec::new();
            conditioner.pass(at, &mut |change| changes.push(change));
            self.pending |= conditioner.is_pending();
            changes.into_iter().for_each(|change| self.note(fixed, signal, change));
        }
        let mut changes = Vec::new();
        self.motor.pass(at, &mut |change| changes.push(change));
        self.pending |= self.motor.is_pending();
        self.note_running(changes);
    }

    fn decide_pending(&mut self, fixed: &Fixed) {
        self.stirred = true;
        for n in 0..fixed.binaries.len() {
            let signal = fixed.binaries[n];
            let mut changes = Vec::new();
            if let Some(conditioner) = self.conditioners[signal.at()].as_mut() {
                conditioner.decide(&mut |change| changes.push(change));
            }
            changes.into_iter().for_each(|change| self.note(fixed, signal, change));
        }
        let mut changes = Vec::new();
        self.motor.decide(&mut |change| changes.push(change));
        self.note_running(changes);
        self.pending = false;
    }

    fn note_running(&mut self, changes: Vec<Change>) {
        for change in changes {
            if let Change::Edge { at, on, .. } = change {
                self.note_drive_edge(at, on);
                match &mut self.open {
                    Some(open) => open.running(RunningEdge { at, on }),
                    None => self.rest.running(Some(on)),
                }
            }
        }
    }

    fn note(&mut self, fixed: &Fixed, signal: SignalIx, change: Change) {
        match change {
            Change::Edge { at, on, bounces, burst, resolution } => {
                let edge = Edge { at, signal, on, bounces, burst, resolution };
                match fixed.profile.signal(signal).kind {
                    SignalKind::Valve | SignalKind::Pump => {
                        self.note_drive_edge(at, on);
                        self.begins_earlier(at, on);
                    }
                    SignalKind::Demand => {
                        if self.source(fixed) == PumpSource::Demand {
                            self.note_drive_edge(at, on);
                        }
                        if on && !self.driving {
                            self.demands.push((signal, at));
                        }
                    }
                    _ => {}
                }
                match &mut self.open {
                    Some(open) => open.edge(edge),
                    None => self.rest.edge(edge),
                }
            }
            Change::Glitch { at, lasted, to } => {
                let glitch = Glitch { at, lasted, signal, to };
                match &mut self.open {
                    Some(open) => open.glitch(glitch),
                    None => self.rest.glitch(glitch),
                }
            }
        }
    }

    fn note_drive_edge(&mut self, at: Micros, on: bool) {
        self.last_drive_edge = self.last_drive_edge.max(at);
        if on && !self.driving {
            self.first_on_edge = Some(self.first_on_edge.map_or(at, |first| first.min(at)));
        }
    }

    /// A signal with a longer debounce than another may tell later of an earlier start.
    fn begins_earlier(&mut self, at: Micros, on: bool) {
        if let Some(open) = &mut self.open
            && on
            && self.driving
            && !self.in_tail
            && at < open.start
            && open.start - at < LEAD
        {
            open.start = at;
        }
    }

    fn states(&self) -> Vec<Option<bool>> {
        self.conditioners.iter().map(|c| c.as_ref().and_then(Conditioner::stable)).collect()
    }

    fn on(&self, signal: SignalIx) -> bool {
        self.conditioners[signal.at()].as_ref().and_then(Conditioner::stable) == Some(true)
    }

    fn drive_now(&self, fixed: &Fixed) -> (bool, bool) {
        let valves = fixed.signals.valves.iter().any(|ix| self.on(*ix));
        let pump = match self.source(fixed) {
            PumpSource::Command => {
                fixed.signals.pumps.iter().any(|ix| self.on(*ix)) || self.motor.runs() == Some(true)
            }
            PumpSource::Current | PumpSource::Pressure => self.motor.runs() == Some(true),
            PumpSource::Valves => false,
            PumpSource::Demand => fixed.signals.demands.iter().any(|ix| self.on(*ix)),
        };
        (valves || pump, valves)
    }

    /// Opens, continues or ends the drive as the signals stand now.
    fn follow_drive(
        &mut self,
        fixed: &Fixed,
        completed: &dyn Fn(&Gathering, &Gatherer) -> bool,
        out: &mut dyn FnMut(Gathered, &Gatherer),
    ) {
        if !std::mem::take(&mut self.stirred) {
            return;
        }
        let (drive, valves) = self.drive_now(fixed);
        if drive && !self.driving {
            self.driving = true;
            self.demands.clear();
            let at = self.first_on_edge.take().unwrap_or(self.now);
            let goes_on = !self.in_tail && self.open.as_ref().is_some_and(|open| !completed(open, self));
            if !goes_on {
                if self.open.is_some() && !self.in_tail {
                    self.in_tail = true;
                    out(Gathered::Closed, self);
                }
                self.begin(fixed, at, out);
            }
        } else if !drive && self.driving {
            self.driving = false;
            self.first_on_edge = None;
            if let Some(open) = &mut self.open {
                open.end = self.last_drive_edge.max(open.start);
                // An end that lies in a gap is known no better than the last moment before it.
                if let Some(gap) = open.recording.gaps.iter().find(|gap| gap.to == open.end) {
                    open.end = gap.from.max(open.start);
                    open.ending = Ending::BrokenOff(gap.cause);
                }
            }
        }
        // A pump that never stops must not make one cycle out of a day.
        if drive && !valves {
            self.valves_off_since.get_or_insert(self.last_drive_edge);
        } else if valves && let Some(since) = self.valves_off_since.take() {
            let at = self.last_drive_edge;
            let stopped_long = at - since >= fixed.profile.timing.quiet;
            if stopped_long
                && self.open.as_ref().is_some_and(|open| since > open.start && completed(open, self))
            {
                if let Some(open) = &mut self.open {
                    open.end = at;
                    open.ending = Ending::NextBegan;
                }
                self.in_tail = true;
                out(Gathered::Closed, self);
                self.begin(fixed, at, out);
            }
        } else if !drive {
            self.valves_off_since = None;
        }
    }

    fn begin(&mut self, fixed: &Fixed, at: Micros, out: &mut dyn FnMut(Gathered, &Gatherer)) {
        let lead = at - LEAD;
        let before = match self.open.take() {
            Some(mut before) => {
                // The tail ends where this lead begins, but never before the drive of the cycle before.
                let moved = before.split_off(lead.max(before.end + Seconds(1e-6)));
                self.open = Some(before);
                self.settle(out);
                moved
            }
            None => self.rest.take(),
        };
        let mut open = Gathering::new(at, before, &fixed.analog);
        self.lead.rows_from(lead).for_each(|(time, values)| open.append(time, values));
        self.in_tail = false;
        self.open = Some(open);
        out(Gathered::Began, self);
    }

    /// Hands the recording on and starts the rest.
    fn settle(&mut self, out: &mut dyn FnMut(Gathered, &Gatherer)) {
        if let Some(open) = self.open.take() {
            self.in_tail = false;
            self.rest = Rest::from(self.states(), self.motor.runs());
            out(Gathered::Settled(Box::new(open)), self);
        }
    }

    fn gap(
        &mut self,
        fixed: &Fixed,
        from: Micros,
        to: Micros,
        cause: Option<GapCause>,
        completed: &dyn Fn(&Gathering, &Gatherer) -> bool,
        out: &mut dyn FnMut(Gathered, &Gatherer),
    ) {
        self.decide_pending(fixed);
        self.follow_drive(fixed, completed, out);
        let driving = self.driving;
        if let Some(open) = &mut self.open {
            open.recording.gaps.push(Gap { from, to, cause });
            if driving && (to - from > fixed.longest_cycle || cause == Some(GapCause::Restart)) {
                open.end = from.max(open.start);
                open.ending = Ending::BrokenOff(cause);
                self.in_tail = true;
                self.driving = false;
                out(Gathered::Closed, self);
                self.settle(out);
                // Whatever was driven then says nothing about now.
                self.stirred = true;
                for ix in [&fixed.signals.valves, &fixed.signals.pumps, &fixed.signals.demands]
                    .into_iter()
                    .flatten()
                {
                    self.conditioners[ix.at()] = Some(Conditioner::new(fixed.profile.signal(*ix).debounce));
                    self.rest.forget(*ix);
                }
                self.motor.forget();
                self.rest.running(None);
            }
        }
        self.demands.clear();
    }

    /// The lead's newest row goes into what is being recorded.
    fn keep_newest(&mut self, at: Micros) {
        if let Some(open) = &mut self.open {
            open.row(at, self.lead.newest_values());
        }
    }

    /// Demands that nothing came of.
    fn judge_demands(&mut self, fixed: &Fixed, now: Micros, out: &mut dyn FnMut(Gathered, &Gatherer)) {
        let patience = fixed.profile.timing.refusal;
        let due: Vec<(SignalIx, Micros)> = self
            .demands
            .iter()
            .copied()
            .filter(|(_, at)| now == Micros::MAX || now - *at >= patience)
            .collect();
        self.demands.retain(|demand| !due.contains(demand));
        for (signal, at) in due {
            let until = at + patience;
            if until > self.now {
                // The recording ends before anybody can tell.
                continue;
            }
            let direction = fixed.profile.signal(signal).demands;
            let recording = Recording {
                initial: self.states(),
                times: self.lead.times().collect(),
                ..Recording::default()
            };
            out(Gathered::Refused { at, until, direction, recording: Box::new(recording) }, self);
        }
    }
}
