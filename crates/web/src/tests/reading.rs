//! What anybody may read: lists, traces, pages, tables, and the description of it all.

use super::*;

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
