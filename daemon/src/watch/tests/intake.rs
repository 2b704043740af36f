//! What comes in has its place in the one order.

use super::*;
use crate::{
    incoming::{self, Incoming},
    watch::intake::Intake,
};

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
    let note = said(start(), "looked");
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
