//! Readings from serial lines: one blocking thread a port.
//!
//! A port that fails in any way but a timeout is closed and opened again with back-off, so a pulled plug that comes back
//! is found under its name. Bytes that are no line of ours are told and skipped.

mod backlog;
mod line;
#[cfg(any(test, feature = "faults"))]
pub(crate) mod simulated;
mod speech;

use std::{
    io::{self, ErrorKind, Read},
    sync::Arc,
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use jiff::{SignedDuration, Timestamp};
use tokio_util::sync::CancellationToken;
use tracing::info;

use crate::{
    config::{LineFormat, Port},
    decode::{BadRow, Calibrations, MAX_LINE, Place, Wrong},
    incoming::{Backoff, Inbox, Incoming, Mends, Meter},
};
use backlog::Backlog;
pub(crate) use line::{Cut, Cutter};
pub(crate) use speech::Speech;

/// How long one read may wait; also how soon a stop is noticed.
const READ_TIMEOUT: Duration = Duration::from_millis(300);

/// Least time between two lines without a time of their own.
const TOLD_APART: SignedDuration = SignedDuration::from_millis(1);

/// More than lines that came in one read reach ahead of the clock: the clock was set back.
const SET_BACK: SignedDuration = SignedDuration::from_secs(5);

/// A port that is being read.
#[derive(Debug)]
pub struct Line {
    /// Its counts.
    pub meter: Arc<Meter>,
    /// Its thread; it ends within a second of the stop, or when the inbox is closed.
    pub thread: JoinHandle<()>,
}

/// Why reading ended.
enum End {
    Stopped,
    Failed(io::Error),
}

/// Begins to read a port; whether it can be opened shows in the meter.
///
/// While the inbox is full, as when the disk is, lines wait in memory (4,096 of them); when that is full too, the
/// oldest are dropped, and the log tells how many.
///
/// # Errors
/// The system gives no thread.
pub fn start(
    port: Port,
    calibrations: Arc<Calibrations>,
    inbox: Inbox,
    stop: CancellationToken,
) -> io::Result<Line> {
    let meter = Arc::new(Meter::new(&format!("serial {}", port.name)));
    let worker = Worker {
        port,
        calibrations,
        inbox,
        stop,
        meter: Arc::clone(&meter),
    };
    let thread = thread::Builder::new()
        .name("serial".to_owned())
        .spawn(move || worker.run())?;
    Ok(Line { meter, thread })
}

/// What stands for a fault of this program, in tests.
#[cfg(test)]
pub(crate) const FAULT: &[u8] = b"fault";

/// What became of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Taken {
    Readings,
    Nothing,
    NobodyLeft,
}

/// What is known of a port since it was opened.
struct Opened {
    cutter: Cutter,
    last: Timestamp,
    speech: Speech,
}

impl Opened {
    fn new(port: &Port) -> Self {
        Self {
            cutter: Cutter::new(match port.format {
                LineFormat::Senml => Cut::FromTheFirstByte,
                // The tail of a line cut by the opening could pass for a line of smaller numbers.
                LineFormat::Delimited(_) => Cut::FromTheFirstLineEnd,
            }),
            last: Timestamp::MIN,
            speech: Speech::default(),
        }
    }
}

struct Worker {
    port: Port,
    calibrations: Arc<Calibrations>,
    inbox: Inbox,
    stop: CancellationToken,
    meter: Arc<Meter>,
}

impl Worker {
    fn run(self) {
        let mut backoff = Backoff::default();
        let mut backlog = Backlog::new(&self.port.name);
        loop {
            let began = Instant::now();
            let opened = serialport::new(&self.port.name, self.port.baud)
                .timeout(READ_TIMEOUT)
                .open();
            let mut lasted = Duration::ZERO;
            match opened {
                Err(error) => {
                    let mends = match error.kind() {
                        serialport::ErrorKind::Io(ErrorKind::PermissionDenied)
                        | serialport::ErrorKind::InvalidInput => Mends::ByAPerson,
                        _ => Mends::ByItself,
                    };
                    self.meter.down("open", &error.to_string(), mends);
                }
                Ok(mut port) => {
                    self.meter.up();
                    let before = self.meter.readings();
                    match self.listen(&mut port, &mut backlog) {
                        End::Stopped => return,
                        End::Failed(error) => self.meter.down("read", &error.to_string(), Mends::ByItself),
                    }
                    lasted = began.elapsed();
                    if self.meter.readings() > before {
                        backoff.was_good();
                    }
                }
            }
            if self.pause(backoff.after(lasted), &mut backlog) {
                return;
            }
        }
    }

