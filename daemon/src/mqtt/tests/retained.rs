//! What a broker retained: used where it tells its own time, and only then.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn a_retained_message_counts_from_its_own_time_or_not_at_all() {
    for protocol in ["3.1.1", "5"] {
        let folder = tempfile::tempdir().unwrap();
        let mosquitto = Mosquitto::start(folder.path());
        // Dated; counted from the arrival; both in one pack.
        let relative = r#"[{"n":"float/pressure","u":"bar","v":1.0,"t":-5}]"#;
        let mixed = r#"[{"n":"jar/pressure","u":"bar","v":0.5,"t":1772434800},{"n":"jar/liquid_temperature","u":"Cel","v":20}]"#;
        for (topic, payload) in [
            ("sensors/a/senml", senml(0.25).as_str()),
            ("sensors/b/senml", relative),
            ("sensors/c/senml", mixed),
            ("kitchen/temperature", "19.5"),
        ] {
            publish(mosquitto.port, topic, payload, true).await;
        }
        let mut bench = listen(broker_of(protocol, mosquitto.port));
        hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
        publish(mosquitto.port, "sensors/d/senml", &senml(0.75), false).await;
        let mut heard = Vec::new();
        while heard.last() != Some(&("pilot".to_owned(), 0.75)) {
            let mut incoming = bench.next().await;
            assert_eq!(incoming.readings.len(), 1, "{incoming:?}");
            assert_eq!(incoming.readings[0].at.to_string(), "2026-03-02T07:00:00Z");
            heard.push((incoming.readings[0].source.to_string(), bar(&incoming)));
            incoming.stored();
        }
        heard.sort_by_key(|(source, _)| source.clone());
        let named = |source: &str, bar| (source.to_owned(), bar);
        assert_eq!(
            heard,
            [named("jar", 0.5), named("pilot", 0.25), named("pilot", 0.75)],
            "{protocol}"
        );
        assert_eq!(bench.link.meter.state().untimed, 3, "{protocol}");
        bench.end().await;
    }
}
