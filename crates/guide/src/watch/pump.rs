//! Whether the pump runs.

use foldwatch_profile::{Profile, SignalKind};

use crate::Seen;

/// More current than this share of the usual running current is the pump's; without one, than so many amperes. Judgment.
const OF_RUNNING: f64 = 0.3;
const AMPERES: f64 = 3.0;

/// By its current where there is one, for that says that it turns; else by its command. `None`: neither is recorded.
pub(super) fn runs(seen: &Seen<'_>) -> Option<bool> {
    let of = |kind| seen.profile.of_kind(kind).find_map(|(ix, _)| seen.value(ix));
    let current = of(SignalKind::Current).map(|amperes| amperes.abs() > threshold(seen.profile));
    current.or_else(|| of(SignalKind::Pump).map(|on| on >= 0.5))
}

/// Whether pump or any valve is commanded, or current flows.
pub(super) fn rests(seen: &Seen<'_>) -> bool {
    let commanded = seen
        .profile
        .signals()
        .filter(|(_, s)| matches!(s.kind, SignalKind::Pump | SignalKind::Valve))
        .any(|(ix, _)| seen.is_on(ix) == Some(true));
    !commanded && runs(seen) != Some(true)
}

fn threshold(profile: &Profile) -> f64 {
    profile.electrics.running.map_or(AMPERES, |running| OF_RUNNING * running.0)
}
