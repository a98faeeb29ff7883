//! How the pages look elsewhere than on the screen they were made on: on paper, in the dark, in other units.

use fantoccini::{Client, Locator};
use serde_json::json;

use crate::daemon::Daemon;
use crate::pages::{Driver, media, picture};

/// Every page.
const PAGES: [&str; 10] = [
    "/cars/oak",
    "/cars/oak/cycles/",
    "/cars/oak/bench",
    "/cars/oak/trend",
    "/cars/oak/compare",
    "/cars/oak/evidence",
    "/cars/oak/guide",
    "/fleet",
    "/ports",
    "/",
];

/// A daemon with a car that has moved, and its pages in a browser one after the other.
fn with_a_car(look: impl AsyncFn(&Client, &str, &str)) {
    let data = tempfile::tempdir().unwrap();
    let (daemon, _line) = Daemon::with_four_cycles(data.path());
    let list = daemon.get("/api/v1/cars/oak/cycles");
    let start = list.split("\"start\":\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap();
    let driver = Driver::start();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(1280, 900).await;
        for page in PAGES {
            let page = if page.ends_with('/') { format!("{page}{start}") } else { page.to_owned() };
            browser.goto(&format!("http://{}{page}", daemon.address)).await.unwrap();
            browser.wait().for_element(Locator::Css("main h1")).await.unwrap();
            look(&browser, &format!("http://{}", daemon.address), &page).await;
        }
        browser.close().await.unwrap();
    });
}

async fn says(browser: &Client, script: &str) -> serde_json::Value {
    browser.execute(script, vec![]).await.unwrap()
}

/// On paper: no navigation and nothing to press, black on white whatever the screen is like, every picture whole on the
/// width of a sheet.
#[test]
fn on_paper_there_is_ink_and_no_navigation() {
    with_a_car(async |browser, _, page| {
        for scheme in ["light", "dark"] {
            media(browser, "print", scheme).await;
            let seen = says(
                browser,
                "const shown = (css) => [...document.querySelectorAll(css)].filter((e) => e.checkVisibility()).length;
                 const root = getComputedStyle(document.documentElement), body = getComputedStyle(document.body);
                 return [shown('nav, form, button, a.button, .zoom, .readout'), body.color, body.backgroundColor,
                    root.getPropertyValue('--sheet').trim(), root.getPropertyValue('--blue').trim()]",
            )
            .await;
            assert_eq!(
                seen,
                json!([0, "rgb(0, 0, 0)", "rgb(255, 255, 255)", "#fff", "#0072b2"]),
                "{page}, {scheme}"
            );
            // What is folded away stays so, but a cause has its name.
            let nameless = says(
                browser,
                "return [...document.querySelectorAll('.causes summary')].filter((e) => !e.checkVisibility()).length",
            )
            .await;
            assert_eq!(nameless, json!(0), "{page}, {scheme}");
            let cut = says(
                browser,
                "return [...document.querySelectorAll('figure')].filter((f) => {
                    const box = f.querySelector('.plot-box > svg');
                    return getComputedStyle(f).breakInside !== 'avoid'
                        || (box && box.getBoundingClientRect().right > document.documentElement.clientWidth + 1);
                 }).map((f) => f.id)",
            )
            .await;
            assert_eq!(cut, json!([]), "{page}, {scheme}");
            picture(browser, &format!("print{}-{scheme}", page.replace(['/', ':'], "-"))).await;
        }
        media(browser, "", "light").await;
    });
}

/// Light and dark are two looks, each with its own ground and ink.
#[test]
fn the_dark_is_dark_and_the_light_is_light() {
    with_a_car(async |browser, _, page| {
        for (scheme, ground) in [("light", "rgb(251, 250, 247)"), ("dark", "rgb(20, 24, 26)")] {
            media(browser, "", scheme).await;
            let seen = says(browser, "return getComputedStyle(document.body).backgroundColor").await;
            assert_eq!(seen, json!(ground), "{page}, {scheme}");
            // A picture's ink is not the ground's colour.
            let same = says(
                browser,
                "const ground = getComputedStyle(document.body).backgroundColor;
                 return [...document.querySelectorAll('svg text')].filter((t) => getComputedStyle(t).fill === ground).length",
            )
            .await;
            assert_eq!(same, json!(0), "{page}, {scheme}");
        }
    });
}

/// Whoever chooses comma, ISO dates, psi and °F at the foot finds them on every page and picture, and no bar, °C or decimal
/// point is left; and the other way round.
#[test]
fn units_dates_and_decimal_sign_are_the_readers_on_every_page() {
    with_a_car(async |browser, base, page| {
        for (numbers, dates, pressure, temperature, other) in [
            ("comma", "year", "psi", "fahrenheit", r"(\d (bar|°C)\b)|(\d\.\d)|(\b(bar|°C)$)"),
            ("point", "day", "bar", "celsius", r"(\d (psi|°F)\b)|(\d,\d)|(\b(psi|°F)$)|(\d{4}-\d\d-\d\d)"),
        ] {
            let chosen = format!(
                "{base}/reading?numbers={numbers}&dates={dates}&pressure={pressure}&temperature={temperature}"
            );
            browser.goto(&chosen).await.unwrap();
            browser.goto(&format!("{base}{page}")).await.unwrap();
            browser.wait().for_element(Locator::Css("main h1")).await.unwrap();
            // What is read, what is drawn, what is told by a tip: all of it, folded or not. Addresses and CSV are for programs.
            let left = browser
                .execute(
                    "const wrong = new RegExp(arguments[0]), left = [];
                     const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
                     while (walk.nextNode()) {
                        const text = walk.currentNode.textContent;
                        if (wrong.test(text) && !walk.currentNode.parentElement.closest('code, textarea')) left.push(text);
                     }
                     for (const e of document.querySelectorAll('main [title], main [aria-label]')) {
                        const text = `${e.getAttribute('title') || ''} ${e.getAttribute('aria-label') || ''}`;
                        if (wrong.test(text)) left.push(text);
                     }
                     return left.slice(0, 5)",
                    vec![json!(other)],
                )
                .await
                .unwrap();
            assert_eq!(
                left,
                json!([]),
                "{page}: not as chosen ({numbers}, {dates}, {pressure}, {temperature})"
            );
        }
        let pressure =
            says(browser, "return document.querySelector('main').textContent.includes(' bar')").await;
        let with_pressure = page.contains("/cycles/") || page.ends_with("bench");
        assert!(!with_pressure || pressure == json!(true), "{page} has no pressure");
    });
}
