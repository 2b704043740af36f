//! A gauge that another batch names never counts for one that names none.

use fobwatch_core::engine::Monitor;

use super::*;

const NAMELESS: &str = "hibiscus 12";
const NAMED: &str = "plum 1";

fn nameless() -> String {
    batch_text(NAMELESS).replace("limit_bar = 1.5", "limit_bar = 2.5")
}

fn named() -> String {
    format!("{}[sensors]\npressure = \"pilot\"\n", batch_text(NAMED))
}

/// The pilot of the plums climbs through the limit, and is then carried to the fridge; the kitchen is of all.
fn rows() -> Vec<(i64, Vec<Reading>)> {
    (0..120)
        .map(|step| step * 5)
        .map(|minutes| {
            let hours = f64::from(i32::try_from(minutes).unwrap()) / 60.0;
            let liquid = if hours < 6.0 { 21.0 } else { 4.5 };
            let kitchen = Reading {
                source: Source::new("kitchen").unwrap(),
                ..reading(minutes, Quantity::RoomTemperature, 21.0, Unit::Celsius)
            };
            let rows = vec![
                reading(minutes, Quantity::Pressure, 0.4 * hours, Unit::Bar),
                reading(minutes, Quantity::LiquidTemperature, liquid, Unit::Celsius),
                kitchen,
            ];
            (minutes, rows)
        })
        .collect()
}

async fn add_text(store: &Store, text: String) -> BatchId {
    let (batch, _) = Batch::from_toml(&text, "test").unwrap();
    store
        .write(move |writer| writer.add_batch(&batch, &text, start()))
        .await
        .unwrap()
}

/// As [`run_through`], of all that is stored.
async fn goes_through(store: &Store) -> Vec<(String, Arc<Monitor>)> {
    let (house, _requests) = house(store).await;
    let mut workers = Workers::with_fit(Fit {
        run: FitRequest::run,
        from: Timestamp::MIN,
    });
    let stored = store.read(|reader| reader.batches()).await.unwrap();
    let live = stored.into_iter().map(|stored| {
        let (batch, _) = Batch::from_toml(&stored.text, "test").unwrap();
        (stored.id, batch)
    });
    workers.begin_all(&house, live.collect()).await.unwrap();
    let last = *house.latest.borrow();
    let mut found = Vec::new();
    for live in house.all() {
        timeout(PATIENCE, live.reaches(last)).await.unwrap();
        found.push((live.batch.name.to_string(), live.standing().monitor));
    }
    workers.finish().await;
    found
}

async fn engine(store: &Store, id: BatchId) -> Vec<u8> {
    let kept = store.read(move |reader| reader.snapshot(id)).await.unwrap();
    kept.expect("a snapshot").body
}

