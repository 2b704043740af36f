//! The rules of the forecast alerts, judged at each fit. INTERFACE's table, with a deadband and several evaluations in
//! a row on the way out, so that noise cannot chatter.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    alert::{
        AlertName,
        sentence::{AtLimit, Carry, Hearing},
    },
    forecast::{Forecast, Outlook},
    quantity::GaugePressure,
};

use super::{Action, Fitted, Monitor, board::Key, intake::Sensor, monitor::is_gauge, whereabouts::Place};

/// Evaluations in a row that a condition must hold, to begin (where a rule says so) and to end.
const IN_A_ROW: u8 = 2;
/// Evaluations in a row after which an alert about the move ends: 3 h. A forecast that wavers for less tells nothing.
const MOVE_GONE_IN_A_ROW: u8 = 6;
/// `move_to_fridge` ends when the content after a move is this far below the target, in volumes: beyond the error of the
/// content now (FORECAST: median 0.03).
const MOVE_DEADBAND: f64 = 0.05;
/// `fridge_soon` ends when the move is further away than the notice by more than the notice divided by this: 6 h beyond
/// 12 h, about what one forecast in ten is wrong by that far ahead (FORECAST: 6 to 7 h).
const SOON_DEADBAND: i32 = 2;
/// A pressure alert ends below this share of the limit (TRADE, 9: a deadband of 2 % for pressure).
const PRESSURE_DEADBAND: f64 = 0.98;
/// `limit_near` ends below this share of the chance that raises it.
const CHANCE_DEADBAND: f64 = 0.5;
/// A bottle above this share of its limit (95 %) is not carried.
const CARRY_BELOW: f64 = 0.95;

/// For how many evaluations in a row each condition has been there, or gone.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Holds(BTreeMap<AlertName, Hold>);

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Hold {
    there: u8,
    gone: u8,
}

/// What one evaluation says of a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Verdict {
    /// There.
    There,
    /// Within the deadband.
    Between,
    /// Gone.
    Gone,
}

impl Verdict {
    fn of(there: bool, gone: bool) -> Self {
        match (there, gone) {
            (true, _) => Self::There,
            (false, true) => Self::Gone,
            (false, false) => Self::Between,
        }
    }
}

impl Holds {
    fn count(&mut self, alert: AlertName, verdict: Verdict) -> Hold {
        let hold = self.0.entry(alert).or_default();
        *hold = match verdict {
            Verdict::There => Hold {
                there: hold.there.saturating_add(1),
                gone: 0,
            },
            Verdict::Between => Hold::default(),
            Verdict::Gone => Hold {
                there: 0,
                gone: hold.gone.saturating_add(1),
            },
        };
        *hold
    }
}

/// What is known of some bottles: what they will do, and what the rules ask.
#[derive(Clone, Debug)]
struct Group {
    forecast: Forecast,
    outlook: Outlook,
}

impl Group {
    fn of(fitted: &Fitted) -> Self {
        Self {
            forecast: fitted.forecast.clone(),
            outlook: fitted.outlook.clone(),
        }
    }
}

impl Monitor {
    pub(super) fn evaluate(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        self.tell_stuck_sensors(now, out);
        let Some(main) = self.state.fitted.as_ref().map(Group::of) else {
            return;
        };
        let others = self
            .state
            .others
            .as_ref()
            .and_then(|others| others.fitted.as_ref());
        let others = others.map(Group::of);
        let mut warm = Vec::new();
        if self.state.whereabouts.sensors == Place::Room {
            warm.push(main.clone());
        }
        warm.extend(others.clone());
        let all: Vec<Group> = std::iter::once(main).chain(others).collect();
        self.judge_over_limit(&all, now, out);
        // Before the moves are judged: what is withheld is not raised first.
        if self.at_limit(&all) {
            self.withhold_moves(now, out);
        }
        self.judge_limit_near(&all, now, out);
        self.judge_move(&warm, now, out);
        // Before it is judged, for the same reason.
        self.let_soon_give_way(now, out);
        self.judge_soon(&warm, now, out);
        self.release_moves(now, out);
        // A loss is a moment, not a state: after it only the latch stands, and a person can clear it.
        let message = self
            .speaker()
            .over("the fall of pressure is over; what it was has to be looked into.");
        self.state
            .board
            .ends(&AlertName::SuddenLoss.into(), now, message, out);
    }

