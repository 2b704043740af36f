//! Judging the forecast alerts at each fit. The surface's table, with a deadband and several evaluations in a row on the
//! way out, so that noise cannot chatter.

use jiff::Timestamp;

use crate::{
    alert::AlertName,
    forecast::{Forecast, Outlook},
};

use super::{Action, Fitted, Monitor, intake::Sensor, others::Apart, whereabouts::Place};

/// What is known of some bottles: what they will do, and what the rules ask.
#[derive(Clone, Debug)]
pub(super) struct Group {
    pub(super) forecast: Forecast,
    pub(super) outlook: Outlook,
    /// No gauge stands with them.
    pub(super) alone: bool,
}

impl Group {
    fn of(fitted: &Fitted) -> Self {
        Self {
            alone: false,
            forecast: fitted.forecast.clone(),
            outlook: fitted.outlook.clone(),
        }
    }
}

impl Monitor {
    pub(super) fn evaluate(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        self.tell_stuck_sensors(now, out);
        let (all, warm) = (self.groups(), self.warm_groups());
        if self.state.fitted.is_none() {
            return;
        }
        self.judge_suspicion(now, out);
        self.judge_over_limit(&all, now, out);
        // Before the moves are judged: what is withheld is not raised first.
        if self.must_not_be_carried(&all) {
            self.withhold_moves(now, out);
        }
        self.judge_limit_near(&all, &warm, now, out);
        self.judge_move(&warm, now, out);
        self.let_soon_give_way(&all, now, out);
        self.judge_soon(&warm, now, out);
        self.release_moves(now, out);
        self.judge_temperature(now, out);
        self.judge_stall(now, out);
        self.judge_rising(now, out);
        // A loss is a moment, not a state: after it only the latch stands, and a person can clear it.
        let message = self
            .speaker()
            .over("the fall of pressure is over; what it was has to be looked into.");
        self.state
            .board
            .ends(&AlertName::SuddenLoss.into(), now, message, out);
    }

    /// The bottles with the sensors, and those reckoned apart.
    pub(super) fn groups(&self) -> Vec<Group> {
        let fitted = self.state.fitted.iter().map(Group::of);
        fitted.chain(self.apart_group()).collect()
    }

    /// Those that stand in the room, or may, and that a person here can move.
    pub(super) fn warm_groups(&self) -> Vec<Group> {
        let in_room = self.sensors_are_to_move();
        let fitted = self.state.fitted.iter().filter(|_| in_room).map(Group::of);
        let apart = self.apart_group().filter(|_| !self.only_given_away_are_apart());
        fitted.chain(apart).collect()
    }

    /// The bottle with the sensors stands in the room, for some that are here.
    fn sensors_are_to_move(&self) -> bool {
        let whereabouts = &self.state.whereabouts;
        whereabouts.sensors == Place::Room && !whereabouts.none_at_home(&self.batch)
    }

    /// A bottle stands in the room, or may, that a person here can move.
    pub(super) fn some_are_to_move(&self) -> bool {
        let apart = self.state.others.is_some() && !self.only_given_away_are_apart();
        self.sensors_are_to_move() || apart
    }

    /// What is reckoned apart was given away, and none of it is here.
    pub(super) fn only_given_away_are_apart(&self) -> bool {
        let others = self.state.others.as_ref();
        others.is_some_and(|others| others.why == Apart::Stayed && others.count == 0)
    }

    /// Those reckoned apart. Whoever stayed in the room has no gauge once the sensors are in the fridge.
    fn apart_group(&self) -> Option<Group> {
        let others = self.state.others.as_ref()?;
        Some(Group {
            alone: others.why == Apart::Stayed,
            ..Group::of(others.fitted.as_ref()?)
        })
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
                if sensor.quantity.is_gauge() {
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
