//! What was learned from one car's earlier cycles. Its size does not grow with their number.

use std::borrow::Cow;
use std::collections::BTreeMap;

use foldwatch_physics::expect::{self, Expectation};
use foldwatch_profile::{PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Cycle, Outcome};
use foldwatch_units::{Direction, Seconds};
use serde::{Deserialize, Serialize};

use crate::heat::{self, HeatState};
use crate::run::{self, RunFacts};
use crate::{Judged, checks, look, measures, timing};

/// What is known of one car from its earlier cycles: how long each step takes it and under which conditions, what is
/// usual of its pressures and currents, which switches change when, how warm its pump was left.
///
/// Kept by the names of the profile, so that a signal added to the profile costs nothing. Size: bounded by the profile.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct History {
    /// Cycles learned from.
    pub cycles: u64,
    steps: BTreeMap<String, StepHistory>,
    switches: BTreeMap<String, SwitchHistory>,
    pairs: BTreeMap<String, PairHistory>,
    /// What is usual of the whole car, by name.
    usual: BTreeMap<String, Usual>,
    /// How warm the pump motor was left.
    pub(crate) heat: Option<HeatState>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct StepHistory {
    time: Expectation,
    /// Pressure and current that the step needs, by the measure's name.
    loads: BTreeMap<String, Load>,
    /// What is usual of the step, by name.
    usual: BTreeMap<String, Usual>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct SwitchHistory {
    opening: Changes,
    closing: Changes,
    /// Movements in a row in which it had to close and did not change.
    missed: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Changes {
    /// Completed movements.
    cycles: u32,
    /// Those in which it changed.
    changed: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct PairHistory {
    /// Movements in which both changed and were never closed at once.
    apart: u32,
    /// Movements in which they were.
    together: u32,
}

/// How much of something a step needs, by the same model as its time: ln of it against supply and viscosity, with a
/// heavy-tailed error. What the model calls seconds is then bar or ampere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Load(Expectation);

impl Load {
    /// Begun with what the profile states, from which sound roofs differ as they do in their times; or else with the first
    /// cycle's value, which may be a quarter off.
    fn begin(profile: &Profile, stated: Option<f64>, first: f64) -> Load {
        let prior = expect::Prior {
            level_sd: if stated.is_some() { expect::Prior::default().level_sd } else { 0.25 },
            // Neither pressure nor current goes with the supply for sure, whichever way.
            supply: expect::Belief { mean: 0.0, sd: 0.4 },
            // Cold oil takes pressure to be moved; how much is the roof's own.
            viscosity: expect::Belief { mean: 0.08, sd: 0.12 },
            ..expect::Prior::default()
        };
        Load(Expectation::with_prior(Seconds(stated.unwrap_or(first)), timing::reference(profile), prior))
    }

    /// It was not learned against another statement of the profile.
    fn fits(&self, profile: &Profile, stated: Option<f64>) -> bool {
        stated.is_none_or(|stated| self.0.is_for(Seconds(stated), &timing::reference(profile)))
    }
}

/// What the profile states of a load, by the measure's name.
fn stated(profile: &Profile, phase: PhaseRef, what: &str) -> Option<f64> {
    phase.of(profile).pressure.filter(|_| what == "mean-pressure").map(|bar| bar.0)
}

/// What a step usually needs under some conditions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Needed {
    /// Half of the sound cycles need more.
    pub median: f64,
    /// The chance that a sound cycle needs more than it did this time.
    pub tail: f64,
    /// By enough cycles of this car; else by what the profile states.
    pub learned: bool,
}

/// Movements after which two end positions are taken to exclude each other. Two of each direction.
const APART: u32 = 4;

/// The latest values of something, and what is usual of them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Usual {
    values: Vec<f64>,
}

impl Usual {
    /// How many of the latest values are kept: enough for a steady median, few enough to follow the seasons.
    const KEPT: usize = 40;

    /// One more value; what is no number is left out.
    pub fn add(&mut self, value: f64) {
        if value.is_finite() {
            if self.values.len() == Self::KEPT {
                self.values.remove(0);
            }
            self.values.push(value);
        }
    }

    /// How many values there are.
    pub fn count(&self) -> usize {
        self.values.len()
    }

    /// The median.
    pub fn median(&self) -> Option<f64> {
        look::quantile(&mut self.values.clone(), 0.5)
    }

    /// Median and scale: the scaled median absolute deviation (factor 1.4826 for the normal distribution; NIST/SEMATECH
    /// e-Handbook 1.3.5.17 uses the same cut on it), and not less than `floor` times the median, since few values can
    /// be alike by chance.
    pub fn spread(&self, floor: f64) -> Option<(f64, f64)> {
        let median = self.median()?;
        let mut off: Vec<f64> = self.values.iter().map(|v| (v - median).abs()).collect();
        let scale = 1.4826 * look::quantile(&mut off, 0.5)?;
        Some((median, scale.max(floor * median.abs())))
    }
}

impl History {
    /// The expectation of a step's time, when the profile's times are still those it was begun with.
    pub(crate) fn expectation(&self, profile: &Profile, phase: PhaseRef) -> Option<&Expectation> {
        let known = self.steps.get(&step_key(profile, phase))?;
        known.time.is_for(phase.of(profile).expected, &timing::reference(profile)).then_some(&known.time)
    }

    /// What is usual of a step.
    pub(crate) fn usual_of(&self, profile: &Profile, phase: PhaseRef, what: &str) -> Option<&Usual> {
        self.steps.get(&step_key(profile, phase))?.usual.get(what)
    }

    /// What is usual of the car.
    pub(crate) fn usual(&self, what: &str) -> Option<&Usual> {
        self.usual.get(what)
    }

    /// What is expected of a step's load: by what was learned, or else by what the profile states.
    fn load(&self, profile: &Profile, phase: PhaseRef, what: &str) -> Option<Cow<'_, Expectation>> {
        let stated = stated(profile, phase, what);
        let known = self.steps.get(&step_key(profile, phase)).and_then(|step| step.loads.get(what));
        match known.filter(|load| load.fits(profile, stated)) {
            Some(Load(known)) => Some(Cow::Borrowed(known)),
            None => Some(Cow::Owned(Load::begin(profile, stated, stated?).0)),
        }
    }

    /// A step's mean pressure over what the profile states, as it would be at reference conditions, with the relative
    /// standard uncertainty of that correction; `None` where the profile states none.
    pub(crate) fn against_stated(
        &self,
        profile: &Profile,
        phase: PhaseRef,
        conditions: timing::Conditions,
        bar: f64,
    ) -> Option<(f64, f64)> {
        let what = "mean-pressure";
        let stated = stated(profile, phase, what)?;
        let corrected = self.load(profile, phase, what)?.at_reference(conditions.into(), Seconds(bar));
        Some((corrected.time.0 / stated, corrected.relative_u))
    }

    /// What a step usually needs of pressure or current, once enough cycles were seen or where the profile states it.
    pub(crate) fn needed(
        &self,
        profile: &Profile,
        phase: PhaseRef,
        what: &str,
        conditions: timing::Conditions,
        now: f64,
    ) -> Option<Needed> {
        // A sensor that shows nothing, or less, has no logarithm.
        if !(now.is_finite() && now > 0.0) {
            return None;
        }
        let known = self.load(profile, phase, what)?;
        let learned = known.cycles() >= timing::ENOUGH_CYCLES;
        if !learned && stated(profile, phase, what).is_none() {
            return None;
        }
        let predicted = known.predict(conditions.into());
        Some(Needed { median: predicted.median.0, tail: predicted.tail(Seconds(now)), learned })
    }

    /// Usual time from the stop to the confirmation, in seconds, once it is known.
    pub(crate) fn usual_lag(&self, profile: &Profile, phase: PhaseRef) -> Option<f64> {
        let usual = self.usual_of(profile, phase, LAG)?;
        (usual.count() as f64 >= timing::ENOUGH_CYCLES).then(|| usual.median()).flatten()
    }

    /// Completed movements of a direction, and in how many of them the switch changed.
    pub(crate) fn changes(&self, profile: &Profile, signal: SignalIx, direction: Direction) -> (u32, u32) {
        let changes = self.switches.get(&profile.signal(signal).id).map(|switch| match direction {
            Direction::Opening => switch.opening,
            Direction::Closing => switch.closing,
        });
        changes.map_or((0, 0), |c| (c.cycles, c.changed))
    }

    /// Movements in a row, up to the last one, in which a switch had to close and did not change.
    pub(crate) fn missed_in_a_row(&self, profile: &Profile, signal: SignalIx) -> u32 {
        self.switches.get(&profile.signal(signal).id).map_or(0, |switch| switch.missed)
    }

    /// Switches of the two directions' end positions that were never closed at once.
    pub(crate) fn exclusive_ends(&self, profile: &Profile) -> Vec<(SignalIx, SignalIx)> {
        end_pairs(profile)
            .into_iter()
            .filter(|pair| {
                let known = self.pairs.get(&pair_key(profile, *pair));
                known.is_some_and(|known| known.together == 0 && known.apart >= APART)
            })
            .collect()
    }

    /// After a repair: how long the steps take, what they need and how the pressure holds is open again; what was learned
    /// of cold oil and low supply, and of the switches, stays.
    pub fn after_repair(&mut self) {
        for step in self.steps.values_mut() {
            step.time = step.time.after_repair();
            step.loads.clear();
            step.usual.clear();
        }
        self.usual.clear();
        for switch in self.switches.values_mut() {
            switch.missed = 0;
        }
    }

    /// Takes in one cycle, after it was judged with its tail. A cycle of which a part was not recorded, or that did
    /// nothing, teaches no more than how warm the pump is.
    pub fn learn(&mut self, profile: &Profile, cycle: &Cycle, judged: &Judged) {
        if let Some((_, left)) = heat::walk(profile, cycle, self) {
            self.heat = Some(left);
        }
        self.cycles += 1;
        if matches!(cycle.outcome, Outcome::Refused | Outcome::ServiceRun) {
            return;
        }
        for facts in &judged.runs {
            self.learn_step(profile, cycle, judged, facts);
        }
        self.learn_switches(profile, cycle, judged);
        if cycle.outcome == Outcome::Completed {
            let told = |kind: &str| judged.findings.iter().any(|f| f.kind == kind);
            let (holds, supplied) = (!told("leak-down"), !told("low-supply"));
            let quiet = |id: &str| {
                let fault = judged.findings.iter().filter(|f| f.kind == "signal-fault");
                let mut kinds = fault.filter_map(|f| Some(profile.signal(f.signal?).kind));
                !kinds.any(|kind| measures::noise_of(kind) == Some(id))
            };
            let sound = |id: &str| match id {
                "supply-resistance" => supplied,
                "hold-time-constant" | "hold-at-least" => holds,
                id => quiet(id),
            };
            self.usual.entry(ROW_PERIOD.to_owned()).or_default().add(look::period(cycle));
            let of_car = judged.measures.iter().filter(|m| m.run.is_none() && CAR.contains(&m.id));
            for measure in of_car.filter(|m| sound(m.id)) {
                if let Some(value) = measure.value.value() {
                    // A battery's resistance is kept as it is when warm.
                    let cold = measure.id == "supply-resistance";
                    let value = if cold { value / checks::cold_factor(profile, cycle) } else { value };
                    self.usual.entry(measure.id.to_owned()).or_default().add(value);
                }
            }
        }
    }

    fn learn_step(&mut self, profile: &Profile, cycle: &Cycle, judged: &Judged, facts: &RunFacts) {
        let run = &cycle.phases[facts.run];
        if facts.cut.is_some() || facts.part || run.confirmation != Confirmation::Confirmed {
            return;
        }
        let (Some(motion), Some(timing)) = (facts.motion, judged.timings.iter().find(|t| t.run == facts.run))
        else {
            return;
        };
        let phase = run.phase.of(profile);
        let key = step_key(profile, run.phase);
        let fits = self.expectation(profile, run.phase).is_some();
        if !fits {
            // The profile's times were changed: what was learned against the old ones is of no use.
            let step = StepHistory {
                time: timing::begin(profile, phase),
                loads: BTreeMap::new(),
                usual: BTreeMap::new(),
            };
            self.steps.insert(key.clone(), step);
        }
        let Some(step) = self.steps.get_mut(&key) else { return };
        let conditions = timing.conditions.into();
        // What was told as out of order is no example of what is usual: else a fault that stays becomes the rule.
        if is_told(cycle, judged, facts) {
            return;
        }
        step.time.observe(conditions, Seconds(motion));
        let of_run = |id: &str| {
            judged
                .measures
                .iter()
                .find(|m| m.run == Some(facts.run) && m.id == id)
                .and_then(|m| m.value.value())
        };
        for id in LOADS {
            if let Some(value) = of_run(id).filter(|value| *value > 0.0) {
                let stated = stated(profile, run.phase, id);
                let begin = || Load::begin(profile, stated, value);
                let load = step.loads.entry((*id).to_owned()).or_insert_with(begin);
                // The profile's pressure was changed.
                if !load.fits(profile, stated) {
                    *load = begin();
                }
                load.0.observe(conditions, Seconds(value));
            }
        }
        for id in STEP {
            if let Some(value) = of_run(id) {
                step.usual.entry((*id).to_owned()).or_default().add(value);
            }
        }
        if let Some(lag) = facts.lag {
            step.usual.entry(LAG.to_owned()).or_default().add(lag);
        }
    }

    fn learn_switches(&mut self, profile: &Profile, cycle: &Cycle, judged: &Judged) {
        if !cycle.recording.gaps.is_empty() {
            return;
        }
        let whole = cycle.outcome == Outcome::Completed && !cycle.from_part_way;
        let changed = |signal: SignalIx| cycle.recording.edges.iter().any(|edge| edge.signal == signal);
        for (ix, signal) in
            profile.of_kind(SignalKind::Switch).filter(|(ix, _)| look::is_recorded(cycle, *ix))
        {
            let switch = self.switches.entry(signal.id.clone()).or_default();
            if whole {
                let changes = match cycle.direction {
                    Direction::Opening => &mut switch.opening,
                    Direction::Closing => &mut switch.closing,
                };
                changes.cycles = changes.cycles.saturating_add(1);
                changes.changed = changes.changed.saturating_add(u32::from(changed(ix)));
            }
            let missing = judged.findings.iter().any(|f| f.kind == "missing-confirmation")
                && judged.runs.iter().any(|facts| {
                    facts.unmet.contains(&(ix, true)) && !matches!(facts.cut, Some(run::Cut::Reversed))
                });
            if changed(ix) {
                switch.missed = 0;
            } else if missing {
                switch.missed = switch.missed.saturating_add(1);
            }
        }
        if !whole {
            return;
        }
        for pair in end_pairs(profile).into_iter().filter(|(a, b)| changed(*a) && changed(*b)) {
            let accused = judged
                .findings
                .iter()
                .any(|f| f.kind == "contradiction" && (f.signal == Some(pair.0) || f.signal == Some(pair.1)));
            if accused {
                continue;
            }
            let on =
                |signal| look::stays(cycle, signal).into_iter().filter(|stay| stay.on).collect::<Vec<_>>();
            let together =
                on(pair.0).iter().any(|a| on(pair.1).iter().any(|b| a.from.max(b.from) < a.to.min(b.to)));
            let known = self.pairs.entry(pair_key(profile, pair)).or_default();
            if together {
                known.together = known.together.saturating_add(1);
            } else {
                known.apart = known.apart.saturating_add(1);
            }
        }
    }
}