    fn limit(&self) -> GaugePressure {
        self.batch.bottle.pressure_limit
    }

    fn at_limit(&self, all: &[Group]) -> bool {
        let may_be = all
            .iter()
            .any(|group| group.outlook.worst_bottle_now.p95 >= self.limit());
        may_be || self.state.board.stands(&AlertName::OverLimit.into())
    }

    fn judge_over_limit(&mut self, all: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let Some(worst) = all.iter().map(|group| &group.outlook).reduce(|a, b| {
            if b.worst_bottle_now.p95 > a.worst_bottle_now.p95 {
                b
            } else {
                a
            }
        }) else {
            return;
        };
        let end_below = PRESSURE_DEADBAND * self.limit().pascal();
        let there = worst.worst_bottle_now.p95 >= self.limit();
        let read = self.gauge_reads_above(end_below, now);
        let gone = worst.worst_bottle_now.p95.pascal() < end_below && !read;
        let hold = self
            .state
            .holds
            .count(AlertName::OverLimit, Verdict::of(there, gone));
        if there {
            let message = self.speaker().over_limit(&AtLimit::Estimate(worst));
            self.state
                .board
                .begins(AlertName::OverLimit.into(), now, message, out);
        } else if hold.gone >= IN_A_ROW {
            let message = self
                .speaker()
                .over("estimate and gauge are below the limit again.");
            self.state
                .board
                .ends(&AlertName::OverLimit.into(), now, message, out);
        }
    }

    /// A gauge that is still heard reads above `pascal`.
    fn gauge_reads_above(&self, pascal: f64, now: Timestamp) -> bool {
        self.state.gauges.iter().any(|(sensor, watch)| {
            let heard = self
                .state
                .health
                .get(sensor)
                .is_some_and(|health| !health.is_silent(now, &self.settings.rules));
            heard
                && watch
                    .last()
                    .is_some_and(|(_, reading)| reading.pascal() >= pascal)
        })
    }

    fn judge_limit_near(&mut self, all: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let Some(worst) = all.iter().reduce(|a, b| {
            if b.outlook.limit_within_24h > a.outlook.limit_within_24h {
                b
            } else {
                a
            }
        }) else {
            return;
        };
        let rules = &self.settings.rules;
        let hearing = if self.hears_a_gauge(now) {
            Hearing::Gauge
        } else {
            Hearing::Nothing
        };
        let (threshold, needed) = match hearing {
            Hearing::Gauge => (rules.limit_chance, IN_A_ROW),
            Hearing::Nothing => (rules.limit_chance_blind, 1),
        };
        let chance = worst.outlook.limit_within_24h;
        let certain = chance >= rules.limit_chance;
        let above = target_above_limit(&worst.forecast) && !self.all_chilled();
        let there = above || chance >= threshold;
        let gone = !above && chance.share() < CHANCE_DEADBAND * threshold.share();
        let hold = self
            .state
            .holds
            .count(AlertName::LimitNear, Verdict::of(there, gone));
        let key = Key::from(AlertName::LimitNear);
        let raised = above || (there && hold.there >= needed) || self.state.board.is_present(&key);
        if there && raised {
            let carry = self.carry(&worst.outlook);
            let speaker = self.speaker();
            let message = if above && !certain {
                speaker.target_above_limit(&worst.forecast, &worst.outlook, hearing, carry)
            } else {
                speaker.limit_near(&worst.forecast, &worst.outlook, hearing, carry)
            };
            self.state.board.begins(key, now, message, out);
        } else if hold.gone >= IN_A_ROW {
            let message = self.speaker().over("the limit is no longer near.");
            self.state.board.ends(&key, now, message, out);
        }
    }

    fn carry(&self, outlook: &Outlook) -> Carry {
        let most = CARRY_BELOW * self.limit().pascal();
        if outlook.worst_bottle_now.p95.pascal() >= most
            || self.state.board.stands(&AlertName::OverLimit.into())
            || self.state.board.stands(&AlertName::SuddenLoss.into())
        {
            Carry::MustNot
        } else {
            Carry::May
        }
    }

