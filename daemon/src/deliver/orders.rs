//! What people send to a broker's command topic: done to the alert, and answered with the outcome or a sentence.

use std::{collections::VecDeque, sync::Arc, time::Duration};

use serde_json::{Value, json};
use tokio::{sync::mpsc, time::Instant};
use tracing::warn;

use crate::{
    http,
    mqtt::{Commanded, Publisher},
    watch::House,
};

/// Commands with an `id` that are remembered, and for how long: one that comes twice is done once and answered twice.
const REMEMBERED: usize = 64;
const REMEMBERED_FOR: Duration = Duration::from_secs(600);

/// Carries out commands, one at a time, until the link ends. Answers go to `topic`.
pub(crate) async fn obey(
    house: Arc<House>,
    publisher: Publisher,
    topic: String,
    mut commands: mpsc::Receiver<Commanded>,
) {
    let mut done = Done::default();
    while let Some(command) = commands.recv().await {
        let answer = if command.retained {
            if command.payload.is_empty() {
                continue;
            }
            json!({ "error": "a retained command is not carried out: it would be done again at every connection; send it without" })
        } else if let Some(answer) = done.answer(&command.payload, Instant::now()) {
            answer
        } else {
            let answer = http::answer_message(&house, &command.payload).await;
            done.remember(&command.payload, &answer, Instant::now());
            answer
        };
        if let Err(error) = publisher.passing(topic.clone(), answer.to_string()).await {
            warn!("The answer to a command could not be given: {error}.");
        }
    }
}

/// What was done lately, as it was sent, with its answer.
#[derive(Default)]
struct Done(VecDeque<(Instant, Vec<u8>, Value)>);

impl Done {
    fn answer(&mut self, payload: &[u8], now: Instant) -> Option<Value> {
        self.0.retain(|(at, ..)| now.duration_since(*at) < REMEMBERED_FOR);
        let known = self.0.iter().find(|(_, sent, _)| sent == payload)?;
        Some(known.2.clone())
    }

    /// What was refused may go better next time, and what has no `id` may be meant twice.
    fn remember(&mut self, payload: &[u8], answer: &Value, now: Instant) {
        if answer.get("id").is_none() || answer.get("error").is_some() {
            return;
        }
        if self.0.len() == REMEMBERED {
            self.0.pop_front();
        }
        self.0.push_back((now, payload.to_vec(), answer.clone()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_that_comes_twice_is_answered_alike_for_a_while_and_memory_has_an_end() {
        let (mut done, start) = (Done::default(), Instant::now());
        let taken = json!({ "id": "one", "batch": "plum 1" });
        done.remember(b"first", &taken, start);
        done.remember(b"refused", &json!({ "id": "two", "error": "no" }), start);
        done.remember(b"without id", &json!({ "batch": "plum 1" }), start);
        assert_eq!(done.answer(b"first", start), Some(taken.clone()));
        assert_eq!(done.answer(b"refused", start), None);
        assert_eq!(done.answer(b"without id", start), None);
        for number in 0..REMEMBERED {
            done.remember(&number.to_be_bytes(), &taken, start);
        }
        assert_eq!(done.0.len(), REMEMBERED);
        assert_eq!(done.answer(b"first", start), None);
        assert_eq!(done.answer(&9_usize.to_be_bytes(), start), Some(taken));
        assert_eq!(done.answer(&9_usize.to_be_bytes(), start + REMEMBERED_FOR), None);
        assert!(done.0.is_empty());
    }
}
