//! How fast simulated time runs.

use fobwatch_simulator::{Emitted, Scenario, Simulation};
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

/// The readings of a play, each with the time at which it is due.
pub(crate) struct Pace {
    speed: Speed,
    began: Instant,
    scenario: Scenario,
    pub(crate) readings: Vec<Emitted>,
}

impl Pace {
    pub(crate) fn new(scenario: &Scenario, seed: u64, speed: Speed) -> Self {
        let readings = Simulation::run(scenario, seed).readings;
        eprintln!(
            "{}: {} readings over {} h.",
            scenario.name,
            readings.len(),
            scenario.lasts_h
        );
        Self {
            speed,
            began: Instant::now(),
            scenario: scenario.clone(),
            readings,
        }
    }

    /// How long to wait until the reading is due.
    pub(crate) fn wait(&self, reading: &Emitted) -> Duration {
        let Speed::Times(times) = self.speed else {
            return Duration::ZERO;
        };
        let simulated = reading
            .arrival
            .duration_since(self.scenario.bottled_at)
            .as_secs_f64();
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