    fn judge_move(&mut self, warm: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let target = self.batch.target.co2;
        let ripest = warm.iter().reduce(|a, b| {
            if b.outlook.after_move_now.p50 > a.outlook.after_move_now.p50 {
                b
            } else {
                a
            }
        });
        let after = ripest.map(|group| group.outlook.after_move_now.p50);
        let there = after.is_some_and(|after| after >= target);
        let gone = after.is_none_or(|after| after.volumes() < target.volumes() - MOVE_DEADBAND);
        let hold = self
            .state
            .holds
            .count(AlertName::MoveToFridge, Verdict::of(there, gone));
        let key = Key::from(AlertName::MoveToFridge);
        match ripest {
            None => {
                let message = self.speaker().over("the bottles are in the fridge.");
                self.state.board.ends(&key, now, message, out);
            }
            Some(group) if there && (hold.there >= IN_A_ROW || self.state.board.is_present(&key)) => {
                let message = self.speaker().move_to_fridge(&group.outlook);
                self.state.board.begins(key, now, message, out);
            }
            Some(_) if hold.gone >= MOVE_GONE_IN_A_ROW => {
                let message = self
                    .speaker()
                    .over("a move made now would end below the target again.");
                self.state.board.ends(&key, now, message, out);
            }
            Some(_) => {}
        }
    }

    fn judge_soon(&mut self, warm: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let notice = self.settings.rules.notice;
        let move_at = |group: &Group| group.forecast.move_at.and_then(|when| when.p50);
        let first = warm
            .iter()
            .filter_map(|group| move_at(group).map(|at| (at, group)))
            .reduce(|a, b| if b.0 < a.0 { b } else { a });
        let away = first.map(|(at, _)| at.duration_since(now));
        let far = notice.saturating_add(notice.checked_div(SOON_DEADBAND).unwrap_or_default());
        let there = away.is_some_and(|away| away <= notice);
        let gone = away.is_none_or(|away| away > far);
        let hold = self
            .state
            .holds
            .count(AlertName::FridgeSoon, Verdict::of(there, gone));
        let key = Key::from(AlertName::FridgeSoon);
        match first {
            Some((_, group)) if there && (hold.there >= IN_A_ROW || self.state.board.is_present(&key)) => {
                let message = self.speaker().fridge_soon(&group.forecast);
                self.state.board.begins(key, now, message, out);
            }
            _ if warm.is_empty() => {
                let message = self.speaker().over("the bottles are in the fridge.");
                self.state.board.ends(&key, now, message, out);
            }
            later if hold.gone >= MOVE_GONE_IN_A_ROW => {
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
    fn let_soon_give_way(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        if self.state.board.is_present(&AlertName::MoveToFridge.into()) {
            let message = self
                .speaker()
                .over("the move is due now: move_to_fridge says so.");
            self.state
                .board
                .suppress(&AlertName::FridgeSoon.into(), now, message, out);
        }
    }

    /// Nobody may be told to carry bottles that may be at their limit.
    pub(super) fn withhold_moves(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        for alert in [AlertName::MoveToFridge, AlertName::FridgeSoon] {
            let message = self.speaker().move_withdrawn();
            self.state.board.suppress(&alert.into(), now, message, out);
        }
    }

    /// The advice to move stands again, once nothing says that the bottles may be at their limit.
    pub(super) fn release_moves(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let all: Vec<Group> = self
            .state
            .fitted
            .iter()
            .chain(
                self.state
                    .others
                    .iter()
                    .filter_map(|others| others.fitted.as_ref()),
            )
            .map(Group::of)
            .collect();
        if self.at_limit(&all) {
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

    fn tell_stuck_sensors(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        if let Some(fitted) = &self.state.fitted {
            let course: Vec<(Timestamp, f64)> = fitted
                .outlook
                .curve
                .iter()
                .map(|point| (point.at, point.worst_bottle.p50.pascal()))
                .collect();
            for (sensor, health) in &mut self.state.health {
                if is_gauge(sensor.quantity) {
                    health.expect(now, course.iter().copied());
                    health.judge_standstill(now, None);
                }
            }
        }
        for sensor in self.state.health.keys().cloned().collect::<Vec<Sensor>>() {
            self.tell_doubt(&sensor, out);
        }
    }
}

/// The limit comes before the move that would end at the target.
fn target_above_limit(forecast: &Forecast) -> bool {
    let limit = forecast.limit_at.and_then(|when| when.p50);
    let target = forecast.target_at.and_then(|when| when.p50);
    match (limit, target) {
        (Some(limit), Some(target)) => limit <= target,
        (Some(_), None) => true,
        (None, _) => false,
    }
}
