//! Readings of a port that nobody takes yet, as while the disk is full. A port sends nothing twice, so they are kept in
//! memory; when that is full, the oldest go.

use std::collections::VecDeque;

use tokio::sync::mpsc::error::TrySendError;
use tracing::{error, info};

use crate::incoming::{Inbox, Incoming};

/// Lines that may wait for each port: eleven hours of a line every ten seconds, some hundred bytes each.
pub(super) const MOST: usize = 4_096;

/// Nobody will take readings any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Closed;

/// Lines of one port, in the order in which they came.
#[derive(Debug)]
pub(super) struct Backlog {
    port: String,
    waiting: VecDeque<Incoming>,
    dropped: u64,
}

impl Backlog {
    pub(super) fn new(port: &str) -> Self {
        Self {
            port: port.to_owned(),
            waiting: VecDeque::new(),
            dropped: 0,
        }
    }

    /// Hands on what waits, then `message`, as far as the inbox takes them.
    pub(super) fn push(&mut self, message: Incoming, inbox: &Inbox) -> Result<(), Closed> {
        self.waiting.push_back(message);
        self.hand_on(inbox)?;
        if self.waiting.len() > MOST {
            self.waiting.pop_front();
            self.dropped += 1;
            if self.dropped == 1 {
                error!(
                    port = %self.port,
                    "{MOST} lines of {} wait for the store, and no more are kept: from here on each new line drops the oldest.",
                    self.port
                );
            }
        }
        Ok(())
    }

    /// Hands on what waits, as far as the inbox takes it.
    pub(super) fn hand_on(&mut self, inbox: &Inbox) -> Result<(), Closed> {
        while let Some(message) = self.waiting.pop_front() {
            match inbox.try_send(message) {
                Ok(()) => {}
                Err(TrySendError::Full(message)) => {
                    self.waiting.push_front(message);
                    return Ok(());
                }
                Err(TrySendError::Closed(message)) => {
                    self.waiting.push_front(message);
                    return Err(Closed);
                }
            }
        }
        if self.dropped > 0 {
            error!(
                port = %self.port,
                "{} lines of {} were dropped while they could not be stored; all later ones are handed on.",
                self.dropped, self.port
            );
            self.dropped = 0;
        }
        Ok(())
    }
}

impl Drop for Backlog {
    fn drop(&mut self) {
        let lost = self
            .dropped
            .saturating_add(u64::try_from(self.waiting.len()).unwrap_or(u64::MAX));
        if lost > 0 {
            info!(port = %self.port, "{lost} lines of {} were never stored.", self.port);
        }
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Quantity, Reading, Source},
    };
    use jiff::Timestamp;
    use tokio::sync::mpsc;

    use super::*;

    fn line(second: usize) -> Incoming {
        let at = Timestamp::from_second(i64::try_from(second).unwrap()).unwrap();
        Incoming {
            kind: crate::incoming::Kind::Serial,
            readings: vec![Reading {
                at,
                source: Source::new("pilot").unwrap(),
                measured: Measured::new(Quantity::Pressure, 1.0, Unit::Bar).unwrap(),
            }],
            received_at: at,
            ack: None,
        }
    }

    #[test]
    fn lines_wait_in_order_while_nobody_takes_them_and_the_oldest_go_first() {
        let (inbox, mut taken) = mpsc::channel(2);
        let mut backlog = Backlog::new("/dev/serial/by-id/pilot");
        let seconds = |taken: &mut mpsc::Receiver<Incoming>| {
            std::iter::from_fn(|| taken.try_recv().ok())
                .map(|message| message.received_at.as_second())
                .collect::<Vec<_>>()
        };
        for second in 0..5 {
            backlog.push(line(second), &inbox).unwrap();
        }
        assert_eq!(seconds(&mut taken), [0, 1]);
        backlog.hand_on(&inbox).unwrap();
        assert_eq!(seconds(&mut taken), [2, 3]);
        for second in 5..7 + MOST {
            backlog.push(line(second), &inbox).unwrap();
        }
        assert_eq!(backlog.waiting.len(), MOST);
        assert_eq!(backlog.dropped, 1, "two of {} are in the inbox", MOST + 3);
        assert_eq!(seconds(&mut taken), [4, 5]);
        backlog.hand_on(&inbox).unwrap();
        assert_eq!(seconds(&mut taken), [7, 8], "6 was the oldest that waited");
        drop(taken);
        assert_eq!(backlog.hand_on(&inbox), Err(Closed));
    }
}
