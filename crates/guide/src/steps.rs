//! Which steps each test has on a given roof.

use std::collections::BTreeSet;

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_units::Direction;

use crate::watch::{Bleeding, Drive, Hold, Logger, Moved, Rest, Supply, Sweep, Watch, Zero};
use crate::{Answer, Kind, Press, words};

/// One step.
pub(crate) struct Step {
    /// A few words, for the list.
    pub name: String,
    /// What to do.
    pub does: String,
    pub caution: &'static str,
    pub presses: &'static [Press],
    pub watch: Box<dyn Watch + Send>,
    pub answer: Option<Answer>,
}

impl Step {
    fn new(
        (name, does): (impl Into<String>, impl Into<String>),
        caution: &'static str,
        presses: &'static [Press],
        watch: impl Watch + Send + 'static,
    ) -> Step {
        Step { name: name.into(), does: does.into(), caution, presses, watch: Box::new(watch), answer: None }
    }
}

const BY_HAND: &[Press] = &[Press::DidNot, Press::WrongWay, Press::Skip, Press::Again];
const WAITED_FOR: &[Press] = &[Press::DidNot, Press::Skip, Press::Again];

/// The steps of a test.
pub(crate) fn of(kind: Kind, profile: &Profile) -> Result<Vec<Step>, String> {
    let first = |kind| profile.of_kind(kind).next().map(|(ix, _)| ix);
    let pressure = || first(SignalKind::Pressure).ok_or_else(|| words::NO_PRESSURE.to_owned());
    match kind {
        Kind::Commissioning => Ok(commissioning(profile)),
        Kind::Hold => {
            let pressure = pressure()?;
            Ok([Direction::Opening, Direction::Closing]
                .map(|way| {
                    Step::new(words::hold(way), words::CAUTION_END, WAITED_FOR, Hold::new(pressure, way))
                })
                .into())
        }
        Kind::SupplyUnderLoad => {
            let supply = first(SignalKind::Voltage).ok_or_else(|| words::NO_SUPPLY.to_owned())?;
            Ok(vec![Step::new(words::supply(), words::CAUTION_MOVE, WAITED_FOR, Supply::new(supply))])
        }
        Kind::EndSwitches => {
            let switches = end_switches(profile);
            if switches.is_empty() {
                return Err(words::NO_SWITCHES.to_owned());
            }
            Ok(vec![Step::new(words::sweep(), words::CAUTION_MOVE, WAITED_FOR, Sweep::new(switches))])
        }
        Kind::Bleeding => {
            pressure()?;
            Ok(vec![Step::new(words::bleeding(), words::CAUTION_BLEEDING, WAITED_FOR, Bleeding::default())])
        }
    }
}

fn commissioning(profile: &Profile) -> Vec<Step> {
    let mut steps = vec![Step::new(words::logger(), "", WAITED_FOR, Logger::default())];
    for (ix, signal) in profile.signals() {
        match signal.kind {
            SignalKind::Switch => steps.push(Step::new(
                words::switch(&signal.label),
                words::CAUTION_HAND,
                BY_HAND,
                Moved::new(ix),
            )),
            SignalKind::Demand => {
                steps.push(Step::new(
                    words::demand(&signal.label),
                    words::CAUTION_MOVE,
                    BY_HAND,
                    Moved::new(ix),
                ));
            }
            _ => {}
        }
    }
    for (ix, signal) in profile.of_kind(SignalKind::Current) {
        steps.push(Step::new(words::zero(&signal.label), words::CAUTION_CLAMP, WAITED_FOR, Zero::new(ix)));
    }
    if profile.signals.iter().any(|s| !s.kind.is_binary()) {
        steps.push(Step::new(words::rest(), "", WAITED_FOR, Rest::default()));
    }
    steps.push(Step::new(words::drive(), words::CAUTION_MOVE, WAITED_FOR, Drive::new(profile)));
    steps
}

/// The switches that confirm a step, in the profile's order.
fn end_switches(profile: &Profile) -> Vec<SignalIx> {
    let named: BTreeSet<SignalIx> = profile.step_signals();
    profile.of_kind(SignalKind::Switch).map(|(ix, _)| ix).filter(|ix| named.contains(ix)).collect()
}
