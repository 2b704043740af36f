//! Channels that are away, added and changed, a daemon that is killed, a disk without room: what is told, to whom, how often.

use std::{
    collections::BTreeSet,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
};

use fobwatch_tests::{Broker, Daemon, MailServer, free_port, kept, run, wait_for};
use serde_json::Value;

use crate::{
    delivered::address_while,
    kitchen::{Kitchen, PATIENCE},
};

/// A kitchen whose batch is aimed above its limit: `limit_near` stands from the first reading on.
fn kitchen() -> Kitchen {
    let kitchen = Kitchen::new("plain", 2.0);
    let lines = kitchen.played.batch_toml.lines();
    let lines = lines.map(|line| match line.split_once(" = ") {
        Some(("pressure_limit_bar", _)) => "pressure_limit_bar = 1.0",
        _ => line,
    });
    let batch: Vec<&str> = lines.collect();
    kitchen.write("batches/batch.toml", &batch.join("\n"));
    kitchen
}

const HEAD: &str = "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n\n";

fn webhook(port: u16) -> String {
    format!("[[webhook]]\nname = \"phone\"\nurl = \"http://127.0.0.1:{port}/\"\n\n")
}

fn mqtt(broker: &Broker, port: u16) -> String {
    format!(
        "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {port}\nusername = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"fobwatch\"\n\n",
        Broker::USER,
        broker.password_file()
    )
}

