//! signal-fault: a signal shows what can't be.

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Cycle, Outcome};
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::history::ROW_PERIOD;
use crate::look::{self, Lane};
use crate::view::Scatter;
use crate::{Finding, View, Weight, measures, timing};

static ABOUT: About = About {
    id: "signal-fault",
    title: "Signal can't be right",
    meaning: "What a sensor, or the logger, shows can't be: it does not follow the drive although the roof moved, leaves its range, \
              breaks off, or is all noise. What hangs on it is not judged.",
    inspect: "The sensor's plug, supply and earth; the logger's channel and its calibration. The roof may be sound.",
    limit_origin: "Changes below 2 % of the relief setting, 5 % of the running current, or 0.2 % of the nominal supply, over a movement that its switches confirm; \
                   the calibration's range, else what is physically possible; scatter above 4 % and 8 % of the same (judgment: a \
                   pump's ripple is some percent), or above three times what is usual for the car and a fifth of that limit \
                   (judgment); five lone readings in a movement that stand off by 2.5 times the limit and 8 deviations (judgment). A position: no change over a completed movement, or scatter above 2 % \
                   of its range.",
};

/// Share of the relief setting, or of the running current, below which a signal did not follow. Judgment.
const FOLLOWS_PRESSURE: f64 = 0.02;
const FOLLOWS_CURRENT: f64 = 0.05;
/// The same of a supply, as a share of nominal. A battery has some milliohms by itself, so that a pump's 10 A and more take
/// more than twice that from it wherever it is measured (common practice, no source).
const FOLLOWS_SUPPLY: f64 = 0.002;
/// Scatter of a sound signal as a share of the same.
const SCATTER_PRESSURE: f64 = 0.04;
const SCATTER_CURRENT: f64 = 0.08;
/// Scatter of a sound supply, in shares of nominal, and of a sound temperature, in kelvin.
const SCATTER_SUPPLY: f64 = 0.03;
const SCATTER_TEMPERATURE: f64 = 3.0;
/// A signal that scatters by this many times its usual, and by this share of the limits above, has a bad contact or a bad
/// earth, long before nothing can be read from it. Judgment.
const NOISIER: f64 = 3.0;
const NOISIER_SHARE: f64 = 0.2;
/// A lone reading that stands off both its neighbours by this many times the limit is no pressure and no current, which take
/// longer to come and go than two readings at this many a second. So many of them in a movement, and such a part of
/// its readings, are a bad contact. Judgment.
const SPIKE: f64 = 2.5;
/// And by this many deviations of its scatter: of a thousand normal readings none does.
const SPIKE_DEVIATIONS: f64 = 8.0;
const SPIKE_PERIOD: f64 = 0.021;
const SPIKES: usize = 5;
const SPIKES_SHARE: f64 = 0.003;
/// At fewer readings a second what really changes looks like scatter, and more so in a movement that ends otherwise. Judgment:
/// a pressure builds up in a tenth of a second.
const TELLS_SCATTER: f64 = 0.051;
/// The same of a position, in shares of its range: what changes less did not move, what scatters more is noise.
const FOLLOWS_POSITION: f64 = 0.01;
const SCATTER_POSITION: f64 = 0.02;
/// Out of range for fewer samples than this is a disturbance.
const SAMPLES: usize = 3;
/// A signal that is silent for this long, and for this many of its own periods, has broken off.
const SILENT: f64 = 1.0;
const SILENT_PERIODS: f64 = 20.0;
/// Relief setting and running current where the profile gives none, so that shares mean something. Judgment: the low
/// end of what folding roofs have.
const LOW_RELIEF: f64 = 60.0;
const LOW_CURRENT: f64 = 8.0;

/// See the file's head.
pub(super) struct SignalFault;

