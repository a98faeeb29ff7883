//! A guided test in a real browser: begun on the page, watched while the roof moves, kept with the car.

use fantoccini::Locator;
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use serde_json::Value;

use crate::daemon::{Daemon, frames, line, top};
use crate::pages::{Driver, follow, looked_at, sign_in};

#[test]
fn a_technician_checks_the_end_switches_and_the_record_stays_with_the_car() {
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(390, 844).await;
        browser.goto(&format!("{base}/sign-in?then=/cars/oak")).await.unwrap();
        sign_in(&browser, data.path()).await;
        follow(&browser, "nav a[href='/cars/oak/guide']").await;
        follow(&browser, "button[value='end-switches']").await;
        let seen = browser.wait().for_element(Locator::Css(".seen")).await.unwrap().text().await.unwrap();
        assert!(seen.contains("Nothing has come from the logger yet"), "{seen}");
        looked_at(&browser, "guided").await;
        // The roof goes there and back; the page follows by itself.
        tokio::task::spawn_blocking(move || {
            let mut player = Player::new(Encoding::Packed, frames(&log));
            play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
            master
        })
        .await
        .unwrap();
        let over = Locator::XPath("//h1[starts-with(., 'End switches, there and back: ')]");
        let title = browser.wait().for_element(over).await.unwrap().text().await.unwrap();
        looked_at(&browser, "guided-over").await;
        // Whoever is signed in did it, unless another name is put there.
        let author = browser.find(Locator::Css("form.keep input[name=author]")).await.unwrap();
        assert_eq!(author.prop("value").await.unwrap().as_deref(), Some("owner"));
        author.send_keys(" and J. at the roof").await.unwrap();
        follow(&browser, "form.keep button").await;
        browser.wait().for_element(Locator::Css("ul.tests details")).await.unwrap();
        browser.goto(&format!("{base}/cars/oak")).await.unwrap();
        let record = Locator::XPath("//ul[@class='record']/li[contains(., 'owner and J. at the roof')]");
        follow(&browser, "ul.record details summary").await;
        let record = browser.wait().for_element(record).await.unwrap().text().await.unwrap();
        assert!(
            record.contains("End switches, there and back") && record.contains("There and back: "),
            "{title}: {record}"
        );
        browser.close().await.unwrap();
    });
}

/// The daemon is killed in the middle of a test: it goes on with what was answered; where the roof's description has
/// other steps by then, what was seen stands in the record as broken off.
#[test]
fn a_test_outlasts_a_restart_or_is_told_as_broken_off() {
    const JSON: &str = "application/json";
    let data = tempfile::tempdir().unwrap();
    let (_master, _slave, name) = line();
    let start = |profile: &str| Daemon::start(data.path(), &name, "oak", profile);
    let state = |daemon: &Daemon| body(&daemon.get("/api/v1/cars/oak/guide"))["under_way"].clone();
    let guide = "/api/v1/cars/oak/guide";

    let daemon = start("hardtop-five");
    assert!(state(&daemon).is_null());
    let begun = body(&daemon.post(guide, JSON, r#"{"test":"commissioning"}"#));
    assert_eq!((&begun["at"], &begun["by"]), (&0.into(), &"owner".into()));
    let second = daemon.post(guide, JSON, r#"{"test":"hold-test"}"#);
    assert!(second.starts_with("HTTP/1.1 409") && second.contains("is under way on this car"), "{second}");
    for at in 0..2 {
        daemon.post(&format!("{guide}/answer"), JSON, &format!(r#"{{"at":{at},"answer":"did-not"}}"#));
    }
    let before = state(&daemon);
    assert_eq!((&before["at"], &before["resumed"]), (&2.into(), &false.into()));
    drop(daemon);

    let daemon = start("hardtop-five");
    let after = state(&daemon);
    assert_eq!((&after["at"], &after["steps"], &after["by"]), (&2.into(), &before["steps"], &"owner".into()));
    assert_eq!(after["resumed"], true);
    assert!(daemon.get("/cars/oak/guide").contains("started anew while this step was due"));
    let next = body(&daemon.post(&format!("{guide}/answer"), JSON, r#"{"at":2,"answer":"skip"}"#));
    assert_eq!((&next["at"], &next["resumed"]), (&3.into(), &false.into()));
    drop(daemon);

    let daemon = start("softtop-cover");
    assert!(state(&daemon).is_null());
    let record = body(&daemon.get("/api/v1/cars/oak/record"));
    let entry = &record[0];
    assert_eq!((&entry["result"], &entry["author"]), (&"broken-off".into(), &"owner".into()), "{record}");
    let text = entry["text"].as_str().unwrap();
    assert!(text.starts_with("Logger: failed. ") && text.contains("was changed meanwhile"), "{text}");
    drop(daemon);
    // Once.
    let daemon = start("softtop-cover");
    assert_eq!(body(&daemon.get("/api/v1/cars/oak/record")).as_array().unwrap().len(), 1);
}

fn body(answer: &str) -> Value {
    let (_, body) = answer.split_once("\r\n\r\n").unwrap();
    let (from, to) = (body.find(['{', '[']).unwrap(), body.rfind(['}', ']']).unwrap());
    serde_json::from_str(&body[from..=to]).unwrap_or_else(|error| panic!("{error}: {body}"))
}
