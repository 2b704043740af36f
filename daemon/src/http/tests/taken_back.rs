//! A note is taken back, over the API and from the page.

use axum::http::StatusCode;
use serde_json::{Value, json};

use super::{Daemon, batch_text};

const NOTES: &str = "/api/v1/batches/plum-1/notes";
const TOLD: &str = "/batches/plum-1/told";

impl Daemon {
    async fn noted(&self) -> Vec<Value> {
        let (status, answer) = self.get(NOTES).await;
        assert_eq!(status, StatusCode::OK, "{answer}");
        assert_eq!(answer["slug"], "plum-1");
        answer["notes"].as_array().unwrap().clone()
    }

    async fn counting(&self) -> usize {
        let counting = self
            .house
            .store
            .read(|reader| reader.notes(reader.batches()?[0].id));
        counting.await.unwrap().len()
    }
}

fn encoded(text: &str) -> String {
    crate::http::encoded(text)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_note_is_taken_back_from_the_page_and_stays_in_sight() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum 1")).await;
    for text in ["lively", "flat <b>"] {
        let note = json!({ "kind": "opened", "bottles": [3], "text": text });
        let (status, answer) = daemon.post(NOTES, note).await;
        assert_eq!(status, StatusCode::CREATED, "{answer}");
    }
    let (_, agenda) = daemon.get("/").await;
    assert!(agenda.as_str().unwrap().contains(TOLD), "{agenda}");
    let (_, page) = daemon.get(TOLD).await;
    let page = page.as_str().unwrap();
    assert_eq!(page.matches("That was wrong: take it back").count(), 2, "{page}");

    let wrong = daemon.noted().await.remove(1);
    let fields = format!("note={}", encoded(&wrong.to_string()));
    let (status, place, page) = daemon.form(TOLD, &fields).await;
    assert_eq!((status, place.as_str()), (StatusCode::SEE_OTHER, TOLD), "{page}");
    let (_, page) = daemon.get(TOLD).await;
    let page = page.as_str().unwrap();
    assert!(page.contains("<s>Opened no. 3: flat &lt;b&gt;</s>"), "{page}");
    assert!(page.contains("someone at the page took it back, "), "{page}");
    assert_eq!(page.matches("That was wrong: take it back").count(), 1, "{page}");
    assert_eq!(daemon.counting().await, 1);
    let all = daemon.noted().await;
    assert_eq!(all.len(), 3);
    assert_eq!(all[2]["takes_back"], wrong);

    // Whoever presses twice says it once.
    assert_eq!(daemon.form(TOLD, &fields).await.0, StatusCode::SEE_OTHER);
    for (fields, why) in [
        ("note=%7B", "cannot be read"),
        (
            "note=%7B%22kind%22%3A%22vented%22%2C%22time%22%3A%222026-03-02T08%3A00%3A00Z%22%7D",
            "no note of this batch",
        ),
        ("", "cannot be read"),
    ] {
        let (status, _, page) = daemon.form(TOLD, fields).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(
            page.contains("Not taken back.") && page.contains(why),
            "{fields}: {page}"
        );
    }
    assert_eq!(daemon.noted().await.len(), 3);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_program_takes_a_note_back_and_an_alert_of_it_ends() {
    let daemon = Daemon::start().await;
    let text = batch_text("plum 1").replace("pressure_limit_bar = 1.5", "pressure_limit_bar = 4.5");
    daemon.post("/api/v1/batches", text).await;
    // Two dials, as one alone may be a slip.
    for value in [7.9, 8.0] {
        let note = json!({ "kind": "gauge", "value": value, "unit": "bar" });
        assert_eq!(daemon.post(NOTES, note).await.0, StatusCode::CREATED);
    }
    let over = async || {
        let (_, answer) = daemon.get("/api/v1/alerts").await;
        let all = answer["alerts"].as_array().unwrap().clone();
        all.iter().filter(|alert| alert["alert"] == "over_limit").count()
    };
    assert_eq!(over().await, 1);
    for wrong in daemon.noted().await {
        let back = json!({ "kind": "taken_back", "takes_back": wrong, "text": "Ada took it back" });
        let (status, answer) = daemon.post(NOTES, &back).await;
        assert_eq!(status, StatusCode::CREATED, "{answer}");
        assert_eq!(answer["notes"][0]["kind"], "taken_back");
    }
    assert_eq!(over().await, 0);
    assert_eq!(daemon.counting().await, 0);

    for (back, why) in [
        (
            json!({ "kind": "taken_back" }),
            "`takes_back` is empty; allowed: the whole note",
        ),
        (
            json!({ "kind": "vented", "takes_back": {} }),
            "with kind `taken_back` and no other",
        ),
        (
            json!({ "kind": "taken_back", "takes_back": { "kind": "taken_back" } }),
            "is noted again",
        ),
        (
            json!({ "kind": "taken_back", "takes_back": { "kind": "vented" } }),
            "`time` is missing",
        ),
    ] {
        let (status, answer) = daemon.post(NOTES, &back).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{back}");
        assert!(
            answer["error"].as_str().unwrap().contains(why),
            "{back}: {answer}"
        );
    }
    daemon.end().await;
}
