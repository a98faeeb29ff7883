//! The pages in a real browser: from the list of cars to a car, a cycle, and its finding; every page at the width of a
//! desk and of a phone.
//!
//! With FOLDWATCH_PICTURES=FOLDER pictures of all pages are left there, in four variants each, to be looked at.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use http::Method;
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use url::{ParseError, Url};

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

    pub async fn browser(&self, width: u32, height: u32) -> Client {
        let mut args =
            vec!["--headless=new".into(), "--no-sandbox".into(), format!("--window-size={width},{height}")];
        // A page that still glides is clicked beside the mark.
        args.push("--force-prefers-reduced-motion".into());
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

/// A command of the browser's own protocol, which its driver passes on.
#[derive(Debug)]
struct Devtools(Value);

impl WebDriverCompatibleCommand for Devtools {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        (Method::POST, Some(self.0.to_string()))
    }
}

/// Tells the browser something that has no command of a driver's.
pub async fn devtools(browser: &Client, command: &str, params: Value) {
    browser.issue_cmd(Devtools(json!({ "cmd": command, "params": params }))).await.unwrap();
}

/// A window so wide and high.
async fn window(browser: &Client, width: u64, height: u64) {
    let phone = width < 500;
    let params = json!({ "width": width, "height": height, "deviceScaleFactor": if phone { 2 } else { 1 }, "mobile": phone });
    devtools(browser, "Emulation.setDeviceMetricsOverride", params).await;
}

/// On paper or on a screen, in light or in dark.
pub async fn media(browser: &Client, medium: &str, scheme: &str) {
    let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
    devtools(browser, "Emulation.setEmulatedMedia", json!({ "media": medium, "features": features })).await;
}

/// A number that a script gives.
async fn number(browser: &Client, script: &str) -> u64 {
    browser.execute(&format!("return {script}"), vec![]).await.unwrap().as_u64().unwrap()
}

/// The page as it is, from top to bottom, where pictures are wanted.
pub async fn picture(browser: &Client, name: &str) {
    let Some(folder) = std::env::var_os("FOLDWATCH_PICTURES").map(PathBuf::from) else { return };
    std::fs::create_dir_all(&folder).unwrap();
    let (width, before) =
        (number(browser, "window.innerWidth").await, number(browser, "window.innerHeight").await);
    let height = number(browser, "document.documentElement.scrollHeight").await;
    window(browser, width, height.clamp(600, 6000)).await;
    std::fs::write(folder.join(format!("{name}.png")), browser.screenshot().await.unwrap()).unwrap();
    window(browser, width, before).await;
}

/// The page on a desk and on a phone, in light and in dark: it fits, is accessible, and leaves its pictures.
pub async fn looked_at(browser: &Client, name: &str) {
    let own = (number(browser, "window.innerWidth").await, number(browser, "window.innerHeight").await);
    for (width, height, device) in [(1280, 900, "desk"), (390, 844, "phone")] {
        for scheme in ["light", "dark"] {
            window(browser, width, height).await;
            media(browser, "", scheme).await;
            let name = format!("{name}-{device}-{scheme}");
            fits(browser, &name).await;
            picture(browser, &name).await;
        }
    }
    media(browser, "", "light").await;
    window(browser, own.0, own.1).await;
}

