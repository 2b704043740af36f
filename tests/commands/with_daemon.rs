//! A daemon runs: the commands ask it.

use crate::kitchen::{Kitchen, batch, hours_ago, lively};

#[test]
fn a_batch_is_added_listed_noted_and_ended() {
    let kitchen = Kitchen::new();
    let daemon = kitchen.watch();
    let empty = kitchen.done(&["batch", "list"]);
    assert!(empty.contains("No batch is watched yet"), "{empty}");

    let file = kitchen.write("hibiscus-12.toml", &batch("hibiscus 12", 3, 6.0));
    let added = kitchen.done(&["batch", "add", &file]);
    assert!(
        added.contains("hibiscus 12 is watched by the fobwatch at 127.0.0.1"),
        "{added}"
    );
    kitchen.refused(
        &["batch", "add", &file],
        2,
        "a live batch already answers to `hibiscus 12`",
    );
    let listed = kitchen.records(&["batch", "list"]);
    assert_eq!(listed.len(), 1, "{listed:?}");
    assert_eq!(listed[0]["slug"], "hibiscus-12");
    assert_eq!(listed[0]["bottles"], 8);
    assert_eq!(listed[0]["limit_bar"], 6.0);

    // By its name, by its slug, and with what a note may hold.
    let at = hours_ago(1).to_string();
    let noted = kitchen.records(&[
        "note",
        "hibiscus 12",
        "moved_to_fridge",
        "--bottles",
        "1-8",
        "--time",
        &at,
    ]);
    assert_eq!(noted[0]["kind"], "moved_to_fridge");
    assert_eq!(noted[0]["time"], at.as_str());
    kitchen.done(&[
        "note",
        "hibiscus-12",
        "gauge",
        "--value",
        "0.4",
        "--unit",
        "bar",
        "--text",
        "by eye",
    ]);
    kitchen.refused(
        &["note", "hibiscus 12", "opened", "--bottles", "9"],
        2,
        "allowed: 1 to 8",
    );
    kitchen.refused(&["note", "plum 1", "vented"], 2, "allowed: 'hibiscus 12'");
    let tomorrow = hours_ago(-24).to_string();
    kitchen.refused(
        &["note", "hibiscus 12", "vented", "--time", &tomorrow],
        2,
        "to the present",
    );
    let shown = daemon.json("/api/v1/batches");
    assert_eq!(shown["batches"][0]["place"], "fridge", "{shown}");

    let status = kitchen.done(&["status"]);
    assert!(status.contains("hibiscus 12"), "{status}");
    let ended = kitchen.done(&["batch", "end", "hibiscus 12"]);
    assert!(ended.contains("no longer watched"), "{ended}");
    assert_eq!(daemon.json("/api/v1/batches")["batches"], serde_json::json!([]));
    kitchen.refused(&["batch", "end", "hibiscus 12"], 2, "none is watched yet");
}

#[test]
fn notes_of_a_file_are_all_taken_or_none() {
    let kitchen = Kitchen::new();
    let daemon = kitchen.watch();
    let file = kitchen.write("plum-1.toml", &batch("plum 1", 3, 6.0));
    kitchen.done(&["batch", "add", &file]);
    let at = hours_ago(2).to_string();
    let moved = format!("{{\"time\":\"{at}\",\"kind\":\"moved_to_fridge\"}}\n");
    let notes = kitchen.write(
        "notes.jsonl",
        &format!("{moved}\n{{\"kind\":\"sung_to\"}}\n{{\"kind\":\"gauge\"}}\n"),
    );
    let command = ["note", "plum 1", "--file", &notes];
    kitchen.refused(&command, 2, "no note of it was taken");
    kitchen.refused(&command, 2, "line 3: note kind `sung_to` is not known");
    kitchen.refused(&command, 2, "line 4: `value` is empty");
    assert_eq!(daemon.json("/api/v1/batches")["batches"][0]["place"], "room");

    kitchen.write(
        "notes.jsonl",
        &format!("\u{feff}{moved}{{\"kind\":\"tasted\",\"text\":\"dry\"}}"),
    );
    assert_eq!(kitchen.records(&command).len(), 2);
    assert_eq!(daemon.json("/api/v1/batches")["batches"][0]["place"], "fridge");
}

