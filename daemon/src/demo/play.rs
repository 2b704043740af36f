//! The play: what the sensors send, and what somebody does with the bottles.

use std::{collections::VecDeque, sync::Arc, time::Duration};

use fobwatch_core::{
    alert::AlertName,
    engine::Place,
    note::{Note, NoteKind},
};
use fobwatch_simulator::Emitted;
use jiff::{SignedDuration, Timestamp};
use tokio::{
    sync::oneshot,
    time::{Instant, sleep_until},
};
use tracing::info;

use super::{
    VirtualClock,
    cast::{Member, reading},
};
use crate::{
    incoming::{Inbox, Incoming},
    store::{Sequence, StoreError},
    watch::{Failure, House, Live, Request},
};

/// The play goes on by so much at once ...
const STEP: SignedDuration = SignedDuration::from_mins(5);
/// ... in this real time: an hour in a second.
const STEP_TAKES: Duration = Duration::from_nanos(1_000_000_000 / 12);
/// Of the time that a slow step cost, so much is made up for by the next ones.
const MADE_UP_FOR: Duration = Duration::from_millis(500);
/// The engines may be so many steps behind what is stored; then the play waits for them.
const STEPS_BEHIND: usize = 2;
/// Readings of the past that are handed over at once.
const HANDFUL: usize = 250;
/// A batch is done so long after its last bottles were moved: by then they are cold and have settled.
const SETTLED: SignedDuration = SignedDuration::from_hours(48);

/// A round of the play.
#[derive(Debug)]
pub(super) struct Play {
    pub(super) house: Arc<House>,
    pub(super) inbox: Inbox,
    pub(super) clock: VirtualClock,
    pub(super) now: Timestamp,
}

/// A batch in play, and what was done with its bottles.
#[derive(Debug)]
struct Part {
    member: Member,
    /// When the alert came that asked for the next move, or nothing yet.
    asked: Option<Timestamp>,
    /// Hands that have moved bottles.
    moves: usize,
    moved: Option<Timestamp>,
    place: Place,
    done: bool,
}

impl Play {
    /// Until all batches are done.
    ///
    /// # Errors
    /// The daemon takes nothing any more.
    pub(super) async fn run(mut self, cast: Vec<Member>) -> Result<(), Failure> {
        let mut parts: Vec<Part> = cast.into_iter().map(Part::new).collect();
        self.past(&mut parts).await?;
        let mut behind = VecDeque::new();
        let mut due = Instant::now();
        while parts.iter().any(|part| !part.done) {
            self.now += STEP;
            self.step(&mut parts).await?;
            behind.push_back(self.stored().await?);
            if behind.len() > STEPS_BEHIND
                && let Some(sequence) = behind.pop_front()
            {
                self.wait_for(sequence).await;
            }
            let latest = Instant::now();
            due = (due + STEP_TAKES).max(latest.checked_sub(MADE_UP_FOR).unwrap_or(latest));
            sleep_until(due).await;
        }
        info!("All batches of this round are done. It begins anew with others.");
        Ok(())
    }

    /// Hands over all that was measured until now, as fast as it is taken.
    async fn past(&mut self, parts: &mut [Part]) -> Result<(), Failure> {
        let began = Instant::now();
        let mut readings = Vec::new();
        for part in parts.iter_mut() {
            let age = self.now.duration_since(part.member.batch.bottled_at);
            readings.extend(part.member.bottles.advance(age));
        }
        readings.sort_by_key(|emitted| emitted.arrival);
        let count = readings.len();
        info!("Their past is going in: {count} readings of some days.");
        for handful in readings.chunks(HANDFUL) {
            self.send(handful).await?;
        }
        let sequence = self.stored().await?;
        self.wait_for(sequence).await;
        let took = began.elapsed().as_secs_f64();
        info!(
            "The past is in ({count} readings in {took:.1} s). Now an hour passes in every second, or slower where this machine is."
        );
        Ok(())
    }

    async fn step(&mut self, parts: &mut [Part]) -> Result<(), Failure> {
        let mut readings = Vec::new();
        for part in parts.iter_mut() {
            readings.extend(part.member.bottles.advance(STEP));
        }
        readings.sort_by_key(|emitted| emitted.arrival);
        self.send(&readings).await?;
        self.clock.set(self.now);
        for part in parts {
            match self.house.batch(part.member.batch.name.slug().as_str()) {
                Some(live) => self.act(part, &live).await?,
                // A visitor has ended it.
                None => part.done = true,
            }
        }
        Ok(())
    }

