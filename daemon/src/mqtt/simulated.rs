//! What the daemon makes of a broker's messages, without a link, for the simulation of faults.

use std::sync::Arc;

use jiff::Timestamp;
use rumqttc::{Publish, QoS};
use tokio::sync::{mpsc, oneshot};

use super::{
    intake::Intake,
    wire::{Message, Receipt},
};
use crate::{
    config::Broker,
    decode::Calibrations,
    incoming::{Inbox, Incoming, Meter},
};

/// Decodes messages of one broker.
pub(crate) struct Ear(Intake);

impl Ear {
    pub(crate) fn new(broker: &Broker, calibrations: &Calibrations, inbox: Inbox) -> Self {
        Self(Intake {
            broker: Arc::new(broker.clone()),
            calibrations: Arc::new(calibrations.clone()),
            inbox,
            meter: Arc::new(Meter::new("a simulated broker")),
            commands: None,
            overheard: mpsc::channel(1).0, // a simulated site has one daemon
        })
    }

    /// What a message holds for the watch loop, and who hears once that is stored; `None`: nothing.
    pub(crate) fn hear(
        &self,
        topic: &str,
        payload: &[u8],
        at: Timestamp,
    ) -> Option<(Incoming, oneshot::Receiver<()>)> {
        let message = Message {
            topic: topic.to_owned(),
            payload: payload.to_vec(),
            retained: false,
            receipt: Receipt::Three(Publish::new(topic, QoS::AtLeastOnce, payload)),
        };
        self.0.read(&message, at)
    }
}
