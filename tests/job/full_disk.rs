//! A disk that fills up under a running daemon, and gets room again: nothing acknowledged is lost, nothing is forgotten, and
//! whoever looks is told meanwhile.

use std::process::{Command, Stdio};

use fobwatch_tests::{Broker, Daemon, Terminal, program, run, wait_for};

use crate::kitchen::{Disk, Kitchen, PATIENCE, until_online};

/// Simulated seconds in one: a day takes ten.
const SPEED: &str = "8640";
/// Less than any file of the store has: every write fails.
const NO_ROOM: Option<u64> = Some(4_096);

fn stored(data: &std::path::Path) -> usize {
    Disk::open(data).count("SELECT coalesce(sum(count), 0) FROM held")
}

/// Waits until page and health say so, and answers with how much was stored by then.
fn until_told(daemon: &Daemon, data: &std::path::Path) -> usize {
    wait_for("the page to say it", PATIENCE, || {
        let page = daemon.get("/").ok()?;
        page.contains("Nothing can be stored since").then_some(())
    });
    assert!(
        matches!(daemon.get("/health"), Err(error) if error.to_string().contains("503")),
        "health is not well"
    );
    let status = run("fobwatch", &["status", "--data", &data.display().to_string()]);
    assert!(
        status.stdout.contains("Nothing can be stored since"),
        "{}{}",
        status.stdout,
        status.stderr
    );
    stored(data)
}

fn until_well(daemon: &Daemon) {
    wait_for("health to be well again", PATIENCE, || daemon.get("/health").ok());
    let page = daemon.get("/").unwrap();
    assert!(!page.contains("Nothing can be stored"), "{page}");
}

#[test]
fn a_full_disk_acknowledges_nothing_to_the_broker_and_all_comes_again() {
    let (kitchen, broker) = (Kitchen::new("plain", 24.0), Broker::start());
    let data = kitchen.path("data");
    let config = kitchen.mqtt_config(&broker, "watch");
    let daemon = Daemon::start_to_be_filled(&config, &data, &kitchen.batches());
    until_online(&broker);
    let mut simulator = Command::new(program("fobwatch-simulator"))
        .args(kitchen.simulator_mqtt(&broker, SPEED))
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let all = kitchen.sent().len();
    wait_for("a fifth of the readings", PATIENCE, || {
        (stored(&data) >= all / 5).then_some(())
    });

    daemon.fill_disk(NO_ROOM);
    let before = until_told(&daemon, &data);
    assert!(before < all, "it filled up too late to show anything");
    // Notes are refused, and not left hanging.
    let note = run(
        "fobwatch",
        &[
            "note",
            "hibiscus 12",
            "moved_to_fridge",
            "--data",
            &data.display().to_string(),
        ],
    );
    assert_ne!(note.status, Some(0), "{}", note.stdout);
    assert!(simulator.wait().unwrap().success(), "the sensors go on sending");
    assert_eq!(stored(&data), before, "nothing was stored");
    // Even an end by force loses nothing: the broker has what was not acknowledged.
    daemon.kill();

    let daemon = Daemon::start_to_be_filled(&config, &data, &kitchen.batches());
    until_well(&daemon);
    kitchen.wait_until_taken(&daemon, &data);
    assert_eq!(daemon.stop(), Some(0));
    assert!(
        Disk::open(&data)
            .readings()
            .into_iter()
            .collect::<std::collections::BTreeSet<_>>()
            == kitchen.sent(),
        "each once"
    );
}

#[test]
fn lines_of_a_serial_port_wait_in_memory_for_a_full_disk() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let config = folder.path().join("config.toml");
    let text = format!(
        "[[serial]]\nport = \"{}\"\nbaud = 115200\nformat = \"senml\"\n",
        terminal.path()
    );
    std::fs::write(&config, text).unwrap();
    let (data, batches) = (folder.path().join("data"), folder.path().join("batches"));
    std::fs::create_dir(&batches).unwrap();
    let daemon = Daemon::start_to_be_filled(&config, &data, &batches);
    let mut send = |number: usize| {
        let line = format!(
            "[{{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1.5,\"t\":{}}}]\n",
            1_772_434_800 + number
        );
        terminal.send(line.as_bytes());
    };
    wait_for("the port", PATIENCE, || {
        daemon.log().contains("Connected").then_some(())
    });
    send(0);
    wait_for("a line on disk", PATIENCE, || (stored(&data) == 1).then_some(()));

    daemon.fill_disk(NO_ROOM);
    send(1);
    assert_eq!(until_told(&daemon, &data), 1);
    // More than the queue between the inputs and the store holds, and than the system would keep.
    for number in 2..1_000 {
        send(number);
    }
    assert_eq!(stored(&data), 1);

    daemon.fill_disk(None);
    wait_for("all lines on disk", PATIENCE, || {
        (stored(&data) == 1_000).then_some(())
    });
    until_well(&daemon);
    assert!(daemon.log().contains("Stored again"), "{}", daemon.log());
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn whoever_posts_to_a_full_disk_is_refused_and_everybody_sees_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("post.token"), "a token of some length").unwrap();
    std::fs::write(path("config.toml"), "[http]\ntoken_file = \"post.token\"\n").unwrap();
    std::fs::create_dir(path("batches")).unwrap();
    let daemon = Daemon::start_to_be_filled(&path("config.toml"), &path("data"), &path("batches"));
    let post = |second: usize| {
        ureq::post(format!("http://127.0.0.1:{}/api/v1/readings", daemon.port()))
            .header("Authorization", "Bearer a token of some length")
            .header("Content-Type", "text/csv")
            .send(format!(
                "time,source,quantity,value,unit\n2026-03-02T07:00:0{second}Z,kitchen,room_temperature,21,degC\n"
            ))
            .map(|answer| answer.status().as_u16())
    };
    assert_eq!(post(0).unwrap(), 200);
    daemon.fill_disk(NO_ROOM);
    let refused = post(1).unwrap_err().to_string();
    assert!(refused.contains("50"), "{refused}");
    assert_eq!(until_told(&daemon, &path("data")), 1);
    daemon.fill_disk(None);
    wait_for("room", PATIENCE, || post(2).ok());
    until_well(&daemon);
    assert_eq!(stored(&path("data")), 2, "what was refused is not there");
    assert_eq!(daemon.stop(), Some(0));
}
