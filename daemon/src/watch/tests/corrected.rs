//! A batch whose entries are corrected is what it would be had they been right at first.

use super::*;
use crate::corrected::{corrected, with};

/// As it should have been entered: more sugar, a bottle that is fuller, and a limit that is not passed.
const RIGHT: [(&str, Option<&str>); 3] = [
    ("drink.sucrose_g_per_l", Some("75.0")),
    ("bottle.fill_ml", Some("480")),
    ("bottle.pressure_limit_bar", Some("6.0")),
];

/// As [`run_through`], of one batch as it is stored.
pub(super) async fn goes_through(store: &Store) {
    let (house, _requests) = house(store).await;
    let mut workers = Workers::with_fit(Fit {
        run: FitRequest::run,
        from: Timestamp::MIN,
    });
    let stored = store
        .read(|reader| reader.batches())
        .await
        .unwrap()
        .pop()
        .unwrap();
    let (batch, _) = Batch::from_toml(&stored.text, "test").unwrap();
    workers.begin(&house, batch, stored.id).await.unwrap();
    let last = *house.latest.borrow();
    for live in house.all() {
        timeout(PATIENCE, live.reaches(last)).await.unwrap();
    }
    workers.finish().await;
}

pub(super) async fn begin(store: &Store, text: &str) -> BatchId {
    let (batch, _) = Batch::from_toml(text, "test").unwrap();
    let text = text.to_owned();
    store
        .write(move |writer| writer.add_batch(&batch, &text, start()))
        .await
        .unwrap()
}

async fn correct(store: &Store, id: BatchId, at: Timestamp) {
    store
        .write(move |writer| {
            let stored = writer.reader().batches()?.pop().expect("a batch").text;
            let given = with(&stored, &RIGHT).expect("plain lines");
            let done = corrected(&stored, &given, "Ada", at, []).expect("right entries");
            writer.correct_batch(id, &done, at)
        })
        .await
        .unwrap();
}

pub(super) async fn engine(store: &Store, id: BatchId) -> Vec<u8> {
    let kept = store.read(move |reader| reader.snapshot(id)).await.unwrap();
    kept.expect("a snapshot").body
}

#[tokio::test(flavor = "multi_thread")]
async fn corrected_entries_give_what_right_ones_would_have_given_and_nobody_is_told_of_the_past() {
    let hours = hours();
    let (first, rest) = hours.split_at(110);
    let at = start() + SignedDuration::from_mins(first.last().unwrap().0);
    let wrong = batch_text("plum 1");
    let right = with(&wrong, &RIGHT).unwrap();

    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = begin(&store, &right).await;
    feed(&store, &hours).await;
    goes_through(&store).await;
    let (_, forecasts) = left(&store, id).await;
    let expected = engine(&store, id).await;

    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = begin(&store, &wrong).await;
    feed(&store, first).await;
    goes_through(&store).await;
    let (told, _) = left(&store, id).await;
    assert_eq!(raised(&told, AlertName::OverLimit), 1, "{told:#?}");
    correct(&store, id, at).await;
    // A stop right after it, and one in the middle of what follows.
    goes_through(&store).await;
    let (settled, _) = left(&store, id).await;
    goes_through(&store).await;
    feed(&store, rest).await;
    goes_through(&store).await;

    let (alerts, again) = left(&store, id).await;
    assert_eq!(again, forecasts);
    assert_eq!(engine(&store, id).await, expected);
    // What was told stays told; at the correction what does not hold is cleared, once, and nothing is told of before it.
    assert_eq!(settled[..told.len()], told[..]);
    let since = &settled[told.len()..];
    assert!(
        since
            .iter()
            .any(|alert| alert.alert == AlertName::OverLimit && alert.state == Transition::Cleared),
        "{since:#?}"
    );
    assert!(since.iter().all(|alert| alert.at >= at), "{since:#?}");
    assert_eq!(alerts[..settled.len()], settled[..]);
    assert_eq!(raised(&alerts, AlertName::OverLimit), 1, "{alerts:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_limit_that_was_entered_too_high_is_told_at_the_correction() {
    let hours = hours();
    let at = start() + SignedDuration::from_mins(hours.last().unwrap().0);
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let wrong = with(
        &batch_text("plum 1"),
        &[("bottle.pressure_limit_bar", Some("6.0"))],
    )
    .unwrap();
    let id = begin(&store, &wrong).await;
    feed(&store, &hours).await;
    goes_through(&store).await;
    let (told, _) = left(&store, id).await;
    assert_eq!(raised(&told, AlertName::OverLimit), 0, "{told:#?}");
    store
        .write(move |writer| {
            let stored = writer.reader().batches()?.pop().expect("a batch").text;
            let given = batch_text("plum 1");
            let done = corrected(&stored, &given, "Ada", at, []).expect("right entries");
            writer.correct_batch(id, &done, at)
        })
        .await
        .unwrap();
    goes_through(&store).await;
    let (alerts, _) = left(&store, id).await;
    let over: Vec<_> = alerts
        .iter()
        .filter(|alert| alert.alert == AlertName::OverLimit)
        .collect();
    assert_eq!(over.len(), 1, "{alerts:#?}");
    assert!(
        over[0].state == Transition::Raised && over[0].at >= at,
        "{over:#?}"
    );
}
