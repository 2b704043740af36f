//! Two daemons on one broker and one time-series server: each watches its share, and one takes over from the other.

use std::{
    collections::BTreeSet,
    path::PathBuf,
    sync::{Arc, atomic::AtomicBool},
};

use fobwatch_simulator::{Played, readings_csv};
use fobwatch_tests::{Broker, Daemon, SeriesServer, kept, publish, run, several, wait_for};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::{
    delivered::address_while,
    kitchen::{Disk, Kitchen, TOPIC},
};

/// Ends a test that would wait for ever.
const PATIENCE: std::time::Duration = std::time::Duration::from_secs(100);

/// Share 0 of 2, and share 1, by the hash of their slugs.
const NAMES: [&str; 2] = ["pear and thyme 2", "plum 1"];

/// A kitchen with two batches, each with sensors of its own, and a configuration for each of two daemons.
struct Site {
    kitchen: Kitchen,
    broker: Broker,
    server: SeriesServer,
    played: Vec<Played>,
}

impl Site {
    fn new() -> Self {
        let kitchen = Kitchen::new("lively_culture", 0.1);
        std::fs::remove_file(kitchen.path("batches/batch.toml")).unwrap();
        let played = several("lively_culture", 8.0, &NAMES, 21);
        for (name, run) in NAMES.iter().zip(&played) {
            kitchen.write(
                &format!("batches/{}.toml", name.replace(' ', "-")),
                &run.batch_toml,
            );
        }
        Self {
            kitchen,
            broker: Broker::start(),
            server: SeriesServer::start(),
            played,
        }
    }

    /// The configuration of the daemon `who`, with what its `[share]` says.
    fn config(&self, who: &str, share: &str) -> PathBuf {
        let broker = format!(
            "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"{who}\"\nusername = \"{}\"\npassword_file = \"{}\"\n\
             publish_prefix = \"site/{who}\"\nsenml = [\"{TOPIC}/#\"]\n",
            self.broker.port(),
            Broker::USER,
            self.broker.password_file()
        );
        let text = format!(
            "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n[share]\n{share}\n{broker}[[series]]\nurl = \"{}\"\n",
            self.server.url()
        );
        self.kitchen.write(&format!("{who}.toml"), &text)
    }

    fn watch(&self, who: &str, share: &str) -> Daemon {
        Daemon::start(
            &self.config(who, share),
            &self.kitchen.path(who),
            &self.kitchen.batches(),
        )
    }

    /// Publishes readings of all batches in the order of their times: the first half (`false`) or the second.
    fn send(&self, second: bool) {
        let mut rows: Vec<_> = self
            .played
            .iter()
            .flat_map(|played| played.readings.clone())
            .collect();
        rows.sort_by_key(|reading| reading.at);
        let half = rows.len() / 2;
        let part = if second { &rows[half..] } else { &rows[..half] };
        // One reading a message, named source/quantity (RFC 8428), to whoever listens at the broker.
        let csv = readings_csv(part);
        let mut messages = Vec::new();
        for row in csv.lines().skip(1) {
            let [time, source, quantity, value, unit] = row.split(',').collect::<Vec<_>>()[..] else {
                panic!("five columns: {row}");
            };
            let at: Timestamp = time.parse().unwrap();
            let unit = match unit {
                "degC" => "Cel",
                other => other,
            };
            let seconds = at.as_duration().as_secs_f64();
            messages.push(format!(
                "[{{\"n\":\"{source}/{quantity}\",\"u\":\"{unit}\",\"t\":{seconds},\"v\":{value}}}]"
            ));
        }
        publish(&self.broker, &format!("{TOPIC}/all/senml"), false, messages);
    }

    /// When the last reading of a batch's own sensors is measured that was sent.
    fn last(&self, slug: &str, second: bool) -> Timestamp {
        let mut times: Vec<_> = self
            .played
            .iter()
            .flat_map(|played| &played.readings)
            .map(|r| r.at)
            .collect();
        times.sort();
        let until = times[if second {
            times.len() - 1
        } else {
            times.len() / 2 - 2
        }];
        let all = self.played.iter().flat_map(|played| &played.readings);
        let own = all
            .filter(|r| r.source == slug && r.at <= until)
            .map(|r| r.at)
            .max()
            .unwrap();
        // Seconds of SenML may lose a microsecond on their way.
        own - SignedDuration::from_secs(1)
    }
}

