//! Entries of a batch are corrected: over the API and from the page.

use super::*;
use crate::store::BatchId;

const ONE: &str = "/api/v1/batches/plum-1";

impl Daemon {
    async fn fill(&self, path: &str, fields: &str) -> (StatusCode, Value) {
        let request = Request::post(path)
            .header("host", "127.0.0.1:8740")
            .header("content-type", "application/x-www-form-urlencoded");
        self.send(request.body(Body::from(fields.to_owned())).unwrap())
            .await
    }

    /// What is stored of the batch.
    async fn stored(&self) -> (String, Vec<String>) {
        let found = self.house.store.read(|reader| {
            let stored = reader.batches()?.pop().expect("a batch");
            let notes = reader.notes(stored.id)?;
            Ok((stored.text, notes))
        });
        let (text, notes) = found.await.unwrap();
        let words = notes.into_iter().filter_map(|note| note.text);
        (text, words.collect())
    }

    /// Until all that is stored is reckoned.
    async fn settled(&self) {
        let live = self.house.batch("plum-1").unwrap();
        live.reaches(*self.house.latest.borrow()).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn entries_are_corrected_over_the_api_and_the_old_ones_are_kept() {
    let daemon = Daemon::start().await;
    let first = batch_text("plum 1");
    daemon.post("/api/v1/batches", &first).await;
    daemon.settled().await;

    // 1.6 bar are told and the limit is 1.5: it was entered wrongly.
    let (_, answer) = daemon.get("/api/v1/alerts").await;
    let over = |answer: &Value| {
        let all = answer["alerts"].as_array().unwrap().iter();
        all.filter(|alert| alert["alert"] == "over_limit").count()
    };
    assert_eq!(over(&answer), 1, "{answer}");
    let (status, answer) = daemon
        .ask(
            "patch",
            &format!("{ONE}?who=Ada"),
            json!({ "bottle.pressure_limit_bar": 5.5, "bottle.fill_ml": 470 }),
        )
        .await;
    assert_eq!(status, StatusCode::OK, "{answer}");
    assert_eq!(answer["changes"][0]["key"], "bottle.fill_ml", "{answer}");
    assert_eq!(answer["changes"][0]["was"], "475");
    assert_eq!(answer["changes"][0]["is"], "470");
    let loud = answer["warnings"][0].as_str().unwrap();
    assert!(
        loud.contains("YOUR PRESSURE LIMIT GOES FROM 1.5 BAR TO 5.5 BAR"),
        "{loud}"
    );
    daemon.settled().await;

    let (_, answer) = daemon.get("/api/v1/batches").await;
    assert_eq!(answer["batches"][0]["limit_bar"], 5.5, "{answer}");
    // Its readings count as before.
    assert_eq!(answer["batches"][0]["sensors"][0]["value"], 1.6, "{answer}");
    let (_, answer) = daemon.get("/api/v1/alerts").await;
    assert_eq!(over(&answer), 0, "{answer}");
    let told = daemon
        .house
        .store
        .read(|reader| reader.last_alerts(BatchId(1)))
        .await
        .unwrap();
    let over = told
        .iter()
        .find(|alert| alert.alert.name() == "over_limit")
        .unwrap();
    assert!(
        over.message
            .contains("with the corrected entries this does not hold"),
        "{over:?}"
    );

    let (text, notes) = daemon.stored().await;
    assert_eq!(crate::corrected::earlier(&text), [first]);
    assert!(
        notes[0]
            .starts_with("Ada corrected: bottle.fill_ml was 475, is 470; bottle.pressure_limit_bar was 1.5"),
        "{notes:?}"
    );

    // What cannot be is refused with a sentence, and nothing is changed.
    for (body, why) in [
        (batch_text("plum 2"), "a batch keeps its name"),
        (
            batch_text("plum 1").replace("2026-03-02", "2026-05-02"),
            "was sealed",
        ),
        (
            batch_text("plum 1").replace("fill_ml = 475", "fill_ml = 900"),
            "bottle.fill_ml",
        ),
        (
            batch_text("plum 1").replace("pressure_limit_bar = 1.5", ""),
            "bottle.pressure_limit_bar",
        ),
    ] {
        let (status, answer) = daemon.ask("put", ONE, body).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{answer}");
        assert!(answer["error"].as_str().unwrap().contains(why), "{why}: {answer}");
    }
    assert_eq!(daemon.stored().await, (text.clone(), notes));
    // The same again is nothing new.
    let (status, answer) = daemon.ask("put", ONE, &text).await;
    assert_eq!(
        (status, &answer["changes"]),
        (StatusCode::OK, &json!([])),
        "{answer}"
    );
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_holds_the_entries_and_changes_only_what_was_typed_over() {
    let daemon = Daemon::start().await;
    // A file with what the form has no field for.
    let file = batch_text("plum 1").replace("[target]", "headspace = \"purged\" # with gas\n[target]");
    daemon.post("/api/v1/batches", &file).await;
    let address = "/batches/plum-1/correct";
    let (status, page) = daemon.get(address).await;
    let page = page.as_str().unwrap();
    assert_eq!(status, StatusCode::OK, "{page}");
    assert!(page.contains("name=\"bottle.fill_ml\" value=\"475\""), "{page}");
    assert!(!page.contains("name=\"name\""), "a batch keeps its name");

    let typed = "bottled_at=2026-03-02T07:00&drink.sucrose_g_per_l=66,5&drink.culture_ml_per_l=25&bottle.material=glass&bottle.capacity_ml=500\
                 &bottle.fill_ml=475.0&bottle.count=8&bottle.pressure_limit_bar=1.5&target.co2_volumes=2.8&target.fridge_c=4";
    let (status, page) = daemon.fill(address, typed).await;
    assert_eq!(status, StatusCode::OK, "{page}");
    let page = page.as_str().unwrap();
    assert!(page.contains("drink.sucrose_g_per_l was 60, is 66.5"), "{page}");
    assert_eq!(page.matches(" was ").count(), 1, "{page}");
    let (text, notes) = daemon.stored().await;
    assert!(text.contains("headspace = \"purged\" # with gas"), "{text}");
    assert!(notes[0].starts_with("someone at the page corrected"), "{notes:?}");

    let (status, page) = daemon
        .fill(address, &typed.replace("fill_ml=475.0", "fill_ml=900"))
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    let page = page.as_str().unwrap();
    assert!(
        page.contains("id=\"bottle-fill_ml-wrong\"") && page.contains("900 stands here"),
        "{page}"
    );
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_question_rests_once_somebody_says_that_the_entry_is_right() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum 1")).await;
    let (status, answer) = daemon
        .fill("/batches/plum-1/tell", "kind=confirmed&text=sugar")
        .await;
    assert_eq!(status, StatusCode::SEE_OTHER, "{answer}");
    let (status, answer) = daemon
        .post(
            &format!("{ONE}/notes"),
            json!({ "kind": "corrected", "text": "by hand" }),
        )
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{answer}");
    assert_eq!(daemon.stored().await.1, ["sugar"]);
    daemon.end().await;
}
