//! The diary of the cultures, over API and page; what it gives to a batch.

use axum::http::StatusCode;
use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Observed, Surroundings, lesson},
    quantity::{AbsolutePressure, GaugePressure},
};
use jiff::SignedDuration;
use serde_json::{Value, json};

use super::{Daemon, batch_text};

/// What ten hours under the gauge taught of jar two.
fn proof() -> Value {
    let text = include_str!("../../../../config/example-proof.toml");
    let (batch, _) = Batch::from_toml(text, "config/example-proof.toml").unwrap();
    let (sealed, end) = (
        batch.bottled_at,
        batch.bottled_at + SignedDuration::from_hours(10),
    );
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    for tens in 0..60_i32 {
        let pressure = GaugePressure::from_bar(0.0001 * f64::from(tens * tens)).unwrap();
        evidence.observe(
            sealed + SignedDuration::from_mins(10) * tens,
            Observed::Gauge(pressure),
        );
    }
    json!(lesson(&evidence, end).unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_diary_is_kept_shown_and_teaches_the_next_batch() {
    let daemon = Daemon::start().await;
    let lines = [
        json!({ "culture": "jar two", "deed": "started", "time": "2026-02-01T08:00:00Z", "allergens": ["barley"] }),
        json!({ "culture": "jar two", "deed": "proofed", "time": "2026-03-01T17:00:00Z", "lesson": proof() }),
    ];
    let body = lines.map(|line| line.to_string()).join("\n");
    for new in [2, 0] {
        let (status, answer) = daemon.post("/api/v1/diary", &body).await;
        assert_eq!(
            (status, &answer["new"]),
            (StatusCode::CREATED, &json!(new)),
            "{answer}"
        );
    }
    let (_, listed) = daemon.get("/api/v1/cultures").await;
    assert_eq!(listed["cultures"][0]["allergens"], json!(["barley"]), "{listed}");
    assert_eq!(listed["cultures"][0]["proofs"], 1);
    let (_, diary) = daemon.get("/api/v1/diary").await;
    assert_eq!(diary["diary"].as_array().unwrap().len(), 2);

    let mut text = batch_text("plum 1");
    if !text.contains("culture = ") {
        text = format!("culture = \"jar two\"\n{text}");
    }
    text.push_str("\n[recipe]\nmakes_ml = 1000\nlot = \"P <1>\"\nsugar_from = \"drink\"\n[[recipe.ingredients]]\nname = \"plums & honey\"\ngrams = 400\n");
    let (status, answer) = daemon.post("/api/v1/batches", &text).await;
    assert_eq!(status, StatusCode::CREATED, "{answer}");
    let live = daemon.house.batch("plum-1").unwrap();
    assert_eq!(live.standing().monitor.earlier_batches(), 1);

    let (status, label) = daemon.get("/batches/plum-1/label").await;
    let label = label.as_str().unwrap();
    assert_eq!(status, StatusCode::OK);
    for must in [
        "Allergens: barley.",
        "plums &amp; honey",
        "Lot P &lt;1&gt;",
        "not for infants",
        "Lot record",
        "href=\"/label.css\"",
    ] {
        assert!(label.contains(must), "{must}: {label}");
    }
    assert_eq!(daemon.get("/label.css").await.0, StatusCode::OK);
    assert_eq!(daemon.get("/batches/plum-9/label").await.0, StatusCode::NOT_FOUND);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_of_the_cultures_takes_an_entry_or_says_why_not() {
    let daemon = Daemon::start().await;
    let (_, page) = daemon.get("/cultures").await;
    assert!(
        page.as_str().unwrap().contains("No culture has a diary yet"),
        "{page}"
    );
    let (status, place, _) = daemon
        .form(
            "/cultures",
            "culture=jar+%3Ctwo%3E&deed=fed&grams=12%2C5&allergens=rye%2C+milk&parent=&text=",
        )
        .await;
    assert_eq!((status, place.as_str()), (StatusCode::SEE_OTHER, "/cultures"));
    for (fields, why) in [
        ("culture=jar&deed=fed&grams=lots", "the weight is no number"),
        ("culture=jar&deed=split_from", "`parent` is missing"),
        ("culture=&deed=fed", "missing field `culture`"),
        ("culture=jar&deed=sung_to", "sung_to"),
    ] {
        let (status, _, page) = daemon.form("/cultures", fields).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(
            page.contains("Not noted.") && page.contains(why),
            "{fields}: {page}"
        );
    }
    let (_, page) = daemon.get("/cultures").await;
    let page = page.as_str().unwrap();
    assert!(
        page.contains("jar &lt;two&gt;") && page.contains("with 12.5 g"),
        "{page}"
    );
    assert!(page.contains("inherit: rye, milk"), "{page}");
    daemon.end().await;
}
