//! The alerts about the move to the fridge: `fridge_soon` and `move_to_fridge`.

use jiff::{SignedDuration, Timestamp};

use crate::alert::AlertName;

use super::{
    Action, Monitor,
    awake::Hands,
    board::Key,
    evaluate::Group,
    holds::{IN_A_ROW, Matter, Verdict},
    moments::{self, Advice, Ahead, Choice, MomentView},
};

/// The first of two evaluations in a row half an hour apart may come this long before the move is due: then the alert comes
/// neither early nor late at the mean, and not three quarters of an hour late.
const AHEAD: SignedDuration = SignedDuration::from_mins(45);
/// The same while the limit is near: full bottles are carried before they are dangerous, and a target that lies close to the limit was else told to be
/// reached when nobody might go near them any more.
const AHEAD_OF_THE_LIMIT: SignedDuration = SignedDuration::from_hours(2);
/// Evaluations in a row after which an alert about the move ends: 3 h. A forecast that wavers for less tells nothing.
pub(super) const GONE_IN_A_ROW: u8 = 6;
/// `move_to_fridge` ends when the content after a move is this far below the target, in volumes: beyond the error of the
/// content now (an earlier study: median 0.03).
pub(super) const MOVE_DEADBAND: f64 = 0.05;
/// `fridge_soon` ends when the move is further away than the notice by more than the notice divided by this: 6 h beyond
/// 12 h, about what one forecast in ten is wrong by that far ahead (an earlier study: 6 to 7 h).
pub(super) const SOON_DEADBAND: i32 = 2;

impl Monitor {
    pub(super) fn judge_move(&mut self, warm: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let target = self.batch.target.co2;
        let ripest = ripest(warm);
        let after = ripest.map(|group| group.outlook.after_move_now.p50);
        let key = Key::from(AlertName::MoveToFridge);
        let stands = self.state.board.is_present(&key);
        let choice = self.choice(ripest, now);
        let advice = choice.map_or(Advice::AsItComes, |choice| choice.advice);
        let limit_is_near = self.state.board.is_present(&Key::from(AlertName::LimitNear));
        let reached = ripest.is_some_and(|group| {
            let ahead = if limit_is_near { AHEAD_OF_THE_LIMIT } else { AHEAD };
            let soon = now.saturating_add(ahead).unwrap_or(now);
            let gains = moments::gains(&group.outlook, now, soon).unwrap_or(0.0);
            group.outlook.after_move_now.p50.volumes() + gains >= target.volumes()
        });
        let there = match advice {
            Advice::AsItComes => reached,
            Advice::BeforeTheGap => true,
            Advice::AfterTheGap => reached && stands,
        };
        // What was asked for before the night or the time away holds through it.
        let kept = stands && advice != Advice::AsItComes;
        let gone = !kept && after.is_none_or(|after| after.volumes() < target.volumes() - MOVE_DEADBAND);
        let hold = self.state.holds.count(Matter::Move, Verdict::of(there, gone));
        match ripest {
            None => {
                let message = self.speaker().over(self.nothing_to_move());
                self.state.board.ends(&key, now, message, out);
            }
            Some(group) if there && (hold.there >= IN_A_ROW || stands) => {
                let mut message = self.speaker().move_to_fridge(&group.outlook);
                if limit_is_near {
                    message.push_str(" The move is asked for ahead of time, since your limit is near.");
                }
                if let Some(choice) = choice {
                    message.push(' ');
                    message.push_str(&self.speaker().moments(&choice));
                }
                self.state.board.begins(key, now, message, out);
            }
            Some(_) if hold.gone >= GONE_IN_A_ROW => {
                let message = self
                    .speaker()
                    .over("a move made now would end below the target again.");
                self.state.board.ends(&key, now, message, out);
            }
            Some(_) => {}
        }
    }

