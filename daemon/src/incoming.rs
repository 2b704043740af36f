//! What every input hands to the watch loop, and what it tells about itself.

mod backoff;
mod cause;
mod counted;
mod meter;

use fobwatch_core::reading::Reading;
use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot};

pub use backoff::{Backoff, wait};
pub(crate) use cause::cause;
pub(crate) use counted::Counted;
pub use counted::Kind;
pub(crate) use meter::Mends;
pub use meter::{Meter, MeterState};

/// How many messages may wait between the inputs and the watch loop. When it is full the inputs wait: a serial port
/// leaves its bytes to the operating system, a broker keeps what was not acknowledged.
pub const QUEUE: usize = 256;

/// What an input says while it begins again.
pub(crate) const STUMBLED: &str = "fobwatch stumbled over a fault of its own";

/// Where the inputs put what they heard; made with [`channel`].
pub type Inbox = mpsc::Sender<Incoming>;

/// Readings that arrived together. The watch loop stores them, then calls [`Incoming::stored`], then drives the
/// engines. Dropping it without that tells the input that nothing was stored: a broker will send it again.
///
/// Each store transaction ends on the disk, so take all that wait at once (`recv_many`) and store them together.
#[derive(Debug)]
pub struct Incoming {
    /// What they came over.
    pub kind: Kind,
    /// The readings, in the order in which they arrived; 1 or more.
    pub readings: Vec<Reading>,
    /// When they arrived, by the wall clock.
    pub received_at: Timestamp,
    /// Told once the readings are durable, where the input waits for it.
    pub ack: Option<oneshot::Sender<()>>,
}

/// The queue between the inputs and the watch loop.
#[must_use]
pub fn channel() -> (Inbox, mpsc::Receiver<Incoming>) {
    mpsc::channel(QUEUE)
}

impl Incoming {
    /// Tells the input that its readings are durable. An input that has gone away meanwhile needs no telling.
    pub fn stored(&mut self) {
        if let Some(ack) = self.ack.take() {
            ack.send(()).ok();
        }
    }
}
