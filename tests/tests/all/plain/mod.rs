//! Logs told second by second, as somebody else would write them, and what must be said of them.

mod plants;
mod story;

use std::sync::Arc;

use foldwatch_columns::ColumnMap;
use foldwatch_pipeline::{Engine, Event};
use foldwatch_profile::{Profile, SignalKind};
use foldwatch_report::{Cycle, Finding};
use foldwatch_units::Direction::{self, Closing, Opening};
use plants::{PLANTS, Plant, Scene};
use story::Story;

fn roof(name: &str) -> Profile {
    let path = format!("{}/../config/profiles/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).expect("the profile is there");
    foldwatch_profile::parse(&text).expect("the profile is right").profile
}

/// The story's log, in columns, as the command line judges it.
fn judged(story: &Story) -> Vec<Cycle> {
    let (log, map) = story.write();
    let profile = Arc::new(story.profile.clone());
    let map = ColumnMap::parse(&map, &profile).expect("the map is right");
    let mut engine = Engine::new(Arc::clone(&profile));
    let mut out = Vec::new();
    let mut keep = |event: Event| {
        if let Event::Settled(verdict) = event {
            out.push(foldwatch_report::cycle(&profile, &verdict, &|at| at));
        }
    };
    foldwatch_columns::read(log.as_bytes(), &map, &profile, &mut engine.sink(&mut keep))
        .expect("the log is right");
    engine.finish(&mut keep);
    out
}

/// What a log carries, by what it leaves out.
const EVERYTHING: &[SignalKind] = &[];
const SWITCHES: &[SignalKind] = {
    use SignalKind::*;
    &[Pump, Valve, Pressure, Current, Voltage, Temperature, Position]
};

fn story(plant: &Plant, roof: &Profile, direction: Direction, rate: f64, hidden: &[SignalKind]) -> Story {
    let mut story = Story::before(roof, direction);
    story.rate = rate;
    story.hidden = hidden.to_vec();
    story.bounce = 0.008;
    (plant.tell)(&mut story, &Scene::of(roof, direction));
    story
}

/// Every plant on one roof, once with all signals and once with the switches and the operator's button alone.
fn all_plants_on(name: &str, direction: Direction) {
    let roof = roof(name);
    for plant in PLANTS {
        for (rate, hidden, (must, may)) in
            [(100.0, EVERYTHING, plant.with_everything), (10.0, SWITCHES, plant.with_switches)]
        {
            let story = story(plant, &roof, direction, rate, hidden);
            let cycles = judged(&story);
            let findings: Vec<&Finding> = cycles.iter().flat_map(|c| &c.findings).collect();
            let case = format!("{name} {direction}, {}, {rate} Hz: {findings:#?}", plant.name);
            for kind in must {
                assert!(findings.iter().any(|f| f.kind == *kind), "no {kind} in {case}");
            }
            for finding in &findings {
                let kind = finding.kind.as_str();
                assert!(must.contains(&kind) || may.contains(&kind), "{kind} in {case}");
            }
            let outcomes: Vec<&str> = cycles.iter().map(|c| c.outcome.as_str()).collect();
            assert_eq!(outcomes, plant.outcomes, "{case}");
            if must.is_empty() && may.is_empty() {
                edges_are_right(&story, &cycles, &case);
            }
        }
    }
}

/// Every edge within a sample of what was written; a sample may meet a contact while it bounces open.
fn edges_are_right(story: &Story, cycles: &[Cycle], case: &str) {
    let told: Vec<_> = cycles.iter().flat_map(|c| &c.phases).collect();
    let confirmed = told.iter().filter(|p| p.confirmation == "confirmed");
    for phase in confirmed {
        let end = foldwatch_report::parse_utc(&phase.end).expect("a moment").as_secs();
        let near =
            story.edges.iter().map(|(name, _, at)| if *name == phase.name { (end - at).abs() } else { 1e9 });
        let off = near.fold(f64::INFINITY, f64::min);
        assert!(off <= 1.0 / story.rate + story.bounce, "`{}` ends {off} s off in {case}", phase.name);
    }
}

#[test]
fn on_a_folding_hardtop() {
    all_plants_on("hardtop-five", Opening);
}

#[test]
fn on_a_soft_top_with_a_cover() {
    all_plants_on("softtop-cover", Closing);
}

#[test]
fn on_a_hardtop_with_four_valves() {
    all_plants_on("hardtop-six", Opening);
}

/// The one finding of a kind when a plant is told on the five-cylinder roof.
fn finding(plant: &str, kind: &str, rate: f64) -> Finding {
    let plant = PLANTS.iter().find(|p| p.name == plant).expect("there is such a plant");
    let cycles = judged(&story(plant, &roof("hardtop-five"), Opening, rate, EVERYTHING));
    let mut found = cycles.into_iter().flat_map(|c| c.findings).filter(|f| f.kind == kind);
    let one = found.next().expect("it is found");
    assert!(found.next().is_none(), "told once");
    one
}

#[track_caller]
fn says(f: &Finding, phase: Option<&str>, signal: Option<&str>, value: f64, unit: &str, limit: Option<f64>) {
    assert_eq!((f.phase.as_deref(), f.signal.as_deref(), f.unit.as_str()), (phase, signal, unit), "{f:?}");
    assert!((f.value - value).abs() <= 0.03 * value.abs() + 0.02, "{f:?}");
    match (f.limit, limit) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 0.01 * b.abs() + 0.03, "{f:?}"),
        (a, b) => assert_eq!(a, b, "{f:?}"),
    }
}

