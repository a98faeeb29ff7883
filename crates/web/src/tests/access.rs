//! Who gets in, and who does not.

use super::*;

const FAR: &str = "192.0.2.9";
const HERE: &str = "127.0.0.1";

fn form(path: &str) -> axum::http::request::Builder {
    Request::post(path)
        .header(header::HOST, "shop:8765")
        .header(header::ORIGIN, "http://shop:8765")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
}

async fn body(response: Response) -> String {
    String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
}

/// Every address that the API describes, and every page: from elsewhere nothing is given without a name, and nothing is
/// changed from anywhere without one. Whatever is added later is held to it, too.
#[tokio::test]
async fn from_elsewhere_nothing_is_had_without_a_name() {
    let Scene { app, start, .. } = scene();
    let described = serde_json::to_value(described()).unwrap();
    let mut asked = 0;
    for (path, methods) in described["paths"].as_object().unwrap() {
        let path = path.replace("{car}", "car-1").replace("{start}", &start).replace("{table}", "cycles");
        for method in methods.as_object().unwrap().keys() {
            let method = method.to_uppercase();
            let request = || Request::builder().method(method.as_str()).uri(&path);
            let status = ask(&app, FAR, request()).await.status();
            let open = path == "/ready";
            assert_eq!(status == StatusCode::UNAUTHORIZED, !open, "{method} {path}: {status}");
            let status =
                ask(&app, FAR, request().header(header::AUTHORIZATION, "Bearer nobody")).await.status();
            assert_eq!(status == StatusCode::UNAUTHORIZED, !open, "{method} {path}: {status}");
            if method != "GET" {
                assert_eq!(
                    ask(&app, HERE, request()).await.status(),
                    StatusCode::UNAUTHORIZED,
                    "{method} {path}"
                );
                let as_eve = request().header(header::AUTHORIZATION, "Bearer eve");
                assert_eq!(ask(&app, HERE, as_eve).await.status(), StatusCode::FORBIDDEN, "{method} {path}");
            }
            asked += 1;
        }
    }
    assert!(asked > 10, "{asked}");
    for path in ["/", "/cars/car-1", "/cars/car-1/trend", "/cars/car-1/bench", "/api", "/no/such"] {
        let answer = ask(&app, FAR, Request::get(path)).await;
        assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{path}");
        let to = answer.headers()[header::LOCATION].to_str().unwrap();
        assert!(to.starts_with("/sign-in?then=%2F"), "{to}");
    }
    for path in ["/sign-in", "/style.css", "/script.js", "/ready"] {
        assert_eq!(ask(&app, FAR, Request::get(path)).await.status(), StatusCode::OK, "{path}");
    }
}

/// A page of another site that brings a name of its own to point at this machine is not on it, nor is a proxy here.
#[tokio::test]
async fn another_name_for_this_machine_or_a_proxy_on_it_lets_nobody_look() {
    let Scene { app, .. } = scene();
    let get = || Request::get("/api/v1/cars");
    assert_eq!(ask(&app, HERE, get().header(header::HOST, "localhost:8765")).await.status(), StatusCode::OK);
    for request in [
        get().header(header::HOST, "rebound.example:8765"),
        get().header(header::HOST, "localhost:8765").header("x-forwarded-for", "192.0.2.1"),
    ] {
        assert_eq!(ask(&app, HERE, request).await.status(), StatusCode::UNAUTHORIZED);
    }
}

#[tokio::test]
async fn a_session_reads_and_enters_until_it_is_ended_and_leaves_a_trail() {
    let Scene { app, noted, told, .. } = scene();
    let session = signed_in(&app, "bob").await;
    let as_bob = |request: axum::http::request::Builder| request.header(header::COOKIE, &session);
    assert_eq!(ask(&app, FAR, as_bob(Request::get("/cars/car-1"))).await.status(), StatusCode::OK);
    assert!(
        body(ask(&app, FAR, as_bob(Request::get("/sign-in"))).await).await.contains("<strong>bob</strong>")
    );
    let entered = "check=output-follows&result=follows";
    let answer = send(&app, FAR, as_bob(form("/cars/car-1/checks")), entered.into()).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    // Whoever is signed in looked, where nobody else is named.
    assert_eq!(told.0.lock().unwrap()[0].author, "bob");
    // The cookie alone is not enough: something must say that the request is from our own page.
    let silent = as_bob(Request::post("/cars/car-1/checks"))
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    assert_eq!(send(&app, FAR, silent, entered.into()).await.status(), StatusCode::FORBIDDEN);
    assert_eq!(ask(&app, FAR, as_bob(Request::get("/api/v1/trail"))).await.status(), StatusCode::FORBIDDEN);
    assert_eq!(ask(&app, FAR, as_bob(form("/sign-out"))).await.status(), StatusCode::SEE_OTHER);
    assert_eq!(ask(&app, FAR, as_bob(Request::get("/cars/car-1"))).await.status(), StatusCode::SEE_OTHER);

    let trail =
        ask(&app, FAR, Request::get("/api/v1/trail?count=50").header(header::AUTHORIZATION, "Bearer ann"))
            .await;
    let trail: Vec<Deed> = serde_json::from_str(&body(trail).await).unwrap();
    let lines: Vec<_> = trail.iter().map(|d| (d.who.as_str(), d.what.as_str(), d.outcome.as_str())).collect();
    assert_eq!(
        lines,
        [
            ("bob", "sign in", "signed in"),
            ("bob", "POST /cars/car-1/checks", "303"),
            ("?", "GET /api/v1/trail", "refused"),
            ("bob", "sign out", "signed out"),
        ]
    );
    assert!(noted.0.lock().unwrap().iter().all(|deed| !format!("{deed:?}").contains("the password")));
}

