//! Slips that people make, and what they are told.

#![allow(clippy::unwrap_used)] // Tests: helpers count as no test to the lint.

use foldwatch_profile::{Expr, Level, SignalKind, parse};
use foldwatch_units::Direction;
use proptest::prelude::*;

const FULL: &str = include_str!("full.toml");

/// What is told when `old` stands as `new` in the full profile, without the place.
fn told(old: &str, new: &str) -> Vec<String> {
    assert!(FULL.contains(old), "{old}");
    let text = FULL.replacen(old, new, 1);
    let problems = parse(&text).err().unwrap_or_default();
    problems.iter().map(|p| format!("{p}").split_once(": ").unwrap().1.to_owned()).collect()
}

fn check(old: &str, new: &str, expected: &[&str]) {
    let told = told(old, new);
    assert_eq!(told.len(), expected.len(), "{new}: {told:#?}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(told.contains(expected), "{new}: {told}");
    }
}

#[test]
fn what_two_keys_say_must_agree() {
    check("limit_s = 8", "limit_s = 6", &["opening.limit_s: 6 s is not more than `expected_s`, 6.3 s"]);
    check(
        "pressure_bar = 70",
        "pressure_bar = 180",
        &["opening.pressure_bar: at 180 bar the relief valve is open"],
    );
    check("give_up_s = 12", "give_up_s = 6.3", &["opening.give_up_s: 6.3 s is not more"]);
    check("rod_mm = 10", "rod_mm = 20", &["hydraulics.cylinder.rod_mm: a rod of 20 mm does not fit"]);
    check("viscosity_100c_mm2_s = 2.7", "viscosity_100c_mm2_s = 27", &["oil gets thinner"]);
    check("inrush_a = 60", "inrush_a = 6", &["electrics.inrush_a: 6 A is less"]);
    check("max = 3000", "max = -1", &["signal.max: -1 is not more than `min`, 0"]);
    check("gain = 10", "gain = 0", &["signal.gain: with a gain of 0"]);
    check("debounce_ms = 30", "debounce_ms = -3", &["signal.debounce_ms: -3 is out of range"]);
}

#[test]
fn names_must_be_there_once_and_of_the_right_kind() {
    check(
        "id = \"one_latch\"",
        "id = \"open\"",
        &[
            "signal.id: `open` is there twice",
            "permission.needs: `one_latch` is no signal",
            "chain.members.signal: `one_latch` is no signal",
        ],
    );
    check(
        "valves = [\"v1\"]",
        "valves = [\"v2\"]",
        &["opening.valves: `v2` is no signal; did you mean `v1`?"],
    );
    check("valves = [\"v1\"]", "valves = [\"v1\", \"v1\"]", &["`v1` is there twice"]);
    check("valves = [\"v1\"]", "valves = [\"open\"]", &["`open` is a switch signal; a valve is wanted here"]);
    check("valves = [\"v1\"]", "valves = \"v1\"", &["give a list of ids"]);
    check("excludes = [\"open\"]", "excludes = [\"shut\"]", &["a switch can't exclude itself"]);
    check("excludes = [\"open\"]", "excludes = [\"pump\"]", &["`pump` is a pump signal; a switch is wanted"]);
    check("signal = \"shut\"", "signal = \"pump\"", &["chain.signal: `pump` is a pump signal"]);
    check("signal = \"one_latch\"", "signal = \"shut\"", &["this is the signal of the whole chain"]);
    check(
        "{ label = \"left\" }",
        "{ label = \"left\", signal = \"one_latch\" }",
        &["already shows another member"],
    );
    check("cylinders = [\"lid+\"]", "cylinders = [\"lip+\"]", &["`lip` is no cylinder; did you mean `lid`?"]);
    check("cylinders = [\"lid+\"]", "cylinders = [\"lid\"]", &["`lid` does not say which way"]);
    check("cylinders = [\"lid+\"]", "cylinders = [\"lid+\", \"lid-\"]", &["`lid` is there twice"]);
    check(
        "[[closing]]\nname = \"Lower\"",
        "[[closing]]\nname = \"Lower\"\nconfirm = \"shut\"\nexpected_s = 1\n[[closing]]\nname = \"Lower\"",
        &["closing.name: `Lower` is there twice in closing"],
    );
}

