//! The readings come whole through a real pseudo-terminal, and through the files.

use fobwatch_simulator::{Scenario, Simulation};
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

const PROGRAM: &str = env!("CARGO_BIN_EXE_fobwatch-simulator");

#[test]
fn every_reading_comes_through_a_noisy_terminal() {
    let scenario = Scenario::shipped("gravity_only").expect("shipped");
    let wanted: Vec<String> = Simulation::run(&scenario, 5)
        .readings
        .iter()
        .map(fobwatch_simulator::Emitted::csv_row)
        .collect();
    let mut child = Command::new(PROGRAM)
        .args([
            "pty",
            "--scenario",
            "gravity_only",
            "--seed",
            "5",
            "--format",
            "csv",
            "--noise",
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    let mut path = String::new();
    BufReader::new(child.stdout.take().expect("piped"))
        .read_line(&mut path)
        .expect("a path");
    let mut terminal = BufReader::new(File::open(path.trim()).expect("the terminal opens"));
    let (mut found, mut junk) = (0, 0);
    while found < wanted.len() {
        let mut line = Vec::new();
        let read = terminal
            .read_until(b'\n', &mut line)
            .expect("the terminal is read");
        assert!(read > 0, "the terminal ended after {found} readings");
        if line.strip_suffix(b"\n") == Some(wanted[found].as_bytes()) {
            found += 1;
        } else {
            junk += 1;
        }
    }
    assert!(junk > 100, "{junk} lines of noise");
    assert!(child.wait().expect("it ends").success());
}

#[test]
fn wrong_input_is_refused_with_status_two() {
    for arguments in [
        vec!["write", "--scenario", "no such", "--out", "nowhere"],
        vec!["write", "--scenario", "drawn:x", "--out", "nowhere"],
        vec!["mqtt", "--scenario", "plain", "--broker", "host", "--topic", "x"],
        vec!["mqtt", "--scenario", "plain", "--broker", "h:1", "--topic", "x/#"],
        vec!["pty", "--scenario", "plain", "--speed", "nan"],
    ] {
        let output = Command::new(PROGRAM)
            .args(&arguments)
            .output()
            .expect("it starts");
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(!output.stderr.is_empty(), "{arguments:?}");
    }
}
