//! Bottles that are reckoned apart from those beside the sensors.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::fit::Evidence;

use super::Fitted;

/// Bottles that stand elsewhere than the sensors, or may.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Others {
    pub(super) evidence: Arc<Evidence>,
    pub(super) news: bool,
    pub(super) fitted: Option<Fitted>,
    pub(super) count: u32,
    pub(super) why: Apart,
}

/// Why some bottles are reckoned apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Apart {
    /// A note says that they stayed in the room, or came back to it.
    Stayed,
    /// All were noted as moved, but no cooling was seen: they may all stand in the room, the sensors too.
    Unconfirmed,
}

impl Others {
    pub(super) fn new(evidence: Arc<Evidence>, count: u32, why: Apart) -> Self {
        Self {
            evidence,
            news: true,
            fitted: None,
            count,
            why,
        }
    }
}
