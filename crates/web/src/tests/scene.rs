//! A daemon with made-up cars, and ways to ask it.

use super::*;

pub const ROOF: &str = include_str!("../../../../config/profiles/softtop-cover.toml");
pub const START: Micros = Micros(1_748_822_400_000_000);

/// Every valve of each step on for as long as it should take, or for `slow` times as long, then its confirmation.
pub fn play(profile: &Profile, engine: &mut Engine, slow: f64, out: &mut Vec<Verdict>) {
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

pub struct Kept(Vec<Verdict>);

impl crate::Traces for Kept {
    fn recording(&self, _: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
        let fits = |v: &&Verdict| v.cycle.start <= to && v.cycle.end >= from;
        self.0.iter().find(fits).map(|v| v.cycle.recording.clone()).ok_or(NoTraces::NotKept)
    }
}

/// One check with two results; what is entered is put down here.
#[derive(Default)]
pub struct Told(pub Mutex<Vec<Entry>>);

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
pub struct Guided(Arc<Profile>, Mutex<Option<Guide>>);

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
pub struct Noted(pub Mutex<Vec<Deed>>);

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
pub fn people() -> Accounts {
    let mut accounts = Accounts::default();
    for (name, role) in [("ann", Role::Administer), ("bob", Role::Work), ("eve", Role::Look)] {
        let password = hashed(&format!("the password of {name}"), &[7; 32]).unwrap();
        accounts.add_person(Person { name: name.into(), role, password }).unwrap();
        accounts.add_token(Token { name: name.into(), role, sha256: digest(name) }).unwrap();
    }
    accounts
}

pub struct Scene {
    pub noted: Arc<Noted>,
    pub told: Arc<Told>,
    pub app: App,
    pub start: String,
    pub end: String,
}

pub fn scene() -> Scene {
    scene_with(|_| Vec::new())
}

/// With more cycles, made from the one that was judged.
pub fn scene_with(more: impl FnOnce(&CycleRecord) -> Vec<CycleRecord>) -> Scene {
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

pub async fn get(app: &App, path: &str) -> Response {
    ask(app, "127.0.0.1", Request::get(path)).await
}

/// A request as it comes from an address.
pub async fn ask(app: &App, from: &str, request: axum::http::request::Builder) -> Response {
    send(app, from, request, String::new()).await
}

pub async fn send(app: &App, from: &str, request: axum::http::request::Builder, body: String) -> Response {
    let mut request = request.body(Body::from(body)).unwrap();
    request.extensions_mut().insert(Peer { address: from.parse().unwrap(), encrypted: false });
    router(app.clone()).oneshot(request).await.unwrap()
}

pub async fn text(app: &App, path: &str, status: StatusCode) -> String {
    let response = get(app, path).await;
    assert_eq!(response.status(), status, "{path}");
    String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
}

pub async fn json(app: &App, path: &str, status: StatusCode) -> serde_json::Value {
    let text = text(app, path, status).await;
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}: {text}"))
}

/// Signs in from elsewhere; what the browser then sends as its cookies.
pub async fn signed_in(app: &App, name: &str) -> String {
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