#[test]
fn a_unit_must_fit_its_kind() {
    check(
        "unit = \"psi\"",
        "unit = \"mA\"",
        &["signal.unit: `mA` is no unit of a pressure; for a pressure: bar"],
    );
    check("unit = \"psi\"", "unit = \"furlong\"", &["signal.unit: unit `furlong` is not known"]);
    check("unit = \"psi\"", "", &["signal.unit: a pressure must have a unit"]);
    check("unit = \"deg\"", "unit = \"in\"", &[]);
    check("kind = \"pump\"", "kind = \"pump\"\nunit = \"bar\"", &["signal.unit: a pump has none"]);
    check("unit = \"psi\"", "unit = \"psi\"\non_when = \"low\"", &["signal.on_when: a pressure has none"]);
    check("kind = \"pump\"", "kind = \"pump\"\ndemands = \"opening\"", &["signal.demands: a pump has none"]);
    check("kind = \"pump\"", "kind = \"pump\"\nexcludes = [\"open\"]", &["signal.excludes: a pump has none"]);
}

#[test]
fn an_expression_must_be_readable_and_possible() {
    let confirm = "confirm = \"open and not shut\"";
    check(confirm, "confirm = \"open and shut\"", &["opening.confirm: this can never be so"]);
    check(confirm, "confirm = \"open or not open\"", &["opening.confirm: this is always so"]);
    check(confirm, "confirm = \"\"", &["opening.confirm: it is empty"]);
    check(confirm, "confirm = \"open and pressure\"", &["`pressure` is a pressure signal"]);
    check(confirm, "", &["opening.confirm: not given, and must be"]);
    check(confirm, "confirm = \"always\"", &[]);
    check(
        "needs = \"one_latch\"",
        "needs = \"always\"",
        &["permission.needs: what is always so is no condition"],
    );
    let long = format!("confirm = \"{}open\"", "open and ".repeat(200));
    check(confirm, &long, &["bytes are too many for an expression"]);
}

#[test]
fn a_slip_in_an_expression_has_the_place_of_the_slip() {
    let place = |line: &str| {
        let text = FULL.replacen("confirm = \"open and not shut\"", line, 1);
        let at = FULL.lines().position(|l| l.starts_with("confirm")).unwrap() + 1;
        let problems = parse(&text).unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:#?}");
        (problems[0].line - at, problems[0].column)
    };
    assert_eq!(place("confirm = \"open and nto shut\""), (0, 21));
    assert_eq!(place("confirm = 'open & shut'"), (0, 17));
    assert_eq!(place("confirm = \"\"\"\nopen\nand ~ shut\"\"\""), (2, 5));
    assert_eq!(place("confirm = \"op\\u0065n &\""), (0, 11), "escapes: the text's start has to do");
}

#[test]
fn keys_in_the_wrong_place_are_sent_to_the_right_one() {
    check(
        "quiet_s = 1.1",
        "quiet_s = 1.1\nrelief_bar = 3",
        &["timing.relief_bar: no such key; it belongs in `[hydraulics]`"],
    );
    check("quiet_s = 1.1", "quiet_s = 1.1\nbore_mm = 3", &["it belongs in `[[hydraulics.cylinder]]`"]);
    check("quiet_s = 1.1", "quiet_s = 1.1\nnotes = \"\"", &["it belongs at the top of the file"]);
    check(
        "expected_s = 6.3",
        "expected = 6.3",
        &["opening.expected: no such key; did you mean `expected_s`?"],
    );
    check(
        "expected_s = 4.7",
        "expected_ms = 4700",
        &["closing.expected_ms: no such key; did you mean `expected_s`?"],
    );
    check("[[permission]]", "[permission]", &["begin each one with two brackets: `[[permission]]`"]);
    check("kind = \"pump\"", "kind = \"pmup\"", &["`pmup` is none of the words, perhaps meant as `pump`"]);
}

#[test]
fn what_can_t_be_read_is_told_together_with_everything_else_that_is_certain() {
    check("quiet_s = 1.1", "quiet_s = ", &["string values must be quoted"]);
    check(
        "[reference]",
        "[timing]",
        &[
            "duplicate key; keep one of the two",
            "timing.oil_temperature_c: no such key; it belongs in `[reference]`",
            "timing.supply_v: no such key",
        ],
    );
    let text = FULL
        .replacen("name = \"Every key\"", "name = \"Every key", 1)
        .replacen("quiet_s = 1.1", "quiet_s = 1,1", 1)
        .replacen("rod_mm = 10", "rod_mm = 30", 1);
    let problems = parse(&text).unwrap_err();
    let lines: Vec<usize> = problems.iter().map(|p| p.line).collect();
    let line = |start: &str| text.lines().position(|l| l.starts_with(start)).unwrap() + 1;
    assert!(lines.contains(&line("name")), "{problems:#?}");
    assert!(lines.contains(&line("quiet_s")), "{problems:#?}");
    assert!(lines.contains(&line("rod_mm")), "{problems:#?}");
    assert!(problems.iter().all(|p| !p.found.contains("not given")), "{problems:#?}");
}