    /// What somebody in the kitchen does.
    async fn act(&self, part: &mut Part, live: &Live) -> Result<(), Failure> {
        let view = live.standing().monitor.view();
        part.follow(view.place, self.now);
        let asks = view
            .alerts
            .iter()
            .find(|alert| alert.alert == AlertName::MoveToFridge && alert.present);
        if part.asked.is_none() {
            part.asked = asks.map(|alert| alert.since);
        }
        if let Some(asked) = part.asked
            && let Some(hand) = part.member.hands.get(part.moves)
            && self.now >= asked + hand.after
        {
            part.moves += 1;
            part.moved = Some(self.now);
            if part.moves == 1 {
                part.member.bottles.move_to_fridge();
            }
            let note = Note {
                at: self.now,
                kind: NoteKind::MovedToFridge,
                bottles: hand.bottles.map(|(first, last)| (first..=last).collect()),
                value: None,
                unit: None,
                text: Some("Somebody of the demo did it.".to_owned()),
                takes_back: None,
            };
            info!(batch = %live.batch.name, "Somebody moves {} of {} to the fridge and notes it.", hand.words(), live.batch.name);
            self.house.ask(Request::Note(live.id, note)).await?;
        }
        let settled = part.moves >= part.member.hands.len()
            && part
                .moved
                .is_some_and(|moved| self.now.duration_since(moved) >= SETTLED);
        part.done = settled || part.member.bottles.is_over();
        Ok(())
    }

    /// As one message, and until it is on the disk.
    async fn send(&self, emitted: &[Emitted]) -> Result<(), Failure> {
        let Some(last) = emitted.last() else {
            return Ok(());
        };
        let readings = emitted.iter().map(reading).collect::<Result<_, _>>()?;
        let (ack, stored) = oneshot::channel();
        let message = Incoming {
            kind: crate::incoming::Kind::Demo,
            readings,
            received_at: last.arrival,
            ack: Some(ack),
        };
        let taken = self.inbox.send(message).await.is_ok() && stored.await.is_ok();
        if taken {
            Ok(())
        } else {
            Err(Failure::Store(StoreError::Closed))
        }
    }

    /// The last place in the order that is stored.
    async fn stored(&self) -> Result<Sequence, Failure> {
        Ok(self.house.store.read(|reader| reader.last_sequence()).await?)
    }

    async fn wait_for(&self, sequence: Sequence) {
        for live in self.house.all() {
            live.reaches(sequence).await;
        }
    }
}

impl Part {
    fn new(member: Member) -> Self {
        Self {
            member,
            asked: None,
            moves: 0,
            moved: None,
            place: Place::Room,
            done: false,
        }
    }

    /// The bottles are where the daemon has come to believe them: a visitor may have noted a move.
    fn follow(&mut self, place: Place, now: Timestamp) {
        if place == self.place {
            return;
        }
        self.place = place;
        match place {
            Place::Fridge if self.moves == 0 => {
                self.member.bottles.move_to_fridge();
                self.moves = self.member.hands.len();
                self.moved = Some(now);
            }
            Place::Fridge => {}
            Place::Room => {
                self.member.bottles.take_out();
                self.moves = 0;
                self.asked = None;
                self.moved = None;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::cast::cast;

    #[test]
    fn bottles_go_where_a_visitor_notes_them() {
        let start: Timestamp = "2026-03-06T12:00:00Z".parse().unwrap();
        let member = cast(1, start).unwrap().remove(0);
        let mut part = Part::new(member);
        part.member.bottles.advance(SignedDuration::from_hours(48));
        let warm = part.member.bottles.truth_now().liquid_c;

        part.follow(Place::Fridge, start);
        part.member.bottles.advance(SignedDuration::from_hours(12));
        let cold = part.member.bottles.truth_now().liquid_c;
        assert!(cold < warm - 10.0, "{warm} {cold}");
        assert_eq!(part.moved, Some(start));
        assert_eq!(part.moves, part.member.hands.len(), "nobody moves them again");

        part.follow(Place::Room, start);
        part.member.bottles.advance(SignedDuration::from_hours(24));
        assert!(part.member.bottles.truth_now().liquid_c > cold + 10.0);
        assert_eq!((part.moves, part.moved), (0, None), "somebody may be asked again");
    }

    #[test]
    fn a_move_that_is_seen_late_moves_nothing_twice() {
        let start: Timestamp = "2026-03-06T12:00:00Z".parse().unwrap();
        let mut part = Part::new(cast(1, start).unwrap().remove(1));
        part.moves = 1;
        part.moved = Some(start);
        let notes = part.member.bottles.notes().len();
        part.follow(Place::Fridge, start + SignedDuration::from_hours(3));
        assert_eq!((part.moves, part.moved), (1, Some(start)));
        assert_eq!(part.member.bottles.notes().len(), notes);
    }
}
