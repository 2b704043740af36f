//! Forms as a browser sends them: a batch begun, moved, seen to, exported and ended.

use axum::http::StatusCode;
use serde_json::{Value, json};

use super::Daemon;
use crate::watch::tests::batch_text;

/// What a browser sends.
fn form(fields: &[(&str, &str)]) -> String {
    let byte = |byte: u8| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'.' | b'_' | b'-' => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    };
    let escaped = |text: &str| text.bytes().map(byte).collect::<String>();
    let pairs: Vec<String> = fields
        .iter()
        .map(|(key, value)| format!("{}={}", escaped(key), escaped(value)))
        .collect();
    pairs.join("&")
}

impl Daemon {
    /// Fills in a form; the status, where it leads, and the page.
    async fn fills(&self, path: &str, fields: &[(&str, &str)]) -> (StatusCode, String, String) {
        self.form(path, &form(fields)).await
    }
}

const FILLED: [(&str, &str); 15] = [
    ("name", "pear & \"thyme\" 2"),
    ("culture", ""),
    ("bottled_at", "2026-03-02T07:00"),
    ("drink.sucrose_g_per_l", "60,5"),
    ("drink.culture_ml_per_l", "25"),
    ("bottle.material", "glass"),
    ("bottle.capacity_ml", "500"),
    ("bottle.fill_ml", "475"),
    ("bottle.count", "8"),
    ("bottle.pressure_limit_bar", "4.5"),
    ("pilot.material", "plastic"),
    ("target.co2_volumes", "2.8"),
    ("target.fridge_c", "4"),
    ("sensors.pressure", "pilot"),
    ("sensors.room_temperature", " "),
];

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_begins_from_the_form_and_what_check_refuses_stands_beside_its_field() {
    let daemon = Daemon::start().await;
    let (_, empty) = daemon.get("/batches/new").await;
    let limit = "name=\"bottle.pressure_limit_bar\"";
    let input = empty
        .as_str()
        .unwrap()
        .split('<')
        .find(|tag| tag.contains(limit))
        .unwrap();
    assert!(!input.contains("value="), "a limit has no default: {input}");

    let mut wrong = FILLED;
    wrong[7].1 = "600";
    wrong[8].1 = "eight";
    wrong[9].1 = "";
    let (status, _, page) = daemon.fills("/batches/new", &wrong).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    for (id, why) in [
        ("bottle-fill_ml", "600"),
        ("bottle-count", "eight"),
        ("bottle-pressure_limit_bar", "Missing"),
    ] {
        let beside = page.split(&format!("id=\"{id}-wrong\">")).nth(1);
        let said = beside.and_then(|rest| rest.split('<').next()).unwrap_or_default();
        assert!(said.contains(why) && said.contains("allowed"), "{id}: {said}");
    }
    assert!(
        page.contains("value=\"pear &amp; &quot;thyme&quot; 2\""),
        "what was filled in stays"
    );
    assert!(daemon.get("/api/v1/batches").await.1["batches"][0].is_null());

    let (status, place, page) = daemon.fills("/batches/new", &FILLED).await;
    assert_eq!(
        (status, place.as_str()),
        (StatusCode::SEE_OTHER, "/#batch-pear-thyme-2"),
        "{page}"
    );
    let live = daemon.house.batch("pear-thyme-2").unwrap();
    assert_eq!(live.batch.name.as_str(), "pear & \"thyme\" 2");
    assert!((live.batch.drink.sucrose.grams_per_litre() - 60.5).abs() < 1e-9);
    assert!(live.batch.pilot.is_some() && live.batch.sensors.len() == 1);
    let zone = daemon.house.display.zone.clone();
    assert_eq!(
        live.batch
            .bottled_at
            .to_zoned_datetime(zone)
            .strftime("%Y-%m-%dT%H:%M")
            .to_string(),
        "2026-03-02T07:00",
        "the hour is the user's"
    );
    // The name and the gauge are taken now.
    let (status, _, page) = daemon.fills("/batches/new", &FILLED).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("Not begun."), "{page}");
    // The same as a file.
    let file = format!(
        "{}\n[sensors]\npressure = \"pilot b\"\n",
        batch_text("lime and mint 4")
    );
    let (status, place, page) = daemon.fills("/batches/new", &[("toml", &file)]).await;
    assert_eq!(status, StatusCode::SEE_OTHER, "{page}");
    assert_eq!(place, "/#batch-lime-and-mint-4");
    // One without a gauge of its own would take that of the first: it is watched, and told so.
    let file = batch_text("hibiscus 12");
    let (status, _, page) = daemon.fills("/batches/new", &[("toml", &file)]).await;
    assert_eq!(status, StatusCode::OK);
    assert!(
        page.contains("which sits on") && page.contains("To hibiscus 12"),
        "{page}"
    );
    let (status, _, page) = daemon
        .fills("/batches/new", &[("toml", "name = \"x\"\nbottel = 1")])
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("bottel"), "{page}");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_note_may_be_of_earlier_and_what_was_refused_stays_open() {
    let daemon = Daemon::start().await;
    daemon.fills("/batches/new", &FILLED).await;
    let tell = "/batches/pear-thyme-2/tell";
    let vented = |when: &'static str| [("kind", "vented"), ("bottles", ""), ("when", when)];
    let (status, _, page) = daemon.fills(tell, &vented("2199-01-01T00:00")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.contains("When it was is Tuesday 1 January 2199, 00:00"),
        "{page}"
    );
    assert!(page.contains("<details id=\"told-vented\" open>"), "{page}");
    let (status, _, page) = daemon.fills(tell, &vented("2026-03-02T07:05")).await;
    assert_eq!(status, StatusCode::SEE_OTHER, "{page}");
    let (_, notes) = daemon.get("/batches/pear-thyme-2/notes.jsonl").await;
    let zone = daemon.house.display.zone.clone();
    let at = jiff::civil::date(2026, 3, 2)
        .at(7, 5, 0, 0)
        .to_zoned_datetime(zone);
    // One line alone is JSON, and was read as such.
    let told = (&notes["kind"], &notes["time"]);
    assert_eq!(told, (&json!("vented"), &json!(at.unwrap().timestamp())));
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn bottles_are_moved_by_how_many_taken_back_and_the_batch_is_exported_and_ended() {
    let daemon = Daemon::start().await;
    daemon.fills("/batches/new", &FILLED).await;
    let tell = "/batches/pear-thyme-2/tell";
    let moved = |many: &'static str, pilot: &'static str| {
        [
            ("kind", "moved_to_fridge"),
            ("how_many", many),
            ("pilot", pilot),
            ("bottles", ""),
        ]
    };
    let (status, _, page) = daemon.fills(tell, &moved("9", "moved")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("allowed: 1 to 8"), "{page}");
    for (many, pilot) in [("3", "moved"), ("8", "stayed"), ("8", "moved")] {
        let (status, _, page) = daemon.fills(tell, &moved(many, pilot)).await;
        assert_eq!(status, StatusCode::SEE_OTHER, "{page}");
    }
    let (_, page) = daemon.get("/").await;
    let page = page.as_str().unwrap();
    assert!(page.contains("Undo: they were not moved"), "{page}");
    let undo = [("kind", "taken_out"), ("text", "not moved after all")];
    assert_eq!(daemon.fills(tell, &undo).await.0, StatusCode::SEE_OTHER);
    let (_, page) = daemon.get("/").await;
    assert!(!page.as_str().unwrap().contains("Undo: they were not moved"));

    let (status, notes) = daemon.get("/batches/pear-thyme-2/notes.jsonl").await;
    assert_eq!(status, StatusCode::OK);
    let bottles: Vec<Value> = notes
        .as_str()
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap()["bottles"].clone())
        .collect();
    let eight: Vec<u32> = (1..=8).collect();
    assert_eq!(
        bottles,
        [json!([1, 2, 3]), json!(eight), Value::Null, Value::Null]
    );
    let (_, rows) = daemon.get("/batches/pear-thyme-2/readings.csv").await;
    let rows: Vec<&str> = rows.as_str().unwrap().lines().collect();
    assert_eq!(rows[0], "time,source,quantity,value,unit");
    assert_eq!(rows.len(), 3, "{rows:?}");
    let (_, file) = daemon.get("/batches/pear-thyme-2/batch.toml").await;
    assert!(file.as_str().unwrap().contains("pressure_limit_bar = 4.5"));
    assert_eq!(
        daemon.get("/batches/pear-thyme-2/secrets").await.0,
        StatusCode::NOT_FOUND
    );

    let end = "/batches/pear-thyme-2/end";
    let (status, _, page) = daemon.fills(end, &[]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("no sealed bottle"), "{page}");
    assert_eq!(
        daemon.fills(end, &[("sure", "yes")]).await.0,
        StatusCode::SEE_OTHER
    );
    assert!(daemon.house.batch("pear-thyme-2").is_none());
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn alerts_are_seen_to_from_the_page() {
    let daemon = Daemon::start().await;
    daemon.fills("/batches/new", &FILLED).await;
    let (_, page) = daemon.get("/batches/pear-thyme-2/see-to").await;
    let page = page.as_str().unwrap();
    assert!(page.contains("alerts/stalled\""), "{page}");
    assert!(
        !page.contains("alerts/over_limit\""),
        "what warns of pressure stays in service"
    );
    let stalled = "/batches/pear-thyme-2/alerts/stalled";
    let (status, _, page) = daemon
        .fills(stalled, &[("deed", "take_out"), ("reason", "")])
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("Not done.") && page.contains("reason"), "{page}");
    let out = [("deed", "take_out"), ("reason", "a still drink")];
    assert_eq!(daemon.fills(stalled, &out).await.0, StatusCode::SEE_OTHER);
    // The page does not wait for an engine that is busy.
    loop {
        let (_, page) = daemon.get("/batches/pear-thyme-2/see-to").await;
        if page.as_str().unwrap().contains("Out of service") {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let over = "/batches/pear-thyme-2/alerts/over_limit";
    let shelve = [("deed", "shelve"), ("for_s", "3600"), ("reason", "no")];
    assert_eq!(daemon.fills(over, &shelve).await.0, StatusCode::CONFLICT);
    daemon.end().await;
}