    fn listen(&self, port: &mut impl Read, backlog: &mut Backlog) -> End {
        let mut opened = Opened::new(&self.port);
        let mut bytes = [0; 1024];
        loop {
            if self.stop.is_cancelled() || self.inbox.is_closed() {
                return End::Stopped;
            }
            if backlog.hand_on(&self.inbox).is_err() {
                return End::Stopped;
            }
            let count = match port.read(&mut bytes) {
                // Some drivers answer so for ever once the plug is out.
                Ok(0) => {
                    return End::Failed(io::Error::new(
                        ErrorKind::UnexpectedEof,
                        "the port has no end left",
                    ));
                }
                Ok(count) => count,
                Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                    continue;
                }
                Err(error) => return End::Failed(error),
            };
            if self.hear(&mut opened, &bytes[..count], Timestamp::now, backlog) == Taken::NobodyLeft {
                return End::Stopped;
            }
        }
    }

    /// Hands the readings of these bytes on; whether there were some.
    fn hear(
        &self,
        opened: &mut Opened,
        bytes: &[u8],
        now: impl Fn() -> Timestamp,
        backlog: &mut Backlog,
    ) -> Taken {
        if opened.speech.hears(bytes) {
            self.meter.garbled(&Speech::sentence(self.port.baud));
        }
        let mut taken = Taken::Nothing;
        for line in opened.cutter.push(bytes) {
            let Some(line) = line else {
                self.meter.refused(
                    &self.port.name,
                    &BadRow {
                        place: Place::Message,
                        wrong: Wrong::TooLong { most: MAX_LINE },
                    },
                );
                continue;
            };
            // Lines that come in one read are told apart: the same time and quantity would be one reading.
            opened.last = told_apart(now(), opened.last);
            match self.take(&line, opened.last, backlog) {
                Taken::Readings => {
                    opened.speech.understood();
                    self.meter.clear();
                    taken = Taken::Readings;
                }
                Taken::Nothing => {}
                Taken::NobodyLeft => return Taken::NobodyLeft,
            }
        }
        taken
    }

    /// Hands the readings of a line on.
    fn take(&self, line: &[u8], arrival: Timestamp, backlog: &mut Backlog) -> Taken {
        #[cfg(test)]
        assert!(line != FAULT, "a fault of ours");
        let decoded = self.port.decode(line, arrival, &self.calibrations);
        self.meter.took(decoded.readings.len());
        for bad in &decoded.refused {
            self.meter.refused(&self.port.name, bad);
        }
        if decoded.readings.is_empty() {
            return Taken::Nothing;
        }
        let message = Incoming {
            kind: crate::incoming::Kind::Serial,
            readings: decoded.readings,
            received_at: arrival,
            ack: None,
        };
        if backlog.push(message, &self.inbox).is_err() {
            info!(port = %self.port.name, "The inbox is closed; this port is no longer read.");
            return Taken::NobodyLeft;
        }
        Taken::Readings
    }

    /// Waits; true: it is time to stop.
    fn pause(&self, wait: Duration, backlog: &mut Backlog) -> bool {
        let until = Instant::now() + wait;
        while Instant::now() < until {
            if self.stop.is_cancelled() || backlog.hand_on(&self.inbox).is_err() {
                return true;
            }
            thread::sleep(READ_TIMEOUT.min(until.saturating_duration_since(Instant::now())));
        }
        self.stop.is_cancelled()
    }
}

/// When a line arrived that came behind another. A clock that was set back is believed: going on from the later time, all lines
/// until it is reached again would seem to have come within moments.
fn told_apart(now: Timestamp, last: Timestamp) -> Timestamp {
    let next = last.saturating_add(TOLD_APART).unwrap_or(last);
    if next.duration_since(now) > SET_BACK {
        return now;
    }
    now.max(next)
}

#[cfg(test)]
mod tests;
