//! A batch of which a note was taken back is what it would be had nobody said it.

use super::{
    corrected::{begin, engine, goes_through},
    *,
};

/// Somebody reads the dial of another bottle.
fn misread(minutes: i64) -> Note {
    Note {
        at: start() + SignedDuration::from_mins(minutes),
        kind: NoteKind::Gauge,
        bottles: None,
        value: Some(1.9),
        unit: Some("bar".to_owned()),
        text: None,
        takes_back: None,
    }
}

async fn note(store: &Store, id: BatchId, note: Note) -> Sequence {
    let at = note.at;
    let kept = store.write(move |writer| writer.append_note(id, &note, at));
    kept.await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_taken_back_was_never_said_and_what_was_told_of_it_is_cleared_once() {
    let hours = hours();
    let (first, rest) = hours.split_at(34);
    let last = first.last().unwrap().0;
    let at = start() + SignedDuration::from_mins(last);
    let text = batch_text("plum 1");
    let said = Note {
        value: Some(0.2),
        ..misread(60)
    };

    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = begin(&store, &text).await;
    feed(&store, first).await;
    note(&store, id, said.clone()).await;
    feed(&store, rest).await;
    goes_through(&store).await;
    let (_, forecasts) = left(&store, id).await;
    let expected = engine(&store, id).await;

    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let id = begin(&store, &text).await;
    feed(&store, first).await;
    note(&store, id, said.clone()).await;
    let wrong = [misread(last - 1), misread(last)];
    for wrong in &wrong {
        note(&store, id, wrong.clone()).await;
    }
    goes_through(&store).await;
    let (told, _) = left(&store, id).await;
    assert_eq!(raised(&told, AlertName::OverLimit), 1, "{told:#?}");
    for wrong in &wrong {
        let back = wrong.taken_back(at, "Ada", None);
        let place = note(&store, id, back.clone()).await;
        // The very same word again is one.
        assert_eq!(note(&store, id, back).await, place);
        // A stop right after it.
        goes_through(&store).await;
    }
    let (settled, _) = left(&store, id).await;
    goes_through(&store).await;
    feed(&store, rest).await;
    goes_through(&store).await;

    let (alerts, again) = left(&store, id).await;
    assert_eq!(again, forecasts);
    assert_eq!(engine(&store, id).await, expected);
    // What was told stays told; it is cleared at the word that takes the note back, and comes again when it is true.
    assert_eq!(settled[..told.len()], told[..]);
    let since = &settled[told.len()..];
    let ended: Vec<&AlertRecord> = since
        .iter()
        .filter(|alert| alert.alert == AlertName::OverLimit)
        .collect();
    assert_eq!(ended.len(), 1, "{since:#?}");
    assert_eq!(
        ended[0].message,
        "plum 1: without the note that was taken back this does not hold."
    );
    assert!(since.iter().all(|alert| alert.at >= at), "{since:#?}");
    assert_eq!(raised(&alerts, AlertName::OverLimit), 2, "{alerts:#?}");
    // Nothing is lost.
    let kept = store
        .read(move |reader| Ok((reader.all_notes(id)?, reader.notes(id)?)))
        .await
        .unwrap();
    assert_eq!((kept.0.len(), kept.1), (5, vec![said]));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_note_that_is_heard_after_the_word_that_takes_it_back_does_not_count() {
    let hours = hours();
    let last = hours.last().unwrap().0;
    let mut engines = Vec::new();
    for late in [false, true] {
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let id = begin(&store, &batch_text("plum 1")).await;
        feed(&store, &hours).await;
        if late {
            let wrong = misread(last);
            note(&store, id, wrong.taken_back(wrong.at, "Ada", None)).await;
            note(&store, id, wrong).await;
        }
        goes_through(&store).await;
        engines.push(engine(&store, id).await);
    }
    assert!(engines[0] == engines[1]);
}
