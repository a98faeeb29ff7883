//! What a log showed so far: how often each sign was looked for and seen at each place.
//!
//! Small (bounded by the profile and a number of newest cycles), and kept by names, so that it can be put away and taken up
//! again, also when the profile has gained a signal.

use std::collections::{BTreeMap, HashMap, VecDeque};

use foldwatch_profile::Profile;
use foldwatch_score::Judged;
use foldwatch_segment::Cycle;
use foldwatch_units::Direction;
use serde::{Deserialize, Serialize};

use crate::observe;
use crate::place::Place;

/// How often a sign was looked for and seen at one place.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Counts {
    /// Cycles that could show it.
    pub looked: u32,
    /// Those that did.
    pub seen: u32,
    /// Coldest and warmest oil of the cycles that did, °C.
    pub seen_oil: Option<(f64, f64)>,
    /// The same of all that could.
    pub looked_oil: Option<(f64, f64)>,
    /// It is what the whole log tells, and no single cycle: the numbers are only what it counts for.
    pub over_the_log: bool,
}

impl Counts {
    fn add(&mut self, seen: bool, oil: Option<f64>) {
        self.looked += 1;
        widen(&mut self.looked_oil, oil);
        if seen {
            self.seen += 1;
            widen(&mut self.seen_oil, oil);
        }
    }
}

fn widen(range: &mut Option<(f64, f64)>, value: Option<f64>) {
    if let Some(value) = value.filter(|v| v.is_finite()) {
        let (low, high) = range.unwrap_or((value, value));
        *range = Some((low.min(value), high.max(value)));
    }
}

/// Everything that a car's cycles showed: a sum of the older ones, and the newest ones one by one, so that it can be
/// asked since when.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Evidence {
    /// Signs at their places, and steps, by name. Everything else speaks of them by their place in this list.
    names: Vec<String>,
    older: Tally,
    newest: VecDeque<Shown>,
}

/// So many cycles are kept one by one: a week and more of a car in use. Judgment.
const NEWEST: usize = 60;

/// What one cycle showed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Shown {
    seen: Vec<u16>,
    not_seen: Vec<u16>,
    /// ln of each step's time over the profile's.
    steps: Vec<(u16, f64)>,
    oil: Option<f64>,
    closing: bool,
    slowness: Option<f64>,
    supply_resistance: Option<f64>,
    plateau: Option<f64>,
    stopped: Option<bool>,
    slow: bool,
}

impl Evidence {
    /// Takes in one cycle, judged with its tail. Each cycle once, in order of time.
    pub fn add(&mut self, profile: &Profile, cycle: &Cycle, judged: &Judged) {
        let look = observe::look(profile, cycle, judged);
        // Several runs of one step in a cycle are one look at it.
        let mut once: BTreeMap<String, bool> = BTreeMap::new();
        for found in &look.observations {
            *once.entry(key(profile, found.sign, found.place)).or_default() |= found.seen;
        }
        let mut shown = Shown {
            oil: look.oil,
            closing: cycle.direction == Direction::Closing,
            slowness: look.slowness,
            supply_resistance: look.supply_resistance,
            plateau: look.plateau,
            stopped: look.stopped,
            slow: judged.findings.iter().any(|f| f.kind == "slow-phase"),
            ..Shown::default()
        };
        for (name, seen) in once {
            let list = if seen { &mut shown.seen } else { &mut shown.not_seen };
            list.extend(place_of(&mut self.names, name));
        }
        for (phase, ratio) in look.steps {
            let name = place_of(&mut self.names, Place::step(phase).key(profile));
            shown.steps.extend(name.map(|name| (name, ratio.ln())));
        }
        self.keep(shown);
    }

    fn keep(&mut self, shown: Shown) {
        self.newest.push_back(shown);
        while self.newest.len() > NEWEST
            && let Some(oldest) = self.newest.pop_front()
        {
            self.older.add(&oldest);
        }
    }

    /// Cycles looked at.
    pub fn cycles(&self) -> u32 {
        self.older.cycles + self.newest.len() as u32
    }

    /// What all cycles together showed.
    pub(crate) fn whole(&self) -> Tally {
        self.split(0).1
    }

