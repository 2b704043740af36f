mod by_readings;
mod claims;
mod corrected;
mod taken_back;

use std::{
    sync::{
        Arc, Condvar, Mutex,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition},
    batch::Batch,
    engine::{FitRequest, Fitted, SetAsideReason},
    forecast::Forecast,
    note::{Note, NoteKind},
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

pub(crate) use super::fixture::{StoppedClock, batch_text, house, house_by, start, watch_loop};
use super::{
    House, Request,
    intake::Intake,
    worker,
    workers::{Fit, Workers},
};
use crate::{
    config::{Access, Config},
    incoming::{self, Incoming},
    running::{Setup, listen, serve},
    store::{BatchId, Outcome, Sequence, Store, StoredWhat},
};

/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) fn reading(minutes: i64, quantity: Quantity, value: f64, unit: Unit) -> Reading {
    Reading {
        at: start() + SignedDuration::from_mins(minutes),
        source: Source::new("pilot").unwrap(),
        measured: Measured::new(quantity, value, unit).unwrap(),
    }
}

/// With so many lines under `[sensors]`.
pub(crate) fn batch_with(name: &str, sensors: &str) -> Batch {
    let text = format!("{}\n[sensors]\n{sensors}", batch_text(name));
    Batch::from_toml(&text, name).unwrap().0
}

fn batch(name: &str) -> Batch {
    Batch::from_toml(&batch_text(name), "test").unwrap().0
}

/// Twelve hours: the gauge climbs through the limit, and is silent for two hours on the way.
fn hours() -> Vec<(i64, Vec<Reading>)> {
    (0..144)
        .map(|step| step * 5)
        .map(|minutes| {
            let heard = !(180..300).contains(&minutes);
            let hours = f64::from(i32::try_from(minutes).unwrap()) / 60.0;
            let readings = vec![
                reading(minutes, Quantity::Pressure, 0.15 * hours, Unit::Bar),
                reading(minutes, Quantity::LiquidTemperature, 21.0, Unit::Celsius),
            ];
            (minutes, if heard { readings } else { Vec::new() })
        })
        .collect()
}

async fn feed(store: &Store, hours: &[(i64, Vec<Reading>)]) {
    let hours = hours.to_vec();
    store
        .write(move |writer| {
            for (minutes, readings) in &hours {
                let at = start() + SignedDuration::from_mins(*minutes);
                writer.append_clock(at)?;
                writer.append_readings(readings, at)?;
            }
            Ok(())
        })
        .await
        .unwrap();
}

async fn add(store: &Store, name: &str) -> BatchId {
    let (batch, text) = (batch(name), batch_text(name));
    store
        .write(move |writer| writer.add_batch(&batch, &text, start()))
        .await
        .unwrap()
}

/// Runs the workers over all that is stored, and stops them in order.
async fn run_through(store: &Store, batches: &[(BatchId, &str)], fit: fn(&FitRequest) -> Fitted) {
    let (house, _requests) = house(store).await;
    let mut workers = Workers::with_fit(Fit {
        run: fit,
        from: Timestamp::MIN,
    });
    for (id, name) in batches {
        workers.begin(&house, batch(name), *id).await.unwrap();
    }
    let last = *house.latest.borrow();
    for live in house.all() {
        timeout(PATIENCE, live.reaches(last)).await.unwrap();
    }
    workers.finish().await;
}

async fn left(store: &Store, id: BatchId) -> (Vec<AlertRecord>, Vec<Forecast>) {
    store
        .read(move |reader| Ok((reader.alerts(id)?, reader.forecasts(id)?)))
        .await
        .unwrap()
}