/// All variants the first time, this browser's own later.
async fn look(browser: &Client, name: &str, first: bool) {
    if first { looked_at(browser, name).await } else { fits(browser, name).await }
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

/// What a script asks of the page becomes so, or the test fails by this.
async fn becomes_so(browser: &Client, script: &str, fails: &str) {
    for _ in 0..400 {
        if browser.execute(script, vec![]).await.is_ok_and(|so| so == json!(true)) {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(25)).await;
    }
    panic!("{fails}");
}

/// The sign-in has been taken: its form, whose button is like those of other forms, has gone.
pub async fn signed_in(browser: &Client) {
    let gone = "return document.querySelector('form.sign-in') === null && document.readyState === 'complete'";
    becomes_so(browser, gone, "the sign-in was not taken").await;
}

/// The page is there, and its script has run.
pub async fn loaded(browser: &Client) {
    becomes_so(browser, "return document.readyState === 'complete'", "the page is not loaded").await;
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
    looked_at(browser, "sign-in").await;
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
    looked_at(browser, "signed-in").await;
    follow(browser, "main form button").await;
    let record = browser
        .wait()
        .for_element(Locator::XPath("//ul[@class='record']/li[contains(., 'J. at the bench')]"));
    assert!(record.await.unwrap().text().await.unwrap().contains("Check: "));
    let after = browser.wait().for_element(first).await.unwrap().text().await.unwrap();
    assert_ne!(after, before);
    looked_at(browser, "car-after-a-check").await;
}

/// A daemon that goes away is told, and what stands there is marked as old.
#[test]
fn the_bench_says_that_the_connection_is_lost() {
    let data = tempfile::tempdir().unwrap();
    let (_master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(390, 844).await;
        browser.goto(&format!("http://{}/cars/oak/bench", daemon.address)).await.unwrap();
        browser.wait().for_element(Locator::Css(".bench:not(.stale)")).await.unwrap();
        // A car that has not moved yet, and the lists that have nothing to say.
        for (page, name) in [
            ("/", "cars-empty"),
            ("/cars/oak", "car-empty"),
            ("/cars/oak/trend", "trend-empty"),
            ("/cars/oak/evidence", "evidence-empty"),
            ("/fleet", "fleet-empty"),
            ("/cars/oak/bench", "bench-unheard"),
        ] {
            browser.goto(&format!("http://{}{page}", daemon.address)).await.unwrap();
            looked_at(&browser, name).await;
        }
        browser.wait().for_element(Locator::Css(".bench:not(.stale)")).await.unwrap();
        drop(daemon);
        let told = browser.wait().for_element(Locator::Css(".bench.stale .link.down")).await.unwrap();
        assert!(told.text().await.unwrap().contains("connection to foldwatch is lost"));
        looked_at(&browser, "bench-lost").await;
        browser.close().await.unwrap();
    });
}

#[test]
fn from_the_car_to_a_cycle_to_its_finding_on_a_desk_and_on_a_phone() {
    let data = tempfile::tempdir().unwrap();
    let (daemon, _line) = Daemon::with_four_cycles(data.path());
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        for (width, height, word) in [(1280, 900, "desk"), (390, 844, "phone")] {
            let browser = driver.browser(width, height).await;
            // Every variant is looked at once.
            let first = word == "desk";
            browser.goto(&base).await.unwrap();
            look(&browser, "cars", first).await;
            follow(&browser, "main a[href='/cars/oak']").await;
            browser.wait().for_element(Locator::Css("main a[href^='/cars/oak/cycles/']")).await.unwrap();
            look(&browser, "car", first).await;
            if word == "desk" {
                ranking_moves(&browser, data.path()).await;
            }
            follow(&browser, "main a[href^='/cars/oak/cycles/']").await;
            let finding = browser.wait().for_element(Locator::Css("[id^='finding-']")).await.unwrap();
            let text = finding.text().await.unwrap();
            assert!(text.contains("ran on") || text.contains("run"), "{text}");
            look(&browser, "cycle", first).await;
            if word == "desk" {
                let url = browser.current_url().await.unwrap();
                by_keyboard(&browser).await;
                browser.goto(url.as_str()).await.unwrap();
            }
            // Its place on the chart.
            follow(&browser, "[id^='finding-'] a[href*='from=']").await;
            browser.wait().for_element(Locator::Css("svg")).await.unwrap();
            drawn_anew(&browser).await;
            look(&browser, "place", first).await;
            for page in ["bench", "guide", "trend"] {
                browser.goto(&format!("{base}/cars/oak/{page}")).await.unwrap();
                browser.wait().for_element(Locator::Css("main")).await.unwrap();
                look(&browser, page, first).await;
            }
            browser.goto(&format!("{base}/api")).await.unwrap();
            look(&browser, "api", first).await;
            browser.goto(&format!("{base}/cars/nobody")).await.unwrap();
            look(&browser, "not-shown", first).await;
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
        for (width, height, word) in [(1280, 900, "desk"), (390, 844, "phone")] {
            let browser = driver.browser(width, height).await;
            let first = word == "desk";
            browser.goto(&format!("{base}/fleet")).await.unwrap();
            look(&browser, "fleet", first).await;
            follow(&browser, "main a[href='/cars/oak/trend']").await;
            if word == "desk" {
                browser.goto(&format!("{base}/cars/oak/compare")).await.unwrap();
                looked_at(&browser, "compare-empty").await;
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
            look(&browser, "record", first).await;
            browser.goto(&format!("{base}/cars/oak/compare")).await.unwrap();
            look(&browser, "compare", first).await;
            let table = browser.find(Locator::Css("main table")).await.unwrap().text().await.unwrap();
            assert!(table.contains("cycles"), "{table}");
            browser.close().await.unwrap();
        }
    });
}
