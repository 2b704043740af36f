//! Looking on at a broker: what is mapped, what is not, and no trace left behind.

use super::*;
use crate::discover::{Offer, Shared, brokers::onlook};

#[tokio::test(flavor = "multi_thread")]
async fn an_onlooker_tells_what_is_read_what_is_old_and_what_could_be_mapped() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    publish(mosquitto.port, "kitchen/temperature", "19.5", true).await;
    for protocol in ["3.1.1", "5"] {
        let shared = Shared::default();
        let stop = CancellationToken::new();
        let task = tokio::spawn(onlook(
            broker_of(protocol, mosquitto.port),
            "fobwatch-check-1".to_owned(),
            Arc::default(),
            Arc::clone(&shared),
            stop.clone(),
        ));
        let place = format!("127.0.0.1:{}", mosquitto.port);
        let way = |topic: &str| (place.clone(), topic.to_owned());
        // The retained one shows that the subscription stands.
        within(async {
            while !shared
                .lock()
                .unwrap()
                .unread
                .contains_key(&way("kitchen/temperature"))
            {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        })
        .await;
        for topic in ["sensors/shelf/senml", "garden/pilot/pressure"] {
            let payload = if topic.ends_with("senml") {
                senml(1.25)
            } else {
                "1.5".to_owned()
            };
            publish(mosquitto.port, topic, &payload, false).await;
        }
        within(async {
            while shared.lock().unwrap().offers.is_empty() {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        })
        .await;
        stop.cancel();
        within(task).await.unwrap();
        let heard = shared.lock().unwrap();
        let old = &heard.unread[&way("kitchen/temperature")];
        assert!(old.why.contains("retained"), "{old:?}");
        let read: Vec<_> = heard
            .read
            .keys()
            .map(|(way, source, _)| (way.1.as_str(), source.as_str()))
            .collect();
        assert_eq!(read, [("sensors/shelf/senml", "pilot")]);
        let Offer::Table(table) = &heard.offers[&way("garden/pilot/pressure")] else {
            panic!("{:?}", heard.offers)
        };
        assert!(table.contains("quantity = \"pressure\""), "{table}");
        assert!(heard.troubles.is_empty(), "{:?}", heard.troubles);
    }
}