#[test]
fn findings_say_where_how_much_and_against_what() {
    let lid = (Some("Raise lid"), Some("lid_open"));
    let missing = finding("never closes, the unit gives up", "missing-confirmation", 100.0);
    says(&missing, lid.0, lid.1, 15.0, "s", Some(8.06));
    assert_eq!(missing.weight, "attend");
    let waiting = finding("never closes, the unit gives up", "unconfirmed-running", 100.0);
    says(&waiting, lid.0, lid.1, 15.0 - 8.1, "s", Some(0.0));
    let dwell = finding("never closes, the unit gives up", "relief-dwell", 100.0);
    says(&dwell, lid.0, Some("pressure"), 15.0 - 6.2 - 0.2, "s", Some(1.0));
    let late = finding("closes 2 s late", "late-confirmation", 100.0);
    says(&late, lid.0, lid.1, 2.0, "s", Some(0.5));
    let stays = finding("pump stays on for 4 s", "run-on", 500.0);
    says(&stays, Some("Lower lid"), Some("pump"), 4.0, "s", Some(1.0));
    let welded = finding("relay stays shut for 4 s", "stuck-relay", 100.0);
    says(&welded, None, Some("pump"), 4.0, "s", Some(0.5));
    assert_eq!(welded.weight, "stop-using");
    let slow = finding("takes 1.6 times as long", "slow-phase", 100.0);
    says(&slow, lid.0, None, 1.6 * 6.2, "s", Some(8.06));
    let lost = finding("lost for 0.3 s", "dropout", 100.0);
    says(&lost, Some("Fold roof"), lid.1, 0.3, "s", Some(0.02));
    let shaking = finding("toggles eight times in a second", "chatter", 100.0);
    says(&shaking, Some("Raise lid"), lid.1, 16.0, "", Some(4.0));
    let stuck = finding("stays closed, the unit gives up", "stuck-switch", 100.0);
    assert_eq!((stuck.phase.as_deref(), stuck.signal.as_deref()), (lid.0, Some("lid_latched")));
}

#[test]
fn a_missing_name_of_json_is_a_broken_promise() {
    let plant = &PLANTS[1];
    let cycles = judged(&story(plant, &roof("hardtop-five"), Opening, 50.0, EVERYTHING));
    let json = serde_json::to_value(&cycles[0]).expect("it is written");
    for key in ["start", "direction", "outcome", "phases", "findings"] {
        assert!(json.get(key).is_some(), "{key}");
    }
    for key in ["name", "start", "end", "duration_s", "u_duration_s", "confirmation"] {
        assert!(json["phases"][0].get(key).is_some(), "{key}");
    }
    for key in ["kind", "weight", "phase", "signal", "at", "value", "unit", "limit", "message"] {
        assert!(json["findings"][0].get(key).is_some(), "{key}");
    }
    assert_eq!(json["phases"][1]["confirmation"], "missing");
}
