//! Which findings are right for which fault, and why. The table is the scorecard's own: neither the rig nor the analyser
//! reads it.

use foldwatch_rig::FaultKind;

/// What counts as right for one kind of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Right {
    /// The fault.
    pub fault: FaultKind,
    /// Its names: any one of them is a hit.
    pub names: &'static [&'static str],
    /// What may be told beside it, being true as well: no hit, and no false alarm either.
    pub beside: &'static [&'static str],
    /// Why.
    pub why: &'static str,
}

const fn right(
    fault: FaultKind,
    names: &'static [&'static str],
    beside: &'static [&'static str],
    why: &'static str,
) -> Right {
    Right { fault, names, beside, why }
}

/// What a step that waits in vain brings with it.
const WAITS: [&str; 4] = ["unconfirmed-running", "relief-dwell", "duty-exceeded", "fuse-margin"];
const NEVER: &[&str] = &["stuck-switch", WAITS[0], WAITS[1], WAITS[2], WAITS[3]];
const OPEN: &[&str] = &["contradiction", WAITS[0], WAITS[1], WAITS[2], WAITS[3]];
/// With a switch stuck closed the unit drives the next step against what is still locked: that is heavy, too.
const CLOSED: &[&str] =
    &["heavy-going", "slow-phase", "missing-confirmation", WAITS[0], WAITS[1], WAITS[2], WAITS[3]];

/// Every fault of the rig that shows in samples. What happens to bytes (clock, counter, damage) is the decoder's matter.
pub const RIGHT: &[Right] = {
    use FaultKind::*;
    &[
        right(
            WornPump,
            &["weak-pump", "slow-phase"],
            &["heavy-going", "missing-confirmation", WAITS[0]],
            "oil slips back: it delivers less at the same speed, and all is slower; gross, the unit gives up before the end",
        ),
        right(
            InternalLeak,
            &["slow-phase", "weak-pump", "leak-down"],
            &["late-confirmation", "no-pressure", "missing-confirmation", WAITS[0]],
            "oil that creeps past one piston makes its step slow; from outside it looks like too little delivery",
        ),
        right(
            ExternalLeak,
            &["leak-down", "slow-phase", "weak-pump", "air-in-oil", "dry-running", "no-pressure"],
            &["missing-confirmation", WAITS[0], WAITS[2], WAITS[3], "heavy-going"],
            "which of them shows first depends on how much oil is left",
        ),
        right(
            AirInOil,
            &["air-in-oil", "slow-phase"],
            &["leak-down", "late-confirmation", "weak-pump"],
            "a softer rise; much of it costs delivery, too",
        ),
        right(
            Friction,
            &["heavy-going", "slow-phase"],
            &["missing-confirmation", "late-confirmation", WAITS[0], WAITS[1], WAITS[2], WAITS[3]],
            "more force at the same speed; at the relief setting it stops",
        ),
        right(
            SwitchLate,
            &["late-confirmation"],
            &["relief-dwell", "slow-phase"],
            "where neither pressure nor current is recorded, a late switch is a slow step",
        ),
        right(SwitchNever, &["missing-confirmation"], NEVER, "the step waits in vain"),
        right(
            Dropout,
            &["dropout", "chatter"],
            &["late-confirmation", "slow-phase", "missing-confirmation"],
            "many losses in a row are told as chatter; one at the wrong moment is a confirmation that comes late",
        ),
        right(Chatter, &["chatter", "dropout"], &["late-confirmation"], "few changes look like a loose wire"),
        right(
            StuckOpen,
            &["missing-confirmation", "stuck-switch"],
            OPEN,
            "to one cycle, a switch stuck open is one that never makes",
        ),
        right(
            StuckClosed,
            &["stuck-switch", "contradiction"],
            CLOSED,
            "it stays made as the mechanism leaves; the next step has to do what was left of the one before, and takes longer",
        ),
        right(
            StickingValve,
            &["slow-phase"],
            &["relief-dwell", "missing-confirmation", "late-confirmation", "heavy-going", WAITS[0]],
            "the pump pushes, and nothing moves until the spool has followed",
        ),
        right(
            WeldedRelay,
            &["stuck-relay", "run-on"],
            &["relief-dwell", "duty-exceeded", "fuse-margin"],
            "without its command recorded, it is a pump that runs on",
        ),
        right(RunOn, &["run-on"], &["relief-dwell", "duty-exceeded", "fuse-margin"], "as it says"),
        right(
            HighResistanceSupply,
            &["low-supply", "slow-phase"],
            &["weak-pump", "missing-confirmation", WAITS[0]],
            "the pump's own terminal sags",
        ),
        right(
            HighResistanceEarth,
            &["slow-phase", "weak-pump"],
            &["low-supply", "missing-confirmation", WAITS[0]],
            "the tap does not see it: only that the motor is slower than its supply explains",
        ),
        right(
            LowRelief,
            &["slow-phase", "no-pressure", "missing-confirmation", "weak-pump", "unconfirmed-running"],
            &["relief-dwell", "heavy-going", "duty-exceeded", "fuse-margin", "late-confirmation"],
            "it shows only where a load needs more than it lets through",
        ),
        right(
            ReleaseOpen,
            &["no-pressure", "weak-pump", "slow-phase", "missing-confirmation"],
            &["leak-down", WAITS[0], WAITS[2], WAITS[3]],
            "a little open it is slow, far open nothing moves",
        ),
        right(
            CloggedStrainer,
            &["weak-pump", "slow-phase", "dry-running"],
            &["missing-confirmation", WAITS[0], "no-pressure"],
            "the pump draws what it can get",
        ),
        right(WeakBattery, &["low-supply", "slow-phase"], &["missing-confirmation", WAITS[0]], "it sags"),
        right(Cold, &[], &[], "no fault: anything that is told is a false alarm"),
        right(LogGap, &["recording-gap"], &[], "as it says"),
        right(DeadSensor, &["signal-fault"], &["low-supply", "no-pressure"], "as it says"),
        right(StuckSensor, &["signal-fault"], &["low-supply", "no-pressure"], "as it says"),
        right(NoisySensor, &["signal-fault"], &["low-supply"], "as it says"),
    ]
};

/// What is right for a kind of fault; `None` for what happens to bytes.
pub fn right_for(fault: FaultKind) -> Option<&'static Right> {
    RIGHT.iter().find(|right| right.fault == fault)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_that_shows_in_samples_stands_once_with_names_that_exist() {
        for kind in FaultKind::ALL {
            use FaultKind::*;
            let of_bytes = matches!(kind, ClockDrift | WrappedCounter | CorruptedBytes);
            let rows = RIGHT.iter().filter(|right| right.fault == *kind).count();
            assert_eq!(rows, usize::from(!of_bytes), "{kind}");
        }
        let known: Vec<&str> = foldwatch_score::CHECKS.iter().map(|check| check.about().id).collect();
        for name in RIGHT.iter().flat_map(|right| right.names.iter().chain(right.beside)) {
            assert!(known.contains(name), "{name}");
        }
    }
}
