//! Where a sign is seen, where a cause sits, and which of the two belong together.

use foldwatch_profile::{Phase, PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_units::Direction;

/// A place on the roof: a step, a signal, both, or (neither) the roof as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Place {
    /// The step.
    pub phase: Option<PhaseRef>,
    /// The signal.
    pub signal: Option<SignalIx>,
}

impl Place {
    /// The roof as a whole.
    pub const ROOF: Place = Place { phase: None, signal: None };

    /// A step.
    pub fn step(phase: PhaseRef) -> Place {
        Place { phase: Some(phase), signal: None }
    }

    /// A signal.
    pub fn signal(signal: SignalIx) -> Place {
        Place { phase: None, signal: Some(signal) }
    }

    /// The name under which it is kept: `opening/Raise lid lid_open`.
    pub(crate) fn key(self, profile: &Profile) -> String {
        let step = self.phase.map(|p| format!("{}/{}", p.direction, p.of(profile).name));
        let signal = self.signal.map(|ix| profile.signal(ix).id.clone());
        [step, signal].into_iter().flatten().collect::<Vec<_>>().join(" ")
    }

    /// As a technician calls it.
    pub fn label(self, profile: &Profile) -> String {
        let step = self.phase.map(|p| format!("`{}` ({})", p.of(profile).name, p.direction));
        let signal = self.signal.map(|ix| format!("`{}`", profile.signal(ix).label));
        match (signal, step) {
            (Some(signal), Some(step)) => format!("{signal} in {step}"),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => "the roof".to_owned(),
        }
    }
}

/// Every step of a roof.
pub(crate) fn steps(profile: &Profile) -> impl Iterator<Item = PhaseRef> + use<'_> {
    [Direction::Opening, Direction::Closing].into_iter().flat_map(|direction| {
        (0..profile.sequence(direction).len()).map(move |index| PhaseRef { direction, index })
    })
}

/// The kinds of places that a sign has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    /// The roof as a whole.
    Roof,
    /// Each step.
    Step,
    /// Each switch of each step's confirmation, and each member of a chain that has a tap of its own.
    StepSwitch,
    /// Each switch.
    Switch,
    /// Each switch, valve and pump command.
    Contact,
    /// Each signal that is a number.
    Sensor,
}

impl At {
    /// The places of this kind on a roof.
    pub(crate) fn places(self, profile: &Profile) -> Vec<Place> {
        let signals = |wanted: fn(SignalKind) -> bool| {
            profile.signals().filter(|(_, s)| wanted(s.kind)).map(|(ix, _)| Place::signal(ix)).collect()
        };
        match self {
            At::Roof => vec![Place::ROOF],
            At::Step => steps(profile).map(Place::step).collect(),
            At::StepSwitch => steps(profile)
                .flat_map(|phase| {
                    let asked = phase.of(profile).confirm.wanted();
                    asked
                        .into_iter()
                        .flat_map(|(signal, _)| std::iter::once(signal).chain(taps(signal, profile)))
                        .map(move |signal| Place { phase: Some(phase), signal: Some(signal) })
                        .collect::<Vec<_>>()
                })
                .collect(),
            At::Switch => signals(|kind| kind == SignalKind::Switch),
            At::Contact => {
                signals(|k| matches!(k, SignalKind::Switch | SignalKind::Valve | SignalKind::Pump))
            }
            At::Sensor => signals(|kind| !kind.is_binary()),
        }
    }
}

/// How a sign's place must lie to a cause's for the cause to show there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relation {
    /// At the cause's own place: its step, its switch and the steps that it confirms, its valve and the steps that
    /// begin with its switching, its cylinder's steps; for a cause of the whole roof everywhere.
    There,
    /// There, in a step that asks for the switch to be closed.
    WhereClosed,
    /// There, in a step that asks for the switch to be open.
    WhereOpen,
    /// In a later step with the same valves on, when the place is still under pressure.
    StillPressed,
    /// In the step after one of the cause's own.
    NextStep,
    /// In the first pump-driven step of either direction.
    FirstStep,
}

/// Where a cause sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seat {
    /// The whole roof.
    Roof,
    /// What moves in a step.
    Step(PhaseRef),
    /// A switch, valve or sensor; the second is the chain that it is a member of, which shows it too.
    Signal(SignalIx, Option<SignalIx>),
    /// A group of cylinders, and the way in which they push: out, in, or (`None`) both.
    Cylinder(usize, Option<bool>),
}

