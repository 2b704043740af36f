//! What notes and the drink's temperature do to the evidence: moves, openings, bottles left behind.
//!
//! A move is acted on at once. While only a note speaks for it and the drink could be seen cooling, the batch is
//! reckoned twice, moved and not moved, and alerts follow whichever is worse: so "moved" clears nothing by itself.

use std::sync::Arc;

use jiff::Timestamp;

use crate::{
    fit::{Evidence, Handling},
    note::{Note, NoteKind},
    reading::Quantity,
};

use super::{
    Action, ClockSource, Monitor,
    monitor::Moved,
    others::{Apart, Others},
    whereabouts::{BELIEF, Place},
};

/// A note that some stayed may come this long after the move was seen.
const AFTERTHOUGHT: jiff::SignedDuration = jiff::SignedDuration::from_hours(24);

/// Which bottles a note means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Meant {
    /// All, the bottle with the sensors included, by saying nothing.
    AllBySilence,
    /// All, by their numbers, and the sensors are on one of them.
    AllByNumber,
    /// All by their numbers, but the sensors are on a pilot that has none.
    AllButThePilot,
    /// Some.
    Some,
}

impl Monitor {
    pub(super) fn on_note(&mut self, note: &Note, out: &mut Vec<Action>) {
        if self.settings.clock == ClockSource::Readings {
            self.state.clock.advance(note.at);
        }
        let at = note.at.min(self.clock()).max(self.batch.bottled_at);
        match note.kind {
            NoteKind::MovedToFridge => self.noted_moved(note, at),
            NoteKind::TakenOut => self.noted_taken_out(note, at),
            NoteKind::Vented => {
                self.noted_letting_off(note, at);
                if matches!(self.meant(note), Meant::AllBySilence | Meant::AllByNumber) {
                    self.handle(at, Handling::Vented);
                }
            }
            NoteKind::Opened => {
                self.noted_letting_off(note, at);
                self.are_gone(note);
                if matches!(self.meant(note), Meant::AllBySilence | Meant::AllByNumber) {
                    self.state.whereabouts.opened = true;
                    self.handle(at, Handling::Opened);
                }
            }
            NoteKind::Broken => {
                self.noted_letting_off(note, at);
                self.are_gone(note);
            }
            NoteKind::GivenAway => self.noted_given_away(note),
            NoteKind::Confirmed => self.noted_confirmed(note),
            NoteKind::Gauge
            | NoteKind::Gravity
            | NoteKind::Squeezed
            | NoteKind::Tasted
            | NoteKind::Corrected
            | NoteKind::TakenBack
            | NoteKind::Other => {}
        }
        self.noted_finding(note, at, out);
    }

    /// Letting gas off explains a loss of the gauge's, if it was or may have been the bottle with the gauge: a pilot has no number.
    fn noted_letting_off(&mut self, note: &Note, at: Timestamp) {
        let of_the_sensors = match self.meant(note) {
            Meant::AllBySilence | Meant::AllByNumber => true,
            Meant::Some => self.batch.pilot.is_none(),
            Meant::AllButThePilot => false,
        };
        if of_the_sensors {
            let last = self.state.whereabouts.let_off.unwrap_or(at);
            self.state.whereabouts.let_off = Some(last.max(at));
        }
    }

    /// Bottles that were opened or broke, by their numbers.
    fn are_gone(&mut self, note: &Note) {
        let numbers = note.bottles.iter().flatten().copied();
        self.state.whereabouts.gone.extend(numbers.take(10_000));
        self.count_those_that_stayed();
    }

    /// Nobody here can move them any more, but they are still closed: what stood in the room is reckoned on as if it still did.
    fn noted_given_away(&mut self, note: &Note) {
        self.state
            .whereabouts
            .give_away(note.bottles.as_deref(), &self.batch);
        self.count_those_that_stayed();
    }

    /// Those that are reckoned apart since they stayed in the room, without those that are there no more.
    fn count_those_that_stayed(&mut self) {
        let whereabouts = &self.state.whereabouts;
        let left = whereabouts.left_behind(&self.batch);
        let none = left == 0 && whereabouts.given_away_warm(&self.batch) == 0;
        if let Some(others) = &mut self.state.others
            && others.why == Apart::Stayed
        {
            others.count = others.count.min(left);
            if none {
                self.state.others = None;
            }
        }
    }

