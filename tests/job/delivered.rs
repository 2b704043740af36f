//! watch -> a real mail server and an address that is posted to: nothing is lost over kill -9 or while they are away.

use std::sync::{
    Arc, Mutex,
    atomic::{AtomicBool, Ordering},
};

use fobwatch_tests::{Answer, Broker, Daemon, MailServer, kept, run, take_posts, wait_for};

use crate::{
    kitchen::{Kitchen, PATIENCE},
    refusing::Relay,
};

/// An address that answers 204 to every POST, and keeps the bodies.
fn address() -> (u16, Arc<Mutex<Vec<String>>>) {
    address_while(&Arc::new(AtomicBool::new(true)))
}

/// The same, which answers 500 and keeps nothing while it is not `up`.
pub(crate) fn address_while(up: &Arc<AtomicBool>) -> (u16, Arc<Mutex<Vec<String>>>) {
    let up = Arc::clone(up);
    let taken: Arc<Mutex<Vec<String>>> = Arc::default();
    let kept = Arc::clone(&taken);
    let port = take_posts(move |posted| {
        if !up.load(Ordering::SeqCst) {
            return Answer::Refused;
        }
        kept.lock().unwrap().push(posted.body.clone());
        Answer::Taken
    });
    (port, taken)
}

fn config(kitchen: &Kitchen, mail: &MailServer, hook: u16) -> std::path::PathBuf {
    kitchen.write("mail.password", "quite secret word\n");
    kitchen.write("hook.key", "quite secret key\n");
    let text = format!(
        "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n\n\
         [[webhook]]\nname = \"phone\"\nurl = \"http://127.0.0.1:{hook}/\"\nhmac_file = \"hook.key\"\nleast_priority = \"medium\"\n\n\
         [[email]]\nname = \"home\"\nserver = \"localhost\"\nport = {}\nca_file = \"{}\"\nfrom = \"fobwatch@home.example\"\n\
         to = [\"anna@home.example\"]\nalerts = [\"move_to_fridge\"]\n",
        mail.port(),
        mail.certificate().display()
    );
    kitchen.write("delivered.toml", &text)
}

