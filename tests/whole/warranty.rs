//! A tester's evidence for a claim, from the pages and from the command line, in the hands of the other side.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use fantoccini::Locator;
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;

use crate::daemon::{Daemon, FOLDWATCH, frames, line, run, top, wait};
use crate::pages::{Driver, follow, looked_at, sign_in};

const JSON: &str = "application/json";
const FORM: &str = "application/x-www-form-urlencoded";

/// What `verify` says, and whether it takes the bag.
fn verified(bag: &Path, key: &Path) -> (String, bool) {
    let done = Command::new(FOLDWATCH).args(["evidence", "verify"]).arg(bag).arg("--key").arg(key).output();
    let done = done.unwrap();
    let said = [done.stdout, done.stderr].concat();
    (String::from_utf8_lossy(&said).into_owned(), done.status.success())
}

#[test]
fn from_the_page_to_the_other_sides_desk() {
    let room = tempfile::tempdir().unwrap();
    let place = |name: &str| room.path().join(name);
    let text = |name: &str| place(name).to_str().unwrap().to_owned();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start_with(&place("data"), &name, "oak", "hardtop-five", &["--keys", &text("keys")]);
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("four cycles", || {
        run(&["export", "--data", &text("data"), "--car", "oak", "--table", "cycles"]).lines().count() == 5
    });

    // How the logger was fitted, what was done, and its correction.
    daemon.post("/cars/oak/guide/begin", FORM, "test=commissioning");
    daemon.post("/cars/oak/guide/press", FORM, "press=did-not");
    daemon.post("/cars/oak/guide/keep", FORM, "author=J.+at+the+roof");
    let note = r#"{"kind":"note","at":"2025-06-02T00:10:00Z","subject":"left ram weeps","author":"J."}"#;
    let first = daemon.post("/api/v1/cars/oak/record", JSON, note);
    assert!(first.contains("\"number\":2"), "{first}");
    daemon.post(
        "/api/v1/cars/oak/record",
        JSON,
        r#"{"kind":"note","subject":"the right ram weeps","corrects":2}"#,
    );

    let (driver, base) = (Driver::start(), format!("http://{}", daemon.address));
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        for (width, height, device) in [(1280, 900, "desk"), (390, 844, "phone")] {
            let browser = driver.browser(width, height).await;
            browser.goto(&format!("{base}/sign-in?then=/cars/oak")).await.unwrap();
            sign_in(&browser, &place("data")).await;
            follow(&browser, "nav a[href='/cars/oak/evidence']").await;
            let cycles = browser.wait().for_element(Locator::Css("input[name=cycles]")).await.unwrap();
            cycles.send_keys("1-4").await.unwrap();
            if device == "phone" {
                // The second one corrects the first.
                follow(&browser, "select[name=revises] option[value='1']").await;
                follow(&browser, "input[name=without_service]").await;
            }
            looked_at(&browser, "evidence").await;
            follow(&browser, "form.evidence button").await;
            let made = if device == "phone" { "/evidence/2/bag.zip" } else { "/evidence/1/bag.zip" };
            let link = format!("a[href$='{made}']");
            browser
                .wait()
                .at_most(std::time::Duration::from_secs(60))
                .for_element(Locator::Css(&link))
                .await
                .unwrap();
            looked_at(&browser, "evidence-made").await;
            browser.close().await.unwrap();
        }
    });
    for n in [1, 2] {
        let bytes = daemon.download(&format!("/api/v1/cars/oak/evidence/{n}/bag.zip"));
        fs::write(place(&format!("{n}.zip")), bytes).unwrap();
    }
    fs::write(place("public.pem"), daemon.download("/api/v1/evidence/public.pem")).unwrap();

    // The other side: the bag, the key, and nothing else.
    let (said, holds) = verified(&place("1.zip"), &place("public.pem"));
    assert!(holds && said.contains("the same 4 cycles and 4 findings"), "{said}");
    for part in
        ["by the key given", "chain      unbroken", "each just as the originals", "set anew from them"]
    {
        assert!(said.contains(part), "{part}: {said}");
    }
    let (said, holds) = verified(&place("2.zip"), &place("public.pem"));
    assert!(holds && said.contains("a correction of the bag whose tag manifest has the SHA-256"), "{said}");
    assert!(said.contains("left out: service"), "{said}");

    // The command line gives the very same bytes, and what it gives from the log is the same judgment.
    let make = |more: &[&str]| run(&[&["evidence", "make", "--keys", &text("keys")], more].concat());
    make(&["--data", &text("data"), "--car", "oak", "--cycles", "1-4", "--out", &text("again.zip")]);
    assert!(fs::read(place("again.zip")).unwrap() == fs::read(place("1.zip")).unwrap());
    make(&["--data", &text("data"), "--car", "oak", "--cycles", "1-4", "--out", &text("bag")]);
    make(&[log.to_str().unwrap(), "--profile", "hardtop-five", "--out", &text("of-log")]);
    let of = |bag: &str, name: &str| fs::read_to_string(place(bag).join("data").join(name)).unwrap();
    for name in ["cycles.csv", "findings.csv"] {
        assert_eq!(of("bag", name), of("of-log", name));
    }
    assert!(of("bag", "commissioning.txt").contains("Result: failed"), "{}", of("bag", "commissioning.txt"));
    let record = of("bag", "service.csv");
    assert!(record.contains("left ram weeps") && record.contains("the right ram weeps,,,2"), "{record}");

    // Whoever reads no further than the first line is no reason to fall over.
    for what in [vec!["evidence", "keys", "show", "--keys"], vec!["evidence", "verify", "--key"]] {
        let last = if what.contains(&"verify") {
            vec![text("public.pem"), text("1.zip")]
        } else {
            vec![text("keys")]
        };
        let mut child =
            Command::new(FOLDWATCH).args(&what).args(last).stdout(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        assert!(child.wait().unwrap().success(), "{what:?}");
    }
    // A key of somebody else, and one byte otherwise.
    run(&["evidence", "keys", "show", "--keys", &text("others")]);
    let (said, holds) = verified(&place("1.zip"), &place("others/public.pem"));
    assert!(!holds && said.contains("signed by another key"), "{said}");
    let samples = place("bag/data/samples.csv");
    let mut bytes = fs::read(&samples).unwrap();
    bytes[100_000] ^= 1;
    fs::write(&samples, bytes).unwrap();
    let (said, holds) = verified(&place("bag"), &place("public.pem"));
    assert!(!holds && said.contains("data/samples.csv, bytes 65536 to 131071: altered"), "{said}");
}

