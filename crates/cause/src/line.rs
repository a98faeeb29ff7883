//! What the pressure in the line tells where nothing moves: as the pump starts, and when the movement is over.

use foldwatch_profile::Profile;
use foldwatch_segment::{Confirmation, Cycle, PhaseRun};
use foldwatch_units::{Bar, Seconds};

use crate::trace::{Trace, mean};

/// Gas in a line is soft at first and stiff then, by Boyle's law; oil, hoses and seals give in proportion. So what a pump takes
/// to the first of these pressures, less what the way from there to the second tells of oil and hoses, was gas. At 8 bar,
/// eight ninths of it are gone.
const GAS_GONE: Bar = Bar(8.0);
const LINE_STIFF: Bar = Bar(30.0);
/// Between two rows farther apart than this, in seconds, nobody knows when a pressure was crossed. Judgment.
pub(crate) const GAS_PERIOD: f64 = 0.055;
/// Seconds that a motor takes to run up. Judgment.
const RUN_UP: f64 = 0.08;
/// Gas in the line as a share of all the oil of the roof. Lines and cylinders under pressure hold a part of it only. Judgment.
pub(crate) const GAS: f64 = 0.002;
/// The same where it is only a trace. Judgment.
pub(crate) const SOME_GAS: f64 = 0.0014;
/// Seconds of pumping that count as [`GAS`], where the profile tells neither oil nor delivery. Judgment.
const GAS_SECONDS: f64 = 0.25;
/// Millilitres a second of a litre a minute.
const ML_PER_S: f64 = 1000.0 / 60.0;

/// Seconds that the pump pushes on after the last confirmation for its pressure to be the relief valve's. Judgment.
const PUSHED_ON: f64 = 0.3;
/// By what share the last two of its means may differ: what still rises has not come to it. Judgment.
const FLAT: f64 = 0.03;

/// The gas that the pump compressed as a movement began, as a share of the roof's oil; below 0 where the line is stiffer from
/// the first than the motor runs up. `speed`: the pump's, as a share of its nominal.
///
/// `None` where the line still held pressure, or none came.
pub(crate) fn gas(profile: &Profile, run: &PhaseRun, pressure: Trace, speed: f64) -> Option<f64> {
    let before = mean(pressure.within(run.start - Seconds(0.3), run.start))?;
    if before >= 0.5 * GAS_GONE.0 {
        return None;
    }
    let seconds = |bar: Bar| Some((pressure.crosses(run.start, run.left, bar.0)? - run.start).0);
    let (gone, stiff) = (seconds(GAS_GONE)?, seconds(LINE_STIFF)?);
    let giving = (stiff - gone) * GAS_GONE.0 / (LINE_STIFF.0 - GAS_GONE.0);
    let pumping = (gone - RUN_UP - giving) * speed;
    let known = profile.hydraulics.fill.zip(profile.hydraulics.pump_delivery);
    Some(
        known
            .map_or(pumping / GAS_SECONDS * GAS, |(fill, delivery)| pumping * delivery.0 * ML_PER_S / fill.0),
    )
}

/// The pressure to which the pump comes where it pushes on after the last confirmation, in bar: nothing is left to move, and
/// what it gives goes through the relief valve, or is lost.
pub(crate) fn ceiling(cycle: &Cycle, pressure: Trace) -> Option<f64> {
    let last = cycle.phases.last().filter(|run| run.confirmation == Confirmation::Confirmed)?;
    let mut drive = cycle.recording.drive.iter();
    let until = drive.find(|span| span.pump && span.from < last.end && span.to > last.end)?.to;
    if (until - last.end).0 < PUSHED_ON {
        return None;
    }
    // The motor is still on in the last rows.
    let level = |from: f64, to: f64| mean(pressure.within(until - Seconds(from), until - Seconds(to)));
    let (before, at_last) = (level(0.2, 0.12)?, level(0.12, 0.03)?);
    (at_last > 0.0 && (at_last / before - 1.0).abs() <= FLAT).then_some(at_last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_profile::{PhaseRef, SignalIx};
    use foldwatch_units::{Direction, Micros};

    fn roof() -> Profile {
        foldwatch_profile::parse(include_str!("../../../config/profiles/hardtop-five.toml")).unwrap().profile
    }

    fn run(start: Micros, end: Micros) -> PhaseRun {
        PhaseRun {
            phase: PhaseRef { direction: Direction::Opening, index: 0 },
            start,
            end,
            driven: end - start,
            u_duration: Seconds(0.001),
            confirmation: Confirmation::Confirmed,
            confirmed_at: Some(end),
            left: end,
            went_on: true,
        }
    }

    /// The share of gas found in a line that gives so many millilitres a bar and holds so much gas (a share of the oil) at
    /// atmospheric pressure: pumped volume = give x p + gas x (1 - p0 / (p0 + p)), Boyle's law, solved for p by bisection.
    fn found(give_ml_per_bar: f64, gas_share: f64, rate_hz: f64) -> f64 {
        let roof = roof();
        let (fill, delivery) = (roof.hydraulics.fill.unwrap().0, roof.hydraulics.pump_delivery.unwrap().0);
        let begin = 2.0;
        let pressure_at = |seconds: f64| {
            // The motor runs up in a straight line, over twice the time that is lost by it.
            let run_up = 2.0 * RUN_UP;
            let turned = if seconds < run_up { seconds * seconds / (2.0 * run_up) } else { seconds - RUN_UP };
            let pumped = delivery * 1000.0 / 60.0 * turned;
            let (mut low, mut high) = (0.0, 200.0);
            for _ in 0..60 {
                let p = 0.5 * (low + high);
                let taken = give_ml_per_bar * p + gas_share * fill * (1.0 - 1.013 / (1.013 + p));
                if taken < pumped { low = p } else { high = p }
            }
            f64::min(low, 80.0)
        };
        let rows = (6.0 * rate_hz) as usize;
        let times: Vec<Micros> = (0..rows).map(|n| Micros::from_secs(n as f64 / rate_hz)).collect();
        let values: Vec<f32> =
            times.iter().map(|t| pressure_at((t.as_secs() - begin).max(0.0)) as f32).collect();
        let trace = Trace { signal: SignalIx(0), times: &times, values: &values };
        gas(&roof, &run(Micros::from_secs(begin), Micros::from_secs(5.9)), trace, 1.0).unwrap()
    }

    #[test]
    fn gas_is_told_from_a_line_that_gives() {
        for rate in [20.0, 100.0, 500.0] {
            for give in [0.01, 0.03, 0.06] {
                // All the oil of the roof gives 0.03 ml/bar; hoses as soft again make it 0.06.
                let none = found(give, 0.0, rate);
                assert!(none < SOME_GAS, "{rate} Hz, {give} ml/bar: {none}");
                for share in [0.003, 0.01, 0.03] {
                    let gas = found(give, share, rate);
                    assert!((gas / share - 0.88).abs() < 0.13, "{rate} Hz, {give} ml/bar, {share}: {gas}");
                }
            }
        }
    }

    #[test]
    fn a_line_that_still_holds_pressure_tells_nothing() {
        let times: Vec<Micros> = (0..200).map(|n| Micros::from_secs(0.01 * f64::from(n))).collect();
        let values = vec![40.0; 200];
        let trace = Trace { signal: SignalIx(0), times: &times, values: &values };
        assert_eq!(gas(&roof(), &run(times[100], times[199]), trace, 1.0), None);
    }
}
