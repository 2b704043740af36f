//! Ports on pseudo-terminals.

use std::io::Write;

use fobwatch_core::reading::Reading;
use serialport::{SerialPort, TTYPort};
use tokio::sync::mpsc;

use super::*;
use crate::incoming;

struct Bench {
    wire: TTYPort,
    inbox: mpsc::Receiver<Incoming>,
    line: Line,
    stop: CancellationToken,
}

fn begin(format: LineFormat) -> Bench {
    let (wire, far) = TTYPort::pair().unwrap();
    let port = Port {
        name: far.name().unwrap(),
        baud: 115_200,
        format,
    };
    drop(far); // it holds the name for itself
    let (sender, inbox) = incoming::channel();
    let stop = CancellationToken::new();
    let line = start(port, Arc::default(), sender, stop.clone()).unwrap();
    until_open(&line, 0);
    Bench {
        wire,
        inbox,
        line,
        stop,
    }
}

/// Opening a port throws away what it held, so a test speaks once it is open.
fn until_open(line: &Line, interruptions: u64) {
    loop {
        let state = line.meter.state();
        if state.up == Some(true) && state.interruptions.values().sum::<u64>() >= interruptions {
            return;
        }
        thread::yield_now();
    }
}

impl Bench {
    fn send(&mut self, bytes: &[u8]) {
        self.wire.write_all(bytes).unwrap();
        self.wire.flush().unwrap();
    }

    fn next(&mut self) -> Reading {
        let mut message = self.inbox.blocking_recv().unwrap();
        assert_eq!(message.readings.len(), 1);
        message.readings.remove(0)
    }

    fn end(self) {
        self.stop.cancel();
        self.line.thread.join().unwrap();
    }
}

fn bar(reading: &Reading) -> f64 {
    (reading.measured.stored_value() / 1.0e5 * 1e6).round() / 1e6
}

#[test]
fn lines_that_come_in_one_read_are_told_apart() {
    let mut bench = begin(LineFormat::Senml);
    let line = b"[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1.25}]\n";
    bench.send(&line.repeat(3));
    let times = [bench.next().at, bench.next().at, bench.next().at];
    assert!(times.is_sorted_by(|a, b| a < b), "{times:?}");
    bench.end();
}

#[test]
fn noise_is_told_and_skipped_and_the_lines_around_it_arrive() {
    let mut bench = begin(LineFormat::Senml);
    bench.send(b"ull}]\n[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1.25}]\n");
    assert!((bar(&bench.next()) - 1.25).abs() < 1e-9);
    bench.send(b"\xff\x00\xfe\r\n[{\"n\":\"pilot/pressure\",\"u\":\"furlong\",\"v\":1}]\n");
    bench.send(b"[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1.5,\"t\":1772434800}]\n");
    let reading = bench.next();
    assert!((bar(&reading) - 1.5).abs() < 1e-9);
    assert_eq!(reading.at.to_string(), "2026-03-02T07:00:00Z");
    let state = bench.line.meter.state();
    assert_eq!(state.up, Some(true));
    assert_eq!(state.readings, 2);
    assert_eq!(state.refused.get("unknown_unit"), Some(&1), "{state:?}");
    assert_eq!(state.refused.get("not_json"), Some(&2), "{state:?}");
    bench.end();
}

#[test]
fn a_wrong_speed_is_told_as_such_until_lines_are_understood() {
    let mut bench = begin(LineFormat::Senml);
    // What 115200 bits per second look like at another speed: bits in wrong places.
    let garbage: Vec<u8> = (0..400_u32)
        .map(|i| u8::try_from(i * 37 % 256).unwrap())
        .collect();
    bench.send(&garbage);
    let complaint = loop {
        if let Some(complaint) = bench.line.meter.state().complaint {
            break complaint;
        }
        thread::yield_now();
    };
    assert!(complaint.contains("115200 bits per second"), "{complaint}");
    assert_eq!(bench.line.meter.state().up, Some(true));
    bench.send(b"\n[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1.25}]\n");
    assert!((bar(&bench.next()) - 1.25).abs() < 1e-9);
    while bench.line.meter.state().complaint.is_some() {
        thread::yield_now();
    }
    bench.end();
}

