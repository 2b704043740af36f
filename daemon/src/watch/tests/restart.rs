//! What was told and stored is the same after a restart, a crash and a stop.

use super::*;
use crate::{
    config::Access,
    incoming::{self, Incoming},
    running::{Setup, listen, serve},
    store::Outcome,
    watch::revive::revive,
};

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
        snapshot: Some(early),
        ..Outcome::empty(id, Vec::new(), start())
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
    let begun = revive(&house, batch("plum 1"), id).await.unwrap();
    feed(&store, &hours()).await;
    let again = revive(&house, batch("plum 1"), id).await.unwrap();
    assert_eq!(again.1, begun.1);
    assert_eq!(again.0.snapshot(), begun.0.snapshot());
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
