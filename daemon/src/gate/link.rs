//! Secret addresses that can be taken back: one batch to look at, or the calendar, which cannot log in.
//!
//! They stand in a file beside the store, each as the hash of its secret. The file is read at each use: what was revoked is gone at once.

use std::{fs, io, path::Path};

use fobwatch_core::plain;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::secret;

const FILE: &str = "links.json";
/// The most of them.
const MOST: usize = 1_000;

/// What a link opens.
#[derive(Clone, Debug, Deserialize, Serialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub(crate) enum Opens {
    /// One batch; another one that takes the name later is not it.
    Batch {
        /// As addresses name it.
        slug: String,
        /// When it was sealed.
        bottled_at: Timestamp,
    },
    /// Expected moves of all batches.
    Calendar,
}

/// A link, without its secret.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Link {
    /// By which it is revoked.
    pub(crate) number: u32,
    /// What it opens.
    pub(crate) opens: Opens,
    /// When it was made.
    pub(crate) made: Timestamp,
    hash: String,
}

/// All of them.
///
/// # Errors
/// The file cannot be read, or is none of ours.
pub(crate) fn list(folder: &Path) -> io::Result<Vec<Link>> {
    match fs::read(folder.join(FILE)) {
        Ok(text) => read(&text),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(error),
    }
}

/// All of them, from what their file holds.
///
/// # Errors
/// It is none of ours.
pub(crate) fn read(bytes: &[u8]) -> io::Result<Vec<Link>> {
    serde_json::from_slice(bytes).map_err(|why| io::Error::other(plain::line(&why.to_string(), 300)))
}

/// A number that none of them has: the next one, or where a file that somebody changed names the last of all, a lower one.
pub(crate) fn unused(links: &[Link]) -> u32 {
    let last = links.iter().map(|link| link.number).max().unwrap_or(0);
    let free = |number: &u32| links.iter().all(|link| link.number != *number);
    last.checked_add(1).or_else(|| (1..).find(free)).unwrap_or(0)
}

/// Makes one, and answers with its secret.
///
/// # Errors
/// The file cannot be read or written, or is full.
pub(crate) fn add(folder: &Path, opens: Opens, made: Timestamp) -> io::Result<String> {
    let mut links = list(folder)?;
    if links.len() >= MOST {
        return Err(io::Error::other(format!(
            "there are {MOST} links already; revoke some"
        )));
    }
    let secret = secret::make().ok_or_else(|| io::Error::other("the system gives no random numbers"))?;
    links.push(Link {
        number: unused(&links),
        opens,
        made,
        hash: hash(&secret),
    });
    write(folder, &links)?;
    Ok(secret)
}

/// Takes one back; answers whether there was one.
///
/// # Errors
/// The file cannot be read or written.
pub(crate) fn revoke(folder: &Path, number: u32) -> io::Result<bool> {
    let mut links = list(folder)?;
    let before = links.len();
    links.retain(|link| link.number != number);
    if links.len() < before {
        write(folder, &links)?;
    }
    Ok(links.len() < before)
}

/// What `given` opens.
pub(super) fn opens(folder: &Path, given: &str) -> Option<Opens> {
    let hash = hash(given);
    let links = list(folder).ok()?;
    links
        .into_iter()
        .find(|link| link.hash == hash)
        .map(|link| link.opens)
}

fn hash(secret: &str) -> String {
    secret::hex(&secret::digest(secret))
}

/// Whole or not at all; a temporary file is its owner's alone from the start.
fn write(folder: &Path, links: &[Link]) -> io::Result<()> {
    let file = tempfile::NamedTempFile::new_in(folder)?;
    serde_json::to_writer_pretty(&file, links)?;
    file.as_file().sync_all()?;
    file.persist(folder.join(FILE))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_opens_what_it_was_made_for_until_it_is_revoked() {
        let folder = tempfile::tempdir().unwrap();
        let made = Timestamp::UNIX_EPOCH;
        let plum = Opens::Batch {
            slug: "plum-1".to_owned(),
            bottled_at: made,
        };
        let first = add(folder.path(), plum.clone(), made).unwrap();
        let second = add(folder.path(), Opens::Calendar, made).unwrap();
        assert_eq!(opens(folder.path(), &first), Some(plum));
        assert_eq!(opens(folder.path(), &second), Some(Opens::Calendar));
        let kept = fs::read_to_string(folder.path().join(FILE)).unwrap();
        assert!(!kept.contains(&first) && !kept.contains(&second), "{kept}");
        for link in list(folder.path()).unwrap() {
            assert_eq!(opens(folder.path(), &link.hash), None, "the hash opens nothing");
        }
        assert!(revoke(folder.path(), 1).unwrap());
        assert!(!revoke(folder.path(), 1).unwrap());
        assert_eq!(opens(folder.path(), &first), None);
        assert_eq!(opens(folder.path(), &second), Some(Opens::Calendar));
    }
}
