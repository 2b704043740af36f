//! A broker to which somebody writes in ever new names: there is an end to them, it is told, and the bottles are watched all the same.

use fobwatch_tests::{Broker, Daemon, publish, wait_for};

use crate::kitchen::{Disk, Kitchen, PATIENCE, TOPIC, until_online};

/// More than is kept of sources that no batch names.
const NAMES: u32 = 4_200;

#[test]
fn ever_new_sources_come_to_an_end_and_those_of_a_batch_go_on() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 1.0);
    let config = kitchen.mqtt_config(&broker, "watch");
    let data = kitchen.path("data");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    until_online(&broker);
    let pack = |from: u32, to: u32| {
        let records = (from..to).map(|number| format!(r#"{{"n":"n{number}/pressure","u":"Pa","v":1}}"#));
        let records: Vec<String> = records.collect();
        format!("[{}]", records.join(","))
    };
    let packs = vec![pack(0, NAMES / 2), pack(NAMES / 2, NAMES)];
    publish(&broker, &format!("{TOPIC}/crowd"), false, packs);
    let counted = |outcome: &str| {
        let name = format!("fobwatch_readings_total{{input=\"mqtt\",outcome=\"{outcome}\"}}");
        daemon.metric(&name)
    };
    let turned = wait_for("some to be turned away", PATIENCE, || {
        let turned = counted("turned_away")?;
        (turned > 0 && turned + counted("new")? >= u64::from(NAMES)).then_some(turned)
    });
    assert!(turned < u64::from(NAMES) / 2, "{turned}");
    // What a batch names has its place, though nothing was heard of it before.
    let time = kitchen.played.scenario.bottled_at.as_second() + 600;
    let own = format!(r#"[{{"n":"pilot/pressure","u":"Pa","v":12000,"t":{time}}}]"#);
    publish(&broker, &format!("{TOPIC}/pilot"), false, vec![own]);
    wait_for("the pilot on disk", PATIENCE, || {
        let query = "SELECT coalesce(sum(count), 0) FROM held JOIN series ON series.id = series WHERE source = 'pilot'";
        (Disk::open(&data).count(query) == 1).then_some(())
    });
    let kinds = Disk::open(&data).count("SELECT count(*) FROM series");
    assert_eq!(kinds, usize::try_from(u64::from(NAMES) - turned).unwrap() + 1);
    for told in [daemon.get("/").unwrap(), daemon.log()] {
        assert!(
            told.contains("kinds of readings are kept already") && told.contains("narrow the topics"),
            "{told}"
        );
    }
    assert_eq!(daemon.stop(), Some(0));
}