#[test]
fn delimited_lines_are_mapped() {
    use crate::decode::{
        delimited::{Delimiter, Mapping},
        mapped::Channel,
    };
    use fobwatch_core::{
        quantity::Unit,
        reading::{Quantity, Source},
    };
    let channel = Channel {
        source: Source::new("pilot").unwrap(),
        quantity: Quantity::Pressure,
        unit: Unit::Bar,
    };
    let mut bench = begin(LineFormat::Delimited(Mapping {
        delimiter: Delimiter::Character(';'),
        time: None,
        columns: vec![(2, channel)],
    }));
    bench.send(b"5;0.5\nx;2.5\n");
    assert!((bar(&bench.next()) - 2.5).abs() < 1e-9);
    bench.end();
}

#[test]
fn a_pulled_plug_is_noticed_and_the_port_is_found_again_under_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("by-id");
    let (mut wire, far) = TTYPort::pair().unwrap();
    std::os::unix::fs::symlink(far.name().unwrap(), &name).unwrap();
    drop(far);
    let port = Port {
        name: name.display().to_string(),
        baud: 9_600,
        format: LineFormat::Senml,
    };
    let (sender, mut inbox) = incoming::channel();
    let stop = CancellationToken::new();
    let line = start(port, Arc::default(), sender, stop.clone()).unwrap();
    until_open(&line, 0);
    wire.write_all(b"[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":1}]\n")
        .unwrap();
    assert!(inbox.blocking_recv().is_some());

    // The far end of a new pair takes the name; the old pair goes away as an unplugged adapter does.
    let (mut again, far) = TTYPort::pair().unwrap();
    std::fs::remove_file(&name).unwrap();
    std::os::unix::fs::symlink(far.name().unwrap(), &name).unwrap();
    drop(far);
    drop(wire);
    until_open(&line, 1);
    again
        .write_all(b"[{\"n\":\"pilot/pressure\",\"u\":\"bar\",\"v\":2}]\n")
        .unwrap();
    let message = inbox.blocking_recv().unwrap();
    assert!((bar(&message.readings[0]) - 2.0).abs() < 1e-9);
    let state = line.meter.state();
    assert_eq!(state.interruptions.values().sum::<u64>(), 1, "{state:?}");
    stop.cancel();
    line.thread.join().unwrap();
}

/// Gives its steps one read at a time, then the end that an unplugged adapter gives.
struct Scripted(std::vec::IntoIter<io::Result<&'static [u8]>>);

impl Read for Scripted {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self.0.next() {
            Some(Ok(part)) => {
                bytes[..part.len()].copy_from_slice(part);
                Ok(part.len())
            }
            Some(Err(error)) => Err(error),
            None => Ok(0),
        }
    }
}

#[test]
fn half_a_line_survives_a_silence_and_an_endless_nothing_is_an_end() {
    let (inbox, mut received) = incoming::channel();
    let worker = Worker {
        port: Port {
            name: "scripted".to_owned(),
            baud: 9_600,
            format: LineFormat::Senml,
        },
        calibrations: Arc::default(),
        inbox,
        stop: CancellationToken::new(),
        meter: Arc::new(Meter::new("scripted")),
    };
    let mut port = Scripted(
        vec![
            Ok(&b"[{\"n\":\"pilot/pres"[..]),
            Err(ErrorKind::TimedOut.into()),
            Err(ErrorKind::Interrupted.into()),
            Err(ErrorKind::TimedOut.into()),
            Ok(&b"sure\",\"u\":\"bar\",\"v\":1.5}]\n"[..]),
        ]
        .into_iter(),
    );
    assert!(matches!(
        worker.listen(&mut port, &mut Backlog::new("pilot")),
        End::Failed(_)
    ));
    let message = received.try_recv().unwrap();
    assert!((bar(&message.readings[0]) - 1.5).abs() < 1e-9);
}

#[test]
fn a_clock_that_is_set_back_is_believed_and_lines_of_one_read_are_told_apart() {
    let at = |text: &str| text.parse::<Timestamp>().unwrap();
    let last = at("2026-03-02T07:00:00Z");
    assert_eq!(told_apart(last, last), at("2026-03-02T07:00:00.001Z"));
    let later = at("2026-03-02T07:00:05Z");
    assert_eq!(told_apart(later, last), later);
    let set_back = at("2026-03-02T06:00:00Z");
    assert_eq!(told_apart(set_back, last), set_back);
    assert_eq!(told_apart(last, Timestamp::MIN), last);
}
