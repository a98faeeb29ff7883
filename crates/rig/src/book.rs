//! Keeps the truth while the simulation runs.

use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_units::{Direction, Micros, Seconds};

use crate::truth::{CycleTruth, PhaseTruth, TrueOutcome};

/// A step follows the one before without a break when its drive stands within this time.
const FOLLOWS: Seconds = Seconds(0.25);

#[derive(Debug, Clone)]
struct OpenPhase {
    phase: PhaseRef,
    start: Micros,
    confirmed: Option<Micros>,
    arrived: Option<Micros>,
    left: Option<Micros>,
    carried: bool,
}

impl OpenPhase {
    fn end(&self) -> Option<Micros> {
        self.confirmed.or(self.arrived).or(self.left)
    }
}

#[derive(Debug, Clone)]
struct OpenCycle {
    start: Micros,
    drive_end: Option<Micros>,
    direction: Direction,
    part_way: bool,
    phases: Vec<OpenPhase>,
    ended: Option<TrueOutcome>,
    reversed: bool,
    finished_at: Option<Micros>,
    oil_c: f64,
    lowest_v: f64,
    highest_pa: f64,
}

/// The open cycle and the finished ones.
#[derive(Debug, Default)]
pub(crate) struct Book {
    open: Option<OpenCycle>,
    arrivals: Vec<(PhaseRef, Micros)>,
    carried: Vec<OpenPhase>,
    index: u32,
    pub ambient_c: f64,
}

impl Book {
    pub fn driving(&self) -> bool {
        self.open.as_ref().is_some_and(|c| c.drive_end.is_none())
    }

    /// Drive begins. Returns the cycle before, if it is over.
    pub fn drive_begins(
        &mut self,
        at: Micros,
        direction: Direction,
        part_way: bool,
        oil_c: f64,
        profile: &Profile,
    ) -> Option<CycleTruth> {
        let resumed = self
            .open
            .as_ref()
            .is_some_and(|c| c.drive_end.is_none_or(|end| at - end <= profile.timing.quiet));
        let closed = if resumed { None } else { self.close(profile) };
        let open = self.open.get_or_insert(OpenCycle {
            start: at,
            drive_end: None,
            direction,
            part_way,
            phases: Vec::new(),
            ended: None,
            reversed: false,
            finished_at: None,
            oil_c,
            lowest_v: f64::INFINITY,
            highest_pa: 0.0,
        });
        open.drive_end = None;
        open.reversed |= open.direction != direction;
        closed
    }

    pub fn drive_ends(&mut self, at: Micros) {
        if let Some(open) = &mut self.open {
            open.drive_end = Some(at);
            open.phases.append(&mut self.carried);
            if let Some(last) = open.phases.last_mut() {
                last.left.get_or_insert(at);
            }
        }
    }

    /// With the same drive the next step's axis moves on by itself. It counts as a step of its own unless the unit
    /// gets there too.
    pub fn carries_on(&mut self, phase: PhaseRef, at: Micros) {
        let Some(open) = &self.open else { return };
        if open.phases.iter().chain(&self.carried).all(|p| p.phase != phase) {
            self.carried.push(OpenPhase {
                phase,
                start: at,
                confirmed: None,
                arrived: None,
                left: None,
                carried: true,
            });
        }
    }

    /// Steps that move on by themselves just now.
    pub fn carried(&self) -> Vec<PhaseRef> {
        self.carried.iter().filter(|p| p.confirmed.is_none()).map(|p| p.phase).collect()
    }

    pub fn step_begins(&mut self, phase: PhaseRef, at: Micros) {
        self.arrivals.retain(|(_, t)| at - *t < Seconds(2.0));
        self.carried.retain(|p| p.phase.direction == phase.direction && p.phase.index > phase.index);
        let Some(open) = &mut self.open else { return };
        if let Some(last) = open.phases.last_mut() {
            if last.phase == phase && last.confirmed.is_none() {
                last.left = None;
                return;
            }
            last.left.get_or_insert(at);
        }
        let before = open.phases.last().and_then(OpenPhase::end);
        let start = before.filter(|end| at - *end <= FOLLOWS).unwrap_or(at);
        // With the same drive as the step before, its axis may have moved on by itself already.
        let arrived = self.arrivals.iter().find(|(p, _)| *p == phase).map(|(_, t)| *t);
        open.phases.push(OpenPhase { phase, start, confirmed: None, arrived, left: None, carried: false });
    }

