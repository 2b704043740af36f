//! What hubs were told, and at which broker: kept beside the store, so that it is taken back when it is announced no longer.
//!
//! What a broker keeps stays there until somebody takes it back, whatever becomes of the configuration.

use std::{
    collections::BTreeSet,
    fs, io,
    path::Path,
    sync::{Mutex, PoisonError},
};

use serde::{Deserialize, Serialize};
use tracing::warn;

use crate::store::{ANNOUNCED, write_beside};

/// The batches that were announced at one place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Announced {
    /// Host and port.
    pub(super) broker: String,
    /// What the hub listens under.
    pub(super) prefix: String,
    /// What we publish under.
    pub(super) publish_prefix: String,
    /// The slugs.
    pub(super) batches: BTreeSet<String>,
}

impl Announced {
    fn is_at(&self, other: &Self) -> bool {
        (&self.broker, &self.prefix, &self.publish_prefix)
            == (&other.broker, &other.prefix, &other.publish_prefix)
    }
}

/// All that `folder` tells. A file that cannot be read is as none: a hub may then show a batch for too long.
pub(super) fn load(folder: &Path) -> Vec<Announced> {
    let path = folder.join(ANNOUNCED);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Vec::new(),
        Err(error) => {
            warn!("{} cannot be read: {error}.", path.display());
            return Vec::new();
        }
    };
    serde_json::from_str(&text).unwrap_or_else(|error| {
        warn!("{} does not tell what hubs were told: {error}.", path.display());
        Vec::new()
    })
}

/// Keeps `now` in place of what was told there before; without batches there is nothing to keep.
///
/// # Errors
/// The file cannot be written.
pub(super) fn keep(folder: &Path, now: &Announced) -> io::Result<()> {
    // Every broker has its own task, and all have one file.
    static WRITES: Mutex<()> = Mutex::new(());
    let _one_at_a_time = WRITES.lock().unwrap_or_else(PoisonError::into_inner);
    let before = load(folder);
    let mut all = before.clone();
    all.retain(|other| !other.is_at(now));
    if !now.batches.is_empty() {
        all.push(now.clone());
    }
    if all == before {
        return Ok(());
    }
    let text = serde_json::to_string_pretty(&all).map_err(io::Error::other)?;
    write_beside(folder, ANNOUNCED, &text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_place_is_kept_for_itself_and_forgotten_once_nothing_is_left_there() {
        let folder = tempfile::tempdir().unwrap();
        let at = |broker: &str, batches: &[&str]| Announced {
            broker: broker.to_owned(),
            prefix: "hub".to_owned(),
            publish_prefix: "fobwatch".to_owned(),
            batches: batches.iter().map(|slug| (*slug).to_owned()).collect(),
        };
        assert!(load(folder.path()).is_empty());
        keep(folder.path(), &at("one:1883", &["plum-1"])).unwrap();
        keep(folder.path(), &at("two:1883", &["plum-1"])).unwrap();
        keep(folder.path(), &at("one:1883", &["plum-1", "hibiscus-12"])).unwrap();
        let kept = load(folder.path());
        assert_eq!(
            kept,
            [
                at("two:1883", &["plum-1"]),
                at("one:1883", &["hibiscus-12", "plum-1"])
            ]
        );
        keep(folder.path(), &at("two:1883", &[])).unwrap();
        assert_eq!(load(folder.path()).len(), 1);
        fs::write(folder.path().join(ANNOUNCED), "[{\"broker\": 1}]").unwrap();
        assert!(load(folder.path()).is_empty());
        keep(folder.path(), &at("one:1883", &["plum-1"])).unwrap();
        assert_eq!(load(folder.path()).len(), 1);
    }
}