/// Whether a finding says that a run was out of order: one about its step, one about what drives all steps, or a late
/// confirmation of the step before, which took some of its time.
fn is_told(cycle: &Cycle, judged: &Judged, facts: &RunFacts) -> bool {
    let phase_of = |run: usize| cycle.phases.get(run).map(|run| run.phase);
    let before = facts.run.checked_sub(1).and_then(phase_of);
    judged.findings.iter().any(|f| {
        let of_all = f.phase.is_none() && f.kind == "weak-pump";
        let late_before = f.kind == "late-confirmation" && before.is_some() && f.phase == before;
        f.phase == phase_of(facts.run) || of_all || late_before
    })
}

/// The time from the stop to the confirmation.
const LAG: &str = "confirmation-lag";
/// Measures of a step of which the usual is kept.
const STEP: &[&str] = &["bulk-modulus", BUILD_UP];
/// See there.
pub(crate) const BUILD_UP: &str = "pressure-build-up";
/// Measures of a step that say how heavily it goes.
pub(crate) const LOADS: &[&str] = &["mean-pressure", "running-current"];
/// Measures of a cycle of which the usual is kept.
const CAR: &[&str] = &[
    "hold-time-constant",
    "hold-at-least",
    "supply-resistance",
    "pressure-noise",
    "current-noise",
    "supply-noise",
];
/// Usual time from row to row.
pub(crate) const ROW_PERIOD: &str = "row-period";