    fn meant(&self, note: &Note) -> Meant {
        let Some(numbers) = &note.bottles else {
            return Meant::AllBySilence;
        };
        let all = (1..=self.batch.bottle.count.min(10_000)).all(|number| numbers.contains(&number));
        match (all, &self.batch.pilot) {
            (true, None) => Meant::AllByNumber,
            (true, Some(_)) => Meant::AllButThePilot,
            (false, _) => Meant::Some,
        }
    }

    fn noted_moved(&mut self, note: &Note, at: Timestamp) {
        let numbers = note.bottles.iter().flatten().copied().take(10_000);
        for number in numbers {
            self.state.whereabouts.carried(number, at, Place::Fridge);
        }
        match self.meant(note) {
            Meant::AllBySilence | Meant::AllByNumber if self.is_of_the_past(at, Place::Fridge) => {
                self.stood(at, Place::Fridge);
            }
            Meant::AllByNumber => {
                self.state.others = None;
                self.state.whereabouts.unconfirmed = None;
                self.put_into_fridge(at);
            }
            Meant::AllBySilence => {
                let settled = self.state.whereabouts.sensors == Place::Fridge
                    || !self.hears_the_drink()
                    || self.state.whereabouts.is_cold(self.batch.target.fridge);
                self.state.others = if settled {
                    None
                } else {
                    self.state.whereabouts.unconfirmed = Some(at);
                    let count = self.batch.bottle.count;
                    Some(Others::new(
                        Arc::clone(&self.state.evidence),
                        count,
                        Apart::Unconfirmed,
                    ))
                };
                self.put_into_fridge(at);
                if settled {
                    self.those_given_away_go_on(at);
                }
            }
            Meant::AllButThePilot | Meant::Some => {
                // The bottle with the sensors stays in the room until it is seen cooling, and stands for those that stay.
                if self.state.whereabouts.sensors == Place::Fridge {
                    self.leave_behind(at);
                }
            }
        }
    }

    fn noted_taken_out(&mut self, note: &Note, at: Timestamp) {
        if let (Meant::Some | Meant::AllButThePilot, Some(numbers)) = (self.meant(note), &note.bottles) {
            let whereabouts = &mut self.state.whereabouts;
            if whereabouts.chilled.is_empty() && whereabouts.sensors == Place::Fridge {
                whereabouts
                    .chilled
                    .extend(1..=self.batch.bottle.count.min(10_000));
            }
            for number in numbers {
                whereabouts.carried(*number, at, Place::Room);
            }
            if whereabouts.sensors == Place::Fridge {
                self.leave_behind(at);
            }
        } else if self.is_of_the_past(at, Place::Room) {
            self.stood(at, Place::Room);
        } else {
            self.state.whereabouts.all_out(at);
            self.state.whereabouts.unconfirmed = None;
            self.state.others = None;
            self.put_into_room(at);
        }
    }

    /// All that is here went into the fridge; what was given away warm did not.
    fn those_given_away_go_on(&mut self, at: Timestamp) {
        if self.state.whereabouts.given_away_warm(&self.batch) > 0 {
            self.reckon_apart(at, 0);
        }
    }

    /// The bottles that notes leave in the room are reckoned apart from the sensors in the fridge.
    fn leave_behind(&mut self, at: Timestamp) {
        self.reckon_apart(at, self.state.whereabouts.left_behind(&self.batch));
    }

