//! Looking on at a broker for a while without leaving a trace there.

use std::{
    sync::{Arc, PoisonError},
    time::Duration,
};

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use super::Shared;
use crate::{
    config::Broker,
    decode::Calibrations,
    mqtt::{
        timely,
        wire::{self, Guise, Happened},
    },
};

const AGAIN: Duration = Duration::from_secs(2);

/// Everything that this user may hear, and what the configuration asks for where the broker grants only that.
pub(crate) async fn onlook(
    broker: Broker,
    id: String,
    calibrations: Arc<Calibrations>,
    shared: Shared,
    stop: CancellationToken,
) {
    // Another part of the program may have installed it: it is the only one that is built in.
    rustls::crypto::ring::default_provider().install_default().ok();
    let (client, mut events) = wire::open(&broker, Guise::Onlooker(&id));
    let place = broker.name();
    let heard = || shared.lock().unwrap_or_else(PoisonError::into_inner);
    let (mut asked_for_all, mut any) = (false, false);
    loop {
        let happened = tokio::select! {
            biased;
            () = stop.cancelled() => break,
            happened = events.poll() => happened,
        };
        match happened {
            Ok(Happened::Up) => {
                heard().mended(&place);
                asked_for_all = true;
                client.subscribe([("#", false)].into_iter()).ok();
            }
            Ok(Happened::Subscribed(granted)) => {
                let own = broker.routes.iter().map(|route| (route.filter.as_str(), false));
                if asked_for_all && granted == [false] && own.len() > 0 {
                    client.subscribe(own).ok();
                } else if granted.contains(&false) {
                    let why = "the broker refuses a subscription: its rules do not let this user hear everything asked for";
                    heard().trouble(&place, why.to_owned());
                }
                asked_for_all = false;
            }
            Ok(Happened::Message(message)) => {
                any = true;
                let ours = broker.publish_prefix.as_ref().is_some_and(|prefix| {
                    message
                        .topic
                        .strip_prefix(prefix.as_str())
                        .is_some_and(|rest| rest.starts_with('/'))
                });
                if !ours {
                    let (decoded, untimed) = timely(&broker, &message, Timestamp::now(), &calibrations)
                        .map_or((None, 0), |(decoded, untimed)| (Some(decoded), untimed));
                    let way = (place.clone(), message.topic);
                    heard().take(&way, &message.payload, decoded, untimed);
                }
            }
            Ok(_) => {}
            Err(lost) => {
                heard().trouble(&place, format!("cannot be heard: {}", lost.why));
                events.forget();
                tokio::select! {
                    () = stop.cancelled() => break,
                    () = tokio::time::sleep(AGAIN) => {}
                }
            }
        }
    }
    if !any && !heard().troubles.contains_key(&place) {
        heard().trouble(&place, "answers, and nothing came from it".to_owned());
    }
}
