//! Structured values as text in the store.

use rusqlite::types::Type;
use serde::{Serialize, de::DeserializeOwned};

use super::StoreError;

pub(super) fn encode<T: Serialize>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|error| StoreError::Unreadable {
        what: std::any::type_name::<T>(),
        why: error.to_string(),
    })
}

/// The word that stands for a plain variant, as `raised`.
pub(super) fn name_of<T: Serialize>(value: &T) -> Result<String, StoreError> {
    encode(value).map(|quoted| quoted.trim_matches('"').to_owned())
}

pub(super) fn decode<T: DeserializeOwned>(body: &str) -> rusqlite::Result<T> {
    serde_json::from_str(body).map_err(unreadable)
}

/// Lets a value that does not read back end a query.
pub(super) fn unreadable<E: std::error::Error + Send + Sync + 'static>(error: E) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, Type::Text, Box::new(error))
}