/// What the nameless batch comes to where the gauge was named from the first.
async fn expected(rows: &[(i64, Vec<Reading>)]) -> (Vec<u8>, Vec<Forecast>) {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let nameless = add_text(&store, nameless()).await;
    add_text(&store, named()).await;
    feed(&store, rows).await;
    goes_through(&store).await;
    let (alerts, forecasts) = left(&store, nameless).await;
    // Nothing of the other bottle is told of this one: no figure of its gauge, and no move.
    assert!(
        alerts.iter().all(|alert| !alert.message.contains("gauge pilot")),
        "{alerts:#?}"
    );
    assert!(forecasts.iter().all(|forecast| forecast.move_at.is_some()));
    (engine(&store, nameless).await, forecasts)
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_taken_before_the_gauge_was_named_does_not_count_and_nobody_is_told_of_the_past() {
    let rows = rows();
    let (first, rest) = rows.split_at(100);
    let expected = expected(&rows).await;

    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let nameless = add_text(&store, nameless()).await;
    feed(&store, first).await;
    // As an earlier fobwatch left it: it took all that there was.
    goes_through(&store).await;
    let (told, forecasts) = left(&store, nameless).await;
    assert!(
        told.iter().any(|alert| alert.alert == AlertName::OverLimit),
        "{told:#?}"
    );
    assert!(forecasts.iter().any(|forecast| forecast.move_at.is_none()));

    add_text(&store, named()).await;
    goes_through(&store).await;
    let (settled, _) = left(&store, nameless).await;
    // A second stop changes nothing.
    goes_through(&store).await;
    feed(&store, rest).await;
    let engines = goes_through(&store).await;
    let (alerts, forecasts) = left(&store, nameless).await;
    assert_eq!(forecasts, expected.1);
    assert_eq!(engine(&store, nameless).await, expected.0);
    assert_eq!(settled[..told.len()], told[..]);
    assert_eq!(alerts[..settled.len()], settled[..]);
    let since = start() + SignedDuration::from_mins(first.last().unwrap().0);
    assert!(
        settled[told.len()..].iter().all(|alert| alert.at >= since),
        "{settled:#?}"
    );
    let over = settled
        .iter()
        .rfind(|alert| alert.alert == AlertName::OverLimit)
        .unwrap();
    assert_eq!(over.state, Transition::Cleared, "{settled:#?}");
    // It was said once, where people see it.
    let notes = store.read(move |reader| reader.notes(nameless)).await.unwrap();
    let said: Vec<&str> = notes.iter().filter_map(|note| note.text.as_deref()).collect();
    assert_eq!(
        said,
        ["fobwatch corrected: pilot sits on plum 1: nothing that it measured counts here, and nothing did."]
    );
    // Exports and comparisons pass by what the engine does.
    let sources = store.read(|reader| {
        let claims = crate::watch::Claims::of(reader)?;
        let mut found = Vec::new();
        for stored in reader.batches()? {
            let (batch, _) = Batch::from_toml(&stored.text, "test").unwrap();
            let rows = crate::craft::led::rows(reader, &stored, &batch, &claims)?;
            let sources: std::collections::BTreeSet<String> =
                rows.iter().map(|row| row.source.as_str().to_owned()).collect();
            found.push(sources.into_iter().collect::<Vec<_>>().join(", "));
        }
        Ok(found)
    });
    assert_eq!(sources.await.unwrap(), ["kitchen", "kitchen, pilot"]);
    // The one that names it has it all.
    let (_, plum) = engines.iter().find(|(name, _)| name == NAMED).unwrap();
    assert!(plum.view().sensors.iter().any(|sensor| sensor.last.is_some()));
}

/// The same at work: the plums are added, ended, and corrected by people.
#[tokio::test(flavor = "multi_thread")]
async fn a_claim_holds_from_the_moment_it_is_made_and_not_longer_than_it_is_true() {
    let rows = rows();
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    feed(&store, &rows[..8]).await;
    let clock = StoppedClock(start() + SignedDuration::from_mins(50));
    let (house, requests) = house_by(&store, Arc::new(clock)).await;
    let stop = CancellationToken::new();
    let looping = watch_loop(&house, requests, &stop);
    let add = async |text: String| {
        let (batch, _) = Batch::from_toml(&text, "test").unwrap();
        house.ask(Request::Add(Box::new(batch), text)).await.unwrap();
    };
    let heard = async || {
        let live = house.batch("hibiscus-12").unwrap();
        let last = *house.latest.borrow();
        timeout(PATIENCE, live.reaches(last)).await.unwrap();
        let view = live.standing().monitor.view();
        let gauges = view
            .sensors
            .iter()
            .filter(|sensor| sensor.quantity == Quantity::Pressure);
        gauges.count()
    };
    add(nameless()).await;
    assert_eq!(heard().await, 1, "it is the only source");
    add(named()).await;
    assert_eq!(heard().await, 0, "it is the plums'");

    // It was a mistake: the plums have another one.
    let live = house.batch("plum-1").unwrap();
    let given = named().replace("\"pilot\"", "\"spare\"");
    let text = named();
    let done = crate::corrected::corrected(&text, &given, "Ada", house.clock.now(), []).unwrap();
    house.ask(Request::Correct(live, Box::new(done))).await.unwrap();
    assert_eq!(heard().await, 1, "it is the only source again");

    let live = house.batch("plum-1").unwrap();
    let stored = store
        .read(|reader| reader.batches())
        .await
        .unwrap()
        .pop()
        .unwrap();
    let done = crate::corrected::corrected(&stored.text, &text, "Ada", house.clock.now(), []).unwrap();
    house.ask(Request::Correct(live, Box::new(done))).await.unwrap();
    assert_eq!(heard().await, 0, "it is the plums' after all");

    // Where it lies once they are drunk nobody said.
    let live = house.batch("plum-1").unwrap();
    house.ask(Request::End(live)).await.unwrap();
    feed(&store, &rows[8..10]).await;
    house
        .latest
        .send_replace(store.read(|reader| reader.last_sequence()).await.unwrap());
    assert_eq!(heard().await, 0, "it was the plums' beside it");
    stop.cancel();
    looping.await.unwrap();
}
