//! Simulator -> a real pseudo-terminal -> watch -> store -> alert, with the plug pulled on the way.

use std::{
    process::{Child, Command, Stdio},
    time::Duration,
};

use fobwatch_tests::{Daemon, program, wait_for};

use crate::kitchen::{Disk, Kitchen, SEED};

const PATIENCE: Duration = Duration::from_secs(300);

fn simulator(kitchen: &Kitchen, link: &str, more: &[&str]) -> Child {
    Command::new(program("fobwatch-simulator"))
        .args([
            "pty",
            "--scenario",
            &kitchen.text_path("scenario.toml"),
            "--seed",
            &SEED.to_string(),
        ])
        .args(["--speed", "max", "--link", link])
        .args(more)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

#[test]
fn a_batch_over_a_serial_line_ends_in_a_move_alert_though_the_plug_was_pulled() {
    let kitchen = Kitchen::new("plain", 112.0);
    let link = kitchen.text_path("serial");
    let config = kitchen.write(
        "serial.toml",
        &format!(
            "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n\n[[serial]]\nport = \"{link}\"\nbaud = 115200\n\
             format = \"senml\"\n"
        ),
    );
    let data = kitchen.path("data");
    // The port is not there yet: the daemon waits for it.
    let daemon = Daemon::start(&config, &data, &kitchen.batches());

    let mut first = simulator(&kitchen, &link, &["--noise", "--stay"]);
    let stored = || Disk::open(&data).count("SELECT count(*) FROM reading");
    let wanted = kitchen.distinct_readings();
    wait_for("a third of the readings", PATIENCE, || {
        (stored() >= wanted / 3).then_some(())
    });
    // Pulled: the terminal goes away with the simulator.
    first.kill().unwrap();
    first.wait().unwrap();
    std::fs::remove_file(&link).ok();

    // Plugged in again; what it had sent comes once more and counts once.
    let mut second = simulator(&kitchen, &link, &["--stay"]);
    wait_for("every reading on disk", PATIENCE, || {
        (stored() == wanted).then_some(())
    });
    wait_for("move_to_fridge", PATIENCE, || {
        let raised = "SELECT body FROM alert WHERE alert = 'move_to_fridge' AND state = 'raised'";
        Disk::open(&data).texts(raised).into_iter().next()
    });
    second.kill().unwrap();
    second.wait().unwrap();
    assert_eq!(daemon.stop(), Some(0));
}
