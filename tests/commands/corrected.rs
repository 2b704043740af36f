//! What was entered is corrected: by a running daemon, by the store alone, and what an export then holds.

use serde_json::Value;

use crate::kitchen::{Kitchen, batch, lively};

fn changes(records: &[Value]) -> Vec<String> {
    let changes = records[0]["changes"].as_array().expect("changes").iter();
    changes
        .map(|change| change["key"].as_str().expect("a key").to_owned())
        .collect()
}

#[test]
fn entries_are_corrected_with_and_without_a_daemon() {
    let kitchen = Kitchen::new();
    let text = batch("plum 1", 5, 20.0);
    let file = kitchen.write("batches/plum-1.toml", &text);
    let daemon = kitchen.watch();
    kitchen.done(&["note", "plum 1", "tasted", "--text", "light"]);
    kitchen.refused(
        &["batch", "correct", "plum 1", "--set", "bottle.fill_ml=900"],
        2,
        "bottle.fill_ml",
    );
    kitchen.refused(
        &["batch", "correct", "plum 1", "--set", "name=plum 2"],
        2,
        "a batch keeps its name",
    );
    kitchen.refused(
        &["batch", "correct", "plum 1", "--set", "bottle.fil_ml=470"],
        2,
        "did you mean",
    );
    let done = kitchen.records(&[
        "batch",
        "correct",
        "plum 1",
        "--set",
        "bottle.fill_ml=470",
        "--set",
        "culture=jar three",
        "--who",
        "Ada",
    ]);
    assert_eq!(done[0]["deed"], "corrected");
    assert_eq!(changes(&done), ["bottle.fill_ml", "culture"]);
    assert_eq!(daemon.stop(), Some(0));

    // The file of the folder tells how it was entered at first, and is no other batch.
    let said = kitchen.run(&[
        "batch",
        "correct",
        "plum-1",
        "--set",
        "bottle.pressure_limit_bar=3.5",
    ]);
    assert_eq!(said.status, Some(0), "{said:#?}");
    assert!(
        said.stdout.contains("bottle.pressure_limit_bar was 20, is 3.5")
            && said
                .stderr
                .contains("YOUR PRESSURE LIMIT GOES FROM 20 BAR TO 3.5 BAR"),
        "{said:#?}"
    );
    let daemon = kitchen.watch();
    kitchen.done(&["status"]);
    let shown = daemon.json("/api/v1/batches");
    assert_eq!(shown["batches"].as_array().map(Vec::len), Some(1), "{shown}");
    assert_eq!(shown["batches"][0]["limit_bar"], 3.5, "{shown}\n{}", daemon.log());
    assert!(
        !daemon.log().contains("differs from the batch"),
        "{}",
        daemon.log()
    );

    // A whole file, mended.
    let mended = kitchen.write("mended.toml", &text.replace("fill_ml = 475", "fill_ml = 480"));
    let done = kitchen.records(&["batch", "correct", "plum 1", &mended]);
    assert_eq!(
        changes(&done),
        ["bottle.fill_ml", "bottle.pressure_limit_bar", "culture"]
    );
    let done = kitchen.done(&["batch", "correct", "plum 1", &mended]);
    assert!(done.contains("nothing was changed"), "{done}");

    // The export holds the entries as they are, and those before them; it can be gone over.
    let folder = kitchen.path("export").display().to_string();
    kitchen.done(&["export", "--batch", "plum 1", "--to", &folder]);
    let exported = std::fs::read_to_string(kitchen.path("export/batch.toml")).expect("a file");
    assert!(
        exported.contains("\nfill_ml = 480\n") && exported.contains("\n# fill_ml = 470\n"),
        "{exported}"
    );
    assert!(exported.contains("corrected by Ada ---"), "{exported}");
    let notes = std::fs::read_to_string(kitchen.path("export/notes.jsonl")).expect("a file");
    assert_eq!(notes.matches("\"corrected\"").count(), 3, "{notes}");
    let export = |name: &str| kitchen.path(&format!("export/{name}")).display().to_string();
    let replayed = |batch: &str| {
        let finished = fobwatch_tests::run(
            "fobwatch",
            &[
                "replay",
                "--batch",
                batch,
                "--readings",
                &export("readings.csv"),
                "--notes",
                &export("notes.jsonl"),
            ],
        );
        assert_eq!(finished.status, Some(0), "{finished:#?}");
        finished.stdout
    };
    assert_eq!(replayed(&export("batch.toml")), replayed(&mended));
    // And it can be taken as another one's notes.
    let other = kitchen.write("other.toml", &batch("plum 2", 5, 6.0));
    kitchen.done(&["batch", "add", &other]);
    let noted = kitchen.records(&["note", "plum 2", "--file", &export("notes.jsonl")]);
    assert_eq!(noted.len(), 1, "{noted:?}");
    assert!(
        std::fs::read_to_string(&file)
            .expect("a file")
            .contains("fill_ml = 475")
    );
}

#[test]
fn an_alert_of_a_wrong_limit_ends_with_the_right_one() {
    let kitchen = Kitchen::new();
    let file = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    let _daemon = kitchen.watch();
    kitchen.done(&["batch", "add", &file]);
    kitchen.wait_for_state("limit_near", "unacknowledged");
    kitchen.done(&[
        "batch",
        "correct",
        "hibiscus 12",
        "--set",
        "bottle.pressure_limit_bar=40",
    ]);
    fobwatch_tests::wait_for("no alert of the limit", crate::kitchen::PATIENCE, || {
        kitchen.state("limit_near").is_none().then_some(())
    });
}
