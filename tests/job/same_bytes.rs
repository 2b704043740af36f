//! The same input gives the same bytes, on one thread and on many.

use std::process::Command;

use fobwatch_simulator::{Scenario, Simulation};
use fobwatch_tests::program;

use crate::{
    kitchen::SEED,
    replayed::{replay, write},
};

#[test]
fn replay_gives_the_same_bytes_alone_on_one_processor_and_beside_others() {
    let played = Simulation::run(&Scenario::shipped("sensor_trouble").unwrap(), SEED);
    let folder = tempfile::tempdir().unwrap();
    write(&played, 36, folder.path());
    let path = |name: &str| folder.path().join(name);
    let alone = Command::new("taskset")
        .args(["--cpu-list", "0"])
        .arg(program("fobwatch"))
        .args(["replay", "--batch"])
        .arg(path("batch.toml"))
        .arg("--readings")
        .arg(path("readings.csv"))
        .arg("--notes")
        .arg(path("notes.jsonl"))
        .output()
        .unwrap();
    let alone = String::from_utf8(alone.stdout).unwrap();
    assert!(alone.lines().count() > 6, "{alone}");
    std::thread::scope(|scope| {
        let others: Vec<_> = (0..2)
            .map(|_| scope.spawn(|| replay(folder.path()).stdout))
            .collect();
        for other in others {
            assert_eq!(other.join().unwrap(), alone);
        }
    });
}
