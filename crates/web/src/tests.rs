//! Requests against a store in memory, filled by the engine from a roof played by hand.

mod evidence;

use std::sync::{Arc, Mutex};

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use axum::response::Response;
use foldwatch_access::{Accounts, Guard, Pace, Person, Role, Token, digest, hashed};
use foldwatch_guide::{Guide, Kind, Press};
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_samples::Item;
use foldwatch_segment::Recording;
use foldwatch_store::*;
use foldwatch_units::{Micros, Seconds};
use http_body_util::BodyExt;
use tower::ServiceExt;

mod access;
mod bodies;
mod bounds;
mod damaged;

use crate::*;

const ROOF: &str = include_str!("../../../config/profiles/softtop-cover.toml");
const START: Micros = Micros(1_748_822_400_000_000);

/// Every valve of each step on for as long as it should take, or for `slow` times as long, then its confirmation.
fn play(profile: &Profile, engine: &mut Engine, slow: f64, out: &mut Vec<Verdict>) {
    let mut row: Vec<f32> =
        profile.signals.iter().map(|s| if s.kind.is_binary() { 0.0 } else { 20.0 }).collect();
    let mut now = START;
    let mut keep = |event| {
        if let Event::Settled(verdict) = event {
            out.push(*verdict);
        }
    };
    let mut wait = |row: &[f32], secs: f64, engine: &mut Engine| {
        for _ in 0..(secs / 0.05) as usize {
            engine.push(&Item::Row { at: now, values: row }, &mut keep);
            now = now + Seconds(0.05);
        }
    };
    if let Some(last) = profile.closing.last() {
        last.confirm.wanted().into_iter().for_each(|(ix, on)| row[ix.at()] = f32::from(u8::from(on)));
    }
    wait(&row, 5.0, engine);
    for phase in &profile.opening {
        for (ix, signal) in profile.signals() {
            match signal.kind {
                foldwatch_profile::SignalKind::Valve => {
                    row[ix.at()] = f32::from(u8::from(phase.valves.contains(&ix)));
                }
                foldwatch_profile::SignalKind::Pump => row[ix.at()] = f32::from(u8::from(phase.pump)),
                _ => {}
            }
        }
        wait(&row, phase.expected.0 * slow, engine);
        phase.confirm.wanted().into_iter().for_each(|(ix, on)| row[ix.at()] = f32::from(u8::from(on)));
        wait(&row, 0.1, engine);
    }
    for (ix, signal) in profile.signals() {
        if matches!(signal.kind, foldwatch_profile::SignalKind::Valve | foldwatch_profile::SignalKind::Pump) {
            row[ix.at()] = 0.0;
        }
    }
    wait(&row, 5.0, engine);
    engine.finish(&mut keep);
}

struct Kept(Vec<Verdict>);

impl crate::Traces for Kept {
    fn recording(&self, _: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
        let fits = |v: &&Verdict| v.cycle.start <= to && v.cycle.end >= from;
        self.0.iter().find(fits).map(|v| v.cycle.recording.clone()).ok_or(NoTraces::NotKept)
    }
}

/// One check with two results; what is entered is put down here.
#[derive(Default)]
struct Told(Mutex<Vec<Entry>>);