fn import(kitchen: &Kitchen, daemon: &Daemon) {
    let place = format!("127.0.0.1:{}", daemon.port());
    let rows = kitchen.text_path("readings.csv");
    let imported = run("fobwatch", &["import", &rows, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
}

/// The alert's state at the daemon.
fn until_state(daemon: &Daemon, wanted: &str) {
    wait_for(wanted, PATIENCE, || {
        let alerts = daemon.json("/api/v1/alerts");
        let of = alerts["alerts"]
            .as_array()?
            .iter()
            .find(|of| of["alert"] == "limit_near")?;
        (of["state"] == wanted).then_some(())
    });
}

fn acknowledge(daemon: &Daemon) {
    until_state(daemon, "unacknowledged");
    let seen = run(
        "fobwatch",
        &[
            "ack",
            "limit_near",
            "--who",
            "Ada",
            "--address",
            &format!("127.0.0.1:{}", daemon.port()),
        ],
    );
    assert_eq!(seen.status, Some(0), "{seen:#?}");
    until_state(daemon, "acknowledged");
}

/// Transitions of the alert by their keys, in order.
fn events(bodies: &[String]) -> Vec<(String, Value)> {
    let events = bodies
        .iter()
        .filter_map(|body| serde_json::from_str::<Value>(body).ok());
    let events = events.filter(|event| event["subject"] == "hibiscus-12/limit_near");
    events
        .map(|event| (event["id"].as_str().unwrap_or_default().to_owned(), event))
        .collect()
}

fn alert_at(broker: &Broker) -> Option<Value> {
    let kept = kept(broker, "fobwatch/hibiscus-12/alert/#");
    serde_json::from_str(kept.get("fobwatch/hibiscus-12/alert/limit_near")?).ok()
}

#[test]
fn what_was_raised_and_seen_to_during_an_outage_with_kills_is_told_everywhere_in_order() {
    let kitchen = kitchen();
    let mut mail = MailServer::stopped();
    let up = Arc::new(AtomicBool::new(false));
    let (hook, posted) = address_while(&up);
    let broker = Broker::start();
    let nobody = free_port();
    kitchen.write("mail.password", "quite secret word\n");
    let email = format!(
        "[[email]]\nname = \"home\"\nserver = \"localhost\"\nport = {}\nca_file = \"{}\"\nfrom = \"fobwatch@home.example\"\n\
         to = [\"anna@home.example\"]\nalerts = [\"limit_near\"]\n\n",
        mail.port(),
        mail.certificate().display()
    );
    let away = format!("{HEAD}{}{email}{}", webhook(hook), mqtt(&broker, nobody));
    let config = kitchen.write("outage.toml", &away);
    let data = kitchen.path("data");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    import(&kitchen, &daemon);
    until_state(&daemon, "unacknowledged");
    // Each channel is told to be failing, on the page and in the status.
    for told in [
        "webhook \u{201c}phone\u{201d}",
        "mail \u{201c}home\u{201d}",
        "broker 127.0.0.1",
    ] {
        wait_for(told, PATIENCE, || {
            let sentence = format!("The {told}");
            let (page, status) = (daemon.get("/").ok()?, daemon.get("/api/v1/status").ok()?);
            (page.contains(&sentence) && status.contains(&sentence)).then_some(())
        });
    }
    daemon.kill();
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    acknowledge(&daemon);
    daemon.kill();

    // All come back; the broker under its true address.
    mail.go();
    up.store(true, Ordering::SeqCst);
    let back = format!("{HEAD}{}{email}{}", webhook(hook), mqtt(&broker, broker.port()));
    kitchen.write("outage.toml", &back);
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    let seen = wait_for("the broker to know who it was", PATIENCE, || {
        alert_at(&broker).filter(|alert| alert["state"] == "acknowledged")
    });
    assert_eq!(seen["who"], "Ada", "{seen}");
    let told = wait_for("the address to be told", PATIENCE, || {
        let told = events(&posted.lock().unwrap());
        told.iter()
            .any(|(_, event)| event["data"]["state"] == "acknowledged")
            .then_some(told)
    });
    let states: Vec<&str> = told
        .iter()
        .filter_map(|(_, event)| event["data"]["state"].as_str())
        .collect();
    let keys: BTreeSet<&str> = told.iter().map(|(key, _)| key.as_str()).collect();
    assert_eq!(states, ["raised", "acknowledged"]);
    assert_eq!(keys.len(), 2);
    assert_eq!(told[1].1["data"]["who"], "Ada");
    let subjects = wait_for("both mails", PATIENCE, || {
        let mails = mail.mails();
        let all = ["limit near", "limit near, seen to by Ada"]
            .map(|what| format!("Subject: hibiscus 12: {what}\r\n"));
        all.iter()
            .all(|subject| {
                mails.iter().any(|mail| {
                    mail.replace("\r\n", "\n")
                        .contains(&subject.replace("\r\n", "\n"))
                })
            })
            .then_some(mails.len())
    });
    assert_eq!(subjects, 2);
    wait_for("the page to be content with them", PATIENCE, || {
        let page = daemon.get("/").ok()?;
        (!page.contains("does not take alerts")).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn channels_that_a_reload_brings_are_told_what_stands_and_what_comes() {
    let (kitchen, broker) = (kitchen(), Broker::start());
    let up = Arc::new(AtomicBool::new(true));
    let ((first, at_first), (second, at_second)) = (address_while(&up), address_while(&up));
    let config = kitchen.write("reload.toml", &format!("{HEAD}{}", webhook(first)));
    let daemon = Daemon::start(&config, &kitchen.path("data"), &kitchen.batches());
    import(&kitchen, &daemon);
    wait_for("the first address to be told", PATIENCE, || {
        (!events(&at_first.lock().unwrap()).is_empty()).then_some(())
    });
    // A broker is added, under an address that was mistyped; then the mistake is mended.
    let nobody = free_port();
    kitchen.write(
        "reload.toml",
        &format!("{HEAD}{}{}", webhook(first), mqtt(&broker, nobody)),
    );
    daemon.reload();
    wait_for("the broker that is nobody", PATIENCE, || {
        daemon
            .get("/")
            .ok()?
            .contains(&format!("broker 127.0.0.1:{nobody}"))
            .then_some(())
    });
    // The webhook moves to another address in the same stroke.
    kitchen.write(
        "reload.toml",
        &format!("{HEAD}{}{}", webhook(second), mqtt(&broker, broker.port())),
    );
    daemon.reload();
    let stands = wait_for("the broker to be told what stands", PATIENCE, || {
        alert_at(&broker)
    });
    assert_eq!(stands["state"], "raised", "{stands}");
    wait_for("what waits for nobody to be said", PATIENCE, || {
        daemon
            .get("/")
            .ok()?
            .contains("is no longer in the configuration, and")
            .then_some(())
    });
    acknowledge(&daemon);
    wait_for("the broker to be told what came", PATIENCE, || {
        alert_at(&broker).filter(|alert| alert["state"] == "acknowledged" && alert["who"] == "Ada")
    });
    wait_for("the second address to be told", PATIENCE, || {
        let told = events(&at_second.lock().unwrap());
        told.iter()
            .any(|(_, event)| event["data"]["who"] == "Ada")
            .then_some(())
    });
    // What the first was told the second is not told again: it is the same channel.
    let told = events(&at_second.lock().unwrap());
    assert!(
        told.iter().all(|(_, event)| event["data"]["state"] != "raised"),
        "{told:#?}"
    );
    // It is taken away in order.
    kitchen.write("reload.toml", &format!("{HEAD}{}", webhook(second)));
    daemon.reload();
    wait_for("the broker to be told goodbye", PATIENCE, || {
        (kept(&broker, "fobwatch/status").get("fobwatch/status")? == "offline").then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_full_disk_is_told_over_the_channels_and_what_waits_still_goes_out_once() {
    let kitchen = kitchen();
    let up = Arc::new(AtomicBool::new(false));
    let (hook, posted) = address_while(&up);
    let config = kitchen.write("full.toml", &format!("{HEAD}{}", webhook(hook)));
    let data = kitchen.path("data");
    let daemon = Daemon::start_to_be_filled(&config, &data, &kitchen.batches());
    import(&kitchen, &daemon);
    wait_for("the address to be away", PATIENCE, || {
        daemon
            .get("/")
            .ok()?
            .contains("does not take alerts")
            .then_some(())
    });
    daemon.fill_disk(Some(4_096));
    // Something wants to be stored, and cannot be.
    let place = format!("127.0.0.1:{}", daemon.port());
    let note = run(
        "fobwatch",
        &[
            "note",
            "hibiscus 12",
            "other",
            "--text",
            "hm",
            "--address",
            &place,
        ],
    );
    assert_ne!(note.status, Some(0), "{note:#?}");
    up.store(true, Ordering::SeqCst);
    wait_for("that nothing can be stored to be told", PATIENCE, || {
        let posted = posted.lock().unwrap();
        posted
            .iter()
            .any(|body| body.contains("fobwatch.notice.raised") && body.contains("treat the bottles as live"))
            .then_some(())
    });
    wait_for("the alert that waited", PATIENCE, || {
        (!events(&posted.lock().unwrap()).is_empty()).then_some(())
    });
    daemon.fill_disk(None);
    wait_for("what was delivered to be known", PATIENCE, || {
        daemon
            .get("/metrics")
            .ok()?
            .contains("fobwatch_alerts_waiting{destination=\"webhook:phone\"} 0")
            .then_some(())
    });
    let told = events(&posted.lock().unwrap());
    assert_eq!(
        told.len(),
        1,
        "it could not be marked, and comes once all the same: {told:#?}"
    );
    let notices = posted.lock().unwrap();
    let notices = notices
        .iter()
        .filter(|body| body.contains("fobwatch.notice.raised"));
    assert_eq!(notices.count(), 1);
    assert_eq!(daemon.stop(), Some(0));
}