fn step_key(profile: &Profile, phase: PhaseRef) -> String {
    format!("{}/{}", phase.direction, phase.of(profile).name)
}

fn pair_key(profile: &Profile, (a, b): (SignalIx, SignalIx)) -> String {
    format!("{}|{}", profile.signal(a).id, profile.signal(b).id)
}

/// Switches that the last step of opening requires, with those of the last step of closing, where neither is wanted
/// by the other direction.
fn end_pairs(profile: &Profile) -> Vec<(SignalIx, SignalIx)> {
    let last = |steps: &[foldwatch_profile::Phase]| {
        steps.last().map(|phase| run::required(&phase.confirm)).unwrap_or_default()
    };
    let wanted_in = |steps: &[foldwatch_profile::Phase], signal: SignalIx| {
        steps.iter().any(|phase| phase.confirm.wanted().iter().any(|(ix, _)| *ix == signal))
    };
    let open: Vec<SignalIx> = last(&profile.opening)
        .into_iter()
        .filter(|(ix, on)| *on && !wanted_in(&profile.closing, *ix))
        .map(|(ix, _)| ix)
        .collect();
    let closed: Vec<SignalIx> = last(&profile.closing)
        .into_iter()
        .filter(|(ix, on)| *on && !wanted_in(&profile.opening, *ix))
        .map(|(ix, _)| ix)
        .collect();
    open.iter().flat_map(|a| closed.iter().map(|b| (*a, *b))).collect()
}
