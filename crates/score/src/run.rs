//! What is known of each run of a step before anything is judged: what cut it short, when the mechanism reached its
//! stop, how long it truly moved, which switches did not come.

use foldwatch_physics::knee::pressure_knee;
use foldwatch_profile::{ChainMember, Expr, Phase, PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Cycle, Outcome, PhaseRun};
use foldwatch_units::{Bar, Micros};

use crate::look::{self, Lane};

/// What ended a run before its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// The operator let go.
    Stopped,
    /// It turned round.
    Reversed,
    /// The control unit gave up.
    GivenUp,
    /// The supply went away.
    PowerLost,
    /// A part of it was not recorded.
    Gap,
}

/// The mechanism pushes against something that does not give way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stall {
    /// The trace that shows it.
    pub signal: SignalIx,
    /// When the trace left its running level: the stop was reached.
    pub knee: Micros,
    /// From when it stayed at its highest level.
    pub from: Micros,
    /// Until when.
    pub until: Micros,
    /// That level, in the trace's unit.
    pub level: f64,
    /// Whether a motion came before it; if not, the mechanism never moved.
    pub moved: bool,
}

/// What is known of one run of a step.
#[derive(Debug, Clone, PartialEq)]
pub struct RunFacts {
    /// Place in [`Cycle::phases`].
    pub run: usize,
    /// What cut it short.
    pub cut: Option<Cut>,
    /// It began with the mechanism already on its way, or was interrupted: its time says nothing about the whole
    /// motion.
    pub part: bool,
    /// The mechanism reached its stop and pushed against it.
    pub stall: Option<Stall>,
    /// Time that the mechanism moved, in seconds; `None` where nothing tells its end.
    pub motion: Option<f64>,
    /// Time from the stop to the confirmation, in seconds, where both are known.
    pub lag: Option<f64>,
    /// What of the confirmation does not hold when the step is left: signals with the state wanted.
    pub unmet: Vec<(SignalIx, bool)>,
    /// Time that the step was driven until it was left, in seconds.
    pub driven_until_left: f64,
}

/// The facts of every run of a cycle.
pub(crate) fn facts(profile: &Profile, cycle: &Cycle) -> Vec<RunFacts> {
    let pressure = look::sound_lane(profile, cycle, SignalKind::Pressure);
    let current = look::sound_lane(profile, cycle, SignalKind::Current);
    (0..cycle.phases.len())
        .filter(|n| {
            let at = cycle.phases[*n].phase;
            at.index < profile.sequence(at.direction).len()
        })
        .map(|n| one(profile, cycle, n, pressure, current))
        .collect()
}

fn one(
    profile: &Profile,
    cycle: &Cycle,
    n: usize,
    pressure: Option<Lane>,
    current: Option<Lane>,
) -> RunFacts {
    let run = &cycle.phases[n];
    let phase = run.phase.of(profile);
    let cut = cut(cycle, n);
    let driven_until_left = look::drive_time(cycle, run.start, run.left, |span| span.is_drive());
    let unmet = if run.confirmation == Confirmation::Confirmed {
        Vec::new()
    } else {
        unmet(&phase.confirm, &|signal| cycle.recording.state(signal, run.left))
    };
    let relief = profile.hydraulics.relief.map(|bar| bar.0);
    let stall = phase
        .pump
        .then(|| {
            pressure.map(|lane| stall(cycle, run, phase, lane, relief, STEP_UP)).unwrap_or_else(|| {
                current.and_then(|lane| stall(cycle, run, phase, lane, None, STEP_UP_CURRENT))
            })
        })
        .flatten();
    let lag = run
        .confirmed_at
        .zip(stall)
        .filter(|_| phase.confirm != Expr::Always)
        .filter(|(at, stall)| stall.moved && *at > run.start)
        .map(|(at, stall)| (at - stall.knee).0);
    let known = profile.timing.relief_dwell.0;
    let motion = match (run.confirmation, stall) {
        // Reaching the stop first and the switch soon after is how many switches are set.
        (Confirmation::Confirmed, Some(stall)) if stall.moved && lag.is_some_and(|lag| lag > known) => {
            Some(run.driven.0 - (run.end - stall.knee).0.max(0.0))
        }
        (Confirmation::Confirmed, _) => Some(run.driven.0),
        (_, Some(stall)) if stall.moved => {
            Some(look::drive_time(cycle, run.start, stall.knee, |span| span.is_drive()))
        }
        _ => None,
    }
    .filter(|_| !matches!(cut, Some(Cut::Gap)));
    RunFacts { run: n, cut, part: part(cycle, n), stall, motion, lag, unmet, driven_until_left }
}