/// Slugs of the batches that a daemon watches, once the engine of each has taken what was sent of its own.
fn watched(site: &Site, daemon: &Daemon, second: bool) -> BTreeSet<String> {
    wait_for("the engines to be there", PATIENCE, || {
        let told = daemon.json("/api/v1/batches");
        let batches = told["batches"].as_array().unwrap();
        let there = |batch: &Value| {
            let at: Timestamp = batch["at"].as_str().unwrap().parse().unwrap();
            at >= site.last(batch["slug"].as_str().unwrap(), second)
        };
        let slug = |batch: &Value| batch["slug"].as_str().unwrap().to_owned();
        (!batches.is_empty() && batches.iter().all(there)).then(|| batches.iter().map(slug).collect())
    })
}

fn set(slugs: &[&str]) -> BTreeSet<String> {
    slugs.iter().map(|slug| (*slug).to_owned()).collect()
}

#[test]
fn two_daemons_share_the_batches_and_one_takes_over_without_a_loss() {
    let site = Site::new();
    let first = site.watch("east", "take = \"0\"\nof = 2");
    let second = site.watch("west", "take = \"1\"\nof = 2");
    for (who, daemon) in [("east", &first), ("west", &second)] {
        wait_for("the daemon at the broker", PATIENCE, || {
            daemon.log().contains("Connected.").then_some(())
        });
        assert!(
            daemon.log().contains("is not watched here"),
            "{who}: {}",
            daemon.log()
        );
    }
    site.send(false);
    let (east, west) = (watched(&site, &first, false), watched(&site, &second, false));
    assert_eq!(east.len() + west.len(), 2, "{east:?} {west:?}");
    assert!(east.is_disjoint(&west));
    assert_eq!(
        (east.clone(), west.clone()),
        (set(&["pear-and-thyme-2"]), set(&["plum-1"]))
    );

    // A batch of the other's share is refused, with where it belongs.
    let refused = ureq::post(format!("http://127.0.0.1:{}/api/v1/batches", first.port()))
        .config()
        .http_status_as_error(false)
        .build()
        .send(&site.played[1].batch_toml)
        .unwrap();
    assert_eq!(refused.status(), 422);
    let why = refused.into_body().read_to_string().unwrap();
    assert!(why.contains("share 1 of 2"), "{why}");

    // A note that only the first one knows, and then its end.
    let noted = run(
        "fobwatch",
        &[
            "note",
            "pear and thyme 2",
            "tasted",
            "--text",
            "light",
            "--address",
            &format!("127.0.0.1:{}", first.port()),
        ],
    );
    assert_eq!(noted.status, Some(0), "{noted:#?}");
    assert_eq!(first.stop(), Some(0));

    // Readings go on while nobody watches that share: the other keeps them all the same.
    site.send(true);
    assert_eq!(watched(&site, &second, true), west);
    assert_eq!(second.stop(), Some(0));

    // The hand-over, as README tells it.
    let folder = site.kitchen.text_path("pear-and-thyme-2");
    let east_data = site.kitchen.text_path("east");
    let exported = run(
        "fobwatch",
        &[
            "export",
            "--batch",
            "pear and thyme 2",
            "--to",
            &folder,
            "--data",
            &east_data,
        ],
    );
    assert_eq!(exported.status, Some(0), "{exported:#?}");
    let second = site.watch("west", "take = \"0,1\"\nof = 2");
    let address = format!("127.0.0.1:{}", second.port());
    let imported = run(
        "fobwatch",
        &["import", &format!("{folder}/readings.csv"), "--address", &address],
    );
    assert_eq!(imported.status, Some(0), "{imported:#?}");
    let notes = std::fs::read_to_string(site.kitchen.path("pear-and-thyme-2/notes.jsonl")).unwrap();
    assert_eq!(notes.lines().count(), 1);
    for note in notes.lines() {
        let url = format!("http://{address}/api/v1/batches/pear-and-thyme-2/notes");
        let answer = ureq::post(url).send(note).unwrap();
        assert_eq!(answer.status(), 201);
    }
    assert_eq!(
        watched(&site, &second, true),
        set(&["pear-and-thyme-2", "plum-1"])
    );

    // Nothing is lost: every reading of both is in the store that goes on, and on the server once.
    let sent: BTreeSet<_> = site
        .played
        .iter()
        .flat_map(|played| &played.readings)
        .map(|r| {
            (
                r.source.clone(),
                r.quantity.name().to_owned(),
                r.at.as_millisecond(),
            )
        })
        .collect();
    let stored = Disk::open(&site.kitchen.path("west")).readings();
    assert_eq!(stored.len(), sent.len());
    let stored = stored
        .into_iter()
        .map(|(source, quantity, us)| (source, quantity, (us + 500).div_euclid(1_000)));
    assert_eq!(stored.collect::<BTreeSet<_>>(), sent);
    for (source, name) in [("pear-and-thyme-2", "pear and thyme 2"), ("plum-1", "plum 1")] {
        let wanted: BTreeSet<i64> = sent
            .iter()
            .filter(|(from, quantity, _)| from == source && quantity == "pressure")
            .map(|(_, _, ms)| *ms)
            .collect();
        wait_for("each reading once on the server", PATIENCE, || {
            let all = site.server.points("fobwatch_reading_pressure_bar");
            let own = all.iter().filter(|(labels, _)| labels["source"] == source);
            let times: Vec<i64> = own
                .flat_map(|(_, points)| points.iter().map(|(at, _)| *at))
                .collect();
            (times.len() == wanted.len() && times.into_iter().collect::<BTreeSet<_>>() == wanted)
                .then_some(())
        });
        wait_for("its forecasts up to the end on the server", PATIENCE, || {
            let all = site.server.points("fobwatch_forecast_co2_volumes_p50");
            let own = all.iter().find(|(labels, _)| labels["batch"] == name)?;
            (own.1.last()?.0 >= site.last(source, true).as_millisecond() - 3_600_000).then_some(())
        });
    }
    // With the note, the heir knows what the first one knew.
    let told = Disk::open(&site.kitchen.path("west")).texts("SELECT body FROM note");
    assert!(told.iter().any(|body| body.contains("\"tasted\"")), "{told:?}");
    assert_eq!(second.stop(), Some(0));
}

