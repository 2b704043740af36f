//! What the others tell, kept here.

use std::sync::Arc;

use tokio::sync::mpsc;
use tracing::{info, warn};

use super::record::Record;
use crate::{
    config::Share,
    mqtt::Overheard,
    store::{Heard, StoreError},
    watch::{House, Request},
};

/// Takes what comes over one broker's link until that ends.
pub(crate) async fn hear(house: Arc<House>, mut overheard: mpsc::Receiver<Overheard>) {
    while let Some(message) = overheard.recv().await {
        let kept = match message.topic.as_str() {
            // The broker's own word, once a link is lost.
            "status" => {
                house
                    .peers
                    .is_online(&message.broker, &message.peer, message.payload == b"online");
                Ok(())
            }
            "share" => {
                if let Some(share) = Share::from_told(&message.payload) {
                    house.peers.watches(&message.peer, share);
                }
                Ok(())
            }
            // Nothing is kept there any more.
            _ if message.payload.is_empty() => Ok(()),
            _ => match Record::decode(&message.payload, &message.peer) {
                Ok(heard) => keep(&house, heard).await,
                Err(bad) => {
                    warn!(peer = %message.peer, topic = %message.topic, "What {} tells of a batch is not kept: {bad}.", message.peer);
                    Ok(())
                }
            },
        };
        match kept {
            Ok(()) => {
                // The link may have ended meanwhile; then it comes again and changes nothing.
                message.kept.send(()).ok();
            }
            Err(StoreError::Closed) => return,
            Err(error) => {
                warn!(peer = %message.peer, "What {} tells of a batch is not kept yet: {error}.", message.peer)
            }
        }
    }
}

/// # Errors
/// It may be kept when it comes again.
async fn keep(house: &House, heard: Heard) -> Result<(), StoreError> {
    let (name, peer) = (heard.batch.name.clone(), heard.peer.clone());
    let ended_here = heard
        .ended_at
        .and_then(|_| house.batch(heard.batch.name.slug().as_str()));
    let ended_here = ended_here.filter(|live| live.batch.bottled_at == heard.batch.bottled_at);
    match house.ask(Request::Hear(Box::new(heard))).await {
        Ok(_) => {}
        Err(error) if error.is_transient() || matches!(error, StoreError::Closed) => return Err(error),
        Err(error) => {
            warn!(%peer, batch = %name, "What {peer} tells of {name} is not kept: {error}.");
            return Ok(());
        }
    }
    if let Some(live) = ended_here {
        info!(%peer, batch = %name, "{name} was ended at {peer}.");
        match house.ask(Request::End(live)).await {
            Ok(_) | Err(StoreError::NoSuchBatch { .. }) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