    /// `left`: how many of them are here.
    fn reckon_apart(&mut self, at: Timestamp, left: u32) {
        if left == 0 && self.state.whereabouts.given_away_warm(&self.batch) == 0 {
            self.state.others = None;
            return;
        }
        match &mut self.state.others {
            Some(others) if others.why == Apart::Stayed => others.count = left,
            _ => {
                let known = self.state.last_move;
                let moved = known.filter(|moved| at.duration_since(moved.known).abs() <= AFTERTHOUGHT);
                let evidence = match moved {
                    // What the sensors felt while they cooled is not theirs, though the move was recognised later.
                    Some(moved) => self.state.evidence.of_those_that_stayed(moved.began),
                    None => {
                        let mut copy = Evidence::clone(&self.state.evidence);
                        copy.handle(at, Handling::Room);
                        copy
                    }
                };
                let evidence = Arc::new(evidence);
                self.state.others = Some(Others::new(evidence, left, Apart::Stayed));
            }
        }
    }

    /// The sensors are known to have been carried elsewhere since: that they came to `place` at `at` tells where they were, not where
    /// they are.
    fn is_of_the_past(&self, at: Timestamp, place: Place) -> bool {
        let stays = self.state.whereabouts.stays.iter().rev();
        stays
            .take_while(|(since, _)| *since > at)
            .any(|(_, other)| *other != place)
    }

    /// The sensors stood there from `at` on, until they were carried elsewhere.
    fn stood(&mut self, at: Timestamp, place: Place) {
        if self.state.whereabouts.stays_from(at, place) {
            self.handle(
                at,
                match place {
                    Place::Room => Handling::Room,
                    Place::Fridge => Handling::Fridge,
                },
            );
        }
    }

    pub(super) fn saw_cooling(&mut self, at: Timestamp) {
        if self.is_of_the_past(at, Place::Fridge) {
            return self.stood(at, Place::Fridge);
        }
        let noted = self.state.whereabouts.unconfirmed.take();
        let felt = self.state.whereabouts.fall_began();
        let began = [noted, felt].into_iter().flatten().fold(at, Timestamp::min);
        // Those that stand in the room for longer stay reckoned apart.
        self.state.others = self
            .state
            .others
            .take()
            .filter(|others| others.why == Apart::Stayed);
        self.put_into_fridge(at);
        self.state.last_move = Some(Moved { known: at, began });
        if self.state.whereabouts.chilled.is_empty() {
            self.those_given_away_go_on(at);
        } else {
            self.leave_behind(at);
        }
    }

    pub(super) fn saw_warming(&mut self, at: Timestamp) {
        if self.is_of_the_past(at, Place::Room) {
            return self.stood(at, Place::Room);
        }
        self.put_into_room(at);
        // What else stands in the room has stood there longer: it stays reckoned apart.
        if self
            .state
            .others
            .as_ref()
            .is_some_and(|others| others.why == Apart::Unconfirmed)
        {
            self.state.others = None;
        }
        self.state.whereabouts.unconfirmed = None;
    }

    fn put_into_fridge(&mut self, at: Timestamp) {
        if self.state.whereabouts.sensors != Place::Fridge {
            self.state.whereabouts.put(Place::Fridge);
            self.stood(at, Place::Fridge);
            self.state.last_move = Some(Moved { known: at, began: at });
        }
    }

    fn put_into_room(&mut self, at: Timestamp) {
        if self.state.whereabouts.sensors != Place::Room {
            self.state.whereabouts.put(Place::Room);
            self.stood(at, Place::Room);
        }
        self.state.last_move = None;
    }

    /// A noted move after which the drink stays warm is no longer believed.
    pub(super) fn doubt_the_move(&mut self, now: Timestamp) {
        let Some(since) = self.state.whereabouts.unconfirmed else {
            return;
        };
        if now.duration_since(since) <= BELIEF || !self.hears_the_drink() {
            return;
        }
        self.state.whereabouts.stays.retain(|(at, _)| *at < since);
        self.state.whereabouts.unconfirmed = None;
        self.state.whereabouts.put(Place::Room);
        self.state.last_move = None;
        if let Some(others) = self.state.others.take() {
            self.state.evidence = others.evidence;
            self.state.news = true;
        }
    }

    /// A thermometer in the drink is heard, so cooling would be seen.
    fn hears_the_drink(&self) -> bool {
        let now = self.clock();
        self.state.health.iter().any(|(sensor, health)| {
            sensor.quantity == Quantity::LiquidTemperature
                && health.last.is_some()
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        })
    }
}
