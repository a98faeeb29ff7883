//! low-supply: the supply gives way under the pump's load.

use foldwatch_profile::{Profile, SignalKind};
use foldwatch_segment::Cycle;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::measures::SUPPLY_OVER;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "low-supply",
    title: "Supply too low",
    meaning: "With the pump running, the supply voltage stayed too low, or dropped further than it does on this car at such a \
              current. Everything gets slower, and the unit may give up.",
    inspect: "The battery's state of charge and age; then the voltage drop over feed, fuse and earth with the pump running.",
    limit_origin: "10.5 V of 12 V nominal, in proportion, for half a second: a lead battery at that voltage is taken as empty \
                   (1.75 V a cell; common practice, no source). What cold and a higher current than usual add to the drop of a sound \
                   battery is left out, down to 9 V. Or one and a half times this car's usual drop a ampere, 3.5 \
                   scaled deviations above it (NIST/SEMATECH e-Handbook 1.3.5.17), over at least five movements.",
};

/// Voltage of an empty battery, as a share of its nominal one.
pub const EMPTY: f64 = 10.5 / 12.0;
/// So many kelvin double a sound lead battery's resistance. Common practice, no source: at -18 °C it gives half the cranking
/// current that it gives at 27 °C.
const DOUBLES_OVER: f64 = 45.0;
/// Temperature that the limit holds for, °C: as a battery's figures are stated.
const WARM: f64 = 20.0;
/// Below this share of the nominal voltage units begin to give up, whatever is why. Judgment: 9 V of 12 V.
const TOO_LITTLE: f64 = 0.75;
/// Factor on the usual drop. Judgment: temperature alone changes a sound battery's resistance by less within a season.
const MORE: f64 = 1.5;
/// Scaled deviations above the usual.
const DEVIATIONS: f64 = 3.5;

/// See the file's head.
pub(super) struct LowSupply;

impl Check for LowSupply {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        low(view).or_else(|| drops(view)).into_iter().collect()
    }
}

fn low(view: &View) -> Option<Finding> {
    let lane = view.lane(SignalKind::Voltage)?;
    let nominal = view.profile.electrics.nominal.unwrap_or(view.profile.reference.supply).0;
    let limit = EMPTY * nominal;
    let spans = view.cycle.recording.drive.iter().filter(|span| look::pump_runs(span));
    let lowest: Option<(Micros, f64)> = spans
        .filter_map(|span| lane.within(span.from, span.to).lowest_mean(SUPPLY_OVER))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    let (at, volts) = lowest.filter(|l| l.1 < limit)?;
    if volts >= TOO_LITTLE * nominal && as_if_warm(view, at, volts) >= limit {
        return None;
    }
    // A supply far below what any unit runs on, while the roof moved, is a sensor's matter.
    if super::signal_fault::supply_is_absurd(view, lane) {
        return None;
    }
    let step = view.step_at(at);
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: step.map(|s| s.run.phase),
        signal: Some(lane.signal),
        at,
        until: None,
        value: volts,
        unit: "V",
        limit: Some(limit),
        sure: 0.93,
        message: format!(
            "With the pump running the supply stayed at {volts:.1} V for half a second; below {limit:.1} V a battery is taken as \
             empty, or its feed is bad."
        ),
    })
}

/// What the voltage would be with the battery warm and no more than the running current. Where that is not recorded, what
/// was measured stands.
fn as_if_warm(view: &View, at: Micros, volts: f64) -> f64 {
    let lane = view.lane(SignalKind::Voltage);
    let Some(rest) = lane.and_then(|lane| lane.within(Micros::MIN, view.cycle.start).quantile(0.5)) else {
        return volts;
    };
    let current = view.lane(SignalKind::Current).zip(view.profile.electrics.running);
    let amps = current
        .and_then(|(lane, usual)| Some(lane.within(at, at + Seconds(SUPPLY_OVER)).mean()? / usual.0))
        .map_or(1.0, |share| share.max(1.0));
    rest - (rest - volts) / (cold_factor(view.profile, view.cycle) * amps)
}

/// By how much the cold raises a sound battery's resistance; 1 where the oil's temperature is not recorded. The oil is taken
/// for the battery: both have stood in the same cold. A movement warms the oil, so its first number counts.
pub(crate) fn cold_factor(profile: &Profile, cycle: &Cycle) -> f64 {
    let oil = look::lane_of_kind(profile, cycle, SignalKind::Temperature);
    let first = oil.filter(|lane| !super::is_pinned(profile, *lane)).and_then(|lane| lane.points().next());
    first.map_or(1.0, |first| ((WARM - first.1).max(0.0) / DOUBLES_OVER).exp2())
}

fn drops(view: &View) -> Option<Finding> {
    let now = view.measure("supply-resistance", None)?;
    let usual = view.history.usual("supply-resistance")?;
    if (usual.count() as f64) < crate::timing::ENOUGH_CYCLES {
        return None;
    }
    let (median, scale) = usual.spread(0.1)?;
    let cold = cold_factor(view.profile, view.cycle);
    let (median, scale) = (median * cold, scale * cold);
    if now <= MORE * median || now - median <= DEVIATIONS * scale {
        return None;
    }
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Note,
        phase: None,
        signal: view.lane(SignalKind::Voltage).map(|lane| lane.signal),
        at: view.cycle.start,
        until: Some(view.cycle.end),
        value: 1000.0 * now,
        unit: "mOhm",
        limit: Some(1000.0 * MORE * median),
        sure: 0.85,
        message: format!(
            "Under load the supply dropped as over {:.0} mOhm; usual on this car, as cold as it is, are {:.0} mOhm. Battery, feed or earth have got \
             worse.",
            1000.0 * now,
            1000.0 * median
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_units::Direction::*;

    #[test]
    fn below_the_empty_battery() {
        let at = |supply: f64| Sketch::healthy(Opening).with(|s| s.supply = supply);
        assert!(at(11.2).kinds().is_empty(), "{:?}", at(11.2).kinds());
        assert_eq!(at(10.7).kinds(), ["low-supply"]);
    }

    #[test]
    fn a_drop_that_has_grown() {
        let history = Sketch::healthy(Opening).repeated(8);
        let later = |ohm: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.start = 90_000.0;
                s.supply_ohm = ohm;
            })
        };
        assert!(later(0.035).kinds_after(&history).is_empty());
        assert_eq!(later(0.06).kinds_after(&history), ["low-supply"]);
    }
}