/// The line of `site/east/notice/...` that the phone was told, if it was.
fn told(posted: &std::sync::Mutex<Vec<String>>, words: &str) -> Option<String> {
    let posted = posted.lock().unwrap();
    posted.iter().find(|body| body.contains(words)).cloned()
}

#[test]
fn one_that_is_away_while_nobody_watches_its_share_is_told_until_its_share_is_taken() {
    let site = Site::new();
    let (hook, posted) = address_while(&Arc::new(AtomicBool::new(true)));
    let peered = format!(
        "of = 2\npeers = [\"site/east\", \"site/west\"]\naway_after_min = 0\n[[webhook]]\nname = \"phone\"\n\
         url = \"http://127.0.0.1:{hook}/\"\ntext = \"{{message}}\""
    );
    let first = site.watch("east", "take = \"0\"\nof = 2");
    wait_for("its share at the broker", PATIENCE, || {
        kept(&site.broker, "site/east/#").get("site/east/share").cloned()
    });
    let second = site.watch("west", &format!("take = \"1\"\n{peered}"));
    // Within the same moment it had not been heard of; from then on it is there.
    let quiet = || (!second.get("/api/v1/status").unwrap().contains("site/east")).then_some(());
    wait_for("east to be there", PATIENCE, quiet);
    first.kill();
    let words = "and nobody watches share 0 of 2.";
    let message = wait_for("the phone to be told", PATIENCE, || told(&posted, words));
    assert!(
        message.starts_with("site/east is away since ") && message.contains("treat them as live"),
        "{message}"
    );
    for place in ["/", "/api/v1/status"] {
        wait_for("page and status to tell", PATIENCE, || {
            second
                .get(place)
                .unwrap()
                .contains("nobody watches share 0 of 2")
                .then_some(())
        });
    }
    // Another one that takes it over ends that.
    assert_eq!(second.stop(), Some(0));
    let second = site.watch("west", &format!("take = \"0,1\"\n{peered}"));
    wait_for("what is known of east", PATIENCE, || {
        let status = second.get("/api/v1/status").unwrap();
        (!status.contains("site/east")).then_some(())
    });
    // And if the first one comes back as it was, both say it.
    let first = site.watch("east", "take = \"0\"\nof = 2\npeers = [\"site/west\"]");
    for (daemon, other) in [(&second, "site/east"), (&first, "site/west")] {
        wait_for("both to be told", PATIENCE, || {
            let status = daemon.get("/api/v1/status").unwrap();
            status
                .contains(&format!("{other} watches share 0 of 2, and so does this"))
                .then_some(())
        });
    }
    assert_eq!((first.stop(), second.stop()), (Some(0), Some(0)));
}