#[test]
fn a_file_that_is_no_profile_is_refused_shortly() {
    assert!(parse("").unwrap_err().iter().all(|p| p.line == 1 && p.found.contains("not given")));
    let log = "0.01,0,1,1,12.6\n".repeat(100_000);
    let problems = parse(&log).unwrap_err();
    assert_eq!(problems.len(), 1);
    assert!(problems[0].found.contains("bytes are too many"));
}

#[test]
fn numbers_come_out_in_working_units() {
    let profile = parse(FULL).unwrap().profile;
    let signal = |id: &str| profile.signal(profile.find(id).unwrap());
    // 1 psi = 0.0689475729 bar (NIST SP 811, B.8): recorded 100 x 10 - 50 = 950 psi.
    let pressure = &signal("pressure").calibration;
    assert!((100.0 * pressure.gain + pressure.offset - 65.500194).abs() < 1e-6);
    assert!((pressure.max.unwrap() - 206.842719).abs() < 1e-6);
    assert!((pressure.u.unwrap() - 1.034214).abs() < 1e-6);
    assert_eq!(pressure.date.as_deref(), Some("2026-03-14"));
    assert_eq!(signal("pressure").unit.symbol, "bar");
    let oil = &signal("oil").calibration;
    assert!((212.0 * oil.gain + oil.offset - 100.0).abs() < 1e-9);
    assert!((oil.min.unwrap() + 40.0).abs() < 1e-9);
    assert!((signal("current").calibration.gain - 1e-3).abs() < 1e-15);
    assert_eq!(signal("lid_pressure").calibration.gain, 10.0);

    assert_eq!(signal("shut").on_when, Level::Low);
    assert_eq!(signal("shut").debounce.value(), 0.03);
    assert_eq!(signal("open").debounce.value(), 0.02);
    assert_eq!(signal("open").excludes, [profile.find("shut").unwrap()], "said at one, it holds for both");
    assert_eq!(signal("open").label, "open");
    assert_eq!(profile.of_kind(SignalKind::Pressure).count(), 2);
    assert_eq!(profile.phase_names(Direction::Opening).collect::<Vec<_>>(), ["Raise"]);
}

/// No pump signal, no valves, no numbers, one button for both ways, steps without a switch: still a roof.
#[test]
fn a_roof_needs_little() {
    let text = r#"
        id = "little"
        name = "Little"
        signal = [{ id = "up", kind = "switch" }, { id = "go", kind = "demand" }]
        opening = [
            { name = "Wait", confirm = "always", expected_s = 2, pump = false },
            { name = "Raise", confirm = "up", expected_s = 5 },
        ]
        closing = [{ name = "Lower", confirm = "not up", expected_s = 5 }]
    "#;
    let loaded = parse(text).unwrap();
    let profile = &loaded.profile;
    assert_eq!(profile.signals[1].demands, None);
    assert_eq!(profile.timing.tail.value(), 480.0);
    assert_eq!(profile.opening[0].confirm, Expr::Always);
    assert_eq!(profile.electrics.nominal, Some(profile.reference.supply));
    assert_eq!(profile.end_position(Direction::Closing).written(profile), "not up");
    assert!(
        loaded.advice.iter().any(|p| p.key == "hydraulics.relief_bar" && p.remedy.contains("relief-dwell"))
    );
    assert!(loaded.advice.iter().any(|p| p.key == "signal of kind `pressure`"));
    let lost = |profile: &foldwatch_profile::Profile| foldwatch_profile::explain(profile);
    assert!(
        lost(profile)
            .contains("the pump's run is told by the demand signal, and stuck-relay can't be judged")
    );

    // Without the button nothing tells when it is driven.
    let blind = parse(&text.replace(", { id = \"go\", kind = \"demand\" }", "")).unwrap();
    assert!(lost(&blind.profile).contains("so no movement can be found"), "{}", lost(&blind.profile));
    assert!(!lost(profile).contains("no movement can be found"));
    assert!(!lost(&blind.profile).contains("the pump's run is told by"));
}

