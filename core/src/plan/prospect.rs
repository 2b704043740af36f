//! A batch of which nothing was measured yet, in a room of one temperature: what is expected of it at any moment.

use jiff::Timestamp;

use crate::{
    batch::Batch,
    culture::Lesson,
    fit::{Evidence, Posterior, Surroundings, fit},
    forecast::{Forecast, Outlook},
    quantity::Temperature,
};

/// The engine with no rows: the same evidence and posterior as in `watch`, before the first reading.
#[derive(Clone, Debug)]
pub struct Prospect {
    evidence: Evidence,
    posterior: Posterior,
}

impl Prospect {
    /// Of a batch that stands in a room of `room`; `lessons`: what earlier batches taught of its culture.
    #[must_use]
    pub fn new(batch: &Batch, lessons: &[Lesson], room: Temperature, surroundings: &Surroundings) -> Self {
        let batch = Batch {
            expected_room: Some(room),
            ..batch.clone()
        };
        let sealed = batch.bottled_at;
        let evidence = Evidence::new(batch, surroundings.clone()).with_history(lessons);
        let posterior = fit(&evidence, sealed, None);
        Self { evidence, posterior }
    }

    /// The forecast as of the sealing.
    #[must_use]
    pub fn forecast(&self) -> Forecast {
        self.as_of(self.evidence.batch().bottled_at).0
    }

    /// What will be said at `at` if nothing is measured until then and nobody moves the bottles; not before the sealing.
    #[must_use]
    pub fn as_of(&self, at: Timestamp) -> (Forecast, Outlook) {
        self.posterior
            .answers(&self.evidence, at.max(self.evidence.batch().bottled_at))
    }
}
