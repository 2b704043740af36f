//! `check --send-test`: a test through every channel of a configuration, and what became of it.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Priority, Transition},
    batch::BatchName,
};
use jiff::Timestamp;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use super::super::{Ended, say};
use crate::{
    config::{Broker, Config},
    decode::Calibrations,
    deliver, incoming, mqtt,
};

/// How long a broker may take to be reached and to confirm.
const PATIENCE: Duration = Duration::from_secs(20);

/// Sends, and tells of each channel whether it took it.
pub(super) fn run(configs: &[Config]) -> Result<(), Ended> {
    let runtime = tokio::runtime::Runtime::new()
        .map_err(|error| Ended::Failed(format!("the system gives no threads: {error}")))?;
    let alert = made_up()?;
    let mut told: BTreeMap<String, Result<(), String>> = BTreeMap::new();
    for config in configs {
        for broker in config
            .mqtt
            .iter()
            .filter(|broker| broker.publish_prefix.is_some())
        {
            let sent = runtime.block_on(over_mqtt(broker));
            told.insert(format!("broker {}", broker.name()), sent);
        }
        for (name, channel) in deliver::channels(config) {
            let sent = runtime.block_on(deliver::try_out(&channel, &alert));
            told.insert(name, sent.map_err(|failed| failed.why));
        }
    }
    if told.is_empty() {
        return Err(Ended::Refused(
            "the configuration names no channel to try; allowed: [[mqtt]] with publish_prefix, [[webhook]], [[email]]".to_owned(),
        ));
    }
    let failed = told.values().filter(|sent| sent.is_err()).count();
    for (channel, sent) in &told {
        match sent {
            Ok(()) => say(&format!("{channel}: it took the test."))?,
            Err(why) => say(&format!("{channel}: it did not take the test: {why}."))?,
        }
    }
    match failed {
        0 => Ok(()),
        1 => Err(Ended::Failed("one channel did not take the test".to_owned())),
        some => Err(Ended::Failed(format!("{some} channels did not take the test"))),
    }
}

fn made_up() -> Result<AlertRecord, Ended> {
    Ok(AlertRecord {
        batch: BatchName::new("a test").map_err(|bad| Ended::Failed(bad.to_string()))?,
        alert: AlertName::FridgeSoon,
        state: Transition::Raised,
        priority: Priority::Low,
        at: Timestamp::now(),
        message: "This is a test of fobwatch: no bottle wants anything. If you can read it, alerts reach you this way.".to_owned(),
        who: None,
        source: None,
        quantity: None,
    })
}

/// Under a name of its own, so that a daemon which holds the session keeps it, and on a topic that is no alert's.
async fn over_mqtt(broker: &Broker) -> Result<(), String> {
    rustls::crypto::ring::default_provider().install_default().ok();
    let visitor = Broker {
        client_id: format!("{}-test-{}", broker.client_id, std::process::id()),
        publish_prefix: broker
            .publish_prefix
            .as_ref()
            .map(|prefix| format!("{prefix}/test")),
        take_commands: false,
        peers: Vec::new(),
        discovery_prefix: None,
        routes: Vec::new(),
        ..broker.clone()
    };
    let topic = visitor.publish_prefix.clone().unwrap_or_default();
    let (inbox, _incoming) = incoming::channel();
    let stop = CancellationToken::new();
    let link = mqtt::start(visitor, Arc::new(Calibrations::default()), inbox, stop.clone());
    let Some(publisher) = link.publisher else {
        return Err("it has no topic to be told under".to_owned());
    };
    let told = async {
        loop {
            let text = "This is a test of fobwatch: no bottle wants anything.";
            match publisher.retained(topic.clone(), text.to_owned()).await {
                Ok(()) => return Ok(()),
                Err(mqtt::PublishError::NotConnected | mqtt::PublishError::LinkLost) => {
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
                Err(error) => return Err(error.to_string()),
            }
        }
    };
    let sent = match timeout(PATIENCE, told).await {
        Ok(sent) => sent,
        Err(_) => {
            let complaint = link.meter.state().complaint;
            Err(complaint.unwrap_or_else(|| "it does not answer".to_owned()))
        }
    };
    if sent.is_ok() {
        // Nothing of the test is kept: neither it nor whether its sender is online.
        for kept in [topic.clone(), format!("{topic}/status")] {
            publisher.retained(kept, String::new()).await.ok();
        }
    }
    stop.cancel();
    timeout(PATIENCE, link.task).await.ok();
    sent
}