impl crate::Causes for Told {
    fn diagnosis(&self, car: &str, results: &[(String, String)]) -> Option<foldwatch_report::Diagnosis> {
        use foldwatch_report::{Cause, Diagnosis, NextCheck};
        let fits = |(check, result): &(String, String)| {
            check == "output-follows" && (result == "stays" || result == "follows")
        };
        let cause = Cause {
            cause: "control-output".into(),
            name: "Control unit's <output>".into(),
            phase: None,
            direction: None,
            signal: None,
            cylinder: None,
            probability: if results.iter().any(fits) { 0.96 } else { 0.53 },
            supports: vec!["The pump ran on.".into()],
            against: Vec::new(),
        };
        let next = NextCheck {
            check: "output-follows".into(),
            does: "Measure the pump output.".into(),
            minutes: 10.0,
            hazard: "electric".into(),
            caution: "Bridge no contact.".into(),
            bits: 0.4,
            results: ["stays", "follows"]
                .map(|result| foldwatch_report::IfResult {
                    result: result.into(),
                    probability: 0.5,
                    causes: Vec::new(),
                })
                .into(),
        };
        (car == "car-1").then(|| Diagnosis {
            causes: vec![cause],
            next_check: Some(next),
            set_in: Some(foldwatch_report::SetIn { after: 3, of: 9 }),
            unexplained: Vec::new(),
            unused_results: results.iter().filter(|r| !fits(r)).map(|(c, r)| format!("{c}={r}")).collect(),
        })
    }

    fn enter(&self, entry: Entry) -> Result<(), String> {
        self.0.lock().unwrap().push(entry);
        Ok(())
    }
}

/// The test that is under way, on whatever car.
struct Guided(Arc<Profile>, Mutex<Option<Guide>>);

impl crate::Guides for Guided {
    fn now(&self, _: &str) -> Option<GuideNow> {
        self.1.lock().unwrap().as_ref().map(GuideNow::from)
    }

    fn begin(&self, _: &str, kind: Kind, _: &str) -> Result<(), String> {
        *self.1.lock().unwrap() = Some(Guide::new(kind, Arc::clone(&self.0))?);
        Ok(())
    }

    fn press(&self, _: &str, at: usize, press: Press) -> bool {
        let mut guide = self.1.lock().unwrap();
        let due = guide.as_mut().filter(|guide| guide.at() == at);
        due.map(|guide| guide.press(press)).is_some()
    }

    fn end(&self, _: &str) {
        *self.1.lock().unwrap() = None;
    }
}

/// What was done, in memory.
#[derive(Default)]
struct Noted(Mutex<Vec<Deed>>);

impl crate::Trail for Noted {
    fn note(&self, deed: &Deed) {
        self.0.lock().unwrap().push(deed.clone());
    }

    fn newest(&self, count: usize) -> Result<Vec<Deed>, String> {
        let all = self.0.lock().unwrap();
        Ok(all[all.len().saturating_sub(count)..].to_vec())
    }
}

/// Ann administers, Bob works, Eve looks; each has the password `the password of NAME`, and a token that is their name.
fn people() -> Accounts {
    let mut accounts = Accounts::default();
    for (name, role) in [("ann", Role::Administer), ("bob", Role::Work), ("eve", Role::Look)] {
        let password = hashed(&format!("the password of {name}"), &[7; 32]).unwrap();
        accounts.add_person(Person { name: name.into(), role, password }).unwrap();
        accounts.add_token(Token { name: name.into(), role, sha256: digest(name) }).unwrap();
    }
    accounts
}

struct Scene {
    noted: Arc<Noted>,
    told: Arc<Told>,
    app: App,
    start: String,
    end: String,
}

fn scene() -> Scene {
    scene_with(|_| Vec::new())
}

