//! One face over MQTT 3.1.1 and MQTT 5, with or without TLS: what the rest needs of a link, and nothing else.

use std::{io, time::Duration};

use rumqttc::{
    AsyncClient, ClientError, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming as Packet,
    LastWill, MqttOptions, Outgoing, Publish, QoS, StateError, SubscribeFilter, SubscribeReasonCode,
    TlsConfiguration, TlsError, Transport,
    v5::{
        self,
        mqttbytes::{QoS as QoS5, v5 as five},
    },
};

use super::publisher::{Keep, OFFLINE, status_topic};
use crate::{
    config::{Broker, Protocol},
    decode::MAX_MESSAGE,
    incoming::Mends,
};

/// The largest packet that is taken from a broker: the largest there can be (MQTT 3.1.1, section 2.2.3). A smaller cap
/// would end the link at a larger packet, which the broker would then send again for ever; a message longer than
/// [`MAX_MESSAGE`] is refused and acknowledged instead.
const MAX_PACKET: u32 = 268_435_455 + 5;

/// Packets to the broker that may wait in the link.
const REQUESTS: usize = 256;

const KEEP_ALIVE: Duration = Duration::from_secs(30);
const CONNECT_WITHIN_SECONDS: u64 = 10;

/// How long a broker of MQTT 5 is asked to keep what came while we were away; one of 3.1.1 keeps it as long as it likes.
const KEPT_FOR_SECONDS: u32 = 90 * 24 * 3_600;

/// As whom we come.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Guise<'a> {
    /// The daemon: its session stays at the broker, a message counts as taken once it is acknowledged, and a last will is
    /// left behind.
    Daemon,
    /// Someone who looks on for a while under this name and leaves no trace.
    Onlooker(&'a str),
}

/// Sends.
#[derive(Clone)]
pub(crate) enum Client {
    Three(AsyncClient),
    Five(v5::AsyncClient),
}

/// Polls.
pub(crate) enum Events {
    Three(Box<EventLoop>),
    Five(Box<v5::EventLoop>),
}

/// What happened on the link.
#[derive(Debug)]
pub(crate) enum Happened {
    /// A connection stands; nothing is subscribed to yet.
    Up,
    /// The broker's answer to each filter, in their order: whether it is granted.
    Subscribed(Vec<bool>),
    Message(Message),
    /// The broker has answered our publish of this id; false: it does not want it.
    Confirmed(u16, bool),
    /// Our publish went out under this id.
    Sent(u16),
    /// We have said goodbye.
    Left,
    Other,
}

/// A message as it came.
#[derive(Debug)]
pub(crate) struct Message {
    pub(crate) topic: String,
    /// At most one byte more than will be looked at: what waits to be refused for its length need not be held whole.
    pub(crate) payload: Vec<u8>,
    /// The broker had kept it: it was sent at some time before we came.
    pub(crate) retained: bool,
    pub(crate) receipt: Receipt,
}

/// What an acknowledgement needs to know of a message.
#[derive(Debug)]
pub(crate) enum Receipt {
    Three(Publish),
    Five(Box<five::Publish>),
}

/// Why a connection ended or did not come up.
#[derive(Debug)]
pub(crate) struct Lost {
    /// A short name for counters, one of a fixed few.
    pub(crate) reason: &'static str,
    pub(crate) mends: Mends,
    pub(crate) why: String,
}

/// There is no room for the request now.
#[derive(Debug)]
pub(crate) struct NoRoom;

/// A link to a broker; nothing happens on it before it is polled.
pub(crate) fn open(broker: &Broker, guise: Guise<'_>) -> (Client, Events) {
    match broker.protocol {
        Protocol::Three => {
            let (client, mut events) = AsyncClient::new(options(broker, guise), REQUESTS);
            events
                .network_options
                .set_connection_timeout(CONNECT_WITHIN_SECONDS);
            (Client::Three(client), Events::Three(Box::new(events)))
        }
        Protocol::Five => {
            let (client, events) = v5::AsyncClient::new(options_5(broker, guise), REQUESTS);
            (Client::Five(client), Events::Five(Box::new(events)))
        }
    }
}

fn transport(broker: &Broker) -> Transport {
    match &broker.tls {
        None => Transport::Tcp,
        Some(tls) => Transport::tls_with_config(TlsConfiguration::Rustls(tls.config())),
    }
}

fn password(broker: &Broker) -> &str {
    broker.password.as_ref().map_or("", |secret| secret.reveal())
}

fn options(broker: &Broker, guise: Guise<'_>) -> MqttOptions {
    let (id, daemon) = match guise {
        Guise::Daemon => (broker.client_id.as_str(), true),
        Guise::Onlooker(id) => (id, false),
    };
    let most = usize::try_from(MAX_PACKET).unwrap_or(usize::MAX);
    let mut options = MqttOptions::new(id, &broker.host, broker.port);
    options
        .set_keep_alive(KEEP_ALIVE)
        .set_clean_session(!daemon)
        .set_manual_acks(daemon)
        .set_max_packet_size(most, most)
        .set_transport(transport(broker));
    if let Some(username) = &broker.username {
        options.set_credentials(username, password(broker));
    }
    if let (true, Some(prefix)) = (daemon, &broker.publish_prefix) {
        options.set_last_will(LastWill::new(
            status_topic(prefix),
            OFFLINE,
            QoS::AtLeastOnce,
            true,
        ));
    }
    options
}

