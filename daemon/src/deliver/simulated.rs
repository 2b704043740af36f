//! The other side of a channel in the simulation of faults, and a carrier that is led by the hand.

use std::{fmt, sync::Arc};

use super::{Channel, Letter, Undelivered, carrier::Carrier, letter::About};
use crate::{
    store::{Destination, StoreError},
    watch::House,
};

/// Who takes letters, or does not.
pub(crate) trait OtherSide: fmt::Debug + Send + Sync {
    /// A letter arrives.
    fn takes(&self, letter: &Letter) -> Result<(), Undelivered>;
}

/// One destination's carrier.
pub(crate) struct Postman {
    carrier: Carrier,
    news: tokio::sync::watch::Receiver<u64>,
}

impl Postman {
    pub(crate) fn new(house: &Arc<House>, destination: Destination, other: Arc<dyn OtherSide>) -> Self {
        Self {
            news: house.alerts.subscribe(),
            carrier: Carrier::new(Arc::clone(house), destination, Channel::Simulated(other)),
        }
    }

    /// Carries what may go; `at_once`: also what only waits because it failed.
    pub(crate) async fn carry(&mut self, at_once: bool) -> Result<(), StoreError> {
        self.news.mark_unchanged();
        self.carrier.carry_all(at_once, &self.news).await?;
        Ok(())
    }

    /// Rows that were delivered and are not marked so.
    pub(crate) fn unmarked(&self) -> usize {
        self.carrier.unmarked()
    }
}

impl Letter {
    /// It tells an alert again that was told before.
    pub(crate) fn is_reminder(&self) -> bool {
        matches!(self.about, About::Again(_))
    }
}
