//! How fast simulated or recorded time runs.

use fobwatch_simulator::{Scenario, Simulation};
use jiff::Timestamp;
use std::str::FromStr;
use std::time::{Duration, Instant};

/// Simulated seconds per second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Speed {
    Max,
    Times(f64),
}

impl FromStr for Speed {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "max" {
            return Ok(Self::Max);
        }
        match text.parse::<f64>() {
            Ok(times) if (0.001..=1.0e7).contains(&times) => Ok(Self::Times(times)),
            _ => Err("allowed: `max`, or simulated seconds per second from 0.001 to 1e7".to_owned()),
        }
    }
}

/// A reading as it goes out.
pub(crate) struct Outgoing {
    /// When it is due.
    pub(crate) due: Timestamp,
    pub(crate) source: String,
    pub(crate) senml: String,
    /// A row without its line end.
    pub(crate) csv: String,
}

/// The readings of a play, each with the time at which it is due.
pub(crate) struct Pace {
    speed: Speed,
    began: Instant,
    starts: Timestamp,
    pub(crate) readings: Vec<Outgoing>,
}

impl Pace {
    pub(crate) fn new(scenario: &Scenario, seed: u64, speed: Speed) -> Self {
        let outgoing = |reading: &fobwatch_simulator::Emitted| Outgoing {
            due: reading.arrival,
            senml: reading.senml(),
            csv: reading.csv_row(),
            source: reading.source.clone(),
        };
        let played = Simulation::run(scenario, seed).readings;
        let readings = played.iter().map(outgoing).collect();
        Self::of(&scenario.name, scenario.bottled_at, readings, speed)
    }

    /// Of readings in the order in which they are to go out, the first of them due not before `starts`.
    pub(crate) fn of(name: &str, starts: Timestamp, readings: Vec<Outgoing>, speed: Speed) -> Self {
        let hours = readings
            .last()
            .map_or(0.0, |last| last.due.duration_since(starts).as_secs_f64() / 3600.0);
        eprintln!("{name}: {} readings over {hours:.1} h.", readings.len());
        Self {
            speed,
            began: Instant::now(),
            starts,
            readings,
        }
    }

    /// How long to wait until the reading is due.
    pub(crate) fn wait(&self, reading: &Outgoing) -> Duration {
        let Speed::Times(times) = self.speed else {
            return Duration::ZERO;
        };
        let simulated = reading.due.duration_since(self.starts).as_secs_f64();
        Duration::from_secs_f64((simulated / times).max(0.0)).saturating_sub(self.began.elapsed())
    }

    /// Tells on stderr how far the play is, ten times in all.
    pub(crate) fn tell(&self, done: usize) {
        let all = self.readings.len();
        if done > 0 && done * 10 / all != (done - 1) * 10 / all {
            eprintln!("{done} of {all} readings are out.");
        }
    }
}
