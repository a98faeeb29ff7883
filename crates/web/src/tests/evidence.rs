//! Bags of evidence, with a shelf that makes them at once.

use std::io::Cursor;
use std::io::Read;
use std::sync::Mutex;

use axum::http::{Request, StatusCode, header};
use http_body_util::BodyExt;

use super::{ask, get, json, scene, send, signed_in, text};
use crate::{Bag, Evidence, NotMade, Stage, Stretch, Wanted};

/// Every second bag fails; the third wish finds it busy.
#[derive(Default)]
pub(super) struct Shelf(Mutex<Vec<(Bag, Wanted)>>);

const BYTES: &[u8] =
    b"PK a bag that a test has made, long enough to be worth compressing if it were anything else";

impl Evidence for Shelf {
    fn bags(&self, car: &str) -> Vec<Bag> {
        let bags = self.0.lock().unwrap();
        bags.iter().rev().filter(|_| car == "car-1").map(|(bag, _)| bag.clone()).collect()
    }

    fn make(&self, _: &str, wanted: Wanted) -> Result<Bag, NotMade> {
        let mut bags = self.0.lock().unwrap();
        let number = bags.len() as u32 + 1;
        if number > 2 {
            return Err(NotMade::Busy);
        }
        let bag = Bag {
            number,
            stage: if number == 1 { Stage::Made } else { Stage::Failed },
            says: if number == 1 { "2 cycles".into() } else { "<no> cycle in that time".into() },
            done: None,
            stretch: format!("{:?}", wanted.stretch),
            left_out: wanted.leave_out.iter().map(|what| (*what).to_owned()).collect(),
            revises: wanted.revises,
            size_bytes: Some(BYTES.len() as u64),
            cycles: Some(2),
            findings: Some(0),
            tag_manifest_sha256: Some("ab".repeat(32)),
            chain_head: None,
            seals_head: None,
            key_fingerprint: None,
        };
        bags.push((bag.clone(), wanted));
        Ok(bag)
    }

    fn stop(&self, _: &str, number: u32) -> bool {
        let mut bags = self.0.lock().unwrap();
        let making = bags.iter_mut().find(|(bag, _)| bag.number == number && bag.stage == Stage::Making);
        making.map(|(bag, _)| bag.stage = Stage::Failed).is_some()
    }

    fn open(&self, _: &str, number: u32) -> Option<(Box<dyn Read + Send>, u64)> {
        (number == 1).then(|| (Box::new(Cursor::new(BYTES)) as Box<dyn Read + Send>, BYTES.len() as u64))
    }

    fn key(&self) -> Result<(String, String), String> {
        Ok(("0123abcd".into(), "-----BEGIN PUBLIC KEY-----\n".into()))
    }
}

async fn post(app: &crate::App, kind: &str, path: &str, site: &str, body: &str) -> axum::response::Response {
    let request = Request::post(path)
        .header(header::CONTENT_TYPE, kind)
        .header("sec-fetch-site", site)
        .header(header::COOKIE, signed_in(app, "bob").await);
    send(app, "192.0.2.1", request, body.to_owned()).await
}

const JSON: &str = "application/json";
const FORM: &str = "application/x-www-form-urlencoded";

