//! Simulator -> a real pseudo-terminal -> watch -> store -> alert, with the plug pulled on the way.

use std::process::{Child, Command, Stdio};

use fobwatch_tests::{Daemon, program, wait_for};

use crate::kitchen::{Disk, Kitchen, PATIENCE, SEED};

/// What the kernel may hold for a terminal that nobody reads, in readings: 4 KiB each way, at 80 bytes or more.
const WAITING_AT_OPEN: usize = 110;

fn simulator(kitchen: &Kitchen, link: &str, more: &[&str]) -> Child {
    Command::new(program("fobwatch-simulator"))
        .args(["pty", "--scenario", &kitchen.text_path("scenario.toml")])
        .args(["--seed", &SEED.to_string()])
        .args(["--speed", "max", "--link", link, "--stay"])
        .args(more)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

#[test]
fn a_batch_over_a_serial_line_ends_in_a_move_alert_though_the_plug_was_pulled() {
    let kitchen = Kitchen::new("plain", 106.0);
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

    let mut first = simulator(&kitchen, &link, &["--noise"]);
    let stored = || Disk::open(&data).count("SELECT coalesce(sum(count), 0) FROM held");
    let sent: Vec<_> = kitchen.in_order().collect();
    wait_for("a third of the readings", PATIENCE, || {
        (stored() >= sent.len() / 3).then_some(())
    });
    // Pulled: the terminal goes away with the simulator.
    first.kill().unwrap();
    first.wait().unwrap();
    std::fs::remove_file(&link).unwrap();

    // Plugged in again; what it had sent comes once more and counts once.
    let mut second = simulator(&kitchen, &link, &[]);
    wait_for("move_to_fridge", PATIENCE, || {
        let raised = "SELECT body FROM alert WHERE alert = 'move_to_fridge' AND state = 'raised'";
        Disk::open(&data).texts(raised).into_iter().next()
    });
    kitchen.wait_until_thought(&daemon);
    second.kill().unwrap();
    second.wait().unwrap();
    let log = daemon.log();
    assert!(log.contains("Not connected") && log.contains(&link), "{log}");
    assert_eq!(daemon.stop(), Some(0));

    // What waited in the line before the port was open is thrown away, since nobody knows how old it is; all that came
    // after is there once and in order.
    let stored = Disk::open(&data).readings();
    let missing = sent.len() - stored.len();
    assert!(missing <= WAITING_AT_OPEN, "{missing} readings are missing");
    assert!(stored == sent[missing..], "the rest is there once and in order");
}
