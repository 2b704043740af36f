//! A reload while ports on pseudo-terminals speak.

use std::{io::Write, time::Duration};

use serialport::{SerialPort, TTYPort};

use super::*;
use crate::{
    incoming::{self, Incoming},
    store::Store,
    watch::tests::house,
};

/// Ends a test that would wait for ever; no test depends on its length.
const PATIENCE: Duration = Duration::from_secs(60);

fn config(ports: &[(&str, &str)]) -> Config {
    let blocks = ports.iter().map(|(name, source)| {
        format!(
            "[[serial]]\nport = \"{name}\"\nformat = \"delimited\"\n[[serial.columns]]\ncolumn = 1\nsource = \"{source}\"\n\
             quantity = \"pressure\"\nunit = \"mbar\"\n"
        )
    });
    Config::from_toml(&blocks.collect::<String>(), "test").unwrap()
}

fn pair() -> (TTYPort, String) {
    let (wire, far) = TTYPort::pair().unwrap();
    let name = far.name().unwrap();
    drop(far); // it holds the name for itself
    (wire, name)
}

fn told(incoming: &Incoming) -> (String, i64) {
    let reading = &incoming.readings[0];
    let mbar = format!("{:.0}", reading.measured.stored_value() / 100.0);
    (reading.source.as_str().to_owned(), mbar.parse().unwrap())
}

/// Speaks until the port is open and heard: opening one throws away what it held.
async fn until_heard(wire: &mut TTYPort, inbox: &mut mpsc::Receiver<Incoming>, source: &str) {
    timeout(PATIENCE, async {
        loop {
            // While the far end is closed the pipe is broken.
            wire.write_all(b"1\n").ok();
            let heard = timeout(Duration::from_millis(50), inbox.recv()).await;
            if heard.is_ok_and(|heard| told(&heard.unwrap()).0 == source) {
                return;
            }
        }
    })
    .await
    .unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reload_loses_nothing_of_a_port_that_stays_and_takes_up_a_new_one() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let (house, _requests) = house(&store).await;
    let (mut stays, stays_name) = pair();
    let (_goes, goes_name) = pair();
    let (mut comes, comes_name) = pair();
    let (inbox, mut heard) = incoming::channel();
    let stop = CancellationToken::new();
    let before = config(&[(&stays_name, "stays"), (&goes_name, "goes")]);
    let inputs = Inputs::start(Arc::clone(&house), before, inbox, stop.clone());
    let (reload, reloads) = mpsc::channel(1);
    let running = tokio::spawn(inputs.run(reloads));
    until_heard(&mut stays, &mut heard, "stays").await;

    let speaking = tokio::task::spawn_blocking(move || {
        for number in 100..400 {
            stays.write_all(format!("{number}\n").as_bytes()).unwrap();
        }
        stays
    });
    let mut after = config(&[(&stays_name, "stays"), (&comes_name, "comes")]);
    after.token = Some(crate::config::Secret::new("an old blue door"));
    reload.send(after).await.unwrap();
    let mut numbers = Vec::new();
    while numbers.last() != Some(&399) {
        let message = timeout(PATIENCE, heard.recv()).await.unwrap().unwrap();
        match told(&message) {
            (_, 1) => {} // from before
            (source, number) => {
                assert_eq!(source, "stays");
                numbers.push(number);
            }
        }
    }
    assert_eq!(numbers, (100..400).collect::<Vec<_>>());
    until_heard(&mut comes, &mut heard, "comes").await;
    assert!(house.door().token.is_some());
    let _stays = speaking.await.unwrap();
    stop.cancel();
    timeout(PATIENCE, running).await.unwrap().unwrap();
}

#[test]
fn what_a_reload_cannot_change_is_named() {
    let old = Config::defaults().unwrap();
    let text = "[alerts]\nnotice_h = 24\n[place]\naltitude_m = 500\n";
    let new = Config::from_toml(text, "test").unwrap();
    assert_eq!(fixed(&old, &new), ["place", "alerts"]);
    assert!(fixed(&old, &old).is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_port_over_which_the_program_stumbles_is_read_again_and_says_so_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let (house, _requests) = house(&store).await;
    let (mut stumbles, stumbles_name) = pair();
    let (mut other, other_name) = pair();
    let (inbox, mut heard) = incoming::channel();
    let stop = CancellationToken::new();
    let config = config(&[(&stumbles_name, "stumbles"), (&other_name, "other")]);
    let inputs = Inputs::start(Arc::clone(&house), config, inbox, stop.clone());
    let (_reload, reloads) = mpsc::channel(1);
    let running = tokio::spawn(inputs.run(reloads));
    until_heard(&mut stumbles, &mut heard, "stumbles").await;
    // The meters of those that have ended stay, before those of the living.
    let states = || {
        let meters = house.counted.meters().into_iter();
        let of = meters.filter(|(_, meter)| meter.name.ends_with(&stumbles_name));
        of.map(|(_, meter)| meter).collect::<Vec<_>>()
    };
    stumbles.write_all(serial::FAULT).unwrap();
    stumbles.write_all(b"\n").unwrap();
    timeout(PATIENCE, async {
        while states()[0].complaint.as_deref() != Some(incoming::STUMBLED) {
            tokio::task::yield_now().await;
        }
    })
    .await
    .unwrap();
    until_heard(&mut other, &mut heard, "other").await;
    until_heard(&mut stumbles, &mut heard, "stumbles").await;
    assert_eq!(states().last().unwrap().up, Some(true));
    let what = format!("The port {stumbles_name}");
    assert_eq!(house.stumbles.told(), (1, what.clone()));
    stop.cancel();
    running.await.unwrap();
}