    /// What so many cycles showed, and what those after them. Of the older ones it is told together only: 0, or one of
    /// [`Self::splits`].
    pub(crate) fn split(&self, before: u32) -> (Tally, Tally) {
        let (mut first, mut then) = (self.older.clone(), Tally::default());
        if before == 0 {
            std::mem::swap(&mut first, &mut then);
        }
        let kept = before.saturating_sub(self.older.cycles) as usize;
        self.newest.iter().take(kept).for_each(|shown| first.add(shown));
        self.newest.iter().skip(kept).for_each(|shown| then.add(shown));
        (first, then)
    }

    /// The numbers of cycles before which it can be split.
    pub(crate) fn splits(&self) -> std::ops::RangeInclusive<u32> {
        self.older.cycles..=self.cycles()
    }

    /// Where signs at their places stand among what was counted.
    pub(crate) fn names<'a>(
        &self,
        profile: &Profile,
        signs: impl Iterator<Item = (&'a str, Place)>,
    ) -> Vec<Option<usize>> {
        let known: HashMap<&str, usize> =
            self.names.iter().enumerate().map(|(n, name)| (name.as_str(), n)).collect();
        signs.map(|(sign, place)| known.get(key(profile, sign, place).as_str()).copied()).collect()
    }

    /// How often a sign was looked for and seen at a place.
    pub fn counts(&self, profile: &Profile, sign: &str, place: Place) -> Counts {
        let name = self.names(profile, std::iter::once((sign, place)))[0];
        self.whole().counts(sign, name)
    }

    /// As if it had been counted, for tests.
    #[cfg(test)]
    pub(crate) fn set(&mut self, profile: &Profile, sign: &str, place: Place, looked: u32, seen: u32) {
        if let Some(name) = place_of(&mut self.names, key(profile, sign, place)) {
            self.older.set(sign, usize::from(name), looked, seen);
        }
    }

    /// One more cycle, in which these were looked for and seen or not, for tests.
    #[cfg(test)]
    pub(crate) fn show(&mut self, profile: &Profile, looked: &[(&str, Place, bool)]) {
        let mut shown = Shown::default();
        for (sign, place, seen) in looked {
            let list = if *seen { &mut shown.seen } else { &mut shown.not_seen };
            list.extend(place_of(&mut self.names, key(profile, sign, *place)));
        }
        self.keep(shown);
    }
}

/// The place of a name in a list, where it is put if it is new. `None` for more names than any roof has.
fn place_of(names: &mut Vec<String>, name: String) -> Option<u16> {
    let place = names.iter().position(|known| *known == name).unwrap_or(names.len());
    let kept = u16::try_from(place).ok()?;
    if place == names.len() {
        names.push(name);
    }
    Some(kept)
}

/// The sum of what cycles showed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Tally {
    /// Cycles looked at.
    cycles: u32,
    /// For each name.
    counts: Vec<Counts>,
    /// For each name, if it is a step's.
    steps: Vec<Mean>,
    /// Changes of slowness against changes of the oil's temperature, from one movement of a direction to the next one: what sets
    /// in or grows in between weighs little so.
    warmth: Line,
    last_slowness: [Option<(f64, f64)>; 2],
    drop: Line,
    plateau: Line,
    stops: Line,
    cold: Split,
}

/// Below this the oil is cold, °C. Judgment.
const COLD_OIL: f64 = 5.0;
/// Warm cycles without a slow step that it takes to lay slowness to the cold.
const WARM_ENOUGH: u32 = 3;
/// What a relation over the whole log counts for: as much as so many cycles.
const AS_CYCLES: u32 = 8;

/// Cycles with cold and with warmer oil, and those of each with a slow step.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Split {
    cold: u32,
    cold_slow: u32,
    warm: u32,
    warm_slow: u32,
}

