//! Listening to a serial port.

use std::{
    io::{ErrorKind, Read},
    sync::PoisonError,
    time::Duration,
};

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use super::{Shared, heard::Way};
use crate::{
    config::Port,
    decode::Calibrations,
    serial::{Cut, Cutter, Speech},
};

const READ_TIMEOUT: Duration = Duration::from_millis(300);

/// A port to listen to.
#[derive(Debug)]
pub(super) enum Ear {
    /// Its lines are mapped.
    Known(Port),
    /// Nobody knows what it says.
    Unknown { name: String, baud: u32 },
}

pub(super) fn hear(ear: &Ear, calibrations: &Calibrations, shared: &Shared, stop: &CancellationToken) {
    let (name, baud) = match ear {
        Ear::Known(port) => (&port.name, port.baud),
        Ear::Unknown { name, baud } => (name, *baud),
    };
    let way: Way = (name.clone(), String::new());
    let heard = || shared.lock().unwrap_or_else(PoisonError::into_inner);
    let mut port = match serialport::new(name, baud).timeout(READ_TIMEOUT).open() {
        Ok(port) => port,
        Err(error) => {
            let why = format!(
                "cannot be opened: {error}; a running `fobwatch watch` may hold it, or its name may be wrong"
            );
            heard().trouble(name, why);
            return;
        }
    };
    // Whatever was cut by the opening is no line.
    let mut cutter = Cutter::new(Cut::FromTheFirstLineEnd);
    let mut speech = Speech::default();
    let mut bytes = [0; 1024];
    let mut any = false;
    while !stop.is_cancelled() {
        let count = match port.read(&mut bytes) {
            Ok(0) => 0,
            Ok(count) => count,
            Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => continue,
            Err(error) => {
                heard().trouble(name, format!("was lost: {error}"));
                return;
            }
        };
        if count == 0 {
            heard().trouble(name, "was lost: its plug may have been pulled".to_owned());
            return;
        }
        any = true;
        if speech.hears(&bytes[..count]) {
            heard().trouble(name, Speech::sentence(baud));
        }
        for line in cutter.push(&bytes[..count]).into_iter().flatten() {
            let decoded = match ear {
                Ear::Known(port) => Some(port.decode(&line, Timestamp::now(), calibrations)),
                Ear::Unknown { .. } => None,
            };
            if decoded
                .as_ref()
                .is_some_and(|decoded| !decoded.readings.is_empty())
            {
                speech.understood();
            }
            heard().take(&way, &line, decoded, 0);
        }
    }
    if !any {
        heard().trouble(name, "is open, and nothing came from it".to_owned());
    }
}
