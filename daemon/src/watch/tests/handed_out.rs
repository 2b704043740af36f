//! What is stored reaches the batches that it concerns, and none waits for another.

use std::sync::{Condvar, Mutex};

use fobwatch_core::engine::SetAsideReason;

use super::*;

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