#[tokio::test]
async fn a_bag_is_asked_for_listed_and_taken() {
    let app = scene().app;
    let api = "/api/v1/cars/car-1/evidence";
    assert_eq!(json(&app, api, StatusCode::OK).await, serde_json::json!([]));
    let made = post(&app, JSON, api, "none", r#"{"cycles":"2-3","without_owner":"yes"}"#).await;
    assert_eq!(made.status(), StatusCode::ACCEPTED);
    let bag = json(&app, &format!("{api}/1"), StatusCode::OK).await;
    assert_eq!(bag["stage"], "made");
    assert_eq!(bag["stretch"], format!("{:?}", Stretch::Cycles(2, 3)));
    assert_eq!(bag["left_out"][0], "owner");
    let zip = get(&app, &format!("{api}/1/bag.zip")).await;
    assert_eq!(zip.headers()[header::CONTENT_LENGTH], BYTES.len().to_string().as_str());
    assert!(zip.headers()[header::CONTENT_DISPOSITION].to_str().unwrap().contains("evidence-car-1-1.zip"));
    assert_eq!(&zip.into_body().collect().await.unwrap().to_bytes()[..], BYTES);
    let pem = text(&app, "/api/v1/evidence/public.pem", StatusCode::OK).await;
    assert!(pem.starts_with("-----BEGIN PUBLIC KEY-----"));
}

#[tokio::test]
async fn a_zip_goes_as_it_is_to_a_browser_too() {
    let app = scene().app;
    post(&app, JSON, "/api/v1/cars/car-1/evidence", "none", "{}").await;
    let request = Request::get("/api/v1/cars/car-1/evidence/1/bag.zip").header("accept-encoding", "gzip");
    let zip = ask(&app, "127.0.0.1", request).await;
    assert!(
        zip.headers().get(header::CONTENT_ENCODING).is_none()
            && zip.headers().contains_key(header::CONTENT_LENGTH)
    );
}

#[tokio::test]
async fn the_page_makes_one_and_shows_what_came_of_it() {
    let app = scene().app;
    let page = "/cars/car-1/evidence";
    let before = text(&app, page, StatusCode::OK).await;
    assert!(before.contains("None was made yet") && before.contains("0123abcd"));
    assert!(
        before.contains("type=\"datetime-local\" name=\"from\" value=\"2025-06-0"),
        "the week is filled in"
    );
    for _ in 0..2 {
        let answer =
            post(&app, FORM, page, "same-origin", "from=2025-06-02T00%3A00&until=&cycles=&paper=letter")
                .await;
        assert_eq!(answer.headers()[header::LOCATION], "/cars/car-1/evidence#bags");
    }
    let after = text(&app, page, StatusCode::OK).await;
    assert!(after.contains("/api/v1/cars/car-1/evidence/1/bag.zip"));
    assert!(after.contains("Nothing came of it: &lt;no&gt; cycle in that time"));
    let third = post(&app, FORM, page, "same-origin", "").await;
    assert_eq!(third.status(), StatusCode::CONFLICT);
    assert!(text(&app, "/cars/empty/evidence", StatusCode::OK).await.contains(crate::texts::NO_CYCLES));
}

#[tokio::test]
async fn what_is_wrong_is_told_and_other_sites_make_none() {
    let app = scene().app;
    let api = "/api/v1/cars/car-1/evidence";
    for (kind, path, body) in [(JSON, api, "{}"), (FORM, "/cars/car-1/evidence", "")] {
        assert_eq!(
            post(&app, kind, path, "cross-site", body).await.status(),
            StatusCode::FORBIDDEN,
            "{path}"
        );
    }
    for body in ["", "{\"cycles\":\"last\"}", "{\"unknown\":1}", "{\"from\":\"today\"}"] {
        assert_eq!(post(&app, JSON, api, "none", body).await.status(), StatusCode::BAD_REQUEST, "{body}");
    }
    assert_eq!(
        post(&app, JSON, "/api/v1/cars/nobody/evidence", "none", "{}").await.status(),
        StatusCode::NOT_FOUND
    );
    assert_eq!(json(&app, &format!("{api}/7"), StatusCode::NOT_FOUND).await["code"], "unknown-bag");
    json(&app, &format!("{api}/..%2F..%2Fx/bag.zip"), StatusCode::NOT_FOUND).await;
    post(&app, JSON, api, "none", "{}").await;
    post(&app, JSON, api, "none", "{}").await;
    assert_eq!(json(&app, &format!("{api}/2/bag.zip"), StatusCode::CONFLICT).await["code"], "refused");
}