#[test]
fn an_alert_is_acknowledged_shelved_and_brought_back() {
    let kitchen = Kitchen::new();
    let _daemon = kitchen.watch();
    let first = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    kitchen.done(&["batch", "add", &first]);
    kitchen.wait_for_state("limit_near", "unacknowledged");

    let done = kitchen.records(&["ack", "limit_near", "--who", "Ada"]);
    assert_eq!(done[0]["deed"], "acknowledge");
    assert_eq!(done[0]["who"], "Ada");
    assert_eq!(kitchen.state("limit_near").as_deref(), Some("acknowledged"));
    let reason = "the crate stands in the cellar";
    let shelved = kitchen.done(&["shelve", "limit_near", "--for", "20h", "--reason", reason]);
    assert!(
        shelved.contains("is shelved until") && shelved.contains("UTC"),
        "{shelved}"
    );
    assert_eq!(kitchen.state("limit_near").as_deref(), Some("shelved"));
    kitchen.done(&["shelve", "limit_near", "--unshelve"]);
    assert_eq!(kitchen.state("limit_near").as_deref(), Some("acknowledged"));
    kitchen.refused(
        &["shelve", "limit_near", "--for", "31d", "--reason", reason],
        2,
        "30 days",
    );
    kitchen.refused(
        &["ack", "limit_near", "--clear", "--reason", reason],
        2,
        "clears by itself",
    );
    kitchen.refused(
        &["ack", "sudden_loss"],
        2,
        "sudden_loss does not stand for any batch; what stands: limit_near",
    );

    // Two batches have it: which is meant must be said.
    let second = kitchen.write("plum-1.toml", &lively("plum 1"));
    kitchen.done(&["batch", "add", &second]);
    fobwatch_tests::wait_for("limit_near of both", crate::kitchen::PATIENCE, || {
        let near = |record: &serde_json::Value| record["alerts"].to_string().contains("limit_near");
        (kitchen
            .records(&["status"])
            .iter()
            .filter(|record| near(record))
            .count()
            == 2)
            .then_some(())
    });
    let shelve = ["shelve", "limit_near", "--for", "8h", "--reason", reason];
    kitchen.refused(&shelve, 2, "one of them with --batch: 'hibiscus 12', 'plum 1'");
    let shelved = kitchen.done(&[&shelve[..], &["--batch", "plum-1"]].concat());
    assert!(shelved.contains("limit_near of plum 1"), "{shelved}");
}

#[test]
fn what_is_latched_is_cleared_by_a_person_with_a_reason() {
    let kitchen = Kitchen::new();
    let daemon = kitchen.watch();
    let file = kitchen.write("hibiscus-12.toml", &batch("hibiscus 12", 1, 6.0));
    kitchen.done(&["batch", "add", &file]);
    // A gauge read by eye, twice, since a single leap is not believed.
    let gauge = ["note", "hibiscus 12", "gauge", "--unit", "bar", "--value"];
    kitchen.done(&[&gauge[..], &["6.1"]].concat());
    kitchen.done(&[&gauge[..], &["6.2"]].concat());
    assert_eq!(
        kitchen.state("over_limit").as_deref(),
        Some("unacknowledged"),
        "{}",
        daemon.log()
    );
    let status = kitchen.run(&["status"]);
    assert!(status.stdout.starts_with("Danger"), "{status:#?}");
    assert!(
        status
            .stdout
            .contains("fobwatch ack over_limit --batch 'hibiscus 12'"),
        "{status:#?}"
    );

    let shelve = ["shelve", "over_limit", "--for", "8h", "--reason", "later"];
    kitchen.refused(&shelve, 2, "cannot be shelved");
    kitchen.done(&["ack", "over_limit"]);
    assert_eq!(kitchen.state("over_limit").as_deref(), Some("acknowledged"));
    let clear = [
        "ack",
        "over_limit",
        "--clear",
        "--reason",
        "cold for two days, let off with care",
    ];
    kitchen.refused(&clear, 2, "cannot be cleared while its condition is present");
    kitchen.refused(&["ack", "over_limit", "--clear"], 2, "--reason");
}

#[test]
fn an_alert_is_taken_out_of_service_and_put_back_but_none_of_pressure() {
    let kitchen = Kitchen::new();
    let _daemon = kitchen.watch();
    let first = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    kitchen.done(&["batch", "add", &first]);
    kitchen.wait_for_state("limit_near", "unacknowledged");
    let reason = "it stands in the cellar on purpose";
    kitchen.refused(
        &["service", "limit_near", "--out", "--reason", reason],
        2,
        "limit_near",
    );
    let out = kitchen.done(&[
        "service",
        "outside_temperature",
        "--out",
        "--reason",
        reason,
        "--who",
        "Ada",
    ]);
    assert!(out.contains("outside_temperature"), "{out}");
    assert_eq!(
        kitchen.state("outside_temperature").as_deref(),
        Some("out_of_service")
    );
    let told = kitchen.done(&["status"]);
    assert!(told.contains("out of service"), "{told}");
    kitchen.done(&["service", "outside_temperature", "--back"]);
    assert_ne!(
        kitchen.state("outside_temperature").as_deref(),
        Some("out_of_service")
    );
}

#[test]
fn of_many_batches_the_most_urgent_are_told_and_all_on_demand() {
    let kitchen = Kitchen::new();
    for number in 0..103 {
        let name = format!("plum {number:03}");
        kitchen.write(&format!("batches/{number}.toml"), &batch(&name, 1, 6.0));
    }
    let _daemon = kitchen.watch();
    let told = kitchen.done(&["status"]);
    assert!(
        told.contains("3 more batches, less urgent, are watched: fobwatch status --all"),
        "{told}"
    );
    assert_eq!(told.lines().filter(|line| line.starts_with("plum ")).count(), 100);
    let slugs = |arguments: &[&str]| {
        let records = kitchen.records(arguments);
        let mut slugs: Vec<String> = records.iter().map(|record| record["slug"].to_string()).collect();
        slugs.sort();
        slugs.dedup();
        slugs.len()
    };
    assert_eq!(slugs(&["status"]), 100);
    assert_eq!(slugs(&["status", "--all"]), 103);
    assert_eq!(slugs(&["batch", "list"]), 103);
    assert_eq!(slugs(&["status", "plum 102"]), 1);
    kitchen.refused(&["note", "quince 1", "vented"], 2, "and 3 more");
    kitchen.refused(&["status", "--all", "plum 1"], 2, "cannot be used with");
}
