//! What can be seen of a log that tells causes apart: the kinds of findings, and marks that no limit stands against.

use crate::place::At;

/// Something that a cycle shows, does not show, or can't show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sign {
    /// Its name, as in the table; the finding's, where it is one.
    pub id: &'static str,
    /// Where it is seen.
    pub at: At,
    /// The sentence where it is seen; `{at}` is the place.
    pub seen: &'static str,
    /// The clause after "expected and not seen:"; `{at}` is the place.
    pub lack: &'static str,
}

/// Findings that only follow from others and tell no causes apart.
pub const FOLLOWING: &[&str] = &["unconfirmed-running", "relief-dwell", "duty-exceeded", "fuse-margin"];

/// Marks that a sound roof may show in every cycle, by its own nature: profiles come from few roofs.
const HABITS: &[&str] = &[
    "near-relief",
    "handed-over",
    "heavier-than-others",
    "somewhat-heavier",
    "far-heavier-than-stated",
    "heavier-than-stated",
    "somewhat-heavier-than-stated",
    "slower-than-others",
    "below-delivery",
    "somewhat-below-delivery",
    "none-spared",
    "slower-warm",
    "slower-cold",
    "short-hold",
    "shorter-hold-than-stated",
    "late-pressure",
    "somewhat-late-pressure",
    "somewhat-late-confirmation",
    "gone-at-once",
    "low-ceiling",
    "late-motion",
    "weak-start",
    "supply-drop",
    "drop-steady",
    "plateau-steady",
    "low-at-rest",
];

/// Marks that rank causes, and are nothing to tell by themselves, and of which other sign they are the lower degree.
const TRACES: &[(&str, Option<&str>)] = &[
    ("somewhat-heavier", Some("heavier-than-others")),
    ("somewhat-heavier-than-stated", Some("heavier-than-stated")),
    ("somewhat-below-delivery", Some("below-delivery")),
    ("somewhat-late-pressure", Some("late-pressure")),
    ("somewhat-late-confirmation", Some("late-confirmation")),
    ("none-spared", None),
];

/// The sign that is the lower degree of another one.
pub(crate) fn trace_of(sign: &str) -> Option<&'static str> {
    TRACES.iter().find(|(_, of)| *of == Some(sign)).map(|(trace, _)| *trace)
}

impl Sign {
    /// Worth telling where nothing explains it.
    pub(crate) fn wants_a_cause(&self) -> bool {
        !TRACES.iter().any(|(trace, _)| *trace == self.id)
    }

    /// Chances of the three classes of frequency, seldom first, where it is seen without a cause. A finding that comes
    /// by mistake comes seldom; a roof's nature shows in every cycle. Judgment.
    pub(crate) fn without_cause(&self) -> [f64; 3] {
        if HABITS.contains(&self.id) { [0.2, 0.2, 0.6] } else { [0.85, 0.1, 0.05] }
    }
}

macro_rules! signs {
    ($($id:literal $at:ident $seen:literal $lack:literal),+ $(,)?) => {
        &[$(Sign { id: $id, at: At::$at, seen: $seen, lack: $lack }),+]
    };
}