#[tokio::test]
async fn cookies_keep_the_usual_rules() {
    let Scene { app, .. } = scene();
    for encrypted in [false, true] {
        let mut request = form("/sign-in").body(Body::from("name=bob&password=the+password+of+bob")).unwrap();
        request.extensions_mut().insert(Peer { address: FAR.parse().unwrap(), encrypted });
        let answer = router(app.clone()).oneshot(request).await.unwrap();
        let cookies: Vec<_> = answer.headers().get_all(header::SET_COOKIE).iter().collect();
        assert_eq!(cookies.len(), 2);
        for cookie in cookies {
            let cookie = cookie.to_str().unwrap();
            for rule in ["; HttpOnly", "; SameSite=Lax", "; Path=/", "; Max-Age="] {
                assert!(cookie.contains(rule), "{cookie}");
            }
            assert!(!cookie.contains("Domain"), "{cookie}");
            assert_eq!(cookie.contains("; Secure") && cookie.starts_with("__Host-"), encrypted, "{cookie}");
        }
    }
}

#[tokio::test]
async fn guesses_are_slowed_and_told_alike_whoever_they_are_for() {
    let Scene { app, .. } = scene();
    let guess = async |name: &str, from: &str| {
        let answer = send(&app, from, form("/sign-in"), format!("name={name}&password=wrong")).await;
        let status = answer.status();
        if status == StatusCode::TOO_MANY_REQUESTS {
            assert!(answer.headers()[header::RETRY_AFTER].to_str().unwrap().parse::<u64>().unwrap() >= 1);
        }
        (status, body(answer).await)
    };
    let (status, known) = guess("bob", FAR).await;
    let (_, unknown) = guess("nobody", FAR).await;
    assert_eq!((status, known), (StatusCode::UNAUTHORIZED, unknown));
    let mut statuses = Vec::new();
    for _ in 0..8 {
        statuses.push(guess("bob", FAR).await.0);
    }
    assert!(statuses.contains(&StatusCode::TOO_MANY_REQUESTS), "{statuses:?}");
    // Neither elsewhere nor on the machine is bob kept out by that.
    signed_in(&app, "bob").await;
    let here = Request::post("/sign-in")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .header("sec-fetch-site", "same-origin");
    let answer = send(&app, HERE, here, "name=bob&password=the+password+of+bob".into()).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn what_was_typed_is_not_lost_by_signing_in() {
    let Scene { app, told, .. } = scene();
    let typed = "check=output-follows&result=stays&text=%3Cb%3Eloose+clamp%3C%2Fb%3E";
    let answer = send(&app, HERE, form("/cars/car-1/checks"), typed.into()).await;
    assert_eq!(answer.status(), StatusCode::UNAUTHORIZED);
    let page = body(answer).await;
    assert!(page.contains("not lost") && page.contains(r#"name="to" value="/cars/car-1/checks""#), "{page}");
    let sign_in = serde_urlencoded::to_string([
        ("name", "bob"),
        ("password", "the password of bob"),
        ("to", "/cars/car-1/checks"),
        ("body", typed),
    ]);
    let answer = send(&app, HERE, form("/sign-in"), sign_in.unwrap()).await;
    assert_eq!(answer.status(), StatusCode::OK);
    let page = body(answer).await;
    assert!(
        page.contains("&lt;b&gt;loose clamp&lt;/b&gt;") && page.contains(r#"action="/cars/car-1/checks""#),
        "{page}"
    );
    // Nothing was entered by that alone, and another site's page gets nothing kept.
    assert!(told.0.lock().unwrap().is_empty());
    let foreign = Request::post("/cars/car-1/checks")
        .header(header::HOST, "shop:8765")
        .header(header::ORIGIN, "http://elsewhere")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    assert!(!body(send(&app, HERE, foreign, typed.into()).await).await.contains("loose clamp"));
}

#[tokio::test]
async fn the_description_says_what_each_address_needs() {
    let described = serde_json::to_value(described()).unwrap();
    let paths = &described["paths"];
    assert_eq!(paths["/api/v1/cars"]["get"]["security"], serde_json::json!([{}, { "token": [] }]));
    assert_eq!(paths["/api/v1/cars/{car}/checks"]["post"]["security"], serde_json::json!([{ "token": [] }]));
    assert!(paths["/api/v1/cars/{car}/checks"]["post"]["responses"]["401"].is_object());
    assert!(paths["/ready"]["get"]["responses"].get("401").is_none());
    assert_eq!(described["components"]["securitySchemes"]["token"]["scheme"], "bearer");
}
