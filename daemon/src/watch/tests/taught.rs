//! What a culture's ended batches taught.

use super::*;
use crate::watch::{self, revive::revive};

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
    let (monitor, _) = revive(&house, made(&second), id).await.unwrap();
    assert_eq!(monitor.earlier_batches(), 1);

    // A command without a daemon shows the batch as the daemon will begin it.
    let (shown, settings) = (id, house.settings.clone());
    let read = move |reader: &crate::store::Reader<'_>| {
        let stored = reader.batches()?.into_iter().find(|stored| stored.id == shown);
        Ok(watch::left(
            reader,
            &stored.unwrap(),
            &settings,
            &watch::Claims::of(reader)?,
            start(),
        )
        .map_err(|error| error.to_string()))
    };
    let alone = store.read(read).await.unwrap().unwrap();
    assert_eq!(alone.earlier_batches(), 1);

    // Another batch of the culture ends while this one stands: its prior is the one that it began with.
    add(&text("plum 0", "jar two", "2026-03-02T06:00:00Z")).await;
    end("plum 0").await;
    let (again, _) = revive(&house, made(&second), id).await.unwrap();
    assert_eq!(again.snapshot(), monitor.snapshot());

    // No other culture, and none that was bottled later, or at the same time.
    for (name, culture, bottled_at) in [
        ("pear 1", "jar three", other),
        ("pear 2", "jar two", "2026-03-02T06:00:00Z"),
    ] {
        let text = text(name, culture, bottled_at);
        let id = add(&text).await;
        let (monitor, _) = revive(&house, made(&text), id).await.unwrap();
        assert_eq!(monitor.earlier_batches(), 0, "{name}");
    }
}
