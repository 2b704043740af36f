//! That nothing can be stored: no alert can be raised meanwhile, so whoever is told of alerts has to be told of this, past the outbox.

use std::time::Duration;

use fobwatch_core::alert::{Priority, Transition};
use jiff::Timestamp;
use tokio::time::Instant;

use super::{
    letter::{Letter, Notice},
    undelivered::Again,
};
use crate::{incoming, watch::Trouble};

/// It is told to be over once it has been for so long: a disk at its edge would tell of it all day.
const QUIET: Duration = Duration::from_secs(600);

/// What one channel was told of it.
#[derive(Debug, Default)]
pub(super) struct Notices {
    /// The trouble that it was told of, or is to be.
    trouble: Option<Trouble>,
    over_since: Option<Instant>,
    waiting: Option<Letter>,
    failures: u32,
    not_before: Option<Instant>,
}

impl Notices {
    /// Takes up how it stands at `now`, which the clock calls `at`.
    pub(super) fn look(&mut self, trouble: Option<Trouble>, at: Timestamp, now: Instant) {
        match (trouble, &self.trouble) {
            (Some(trouble), None) => {
                let message = format!(
                    "fobwatch cannot store anything: {}. Until it can, no reading is reckoned and nothing warns of pressure: treat the \
                     bottles as live. Make room on the disk or mend it; then it goes on by itself.",
                    trouble.why
                );
                self.tell(Transition::Raised, Priority::High, at, message);
                self.trouble = Some(trouble);
            }
            (Some(_), Some(_)) => self.over_since = None,
            (None, Some(_)) => {
                let since = *self.over_since.get_or_insert(now);
                if now.duration_since(since) >= QUIET {
                    let message = "fobwatch stores again. What was sent to it meanwhile is reckoned as it comes in; look at the page \
                                   for what it says of each batch."
                        .to_owned();
                    self.tell(Transition::Cleared, Priority::Low, at, message);
                    self.trouble = None;
                    self.over_since = None;
                }
            }
            (None, None) => {}
        }
    }

    fn tell(&mut self, state: Transition, priority: Priority, at: Timestamp, message: String) {
        let notice = Notice {
            record: "notice",
            about: "store",
            state,
            priority,
            at,
            message,
        };
        self.waiting = Some(Letter::noticing(notice));
        self.failures = 0;
        self.not_before = None;
    }

    /// What is to be told at `now`.
    pub(super) fn due(&self, now: Instant) -> Option<&Letter> {
        self.waiting
            .as_ref()
            .filter(|_| self.not_before.is_none_or(|at| at <= now))
    }

    /// How long until something is to be told, or to be told again.
    pub(super) fn wait(&self, now: Instant) -> Option<Duration> {
        self.waiting.as_ref()?;
        let at = self.not_before.unwrap_or(now);
        Some(at.saturating_duration_since(now))
    }

    pub(super) fn told(&mut self) {
        self.waiting = None;
    }

    pub(super) fn failed(&mut self, now: Instant, first: Duration, longest: Duration, again: Again) {
        match again {
            Again::Never => self.waiting = None,
            Again::Later(asked) => {
                let wait = incoming::wait(self.failures, first, longest).max(asked.unwrap_or_default());
                self.failures = self.failures.saturating_add(1);
                self.not_before = now.checked_add(wait);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT: Timestamp = Timestamp::UNIX_EPOCH;

    fn full() -> Option<Trouble> {
        Some(Trouble {
            since: Timestamp::UNIX_EPOCH,
            why: "the disk is full".to_owned(),
        })
    }

    #[test]
    fn a_full_disk_is_told_once_and_its_end_once_it_lasts() {
        let (mut notices, start) = (Notices::default(), Instant::now());
        notices.look(None, AT, start);
        assert!(notices.due(start).is_none());
        notices.look(full(), AT, start);
        let first = notices.due(start).unwrap();
        assert!(first.paragraphs()[0].1.contains("the disk is full"));
        assert!(first.paragraphs()[0].1.contains("treat the bottles as live"));
        notices.failed(start, Duration::from_secs(2), QUIET, Again::Later(None));
        assert!(notices.due(start).is_none());
        let wait = notices.wait(start).unwrap();
        assert!(wait <= Duration::from_secs(2) && notices.due(start + wait).is_some());
        notices.told();
        // At the edge of the disk: over, and there again, and over.
        for second in 1..1_000 {
            let trouble = if second % 300 == 0 { full() } else { None };
            notices.look(trouble, AT, start + Duration::from_secs(second));
            assert!(
                notices.due(start + Duration::from_secs(second)).is_none(),
                "{second}"
            );
        }
        let later = start + Duration::from_secs(901) + QUIET;
        notices.look(None, AT, later);
        assert_eq!(notices.due(later).unwrap().subject(), "fobwatch stores again");
        notices.told();
        notices.look(None, AT, later + QUIET);
        assert!(notices.due(later + QUIET).is_none());
    }
}
