//! No daemon runs: the commands write to the store, and the next `watch` takes it up.

use std::process::Command;

use fobwatch_tests::{free_port, program};
use serde_json::json;

use crate::kitchen::{Kitchen, batch, hours_ago, lively};

#[test]
fn what_is_written_without_a_daemon_counts_at_the_next_start() {
    let kitchen = Kitchen::new();
    kitchen.refused(&["status"], 1, "nothing was ever kept in");
    let hibiscus = kitchen.write("hibiscus-12.toml", &batch("hibiscus 12", 5, 20.0));
    let plum = kitchen.write("plum-1.toml", &batch("plum 1", 5, 20.0));
    let added = kitchen.run(&["batch", "add", &hibiscus]);
    assert_eq!(added.status, Some(0), "{added:#?}");
    assert!(
        added
            .stdout
            .contains("will be watched from the next `fobwatch watch` on"),
        "{added:#?}"
    );
    assert!(
        added.stderr.contains("nobody listens to the sensors"),
        "{added:#?}"
    );
    kitchen.done(&["batch", "add", &plum]);
    kitchen.refused(&["batch", "add", &plum], 2, "already answers to `plum 1`");
    assert_eq!(kitchen.records(&["batch", "list"]).len(), 2);

    // Before the batch was ever watched, of an hour that is past.
    let at = hours_ago(2).to_string();
    kitchen.done(&[
        "note",
        "hibiscus 12",
        "moved_to_fridge",
        "--bottles",
        "1-8",
        "--time",
        &at,
    ]);
    kitchen.refused(
        &["note", "hibiscus 12", "opened", "--bottles", "9"],
        2,
        "allowed: 1 to 8",
    );
    kitchen.done(&["batch", "end", "plum 1"]);
    let status = kitchen.records(&["status"]);
    assert_eq!(status.len(), 1, "{status:?}");
    assert!(
        status[0]["needs"][0]["what"]
            .as_str()
            .unwrap()
            .contains("in the fridge"),
        "{status:?}"
    );

    let daemon = kitchen.watch();
    // It answers once the engines have taken what is stored.
    kitchen.done(&["status"]);
    let shown = daemon.json("/api/v1/batches");
    assert_eq!(shown["batches"].as_array().unwrap().len(), 1, "{shown}");
    assert_eq!(shown["batches"][0]["slug"], "hibiscus-12");
    assert_eq!(
        shown["batches"][0]["place"],
        "fridge",
        "{shown}\n{}",
        daemon.log()
    );
    assert_eq!(daemon.stop(), Some(0));

    // And between two runs: the batch goes on from where it was left.
    kitchen.done(&["note", "hibiscus 12", "taken_out"]);
    let daemon = kitchen.watch();
    kitchen.done(&["status"]);
    let shown = daemon.json("/api/v1/batches");
    assert_eq!(shown["batches"][0]["place"], "room", "{shown}\n{}", daemon.log());
}

#[test]
fn an_alert_is_seen_and_shelved_without_a_daemon() {
    let kitchen = Kitchen::new();
    let file = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    kitchen.done(&["batch", "add", &file]);
    assert_eq!(kitchen.state("limit_near").as_deref(), Some("unacknowledged"));
    kitchen.done(&["ack", "limit_near", "--who", "Ada"]);
    assert_eq!(kitchen.state("limit_near").as_deref(), Some("acknowledged"));
    kitchen.refused(
        &["ack", "limit_near", "--clear", "--reason", "gone"],
        2,
        "clears by itself",
    );
    let reason = ["--reason", "the crate stands in the cellar"];
    kitchen.done(&[&["shelve", "limit_near", "--for", "23h 30m"], &reason[..]].concat());

    let daemon = kitchen.watch();
    kitchen.wait_for_state("limit_near", "shelved");
    kitchen.done(&["shelve", "limit_near", "--unshelve"]);
    let alerts = daemon.json("/api/v1/alerts");
    let near = alerts["alerts"]
        .as_array()
        .unwrap()
        .iter()
        .find(|alert| alert["alert"] == "limit_near");
    assert_eq!(near.unwrap()["state"], json!("acknowledged"), "{alerts}");
}

#[test]
fn without_a_home_the_usual_address_is_tried_and_then_it_says_what_to_name() {
    let kitchen = Kitchen::new();
    let homeless = |port: u16| {
        let config = kitchen.write(
            &format!("at-{port}.toml"),
            &format!("[http]\nlisten = \"127.0.0.1:{port}\"\n"),
        );
        let mut list = Command::new(program("fobwatch"));
        for name in ["HOME", "XDG_DATA_HOME", "STATE_DIRECTORY", "FOBWATCH_DATA"] {
            list.env_remove(name);
        }
        let told = list.args(["batch", "list", "--config", &config]).output();
        let told = told.expect("it starts");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (told.status.code(), text(&told.stdout), text(&told.stderr))
    };
    let port = free_port();
    let (status, _, complaint) = homeless(port);
    assert_eq!(status, Some(2), "{complaint}");
    for word in [
        &format!("no fobwatch answers at 127.0.0.1:{port}"),
        "--data",
        "--address",
    ] {
        assert!(complaint.contains(word), "{complaint}");
    }
    let daemon = kitchen.watch();
    let (status, told, complaint) = homeless(daemon.port());
    assert_eq!(status, Some(0), "{complaint}");
    assert!(told.contains("No batch is watched yet"), "{told}");
}
