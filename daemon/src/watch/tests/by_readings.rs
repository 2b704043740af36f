//! Where readings are the clock, each of them may move every batch.

use fobwatch_core::{
    alert::AlertName,
    engine::{Action, ClockSource, Event, Monitor, drive_some},
};

use super::*;
use crate::watch::concerns::{concerns, first_tick};

const GAUGES: i64 = 5;

fn gauge(number: i64, seconds: i64) -> Reading {
    Reading {
        at: start() + SignedDuration::from_secs(seconds),
        source: Source::new(&format!("gauge {number}")).unwrap(),
        measured: Measured::new(Quantity::Pressure, 0.1, Unit::Bar).unwrap(),
    }
}

/// Six hours of all but one, which falls silent; one from the next century, and one of a while ago; then nothing for a week, and an hour more.
fn told() -> Vec<Reading> {
    let steps = |from: i64, until: i64, gauges: i64| {
        (from..until)
            .flat_map(move |step| (0..gauges).map(move |number| gauge(number, 240 * step + 20 * number)))
    };
    let week = 7 * 86_400 / 240;
    let mut all: Vec<Reading> = steps(-3, 15, GAUGES).collect();
    all.extend(steps(15, 50, GAUGES - 1));
    all.push(gauge(0, 3_155_760_000));
    all.push(gauge(1, -900));
    all.extend(steps(50, 90, GAUGES - 1));
    all.extend(steps(week, week + 15, GAUGES));
    // What passes a batch by is counted with the next that does not: this one moves all.
    all.push(gauge(0, 240 * (week + 20)));
    all
}

#[tokio::test(flavor = "multi_thread")]
async fn every_batch_stands_where_all_readings_would_have_left_it_whoever_handed_them_out() {
    let folder = TempDir::new().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut batches = Vec::new();
    for number in 0..GAUGES {
        let text = format!(
            "{}[sensors]\npressure = \"gauge {number}\"\n",
            batch_text(&format!("plum {number}"))
        );
        let batch = Batch::from_toml(&text, "test").unwrap().0;
        let kept = batch.clone();
        let add = store.write(move |writer| writer.add_batch(&kept, &text, start()));
        batches.push((add.await.unwrap(), batch));
    }
    let config = Config::from_toml("[clock]\nsource = \"readings\"\n", "test").unwrap();
    let told = told();
    let mut stood = Vec::new();
    // Of the three daemons each has something handed out, and the second and third find how the one before left it.
    for part in told.chunks(told.len() / 3 + 1) {
        let clock = Arc::new(StoppedClock(start()));
        let (house, _requests) = House::new(store.clone(), &config, clock, false).await.unwrap();
        // No fit is asked for an answer: it is the clocks that matter here.
        let mut workers = Workers::new(Timestamp::MAX);
        workers.begin_all(&house, batches.clone()).await.unwrap();
        for rows in part.chunks(7) {
            let rows = rows.to_vec();
            let last = store
                .write(move |writer| {
                    writer.append_readings(&rows, start())?;
                    writer.reader().last_sequence()
                })
                .await
                .unwrap();
            house.latest.send_replace(last);
        }
        let last = *house.latest.borrow();
        stood.clear();
        for live in house.all() {
            timeout(PATIENCE, live.reaches(last)).await.unwrap();
            stood.push((live.id, live.standing().monitor));
        }
        workers.finish().await;
    }

    let events = store
        .read(|reader| reader.events_after(Sequence(0), 10_000))
        .await
        .unwrap();
    let settings = config.settings(ClockSource::Readings);
    for (id, batch) in batches {
        let (mut whole, mut some) = (
            Monitor::new(batch.clone(), settings.clone()),
            Monitor::new(batch, settings.clone()),
        );
        let (mut alerts, mut driven) = (Vec::new(), 0);
        for event in &events {
            let StoredWhat::Reading(reading) = &event.what else {
                continue;
            };
            for action in drive_some(&mut whole, Event::Measured(reading.clone()), &mut |_| None) {
                if let Action::Alert(alert) = action {
                    alerts.push(alert);
                }
            }
            let first = first_tick(&some, ClockSource::Readings, event);
            assert!(first.is_none());
            if let Some(concerned) = concerns(
                &mut some,
                (id, &[]),
                ClockSource::Readings,
                &crate::watch::Claims::default(),
                event,
            ) {
                driven += 1;
                drop(drive_some(&mut some, concerned, &mut |_| None));
            }
        }
        let live = &stood.iter().find(|(of, _)| *of == id).unwrap().1;
        assert!(
            live.snapshot() == some.snapshot(),
            "{:?} {:?}",
            live.view(),
            some.view()
        );
        // What passes by is counted under one reason, whatever else may be said of it.
        let counted = |monitor: &Monitor| monitor.view().set_aside.values().sum::<u64>();
        assert_eq!((live.clock(), counted(live)), (whole.clock(), counted(&whole)));
        assert_eq!(left(&store, id).await.0, alerts);
        assert!(2 * driven < events.len(), "{driven} of {}", events.len());
        if id == stood.last().unwrap().0 {
            // Only the others' readings told that so much time had gone by.
            assert!(raised(&alerts, AlertName::SensorSilent) > 0, "{alerts:#?}");
        }
    }
}
