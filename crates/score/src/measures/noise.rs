//! How far the sensors' readings scatter from one to the next.

use foldwatch_profile::SignalKind;

use super::{AboutMeasure, not, of_whole, value};
use crate::Measure;
use crate::look;
use crate::view::View;

pub(super) const PRESSURE: AboutMeasure = AboutMeasure {
    id: "pressure-noise",
    unit: "bar",
    meaning: "Scatter of the pressure from one reading to the next while the roof moved, as a standard deviation. What changes \
              more slowly is left out; a pump's ripple is in it.",
};
pub(super) const CURRENT: AboutMeasure = AboutMeasure {
    id: "current-noise",
    unit: "A",
    meaning: "Scatter of the current from one reading to the next while the roof moved, as a standard deviation.",
};
pub(super) const SUPPLY: AboutMeasure = AboutMeasure {
    id: "supply-noise",
    unit: "V",
    meaning: "Scatter of the supply from one reading to the next while the roof moved, as a standard deviation.",
};

/// The measure that tells a kind of signal's scatter.
pub(crate) fn of_kind(kind: SignalKind) -> Option<&'static str> {
    ABOUT.iter().find(|(of, _)| *of == kind).map(|(_, about)| about.id)
}

const ABOUT: [(SignalKind, AboutMeasure); 3] =
    [(SignalKind::Pressure, PRESSURE), (SignalKind::Current, CURRENT), (SignalKind::Voltage, SUPPLY)];

pub(super) fn of_cycle(view: &View, out: &mut Vec<Measure>) {
    for (kind, about) in &ABOUT {
        // Also where it is all noise: that is what is measured.
        let lane = look::lane_of_kind(view.profile, view.cycle, *kind);
        let known = lane.and_then(|lane| view.scatter_of(lane.signal));
        let observed = match known {
            None => not("fewer than 20 readings fall into the movement"),
            // A scaled median absolute deviation of n normal readings is known to 1.17 / sqrt(2 n) of itself (its
            // efficiency is 37 %; P. J. Rousseeuw and C. Croux, J. Am. Stat. Assoc. 88, 1993); every second
            // difference shares readings with its neighbours, so a third of them are independent.
            Some(known) => {
                value(known.value, known.value * 1.17 / (2.0 * known.readings as f64 / 3.0).sqrt())
            }
        };
        out.push(of_whole(about, observed));
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use crate::testing::Sketch;
    use foldwatch_units::Direction::Opening;

    #[test]
    fn noise_of_known_deviation() {
        for bar in [0.4, 2.0, 8.0] {
            let told = measured(&Sketch::healthy(Opening).with(|s| s.pressure_noise = bar), "pressure-noise");
            let told = told.value().unwrap();
            assert!((told / bar - 1.0).abs() < 0.15, "{bar}: {told}");
        }
    }
}
