//! What a person wishes done to an alert, as the API takes it.

use fobwatch_core::{
    alert::AlertName,
    engine::{Command, Deed},
};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// The longest that an alert may be shelved.
const LONGEST_SHELF_S: i64 = 30 * 86_400;

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Wish {
    pub(crate) deed: DeedName,
    pub(crate) who: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) for_s: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) reason: Option<String>,
}

#[derive(Clone, Copy, Debug, Serialize, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub(crate) enum DeedName {
    Acknowledge,
    Shelve,
    Unshelve,
    Reset,
    TakeOut,
    PutBack,
}

impl Wish {
    /// The command to the engine, given at `at`.
    ///
    /// # Errors
    /// What is missing or out of range, and what is allowed.
    pub(crate) fn command(&self, alert: AlertName, at: Timestamp) -> Result<Command, String> {
        let who = words("who", &self.who, 80)?;
        let reason = || match &self.reason {
            Some(reason) => words("reason", reason, 500),
            None => Err("`reason` is missing; allowed: why, in words".to_owned()),
        };
        let deed = match self.deed {
            DeedName::Acknowledge => Deed::Acknowledge,
            DeedName::Unshelve => Deed::Unshelve,
            DeedName::Reset => Deed::Reset { reason: reason()? },
            DeedName::TakeOut => Deed::TakeOut { reason: reason()? },
            DeedName::PutBack => Deed::PutBack,
            DeedName::Shelve => Deed::Shelve {
                until: self.until(at)?,
                reason: reason()?,
            },
        };
        Ok(Command { at, alert, who, deed })
    }

    fn until(&self, at: Timestamp) -> Result<Timestamp, String> {
        let seconds = self
            .for_s
            .filter(|seconds| (1..=LONGEST_SHELF_S).contains(seconds));
        seconds
            .and_then(|seconds| at.checked_add(SignedDuration::from_secs(seconds)).ok())
            .ok_or_else(|| {
                let given = self
                    .for_s
                    .map_or_else(|| "missing".to_owned(), |seconds| seconds.to_string());
                format!("`for_s` is {given}; allowed: 1 to {LONGEST_SHELF_S} seconds (30 days)")
            })
    }
}

fn words(key: &str, given: &str, most: usize) -> Result<String, String> {
    let words = given.trim();
    let plain = !words.chars().any(char::is_control);
    if plain && (1..=most).contains(&words.chars().count()) {
        Ok(words.to_owned())
    } else {
        let shown: String = words.chars().filter(|c| !c.is_control()).take(60).collect();
        Err(format!(
            "`{key}` is {shown:?}; allowed: 1 to {most} characters, no control characters"
        ))
    }
}
