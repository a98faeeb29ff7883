//! The pages in a real browser: from the list of cars to a car, a cycle, and its finding; every page at the width of a
//! desk and of a phone.
//!
//! With FOLDWATCH_PICTURES=FOLDER pictures of all pages are left there, to be looked at.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use fantoccini::{Client, ClientBuilder, Locator};
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::json;

use crate::daemon::{Daemon, frames, line, top, wait};

/// Debian's driver for its browser.
pub struct Driver {
    child: Child,
    port: u16,
}

impl Driver {
    pub fn start() -> Driver {
        let mut child = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .spawn()
            .expect("the pages are tested in a browser: install Debian's chromium and chromium-driver");
        let said = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let port = said
            .filter_map(|line| {
                line.split("started successfully on port ").nth(1)?.trim_end_matches('.').parse().ok()
            })
            .next()
            .expect("chromedriver tells its port");
        Driver { child, port }
    }

    pub async fn browser(&self, width: u32, height: u32, dark: bool) -> Client {
        let mut args =
            vec!["--headless=new".into(), "--no-sandbox".into(), format!("--window-size={width},{height}")];
        // A page that still glides is clicked beside the mark.
        args.push("--force-prefers-reduced-motion".into());
        if dark {
            args.push("--force-dark-mode".into());
            args.push("--blink-settings=preferredColorScheme=0".into());
        }
        let mut options = json!({ "args": args });
        if width < 500 {
            options["mobileEmulation"] =
                json!({ "deviceMetrics": { "width": width, "height": height, "pixelRatio": 2.0 } });
        }
        let capabilities =
            json!({ "goog:chromeOptions": options, "goog:loggingPrefs": { "browser": "ALL" } });
        ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities.as_object().unwrap().clone())
            .connect(&format!("http://127.0.0.1:{}", self.port))
            .await
            .unwrap()
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub async fn picture(browser: &Client, name: &str) {
    let Some(folder) = std::env::var_os("FOLDWATCH_PICTURES").map(PathBuf::from) else { return };
    std::fs::create_dir_all(&folder).unwrap();
    let height = browser.execute("return document.documentElement.scrollHeight", vec![]).await.unwrap();
    let width = browser.execute("return window.innerWidth", vec![]).await.unwrap();
    let (width, height) = (width.as_u64().unwrap() as u32, height.as_u64().unwrap() as u32);
    if width > 500 {
        browser.set_window_size(width, height.clamp(600, 4000) + 150).await.unwrap();
    } else {
        // A phone shows a part: its other parts are pictures of their own.
        for (n, top) in (0..height).step_by(800).enumerate().skip(1).take(6) {
            browser
                .execute("window.scrollTo({ top: arguments[0], behavior: 'instant' })", vec![json!(top)])
                .await
                .unwrap();
            std::fs::write(folder.join(format!("{name}-{n}.png")), browser.screenshot().await.unwrap())
                .unwrap();
        }
        browser.execute("window.scrollTo({ top: 0, behavior: 'instant' })", vec![]).await.unwrap();
    }
    std::fs::write(folder.join(format!("{name}.png")), browser.screenshot().await.unwrap()).unwrap();
}

/// Nothing wider than the window: a phone's page is not moved sideways.
pub async fn fits(browser: &Client, what: &str) {
    let over = browser
        .execute("return document.documentElement.scrollWidth - document.documentElement.clientWidth", vec![])
        .await
        .unwrap();
    assert!(over.as_i64().unwrap() <= 0, "{what}: {over} pixels too wide");
    accessible(browser, what).await;
}

/// Nothing that axe-core's rules for WCAG 2.2 AA object to, where FOLDWATCH_AXE names its axe.min.js: it is no part of
/// this project.
async fn accessible(browser: &Client, what: &str) {
    let Some(script) = std::env::var_os("FOLDWATCH_AXE") else { return };
    let script = std::fs::read_to_string(&script).expect("FOLDWATCH_AXE is a file");
    let run = "const done = arguments[arguments.length - 1];
        axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })
            .then((r) => done(r.violations.map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 200)}`)));";
    let found = browser.execute_async(&format!("{script};{run}"), vec![]).await.unwrap();
    assert_eq!(found, json!([]), "{what}");
}

/// With the keyboard alone: from the top of a cycle's page to \"Closer\", and the window is narrower.
async fn by_keyboard(browser: &Client) {
    for _ in 0..80 {
        let at = browser.active_element().await.unwrap();
        if at.attr("data-key").await.unwrap().as_deref() == Some("+") {
            let seen = "const s = getComputedStyle(document.activeElement); return s.outlineStyle !== 'none'";
            assert_eq!(browser.execute(seen, vec![]).await.unwrap(), json!(true), "the focus is not seen");
            at.send_keys("\u{E007}").await.unwrap();
            drawn_anew(browser).await;
            return;
        }
        at.send_keys("\u{E004}").await.unwrap();
    }
    panic!("the keyboard does not reach the window's links");
}

/// Clicks what is there now. The page before may still be there when it is looked for, and gone when it is clicked: a
/// stale element has not been clicked, so it is looked for once more.
pub async fn follow(browser: &Client, css: &str) {
    let to = "arguments[0].scrollIntoView({ block: 'center', behavior: 'instant' })";
    loop {
        let link = browser.wait().for_element(Locator::Css(css)).await.unwrap();
        let seen = browser.execute(to, vec![serde_json::to_value(&link).unwrap()]).await.map(drop);
        match if seen.is_ok() { link.click().await } else { seen } {
            Err(error) if error.is_stale_element_reference() => {}
            done => return done.unwrap(),
        }
    }
}

/// The sign-in has been taken: its form, whose button is like those of other forms, has gone.
pub async fn signed_in(browser: &Client) {
    let there =
        "return document.querySelector('form.sign-in') !== null || document.readyState !== 'complete'";
    for _ in 0..400 {
        if browser.execute(there, vec![]).await.is_ok_and(|there| there == json!(false)) {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(25)).await;
    }
    panic!("the sign-in was not taken");
}

/// The window of a cycle has moved and the server has drawn it finer: the address says where it is.
pub async fn drawn_anew(browser: &Client) {
    for _ in 0..200 {
        if browser.current_url().await.unwrap().query().unwrap_or_default().contains("from=") {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(25)).await;
    }
    panic!("the window was not drawn anew");
}

/// Signs in as the owner, whose password the daemon has put into its folder on its first start.
pub async fn sign_in(browser: &Client, data: &Path) {
    let password = std::fs::read_to_string(data.join("owner-password")).unwrap();
    let form = browser.wait().for_element(Locator::Css("form.sign-in")).await.unwrap();
    form.find(Locator::Css("input[name=name]")).await.unwrap().send_keys("owner").await.unwrap();
    let field = form.find(Locator::Css("input[name=password]")).await.unwrap();
    field.send_keys(password.trim()).await.unwrap();
    fits(browser, "sign in").await;
    picture(browser, "sign-in").await;
    follow(browser, "form.sign-in button").await;
    signed_in(browser).await;
}

/// What a check gave is entered on the car's page: the ranking is another one then, and the entry stands in the record.
async fn ranking_moves(browser: &Client, data: &Path) {
    let first = Locator::Css("ol.causes li:first-child");
    let before = browser.wait().for_element(first).await.unwrap().text().await.unwrap();
    let form = browser.find(Locator::Css("form.check")).await.unwrap();
    form.find(Locator::Css("input[name=author]")).await.unwrap().send_keys("J. at the bench").await.unwrap();
    browser
        .execute(
            "document.querySelector('form.check').scrollIntoView({ block: 'center', behavior: 'instant' })",
            vec![],
        )
        .await
        .unwrap();
    form.find(Locator::Css("button[name=result]")).await.unwrap().click().await.unwrap();
    // Entering takes somebody who is signed in; what was entered is not lost by that.
    sign_in(browser, data).await;
    let sent = browser.wait().for_element(Locator::Css("main dl")).await.unwrap().text().await.unwrap();
    assert!(sent.contains("J. at the bench"), "{sent}");
    picture(browser, "signed-in").await;
    follow(browser, "main form button").await;
    let record = browser
        .wait()
        .for_element(Locator::XPath("//ul[@class='record']/li[contains(., 'J. at the bench')]"));
    assert!(record.await.unwrap().text().await.unwrap().contains("Check: "));
    let after = browser.wait().for_element(first).await.unwrap().text().await.unwrap();
    assert_ne!(after, before);
    picture(browser, "car-after-a-check").await;
}

/// A daemon that goes away is told, and what stands there is marked as old.
#[test]
fn the_bench_says_that_the_connection_is_lost() {
    let data = tempfile::tempdir().unwrap();
    let (_master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(390, 844, false).await;
        browser.goto(&format!("http://{}/cars/oak/bench", daemon.address)).await.unwrap();
        fits(&browser, "bench without a logger").await;
        browser.wait().for_element(Locator::Css(".bench:not(.stale)")).await.unwrap();
        drop(daemon);
        let told = browser.wait().for_element(Locator::Css(".bench.stale .link.down")).await.unwrap();
        assert!(told.text().await.unwrap().contains("connection to foldwatch is lost"));
        fits(&browser, "bench, connection lost").await;
        picture(&browser, "bench-lost-phone").await;
        browser.close().await.unwrap();
    });
}

#[test]
fn from_the_car_to_a_cycle_to_its_finding_on_a_desk_and_on_a_phone() {
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the cycles", || daemon.get("/api/v1/cars/oak/cycles").matches("\"start\"").count() >= 4);
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        for (width, height, dark, word) in [
            (1280, 900, false, "desk"),
            (390, 844, false, "phone"),
            (390, 844, true, "phone-dark"),
            (1280, 900, true, "desk-dark"),
        ] {
            let browser = driver.browser(width, height, dark).await;
            browser.goto(&base).await.unwrap();
            fits(&browser, "cars").await;
            picture(&browser, &format!("cars-{word}")).await;
            follow(&browser, "main a[href='/cars/oak']").await;
            browser.wait().for_element(Locator::Css("main a[href^='/cars/oak/cycles/']")).await.unwrap();
            fits(&browser, "car").await;
            picture(&browser, &format!("car-{word}")).await;
            if word == "desk" {
                ranking_moves(&browser, data.path()).await;
            }
            follow(&browser, "main a[href^='/cars/oak/cycles/']").await;
            let finding = browser.wait().for_element(Locator::Css("[id^='finding-']")).await.unwrap();
            let text = finding.text().await.unwrap();
            assert!(text.contains("ran on") || text.contains("run"), "{text}");
            fits(&browser, "cycle").await;
            picture(&browser, &format!("cycle-{word}")).await;
            if word == "desk" {
                let url = browser.current_url().await.unwrap();
                by_keyboard(&browser).await;
                browser.goto(url.as_str()).await.unwrap();
            }
            // Its place on the chart.
            follow(&browser, "[id^='finding-'] a[href*='from=']").await;
            browser.wait().for_element(Locator::Css("svg")).await.unwrap();
            drawn_anew(&browser).await;
            picture(&browser, &format!("place-{word}")).await;
            for page in ["bench", "guide", "trend"] {
                browser.goto(&format!("{base}/cars/oak/{page}")).await.unwrap();
                browser.wait().for_element(Locator::Css("main")).await.unwrap();
                fits(&browser, page).await;
                picture(&browser, &format!("{page}-{word}")).await;
            }
            browser.goto(&format!("{base}/api")).await.unwrap();
            fits(&browser, "api").await;
            picture(&browser, &format!("api-{word}")).await;
            browser.close().await.unwrap();
        }
    });
}

/// A week is looked over: the fleet's list leads to the car, what was done is written down on its page, and shows in the
/// comparison.
#[test]
fn from_the_fleet_to_what_a_repair_brought() {
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let log = top().join("sample-logs/packed/week.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the books", || daemon.get("/api/v1/fleet").contains("per_100_cycles"));
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        for (width, height, dark, word) in [(1280, 900, false, "desk"), (390, 844, true, "phone-dark")] {
            let browser = driver.browser(width, height, dark).await;
            browser.goto(&format!("{base}/fleet")).await.unwrap();
            fits(&browser, "fleet").await;
            picture(&browser, &format!("fleet-{word}")).await;
            follow(&browser, "main a[href='/cars/oak/trend']").await;
            if word == "desk" {
                browser.goto(&format!("{base}/cars/oak/compare")).await.unwrap();
                fits(&browser, "compare without an entry").await;
                follow(&browser, "main a[href='/cars/oak#record']").await;
                let form = browser.form(Locator::Css("form.entry")).await.unwrap();
                let page = browser.find(Locator::Css("input[name=subject]")).await.unwrap();
                page.send_keys("lid cylinder resealed").await.unwrap();
                form.set_by_name("author", "Ida").await.unwrap();
                // As the browser's own field gives it.
                form.set_by_name("at", "2025-06-05T12:00").await.unwrap();
                follow(&browser, "form.entry button").await;
                sign_in(&browser, data.path()).await;
                follow(&browser, "main form button").await;
                let kept = browser.wait().for_element(Locator::Css("ul.record li")).await.unwrap();
                assert!(kept.text().await.unwrap().contains("Work: lid cylinder resealed"));
            }
            browser.goto(&format!("{base}/cars/oak")).await.unwrap();
            fits(&browser, "car with a record").await;
            picture(&browser, &format!("record-{word}")).await;
            browser.goto(&format!("{base}/cars/oak/compare")).await.unwrap();
            fits(&browser, "compare").await;
            picture(&browser, &format!("compare-{word}")).await;
            let table = browser.find(Locator::Css("main table")).await.unwrap().text().await.unwrap();
            assert!(table.contains("cycles"), "{table}");
            browser.close().await.unwrap();
        }
    });
}
