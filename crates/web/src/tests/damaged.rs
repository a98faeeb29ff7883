//! A verdict on the disk that can't be read.

use super::*;

#[tokio::test]
async fn a_damaged_verdict_is_named_and_takes_no_page_down() {
    let mut damaged = String::new();
    let Scene { app, start, .. } = scene_with(|sound| {
        let later = |n: u8, judged: &str| CycleRecord {
            start: sound.start + Seconds(3600.0 * f64::from(n)),
            end: sound.end + Seconds(3600.0 * f64::from(n)),
            judged: judged.to_owned(),
            ..sound.clone()
        };
        damaged = rfc3339(later(1, "").start);
        // Cut short, not ours, and no text at all.
        vec![later(1, &sound.judged[..40]), later(2, r#"{"cycle":"as JSON"}"#), later(3, "")]
    });
    let page = text(&app, "/cars/car-1", StatusCode::OK).await;
    assert!(page.contains("The verdicts of 3 cycles can't be read"), "{page}");
    assert!(page.contains(&format!("/cars/car-1/cycles/{damaged}")), "which one: {page}");
    assert!(page.contains(&format!("/cars/car-1/cycles/{start}")), "the rest: {page}");
    for path in [
        "/",
        "/fleet",
        "/cars/car-1/trend",
        "/cars/car-1/compare",
        "/api/v1/cars",
        "/api/v1/cars/car-1/cycles",
    ] {
        text(&app, path, StatusCode::OK).await;
    }
    text(&app, &format!("/cars/car-1/cycles/{start}"), StatusCode::OK).await;
    // Its own page can't be shown, and says why.
    let page = text(&app, &format!("/cars/car-1/cycles/{damaged}"), StatusCode::INTERNAL_SERVER_ERROR).await;
    assert!(page.contains(&damaged) && page.contains("its record is damaged"), "{page}");
    let path = format!("/api/v1/cars/car-1/cycles/{damaged}");
    assert_eq!(json(&app, &path, StatusCode::INTERNAL_SERVER_ERROR).await["code"], "bad-verdict");
    // A sound one that comes after damaged ones has nothing beside it rather than nothing at all.
    text(&app, &format!("/cars/car-1/cycles/{start}/sheet"), StatusCode::OK).await;
}

#[tokio::test]
async fn where_every_verdict_is_damaged_the_page_still_says_so() {
    let Scene { app, .. } = scene_with(|sound| {
        let of =
            |judged: &str| CycleRecord { car: "empty".into(), judged: judged.to_owned(), ..sound.clone() };
        vec![of("[]")]
    });
    let page = text(&app, "/cars/empty", StatusCode::OK).await;
    assert!(page.contains("The verdict of one cycle"), "{page}");
}
