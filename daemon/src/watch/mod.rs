//! The loops of the daemon: store, acknowledge, think, deliver.
//!
//! [`intake`] gives everything its place in the one order of the store; the [`router`] hands it to the batches that it concerns, and a [`crew`] of
//! threads gives the [`worker`] of each its turns; [`crate::deliver`] carries alerts out; [`crate::http`] shows and asks.

mod beat;
mod claims;
mod clock;
mod concerns;
mod crew;
mod crowd;
mod failure;
mod fit;
#[cfg(any(test, fuzzing))]
pub(crate) mod fixture;
pub(crate) mod folder;
mod gone_over;
mod house;
mod intake;
mod learned;
mod left;
mod live;
mod log;
pub(crate) mod peers;
mod post;
mod revive;
mod router;
mod server;
#[cfg(any(test, feature = "faults"))]
pub(crate) mod simulated;
mod taught;
#[cfg(test)]
pub(crate) mod tests;
mod thinning;
mod totals;
mod turn;
mod unstored;
mod worker;
mod workers;

pub(crate) use claims::Claims;
pub(crate) use clock::whole_microseconds;
pub use clock::{Clock, WallClock};
pub use failure::Failure;
pub use folder::data_folder;
pub(crate) use house::{Door, House, Request};
pub(crate) use intake::Intake;
pub(crate) use left::{Left, left};
pub(crate) use live::{Live, Standing};
pub(crate) use peers::Missed;
pub(crate) use server::ServerState;
#[cfg(any(test, feature = "faults"))]
pub(crate) use simulated::Step;
pub(crate) use taught::calibrated;
pub(crate) use thinning::Thinning;
pub use unstored::Trouble;
pub(crate) use workers::Workers;