fn options_5(broker: &Broker, guise: Guise<'_>) -> v5::MqttOptions {
    let (id, daemon) = match guise {
        Guise::Daemon => (broker.client_id.as_str(), true),
        Guise::Onlooker(id) => (id, false),
    };
    let mut options = v5::MqttOptions::new(id, &broker.host, broker.port);
    options
        .set_keep_alive(KEEP_ALIVE)
        .set_clean_start(!daemon)
        .set_session_expiry_interval(daemon.then_some(KEPT_FOR_SECONDS))
        .set_manual_acks(daemon)
        .set_max_packet_size(Some(MAX_PACKET))
        .set_connection_timeout(CONNECT_WITHIN_SECONDS)
        .set_transport(transport(broker));
    if let Some(username) = &broker.username {
        options.set_credentials(username, password(broker));
    }
    if let (true, Some(prefix)) = (daemon, &broker.publish_prefix) {
        let will = five::LastWill::new(status_topic(prefix), OFFLINE, QoS5::AtLeastOnce, true, None);
        options.set_last_will(will);
    }
    options
}

impl Client {
    /// Asks for the messages of each filter; true: also those that came while we were away.
    pub(crate) fn subscribe<'a>(&self, filters: impl Iterator<Item = (&'a str, bool)>) -> Result<(), NoRoom> {
        match self {
            Self::Three(client) => client.try_subscribe_many(filters.map(|(filter, kept)| {
                let kept = if kept { QoS::AtLeastOnce } else { QoS::AtMostOnce };
                SubscribeFilter::new(filter.to_owned(), kept)
            }))?,
            Self::Five(client) => client.try_subscribe_many(filters.map(|(filter, kept)| {
                let kept = if kept { QoS5::AtLeastOnce } else { QoS5::AtMostOnce };
                five::Filter::new(filter, kept)
            }))?,
        }
        Ok(())
    }

    /// Publishes a message, to be confirmed.
    pub(super) fn publish(&self, topic: String, payload: String, keep: Keep) -> Result<(), NoRoom> {
        match self {
            Self::Three(client) => client.try_publish(topic, QoS::AtLeastOnce, keep.retains(), payload)?,
            Self::Five(client) => client.try_publish(topic, QoS5::AtLeastOnce, keep.retains(), payload)?,
        }
        Ok(())
    }

    /// Acknowledges a message. One that came over the other version, which cannot be, needs nothing.
    pub(crate) fn ack(&self, receipt: &Receipt) -> Result<(), NoRoom> {
        match (self, receipt) {
            (Self::Three(client), Receipt::Three(message)) => client.try_ack(message)?,
            (Self::Five(client), Receipt::Five(message)) => client.try_ack(message)?,
            _ => {}
        }
        Ok(())
    }

    pub(crate) fn disconnect(&self) -> Result<(), NoRoom> {
        match self {
            Self::Three(client) => client.try_disconnect()?,
            Self::Five(client) => client.try_disconnect()?,
        }
        Ok(())
    }
}

impl From<ClientError> for NoRoom {
    fn from(_: ClientError) -> Self {
        Self
    }
}

impl From<v5::ClientError> for NoRoom {
    fn from(_: v5::ClientError) -> Self {
        Self
    }
}

impl Events {
    /// The next thing that happens; connects first where there is no connection. Not to be dropped half-way: what was taken
    /// from the queue of requests would be lost.
    pub(crate) async fn poll(&mut self) -> Result<Happened, Lost> {
        match self {
            Self::Three(events) => Ok(happened(events.poll().await.map_err(|error| judge(&error))?)),
            Self::Five(events) => Ok(happened_5(events.poll().await.map_err(|error| judge_5(&error))?)),
        }
    }

    /// Drops the connection and every request that waited for it.
    pub(crate) fn forget(&mut self) {
        match self {
            Self::Three(events) => {
                events.clean();
                events.pending.clear();
            }
            Self::Five(events) => {
                events.clean();
                events.pending.clear();
            }
        }
    }
}

fn looked_at(payload: &[u8]) -> Vec<u8> {
    payload[..payload.len().min(MAX_MESSAGE + 1)].to_vec()
}