    /// The confirming edge of the running step; the last one before the unit goes on counts.
    pub fn confirmed(&mut self, phase: PhaseRef, at: Micros) {
        if let Some(carried) = self.carried.iter_mut().find(|p| p.phase == phase) {
            carried.confirmed.get_or_insert(at);
            return;
        }
        if let Some(last) = self.open.as_mut().and_then(|c| c.phases.last_mut())
            && last.phase == phase
            && last.left.is_none()
        {
            last.confirmed = Some(at);
        }
    }

    pub fn arrived(&mut self, phase: PhaseRef, at: Micros) {
        self.arrivals.push((phase, at));
        if let Some(carried) = self.carried.iter_mut().find(|p| p.phase == phase) {
            carried.arrived.get_or_insert(at);
            return;
        }
        if let Some(last) = self.open.as_mut().and_then(|c| c.phases.last_mut())
            && last.phase == phase
        {
            last.arrived.get_or_insert(at);
        }
    }

    pub fn ends_as(&mut self, outcome: TrueOutcome, at: Micros) {
        if let Some(open) = &mut self.open {
            open.ended = Some(outcome);
            open.finished_at = (outcome == TrueOutcome::Completed).then_some(at);
        }
    }

    pub fn seen(&mut self, supply_v: f64, pressure_pa: f64) {
        if let Some(open) = &mut self.open
            && open.drive_end.is_none()
        {
            open.lowest_v = open.lowest_v.min(supply_v);
            open.highest_pa = open.highest_pa.max(pressure_pa);
        }
    }

    /// A demand with nothing driven.
    pub fn refused(
        &mut self,
        profile: &Profile,
        direction: Direction,
        from: Micros,
        to: Micros,
        missing: &[usize],
        oil_c: f64,
    ) -> Option<CycleTruth> {
        self.open = None;
        if to - from < profile.timing.refusal {
            return None;
        }
        let labels = missing.iter().map(|ix| profile.permissions[*ix].label.clone()).collect();
        Some(self.finish(CycleTruth {
            index: 0,
            start_us: from,
            end_us: to,
            direction,
            outcome: TrueOutcome::Refused,
            from_part_way: false,
            phases: Vec::new(),
            refused_by: labels,
            oil_c,
            ambient_c: 0.0,
            lowest_supply_v: 0.0,
            highest_pressure_bar: 0.0,
            run_on_s: 0.0,
            faults: Vec::new(),
            expect: Vec::new(),
        }))
    }

    /// Ends the open cycle, if its drive has been quiet for long enough.
    pub fn close_if_quiet(&mut self, now: Micros, profile: &Profile) -> Option<CycleTruth> {
        let quiet = self.open.as_ref()?.drive_end.is_some_and(|end| now - end > profile.timing.quiet);
        if quiet { self.close(profile) } else { None }
    }

    /// Ends the open cycle.
    pub fn close(&mut self, profile: &Profile) -> Option<CycleTruth> {
        let mut open = self.open.take()?;
        open.phases.append(&mut self.carried);
        let end = open.drive_end.unwrap_or(open.start);
        let phases = open
            .phases
            .iter()
            .map(|p| PhaseTruth {
                name: p.phase.of(profile).name.clone(),
                phase: p.phase,
                start_us: p.start,
                end_us: p.end().unwrap_or(end),
                confirmed: p.confirmed.is_some(),
                arrived_us: p.arrived,
                left_us: p.left.unwrap_or(end),
                carried: p.carried,
            })
            .collect();
        let outcome =
            if open.reversed { TrueOutcome::Reversed } else { open.ended.unwrap_or(TrueOutcome::Stopped) };
        let last = open.phases.last().and_then(|p| p.confirmed);
        Some(self.finish(CycleTruth {
            index: 0,
            start_us: open.start,
            end_us: end,
            direction: open.direction,
            outcome,
            from_part_way: open.part_way,
            phases,
            refused_by: Vec::new(),
            oil_c: open.oil_c,
            ambient_c: 0.0,
            lowest_supply_v: if open.lowest_v.is_finite() { open.lowest_v } else { 0.0 },
            highest_pressure_bar: open.highest_pa * 1e-5,
            run_on_s: open.finished_at.and(last).map_or(0.0, |edge| (end - edge).0),
            faults: Vec::new(),
            expect: Vec::new(),
        }))
    }

    fn finish(&mut self, mut cycle: CycleTruth) -> CycleTruth {
        cycle.index = self.index;
        self.index += 1;
        cycle.ambient_c = self.ambient_c;
        cycle
    }
}
