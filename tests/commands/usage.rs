//! Help, wrong usage, and whoever else may be at the address.

use std::{
    io::{Read, Write},
    net::TcpListener,
    thread,
};

use fobwatch_tests::{free_port, run};

use crate::kitchen::{Kitchen, batch};

#[test]
fn every_command_helps_with_an_example() {
    let short = run::<&str>("fobwatch", &[]);
    assert_eq!(short.status, Some(0));
    for command in [
        "watch", "status", "batch", "note", "ack", "shelve", "replay", "plan", "rescue", "table", "check",
    ] {
        assert!(
            short.stdout.contains(&format!("  {command}")),
            "{command}: {}",
            short.stdout
        );
        let help = run("fobwatch", &[command, "--help"]);
        assert_eq!(help.status, Some(0), "{command}");
        assert!(
            help.stdout.contains(&format!("\n  fobwatch {command}")),
            "{}",
            help.stdout
        );
    }
    for deed in ["add", "list", "end"] {
        let help = run("fobwatch", &["batch", deed, "--help"]);
        assert!(
            help.stdout.contains(&format!("\n  fobwatch batch {deed}")),
            "{}",
            help.stdout
        );
    }
}

#[test]
fn wrong_usage_ends_with_two_and_says_what_is_allowed() {
    let kitchen = Kitchen::new();
    for (arguments, why) in [
        (&["sing"][..], "sing"),
        (&["note"], "<NAME>"),
        (&["note", "plum 1", "--text", "a hiss"], "KIND"),
        (&["note", "plum 1", "sung_to"], "allowed: moved_to_fridge"),
        (&["note", "plum 1", "gauge", "--value", "2.1"], "--unit"),
        (
            &["note", "plum 1", "vented", "--time", "yesterday"],
            "with its offset, as 2026-12-05T12:00+01:00",
        ),
        (&["note", "plum 1", "vented", "--bottles", "0"], "1-4,6"),
        (
            &["note", "plum 1", "vented", "--file", "notes.jsonl"],
            "cannot be used with",
        ),
        (&["ack", "over_the_moon"], "allowed: fridge_soon"),
        (&["ack", "over_limit", "--clear"], "--reason"),
        (&["shelve", "fridge_soon"], "--for"),
        (&["shelve", "fridge_soon", "--for", "8h"], "--reason"),
        (
            &["shelve", "fridge_soon", "--for", "soon", "--reason", "x"],
            "as 8h, 30m",
        ),
        (
            &["shelve", "fridge_soon", "--for", "-8h", "--reason", "x"],
            "above zero",
        ),
        (
            &["shelve", "fridge_soon", "--unshelve", "--for", "8h"],
            "cannot be used with",
        ),
        (&["status", "--address", "kitchen"], "--address"),
        (&["batch"], "Usage"),
        (&["table", "--temperature", "20"], "--pressure"),
    ] {
        let finished = run("fobwatch", arguments);
        assert_eq!(finished.status, Some(2), "{arguments:?}: {finished:#?}");
        assert!(
            finished.stderr.contains(why),
            "{arguments:?}: {}",
            finished.stderr
        );
    }
    let bad = kitchen.write(
        "bad.toml",
        &batch("plum 1", 1, 6.0).replace("fill_ml = 475", "fill_ml = 700"),
    );
    kitchen.refused(&["batch", "add", &bad], 2, "fill_ml");
    kitchen.refused(&["batch", "add", &bad], 2, &bad);
    let nowhere = kitchen.path("nowhere.toml").display().to_string();
    kitchen.refused(&["batch", "add", &nowhere], 1, "cannot be read");
    assert!(!kitchen.path("data").exists(), "what is refused leaves no trace");
}

#[test]
fn nobody_and_strangers_at_the_address_are_told_apart() {
    let kitchen = Kitchen::new();
    let nobody = format!("127.0.0.1:{}", free_port());
    let finished = run("fobwatch", &["status", "--address", &nobody]);
    assert_eq!(finished.status, Some(1), "{finished:#?}");
    assert!(
        finished
            .stderr
            .contains(&format!("no fobwatch answers at {nobody}")),
        "{finished:#?}"
    );

    let stranger = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = stranger.local_addr().expect("an address").to_string();
    let answering = thread::spawn(move || {
        let (mut asked, _) = stranger.accept().expect("a question");
        let mut question = [0; 1024];
        assert!(asked.read(&mut question).expect("a question is read") > 0);
        asked
            .write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\nConnection: close\r\n\r\nhello")
            .expect("an answer is written");
    });
    let finished = run("fobwatch", &["status", "--address", &address]);
    assert_eq!(finished.status, Some(1), "{finished:#?}");
    assert!(finished.stderr.contains("is not fobwatch"), "{finished:#?}");
    answering.join().expect("the stranger has answered");

    // A daemon holds the folder, and is asked for at an address where nobody is.
    let daemon = kitchen.watch();
    kitchen.refused(
        &["batch", "list", "--address", &nobody],
        1,
        "holds the data folder",
    );
    assert_eq!(daemon.stop(), Some(0));
    assert!(
        kitchen
            .done(&["batch", "list", "--address", &nobody])
            .contains("No batch")
    );
}
