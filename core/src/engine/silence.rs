//! Silence: a source of which nothing is heard is told once, however many quantities it sends.
//!
//! First-out and suppression by design in the words of ISA-18.2: one dead board is one alert, which names all that is not heard.
//! The silence of a gauge speaks for the whole board, and nothing else ever hides it.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::{
    alert::AlertName,
    reading::{Quantity, Source},
};

use super::{Action, Monitor, board::Key, intake::Sensor, readings::AT_MOST_EVERY};

/// A quantity of which nothing is heard, and when it was last.
type Silent = (Quantity, Option<Timestamp>);

impl Monitor {
    pub(super) fn look_after_sensors(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let mut silent: BTreeMap<Source, Vec<Silent>> = BTreeMap::new();
        let mut heard = Vec::new();
        for (sensor, health) in &self.state.health {
            if health.is_silent(now, &self.settings.rules) {
                let last = health.last.as_ref().map(|(at, _)| *at);
                let of = silent.entry(sensor.source.clone()).or_default();
                of.push((sensor.quantity, last));
            } else {
                heard.push(of_silence(sensor.clone()));
            }
        }
        for key in heard {
            if !self.state.board.is_present(&key) {
                self.state.board.unsuppress(&key, now, out);
            }
        }
        for (source, quantities) in silent {
            self.tell_silence(&source, quantities, now, out);
        }
    }

    fn tell_silence(
        &mut self,
        source: &Source,
        mut silent: Vec<Silent>,
        now: Timestamp,
        out: &mut Vec<Action>,
    ) {
        let key = |quantity| {
            of_silence(Sensor {
                source: source.clone(),
                quantity,
            })
        };
        let board = &self.state.board;
        // One that was heard a moment ago is not told again yet; the others of its board are.
        silent.retain(|(quantity, _)| {
            let key = key(*quantity);
            let gone = board.unchanged_for(&key, now);
            board.is_present(&key) || gone.is_none_or(|gone| gone >= AT_MOST_EVERY)
        });
        silent
            .sort_by_key(|(quantity, _)| (!quantity.is_gauge(), !board.is_told(&key(*quantity)), *quantity));
        let quantities: Vec<Quantity> = silent.iter().map(|(quantity, _)| *quantity).collect();
        let Some((&first, others)) = quantities.split_first() else {
            return;
        };
        let since = silent.iter().filter_map(|(_, last)| *last).max();
        let message = self.speaker().sensor_silent(source, &quantities, since);
        self.state.board.begins(key(first), now, message, out);
        // What spoke for it until now may be heard again.
        self.state.board.unsuppress(&key(first), now, out);
        for &other in others {
            let with = self.speaker().silent_with((source, other), first);
            let own = self.speaker().sensor_silent(source, &[other], since);
            self.state.board.suppress(&key(other), now, with, out);
            self.state.board.begins(key(other), now, own, out);
        }
    }
}

fn of_silence(sensor: Sensor) -> Key {
    Key {
        alert: AlertName::SensorSilent,
        sensor: Some(sensor),
    }
}
