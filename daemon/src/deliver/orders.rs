//! What people send to a broker's command topic: done to the alert, and answered with the outcome or a sentence.

use std::sync::Arc;

use serde_json::json;
use tokio::sync::mpsc;
use tracing::warn;

use crate::{
    http,
    mqtt::{Commanded, Publisher},
    watch::House,
};

/// Carries out commands, one at a time, until the link ends. Answers go to `topic`.
pub(crate) async fn obey(
    house: Arc<House>,
    publisher: Publisher,
    topic: String,
    mut commands: mpsc::Receiver<Commanded>,
) {
    while let Some(command) = commands.recv().await {
        let answer = if command.retained {
            if command.payload.is_empty() {
                continue;
            }
            json!({ "error": "a retained command is not carried out: it would be done again at every connection; send it without" })
        } else {
            http::answer_message(&house, &command.payload).await
        };
        if let Err(error) = publisher.passing(topic.clone(), answer.to_string()).await {
            warn!("The answer to a command could not be given: {error}.");
        }
    }
}