#[test]
fn an_alert_reaches_mail_and_webhook_over_a_kill_and_an_absence() {
    let mut mail = MailServer::stopped();
    let (hook, posted) = address();
    let kitchen = Kitchen::new("plain", 106.0);
    let data = kitchen.path("data");
    let file = config(&kitchen, &mail, hook);
    let daemon = Daemon::start(&file, &data, &kitchen.batches());
    let rows = kitchen.text_path("readings.csv");
    let place = format!("127.0.0.1:{}", daemon.port());
    let imported = run("fobwatch", &["import", &rows, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
    wait_for("the move to be posted", PATIENCE, || {
        let posted = posted.lock().unwrap();
        posted
            .iter()
            .any(|body| body.contains("fobwatch.alert.raised") && body.contains("move_to_fridge"))
            .then_some(())
    });
    assert!(mail.mails().is_empty());
    // Nobody was there to take the mail; the daemon dies; then there is someone.
    daemon.kill();
    mail.go();
    let daemon = Daemon::start(&file, &data, &kitchen.batches());
    let sent = wait_for("the mail", PATIENCE, || {
        let mails = mail.mails();
        mails
            .iter()
            .find(|mail| mail.contains("Subject: hibiscus 12: move to fridge"))
            .cloned()
    });
    for part in [
        "To: anna@home.example",
        "Content-Type: text/plain",
        "Content-Type: text/html",
        "image/svg+xml",
        "hibiscus-12.svg",
    ] {
        assert!(sent.contains(part), "{part}: {}", &sent[..2_000.min(sent.len())]);
    }
    let metrics = daemon.get("/metrics").unwrap();
    wait_for("nothing left to deliver", PATIENCE, || {
        let metrics = daemon.get("/metrics").ok()?;
        ["email:home", "webhook:phone"]
            .iter()
            .all(|name| metrics.contains(&format!("fobwatch_alerts_waiting{{destination=\"{name}\"}} 0")))
            .then_some(())
    });
    // Secrets are seen nowhere.
    let page = daemon.get("/").unwrap();
    for seen in [&daemon.log(), &page, &metrics] {
        assert!(!seen.contains("quite secret"), "{seen}");
    }
    assert_eq!(daemon.stop(), Some(0));
    // Each transition once over all: the one that was cut off may come twice, under the same key.
    let posted = posted.lock().unwrap();
    let mut keys: Vec<String> = posted
        .iter()
        .filter_map(|body| {
            serde_json::from_str::<serde_json::Value>(body).ok()?["id"]
                .as_str()
                .map(str::to_owned)
        })
        .collect();
    let all = keys.len();
    keys.sort();
    keys.dedup();
    assert!(all <= keys.len() + 1, "{keys:?}");
}

#[test]
fn an_address_that_stalls_holds_up_no_other_and_is_told_once_it_answers() {
    let (slow, late) = address();
    let relay = Relay::before(slow);
    let (hook, posted) = address();
    let kitchen = Kitchen::new("plain", 1.0);
    let file = kitchen.write(
        "stalls.toml",
        &format!(
            "[clock]\nsource = \"readings\"\n\n[[webhook]]\nname = \"stalls\"\nurl = \"http://127.0.0.1:{}/\"\n\n\
             [[webhook]]\nname = \"phone\"\nurl = \"http://127.0.0.1:{hook}/\"\n",
            relay.port
        ),
    );
    let daemon = Daemon::start(&file, &kitchen.path("data"), &kitchen.batches());
    let sealed = kitchen.played.scenario.bottled_at;
    let row = |minutes| {
        let at = sealed + jiff::SignedDuration::from_mins(minutes);
        format!("{at},pilot,pressure,9.9,bar\n")
    };
    let rows = format!("time,source,quantity,value,unit\n{}{}", row(60), row(65));
    let rows = kitchen.write("over.csv", &rows).display().to_string();
    let place = format!("127.0.0.1:{}", daemon.port());
    let imported = run("fobwatch", &["import", &rows, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
    let is_danger = |bodies: &Mutex<Vec<String>>| {
        let bodies = bodies.lock().unwrap();
        let danger = |body: &String| body.contains("fobwatch.alert.raised") && body.contains("over_limit");
        bodies.iter().any(danger).then_some(())
    };
    wait_for("the phone to hear of the danger", PATIENCE, || is_danger(&posted));
    wait_for("the other to be kept waiting", PATIENCE, || {
        (relay.held() > 0).then_some(())
    });
    assert!(daemon.get("/").unwrap().contains("Stay out of the room"));
    assert!(is_danger(&late).is_none());
    relay.says(&[]);
    wait_for("the other to hear of it", PATIENCE, || is_danger(&late));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_test_goes_through_every_channel_and_each_is_told() {
    let mut mail = MailServer::stopped();
    let (hook, posted) = address();
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 1.0);
    let file = config(&kitchen, &mail, hook);
    let both = format!(
        "{}\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nusername = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"fobwatch\"\n",
        std::fs::read_to_string(&file).unwrap(),
        broker.port(),
        Broker::USER,
        broker.password_file()
    );
    let file = kitchen.write("delivered.toml", &both).display().to_string();
    let away = run("fobwatch", &["check", "--send-test", &file]);
    assert_eq!(away.status, Some(1), "{away:#?}");
    assert!(
        away.stdout.contains("email:home: it did not take the test"),
        "{away:#?}"
    );
    assert!(
        away.stdout.contains("webhook:phone: it took the test."),
        "{away:#?}"
    );
    assert!(away.stdout.contains("it took the test.\n"), "{away:#?}");

    mail.go();
    let done = run("fobwatch", &["check", "--send-test", &file]);
    assert_eq!(done.status, Some(0), "{done:#?}");
    assert_eq!(done.stdout.matches("it took the test.").count(), 3, "{done:#?}");
    assert!(
        mail.mails()
            .iter()
            .any(|mail| mail.contains("This is a test of fobwatch"))
    );
    assert_eq!(posted.lock().unwrap().len(), 2);
    let left = kept(&broker, "#");
    assert!(
        left.values().all(|text| !text.contains("This is a test")),
        "{left:?}"
    );
    assert!(!format!("{away:?}{done:?}").contains("quite secret"));
}

#[test]
fn signs_of_life_reach_broker_systemd_and_an_address() {
    use std::os::unix::net::UnixDatagram;

    let broker = Broker::start();
    let (hook, posted) = address();
    let kitchen = Kitchen::new("plain", 1.0);
    let config = format!(
        "[heartbeat]\nping_url = \"http://127.0.0.1:{hook}/\"\n\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nusername = \"{}\"\n\
         password_file = \"{}\"\npublish_prefix = \"fobwatch\"\n",
        broker.port(),
        Broker::USER,
        broker.password_file()
    );
    let file = kitchen.write("beat.toml", &config);
    let socket = kitchen.path("notify");
    let systemd = UnixDatagram::bind(&socket).unwrap();
    systemd.set_read_timeout(Some(PATIENCE)).unwrap();
    let heard = || {
        let mut text = [0; 200];
        let read = systemd.recv(&mut text).unwrap();
        String::from_utf8_lossy(&text[..read]).trim().to_owned()
    };
    let settings = [
        ("NOTIFY_SOCKET", socket.as_path()),
        ("WATCHDOG_USEC", std::path::Path::new("400000")),
    ];
    let daemon = Daemon::start_in(&file, &kitchen.path("data"), &kitchen.batches(), &settings);
    assert_eq!(heard(), "READY=1");
    for _ in 0..3 {
        assert_eq!(heard(), "WATCHDOG=1");
    }
    wait_for("a beat at the broker", PATIENCE, || {
        let kept = kept(&broker, "fobwatch/#");
        let beat = kept.get("fobwatch/heartbeat")?;
        beat.parse::<jiff::Timestamp>().ok()
    });
    wait_for("the address to be asked", PATIENCE, || {
        (!posted.lock().unwrap().is_empty()).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
    let last = loop {
        let text = heard();
        if text != "WATCHDOG=1" {
            break text;
        }
    };
    assert_eq!(last, "STOPPING=1");
    assert_eq!(kept(&broker, "fobwatch/status")["fobwatch/status"], "offline");
}