/// A long bag is stopped on its page: it is told, and nothing of it is left.
#[test]
fn a_bag_that_is_stopped_leaves_nothing() {
    let room = tempfile::tempdir().unwrap();
    let place = |name: &str| room.path().join(name);
    let (mut master, _slave, name) = line();
    let keys = place("keys").to_str().unwrap().to_owned();
    let daemon = Daemon::start_with(&place("data"), &name, "oak", "hardtop-five", &["--keys", &keys]);
    let log = top().join("sample-logs/packed/week.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the week", || daemon.get("/api/v1/cars/oak/cycles").matches("\"start\"").count() >= 20);
    let begun = daemon.post("/api/v1/cars/oak/evidence", JSON, "{}");
    assert!(begun.starts_with("HTTP/1.1 202") && begun.contains("\"done\":0.0"), "{begun}");
    let page = daemon.get("/cars/oak/evidence");
    assert!(page.contains("<progress") && page.contains("Stop it"), "{page}");
    let stopped = daemon.post("/api/v1/cars/oak/evidence/1/stop", JSON, "");
    assert!(stopped.starts_with("HTTP/1.1 202"), "{stopped}");
    wait("the end", || daemon.get("/api/v1/cars/oak/evidence/1").contains("\"stage\":\"failed\""));
    assert!(daemon.get("/cars/oak/evidence").contains("it was stopped; nothing of it was kept"));
    assert_eq!(fs::read_dir(place("data/evidence/oak")).unwrap().count(), 0);
    let again = daemon.post("/cars/oak/evidence/stop", FORM, "number=1");
    assert!(again.starts_with("HTTP/1.1 303"), "{again}");
    let again = daemon.post("/api/v1/cars/oak/evidence/1/stop", JSON, "");
    assert!(again.starts_with("HTTP/1.1 409"), "{again}");
}