fn cut(cycle: &Cycle, n: usize) -> Option<Cut> {
    let run = &cycle.phases[n];
    if cycle.recording.gaps.iter().any(|gap| gap.from < run.left && gap.to > run.start) {
        return Some(Cut::Gap);
    }
    if run.went_on || run.confirmation == Confirmation::Confirmed {
        return None;
    }
    let turned = cycle.phases.get(n + 1).is_some_and(|next| next.phase.direction != run.phase.direction);
    if turned {
        return Some(Cut::Reversed);
    }
    match cycle.outcome {
        Outcome::Stopped => Some(Cut::Stopped),
        Outcome::Reversed => Some(Cut::Stopped),
        Outcome::GivenUp => Some(Cut::GivenUp),
        Outcome::PowerLost => Some(Cut::PowerLost),
        Outcome::RecordingGap => Some(Cut::Gap),
        Outcome::Completed | Outcome::Refused | Outcome::ServiceRun => None,
    }
}

/// The first run after a start from half-way, the first after a reversal, and any with a standstill in it.
fn part(cycle: &Cycle, n: usize) -> bool {
    let run = &cycle.phases[n];
    let after_turn = n > 0 && cycle.phases[n - 1].phase.direction != run.phase.direction;
    let stood = (run.duration() - run.driven).0 > 0.05 * run.duration().0.max(1.0);
    (n == 0 && cycle.from_part_way) || after_turn || stood
}

/// What must change for the expression to hold, with the state wanted of each signal.
pub(crate) fn unmet(expr: &Expr, on: &dyn Fn(SignalIx) -> Option<bool>) -> Vec<(SignalIx, bool)> {
    match expr {
        Expr::Always => Vec::new(),
        Expr::Signal(signal) if on(*signal) == Some(false) => vec![(*signal, true)],
        Expr::Not(inner) => match &**inner {
            Expr::Signal(signal) if on(*signal) == Some(true) => vec![(*signal, false)],
            Expr::Signal(_) => Vec::new(),
            other if other.holds(on) == Some(true) => {
                other.wanted().into_iter().map(|(s, w)| (s, !w)).collect()
            }
            _ => Vec::new(),
        },
        Expr::Signal(_) => Vec::new(),
        Expr::All(parts) => parts.iter().flat_map(|part| unmet(part, on)).collect(),
        Expr::Any(_) if expr.holds(on) == Some(true) => Vec::new(),
        Expr::Any(parts) => parts.iter().flat_map(|part| unmet(part, on)).collect(),
    }
}

/// The signals that must hold for the expression to hold, whatever the others do.
pub(crate) fn required(expr: &Expr) -> Vec<(SignalIx, bool)> {
    match expr {
        Expr::Always => Vec::new(),
        Expr::Signal(signal) => vec![(*signal, true)],
        Expr::Not(inner) => match &**inner {
            Expr::Signal(signal) => vec![(*signal, false)],
            _ => Vec::new(),
        },
        Expr::All(parts) => parts.iter().flat_map(required).collect(),
        Expr::Any(parts) if parts.len() == 1 => required(&parts[0]),
        Expr::Any(_) => Vec::new(),
    }
}

/// The state that the sequences leave a signal in before a step, as far as they tell: the last step before it (the
/// other direction's steps come before the first one) that requires it one way or the other.
pub fn state_before(profile: &Profile, phase: PhaseRef, signal: SignalIx) -> Option<bool> {
    let own = profile.sequence(phase.direction)[..phase.index].iter().rev();
    let other = profile.sequence(phase.direction.reversed()).iter().rev();
    own.chain(other)
        .flat_map(|step| required(&step.confirm))
        .find(|(ix, _)| *ix == signal)
        .map(|(_, wanted)| wanted)
}

/// Share of the relief setting from which pressure counts as standing at it. Judgment: relief valves begin to open
/// some percent below their setting, and a roof that moves at nine tenths of it has no reserve left.
pub const AT_RELIEF: f64 = 0.9;
/// What is left of the time of a whole step without a stand at relief pressure must suffice for the way: where less than this
/// share of the expected time is left, the mechanism moved at that pressure. Judgment: a warm pump is a tenth faster, a
/// quarter is left for profiles.
pub const WAY: f64 = 0.65;
/// A plateau must lie this much above the running level to be a stop rather than a heavier stretch of the way.
const STEP_UP: f64 = 1.25;
/// The same for a current, of which the motor's own losses are a part that does not grow.
const STEP_UP_CURRENT: f64 = 1.15;
/// Share of the expected time that must have been moved before a rise counts as reaching the stop.
const MOVED: f64 = 0.3;

