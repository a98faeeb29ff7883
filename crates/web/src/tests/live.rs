//! What comes as it happens, and what has stopped to come.

use super::*;

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
