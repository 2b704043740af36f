//! Whoever has only the page: plans a batch, puts it under watch, notes, and asks what can be done.

use fobwatch_simulator::{Deed, Scenario, Simulation, notes_jsonl, readings_csv, scenario::Happening};
use jiff::SignedDuration;

use crate::kitchen::{Kitchen, hours_ago};

/// A form as a browser sends it.
fn form(fields: &[(&str, &str)]) -> String {
    let encode = |text: &str| -> String {
        text.bytes()
            .map(|byte| {
                if byte.is_ascii_alphanumeric() {
                    char::from(byte).to_string()
                } else {
                    format!("%{byte:02X}")
                }
            })
            .collect()
    };
    let pairs: Vec<String> = fields
        .iter()
        .map(|(key, text)| format!("{key}={}", encode(text)))
        .collect();
    pairs.join("&")
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let rest = text.split_once(from).map_or("", |(_, rest)| rest);
    rest.split_once(to).map_or("", |(found, _)| found)
}

#[test]
fn a_batch_is_planned_and_watched_from_the_page_alone() {
    let kitchen = Kitchen::new();
    let daemon = kitchen.watch();
    let sealed = hours_ago(2).to_string();
    let fields = [
        ("name", "lime & mint 4"),
        ("culture", "jar two"),
        ("bottled_at", &sealed),
        ("sucrose_g_per_l", "60"),
        ("culture_ml_per_l", "25"),
        ("material", "glass"),
        ("capacity_ml", "500"),
        ("fill_ml", "475"),
        ("count", "6"),
        ("target_volumes", "2.8"),
        ("fridge_c", "4"),
        ("room_low_c", "21"),
        ("headspace", "air"),
        ("pilot", "pet"),
    ];
    let empty = daemon.get("/plan").expect("the form");
    assert!(
        empty.contains("Tell me what to expect") && !empty.contains("Move the bottles"),
        "{empty}"
    );
    // The limit is the user's own: nothing is guessed.
    let without = daemon.get(&format!("/plan?{}", form(&fields))).expect("a page");
    let beside = between(&without, "name=\"pressure_limit_bar\"", "</label>");
    assert!(
        beside.contains("Missing; allowed: above 0 to 100 bar"),
        "{without}"
    );

    let mut whole = fields.to_vec();
    whole.push(("pressure_limit_bar", "6"));
    // By its recipe, with a pilot of another size.
    let mut weighed: Vec<_> = whole
        .iter()
        .copied()
        .filter(|(key, _)| *key != "sucrose_g_per_l")
        .collect();
    weighed.extend([
        ("ingredients", "40 hibiscus flowers\n240 table_sugar"),
        ("recipe_makes_ml", "1000"),
        ("recipe_dilution", "1:3"),
        ("pilot_capacity_ml", "1000"),
        ("pilot_fill_ml", "900"),
    ]);
    let planned = daemon.get(&format!("/plan?{}", form(&weighed))).expect("a plan");
    for word in [
        "The sugar suffices",
        "mL and the others 500: it warms and cools about 1.3 times more slowly",
        "as much gas for its drink as they do",
    ] {
        assert!(planned.contains(word), "{word}: {planned}");
    }
    weighed.retain(|(key, _)| *key != "pilot_fill_ml");
    weighed.push(("pilot_fill_ml", "1001"));
    let wrong = daemon.get(&format!("/plan?{}", form(&weighed))).expect("a page");
    let beside = between(&wrong, "name=\"pilot_fill_ml\"", "</label>");
    assert!(beside.contains("class=\"why\""), "{wrong}");
    let planned = daemon.get(&format!("/plan?{}", form(&whole))).expect("a plan");
    for word in [
        "Move the bottles to the fridge about",
        "Bottles can burst",
        "holds alcohol",
        "The sugar suffices",
        "The pilot",
        "Days in the room",
        "lime &amp; mint 4",
    ] {
        assert!(planned.contains(word), "{word}: {planned}");
    }
    let file = between(&planned, "name=\"toml\" value=\"", "\"")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    let address = format!("http://127.0.0.1:{}/plan/watch", daemon.port());
    let post = |text: &str| {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .build()
            .into();
        let sent = agent
            .post(&address)
            .header("content-type", "application/x-www-form-urlencoded")
            .send(form(&[("toml", text)]));
        let mut answer = sent.expect("an answer");
        (
            answer.status().as_u16(),
            answer.body_mut().read_to_string().expect("text"),
        )
    };
    let (status, agenda) = post(&file);
    assert_eq!(status, 200, "the agenda, after a redirect: {agenda}");
    assert_eq!(daemon.json("/api/v1/batches")["batches"][0]["bottles"], 6);
    let (status, again) = post(&file);
    assert!(
        status == 422 && again.contains("already answers to"),
        "{status}: {again}"
    );

    kitchen.done(&["note", "lime & mint 4", "moved_to_fridge"]);
    let record = daemon.json("/api/v1/batches/lime-mint-4/rescue");
    assert_eq!(record["record"], "rescue", "{record}");
    let page = daemon.get("/batches/lime-mint-4/rescue").expect("a page");
    assert!(page.contains("What can be done for lime &amp; mint 4"), "{page}");
    assert!(page.contains("name=\"at\""), "it asks for another time: {page}");
    // A browser sends local times without seconds, and an empty field as an empty word.
    let later = (jiff::Timestamp::now() + jiff::SignedDuration::from_hours(24)).to_string();
    let later = later.get(..16).expect("a minute");
    for asked in ["", later] {
        let page = daemon.get(&format!("/batches/lime-mint-4/rescue?at={asked}"));
        assert!(
            page.is_ok_and(|page| page.contains("What can be done")),
            "{asked}"
        );
    }
    let told = kitchen.done(&["rescue", "lime & mint 4"]);
    assert!(told.contains("you want 2.80"), "{told}");
    kitchen.refused(
        &["rescue", "lime & mint 4", "--at", "2020-01-01 12:00"],
        2,
        "allowed: from",
    );
    assert!(daemon.get("/batches/nobody/rescue").is_err());
}

