//! A note was wrong: it is told, taken back with and without a daemon, and what an export then holds.

use serde_json::Value;

use crate::kitchen::{Kitchen, batch};

fn minute(record: &Value) -> String {
    record["time"].as_str().expect("a time")[..16].replace('T', " ")
}

#[test]
fn a_note_is_taken_back_with_and_without_a_daemon_and_an_export_replays_without_it() {
    let kitchen = Kitchen::new();
    let plastic = batch("plum 1", 5, 12.0).replace("glass", "pet");
    kitchen.write("batches/plum-1.toml", &plastic);
    let daemon = kitchen.watch();
    let told = kitchen.done(&["note", "plum 1"]);
    assert!(told.contains("Nothing was noted of plum 1 yet."), "{told}");
    kitchen.done(&["note", "plum 1", "opened", "--bottles", "3", "--text", "gushing"]);
    kitchen.done(&["note", "plum 1", "tasted", "--text", "light"]);
    let told = kitchen.done(&["note", "plum-1"]);
    assert!(
        told.contains(": opened no. 3: gushing\n") && told.contains(" UTC: tasted: light\n"),
        "{told}"
    );

    let noted = kitchen.records(&["note", "plum 1"]);
    let at = minute(&noted[0]);
    kitchen.refused(&["note", "plum 1", "taken_back"], 2, "--time '2026-03-05 15:00'");
    kitchen.refused(
        &["note", "plum 1", "taken_back", "--time", "2026-01-01 07:00"],
        2,
        "Thursday 1 January 2026, 07:00 UTC",
    );
    kitchen.refused(
        &["note", "plum 1", "vented", "--reason", "it was bottle 4"],
        2,
        "stand only with taken_back",
    );
    let done = kitchen.done(&[
        "note",
        "plum 1",
        "taken_back",
        "--time",
        &at,
        "--text",
        "opened",
        "--reason",
        "it was bottle 4",
        "--who",
        "Ada",
    ]);
    assert!(
        done.contains("Taken back of plum 1: opened no. 3: gushing, ") && done.contains("never said"),
        "{done}"
    );
    kitchen.refused(
        &["note", "plum 1", "taken_back", "--time", &at, "--text", "opened"],
        2,
        "allowed:",
    );
    assert_eq!(daemon.stop(), Some(0));

    // Without one, too; the next takes it up.
    let at = minute(&noted[1]);
    kitchen.done(&["note", "plum 1", "taken_back", "--time", &at, "--text", "tasted"]);
    kitchen.done(&["note", "plum 1", "squeezed", "--text", "firm", "--time", &at]);
    let daemon = kitchen.watch();
    let told = kitchen.done(&["note", "plum 1"]);
    assert!(
        told.contains("opened no. 3: gushing (Ada took it back: it was bottle 4, ")
            && told.contains("tasted: light ("),
        "{told}"
    );
    assert_eq!(told.matches("took it back").count(), 2, "{told}");

    let folder = kitchen.path("export").display().to_string();
    kitchen.done(&["export", "--batch", "plum 1", "--to", &folder]);
    let notes = std::fs::read_to_string(kitchen.path("export/notes.jsonl")).expect("a file");
    assert_eq!(
        (notes.lines().count(), notes.matches("\"takes_back\"").count()),
        (5, 2),
        "{notes}"
    );
    let export = |name: &str| kitchen.path(&format!("export/{name}")).display().to_string();
    let replayed = |notes: &str| {
        let finished = fobwatch_tests::run(
            "fobwatch",
            &[
                "replay",
                "--batch",
                &export("batch.toml"),
                "--readings",
                &export("readings.csv"),
                "--notes",
                notes,
            ],
        );
        assert_eq!(finished.status, Some(0), "{finished:#?}");
        finished.stdout
    };
    let said: Vec<&str> = notes
        .lines()
        .filter(|line| line.contains("\"squeezed\""))
        .collect();
    assert_eq!(said.len(), 1, "{notes}");
    let (once, all) = (kitchen.write("said.jsonl", said[0]), export("notes.jsonl"));
    assert_eq!(replayed(&all), replayed(&once));
    let wrong: Vec<&str> = notes
        .lines()
        .filter(|line| !line.contains("\"takes_back\""))
        .collect();
    assert_ne!(
        replayed(&all),
        replayed(&kitchen.write("wrong.jsonl", &wrong.join("\n")))
    );

    // The file may be handed in again, and be taken as another one's.
    kitchen.done(&["note", "plum 1", "--file", &all]);
    let other = kitchen.write("other.toml", &plastic.replace("plum 1", "plum 2"));
    kitchen.done(&["batch", "add", &other]);
    kitchen.done(&["note", "plum 2", "--file", &all]);
    for name in ["plum 1", "plum 2"] {
        let kept = kitchen.records(&["note", name]);
        assert_eq!(kept.len(), 5, "{name}: {kept:?}");
    }
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn what_the_batch_rules_out_is_refused_with_a_sentence_and_local_times() {
    let kitchen = Kitchen::new();
    kitchen.write("batches/plum-1.toml", &batch("plum 1", 5, 12.0));
    let daemon = kitchen.watch();
    kitchen.refused(
        &["note", "plum 1", "squeezed", "--text", "hard"],
        2,
        "not of plastic",
    );
    kitchen.done(&["note", "plum 1", "broken", "--bottles", "2,3"]);
    kitchen.refused(
        &["note", "plum 1", "opened", "--bottles", "3", "--text", "flat"],
        2,
        "names number 3, which was noted as broken, ",
    );
    kitchen.done(&["note", "plum 1", "opened", "--bottles", "4", "--text", "flat"]);
    for time in ["2024-03-05 15:00", "2031-03-05 15:00"] {
        let said = kitchen.run(&["note", "plum 1", "vented", "--time", time]);
        assert_eq!(said.status, Some(2), "{said:#?}");
        assert!(
            said.stderr.contains("5 March 20") && said.stderr.contains(", 15:00 UTC; allowed: from "),
            "{said:#?}"
        );
        assert!(
            !said.stderr.contains("00Z") && said.stderr.contains("\" on your own clock"),
            "{said:#?}"
        );
    }
    assert_eq!(daemon.stop(), Some(0));
}