fn happened(event: Event) -> Happened {
    match event {
        Event::Incoming(Packet::ConnAck(_)) => Happened::Up,
        Event::Incoming(Packet::SubAck(answer)) => {
            let granted = |code: &SubscribeReasonCode| *code != SubscribeReasonCode::Failure;
            Happened::Subscribed(answer.return_codes.iter().map(granted).collect())
        }
        Event::Incoming(Packet::PubAck(ack)) => Happened::Confirmed(ack.pkid, true),
        Event::Incoming(Packet::Publish(mut message)) => Happened::Message(Message {
            topic: message.topic.clone(),
            payload: looked_at(&std::mem::take(&mut message.payload)),
            retained: message.retain,
            receipt: Receipt::Three(message),
        }),
        Event::Outgoing(Outgoing::Publish(id)) => Happened::Sent(id),
        Event::Outgoing(Outgoing::Disconnect) => Happened::Left,
        _ => Happened::Other,
    }
}

fn happened_5(event: v5::Event) -> Happened {
    match event {
        v5::Event::Incoming(five::Packet::ConnAck(_)) => Happened::Up,
        v5::Event::Incoming(five::Packet::SubAck(answer)) => {
            let granted =
                |code: &five::SubscribeReasonCode| matches!(code, five::SubscribeReasonCode::Success(_));
            Happened::Subscribed(answer.return_codes.iter().map(granted).collect())
        }
        v5::Event::Incoming(five::Packet::PubAck(ack)) => {
            use five::PubAckReason::{NoMatchingSubscribers, Success};
            Happened::Confirmed(ack.pkid, matches!(ack.reason, Success | NoMatchingSubscribers))
        }
        v5::Event::Incoming(five::Packet::Publish(mut message)) => Happened::Message(Message {
            topic: String::from_utf8_lossy(&message.topic).into_owned(),
            payload: looked_at(&std::mem::take(&mut message.payload)),
            retained: message.retain,
            receipt: Receipt::Five(Box::new(message)),
        }),
        v5::Event::Outgoing(Outgoing::Publish(id)) => Happened::Sent(id),
        v5::Event::Outgoing(Outgoing::Disconnect) => Happened::Left,
        _ => Happened::Other,
    }
}

fn lost(reason: &'static str, mends: Mends, error: &dyn std::error::Error) -> Lost {
    Lost {
        reason,
        mends,
        why: error.to_string(),
    }
}

/// A certificate or key that the other side, or we, would not take also comes as an error of input and output.
fn is_tls(error: &io::Error) -> bool {
    error.get_ref().is_some_and(|inner| inner.is::<rustls::Error>())
}

fn judge_io(error: &io::Error) -> Lost {
    if is_tls(error) {
        return judge_tls(error);
    }
    lost("network", Mends::ByItself, error)
}

fn judge_tls(error: &dyn std::error::Error) -> Lost {
    Lost {
        reason: "tls",
        mends: Mends::ByAPerson,
        why: format!(
            "the broker and this program do not agree on certificates ({error}); look at `ca_file`, `certificate_file`, \
             `key_file`, and whether `host` is the name in the broker's certificate"
        ),
    }
}

fn judge_secured(error: &TlsError) -> Lost {
    match error {
        TlsError::Io(error) => judge_io(error),
        error => judge_tls(error),
    }
}

fn judge(error: &ConnectionError) -> Lost {
    match error {
        ConnectionError::ConnectionRefused(code) => {
            let mends = match code {
                ConnectReturnCode::ServiceUnavailable => Mends::ByItself,
                _ => Mends::ByAPerson,
            };
            lost("refused", mends, error)
        }
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            lost("timeout", Mends::ByItself, error)
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) => lost("timeout", Mends::ByItself, error),
        ConnectionError::Tls(tls) => judge_secured(tls),
        ConnectionError::Io(io)
        | ConnectionError::MqttState(
            StateError::Io(io) | StateError::Deserialization(rumqttc::mqttbytes::Error::Io(io)),
        ) => judge_io(io),
        ConnectionError::MqttState(StateError::ConnectionAborted) => lost("network", Mends::ByItself, error),
        _ => lost("protocol", Mends::ByItself, error),
    }
}

fn judge_5(error: &v5::ConnectionError) -> Lost {
    use five::ConnectReturnCode::{
        ConnectionRateExceeded, ServerBusy, ServerUnavailable, ServiceUnavailable,
    };
    use v5::ConnectionError as Error;
    match error {
        Error::ConnectionRefused(code) | Error::MqttState(v5::StateError::ConnFail { reason: code }) => {
            let mends = match code {
                ServiceUnavailable | ServerUnavailable | ServerBusy | ConnectionRateExceeded => {
                    Mends::ByItself
                }
                _ => Mends::ByAPerson,
            };
            lost("refused", mends, error)
        }
        Error::Timeout(_) => lost("timeout", Mends::ByItself, error),
        Error::MqttState(v5::StateError::AwaitPingResp) => lost("timeout", Mends::ByItself, error),
        Error::Tls(tls) => judge_secured(tls),
        Error::Io(io)
        | Error::MqttState(
            v5::StateError::Io(io) | v5::StateError::Deserialization(v5::mqttbytes::Error::Io(io)),
        ) => judge_io(io),
        Error::MqttState(v5::StateError::ConnectionAborted) => lost("network", Mends::ByItself, error),
        _ => lost("protocol", Mends::ByItself, error),
    }
}
