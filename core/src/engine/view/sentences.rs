//! What a view says of a batch as a whole: must somebody do something, how near is the limit, what comes next.

use crate::alert::{AlarmState, Priority};

use super::{AlertView, Fullest};
use crate::engine::Monitor;

impl Monitor {
    /// Must a person do something, and when? Pressure first.
    pub(super) fn headline(&self, alerts: &[AlertView]) -> String {
        let in_sight =
            |alert: &&AlertView| alert.present || (alert.latched && alert.state != AlarmState::Shelved);
        let visible = |alert: &&AlertView| {
            !matches!(
                alert.state,
                AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService
            )
        };
        let mut standing = alerts.iter().filter(in_sight).filter(visible);
        if let Some(first) = standing.find(|alert| alert.priority >= Priority::Medium) {
            return first.message.clone();
        }
        let name = &self.batch.name;
        let Some(fitted) = &self.state.fitted else {
            return format!("{name}: nothing is reckoned yet.");
        };
        if self.all_chilled() {
            return format!("{} is in the fridge. Nothing to do.", name.at_the_start());
        }
        if self.state.whereabouts.none_at_home(&self.batch) {
            return format!("{name}: no bottle is left here to move.");
        }
        let apart = self.apart_fitted().filter(|_| !self.only_given_away_are_apart());
        let to_move = apart.unwrap_or(fitted);
        match &to_move.forecast.move_at {
            Some(when) => {
                let interval = self.speaker().interval(when);
                format!("{name}: nothing to do now. Move it to the fridge {interval}.")
            }
            None => format!(
                "{name}: nothing to do now. It is not expected to reach {:.2} volumes within 60 days.",
                self.batch.target.co2.volumes()
            ),
        }
    }

    pub(super) fn pressure_sentence(&self) -> String {
        let limit = self.batch.bottle.pressure_limit;
        let units = self.settings.units;
        let answers = self.state.fitted.iter().chain(self.apart_fitted());
        match Fullest::of(answers.map(|fitted| &fitted.outlook)) {
            None => format!(
                "The pressure is not reckoned yet; your limit is {}.",
                units.pressure(limit)
            ),
            Some(fullest) => {
                let vouched = if self.hears_a_gauge(self.clock()) {
                    ""
                } else {
                    " No trustworthy gauge is heard, so nobody can vouch for it."
                };
                format!(
                    "The fullest bottle is at about {} of your {}; in the next 24 hours it may reach {}.{vouched}",
                    units.pressure(fullest.now.p50),
                    units.pressure(limit),
                    units.pressure(fullest.within_24h.p95)
                )
            }
        }
    }

    /// How its culture is known, where earlier batches of it inform the forecast.
    pub(super) fn culture_sentence(&self) -> Option<String> {
        let culture = self.batch.culture.as_ref()?;
        match self.earlier_batches() {
            0 => None,
            1 => Some(format!("Its culture, {culture}, is known from 1 earlier batch.")),
            some => Some(format!(
                "Its culture, {culture}, is known from {some} earlier batches."
            )),
        }
    }

    /// What comes next, if nobody does anything.
    pub(super) fn next_sentence(&self) -> String {
        let next = self.next_of_those_here();
        match self.given_away_view() {
            Some(given) => format!("{next} {}", given.why),
            None => next,
        }
    }

    fn next_of_those_here(&self) -> String {
        if let Some(apart) = self.apart_view() {
            return apart.why;
        }
        let Some(fitted) = &self.state.fitted else {
            return "The first forecast comes with the first readings.".to_owned();
        };
        if self.state.whereabouts.opened {
            return "The bottle with the sensors was opened, so the others are reckoned on without it."
                .to_owned();
        }
        if self.all_chilled() {
            return format!(
                "It holds about {:.2} volumes; the fridge slows the culture, it does not stop it.",
                fitted.forecast.co2.p50.volumes()
            );
        }
        match &fitted.forecast.limit_at {
            Some(when) => format!(
                "Left in the room, it passes your limit {}.",
                self.speaker().interval(when)
            ),
            None => "Left in the room, it is not expected to pass your limit within 60 days.".to_owned(),
        }
    }
}