/// With more cycles, made from the one that was judged.
fn scene_with(more: impl FnOnce(&CycleRecord) -> Vec<CycleRecord>) -> Scene {
    let profile = foldwatch_profile::parse(ROOF).unwrap().profile;
    let mut verdicts = Vec::new();
    play(&profile, &mut Engine::new(Arc::new(profile.clone())), 2.5, &mut verdicts);
    let verdict = &verdicts[0];
    let json = foldwatch_report::cycle(&profile, verdict, &|at| at);
    assert!(!json.phases.is_empty() && json.findings.iter().any(|f| f.kind == "slow-phase"), "{json:#?}");
    let mut store = MemoryStore::new();
    store.put_profile(&profile.id, ROOF, START).unwrap();
    for (id, name) in [("car-1", "<b>Nine & \"ten\"</b>"), ("empty", "Nothing yet")] {
        let car = Car { id: id.into(), name: name.into(), profile: profile.id.clone(), recorded: START };
        store.put_car(&car).unwrap();
    }
    let phase = |p: &foldwatch_report::Phase| PhaseRecord {
        direction: verdict.cycle.direction,
        index: p.index as u32,
        name: p.name.clone(),
        start: foldwatch_report::parse_utc(&p.start).unwrap(),
        duration: Seconds(p.duration_s),
        u_duration: Seconds(p.u_duration_s),
        confirmation: p.confirmation.clone(),
        corrected: p.corrected_s.map(Seconds),
        oil: None,
        supply: None,
    };
    let finding = |f: &foldwatch_report::Finding| FindingRecord {
        kind: f.kind.clone(),
        weight: crate::query::weight_of(&f.weight).unwrap(),
        phase: f.phase.clone(),
        signal: f.signal.clone(),
        at: foldwatch_report::parse_utc(&f.at).unwrap(),
        value: Some(f.value),
        limit: f.limit,
        unit: f.unit.clone(),
        message: f.message.clone(),
    };
    let record = CycleRecord {
        car: "car-1".into(),
        start: verdict.cycle.start,
        end: verdict.cycle.end,
        direction: verdict.cycle.direction,
        outcome: json.outcome.clone(),
        judged: serde_json::to_string(&json).unwrap(),
        phases: json.phases.iter().map(phase).collect(),
        measures: Vec::new(),
        findings: json.findings.iter().map(finding).collect(),
    };
    let mut cycles = more(&record);
    cycles.push(record);
    store.put_judged(&Judged { cycles, ..Judged::default() }).unwrap();
    let open: Open = Box::new(move || store.reader());
    let told = Arc::new(Told::default());
    let noted = Arc::new(Noted::default());
    let guard = Guard::new(people(), Pace::new(1000, 1000));
    let app = App::new(Parts {
        door: Arc::new(Door::new(guard, Arc::clone(&noted) as Arc<dyn crate::Trail>)),
        open,
        traces: Arc::new(Kept(verdicts)),
        causes: Arc::clone(&told) as Arc<dyn crate::Causes>,
        guides: Arc::new(Guided(Arc::new(profile), Mutex::default())),
        places: Arc::new(NoPlaces),
        evidence: Arc::new(evidence::Shelf::default()),
        fleet: Arc::default(),
        told: None,
        hub: Arc::default(),
        metrics: Box::new(|| "foldwatch_frames_total 7\n".into()),
    });
    Scene { noted, told, app, start: json.start, end: json.end }
}

async fn get(app: &App, path: &str) -> Response {
    ask(app, "127.0.0.1", Request::get(path)).await
}

/// A request as it comes from an address.
async fn ask(app: &App, from: &str, request: axum::http::request::Builder) -> Response {
    send(app, from, request, String::new()).await
}

async fn send(app: &App, from: &str, request: axum::http::request::Builder, body: String) -> Response {
    let mut request = request.body(Body::from(body)).unwrap();
    request.extensions_mut().insert(Peer { address: from.parse().unwrap(), encrypted: false });
    router(app.clone()).oneshot(request).await.unwrap()
}

async fn text(app: &App, path: &str, status: StatusCode) -> String {
    let response = get(app, path).await;
    assert_eq!(response.status(), status, "{path}");
    String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
}

async fn json(app: &App, path: &str, status: StatusCode) -> serde_json::Value {
    let text = text(app, path, status).await;
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}: {text}"))
}

/// Signs in from elsewhere; what the browser then sends as its cookies.
async fn signed_in(app: &App, name: &str) -> String {
    let request = Request::post("/sign-in")
        .header(header::HOST, "shop:8765")
        .header(header::ORIGIN, "http://shop:8765")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    let answer =
        send(app, "192.0.2.1", request, format!("name={name}&password=the+password+of+{name}")).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    let cookies = answer.headers().get_all(header::SET_COOKIE).iter();
    cookies.map(|c| c.to_str().unwrap().split(';').next().unwrap()).collect::<Vec<_>>().join("; ")
}

