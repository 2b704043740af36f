//! How a time-series server does, for whoever asks.

use std::sync::{
    Mutex, PoisonError,
    atomic::{AtomicU64, Ordering},
};

/// Counted since the start.
#[derive(Debug)]
pub(crate) struct ServerState {
    /// Its address.
    pub(crate) url: String,
    sent: AtomicU64,
    left_out: AtomicU64,
    complaint: Mutex<Option<String>>,
}

/// What is seen of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Seen {
    pub(crate) url: String,
    /// Points that it took.
    pub(crate) sent: u64,
    /// Points that it never takes.
    pub(crate) left_out: u64,
    /// Why it takes nothing now.
    pub(crate) complaint: Option<String>,
}

impl ServerState {
    pub(crate) fn new(url: String) -> Self {
        Self {
            url,
            sent: AtomicU64::new(0),
            left_out: AtomicU64::new(0),
            complaint: Mutex::new(None),
        }
    }

    pub(crate) fn sent(&self, points: usize) {
        self.sent
            .fetch_add(u64::try_from(points).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    pub(crate) fn left_out(&self) {
        self.left_out.fetch_add(1, Ordering::Relaxed);
    }

    /// It takes nothing; whether that is news.
    pub(crate) fn ill(&self, why: &str) -> bool {
        let mut complaint = self.complaint.lock().unwrap_or_else(PoisonError::into_inner);
        complaint.replace(why.to_owned()).as_deref() != Some(why)
    }

    /// It takes what it is told; whether that is news.
    pub(crate) fn well(&self) -> bool {
        let mut complaint = self.complaint.lock().unwrap_or_else(PoisonError::into_inner);
        complaint.take().is_some()
    }

    /// What a person should be told, if anything is wrong.
    pub(crate) fn sentence(&self) -> Option<String> {
        let seen = self.seen();
        let url = &seen.url;
        match (seen.complaint, seen.left_out) {
            (Some(why), _) => Some(format!(
                "The time-series server {url} takes nothing: {why}. Everything is kept here and sent later."
            )),
            (None, 0) => None,
            (None, left_out) => Some(format!(
                "The time-series server {url} refused {left_out} points for ever; the log tells which and why."
            )),
        }
    }

    pub(crate) fn seen(&self) -> Seen {
        Seen {
            url: self.url.clone(),
            sent: self.sent.load(Ordering::Relaxed),
            left_out: self.left_out.load(Ordering::Relaxed),
            complaint: self
                .complaint
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .clone(),
        }
    }
}