#[test]
fn cultures_and_experiments_stand_side_by_side_on_pages() {
    let kitchen = Kitchen::new();
    for (place, pulled_h) in [(1, 60.0), (2, 100.0)] {
        let mut scenario = Scenario::drawn(8);
        scenario.name = format!("pear and thyme {place}");
        scenario.lasts_h = 110.0;
        scenario.events = vec![Happening {
            at_h: pulled_h,
            kind: Deed::MovedToFridge,
            noted: true,
        }];
        let mut played = Simulation::run(&scenario, 8);
        for row in &mut played.readings {
            row.source = format!("{}-{place}", row.source);
        }
        let file = played
            .batch_toml
            .replace("= \"pilot\"", &format!("= \"pilot-{place}\""))
            .replace("= \"kitchen\"", &format!("= \"kitchen-{place}\""));
        let file = kitchen.write(
            &format!("{place}.toml"),
            &format!("experiment = \"which day\"\n{file}"),
        );
        kitchen.done(&["batch", "add", &file]);
        let rows: Vec<_> = played.readings.iter().step_by(6).cloned().collect();
        let rows = kitchen.write(&format!("{place}.csv"), &readings_csv(&rows));
        kitchen.done(&["import", &rows]);
        let taste = serde_json::json!({
            "time": scenario.bottled_at + SignedDuration::from_hours(109), "kind": "tasted",
            "text": if place == 1 { "light" } else { "right, and fine" },
        });
        let notes = format!("{}{taste}\n", notes_jsonl(&played.notes));
        kitchen.write(&format!("{place}.jsonl"), &notes);
        for note in notes.lines() {
            let note: serde_json::Value = serde_json::from_str(note).expect("a note");
            let mut words = vec![
                "note".to_owned(),
                scenario.name.clone(),
                note["kind"].as_str().expect("a kind").to_owned(),
            ];
            words.extend([
                "--time".to_owned(),
                note["time"].as_str().expect("a time").to_owned(),
            ]);
            if let Some(text) = note["text"].as_str() {
                words.extend(["--text".to_owned(), text.to_owned()]);
            }
            kitchen.done(&words.iter().map(String::as_str).collect::<Vec<_>>());
        }
    }
    let daemon = kitchen.watch();
    let page = daemon.get("/experiments").expect("a page");
    assert!(
        page.contains("Pear and thyme 2 was right, by what was tasted"),
        "{page}"
    );
    assert!(
        page.contains("and fine") && page.contains("data:image/svg+xml,"),
        "{page}"
    );
    let page = daemon.get("/compare").expect("a page");
    assert!(page.contains("is the only culture that can be told of"), "{page}");
    assert!(page.contains("Pear and thyme 1 (jar two)"), "{page}");
    assert!(daemon.get("/").expect("the agenda").contains("href=\"/plan\""));
}
