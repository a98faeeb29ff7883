//! A guided test in a real browser: begun on the page, watched while the roof moves, kept with the car.

use fantoccini::Locator;
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;

use crate::daemon::{Daemon, frames, line, top};
use crate::pages::{Driver, fits, follow, picture, sign_in};

#[test]
fn a_technician_checks_the_end_switches_and_the_record_stays_with_the_car() {
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let base = format!("http://{}", daemon.address);
    let driver = Driver::start();
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let browser = driver.browser(390, 844, false).await;
        browser.goto(&format!("{base}/sign-in?then=/cars/oak")).await.unwrap();
        sign_in(&browser, data.path()).await;
        follow(&browser, "nav a[href='/cars/oak/guide']").await;
        follow(&browser, "button[value='end-switches']").await;
        let seen = browser.wait().for_element(Locator::Css(".seen")).await.unwrap().text().await.unwrap();
        assert!(seen.contains("Nothing has come from the logger yet"), "{seen}");
        fits(&browser, "guided").await;
        picture(&browser, "guided-phone").await;
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
        fits(&browser, "guided, over").await;
        picture(&browser, "guided-over-phone").await;
        let form = browser.find(Locator::Css("form.keep")).await.unwrap();
        form.find(Locator::Css("input[name=author]"))
            .await
            .unwrap()
            .send_keys("J. at the roof")
            .await
            .unwrap();
        follow(&browser, "form.keep button").await;
        browser.wait().for_element(Locator::Css("ul.tests details")).await.unwrap();
        browser.goto(&format!("{base}/cars/oak")).await.unwrap();
        let record = Locator::XPath("//ul[@class='record']/li[contains(., 'J. at the roof')]");
        let record = browser.wait().for_element(record).await.unwrap().text().await.unwrap();
        assert!(record.contains("end-switches") && record.contains("There and back: "), "{title}: {record}");
        browser.close().await.unwrap();
    });
}