/// The last plateau of a trace within a run, when the drive pushed until its end.
fn stall(
    cycle: &Cycle,
    run: &PhaseRun,
    phase: &Phase,
    lane: Lane,
    relief: Option<f64>,
    step_up: f64,
) -> Option<Stall> {
    let to = look::last_of(cycle, run.start, run.left, look::pump_runs)?;
    // What came with the confirmation is no longer the motion's.
    let to = run.confirmed_at.filter(|at| *at > run.start).map_or(to, |at| to.min(at));
    let points: Vec<(Micros, f64)> = lane.within(run.start, to).points().collect();
    if points.len() < 4 {
        return None;
    }
    let noise = lane.within(run.start, to).noise();
    let mut tail: Vec<f64> = points.iter().map(|p| p.1).collect();
    let top = look::quantile(&mut tail, 0.98)?;
    let (low, by_level) = match relief {
        Some(relief) if top >= AT_RELIEF * relief => (AT_RELIEF * relief, true),
        _ => (top - (0.04 * top.abs()).max(4.0 * noise), false),
    };
    let (first, last) = last_stretch(&points, low)?;
    let from = points[first].0;
    let until = points[last].0;
    // It must have pushed to the end of the drive, or to the confirmation.
    if (to - until).0 > 0.1 + 2.0 * look::period(cycle) {
        return None;
    }
    let lasted = (until - from).0;
    let mut before: Vec<f64> = points[..first].iter().map(|p| p.1).collect();
    let running = look::quantile(&mut before, 0.5).unwrap_or(top);
    // The last moment at the way's usual level; but a load that grows on the way leaves that long before the stop, so
    // where the trace has a corner it is that.
    let at_level = points[..first].iter().rev().find(|p| p.1 <= running + 0.1 * (top - running));
    let knee = at_level
        .map_or(from, |p| p.0)
        .max(corner(&points, relief).filter(|at| *at <= from).unwrap_or(run.start));
    let moved = (knee - run.start).0 >= MOVED * phase.expected.0;
    if !by_level {
        // Without the relief setting only the shape tells: a clear step up, flat for longer than it took to rise,
        // after a motion, and no confirmation that would say that the way was simply heavier at its end.
        let rise = (from - knee).0;
        let unconfirmed = run.confirmation != Confirmation::Confirmed;
        let highest = relief.is_none() && is_the_cycles_highest(cycle, lane, top);
        let clear = top >= step_up * running && top - running > 6.0 * noise;
        if !(moved && clear && lasted >= rise.max(0.25) && (unconfirmed || highest)) {
            return None;
        }
    }
    Some(Stall { signal: lane.signal, knee, from, until, level: top, moved })
}

/// Where the trace turns from the way's level, whatever its slope, to the rise against the stop.
fn corner(points: &[(Micros, f64)], relief: Option<f64>) -> Option<Micros> {
    let (times, values): (Vec<Micros>, Vec<f32>) = points.iter().map(|p| (p.0, p.1 as f32)).unzip();
    pressure_knee(&times, &values, relief.map(Bar)).map(|knee| knee.at)
}

/// The relief valve is one for all steps: where its setting is not known, only the highest level of the whole cycle
/// can be it. The first moments after a start of the pump are left out, for the motor's inrush.
fn is_the_cycles_highest(cycle: &Cycle, lane: Lane, level: f64) -> bool {
    const INRUSH_OVER: f64 = 0.4;
    let highest = cycle
        .recording
        .drive
        .iter()
        .filter(|span| look::pump_runs(span))
        .filter_map(|span| {
            let from = span.from + foldwatch_units::Seconds(INRUSH_OVER);
            lane.within(from, span.to).highest_mean(0.2).map(|p| p.1)
        })
        .fold(f64::NEG_INFINITY, f64::max);
    level >= AT_RELIEF * highest
}

/// The last stretch of points at or above a level; dips of up to two points or 0.1 s are noise.
fn last_stretch(points: &[(Micros, f64)], low: f64) -> Option<(usize, usize)> {
    let last = points.iter().rposition(|p| p.1 >= low)?;
    let mut first = last;
    for n in (0..last).rev() {
        if points[n].1 >= low {
            first = n;
        } else if first - n > 2 && (points[first].0 - points[n].0).0 > 0.1 {
            break;
        }
    }
    Some((first, last))
}

/// The members of a chain of switches, when the signal is one.
pub(crate) fn chain(profile: &Profile, signal: SignalIx) -> Option<&[ChainMember]> {
    profile.chains.iter().find(|chain| chain.signal == signal).map(|chain| chain.members.as_slice())
}
