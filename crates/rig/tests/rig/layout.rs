//! Places of switches, worked out from the sequences.

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_rig::{Law, Layout};
use foldwatch_units::Direction;

use crate::{all_profiles, profile};

/// The state of a switch with the axes at rest.
fn state(layout: &Layout, at: &[f64], signal: SignalIx) -> bool {
    match &layout.laws[signal.at()] {
        Some(Law::Place(place)) => place.state(at[place.axis], false),
        Some(Law::Chain { members, own }) => {
            own.is_none_or(|place| place.state(at[place.axis], false))
                && members.iter().all(|m| state(layout, at, *m))
        }
        Some(Law::Fixed(on)) => *on,
        None => false,
    }
}

/// Walks both sequences: no step is confirmed before it runs, every one is after, and the roof comes home.
fn walk(profile: &Profile) {
    let layout = Layout::from_profile(profile);
    let mut at = layout.at_start(Direction::Opening);
    let home = at.clone();
    for direction in [Direction::Opening, Direction::Closing] {
        assert_eq!(at, layout.at_start(direction));
        for (k, phase) in profile.sequence(direction).iter().enumerate() {
            let holds = |at: &[f64]| phase.confirm.holds(&|s| Some(state(&layout, at, s))) == Some(true);
            assert!(!holds(&at), "{} {}: confirmed before it ran", profile.id, phase.name);
            for m in layout.of(direction, k) {
                assert_eq!(at[m.axis], m.from, "{} {}", profile.id, phase.name);
                at[m.axis] = m.to;
            }
            assert!(holds(&at), "{} {}: not confirmed by its end", profile.id, phase.name);
        }
    }
    assert_eq!(at, home, "{}", profile.id);
}

#[test]
fn every_roof_that_ships_can_be_walked() {
    for profile in all_profiles() {
        walk(&profile);
        let layout = Layout::from_profile(&profile);
        for permission in &profile.permissions {
            for direction in [Direction::Opening, Direction::Closing] {
                let at = layout.at_start(direction);
                let given = permission.needs.holds(&|s| Some(state(&layout, &at, s)));
                assert_eq!(given, Some(true), "{}: {}", profile.id, permission.label);
            }
        }
    }
}

/// A roof as a stranger may write it: no valves, no cylinders, steps that end when a switch opens.
#[test]
fn a_sparse_roof_can_be_walked() {
    walk(&profile(
        r#"
        id = "sparse"
        name = "Little is known of it"
        signal = [
            { id = "pump", kind = "pump" },
            { id = "hooked", kind = "switch" },
            { id = "down", kind = "switch" },
            { id = "shut", kind = "switch" },
        ]
        opening = [
            { name = "Unhook", confirm = "not hooked", expected_s = 1.5 },
            { name = "Fold", confirm = "down", expected_s = 9 },
            { name = "Shut", confirm = "shut", expected_s = 3 },
        ]
        closing = [
            { name = "Open", confirm = "not shut", expected_s = 3 },
            { name = "Unfold", confirm = "not down", expected_s = 11 },
            { name = "Hook", confirm = "hooked", expected_s = 1.5 },
        ]
        "#,
    ));
}

/// Two steps in a row that move one axis the same way share its stroke.
#[test]
fn a_stroke_in_two_steps_is_shared_by_their_times() {
    let profile = profile(
        r#"
        id = "halves"
        name = "Two steps, one cylinder"
        signal = [
            { id = "pump", kind = "pump" },
            { id = "shut", kind = "switch" },
            { id = "half", kind = "switch" },
            { id = "open", kind = "switch" },
        ]
        opening = [
            { name = "First half", confirm = "half and not shut", expected_s = 2, cylinders = ["ram+"] },
            { name = "Second half", confirm = "open and not half", expected_s = 6, cylinders = ["ram+"] },
        ]
        closing = [{ name = "Back", confirm = "shut and not open", expected_s = 7, cylinders = ["ram-"] }]
        [[hydraulics.cylinder]]
        id = "ram"
        bore_mm = 20
        rod_mm = 10
        stroke_mm = 100
        count = 1
        "#,
    );
    let layout = Layout::from_profile(&profile);
    let ends: Vec<f64> = layout.moves[0].iter().map(|moves| moves[0].to).collect();
    assert_eq!(ends, [0.25, 1.0]);
    walk(&profile);
}
