//! The same wishes as the API takes, in a message: who sends it is the broker's to know.

use fobwatch_core::plain;
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use serde_json::{Value, json};

use super::alerts::carry_out;
use crate::{
    watch::House,
    wish::{DeedName, Wish},
};

/// `{"batch", "alert", "deed", "who", "for_s"?, "reason"?, "at"?, "id"?}`; the batch by its name or slug.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Message {
    batch: String,
    alert: String,
    deed: DeedName,
    who: String,
    for_s: Option<i64>,
    reason: Option<String>,
    /// When it was sent. An old one is not done: its sender saw other things than stand now.
    at: Option<Timestamp>,
    /// Comes back in the answer.
    id: Option<String>,
}

/// The longest `id` that comes back.
const LONGEST_ID: usize = 80;
/// The longest message that is read, in bytes.
const LONGEST: usize = 16 * 1_024;
/// How far the time of a command may lie from the clock.
const OLDEST: SignedDuration = SignedDuration::from_mins(10);

/// Does what a message says, and answers `{"id"?, "batch", "alert", "at"}` once it is stored, else `{"id"?, "error": sentence}`.
pub(crate) async fn answer(house: &House, payload: &[u8]) -> Value {
    if payload.len() > LONGEST {
        let why = format!(
            "the command is {} bytes long; allowed: up to {LONGEST}",
            payload.len()
        );
        return json!({ "error": why });
    }
    let message: Message = match serde_json::from_slice(payload) {
        Ok(message) => message,
        Err(error) => {
            let error = plain::line(&error.to_string(), 300);
            let why = format!(
                "the command cannot be read: {error}; allowed: {{\"batch\", \"alert\", \"deed\", \"who\"}} with \
                 acknowledge, shelve, unshelve, take_out, put_back or reset as deed, and for_s, reason, at and id where they are needed"
            );
            return json!({ "error": why });
        }
    };
    let batches = house.all();
    let named = batches
        .iter()
        .find(|live| live.batch.name.as_str() == message.batch);
    let slug = named.map_or(message.batch.as_str(), |live| live.slug.as_str());
    if let Some(why) = message.at.and_then(|at| too_old(at, house.clock.now())) {
        return with_id(json!({ "error": why }), message.id);
    }
    let wish = Wish {
        deed: message.deed,
        who: message.who,
        for_s: message.for_s,
        reason: message.reason,
    };
    let answer = match carry_out(house, slug, &message.alert, &wish).await {
        Ok(done) => done,
        Err(complaint) => json!({ "error": complaint.into_sentence() }),
    };
    with_id(answer, message.id)
}

/// Why a command of that time is not done.
fn too_old(at: Timestamp, now: Timestamp) -> Option<String> {
    (now.duration_since(at).abs() > OLDEST).then(|| {
        format!("`at` is {at}; allowed: within ten minutes of the clock, which shows {now}: look at what stands now")
    })
}

fn with_id(mut answer: Value, id: Option<String>) -> Value {
    if let (Some(id), Value::Object(answer)) = (id, &mut answer) {
        let id: String = id.chars().take(LONGEST_ID).collect();
        answer.insert("id".to_owned(), json!(id));
    }
    answer
}