    /// Why no bottle waits for the fridge.
    fn nothing_to_move(&self) -> &'static str {
        if self.all_chilled() {
            "the bottles are in the fridge."
        } else {
            "no bottle is left here to move."
        }
    }

    /// When somebody can carry these bottles; `None`: always.
    fn hands(&self) -> Option<Hands<'_>> {
        Hands::of(&self.settings.rules, &self.batch.name, &self.settings.zone)
    }

    /// Between which moments a person has to choose; `None` where somebody is always there.
    fn choice(&self, ripest: Option<&Group>, now: Timestamp) -> Option<Choice> {
        Ahead::new(ripest?, &self.batch, now).choose(&self.hands()?)
    }

    /// The moments of the days ahead at which somebody can carry the bottles; none where that is always, where none stands in the
    /// room, and where nobody may carry them.
    pub(super) fn moments(&self) -> Vec<MomentView> {
        let (Some(hands), warm) = (self.hands(), self.warm_groups()) else {
            return Vec::new();
        };
        if self.must_not_be_carried(&self.groups()) {
            return Vec::new();
        }
        let as_of = |group: &Group| Ahead::new(group, &self.batch, group.outlook.at).shown(&hands);
        ripest(&warm).map(as_of).unwrap_or_default()
    }

    pub(super) fn judge_soon(&mut self, warm: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let notice = self.settings.rules.notice;
        let move_at = |group: &Group| group.forecast.move_at.and_then(|when| when.p50);
        let first = warm
            .iter()
            .filter_map(|group| move_at(group).map(|at| (at, group)))
            .reduce(|a, b| if b.0 < a.0 { b } else { a });
        // A move that is better made before a night or a time away comes due then.
        let choice = self
            .choice(ripest(warm), now)
            .filter(|choice| choice.early_is_due);
        let first = first.map(|(at, group)| (choice.map_or(at, |choice| at.min(choice.early.at)), group));
        let away = first.map(|(at, _)| at.duration_since(now));
        let far = notice.saturating_add(notice.checked_div(SOON_DEADBAND).unwrap_or_default());
        let there = away.is_some_and(|away| away <= notice);
        let gone = away.is_none_or(|away| away > far);
        let hold = self.state.holds.count(Matter::Soon, Verdict::of(there, gone));
        let key = Key::from(AlertName::FridgeSoon);
        match first {
            Some((_, group)) if there && (hold.there >= IN_A_ROW || self.state.board.is_present(&key)) => {
                let mut message = self.speaker().fridge_soon(&group.forecast);
                if let Some(choice) = choice {
                    message.push(' ');
                    message.push_str(&self.speaker().moments(&choice));
                }
                self.state.board.begins(key, now, message, out);
            }
            _ if warm.is_empty() => {
                let message = self.speaker().over(self.nothing_to_move());
                self.state.board.ends(&key, now, message, out);
            }
            later if hold.gone >= GONE_IN_A_ROW => {
                let message = self
                    .speaker()
                    .fridge_later(later.map(|(_, group)| &group.forecast));
                self.state.board.ends(&key, now, message, out);
            }
            _ => {}
        }
    }

    /// `fridge_soon` is explained by a move that is due: suppressed by design in the words of ISA-18.2. Both end together
    /// when the bottles are in the fridge.
    pub(super) fn let_soon_give_way(&mut self, all: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        if self.must_not_be_carried(all) {
            return;
        }
        if self.state.board.is_present(&AlertName::MoveToFridge.into()) {
            let message = self
                .speaker()
                .over("the move is due now, so this notice gives way to it.");
            self.state
                .board
                .suppress(&AlertName::FridgeSoon.into(), now, message, out);
        }
    }

    /// Nobody may be told to carry bottles that may be at their limit, or one of which may have burst.
    pub(super) fn withhold_moves(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        for alert in [AlertName::MoveToFridge, AlertName::FridgeSoon] {
            let message = self.why_withdrawn();
            self.state.board.suppress(&alert.into(), now, message, out);
        }
    }

    /// Why nobody is to move the bottles now.
    pub(super) fn withdrawn(&self) -> Option<String> {
        self.must_not_be_carried(&self.groups())
            .then(|| self.why_withdrawn())
    }

    fn why_withdrawn(&self) -> String {
        let burst = !self.state.board.stands(&AlertName::OverLimit.into()) && self.has_lost_pressure();
        if burst {
            self.speaker().move_withdrawn_after_loss()
        } else {
            self.speaker().move_withdrawn()
        }
    }

    /// The advice to move stands again, once nothing speaks against carrying the bottles.
    pub(super) fn release_moves(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        if self.must_not_be_carried(&self.groups()) {
            return;
        }
        let (due, soon) = (
            Key::from(AlertName::MoveToFridge),
            Key::from(AlertName::FridgeSoon),
        );
        self.state.board.unsuppress(&due, now, out);
        if !self.state.board.is_present(&due) {
            self.state.board.unsuppress(&soon, now, out);
        }
    }
}

/// The bottles that are nearest to their target, or furthest past it.
fn ripest(warm: &[Group]) -> Option<&Group> {
    warm.iter().reduce(|a, b| {
        if b.outlook.after_move_now.p50 > a.outlook.after_move_now.p50 {
            b
        } else {
            a
        }
    })
}
