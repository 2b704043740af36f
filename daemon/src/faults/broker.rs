//! A broker with a session for the daemon, as MQTT has it: what was not acknowledged on one connection is sent again on the next.

use std::collections::{BTreeSet, VecDeque};

use super::play::Published;

/// Messages that are under way to the daemon at most.
pub(super) const WINDOW: usize = 20;
/// Messages that wait for a client at most; what comes then is dropped.
const QUEUE: usize = 200;

/// A message, by its number in the play.
#[derive(Clone, Debug)]
pub(super) struct Kept {
    pub(super) number: usize,
    pub(super) message: Published,
}

/// The broker, and what sensors hold for it.
#[derive(Debug, Default)]
pub(super) struct Broker {
    waiting: VecDeque<Kept>,
    under_way: VecDeque<Kept>,
    /// What it never gave to the daemon, and never will.
    pub(super) lost: BTreeSet<usize>,
    connected: bool,
}

impl Broker {
    /// A sensor publishes.
    pub(super) fn publish(&mut self, kept: Kept) {
        let away = !self.connected && !kept.message.at_least_once;
        if away || self.waiting.len() >= QUEUE {
            self.lost.insert(kept.number);
        } else {
            self.waiting.push_back(kept);
        }
    }

    /// The link to the daemon is there, or not.
    pub(super) fn connect(&mut self, connected: bool) {
        if !connected || !self.connected {
            while let Some(kept) = self.under_way.pop_back() {
                if kept.message.at_least_once {
                    self.waiting.push_front(kept);
                } else {
                    self.lost.insert(kept.number);
                }
            }
        }
        self.connected = connected;
    }

    /// It starts anew.
    pub(super) fn restart(&mut self, forgets: bool) {
        self.connect(false);
        if forgets {
            self.lost.extend(self.waiting.drain(..).map(|kept| kept.number));
        }
    }

    /// The next message to the daemon.
    pub(super) fn next(&mut self) -> Option<Kept> {
        if !self.connected || self.under_way.len() >= WINDOW {
            return None;
        }
        let kept = self.waiting.pop_front()?;
        self.under_way.push_back(kept.clone());
        Some(kept)
    }

    /// The daemon acknowledged a message; `lost`: on the way back that was lost, so it comes again.
    pub(super) fn acknowledged(&mut self, number: usize, lost: bool) {
        let Some(place) = self.under_way.iter().position(|kept| kept.number == number) else {
            return;
        };
        if let Some(kept) = self.under_way.remove(place)
            && lost
            && kept.message.at_least_once
        {
            self.waiting.push_front(kept);
        }
    }

    /// Whether it holds nothing more for the daemon.
    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty() && self.under_way.is_empty()
    }
}