/// All of them. To add one: its line here, where it is looked for (`observe`), its chance in the table.
pub static SIGNS: &[Sign] = signs![
    // Findings.
    "slow-phase" Step "{at} took longer than is in order" "a slow {at}",
    "heavy-going" Step "{at} needed more pressure or current than usual" "more pressure or current in {at} than usual",
    "missing-confirmation" StepSwitch "{at} did not come" "a missing {at}",
    "late-confirmation" StepSwitch "{at} came after the mechanism had arrived" "a late {at}",
    "somewhat-late-confirmation" StepSwitch "{at} came somewhat after the mechanism had arrived" "a somewhat late {at}",
    "no-pressure" Roof "the pump ran and no pressure came" "a pump that runs and builds no pressure",
    "dry-running" Roof "the pump ran with hardly any load" "a pump that runs with hardly any load",
    "stuck-open" Switch "the contact of {at} stayed open through a whole movement" "the contact of {at} staying open",
    "stuck-closed" Switch "the contact of {at} stayed closed through a whole movement" "the contact of {at} staying closed",
    "contradiction" Switch "the contact of {at} closed together with one that excludes it" "{at} contradicting another switch",
    "chatter" Switch "{at} made and broke many times at its point of switching" "chatter of {at}",
    "dropout" Contact "the contact of {at} opened for moments" "the contact of {at} opening for moments",
    "low-plateau" Roof "against the stop the pressure stayed well below the relief setting" "a low pressure against the stop",
    "slow-together" Roof "all steps together became slower" "all steps becoming slower together",
    "leak-down" Roof "held pressure fell faster than usual" "a held pressure that falls faster than usual",
    "air-in-oil" Roof "the oil was softer than usual against the stop" "softer oil against the stop than usual",
    "stuck-relay" Roof "the pump did not follow its command" "a pump that does not follow its command",
    "run-on" Roof "the pump was commanded on after the last confirmation" "a pump commanded on after the last confirmation",
    "pump-alone" Roof "all valves had let go while the pump ran on" "valves that have let go while the pump runs on",
    "low-supply" Roof "the supply gave way with the pump running" "a supply that gives way under load",
    "signal-fault" Sensor "{at} showed what can't be" "a fault of {at}",
    "recording-gap" Roof "a part of the movement was not recorded" "gaps in the recording",
    // Marks.
    "blocked" Step "{at} stood under full pressure and did not move, or stopped short" "{at} held at full pressure",
    "arrived" Step "{at} came to the stop in the usual time and without confirmation" "{at} arriving unconfirmed",
    "low-pressure" Step "{at} stood for longer than the movement needs, at a pressure far below the relief setting" "{at} pushed at a low pressure only",
    "half-pressure" Step "in {at} the pressure stood at a part of the relief setting and nothing moved further" "{at} standing at a part of the relief pressure",
    "near-relief" Step "{at} moved at more than seven tenths of the relief pressure" "{at} moving near the relief pressure",
    "handed-over" StepSwitch "{at} came late by as much as the next step was shorter: the mechanism had been there before" "{at} late and the next step as much shorter",
    "heavier-than-others" Step "{at} needed more pressure than the other steps" "more pressure in {at} than in the other steps",
    "somewhat-heavier" Step "{at} needed somewhat more pressure than the other steps" "somewhat more pressure in {at} than in the other steps",
    "far-heavier-than-stated" Step "{at} needed half as much pressure again as the profile states, and more" "half as much pressure again in {at} as the profile states",
    "heavier-than-stated" Step "{at} needed more pressure than the profile states" "more pressure in {at} than the profile states",
    "somewhat-heavier-than-stated" Step "{at} needed somewhat more pressure than the profile states" "somewhat more pressure in {at} than the profile states",
    "slower-than-others" Step "against the profile, {at} went more slowly than the other steps" "{at} being slower than the other steps",
    "below-delivery" Roof "against the profile all pump-driven steps were slow, with oil temperature and supply accounted for" "all pump-driven steps slow against the profile",
    "somewhat-below-delivery" Roof "against the profile all pump-driven steps were somewhat slow" "all pump-driven steps somewhat slow against the profile",
    "none-spared" Roof "where a step was slow, no other was as it should be" "no step as it should be where one is slow",
    "slower-warm" Roof "the warmer the oil, the slower the steps" "steps getting slower with warm oil",
    "slower-cold" Roof "the colder the oil, the slower the steps, beyond what cold oil explains" "steps getting slower with cold oil, beyond what that explains",
    "slow-only-cold" Roof "slow only with oil below 5 °C" "slow steps with cold oil only",
    "short-hold" Roof "after the drive the pressure was gone in seconds" "a pressure that is gone within seconds after the drive",
    "shorter-hold-than-stated" Roof "after the drive the pressure was gone far sooner than the profile states" "a pressure that is gone far sooner than the profile states",
    "gone-at-once" Roof "the held pressure was gone nearly at once" "a held pressure that is gone nearly at once",
    "late-pressure" Roof "after the start of the pump something soft gave way before the pressure stood, as gas does" "gas giving way after the start of the pump",
    "somewhat-late-pressure" Roof "after the start of the pump a little gave way before the pressure stood, as gas does" "a little gas giving way after the start of the pump",
    "late-motion" Step "{at} began to move late" "a late beginning of {at}",
    "low-ceiling" Roof "at the end of the movement the pump pushed on, and the pressure stood well below the relief setting" "a low pressure where the pump pushes on at the end of the movement",
    "relief-at-start" Step "{at} began with a stand at relief pressure" "a stand at relief pressure at the start of {at}",
    "weak-start" Roof "the motor's starting current was low" "a low starting current of the motor",
    "supply-drop" Roof "the supply dropped far when the pump started" "a supply that drops far when the pump starts",
    "plateau-steady" Roof "the pressure at which it stood was the same whether the oil was warm or cold" "a pressure that stands at the same height with warm oil as with cold",
    "plateau-falls" Roof "the pressure at which it stood fell as the oil got warmer" "a pressure that stands lower with warm oil",
    "stops-cold" Roof "with colder oil it stopped short of the relief pressure, with warmer oil it went on" "stops with cold oil only",
    "stops-warm" Roof "with warmer oil it stopped short of the relief pressure, with colder oil it went on" "stops with warm oil only",
    "drop-steady" Roof "the supply dropped as far when it was warm as when it was cold" "a supply that drops as far warm as cold",
    "low-at-rest" Roof "the supply was low before the pump started" "a supply that is low before the pump starts",
    "inputs-together" Roof "nearly all switches changed at one moment" "switches all changing at one moment",
    "no-reaction" Roof "a demand was refused although every permission was there" "a demand refused without a reason",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_finding_has_its_sign_or_follows_from_another() {
        let split = ["stuck-switch", "weak-pump"];
        for check in foldwatch_score::CHECKS {
            let id = check.about().id;
            let known =
                SIGNS.iter().any(|sign| sign.id == id) || FOLLOWING.contains(&id) || split.contains(&id);
            assert!(known, "{id} is no sign: add its line to SIGNS");
        }
        for (n, sign) in SIGNS.iter().enumerate() {
            assert!(SIGNS[..n].iter().all(|other| other.id != sign.id), "{} twice", sign.id);
        }
    }
}
