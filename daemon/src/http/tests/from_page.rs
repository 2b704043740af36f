//! What a person does on the page.

use axum::{
    body::Body,
    http::{Request, StatusCode},
};
use serde_json::Value;

use super::Daemon;
use crate::watch::tests::batch_text;

#[tokio::test(flavor = "multi_thread")]
async fn a_note_from_the_page_is_taken_or_told_why_not() {
    let daemon = Daemon::start().await;
    daemon
        .post("/api/v1/batches", batch_text("lime and mint 4"))
        .await;
    let at = "/batches/lime-and-mint-4/tell";
    let (_, asked) = daemon.get(at).await;
    assert!(asked.as_str().unwrap().contains("I opened a bottle"), "{asked}");
    let (status, place, _) = daemon.form(at, "kind=opened&bottles=3&text=light").await;
    assert_eq!(
        (status, place.as_str()),
        (StatusCode::SEE_OTHER, "/#batch-lime-and-mint-4")
    );
    for (fields, why) in [
        ("kind=opened&bottles=99", "1 to 8"),
        ("kind=opened&bottles=first%3Cb%3E", "first&lt;b&gt;"),
        ("kind=gravity&value=heavy&unit=SG", "heavy"),
        ("kind=sung_to", "sung_to"),
        // What the form requires is not left to the browser.
        ("kind=opened&text=light", "number of the bottle is missing"),
        ("kind=broken&bottles=+", "Which bottles is missing"),
        ("kind=gravity&value=&unit=SG", "number is missing"),
        ("kind=other", "your own words"),
        ("kind=tasted&bottles=2", "your own words"),
    ] {
        let (status, _, page) = daemon.form(at, fields).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(
            page.contains("Not noted.") && page.contains(why),
            "{fields}: {page}"
        );
    }
    let notes = daemon
        .house
        .store
        .read(|reader| reader.notes(reader.batches()?[0].id))
        .await
        .unwrap();
    assert_eq!(notes.len(), 1);
    assert_eq!(
        (notes[0].kind.name(), notes[0].bottles.clone()),
        ("opened", Some(vec![3]))
    );
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_seen_from_the_page_and_no_stranger_posts() {
    let daemon = Daemon::start().await;
    daemon
        .post("/api/v1/batches", batch_text("lime and mint 4"))
        .await;
    let live = daemon.house.batch("lime-and-mint-4").unwrap();
    live.reaches(*daemon.house.latest.borrow()).await;
    let at = "/batches/lime-and-mint-4/alerts/over_limit/seen";
    let stranger = Request::post(at)
        .header("host", "127.0.0.1:8740")
        .header("origin", "http://evil.example");
    let (status, _) = daemon.send(stranger.body(Body::empty()).unwrap()).await;
    assert_eq!(status, StatusCode::FORBIDDEN);
    let (status, place, _) = daemon.form(at, "").await;
    assert_eq!(
        (status, place.as_str()),
        (StatusCode::SEE_OTHER, "/#batch-lime-and-mint-4")
    );
    let (_, alerts) = daemon.get("/api/v1/alerts").await;
    let state = |alerts: &Value| {
        let all = alerts["alerts"].as_array().unwrap();
        all.iter().find(|alert| alert["alert"] == "over_limit").unwrap()["state"].clone()
    };
    assert_eq!(state(&alerts), "acknowledged", "{alerts}");
    // Again, or what does not stand: nothing to do.
    assert_eq!(daemon.form(at, "").await.0, StatusCode::SEE_OTHER);
    daemon.end().await;
}