#[test]
fn what_looks_odd_is_advice() {
    let advice = |old: &str, new: &str| -> Vec<String> {
        assert!(FULL.contains(old), "{old}");
        parse(&FULL.replacen(old, new, 1)).unwrap().advice.iter().map(|p| p.to_string()).collect()
    };
    let one = |old, new, part: &str| {
        let found = advice(old, new);
        assert!(found.len() == 1 && found[0].contains(part), "{found:#?}");
    };
    one(
        "expected_s = 6.3",
        "expected_s = 3.1",
        "3.1 s expected, but its cylinders take 31.4 mL, 6.3 s at 0.3 L/min",
    );
    one("fuse_a = 40", "fuse_a = 10", "a fuse of 10 A is less than the running current of 18 A");
    one("give_up_s = 12", "give_up_s = 7", "7 s comes before the step counts as slow, at 8 s");
    one("valves = [\"v1\"]", "", "the pump runs, and no valve is energised");
    one(
        "[[closing]]",
        "[[opening]]\nname = \"Rest\"\nvalves = [\"v1\"]\nconfirm = \"not shut\"\nexpected_s = 1\n[[closing]]",
        "opening.confirm: so as soon as `Raise` is done",
    );
    let same = FULL.replace("\"shut and not open\"", "\"open and not shut\"");
    let found: Vec<String> = parse(&same).unwrap().advice.iter().map(|p| p.to_string()).collect();
    assert!(found.iter().any(|p| p.contains("end with the same switches")), "{found:#?}");
}

/// Expressions over the six on/off signals of the full profile.
fn expressions() -> impl Strategy<Value = String> {
    let id = prop::sample::select(vec!["button", "pump", "v1", "shut", "open", "one_latch"]);
    id.prop_map(str::to_owned).prop_recursive(4, 12, 3, |inner| {
        prop_oneof![
            inner.clone().prop_map(|e| format!("not ({e})")),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| format!("({a}) and {b}")),
            (inner.clone(), inner).prop_map(|(a, b)| format!("{a} or ({b})")),
        ]
    })
}

fn places_are_in_order_and_in_the_text(text: &str) {
    let Err(problems) = parse(text) else { return };
    assert!(!problems.is_empty());
    let lines = text.split('\n').count();
    for pair in problems.windows(2) {
        assert!((pair[0].line, pair[0].column) <= (pair[1].line, pair[1].column));
    }
    for p in &problems {
        assert!(1 <= p.line && p.line <= lines && p.column >= 1, "{p}");
        assert!(!p.found.is_empty() && !p.remedy.is_empty(), "{p}");
        assert!(p.to_string().len() < 1000, "{p}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_text_is_answered(text in "\\PC{0,200}|(\\[{0,2}[a-z.]{0,9}\\]{0,2}\n|[a-z_]{1,9} ?=? ?[\\[\\{\"'0-9a-z,=\\}\\]]{0,9}\n){0,12}") {
        places_are_in_order_and_in_the_text(&text);
    }

    #[test]
    fn a_profile_cut_and_patched_anywhere_is_answered(
        cuts in prop::collection::vec((0..FULL.len(), 0..30usize, "[\\[\\]\\{\\}\"'=.,a-z0-9 \n-]{0,6}"), 1..6),
    ) {
        let mut bytes = FULL.as_bytes().to_vec();
        for (at, length, patch) in cuts {
            let at = at.min(bytes.len());
            let end = (at + length).min(bytes.len());
            bytes.splice(at..end, patch.bytes());
        }
        places_are_in_order_and_in_the_text(&String::from_utf8_lossy(&bytes));
    }

    #[test]
    fn an_expression_written_and_read_again_means_the_same(text in expressions()) {
        let read = |confirm: &str| {
            parse(&FULL.replacen("open and not shut", confirm, 1)).ok().map(|l| (l.profile.opening[0].confirm.clone(), l))
        };
        // Some can never be so, or always are, and are refused.
        let Some((expr, loaded)) = read(&text) else { return Ok(()) };
        let written = expr.written(&loaded.profile);
        let (again, _) = read(&written).unwrap();
        for bits in 0..1u32 << loaded.profile.signals.len() {
            let on = |ix: foldwatch_profile::SignalIx| Some(bits >> ix.0 & 1 == 1);
            prop_assert_eq!(expr.holds(&on), again.holds(&on), "{} / {}", text, written);
        }
    }
}
