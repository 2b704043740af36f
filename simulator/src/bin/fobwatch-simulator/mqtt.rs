//! A play over MQTT 3.1.1.
//!
//! One task polls the connection and does nothing else; the other publishes a few readings, waits until the
//! broker has acknowledged them, and goes on. A broker that forgot the session gets those few again: the same
//! source, quantity and time is one reading.

use crate::Failure;
use crate::pace::Pace;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use std::path::Path;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Readings handed over before their acknowledgements are awaited.
const WINDOW: usize = 50;
const FIRST_PAUSE: Duration = Duration::from_millis(500);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// User and password.
pub(crate) struct Login {
    user: String,
    password: String,
}

impl Login {
    pub(crate) fn read(user: Option<String>, file: Option<&Path>) -> Result<Option<Self>, Failure> {
        let (Some(user), Some(file)) = (user, file) else {
            return Ok(None);
        };
        let text = std::fs::read_to_string(file)
            .map_err(|error| Failure::World(format!("{}: {error}", file.display())))?;
        let password = text.lines().next().unwrap_or_default().to_owned();
        Ok(Some(Self { user, password }))
    }
}

/// Where the readings go.
pub(crate) struct Target {
    host: String,
    port: u16,
    topic: String,
    client_id: String,
    login: Option<Login>,
}

impl Target {
    pub(crate) fn new(
        broker: &str,
        topic: &str,
        client_id: String,
        login: Option<Login>,
    ) -> Result<Self, Failure> {
        let parts = broker
            .rsplit_once(':')
            .and_then(|(host, port)| Some((host, port.parse().ok()?)));
        let Some((host, port)) = parts.filter(|(host, port)| !host.is_empty() && *port != 0) else {
            return Err(Failure::Usage(format!(
                "`--broker` is `{broker}`; allowed: HOST:PORT"
            )));
        };
        if topic.is_empty() || topic.contains(['+', '#', '\0']) {
            return Err(Failure::Usage(format!(
                "`--topic` is `{topic}`; allowed: a topic without wildcards"
            )));
        }
        if client_id.is_empty() {
            return Err(Failure::Usage(
                "`--client-id` is empty; allowed: a name".to_owned(),
            ));
        }
        Ok(Self {
            host: host.trim_matches(['[', ']']).to_owned(),
            port,
            topic: topic.trim_end_matches('/').to_owned(),
            client_id,
            login,
        })
    }

    fn connect(&self) -> Connection {
        let mut options = MqttOptions::new(&self.client_id, &self.host, self.port);
        options
            .set_clean_session(false)
            .set_keep_alive(Duration::from_secs(30));
        if let Some(login) = &self.login {
            options.set_credentials(&login.user, &login.password);
        }
        let (client, eventloop) = AsyncClient::new(options, 2 * WINDOW);
        // Every message of the poller answers a reading of one window or a connection: this never fills up.
        let (tell, news) = mpsc::channel(4 * WINDOW);
        Connection {
            client,
            news,
            poller: tokio::spawn(poll(eventloop, tell)),
        }
    }
}

struct Connection {
    client: AsyncClient,
    news: mpsc::Receiver<News>,
    poller: JoinHandle<()>,
}

enum News {
    Acknowledged,
    SessionLost,
    Refused(String),
}

/// Polls until nobody listens any more.
async fn poll(mut eventloop: EventLoop, tell: mpsc::Sender<News>) {
    let mut pause = FIRST_PAUSE;
    let mut was_connected = false;
    loop {
        let news = match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(answer))) => {
                pause = FIRST_PAUSE;
                let lost = was_connected && !answer.session_present;
                was_connected = true;
                lost.then_some(News::SessionLost)
            }
            Ok(Event::Incoming(Packet::PubAck(_))) => Some(News::Acknowledged),
            Ok(_) => None,
            Err(rumqttc::ConnectionError::ConnectionRefused(code))
                if code != rumqttc::ConnectReturnCode::ServiceUnavailable =>
            {
                Some(News::Refused(format!("{code:?}")))
            }
            Err(error) => {
                eprintln!(
                    "The broker is out of reach ({error}); next try in {} ms.",
                    pause.as_millis()
                );
                tokio::time::sleep(pause.mul_f64(jitter())).await;
                pause = (2 * pause).min(LONGEST_PAUSE);
                None
            }
        };
        if let Some(news) = news
            && tell.send(news).await.is_err()
        {
            return;
        }
    }
}

/// 0.75 to 1.25, so that many senders do not come back at the same moment.
fn jitter() -> f64 {
    use std::hash::{BuildHasher, RandomState};
    let random = RandomState::new().hash_one(0_u8) % 1000;
    #[expect(clippy::cast_precision_loss, reason = "below a thousand")]
    let part = random as f64 / 2000.0;
    0.75 + part
}

pub(crate) fn publish(pace: &Pace, target: &Target) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|error| Failure::World(format!("no runtime: {error}")))?;
    runtime.block_on(play(pace, target))
}

async fn play(pace: &Pace, target: &Target) -> Result<(), Failure> {
    let mut connection = target.connect();
    let mut done = 0;
    while let Some(first) = pace.readings.get(done) {
        tokio::time::sleep(pace.wait(first)).await;
        let rest = pace.readings.get(done..).unwrap_or_default();
        let due = rest
            .iter()
            .take(WINDOW)
            .take_while(|reading| pace.wait(reading).is_zero())
            .count()
            .max(1);
        let window: Vec<(String, String)> = rest
            .iter()
            .take(due)
            .map(|reading| {
                (
                    format!("{}/{}", target.topic, reading.source),
                    reading.senml.clone(),
                )
            })
            .collect();
        while !deliver(&mut connection, &window).await? {
            eprintln!(
                "The broker forgot the session; {} readings go out again.",
                window.len()
            );
            connection.poller.abort();
            connection = target.connect();
        }
        for _ in 0..due {
            done += 1;
            pace.tell(done);
        }
    }
    // A failed farewell changes nothing: all is acknowledged.
    if let Err(error) = connection.client.disconnect().await {
        eprintln!("The farewell to the broker failed: {error}");
    }
    eprintln!("All {done} readings are acknowledged.");
    Ok(())
}

/// Whether the broker has acknowledged the whole window.
async fn deliver(connection: &mut Connection, window: &[(String, String)]) -> Result<bool, Failure> {
    for (topic, payload) in window {
        let sent = connection
            .client
            .publish(topic, QoS::AtLeastOnce, false, payload.clone())
            .await;
        sent.map_err(|error| Failure::World(format!("publishing on `{topic}` failed: {error}")))?;
    }
    let mut left = window.len();
    while left > 0 {
        match connection.news.recv().await {
            Some(News::Acknowledged) => left -= 1,
            Some(News::SessionLost) => return Ok(false),
            Some(News::Refused(why)) => {
                return Err(Failure::World(format!(
                    "the broker refuses the connection: {why}"
                )));
            }
            None => return Err(Failure::World("the connection's task ended".to_owned())),
        }
    }
    Ok(true)
}
