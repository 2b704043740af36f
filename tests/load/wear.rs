//! What readings that trickle in cost a flash card: bytes that the daemon sends to the disk for each.

use std::{
    fs, thread,
    time::{Duration, Instant},
};

use fobwatch_tests::{Broker, Daemon, wait_for};
use jiff::Timestamp;
use rumqttc::{Client, MqttOptions, QoS};

use crate::made;

/// What came of it.
pub(crate) struct Worn {
    pub(crate) batches: usize,
    pub(crate) every_s: u32,
    pub(crate) gather_s: u32,
    pub(crate) readings: u64,
    pub(crate) written: u64,
    pub(crate) hours: f64,
    pub(crate) resident_mib: f64,
    pub(crate) most_resident_mib: f64,
}

impl Worn {
    /// The same in a month, GB.
    pub(crate) fn gb_a_month(&self) -> f64 {
        number(self.written) / 1e9 / self.hours * 24.0 * 30.0
    }

    pub(crate) fn bytes_a_reading(&self) -> f64 {
        number(self.written) / number(self.readings.max(1))
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts are smaller than 2^53")]
pub(crate) fn number(count: u64) -> f64 {
    count as f64
}

/// How often an open page is fetched anew, as its script does it at most.
const OPEN_PAGE: Duration = Duration::from_secs(3);
/// A week.
const WEEK_S: u64 = 7 * 24 * 3_600;

/// Sensors of `batches` send a reading every `every_s` seconds over a broker, each in a message of its own, for `lasts`, while a page is open.
/// Every batch is a week old, and so are its readings.
pub(crate) fn wear(
    models: &[made::Model],
    made_at: Timestamp,
    batches: usize,
    every_s: u32,
    gather_s: u32,
    lasts: Duration,
) -> Worn {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    let broker = Broker::start();
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("broker.password"), Broker::PASSWORD).expect("a file is written");
    let config = format!(
        "[store]\ngather_s = {gather_s}\n[display]\ntime_zone = \"UTC\"\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nusername = \"{}\"\n\
         password_file = \"broker.password\"\nsenml = [\"load/+\"]\n",
        broker.port(),
        Broker::USER
    );
    fs::write(path("kitchen.toml"), config).expect("a file is written");
    let start = || Daemon::start(&path("kitchen.toml"), &path("data"), &path("batches"));
    assert_eq!(start().stop(), Some(0), "a daemon makes the store");
    let past = 2 * u64::try_from(batches).expect("few") * WEEK_S / u64::from(every_s);
    made::past_readings(&path("data"), batches, past, made_at);
    made::fill(&path("data"), models, batches, made_at);
    let daemon = start();
    let mut options = MqttOptions::new("sensors", "127.0.0.1", broker.port());
    options.set_credentials(Broker::USER, Broker::PASSWORD);
    let (client, mut connection) = Client::new(options, 10_000);
    // Ends with the client.
    let link = thread::spawn(move || connection.iter().take_while(Result::is_ok).count());
    let sensors = 2 * batches;
    let send = |index: usize| {
        let quantity = ["pressure", "liquid_temperature"][index % 2];
        let (unit, value) = [("Pa", 2.1e5), ("Cel", 21.0)][index % 2];
        let source = made::source_name(index / 2);
        let at = Timestamp::now().as_millisecond();
        let (seconds, rest) = (at / 1_000, at % 1_000);
        let payload = format!(
            "[{{\"n\":\"{source}/{quantity}\",\"u\":\"{unit}\",\"v\":{value},\"t\":{seconds}.{rest:03}}}]"
        );
        client
            .publish(format!("load/{source}"), QoS::AtLeastOnce, false, payload)
            .expect("the link takes it");
    };
    send(0);
    wait_for("the first reading", Duration::from_secs(60), || {
        let stored = daemon.metric("fobwatch_readings_total{input=\"mqtt\",outcome=\"new\"}")?;
        (stored > 0).then_some(())
    });
    let before = daemon.written_bytes();
    let began = Instant::now();
    let (mut sent, mut due) = (0_u64, Duration::ZERO);
    let mut looked = Instant::now();
    let step = Duration::from_secs(u64::from(every_s)) / u32::try_from(sensors).expect("few");
    while began.elapsed() < lasts {
        thread::sleep(due.saturating_sub(began.elapsed()));
        send(usize::try_from(sent).expect("few") % sensors);
        sent += 1;
        due += step;
        if looked.elapsed() >= OPEN_PAGE {
            looked = Instant::now();
            drop(daemon.get("/").expect("the page"));
        }
    }
    // What is gathered still, and the state at the stop, are not counted: they come once.
    let written = daemon.written_bytes() - before;
    let hours = began.elapsed().as_secs_f64() / 3_600.0;
    let (resident_mib, most_resident_mib) = (daemon.resident_mib(), daemon.most_resident_mib());
    client.disconnect().ok();
    drop(client);
    link.join().ok();
    Worn {
        batches,
        every_s,
        gather_s,
        readings: sent,
        written,
        hours,
        resident_mib,
        most_resident_mib,
    }
}
