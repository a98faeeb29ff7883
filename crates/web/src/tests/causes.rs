//! Causes, and what a check gave.

use super::*;

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
async fn what_only_all_cycles_together_show_is_not_called_nothing() {
    let a_month_later = |made: &CycleRecord| {
        let later = |at: foldwatch_units::Micros| at + Seconds(30.0 * 86_400.0);
        let mut judged: serde_json::Value = serde_json::from_str(&made.judged).unwrap();
        judged["findings"] = serde_json::json!([]);
        judged["start"] = rfc3339(later(made.start)).into();
        judged["end"] = rfc3339(later(made.end)).into();
        vec![CycleRecord {
            start: later(made.start),
            end: later(made.end),
            judged: judged.to_string(),
            findings: Vec::new(),
            ..made.clone()
        }]
    };
    let Scene { app, .. } = scene_with(a_month_later);
    let page = text(&app, "/cars/car-1", StatusCode::OK).await;
    assert!(page.contains("No cycle by itself is out of order") && page.contains("53 %"), "{page}");
    assert!(!page.contains("Nothing was found"), "{page}");
}
