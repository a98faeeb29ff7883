//! A job from its beginning to its end, as the one who has it does it.

use std::path::Path;

use fantoccini::{Client, Locator};
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use serde_json::json;

use crate::daemon::{Daemon, frames, line, top, wait};
use crate::pages::{Driver, drawn_anew, fits, loaded, looked_at, signed_in};

const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";
const DOWN: &str = "\u{E015}";

/// With the tabulator alone to what is meant; where one is must be seen.
async fn tab_to(browser: &Client, css: &str) -> fantoccini::elements::Element {
    let there = "const at = document.activeElement; if (!at.matches(arguments[0])) return null;
        const s = getComputedStyle(at); return s.outlineStyle !== 'none' || s.boxShadow !== 'none'";
    for _ in 0..300 {
        match browser.execute(there, vec![json!(css)]).await.unwrap().as_bool() {
            Some(seen) => {
                assert!(seen, "the focus is not seen on {css}");
                return browser.active_element().await.unwrap();
            }
            None => browser.active_element().await.unwrap().send_keys(TAB).await.unwrap(),
        }
    }
    panic!("the keyboard does not reach {css}");
}

async fn enter(browser: &Client, css: &str) {
    browser.wait().for_element(Locator::Css(css)).await.unwrap();
    // A key before the page's script has run is the link's alone.
    loaded(browser).await;
    tab_to(browser, css).await.send_keys(ENTER).await.unwrap();
}

async fn write(browser: &Client, css: &str, text: &str) {
    tab_to(browser, css).await.send_keys(text).await.unwrap();
}

async fn text(browser: &Client, css: &str) -> String {
    browser.wait().for_element(Locator::Css(css)).await.unwrap().text().await.unwrap()
}

async fn sign_in(browser: &Client, data: &Path) {
    let password = std::fs::read_to_string(data.join("owner-password")).unwrap();
    browser.wait().for_element(Locator::Css("form.sign-in")).await.unwrap();
    write(browser, "form.sign-in input[name=name]", "owner").await;
    write(browser, "form.sign-in input[name=password]", password.trim()).await;
    enter(browser, "form.sign-in button").await;
    signed_in(browser).await;
    // What was typed before is shown, and sent once more.
    enter(browser, "main form button").await;
}

/// A restoration shop: a logger is plugged in whose car nobody has named, and comes with a week in it. It is said where it
/// sits; then the week is looked through, down to the place of a finding; a check and a note are entered. All of it with
/// the keyboard alone.
#[test]
fn a_week_at_a_restoration_shop_by_keyboard() {
    let room = tempfile::tempdir().unwrap();
    let (data, config) = (room.path().join("data"), room.path().join("shop.toml"));
    let profile = top().join("config/profiles/hardtop-five.toml");
    let car = |id: &str, logger: &str| {
        format!(
            "[[car]]\nid = {id:?}\nname = \"The {id} one\"\nprofile = {profile:?}\nloggers = [{logger:?}]\n"
        )
    };
    std::fs::write(&config, [car("elm", "00000E11"), car("oak", "000000A4")].concat()).unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start_from(&config, &data, &name);
    let log = frames(&top().join("sample-logs/packed/week.bin.gz"));
    // Nothing is acknowledged before the car is known: the logger keeps it all and sends it again.
    let playing = std::thread::spawn(move || {
        let mut player = Player::new(Encoding::Packed, log);
        play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
        master
    });
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(1280, 900).await;
        wait("the logger", || daemon.get("/ports").contains("/ports/fit"));
        browser.goto(&format!("{base}/ports")).await.unwrap();
        assert!(text(&browser, "ul.places").await.contains("No car names it yet"));
        looked_at(&browser, "ports").await;
        write(&browser, "select[name=car]", DOWN).await;
        enter(&browser, "form[action='/ports/fit'] button").await;
        sign_in(&browser, &data).await;
        browser.wait().for_element(Locator::Css("ul.places")).await.unwrap();
        wait("the week", || daemon.get("/api/v1/cars/oak/cycles").matches("\"start\"").count() >= 20);
        browser.goto(&format!("{base}/ports")).await.unwrap();
        assert!(text(&browser, "ul.places").await.contains("in The oak one"));
        looked_at(&browser, "ports-fitted").await;

        enter(&browser, "header a.name").await;
        enter(&browser, "main a[href='/cars/oak']").await;
        let matters = text(&browser, "ul.matters").await;
        assert!(matters.contains(" of ") && matters.contains("closing"), "{matters}");
        let causes = text(&browser, "ol.causes").await;
        enter(&browser, "main a[href^='/cars/oak/cycles/']").await;
        enter(&browser, ".place-link").await;
        drawn_anew(&browser).await;
        enter(&browser, "nav a[href='/cars/oak']").await;

        browser.wait().for_element(Locator::Css("form.check")).await.unwrap();
        let author = tab_to(&browser, "form.check input[name=author]").await;
        assert_eq!(author.prop("value").await.unwrap().as_deref(), Some("owner"));
        enter(&browser, "form.check button[name=result]").await;
        wait("the check", || daemon.get("/api/v1/cars/oak/record").contains("\"kind\":\"check\""));
        browser.goto(&format!("{base}/cars/oak")).await.unwrap();
        assert_ne!(text(&browser, "ol.causes").await, causes);

        enter(&browser, "#record details:first-of-type > summary").await;
        write(&browser, "form.entry select[name=kind]", DOWN).await;
        write(&browser, "form.entry input[name=subject]", "back on Friday").await;
        enter(&browser, "#record details:first-of-type form.entry button").await;
        wait("the note", || daemon.get("/api/v1/cars/oak/record").contains("back on Friday"));
        let record = daemon.get("/api/v1/cars/oak/record");
        assert!(record.contains("\"kind\":\"note\"") && record.contains("\"author\":\"owner\""), "{record}");
        fits(&browser, "car after a week").await;
        browser.close().await.unwrap();
    });
    playing.join().unwrap();
}