impl Seat {
    /// Whether a sign at `place` belongs to a cause sitting here.
    pub(crate) fn meets(self, relation: Relation, place: Place, profile: &Profile) -> bool {
        match relation {
            Relation::There => self.is_at(place, profile),
            Relation::WhereClosed => self.is_at(place, profile) && self.is_asked_for(true, place, profile),
            Relation::WhereOpen => self.is_at(place, profile) && self.is_asked_for(false, place, profile),
            Relation::StillPressed => place.phase.is_some_and(|later| {
                steps(profile).any(|earlier| {
                    earlier.direction == later.direction
                        && earlier.index < later.index
                        && self.is_at(Place::step(earlier), profile)
                        && !self.is_at(place, profile)
                        && covers(later.of(profile), earlier.of(profile))
                })
            }),
            Relation::NextStep => place.phase.is_some_and(|next| {
                let before = next.index.checked_sub(1).map(|index| PhaseRef { index, ..next });
                before.is_some_and(|before| self.is_at(Place::step(before), profile))
            }),
            Relation::FirstStep => place.phase.is_some_and(|phase| is_first(phase, profile)),
        }
    }

    /// The step asks for the switch, or its chain, to be closed or open.
    fn is_asked_for(self, closed: bool, place: Place, profile: &Profile) -> bool {
        let (Seat::Signal(own, chain), Some(phase)) = (self, place.phase) else { return false };
        let mut wanted = phase.of(profile).confirm.wanted().into_iter();
        wanted.any(|(signal, on)| on == closed && (signal == own || Some(signal) == chain))
    }

    fn is_at(self, place: Place, profile: &Profile) -> bool {
        let confirms = |phase: PhaseRef, signal| {
            phase.of(profile).confirm.wanted().iter().any(|(wanted, _)| *wanted == signal)
        };
        match (self, place.phase, place.signal) {
            // What drives the roof has no part in a step without the pump.
            (Seat::Roof, Some(phase), _) => phase.of(profile).pump,
            (Seat::Roof, None, _) => true,
            (Seat::Signal(own, chain), _, Some(signal)) => own == signal || chain == Some(signal),
            (Seat::Signal(own, chain), Some(phase), None) => match profile.signal(own).kind {
                SignalKind::Switch => {
                    confirms(phase, own) || chain.is_some_and(|chain| confirms(phase, chain))
                }
                SignalKind::Valve => is_switched(own, phase, profile),
                _ => false,
            },
            (Seat::Step(own), Some(phase), _) => own == phase,
            (Seat::Step(own), None, Some(signal)) => confirms(own, signal),
            (Seat::Cylinder(own, way), Some(phase), _) => moves(phase.of(profile), own, way),
            (Seat::Cylinder(own, way), None, Some(signal)) => {
                steps(profile).any(|phase| moves(phase.of(profile), own, way) && confirms(phase, signal))
            }
            (_, None, None) => true,
        }
    }
}

/// The signals that show single members of a chain.
pub(crate) fn taps(chain: SignalIx, profile: &Profile) -> impl Iterator<Item = SignalIx> + use<'_> {
    let members = profile.chains.iter().filter(move |c| c.signal == chain).flat_map(|c| &c.members);
    members.filter_map(|member| member.signal)
}

/// The cylinder moves in the step; `Some(true)` out.
pub(crate) fn moves(phase: &Phase, cylinder: usize, way: Option<bool>) -> bool {
    phase.cylinders.iter().any(|(ix, out)| *ix == cylinder && way.is_none_or(|way| way == *out))
}

/// The later step has at least the valves on that the earlier one had, and the pump.
fn covers(later: &Phase, earlier: &Phase) -> bool {
    later.pump && earlier.valves.iter().all(|valve| later.valves.contains(valve))
}

/// The valve is on in this step and was not in the one before, or the other way round.
fn is_switched(valve: SignalIx, phase: PhaseRef, profile: &Profile) -> bool {
    let before = phase.index.checked_sub(1).map(|index| &profile.sequence(phase.direction)[index]);
    let was_on = before.is_some_and(|step| step.valves.contains(&valve));
    phase.of(profile).valves.contains(&valve) != was_on
}

/// The first step of its direction that the pump drives.
pub(crate) fn is_first(phase: PhaseRef, profile: &Profile) -> bool {
    profile.sequence(phase.direction).iter().position(|step| step.pump) == Some(phase.index)
}