#[tokio::test]
async fn a_cycle_is_found_by_list_and_filter_and_has_its_traces() {
    let Scene { app, start, .. } = scene();
    let cars = json(&app, "/api/v1/cars", StatusCode::OK).await;
    assert_eq!(cars[0]["newest_cycle"]["start"], start.as_str());
    for (filter, found) in [
        ("", 1),
        ("?direction=opening", 1),
        ("?direction=closing", 0),
        ("?kind=slow-phase", 1),
        ("?kind=run-on", 0),
        ("?outcome=refused", 0),
        ("?weight=stop-using", 0),
        ("?from=2030-01-01T00:00:00Z", 0),
    ] {
        let list = json(&app, &format!("/api/v1/cars/car-1/cycles{filter}"), StatusCode::OK).await;
        assert_eq!(list["cycles"].as_array().unwrap().len(), found, "{filter}");
    }
    let one = json(&app, "/api/v1/cars/car-1/cycles?limit=1", StatusCode::OK).await;
    let next = one["next"].as_str().unwrap();
    let rest = json(&app, &format!("/api/v1/cars/car-1/cycles?until={next}"), StatusCode::OK).await;
    assert!(rest["cycles"].as_array().unwrap().is_empty() && rest["next"].is_null());
    let cycle = json(&app, &format!("/api/v1/cars/car-1/cycles/{start}"), StatusCode::OK).await;
    assert_eq!(cycle["start"], start.as_str());
    let path = format!("/api/v1/cars/car-1/cycles/{start}/traces?from_s=0&until_s=2&points=8");
    let traces = json(&app, &path, StatusCode::OK).await;
    let times = traces["numbers"][0]["times_s"].as_array().unwrap();
    assert!(
        times.len() <= 8 && times.iter().all(|t| (0.0..=2.0).contains(&t.as_f64().unwrap())),
        "{times:?}"
    );
    assert_eq!(
        json(&app, "/api/v1/cars/car-1/findings?kind=slow-phase", StatusCode::OK).await[0]["cycle"],
        start.as_str()
    );
    assert!(json(&app, "/api/v1/cars/car-1/trend", StatusCode::OK).await["series"][0]["points"].is_array());
    assert_eq!(text(&app, "/metrics", StatusCode::OK).await, "foldwatch_frames_total 7\n");
    assert_eq!(json(&app, "/health", StatusCode::OK).await["cars"], 2);
    text(&app, "/ready", StatusCode::OK).await;
}

