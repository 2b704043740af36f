//! A new user's way: nothing is known of a thermometer that publishes a bare number and of a gauge that prints two columns;
//! listen, paste what is offered, look again, take the gauge's zero, watch.

use std::{
    fs,
    panic::{AssertUnwindSafe, catch_unwind, resume_unwind},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::Duration,
};

use fobwatch_tests::{Broker, Daemon, Finished, Terminal, publish, run, wait_for};

use crate::kitchen::{Disk, Kitchen, PATIENCE};

/// Both sensors speak again and again, as boards do, until the work is done.
fn chatting<T>(broker: &Broker, mut line: Terminal, work: impl FnOnce() -> T) -> T {
    let done = Arc::new(AtomicBool::new(false));
    let board = Arc::clone(&done);
    // Nobody waits for it: a line that nobody reads may be full.
    thread::spawn(move || {
        while !board.load(Ordering::Relaxed) {
            line.send(b"0.04,20.7\n");
            thread::sleep(Duration::from_millis(50)); // the board's own pace
        }
    });
    thread::scope(|scope| {
        scope.spawn(|| {
            while !done.load(Ordering::Relaxed) {
                publish(broker, "kitchen/temperature", false, vec!["21.5".to_owned()]);
            }
        });
        let got = catch_unwind(AssertUnwindSafe(work));
        done.store(true, Ordering::Relaxed);
        got.unwrap_or_else(|panic| resume_unwind(panic))
    })
}

/// The same command until it has heard what it is to hear: how long that takes is the machine's affair.
fn until(what: &str, arguments: &[&str], heard: impl Fn(&Finished) -> bool) -> Finished {
    wait_for(what, PATIENCE, || {
        let finished = run("fobwatch", arguments);
        let refused = finished.stderr.contains("not every file is fine");
        assert!(!refused, "{finished:#?}");
        Some(finished).filter(&heard)
    })
}

#[test]
fn a_new_user_listens_pastes_what_is_offered_takes_a_zero_and_watches() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 1.0);
    let line = Terminal::open();
    let port = line.path().to_owned();
    let data = kitchen.path("data");
    let head = format!(
        "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"new-user\"\nusername = \"{}\"\npassword_file = \"{}\"\nsenml = []\n",
        broker.port(),
        Broker::USER,
        broker.password_file()
    );
    let config = kitchen.write("kitchen.toml", &head);
    let file = config.display().to_string();
    let folder = data.display().to_string();
    let log = chatting(&broker, line, || {
        let listen = ["check", "--listen", "--for", "3s", &file];
        let first = until(
            "what nothing maps",
            &[&listen[..], &["--serial", &port, "--baud", "115200"]].concat(),
            |told| {
                told.stdout.contains("topic = \"kitchen/temperature\"")
                    && told.stdout.contains("[[serial.columns]]")
            },
        );
        assert_eq!(first.status, Some(0), "{first:#?}");
        assert!(first.stdout.contains("are guesses: look at each"), "{first:#?}");
        let offered = first
            .stdout
            .split_once("before you trust it.")
            .expect("an offer")
            .1;
        fs::write(&config, format!("{head}{offered}")).expect("a file is written");

        let checked = run("fobwatch", &["check", &file]);
        assert_eq!(checked.status, Some(0), "{checked:#?}\n{offered}");
        let again = until("every reading as configured", &listen, |told| {
            [
                "pilot, pressure: 0.04 bar",
                "pilot, liquid_temperature: 20.7",
                "kitchen, room_temperature: 21.5",
            ]
            .iter()
            .all(|reading| told.stdout.contains(reading))
        });
        assert_eq!(again.status, Some(0), "{again:#?}");
        assert!(!again.stdout.contains("Not read"), "{again:#?}");

        let tare = [
            "check", "--tare", "pilot", "--for", "3s", "--data", &folder, &file,
        ];
        let zero = until("a zero", &tare, |told| told.status == Some(0));
        assert!(
            zero.stdout.contains("pilot reads 0.0400 bar in open air"),
            "{zero:#?}"
        );

        let daemon = Daemon::start(&config, &data, &kitchen.batches());
        wait_for("readings of both", PATIENCE, || {
            let found = Disk::open(&data).texts("SELECT source || '/' || quantity FROM series ORDER BY 1");
            (found
                == [
                    "kitchen/room_temperature",
                    "pilot/liquid_temperature",
                    "pilot/pressure",
                ])
            .then_some(())
        });
        let log = daemon.log();
        assert_eq!(daemon.stop(), Some(0));
        log
    });
    assert!(
        log.contains("0.0400 bar are taken off every pressure of pilot"),
        "{log}"
    );
    let stored = Disk::open(&data).csv();
    let pressures: Vec<f64> = stored
        .lines()
        .filter(|row| row.contains(",pressure,"))
        .filter_map(|row| row.split(',').nth(3)?.parse().ok())
        .collect();
    assert!(
        !pressures.is_empty() && pressures.iter().all(|pascal| pascal.abs() < 1e-6),
        "{stored}"
    );
}