impl Tally {
    fn add(&mut self, shown: &Shown) {
        self.cycles = self.cycles.saturating_add(1);
        for (list, seen) in [(&shown.seen, true), (&shown.not_seen, false)] {
            list.iter().for_each(|name| at(&mut self.counts, usize::from(*name)).add(seen, shown.oil));
        }
        for (step, ln_ratio) in &shown.steps {
            at(&mut self.steps, usize::from(*step)).add(*ln_ratio);
        }
        if let Some(oil) = shown.oil {
            if let Some(slowness) = shown.slowness {
                let last = &mut self.last_slowness[usize::from(shown.closing)];
                if let Some((oil_then, slowness_then)) = last.replace((oil, slowness)) {
                    self.warmth.add(oil - oil_then, slowness - slowness_then);
                }
            }
            let lines = [
                (&mut self.drop, shown.supply_resistance),
                (&mut self.plateau, shown.plateau),
                (&mut self.stops, shown.stopped.map(|stopped| f64::from(u8::from(stopped)))),
            ];
            for (line, value) in lines {
                value.into_iter().for_each(|value| line.add(oil, value));
            }
            let slow = u32::from(shown.slow);
            if oil < COLD_OIL {
                self.cold.cold += 1;
                self.cold.cold_slow += slow;
            } else {
                self.cold.warm += 1;
                self.cold.warm_slow += slow;
            }
        }
    }

    /// How often a sign was looked for and seen at a place.
    pub fn counts(&self, sign: &str, name: Option<usize>) -> Counts {
        let over_all =
            |seen: Option<bool>| seen.map_or_else(Counts::default, |seen| whole_log(AS_CYCLES, seen));
        match sign {
            "slower-than-others" => name.map(|step| self.against_others(step)).unwrap_or_default(),
            "below-delivery" | "somewhat-below-delivery" | "none-spared" => self.all_against_profile(sign),
            "slower-warm" => over_all(self.warmth.slope().map(|slope| slope > SLOWER_WARM)),
            "slower-cold" => over_all(self.warmth.slope().map(|slope| slope < SLOWER_COLD)),
            "plateau-steady" => over_all(self.plateau.is_above(STEADY_PLATEAU)),
            "plateau-falls" => over_all(self.plateau.fit().map(|(slope, error)| slope + 2.0 * error < FALLS)),
            "stops-cold" => over_all(self.stops.slope_of_yes_or_no().map(|slope| slope < 0.0)),
            "stops-warm" => over_all(self.stops.slope_of_yes_or_no().map(|slope| slope > 0.0)),
            "drop-steady" => over_all(self.drop.is_above(STEADY_DROP)),
            "slow-only-cold" => {
                let Split { cold, cold_slow, warm, warm_slow } = self.cold;
                over_all((cold > 0 && warm >= WARM_ENOUGH).then_some(2 * cold_slow >= cold && warm_slow == 0))
            }
            _ => name.and_then(|name| self.counts.get(name)).copied().unwrap_or_default(),
        }
    }

    /// A step's mean time against the faster ones of all others'.
    fn against_others(&self, step: usize) -> Counts {
        let Some(own) = self.steps.get(step).filter(|own| own.n > 0) else { return Counts::default() };
        let others = self.steps.iter().enumerate().filter(|(n, mean)| *n != step && mean.n > 0);
        let others: Vec<f64> = others.map(|(_, mean)| mean.mean()).collect();
        if others.len() < FEW_STEPS {
            return Counts::default();
        }
        whole_log(own.n, own.mean() - quantile(others, OTHERS) > THAN_OTHERS.ln())
    }

    /// How the steps stand against the profile: nearly all of them slow, somewhat slow where they are not slow, and, where
    /// one is slow, none as it should be.
    fn all_against_profile(&self, sign: &str) -> Counts {
        let means: Vec<f64> = self.steps.iter().filter(|m| m.n > 0).map(Mean::mean).collect();
        let cycles = self.steps.iter().map(|m| m.n).max().unwrap_or(0);
        if means.len() < FEW_STEPS {
            return Counts::default();
        }
        let fastest = means.iter().copied().fold(f64::INFINITY, f64::min);
        let slowest = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let nearly_all = quantile(means, 0.2);
        let slow = nearly_all > THAN_PROFILE.ln() && fastest > NONE_FASTER.ln();
        let somewhat = nearly_all > SOMEWHAT.0.ln() && fastest > SOMEWHAT.1.ln();
        let seen = match sign {
            "none-spared" => (slowest > THAN_OTHERS.ln()).then_some(fastest > NONE_FASTER.ln()),
            "somewhat-below-delivery" => (!slow).then_some(somewhat),
            _ => Some(slow),
        };
        seen.map_or_else(Counts::default, |seen| whole_log(cycles, seen))
    }

