//! A batch whose engine fails is set aside, and comes back.

use std::sync::atomic::{AtomicBool, Ordering};

use super::*;

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

    let note = said(
        start() + SignedDuration::from_hours(12),
        "looked through the window",
    );
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