fn raised(alerts: &[AlertRecord], name: AlertName) -> usize {
    alerts
        .iter()
        .filter(|alert| alert.alert == name && alert.state == Transition::Raised)
        .count()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restart_leaves_the_same_alerts_and_forecasts_as_none() {
    let hours = hours();
    let (whole, parted) = (TempDir::new().unwrap(), TempDir::new().unwrap());

    let store = Store::open(whole.path()).unwrap();
    let id = add(&store, "hibiscus 12").await;
    feed(&store, &hours).await;
    run_through(&store, &[(id, "hibiscus 12")], FitRequest::run).await;
    let expected = left(&store, id).await;
    assert_eq!(raised(&expected.0, AlertName::OverLimit), 1, "{:#?}", expected.0);
    assert!(
        raised(&expected.0, AlertName::SensorSilent) >= 1,
        "{:#?}",
        expected.0
    );
    assert!(expected.1.len() >= 20, "{}", expected.1.len());

    let store = Store::open(parted.path()).unwrap();
    let id = add(&store, "hibiscus 12").await;
    let (first, rest) = hours.split_at(50);
    feed(&store, first).await;
    run_through(&store, &[(id, "hibiscus 12")], FitRequest::run).await;
    let early = store
        .read(move |reader| reader.snapshot(id))
        .await
        .unwrap()
        .unwrap();
    feed(&store, rest).await;
    run_through(&store, &[(id, "hibiscus 12")], FitRequest::run).await;
    assert_eq!(left(&store, id).await, expected);

    // As after a power cut: the last snapshot is an early one, and alerts of after it are stored already.
    let outcome = Outcome {
        batch: id,
        alerts: Vec::new(),
        reminders: Vec::new(),
        destinations: Vec::new(),
        now: start(),
        forecasts: Vec::new(),
        set_aside: Vec::new(),
        snapshot: Some(early),
    };
    store.write(move |writer| writer.record(&outcome)).await.unwrap();
    run_through(&store, &[(id, "hibiscus 12")], FitRequest::run).await;
    assert_eq!(left(&store, id).await, expected);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crash_before_the_first_event_was_taken_changes_no_beginning() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = add(&store, "plum 1").await;
    let (house, _requests) = house(&store).await;
    let begun = worker::revive(&house, batch("plum 1"), id).await.unwrap();
    feed(&store, &hours()).await;
    let again = worker::revive(&house, batch("plum 1"), id).await.unwrap();
    assert_eq!(again.1, begun.1);
    assert_eq!(again.0.snapshot(), begun.0.snapshot());
}

fn fails_on_plum(request: &FitRequest) -> Fitted {
    let late = request.at >= start() + SignedDuration::from_hours(2);
    assert!(
        !(late && request.evidence.batch().name.as_str() == "plum 1"),
        "made to fail"
    );
    request.run()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failing_engine_sets_its_batch_aside_and_the_event_is_not_tried_again() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let plum = add(&store, "plum 1").await;
    let hibiscus = add(&store, "hibiscus 12").await;
    let both = [(plum, "plum 1"), (hibiscus, "hibiscus 12")];
    feed(&store, &hours()).await;
    run_through(&store, &both, fails_on_plum).await;
    let of_engine = |alerts: &[AlertRecord]| {
        let whole = |alert: &&AlertRecord| alert.alert == AlertName::SensorSuspect && alert.source.is_none();
        alerts.iter().filter(whole).cloned().collect::<Vec<_>>()
    };
    let alerts = of_engine(&left(&store, plum).await.0);
    assert_eq!(alerts.len(), 1, "{alerts:#?}");
    assert!(alerts[0].message.contains("no longer watched"), "{alerts:#?}");
    assert_eq!(raised(&left(&store, hibiscus).await.0, AlertName::OverLimit), 1);
    assert_eq!(raised(&left(&store, plum).await.0, AlertName::OverLimit), 0);

    let behind = store
        .read(move |reader| reader.snapshot(plum))
        .await
        .unwrap()
        .unwrap()
        .sequence;
    run_through(&store, &both, FitRequest::run).await;
    run_through(&store, &both, FitRequest::run).await;
    let alerts = left(&store, plum).await.0;
    let told: Vec<Transition> = of_engine(&alerts).iter().map(|alert| alert.state).collect();
    assert_eq!(told, [Transition::Raised, Transition::Cleared], "{alerts:#?}");
    assert_eq!(raised(&alerts, AlertName::OverLimit), 1, "{alerts:#?}");
    assert!(behind > Sequence(0));
}

/// Fails once for each daemon that is started with it.
fn fails_once(request: &FitRequest) -> Fitted {
    static FAILED: AtomicBool = AtomicBool::new(false);
    let late = request.at >= start() + SignedDuration::from_hours(4);
    assert!(!late || FAILED.swap(true, Ordering::SeqCst), "made to fail");
    request.run()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_note_brings_a_batch_back_that_was_set_aside() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let plum = add(&store, "plum 1").await;
    feed(&store, &hours()).await;
    let (house, _requests) = house(&store).await;
    let mut workers = Workers::with_fit(Fit {
        run: fails_once,
        from: Timestamp::MIN,
    });
    workers.begin(&house, batch("plum 1"), plum).await.unwrap();
    let live = house.batch("plum-1").unwrap();
    timeout(PATIENCE, live.reaches(Sequence(i64::MAX))).await.unwrap();
    let why = live.standing().failed.unwrap();
    assert!(why.contains("write a note about it"), "{why}");
    assert!(!live.is_deaf());

    let note = Note {
        at: start() + SignedDuration::from_hours(12),
        kind: NoteKind::Other,
        bottles: None,
        value: None,
        unit: None,
        text: Some("looked through the window".to_owned()),
        takes_back: None,
    };
    let at = note.at;
    let place = store
        .write(move |writer| writer.append_note(plum, &note, at))
        .await
        .unwrap();
    house.latest.send_replace(place);
    let whole = |alert: &&AlertRecord| alert.alert == AlertName::SensorSuspect && alert.source.is_none();
    // The worker ends with what it has taken: all of it, since it is asked to stop only after the note was.
    let taken_up = async {
        while live.standing().failed.is_some() || live.is_behind(place) {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, taken_up).await.unwrap();
    workers.finish().await;
    let alerts = left(&store, plum).await.0;
    let told: Vec<Transition> = alerts.iter().filter(whole).map(|alert| alert.state).collect();
    assert_eq!(told, [Transition::Raised, Transition::Cleared], "{alerts:#?}");
    assert_eq!(raised(&alerts, AlertName::OverLimit), 1, "{alerts:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_acknowledged_is_in_the_store_after_a_stop() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let (inbox, incoming) = incoming::channel();
    let stop = CancellationToken::new();
    let daemon = tokio::spawn(serve(Setup {
        config: Config::defaults().unwrap(),
        store: store.clone(),
        listener: listen("127.0.0.1:0".parse().unwrap(), &Access::default()).unwrap(),
        batches: vec![(batch("plum 1"), batch_text("plum 1"))],
        clock: Arc::new(StoppedClock(start() + SignedDuration::from_hours(1))),
        demo: None,
        inbox: inbox.clone(),
        incoming,
        reloads: tokio::sync::mpsc::channel(1).1,
        stop: stop.clone(),
    }));
    let (ack, acknowledged) = tokio::sync::oneshot::channel();
    let sent = reading(10, Quantity::Pressure, 0.1, Unit::Bar);
    let message = Incoming {
        kind: crate::incoming::Kind::Demo,
        readings: vec![sent.clone(), sent.clone()],
        received_at: start(),
        ack: Some(ack),
    };
    inbox.send(message).await.unwrap();
    timeout(PATIENCE, acknowledged).await.unwrap().unwrap();
    stop.cancel();
    timeout(PATIENCE, daemon).await.unwrap().unwrap().unwrap();

    let store = Store::open(folder.path()).unwrap();
    let source = sent.source.clone();
    let until = start() + SignedDuration::from_hours(1);
    let kept = store
        .read(move |reader| reader.readings(&source, Quantity::Pressure, start(), until))
        .await
        .unwrap();
    assert_eq!(kept, [sent]);
    let batches = store.read(|reader| reader.batches()).await.unwrap();
    assert_eq!(batches.len(), 1);
}

/// Two gauges that their batches name, and a stranger; the rows of all arrive in turn.
fn three_gauges() -> Vec<(i64, Vec<Reading>)> {
    let of = |source: &str, minutes, bar| Reading {
        source: Source::new(source).unwrap(),
        ..reading(minutes, Quantity::Pressure, bar, Unit::Bar)
    };
    (0..24)
        .map(|step| step * 5)
        .map(|minutes| {
            // The plum's climbs through its limit.
            let bar = 0.02 * f64::from(i32::try_from(minutes).unwrap());
            let rows = vec![
                of("left", minutes, bar),
                of("right", minutes, 0.1),
                of("stranger", minutes, 3.0),
            ];
            (minutes, rows)
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_goes_to_the_batches_that_take_it_and_the_others_count_it_once() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let named =
        |name: &str, source: &str| format!("{}[sensors]\npressure = \"{source}\"\n", batch_text(name));
    let mut ids = Vec::new();
    for (name, source) in [("plum 1", "left"), ("pear and thyme 2", "right")] {
        let text = named(name, source);
        let batch = Batch::from_toml(&text, "test").unwrap().0;
        let add = store.write(move |writer| writer.add_batch(&batch, &text, start()));
        ids.push((add.await.unwrap(), name, source));
    }
    let rows = three_gauges();
    let mut last_seen = Vec::new();
    // The second daemon has rows from before its snapshots and after them.
    for part in rows.chunks(12) {
        feed(&store, part).await;
        let (house, _requests) = house(&store).await;
        let mut workers = Workers::new(Timestamp::MIN);
        let all = ids.iter().map(|(id, name, source)| {
            let batch = Batch::from_toml(&named(name, source), "test").unwrap().0;
            (*id, batch)
        });
        workers.begin_all(&house, all.collect()).await.unwrap();
        let last = *house.latest.borrow();
        last_seen.clear();
        for live in house.all() {
            timeout(PATIENCE, live.reaches(last)).await.unwrap();
            assert!(!live.is_behind(last));
            let aside = live.standing().monitor.view().set_aside;
            last_seen.push((live.batch.name.to_string(), aside));
        }
        workers.finish().await;
    }
    for (name, aside) in last_seen {
        let counts: Vec<(SetAsideReason, u64)> = aside.into_iter().collect();
        assert_eq!(counts, [(SetAsideReason::OtherSource, 48)], "{name}");
    }
    let over = async |id| raised(&left(&store, id).await.0, AlertName::OverLimit);
    assert_eq!(over(ids[0].0).await, 1);
    assert_eq!(over(ids[1].0).await, 0);
}

fn takes_its_time(request: &FitRequest) -> Fitted {
    if request.evidence.batch().name.as_str() == "plum 1" {
        let (open, bell) = &GATE;
        let open = open.lock().unwrap();
        drop(bell.wait_while(open, |open| !*open).unwrap());
    }
    request.run()
}

/// Open once the fit of the plums may end.
static GATE: (Mutex<bool>, Condvar) = (Mutex::new(false), Condvar::new());

#[tokio::test(flavor = "multi_thread")]
async fn a_slow_fit_of_one_batch_keeps_no_other_waiting() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let slow = add(&store, "plum 1").await;
    let quick = add(&store, "hibiscus 12").await;
    feed(&store, &hours()[..30]).await;
    let (house, _requests) = house(&store).await;
    let mut workers = Workers::with_fit(Fit {
        run: takes_its_time,
        from: Timestamp::MIN,
    });
    let both = vec![(slow, batch("plum 1")), (quick, batch("hibiscus 12"))];
    workers.begin_all(&house, both).await.unwrap();
    let last = *house.latest.borrow();
    let live = house.batch("hibiscus-12").unwrap();
    timeout(PATIENCE, live.reaches(last)).await.unwrap();
    assert!(house.batch("plum-1").unwrap().is_behind(last));
    let (open, bell) = &GATE;
    *open.lock().unwrap() = true;
    bell.notify_all();
    let live = house.batch("plum-1").unwrap();
    timeout(PATIENCE, live.reaches(last)).await.unwrap();
    workers.finish().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_trickles_in_waits_for_more_but_for_no_person_and_keeps_its_place() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = add(&store, "plum 1").await;
    let (house, requests) = house(&store).await;
    let (inbox, incoming) = incoming::channel();
    let stop = CancellationToken::new();
    let intake = Intake {
        house: Arc::clone(&house),
        workers: Workers::new(Timestamp::MIN),
        incoming,
        requests,
        stop: stop.clone(),
        gather: Duration::from_secs(100_000),
        told: None,
        asked: None,
        kept: None,
    };
    let watching = tokio::spawn(intake.run());
    #[expect(clippy::async_yields_async, reason = "when it is stored is waited for later")]
    let send = async |minutes| {
        let (ack, acknowledged) = tokio::sync::oneshot::channel();
        let message = Incoming {
            kind: incoming::Kind::Demo,
            readings: vec![reading(minutes, Quantity::Pressure, 0.1, Unit::Bar)],
            received_at: start(),
            ack: Some(ack),
        };
        inbox.send(message).await.unwrap();
        acknowledged
    };
    // The first after a while does not wait.
    timeout(PATIENCE, send(0).await).await.unwrap().unwrap();
    let second = send(1).await;
    let note = Note {
        at: start(),
        kind: NoteKind::Other,
        bottles: None,
        value: None,
        unit: None,
        text: Some("looked".to_owned()),
        takes_back: None,
    };
    // The intake has taken it before it is asked: its queue is empty.
    let taken = async {
        while inbox.capacity() < inbox.max_capacity() {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, taken).await.unwrap();
    let place = house.ask(Request::Note(id, note)).await.unwrap();
    timeout(PATIENCE, second).await.unwrap().unwrap();
    let events = store
        .read(|reader| reader.events_after(Sequence(0), 100))
        .await
        .unwrap();
    let before = events.iter().filter(|event| event.sequence < place);
    let readings = before.filter(|event| matches!(event.what, StoredWhat::Reading(_)));
    assert_eq!(readings.count(), 2);
    // So many wait for no more.
    let mut many = Vec::new();
    for minutes in 2..18 {
        many.push(send(minutes).await);
    }
    for acknowledged in many {
        timeout(PATIENCE, acknowledged).await.unwrap().unwrap();
    }
    stop.cancel();
    let workers = timeout(PATIENCE, watching).await.unwrap().unwrap().unwrap();
    workers.finish().await;
}

#[test]
fn only_this_machine_may_be_served() {
    let refused = listen("0.0.0.0:8740".parse().unwrap(), &Access::default()).unwrap_err();
    assert_eq!(refused.exit_code(), 2);
    assert!(refused.to_string().contains("127.0.0.1:8740"), "{refused}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_culture_is_known_from_its_ended_batches_and_what_ends_later_changes_no_prior() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let text = |name: &str, culture: &str, bottled_at: &str| {
        let text = batch_text(name).replace("2026-03-02T07:00:00Z", bottled_at);
        format!("culture = \"{culture}\"\n{text}")
    };
    let made = |text: &str| Batch::from_toml(text, "test").unwrap().0;
    let add = async |text: &str| {
        let (batch, text) = (made(text), text.to_owned());
        let add = store.write(move |writer| writer.add_batch(&batch, &text, start()));
        add.await.unwrap()
    };
    let end = async |name: &'static str| {
        let at = start() + SignedDuration::from_hours(12);
        store
            .write(move |writer| writer.end_batch(name, at))
            .await
            .unwrap()
    };
    let (before, other) = ("2026-03-02T07:00:00Z", "2026-03-02T19:00:00Z");
    add(&text("plum 1", "jar two", before)).await;
    feed(&store, &hours()).await;
    end("plum 1").await;
    let second = text("plum 2", "jar two", other);
    let id = add(&second).await;
    let (house, _requests) = house(&store).await;
    let (monitor, _) = worker::revive(&house, made(&second), id).await.unwrap();
    assert_eq!(monitor.earlier_batches(), 1);

    // A command without a daemon shows the batch as the daemon will begin it.
    let (shown, settings) = (id, house.settings.clone());
    let read = move |reader: &crate::store::Reader<'_>| {
        let stored = reader.batches()?.into_iter().find(|stored| stored.id == shown);
        Ok(super::left(
            reader,
            &stored.unwrap(),
            &settings,
            &crate::watch::Claims::of(reader)?,
            start(),
        )
        .map_err(|error| error.to_string()))
    };
    let alone = store.read(read).await.unwrap().unwrap();
    assert_eq!(alone.earlier_batches(), 1);

    // Another batch of the culture ends while this one stands: its prior is the one that it began with.
    add(&text("plum 0", "jar two", "2026-03-02T06:00:00Z")).await;
    end("plum 0").await;
    let (again, _) = worker::revive(&house, made(&second), id).await.unwrap();
    assert_eq!(again.snapshot(), monitor.snapshot());

    // No other culture, and none that was bottled later, or at the same time.
    for (name, culture, bottled_at) in [
        ("pear 1", "jar three", other),
        ("pear 2", "jar two", "2026-03-02T06:00:00Z"),
    ] {
        let text = text(name, culture, bottled_at);
        let id = add(&text).await;
        let (monitor, _) = worker::revive(&house, made(&text), id).await.unwrap();
        assert_eq!(monitor.earlier_batches(), 0, "{name}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn where_readings_are_the_clock_no_arrival_moves_it() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = add(&store, "plum 1").await;
    let arrival = start() + SignedDuration::from_hours(12);
    store
        .write(move |writer| {
            let at_one = reading(60, Quantity::Pressure, 0.1, Unit::Bar);
            writer.append_readings(&[at_one], arrival)
        })
        .await
        .unwrap();
    let config = Config::from_toml("[clock]\nsource = \"readings\"\n", "test").unwrap();
    let clock = Arc::new(StoppedClock(arrival));
    let (house, _requests) = House::new(store, &config, clock, false).await.unwrap();
    let mut workers = Workers::new(Timestamp::MIN);
    workers.begin(&house, batch("plum 1"), id).await.unwrap();
    let live = house.batch("plum-1").unwrap();
    timeout(PATIENCE, live.reaches(*house.latest.borrow()))
        .await
        .unwrap();
    let clock = live.standing().monitor.clock();
    assert_eq!(clock, start() + SignedDuration::from_mins(60));
    workers.finish().await;
}
