//! Who answers what the engines ask.

use fobwatch_core::engine::{FitRequest, Fitted};
use jiff::Timestamp;

/// How questions of the engines are answered.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    pub(super) run: fn(&FitRequest) -> Fitted,
    /// Those as of earlier times stay open.
    pub(super) from: Timestamp,
}

impl Fit {
    pub(super) fn answer(self, request: &FitRequest) -> Option<Fitted> {
        (request.at >= self.from).then(|| (self.run)(request))
    }
}