    /// As if it had been counted, for tests. Relations over the whole log are made too.
    #[cfg(test)]
    fn set(&mut self, sign: &str, name: usize, looked: u32, seen: u32) {
        *at(&mut self.counts, name) = Counts { looked, seen, ..Counts::default() };
        let line = |slope: f64| {
            let mut line = Line::default();
            (0..10).for_each(|n| line.add(5.0 + 2.0 * f64::from(n), 0.2 * slope * f64::from(n)));
            line
        };
        // Of the ten, the first or the last five are so.
        let either = |last: bool| {
            let mut line = Line::default();
            (0..10).for_each(|n| line.add(5.0 + 2.0 * f64::from(n), f64::from(u8::from((n >= 5) == last))));
            line
        };
        match (sign, looked, seen) {
            ("slower-warm", 0, _) => self.warmth = Line::default(),
            ("slower-warm", _, 1..) => self.warmth = line(2.0),
            ("slower-cold", _, 1..) => self.warmth = line(-1.0),
            ("slower-warm", ..) => self.warmth = line(0.0),
            ("slower-than-others", ..) => {
                let slow = if seen > 0 { 2.0_f64 } else { 1.0 };
                *at(&mut self.steps, name) = Mean { n: looked, sum: f64::from(looked) * slow.ln() };
            }
            ("below-delivery", _, 1..) => {
                for mean in &mut self.steps {
                    mean.sum += f64::from(mean.n) * 1.4_f64.ln();
                }
            }
            ("plateau-falls", _, 1..) => self.plateau = line(-1.0),
            ("stops-cold", _, 1..) => self.stops = either(false),
            ("stops-warm", _, 1..) => self.stops = either(true),
            ("plateau-steady", _, 1..) => self.plateau = line(0.0),
            ("drop-steady", ..) => self.drop = line(if seen > 0 { 0.0 } else { -1.0 }),
            ("slow-only-cold", ..) => {
                self.cold = Split { cold: 4.min(looked), cold_slow: 4.min(seen), warm: 36, warm_slow: 0 };
            }
            _ => {}
        }
    }
}

/// The name under which it is counted; a step compared with the others is compared by its own times.
fn key(profile: &Profile, sign: &str, place: Place) -> String {
    match sign {
        "slower-than-others" => place.key(profile),
        _ => format!("{sign} {}", place.key(profile)).trim_end().to_owned(),
    }
}

/// The entry of a list that grows as it is asked for.
fn at<T: Default + Clone>(list: &mut Vec<T>, place: usize) -> &mut T {
    if list.len() <= place {
        list.resize(place + 1, T::default());
    }
    &mut list[place]
}

/// ln of slowness per 10 K of warmer oil that is more than a wrong correction for viscosity makes. Judgment: the physics
/// of thin hydraulic oil leaves some 5 % in 10 K open.
const SLOWER_WARM: f64 = 0.1;
/// The same the other way; the correction is more likely to take too much for cold oil than too little.
const SLOWER_COLD: f64 = -0.04;
/// ln of resistance per 10 K. A battery's rises by half in 20 K of cold (common practice, no source), which is -0.2;
/// copper's falls by 4 % in 10 K (its temperature coefficient, 0.0039 / K). Above a sixth of the battery's slope most of the
/// resistance lies elsewhere. Judgment: the oil is not as cold as the battery, which flattens the slope.
const STEADY_DROP: f64 = -0.03;
/// ln of a plateau per 10 K. Oil that escapes through a gap stands at a pressure that goes with its viscosity, which falls
/// by a third in 10 K (ASTM D341, thin hydraulic oil); a relief valve's spring knows no temperature. Judgment: a third of it.
const STEADY_PLATEAU: f64 = -0.12;
/// A plateau that falls with the warmth beyond doubt does so by more than this. Judgment: half of the above.
const FALLS: f64 = 0.5 * STEADY_PLATEAU;
/// So many cycles, over so many kelvin (standard deviation), before a slope means anything.
const LINE_CYCLES: f64 = 6.0;
const LINE_SPREAD: f64 = 2.0;

/// Cycles of either kind before what they differ by means anything. Judgment.
const EITHER: f64 = 3.0;

