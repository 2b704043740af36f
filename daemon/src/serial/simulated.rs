//! What the daemon makes of a port's bytes, without a port, for the simulation of faults.

use std::sync::Arc;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use super::{Opened, Taken, Worker, backlog::Backlog};
use crate::{
    config::Port,
    decode::Calibrations,
    incoming::{Inbox, Meter},
};

/// The reader of one port.
pub(crate) struct Plug {
    worker: Worker,
    backlog: Backlog,
    opened: Opened,
}

impl Plug {
    pub(crate) fn new(port: &Port, calibrations: &Calibrations, inbox: Inbox) -> Self {
        Self {
            backlog: Backlog::new(&port.name),
            opened: Opened::new(port),
            worker: Worker {
                port: port.clone(),
                calibrations: Arc::new(calibrations.clone()),
                inbox,
                stop: CancellationToken::new(),
                meter: Arc::new(Meter::new("a simulated port")),
            },
        }
    }

    /// The plug was pulled out and put in again.
    pub(crate) fn replug(&mut self) {
        self.opened = Opened::new(&self.worker.port);
    }

    /// Bytes as they come; false: nobody takes readings any more.
    pub(crate) fn hear(&mut self, bytes: &[u8], now: Timestamp) -> bool {
        self.worker
            .hear(&mut self.opened, bytes, || now, &mut self.backlog)
            != Taken::NobodyLeft
    }

    /// When the last line arrived, as its readings are dated.
    pub(crate) fn last(&self) -> Timestamp {
        self.opened.last
    }

    /// Hands on what waits; false: nobody takes it any more.
    pub(crate) fn hand_on(&mut self) -> bool {
        self.backlog.hand_on(&self.worker.inbox).is_ok()
    }
}
