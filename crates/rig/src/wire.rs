//! Binary signals between the roof and the logger: contacts, wires, and what is wrong with them.

use foldwatch_profile::{Profile, SignalIx, SignalKind};

use crate::layout::{Law, Layout, Place};

/// The states of all binary signals, at three places of their way.
#[derive(Debug, Clone)]
pub(crate) struct Wires {
    /// What the contact works: the roof's side.
    pub mechanical: Vec<bool>,
    /// What the contact is going to be, from the first transition of a change on.
    pub settled: Vec<bool>,
    /// What is on the wire this instant.
    pub raw: Vec<bool>,
    /// Number of the present change, so that what is left of an older one's bounce can be told.
    pub epoch: Vec<u32>,
    binary: Vec<SignalIx>,
}

impl Wires {
    pub fn new(profile: &Profile, layout: &Layout, positions: &[f64]) -> Wires {
        let signals = profile.signals.len();
        let mut wires = Wires {
            mechanical: vec![false; signals],
            settled: vec![false; signals],
            raw: vec![false; signals],
            epoch: vec![0; signals],
            binary: profile.signals().filter(|(_, s)| s.kind.is_binary()).map(|(ix, _)| ix).collect(),
        };
        let contacts = wires.contacts(layout, positions);
        for (ix, _) in profile.of_kind(SignalKind::Switch) {
            wires.mechanical[ix.at()] = signal_state(layout, &contacts, ix);
        }
        wires.settled.clone_from(&wires.mechanical);
        wires.raw.clone_from(&wires.mechanical);
        wires
    }

    /// State of every place's switch at rest.
    pub fn contacts(&self, layout: &Layout, positions: &[f64]) -> Vec<bool> {
        layout.places().map(|(_, p)| p.state(positions[p.axis], false)).collect()
    }

    /// The places with their states, for the plant.
    pub fn places(&self, layout: &Layout, contacts: &[bool]) -> Vec<(Place, bool)> {
        layout.places().map(|(_, p)| p).zip(contacts.iter().copied()).collect()
    }

    /// Every binary signal's state on the wire.
    pub fn states(&self) -> Vec<(SignalIx, bool)> {
        self.binary.iter().map(|ix| (*ix, self.raw[ix.at()])).collect()
    }
}

impl Layout {
    /// Every place that is watched: of each switch, and of the hidden members of each chain.
    pub(crate) fn places(&self) -> impl Iterator<Item = (SignalIx, Place)> + '_ {
        self.laws.iter().enumerate().filter_map(|(ix, law)| match law {
            Some(Law::Place(place) | Law::Chain { own: Some(place), .. }) => {
                Some((SignalIx(ix as u16), *place))
            }
            _ => None,
        })
    }
}

/// The mechanical state of a switch signal, `contacts` running parallel to [`Layout::places`].
pub(crate) fn signal_state(layout: &Layout, contacts: &[bool], signal: SignalIx) -> bool {
    let own = |ix: SignalIx| {
        layout.places().zip(contacts).find(|((s, _), _)| *s == ix).is_none_or(|(_, state)| *state)
    };
    match layout.laws.get(signal.at()) {
        Some(Some(Law::Place(_))) => own(signal),
        Some(Some(Law::Chain { members, own: hidden })) => {
            (hidden.is_none() || own(signal)) && members.iter().all(|m| own(*m))
        }
        Some(Some(Law::Fixed(state))) => *state,
        _ => false,
    }
}