#[tokio::test]
async fn causes_are_told_and_what_a_check_gave_is_taken_in_from_our_own_pages_only() {
    let Scene { told, app, .. } = scene();
    let causes = json(&app, "/api/v1/cars/car-1/causes", StatusCode::OK).await;
    assert_eq!(
        (&causes["causes"][0]["probability"], &causes["next_check"]["check"]),
        (&0.53.into(), &"output-follows".into())
    );
    let page = text(&app, "/cars/car-1", StatusCode::OK).await;
    assert!(
        page.contains("53 %") && page.contains("&lt;output&gt;") && page.contains("Bridge no contact."),
        "{page}"
    );
    assert!(page.contains("after the first 3 of 9 cycles") && causes["set_in"]["after"] == 3, "{page}");
    assert!(!text(&app, "/cars/empty", StatusCode::OK).await.contains("Look at this next"));
    text(&app, "/api/v1/cars/nobody/causes", StatusCode::NOT_FOUND).await;

    let session = signed_in(&app, "bob").await;
    let post = async |path: &str, kind: &str, origin: Option<&str>, body: &str| {
        let mut request =
            Request::post(path).header(header::HOST, "shop:8765").header(header::CONTENT_TYPE, kind);
        request = match origin {
            // A browser.
            Some(origin) => request.header(header::ORIGIN, origin).header(header::COOKIE, &session),
            None => request.header(header::AUTHORIZATION, "Bearer bob"),
        };
        send(&app, "192.0.2.1", request, body.to_owned()).await
    };
    let (api, form) = ("/api/v1/cars/car-1/checks", "/cars/car-1/checks");
    let (as_json, as_form) = ("application/json", "application/x-www-form-urlencoded");
    let right = r#"{"check":"output-follows","result":"stays","author":"J."}"#;
    let answer = post(api, as_json, None, right).await;
    assert_eq!(answer.status(), StatusCode::CREATED);
    let body = answer.into_body().collect().await.unwrap().to_bytes();
    assert_eq!(serde_json::from_slice::<serde_json::Value>(&body).unwrap()["causes"][0]["probability"], 0.96);
    let answer = post(form, as_form, Some("http://shop:8765"), "check=output-follows&result=follows").await;
    assert_eq!(
        (answer.status(), &answer.headers()[header::LOCATION]),
        (StatusCode::SEE_OTHER, &HeaderValue::from_static("/cars/car-1#causes"))
    );
    for (path, kind, origin, body, status) in [
        (form, as_form, Some("http://elsewhere"), "check=output-follows&result=stays", StatusCode::FORBIDDEN),
        (form, as_form, Some("null"), "check=output-follows&result=stays", StatusCode::FORBIDDEN),
        (api, as_json, Some("http://elsewhere"), right, StatusCode::FORBIDDEN),
        (api, as_json, None, r#"{"check":"output-follows","result":"maybe"}"#, StatusCode::BAD_REQUEST),
        (api, as_json, None, r#"{"check":"tea","result":"hot"}"#, StatusCode::BAD_REQUEST),
        (api, as_json, None, "{", StatusCode::BAD_REQUEST),
        ("/api/v1/cars/nobody/checks", as_json, None, right, StatusCode::NOT_FOUND),
    ] {
        assert_eq!(post(path, kind, origin, body).await.status(), status, "{path} {origin:?} {body}");
    }
    let kept = told.0.lock().unwrap();
    let kept: Vec<_> =
        kept.iter().map(|e| (e.subject.as_str(), e.result.as_str(), e.author.as_str())).collect();
    assert_eq!(kept, [("output-follows", "stays", "J."), ("output-follows", "follows", "bob")]);
}

#[tokio::test]
async fn a_test_is_begun_pressed_through_and_kept_with_the_car() {
    let Scene { told, app, .. } = scene();
    let post = async |path: &str, body: &str| {
        let request = Request::post(format!("/cars/car-1/guide/{path}"))
            .header(header::AUTHORIZATION, "Bearer bob")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        send(&app, "192.0.2.1", request, body.to_owned()).await.status()
    };
    assert_eq!(post("begin", "test=tea").await, StatusCode::BAD_REQUEST);
    assert_eq!(post("keep", "author=J.").await, StatusCode::CONFLICT);
    assert_eq!(post("begin", "test=commissioning").await, StatusCode::SEE_OTHER);
    let page = text(&app, "/cars/car-1/guide", StatusCode::OK).await;
    assert!(page.contains("Plug the logger into a port") && page.contains("step 1 of"), "{page}");
    assert_eq!(post("press", "press=did-not").await, StatusCode::SEE_OTHER);
    let page = text(&app, "/cars/car-1/guide", StatusCode::OK).await;
    assert!(page.contains("step 2 of") && page.contains("No logger has introduced itself"), "{page}");
    assert_eq!(post("keep", "author=J.").await, StatusCode::SEE_OTHER);
    assert!(!text(&app, "/cars/car-1/guide", StatusCode::OK).await.contains("step 2 of"));
    let kept = told.0.lock().unwrap();
    assert_eq!(
        (kept[0].subject.as_str(), kept[0].result.as_str(), kept[0].author.as_str()),
        ("commissioning", "failed", "J.")
    );
    assert!(kept[0].text.starts_with("Logger: failed. "), "{}", kept[0].text);
}

#[tokio::test]
async fn a_test_is_begun_answered_and_ended_by_a_program() {
    let Scene { told, app, .. } = scene();
    let post = async |path: &str, body: &str| {
        let request = Request::post(format!("/api/v1/cars/car-1/guide{path}"))
            .header(header::AUTHORIZATION, "Bearer bob")
            .header(header::CONTENT_TYPE, "application/json");
        let response = send(&app, "192.0.2.1", request, body.to_owned()).await;
        let status = response.status();
        let body = response.into_body().collect().await.unwrap().to_bytes();
        (status, serde_json::from_slice::<serde_json::Value>(&body).unwrap())
    };
    let state = async || {
        let text = text(&app, "/api/v1/cars/car-1/guide", StatusCode::OK).await;
        serde_json::from_str::<serde_json::Value>(&text).unwrap()
    };
    let offered = state().await;
    assert!(offered["under_way"].is_null() && offered["tests"][0]["test"] == "commissioning", "{offered}");
    let (status, refused) = post("", r#"{"test":"tea"}"#).await;
    assert_eq!((status, &refused["code"]), (StatusCode::BAD_REQUEST, &"bad-parameter".into()));
    assert_eq!(post("/stop", r#"{"keep":false}"#).await.1["code"], "no-test");
    let (status, begun) = post("", r#"{"test":"commissioning"}"#).await;
    assert_eq!((status, &begun["at"]), (StatusCode::CREATED, &0.into()));
    assert_eq!(begun["answers"], serde_json::json!(["did-not", "skip", "again"]));
    // Said of a step that is not due, or not to be said of this one: nothing is taken.
    assert_eq!(post("/answer", r#"{"at":4,"answer":"skip"}"#).await.1["code"], "step-over");
    assert_eq!(post("/answer", r#"{"at":0,"answer":"wrong-way"}"#).await.0, StatusCode::BAD_REQUEST);
    assert_eq!(state().await["under_way"]["at"], 0);
    let (_, next) = post("/answer", r#"{"at":0,"answer":"did-not"}"#).await;
    assert_eq!((&next["at"], &next["steps"][0]["grade"]), (&1.into(), &"failed".into()));
    let (status, ended) = post("/stop", r#"{"keep":true}"#).await;
    assert_eq!((status, &ended["result"], &ended["kept"]), (StatusCode::OK, &"failed".into(), &true.into()));
    assert!(state().await["under_way"].is_null());
    let kept = told.0.lock().unwrap();
    assert_eq!((kept.len(), kept[0].author.as_str()), (1, "bob"));
}

#[tokio::test]
async fn a_reader_chooses_units_and_signs() {
    let Scene { app, start, .. } = scene();
    let as_read = async |cookie: &str| {
        let request = Request::get(format!("/cars/car-1/cycles/{start}")).header(header::COOKIE, cookie);
        let response = ask(&app, "127.0.0.1", request).await;
        String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
    };
    let usual = as_read("").await;
    assert!(usual.contains("bar</small>") && !usual.contains("psi</small>"));
    let other = as_read("reading=comma.year.psi.fahrenheit").await;
    assert!(other.contains("psi</small>") && other.contains("°F</small>") && other.contains("2025-06-02, "));
    let response = get(&app, "/reading?numbers=comma&dates=day&pressure=psi&temperature=celsius").await;
    assert_eq!(response.status(), StatusCode::SEE_OTHER);
    let cookie = response.headers()[header::SET_COOKIE].to_str().unwrap();
    assert!(
        cookie.starts_with("reading=comma.day.psi.celsius;") && cookie.contains("SameSite=Lax"),
        "{cookie}"
    );
}

#[tokio::test]
async fn what_is_shown_of_a_cycle_is_taken_along_as_a_picture() {
    let Scene { app, start, .. } = scene();
    let path = format!("/cars/car-1/cycles/{start}/picture.svg?from=0&until=3");
    let response = get(&app, &path).await;
    assert_eq!(response.headers()[header::CONTENT_TYPE], "image/svg+xml");
    let drawn = text(&app, &path, StatusCode::OK).await;
    assert!(drawn.starts_with("<svg xmlns") && drawn.contains("--blue") && drawn.contains("&lt;b&gt;Nine"));
    let sheet = text(&app, &format!("/cars/car-1/cycles/{start}/sheet?from=0&until=3"), StatusCode::OK).await;
    assert!(sheet.starts_with("<div class=\"sheet\"") && !sheet.contains("<html"), "{sheet}");
}

#[tokio::test]
async fn what_is_wrong_with_a_request_is_said() {
    let Scene { app, start, .. } = scene();
    for (path, status, code) in [
        ("/api/v1/cars/nobody".to_owned(), StatusCode::NOT_FOUND, "unknown-car"),
        ("/api/v1/cars/car-1/cycles/rubbish".to_owned(), StatusCode::NOT_FOUND, "unknown-cycle"),
        ("/api/v1/cars/car-1/cycles?direction=up".to_owned(), StatusCode::BAD_REQUEST, "bad-parameter"),
        ("/api/v1/cars/car-1/cycles?limit=many".to_owned(), StatusCode::BAD_REQUEST, "bad-parameter"),
        ("/api/v1/cars/car-1/cycles?colour=red".to_owned(), StatusCode::BAD_REQUEST, "bad-parameter"),
        ("/api/v1/cars/car-1/cycles?limit=0".to_owned(), StatusCode::BAD_REQUEST, "bad-parameter"),
        ("/api/v1/cars/car-1/export/samples.csv".to_owned(), StatusCode::BAD_REQUEST, "bad-parameter"),
        (
            format!("/api/v1/cars/car-1/cycles/{start}/traces?until_s=NaN"),
            StatusCode::BAD_REQUEST,
            "bad-parameter",
        ),
    ] {
        assert_eq!(json(&app, &path, status).await["code"], code, "{path}");
    }
    let page = text(&app, "/cars/nobody%3Cscript%3E", StatusCode::NOT_FOUND).await;
    assert!(page.contains("unknown-car") && page.contains("<main") && !page.contains("nobody<script>"));
    assert!(text(&app, "/no/such", StatusCode::NOT_FOUND).await.contains("unknown-page"));
}

#[tokio::test]
async fn pages_are_whole_escaped_and_small() {
    let Scene { app, start, .. } = scene();
    let cycle = format!("/cars/car-1/cycles/{start}");
    for path in [
        "/",
        "/cars/car-1",
        &cycle,
        "/cars/car-1/trend",
        "/cars/car-1/bench",
        "/cars/car-1/guide",
        "/api",
        "/cars/empty",
        "/cars/empty/trend",
    ] {
        let response = get(&app, path).await;
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        let policy = response.headers()[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
        assert!(policy.contains("script-src 'self'") && !policy.contains("unsafe"));
        assert_eq!(response.headers()[header::X_CONTENT_TYPE_OPTIONS], "nosniff");
        assert_eq!(response.headers()[header::REFERRER_POLICY], "same-origin");
        let page =
            String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap();
        assert!(!page.contains("<b>Nine") && !page.contains(" style="), "{path}");
        assert!(!page.contains("http://") && !page.contains("https://"), "{path}");
        assert!(page.len() < 600_000, "{path}: {}", page.len());
    }
    let page = text(&app, &cycle, StatusCode::OK).await;
    for part in ["finding-1", "id=\"run-sheet\"", "id=\"lanes\"", "id=\"switches\"", "Slow phase"] {
        assert!(page.contains(part), "{part}");
    }
    assert!(text(&app, "/cars/car-1", StatusCode::OK).await.contains("in 1 of 1 opening"));
}

#[tokio::test]
async fn tables_are_csv_with_units_and_utc() {
    let Scene { app, start, end, .. } = scene();
    for table in ["cycles", "phases", "findings", "measures"] {
        let csv = text(&app, &format!("/api/v1/cars/car-1/export/{table}.csv"), StatusCode::OK).await;
        assert!(csv.starts_with("cycle,") && csv.contains(&start) && csv.contains("\r\n"), "{table}: {csv}");
    }
    let path = format!("/api/v1/cars/car-1/export/samples.csv?from={start}&until={end}");
    let csv = text(&app, &path, StatusCode::OK).await;
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    assert_eq!(&reader.headers().unwrap()[0], "time_utc");
    let times: Vec<String> = reader.records().map(|r| r.unwrap()[0].to_owned()).collect();
    assert!(times.len() > 20 && times.is_sorted(), "{}", times.len());
    assert!(times[0] >= start && times[times.len() - 1] < end);
}

#[tokio::test]
async fn the_description_is_openapi_3_1_and_complete() {
    let Scene { app, .. } = scene();
    let described = json(&app, "/api/v1/openapi.json", StatusCode::OK).await;
    assert!(described["openapi"].as_str().unwrap().starts_with("3.1"));
    let paths = described["paths"].as_object().unwrap();
    for path in
        ["/api/v1/cars", "/api/v1/cars/{car}/cycles/{start}/traces", "/api/v1/cars/{car}/live", "/health"]
    {
        assert!(paths.contains_key(path), "{path}");
    }
    // Every shape that is referred to is there.
    let text = described.to_string();
    for part in text.split("#/components/schemas/").skip(1) {
        let name = part.split('"').next().unwrap();
        assert!(described["components"]["schemas"].get(name).is_some(), "{name}");
    }
}

#[tokio::test]
async fn live_events_come_to_those_who_watch_that_car() {
    let Scene { app, .. } = scene();
    let state = |car: &str| {
        LiveMessage::State(LiveState { car: car.into(), at: rfc3339(START), ..LiveState::default() })
    };
    app.hub().publish(state("car-1"));
    let response = get(&app, "/api/v1/cars/car-1/live").await;
    assert_eq!(response.headers()[header::CONTENT_TYPE], "text/event-stream");
    assert_eq!(app.hub().watchers(), 1);
    app.hub().publish(state("another"));
    app.hub().publish(LiveMessage::Closed(LiveCycle {
        car: "car-1".into(),
        start: rfc3339(START),
        outcome: Some("completed".into()),
        findings: Vec::new(),
    }));
    // Closing the hub ends the stream, so that a shutdown does not wait for who watches.
    app.hub().close();
    let all = response.into_body().collect().await.unwrap().to_bytes();
    let all = String::from_utf8(all.to_vec()).unwrap();
    assert!(all.starts_with("event: state") && all.contains("event: closed"), "{all}");
    assert!(!all.contains("another"), "{all}");
}

#[tokio::test]
async fn a_lost_port_stands_on_every_page_and_in_health() {
    let Scene { app, .. } = scene();
    app.hub().publish(LiveMessage::Port(PortState {
        port: "/dev/ttyUSB0".into(),
        car: None,
        logger: None,
        well: false,
        words: "unplugged; plug it in again".into(),
        since: rfc3339(START),
    }));
    assert!(text(&app, "/cars/car-1", StatusCode::OK).await.contains("unplugged; plug it in again"));
    assert_eq!(json(&app, "/health", StatusCode::SERVICE_UNAVAILABLE).await["well"], false);
}

#[tokio::test]
async fn serving_ends_when_told() {
    let Scene { app, .. } = scene();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let served =
        tokio::spawn(serve(listener, app, None, Bounds::default(), async { stopped.await.unwrap_or(()) }));
    stop.send(()).unwrap();
    served.await.unwrap().unwrap();
}