impl Check for SignalFault {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let analog = view.profile.signals().filter(|(_, signal)| !signal.kind.is_binary());
        analog
            .filter_map(|(ix, signal)| {
                let lane = Lane::of(view.cycle, ix)?;
                out_of_range(view, lane)
                    .or_else(|| deaf(view, lane))
                    .or_else(|| absurd(view, lane))
                    .or_else(|| pinned(view, lane, signal.kind))
                    .or_else(|| still(view, lane, signal.kind))
                    .or_else(|| noisy(view, lane))
                    .or_else(|| spiky(view, lane))
                    .or_else(|| broken_off(view, lane))
            })
            .chain(all_at_once(view))
            .collect()
    }
}

fn finding(
    view: &View,
    signal: SignalIx,
    at: Micros,
    until: Micros,
    (value, unit, limit): (f64, &'static str, Option<f64>),
    sure: f64,
    message: String,
) -> Finding {
    Finding {
        kind: ABOUT.id,
        weight: Weight::Note,
        phase: view.step_at(at).map(|step| step.run.phase),
        signal: Some(signal),
        at,
        until: Some(until),
        value,
        unit,
        limit,
        sure,
        message,
    }
}

/// What a signal can show at all: its calibrated range, else what is physically possible.
fn range(view: &View, signal: SignalIx) -> (f64, f64) {
    let signal = view.profile.signal(signal);
    let (low, high) = match signal.kind {
        // No gauge shows less than a vacuum.
        SignalKind::Pressure => (-1.5, f64::INFINITY),
        SignalKind::Voltage => (-1.0, f64::INFINITY),
        SignalKind::Temperature => (-60.0, 150.0),
        _ => (f64::NEG_INFINITY, f64::INFINITY),
    };
    (signal.calibration.min.unwrap_or(low), signal.calibration.max.unwrap_or(high))
}

fn out_of_range(view: &View, lane: Lane) -> Option<Finding> {
    let (low, high) = range(view, lane.signal);
    let during = lane.within(view.cycle.start, view.cycle.end);
    if during.min()? >= low && during.max()? <= high {
        return None;
    }
    // A sensor's foot scatters about its range's end.
    let slack =
        (4.0 * lane.noise()).max(if low.is_finite() && high.is_finite() { 0.01 * (high - low) } else { 0.0 });
    let mut run: Vec<(Micros, f64)> = Vec::new();
    let mut worst: Vec<(Micros, f64)> = Vec::new();
    for point in during.points() {
        if point.1 < low - slack || point.1 > high + slack {
            run.push(point);
            if run.len() > worst.len() {
                worst.clone_from(&run);
            }
        } else {
            run.clear();
        }
    }
    let (first, last) = (worst.first()?, worst.last()?);
    if worst.len() < SAMPLES {
        return None;
    }
    let unit = view.profile.signal(lane.signal).unit.symbol;
    let limit = if first.1 < low { low } else { high };
    let message = format!(
        "`{}` showed {:.1} {unit} for {:.2} s; it can't show anything beyond {limit:.1} {unit}.",
        view.name(lane.signal),
        first.1,
        (last.0 - first.0).0
    );
    Some(finding(view, lane.signal, first.0, last.0, (first.1, unit, Some(limit)), 0.95, message))
}

/// Steps that the pump drove and a switch confirmed while they ran.
fn confirmed_by_pump(view: &View) -> usize {
    view.steps()
        .filter(|s| s.phase.pump && s.run.confirmation == Confirmation::Confirmed)
        .filter(|s| s.run.confirmed_at.is_some_and(|at| at > s.run.start) && s.run.driven.0 > 0.5)
        .count()
}

/// A pressure, current or supply that did not change over a movement that it drove.
pub(crate) fn is_deaf(view: &View, lane: Lane) -> bool {
    deaf_span(view, lane).is_some()
}

fn deaf_span(view: &View, lane: Lane) -> Option<(f64, f64)> {
    let share = match view.profile.signal(lane.signal).kind {
        SignalKind::Pressure => {
            FOLLOWS_PRESSURE * view.profile.hydraulics.relief.map_or(LOW_RELIEF, |bar| bar.0)
        }
        SignalKind::Current => FOLLOWS_CURRENT * view.profile.electrics.running.map_or(LOW_CURRENT, |a| a.0),
        SignalKind::Voltage => {
            FOLLOWS_SUPPLY * view.profile.electrics.nominal.unwrap_or(view.profile.reference.supply).0
        }
        _ => return None,
    };
    let during = lane.within(view.cycle.start, view.cycle.end);
    let pumped = look::drive_time(view.cycle, view.cycle.start, view.cycle.end, |s| s.pump);
    if confirmed_by_pump(view) == 0 || pumped < 1.0 || during.count() < 5 {
        return None;
    }
    // Rest before the start and the whole movement: a sound signal spans them.
    let whole = lane.within(view.cycle.start - Seconds(1.0), view.cycle.end);
    let span = whole.quantile(0.98)? - whole.quantile(0.02)?;
    // Scatter alone makes a span of some four deviations. A supply that scatters hides as little as it need drop.
    let scatters = view.profile.signal(lane.signal).kind != SignalKind::Voltage
        && span < 5.0 * whole.noise()
        && span < 4.0 * share;
    (span < share || scatters).then_some((span, share))
}

fn deaf(view: &View, lane: Lane) -> Option<Finding> {
    let (span, share) = deaf_span(view, lane)?;
    let unit = view.profile.signal(lane.signal).unit.symbol;
    let message = format!(
        "`{}` hardly changed ({span:.2} {unit}) while the pump moved the roof, as its switches confirm.",
        view.name(lane.signal)
    );
    Some(finding(
        view,
        lane.signal,
        view.cycle.start,
        view.cycle.end,
        (span, unit, Some(share)),
        0.93,
        message,
    ))
}

/// A position that did not change over a whole movement.
fn still(view: &View, lane: Lane, kind: SignalKind) -> Option<Finding> {
    let whole = view.cycle.outcome == Outcome::Completed && !view.cycle.from_part_way;
    let part = lane.within(view.cycle.start, view.cycle.end);
    if kind != SignalKind::Position || !whole || part.count() < 20 {
        return None;
    }
    let span = part.quantile(0.99)? - part.quantile(0.01)?;
    if span > FOLLOWS_POSITION * position_range(view.profile, lane.signal).unwrap_or(0.0) {
        return None;
    }
    let unit = view.profile.signal(lane.signal).unit.symbol;
    let message =
        format!("`{}` did not change ({span:.2} {unit}) over a completed movement.", view.name(lane.signal));
    Some(finding(view, lane.signal, view.cycle.start, view.cycle.end, (span, unit, None), 0.8, message))
}

/// The calibrated range of a signal, where it has one.
fn position_range(profile: &Profile, signal: SignalIx) -> Option<f64> {
    let calibration = &profile.signal(signal).calibration;
    Some(calibration.max? - calibration.min?)
}

/// A supply that no unit runs on, while the roof moved.
pub(crate) fn supply_is_absurd(view: &View, lane: Lane) -> bool {
    let nominal = view.profile.electrics.nominal.unwrap_or(view.profile.reference.supply).0;
    let during = lane.within(view.cycle.start, view.cycle.end).quantile(0.5);
    confirmed_by_pump(view) > 0 && during.is_some_and(|volts| volts < 0.5 * nominal || volts > 1.6 * nominal)
}

fn absurd(view: &View, lane: Lane) -> Option<Finding> {
    if view.profile.signal(lane.signal).kind != SignalKind::Voltage || !supply_is_absurd(view, lane) {
        return None;
    }
    let volts = lane.within(view.cycle.start, view.cycle.end).quantile(0.5)?;
    let message = format!(
        "`{}` showed {volts:.1} V while the pump moved the roof: no unit runs on that.",
        view.name(lane.signal)
    );
    Some(finding(view, lane.signal, view.cycle.start, view.cycle.end, (volts, "V", None), 0.9, message))
}

/// A temperature that stands at the end of its range.
fn pinned(view: &View, lane: Lane, kind: SignalKind) -> Option<Finding> {
    if kind != SignalKind::Temperature || !is_pinned(view.profile, lane) {
        return None;
    }
    let celsius = lane.quantile(0.5)?;
    let message = format!(
        "`{}` stands at {celsius:.0} °C, the end of its range: broken wire or short circuit.",
        view.name(lane.signal)
    );
    Some(finding(view, lane.signal, view.cycle.start, view.cycle.end, (celsius, "°C", None), 0.85, message))
}

/// Whether a signal stands at one end of its calibrated range.
pub(crate) fn is_pinned(profile: &foldwatch_profile::Profile, lane: Lane) -> bool {
    let calibration = &profile.signal(lane.signal).calibration;
    let (Some(low), Some(high), Some(value)) = (calibration.min, calibration.max, lane.quantile(0.5)) else {
        return false;
    };
    let near = 0.005 * (high - low);
    value <= low + near || value >= high - near
}

/// Whether a signal is all noise.
pub(crate) fn is_noise(profile: &Profile, cycle: &Cycle, lane: Lane) -> bool {
    scatter_of(profile, cycle, lane).is_some_and(|scatter| scatter.is_noise())
}

/// How far each analog signal scatters during a movement, and how far it may.
pub(crate) fn scatter(profile: &Profile, cycle: &Cycle) -> Vec<Scatter> {
    let analog = profile.signals().filter(|(_, signal)| !signal.kind.is_binary());
    analog.filter_map(|(ix, _)| scatter_of(profile, cycle, Lane::of(cycle, ix)?)).collect()
}

fn scatter_of(profile: &Profile, cycle: &Cycle, lane: Lane) -> Option<Scatter> {
    let during = lane.within(cycle.start, cycle.end);
    let readings = during.count();
    if readings < 20 {
        return None;
    }
    let limit = match profile.signal(lane.signal).kind {
        SignalKind::Temperature => SCATTER_TEMPERATURE,
        SignalKind::Position => SCATTER_POSITION * position_range(profile, lane.signal)?,
        kind => {
            let (share, whole) = share_of(profile, kind)?;
            share * whole
        }
    };
    Some(Scatter { signal: lane.signal, value: during.noise(), limit, readings })
}

/// The share up to which a kind of signal may scatter, and of what.
fn share_of(profile: &Profile, kind: SignalKind) -> Option<(f64, f64)> {
    Some(match kind {
        SignalKind::Pressure => (SCATTER_PRESSURE, profile.hydraulics.relief.map_or(LOW_RELIEF, |bar| bar.0)),
        SignalKind::Current => (SCATTER_CURRENT, profile.electrics.running.map_or(LOW_CURRENT, |a| a.0)),
        SignalKind::Voltage => {
            (SCATTER_SUPPLY, profile.electrics.nominal.unwrap_or(profile.reference.supply).0)
        }
        _ => return None,
    })
}

fn noisy(view: &View, lane: Lane) -> Option<Finding> {
    let scatter = view.scatter_of(lane.signal)?;
    let unit = view.profile.signal(lane.signal).unit.symbol;
    let (name, value) = (view.name(lane.signal), scatter.value);
    let (limit, message) = if scatter.is_noise() {
        let limit = scatter.limit;
        let message = format!(
            "`{name}` scatters by {value:.1} {unit} from one reading to the next; up to {limit:.1} {unit} is usual."
        );
        (limit, message)
    } else {
        let usual = usual_scatter(view, lane.signal)?;
        let limit = (NOISIER * usual).max(NOISIER_SHARE * scatter.limit);
        if value <= limit {
            return None;
        }
        let message = format!(
            "`{name}` scatters by {value:.2} {unit} from one reading to the next, {:.0} times as much as is usual for this car \
             ({usual:.2} {unit}).",
            value / usual
        );
        (limit, message)
    };
    Some(finding(
        view,
        lane.signal,
        view.cycle.start,
        view.cycle.end,
        (value, unit, Some(limit)),
        0.85,
        message,
    ))
}

/// Readings by themselves that stand far off.
fn spiky(view: &View, lane: Lane) -> Option<Finding> {
    let scatter = view.scatter_of(lane.signal)?;
    let during = lane.within(view.cycle.start, view.cycle.end);
    let off = (SPIKE * scatter.limit).max(SPIKE_DEVIATIONS * scatter.value);
    let spikes = during.lone_readings(off);
    if view.period > SPIKE_PERIOD
        || spikes < SPIKES
        || (spikes as f64) < SPIKES_SHARE * scatter.readings as f64
    {
        return None;
    }
    let unit = view.profile.signal(lane.signal).unit.symbol;
    let message = format!(
        "`{}` jumped away by {off:.1} {unit} and more for a single reading, {spikes} times in the movement.",
        view.name(lane.signal)
    );
    let value = (spikes as f64, "", Some(SPIKES as f64));
    Some(finding(view, lane.signal, view.cycle.start, view.cycle.end, value, 0.85, message))
}

/// What a signal usually scatters by on this car, once it is known and the logger took as many readings a second as it
/// does now: at fewer of them more of what really changes looks like scatter.
fn usual_scatter(view: &View, signal: SignalIx) -> Option<f64> {
    let kind = view.profile.signal(signal).kind;
    let first = look::lane_of_kind(view.profile, view.cycle, kind)?.signal == signal;
    let usual = view.history.usual(measures::noise_of(kind).filter(|_| first)?)?;
    let same_rate = (view.period / view.history.usual(ROW_PERIOD)?.median()? - 1.0).abs() < 0.2;
    let often = view.period <= TELLS_SCATTER;
    (usual.count() as f64 >= timing::ENOUGH_CYCLES && same_rate && often).then(|| usual.median()).flatten()
}

/// A signal that falls silent while others go on.
fn broken_off(view: &View, lane: Lane) -> Option<Finding> {
    let (start, end) = (view.cycle.start, view.cycle.end);
    let in_gap =
        |from: Micros, to: Micros| view.cycle.recording.gaps.iter().any(|g| g.from < to && g.to > from);
    let known = lane.points().map(|p| p.0).filter(|t| *t >= start - Seconds(1.0) && *t <= end);
    let times: Vec<Micros> = known.chain(std::iter::once(end)).collect();
    let (from, to) = times.windows(2).map(|w| (w[0], w[1])).max_by_key(|(a, b)| b.0.saturating_sub(a.0))?;
    if (to - from).0 <= SILENT {
        return None;
    }
    let limit = SILENT.max(SILENT_PERIODS * lane.period());
    let rows = view.cycle.recording.rows(from, to).len();
    // Other signals' rows must have gone on, or there was nothing to say.
    if (to - from).0 <= limit || rows < 10 || in_gap(from, to) {
        return None;
    }
    let seconds = (to - from).0;
    let message =
        format!("`{}` was not recorded for {seconds:.1} s while other signals were.", view.name(lane.signal));
    Some(finding(view, lane.signal, from, to, (seconds, "s", Some(limit)), 0.85, message))
}

/// Most switches changing at one and the same moment, again and again: the logger's inputs, not the roof.
fn all_at_once(view: &View) -> Option<Finding> {
    let switches: Vec<SignalIx> = view.recorded(SignalKind::Switch).collect();
    if switches.len() < 4 {
        return None;
    }
    let mut moments: Vec<(Micros, usize)> = Vec::new();
    for edge in view.cycle.recording.edges.iter().filter(|e| switches.contains(&e.signal)) {
        match moments.last_mut() {
            Some((at, n)) if (edge.at - *at).0 <= 0.002 + view.period => *n += 1,
            _ => moments.push((edge.at, 1)),
        }
    }
    let many: Vec<Micros> = moments.iter().filter(|m| 4 * m.1 >= 3 * switches.len()).map(|m| m.0).collect();
    let (first, last) = (*many.first()?, *many.last()?);
    if many.len() < 2 {
        return None;
    }
    let message = format!(
        "Nearly all {} switches changed at one moment, {} times: no roof does that. Look at the logger's inputs and their earth.",
        switches.len(),
        many.len()
    );
    Some(finding(view, switches[0], first, last, (many.len() as f64, "", Some(1.0)), 0.9, message))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    #[test]
    fn a_dead_pressure_sensor_is_no_lack_of_pressure() {
        let s = Sketch::healthy(Opening).with(|s| s.pressure_factor = 0.0);
        assert_eq!(s.kinds(), ["signal-fault"], "{:?}", s.judged().findings);
        assert_eq!(s.only("signal-fault").signal, Some(sig::PRESSURE));
    }

    #[test]
    fn a_dead_current_sensor_is_no_burnt_relay() {
        let s = Sketch::healthy(Opening).with(|s| s.current_factor = 0.0);
        assert_eq!(s.kinds(), ["signal-fault"], "{:?}", s.judged().findings);
        assert_eq!(s.only("signal-fault").signal, Some(sig::CURRENT));
    }

    #[test]
    fn a_supply_that_no_current_moves() {
        let stuck = Sketch::healthy(Opening).with(|s| {
            s.supply_ohm = 0.0;
            s.supply_noise = 0.0;
        });
        assert_eq!(stuck.only("signal-fault").signal, Some(sig::SUPPLY));
        // As little as a sound battery and short leads.
        let stiff = Sketch::healthy(Opening).with(|s| s.supply_ohm = 0.006);
        assert!(stiff.kinds().is_empty(), "{:?}", stiff.judged().findings);
    }

    #[test]
    fn beyond_its_range() {
        let limited = |max: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.profile.signals[sig::PRESSURE.at()].calibration.max = Some(max);
                s.acts[1].bar = 100.0;
            })
        };
        assert!(limited(200.0).kinds().is_empty());
        assert_eq!(limited(90.0).kinds(), ["signal-fault"]);
    }

    #[test]
    fn a_temperature_at_the_foot_of_its_range_explains_no_slowness() {
        let s = Sketch::healthy(Closing).with(|s| {
            s.profile.signals[sig::OIL.at()].calibration.min = Some(-50.0);
            s.profile.signals[sig::OIL.at()].calibration.max = Some(150.0);
            s.oil = -50.0;
            s.acts[0].moves = 9.5;
        });
        let mut kinds = s.kinds();
        kinds.sort_unstable();
        assert_eq!(kinds, ["signal-fault", "slow-phase"]);
    }

    #[test]
    fn far_more_noise_than_is_usual_for_this_car() {
        let usual = Sketch::healthy(Opening).with(|s| s.pressure_noise = 0.3);
        let history = usual.repeated(8);
        let told = |noise: f64, rate: f64| {
            let s = Sketch::healthy(Opening).with(|s| {
                s.pressure_noise = noise;
                s.rate = rate;
            });
            s.kinds_after(&history)
        };
        assert!(told(0.9, usual.rate).is_empty());
        assert_eq!(told(4.0, usual.rate), ["signal-fault"]);
        // Of a new car, or with another logger, nobody knows.
        assert!(Sketch::healthy(Opening).with(|s| s.pressure_noise = 4.0).kinds().is_empty());
        assert!(told(4.0, usual.rate / 2.0).is_empty());
    }

    #[test]
    fn lone_readings_far_off() {
        let told = |every: usize, rate: f64| {
            let s = Sketch::healthy(Opening).with(|s| {
                s.spike_every = every;
                s.rate = rate;
            });
            s.kinds()
        };
        assert_eq!(told(60, 100.0), ["signal-fault"]);
        // Once or twice is a disturbance; and between slow readings a pressure may come and go.
        assert!(told(1000, 100.0).is_empty());
        assert!(!told(30, 20.0).contains(&"signal-fault"));
    }

    #[test]
    fn all_noise() {
        let s = Sketch::healthy(Opening).with(|s| s.pressure_noise = 25.0);
        assert!(s.kinds().contains(&"signal-fault"), "{:?}", s.kinds());
        assert!(Sketch::healthy(Opening).with(|s| s.pressure_noise = 3.0).kinds().is_empty());
    }
}
