//! The fit: evidence in, posterior out; the posterior answers every question about the batch.
//!
//! Seam for the engine: it fills [`Evidence`] as readings, moves and openings arrive, asks [`fit`] on the grid of data
//! time, and reads [`Posterior::forecast`] and [`Posterior::outlook`].

use std::sync::Arc;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    batch::Batch,
    forecast::{Forecast, Outlook},
    quantity::{AbsolutePressure, GaugePressure, Gravity, Temperature},
};

/// Where the bottles are, or what was done to them, from a moment on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Handling {
    /// In the room.
    Room,
    /// In the fridge.
    Fridge,
    /// The sensor vessel was vented: its headspace fell to the surrounding air.
    Vented,
    /// The sensor vessel was opened: it no longer stands for the batch.
    Opened,
}

/// An observation that the engine lets the fit use, already routed, plausible and unique.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Observed {
    /// Gauge pressure of the sensor vessel.
    Gauge(GaugePressure),
    /// Pressure of the sensor vessel above vacuum.
    Absolute(AbsolutePressure),
    /// Pressure of the surrounding air.
    Ambient(AbsolutePressure),
    /// Temperature of the drink in the sensor vessel.
    Liquid(Temperature),
    /// Temperature of the room.
    Room(Temperature),
    /// Gravity in the gassy drink.
    Gravity(Gravity),
}

/// What is known besides the batch file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Surroundings {
    /// Usual pressure of the air at this place, from its altitude.
    pub usual_ambient: AbsolutePressure,
}

/// All that the fit may use, condensed as it arrives so that a live batch stays small.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    batch: Batch,
    surroundings: Surroundings,
}

/// The fit's answer: equally likely lives of the batch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Posterior {
    at: Timestamp,
}

impl Evidence {
    /// Nothing observed.
    #[must_use]
    pub fn new(batch: Batch, surroundings: Surroundings) -> Self {
        Self { batch, surroundings }
    }

    /// Takes one observation, measured at `at`. Late ones (older than what came before) are welcome.
    pub fn observe(&mut self, at: Timestamp, observed: Observed) {
        let _ = (at, observed);
    }

    /// From `at` on the sensor vessel is handled so.
    pub fn handle(&mut self, at: Timestamp, handling: Handling) {
        let _ = (at, handling);
    }

    /// Gauge readings measured from `from` until before `until` (`None`: from there on) do not count.
    /// Called again with the same `from`, the later call stands.
    pub fn doubt_gauge(&mut self, from: Timestamp, until: Option<Timestamp>) {
        let _ = (from, until);
    }

    /// The batch.
    #[must_use]
    pub fn batch(&self) -> &Batch {
        &self.batch
    }

    /// The place.
    #[must_use]
    pub fn surroundings(&self) -> &Surroundings {
        &self.surroundings
    }
}

/// Fits the evidence as of `at`. Pure; `warm` is the answer of the grid point before, or `None`.
#[must_use]
pub fn fit(evidence: &Evidence, at: Timestamp, warm: Option<&Arc<Posterior>>) -> Posterior {
    let _ = (evidence, warm);
    Posterior { at }
}

impl Posterior {
    /// As of when it was fitted.
    #[must_use]
    pub fn at(&self) -> Timestamp {
        self.at
    }
}

/// What [`Posterior`] owes; replaced by inherent methods.
pub trait Answers {
    /// The forecast as of `at`, not before the fit.
    fn forecast(&self, evidence: &Evidence, at: Timestamp) -> Forecast;
    /// What the alert rules ask, as of `at`.
    fn outlook(&self, evidence: &Evidence, at: Timestamp) -> Outlook;
}
