//! Guided tests, by pages and by programs.

use super::*;

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
