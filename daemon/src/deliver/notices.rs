//! Word of fobwatch itself, past the outbox. That nothing can be stored: no alert can be raised meanwhile, so whoever is told of alerts has
//! to be told of this. That another daemon of the site is away and nobody watches its batches: silence is an alert, too.

use std::time::Duration;

use fobwatch_core::alert::{Priority, Transition};
use jiff::{Timestamp, tz::TimeZone};
use tokio::time::Instant;

use super::{
    letter::{Letter, Notice},
    undelivered::Again,
};
use crate::{
    incoming,
    watch::{Missed, Trouble},
};

/// It is told to be over once it has been for so long: a disk at its edge would tell of it all day.
const QUIET: Duration = Duration::from_secs(600);

/// Something that is so, and is told when it begins and when it is over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Matter {
    /// In one word, as the notice has it.
    about: String,
    begins: Said,
    ends: Said,
    /// It is told again when it is otherwise than it was.
    renews: bool,
}

/// In one line, and in whole sentences.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Said {
    subject: String,
    message: String,
}

impl Matter {
    /// Nothing can be stored.
    pub(super) fn unstored(trouble: &Trouble) -> Self {
        let message = format!(
            "fobwatch cannot store anything: {}. Until it can, no reading is reckoned and nothing warns of pressure: treat the \
             bottles as live. Make room on the disk or mend it; then it goes on by itself.",
            trouble.why
        );
        Self {
            about: "store".to_owned(),
            begins: Said {
                subject: "fobwatch cannot store anything".to_owned(),
                message,
            },
            ends: Said {
                subject: "fobwatch stores again".to_owned(),
                message: "fobwatch stores again. What was sent to it meanwhile is reckoned as it comes in; look at the page \
                          for what it says of each batch."
                    .to_owned(),
            },
            // A disk at its edge has many reasons.
            renews: false,
        }
    }

    /// Another daemon of the site is away, and nobody watches its batches.
    pub(super) fn missed(missed: &Missed, zone: &TimeZone) -> Self {
        let peer = &missed.peer;
        let plain = |c: char| {
            if c.is_ascii_alphanumeric() || c == '_' {
                c
            } else {
                '-'
            }
        };
        Self {
            about: format!("peer.{}", peer.chars().map(plain).collect::<String>()),
            begins: Said {
                subject: format!("{peer} is away"),
                message: missed.sentence(zone),
            },
            ends: Said {
                subject: format!("{peer} is no longer missed"),
                message: format!("{peer} is back, or another fobwatch watches its batches."),
            },
            renews: true,
        }
    }
}

/// What one channel was told of one matter.
#[derive(Debug, Default)]
pub(super) struct Notices {
    /// The matter that it was told of, or is to be.
    matter: Option<Matter>,
    over_since: Option<Instant>,
    waiting: Option<Letter>,
    failures: u32,
    not_before: Option<Instant>,
}

impl Notices {
    /// Takes up how it stands at `now`, which the clock calls `at`.
    pub(super) fn look(&mut self, matter: Option<Matter>, at: Timestamp, now: Instant) {
        match (matter, self.matter.take()) {
            (Some(matter), Some(told)) if matter == told || !matter.renews => {
                self.over_since = None;
                self.matter = Some(told);
            }
            (Some(matter), _) => {
                self.tell(
                    &matter.about,
                    Transition::Raised,
                    Priority::High,
                    at,
                    &matter.begins,
                );
                self.over_since = None;
                self.matter = Some(matter);
            }
            (None, Some(told)) => {
                let since = *self.over_since.get_or_insert(now);
                if now.duration_since(since) >= QUIET {
                    self.tell(&told.about, Transition::Cleared, Priority::Low, at, &told.ends);
                    self.over_since = None;
                } else {
                    self.matter = Some(told);
                }
            }
            (None, None) => {}
        }
    }

    fn tell(&mut self, about: &str, state: Transition, priority: Priority, at: Timestamp, said: &Said) {
        let notice = Notice {
            record: "notice",
            about: about.to_owned(),
            subject: said.subject.clone(),
            state,
            priority,
            at,
            message: said.message.clone(),
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

    fn full() -> Option<Matter> {
        Some(Matter::unstored(&Trouble {
            since: Timestamp::UNIX_EPOCH,
            why: "the disk is full".to_owned(),
        }))
    }

    #[test]
    fn one_that_is_missed_is_told_again_once_it_is_known_what_nobody_watches() {
        let (mut notices, start) = (Notices::default(), Instant::now());
        let missed = |unwatched: Option<&str>| {
            let missed = Missed {
                peer: "site/east".to_owned(),
                since: Timestamp::UNIX_EPOCH,
                unwatched: unwatched.map(ToOwned::to_owned),
            };
            Some(Matter::missed(&missed, &TimeZone::UTC))
        };
        let said = |notices: &mut Notices| {
            let said = notices.due(start).map(|letter| letter.paragraphs()[0].1.clone());
            notices.told();
            said.unwrap_or_default()
        };
        notices.look(missed(None), AT, start);
        assert!(said(&mut notices).contains("was not heard of"));
        notices.look(missed(Some("share 0 of 4")), AT, start);
        assert!(said(&mut notices).contains("nobody watches share 0 of 4. "));
        notices.look(missed(Some("share 0 of 4")), AT, start);
        assert_eq!(said(&mut notices), "");
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
