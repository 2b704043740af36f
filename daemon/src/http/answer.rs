//! Answers of the API, and complaints: `{"error": "sentence"}`.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    extract::rejection::BytesRejection,
    http::{StatusCode, header::RETRY_AFTER},
    response::{IntoResponse, Response},
};
use serde_json::{Value, json};

use crate::{
    store::StoreError,
    watch::{House, Live},
};

/// What was wrong with a request, or with us.
#[derive(Debug)]
pub(super) struct Complaint {
    status: StatusCode,
    why: String,
}

/// The sentence of a complaint, on its answer: people get it as a page.
#[derive(Clone, Debug)]
pub(super) struct Why(pub(super) String);

impl Complaint {
    pub(super) fn new(status: StatusCode, why: impl Into<String>) -> Self {
        // It may hold what somebody asked for, and is shown on terminals, too.
        let plain = |c: char| {
            if c.is_control() && c != '\n' {
                '\u{fffd}'
            } else {
                c
            }
        };
        Self {
            status,
            why: why.into().chars().map(plain).collect(),
        }
    }

    /// Somebody else could mend it by asking otherwise.
    pub(super) fn is_the_users(&self) -> bool {
        self.status.is_client_error()
    }

    pub(super) fn status(&self) -> StatusCode {
        self.status
    }

    /// The sentence.
    pub(super) fn into_sentence(self) -> String {
        self.why
    }

    /// The request says what cannot be.
    pub(super) fn refused(why: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, why)
    }

    /// It cannot be done as things stand.
    pub(super) fn conflict(why: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, why)
    }
}

impl From<StoreError> for Complaint {
    fn from(error: StoreError) -> Self {
        let status = match error {
            StoreError::NameTaken { .. } | StoreError::Changed { .. } => StatusCode::CONFLICT,
            StoreError::NoSuchBatch { .. } => StatusCode::NOT_FOUND,
            StoreError::NotFinite { .. } => StatusCode::UNPROCESSABLE_ENTITY,
            StoreError::Closed | StoreError::Full | StoreError::ReadOnly | StoreError::Waiting { .. } => {
                StatusCode::SERVICE_UNAVAILABLE
            }
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self::new(status, error.to_string())
    }
}

impl From<BytesRejection> for Complaint {
    fn from(rejection: BytesRejection) -> Self {
        let why = format!("the body cannot be taken: {rejection}; allowed: up to 64 KiB");
        Self::new(rejection.status(), why)
    }
}

impl IntoResponse for Complaint {
    fn into_response(self) -> Response {
        let mut response = (self.status, Json(json!({ "error": self.why }))).into_response();
        response.extensions_mut().insert(Why(self.why));
        response
    }
}

/// After too many wrong tokens from one address.
pub(super) fn too_many(wait: Duration) -> impl IntoResponse {
    let seconds = wait.as_secs() + 1;
    let why = format!(
        "too many tokens from this address were wrong; allowed: the next one in {seconds} seconds, while one that was right from here \
         before is taken at any time"
    );
    (
        [(RETRY_AFTER, seconds.to_string())],
        Complaint::new(StatusCode::TOO_MANY_REQUESTS, why),
    )
}

/// A list under its key. In the demo it says that it is made up, and so does every sentence in it.
pub(super) fn marked(house: &House, key: &str, mut entries: Vec<Value>) -> Value {
    if !house.demo {
        return json!({ key: entries });
    }
    for entry in &mut entries {
        if let Some(Value::String(message)) = entry.get_mut("message") {
            message.insert_str(0, "Demo: ");
        }
    }
    json!({ "demo": true, key: entries })
}

/// So many batches are named to whoever asks for one that is not there.
const MOST_NAMED: usize = 100;

/// The batch under watch that answers to `slug`.
///
/// # Errors
/// There is none: which there are.
pub(super) fn batch(house: &House, slug: &str) -> Result<Arc<Live>, Complaint> {
    house.batch(slug).ok_or_else(|| {
        let all = house.all();
        let known: Vec<_> = all.iter().map(|live| live.slug.as_str()).collect();
        let known = match known.split_at(known.len().min(MOST_NAMED)) {
            ([], _) => "none is watched yet".to_owned(),
            (all, []) => all.join(", "),
            (some, more) => format!("{} and {} more", some.join(", "), more.len()),
        };
        let given: String = slug.chars().filter(|c| !c.is_control()).take(80).collect();
        let why = format!("no batch under watch answers to `{given}`; allowed: {known}");
        Complaint::new(StatusCode::NOT_FOUND, why)
    })
}