/// A step against the others of the roof. Judgment, as are the next two.
const THAN_OTHERS: f64 = 1.2;
/// All steps against the profile's times, which come from few roofs: nearly all slower by this share, and none by less
/// than the second: what drives them all spares none.
const THAN_PROFILE: f64 = 1.12;
const NONE_FASTER: f64 = 1.05;
/// The same two where it is only a trace: it ranks causes, and calls none by itself.
const SOMEWHAT: (f64, f64) = (1.07, 1.02);
/// The others' share below which a step is compared: a cylinder that stays under pressure through the later steps slows
/// most of them.
const OTHERS: f64 = 0.0;
/// Fewer steps tell nothing of all.
const FEW_STEPS: usize = 3;

/// Something that the whole log tells, out of so many cycles.
fn whole_log(cycles: u32, seen: bool) -> Counts {
    let looked = cycles.min(AS_CYCLES);
    Counts { looked, seen: if seen { looked } else { 0 }, over_the_log: true, ..Counts::default() }
}

/// The value below which a share of them lie; 0 where there is none.
fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let place = (values.len().saturating_sub(1) as f64 * share).round() as usize;
    values.get(place).copied().unwrap_or(0.0)
}

/// A running mean.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Mean {
    n: u32,
    sum: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        if value.is_finite() {
            self.n += 1;
            self.sum += value;
        }
    }

    fn mean(&self) -> f64 {
        self.sum / f64::from(self.n.max(1))
    }
}

/// Sums for a straight line by least squares.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Line {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Line {
    fn add(&mut self, x: f64, y: f64) {
        if x.is_finite() && y.is_finite() {
            self.n += 1.0;
            self.x += x;
            self.y += y;
            self.xx += x * x;
            self.xy += x * y;
            self.yy += y * y;
        }
    }

    /// The slope per 10, where it is known; 0 where it is less than three of its standard errors.
    fn slope(&self) -> Option<f64> {
        self.fit().map(|(slope, error)| if slope.abs() > 3.0 * error { slope } else { 0.0 })
    }

    /// The same of what is either so (1) or not (0), where both came often enough: one odd cycle makes no relation.
    fn slope_of_yes_or_no(&self) -> Option<f64> {
        self.slope().filter(|_| self.y.min(self.n - self.y) >= EITHER)
    }

    /// Whether the slope per 10 lies above a limit, where it lies at least half of its standard error off it: likelier so
    /// than not by two to one.
    fn is_above(&self, limit: f64) -> Option<bool> {
        let (slope, error) = self.fit()?;
        ((slope - limit).abs() > 0.5 * error).then_some(slope > limit)
    }

    /// The slope per 10 and its standard error.
    fn fit(&self) -> Option<(f64, f64)> {
        let Line { n, x, y, xx, xy, yy } = *self;
        let (sxx, sxy, syy) = (xx - x * x / n, xy - x * y / n, yy - y * y / n);
        if n < LINE_CYCLES || (sxx / n).sqrt() < LINE_SPREAD {
            return None;
        }
        let slope = sxy / sxx;
        let error = ((syy - slope * sxy).max(0.0) / (n - 2.0) / sxx).sqrt();
        Some((10.0 * slope, 10.0 * error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_needs_spread_and_more_than_its_own_error() {
        let mut line = Line::default();
        for n in 0..5 {
            line.add(10.0 + f64::from(n), 0.02 * f64::from(n));
        }
        assert_eq!(line.slope(), None, "too few");
        for n in 5..12 {
            line.add(10.0 + f64::from(n), 0.02 * f64::from(n));
        }
        assert!((line.slope().unwrap() - 0.2).abs() < 1e-9);
        let mut noise = Line::default();
        for n in 0..20 {
            noise.add(f64::from(n), if n % 2 == 0 { 0.3 } else { -0.3 });
        }
        assert_eq!(noise.slope(), Some(0.0));
        let stopped = |times: u32| {
            let mut line = Line::default();
            (0..20).for_each(|n| line.add(f64::from(n), f64::from(u8::from(n < times))));
            line.slope_of_yes_or_no()
        };
        assert!(stopped(8).is_some_and(|slope| slope < 0.0));
        assert_eq!(stopped(19), None, "but for one cycle all of them");
    }
}
