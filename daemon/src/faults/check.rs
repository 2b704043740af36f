//! What must hold after every run.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::Path,
};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Priority, Transition},
    engine::Monitor,
    forecast::Forecast,
};
use rusqlite::Connection;
use tokio::runtime::Runtime;

use super::{
    channel::Arrived,
    fits,
    ledger::key,
    play::{Done, Play},
    world::Ended,
};
use crate::{
    store::Destination,
    store::{BatchId, Sequence, Store, StoreError, StoredEvent, StoredWhat, unpack},
    watch::{House, simulated},
};

/// Bytes of the write-ahead log and of one engine's memory that a play of two days never reaches.
const LARGEST_LOG: usize = 16 * 1024 * 1024;
const LARGEST_STATE: usize = 4 * 1024 * 1024;

/// What a run left of one batch.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Left {
    /// What its engine was told, in order; ticks that move nothing aside.
    told: Vec<String>,
    alerts: Vec<AlertRecord>,
    forecasts: Vec<Forecast>,
}

/// What a run left, and all that is wrong with it.
pub(super) fn check(
    ended: &Ended,
    play: &Play,
    runtime: &Runtime,
    undisturbed: Option<&[Left]>,
) -> (Vec<Left>, Vec<String>) {
    let mut wrong = ended.ledger.wrong.clone();
    let (power, largest_log) = ended.power.verdict();
    wrong.extend(power);
    if largest_log > LARGEST_LOG {
        wrong.push(format!("the log grew to {largest_log} bytes"));
    }
    if ended.waiting > 0 || ended.unmarked > 0 {
        wrong.push(format!(
            "{} messages and errands still wait, {} letters are not marked",
            ended.waiting, ended.unmarked
        ));
    }
    let read = runtime.block_on(ended.house.store.read(|reader| {
        let events = reader.events_after(Sequence(0), u32::MAX)?;
        let mut batches = Vec::new();
        for batch in reader.batches()? {
            let (notes, alerts) = (reader.notes(batch.id)?, reader.alerts(batch.id)?);
            batches.push((batch.id, notes, alerts, reader.forecasts(batch.id)?));
        }
        Ok((events, batches))
    }));
    let (events, batches) = match read {
        Ok(read) => read,
        Err(error) => {
            wrong.push(format!("the store cannot be read: {error}"));
            return (Vec::new(), wrong);
        }
    };
    readings(ended, &events, &mut wrong);
    if let Err(error) = arrivals(&ended.folder, &events, &mut wrong) {
        wrong.push(format!("the readings cannot be counted: {error}"));
    }
    if batches.len() != play.batches.len() {
        wrong.push(format!("{} batches are stored", batches.len()));
    }
    if let Err(error) = tables(&ended.folder, &mut wrong) {
        wrong.push(format!("the store cannot be looked through: {error}"));
    }
    let mut left = Vec::new();
    let mut reminders = BTreeSet::new();
    let engines = ended.loops.engines();
    for (place, (id, notes, alerts, forecasts)) in batches.into_iter().enumerate() {
        deeds(ended, place, &events, id, &notes, &mut wrong);
        let engine = engines.iter().find(|(of, ..)| *of == id);
        if engine.is_some_and(|(.., open)| *open) {
            wrong.push(format!("what came of batch {place} is not stored"));
        }
        if let (Some((_, monitor, _)), Some((batch, _))) = (engine, play.batches.get(place)) {
            let answers = (fits::fitted as _, play.fits_from);
            match runtime.block_on(simulated::replayed(&ended.house, id, batch.clone(), answers)) {
                Ok(replayed) => {
                    reminders.extend(replayed.reminders.iter().map(|alert| alert.at.as_microsecond()));
                    same(place, monitor, &replayed, &alerts, &forecasts, &mut wrong);
                }
                Err(error) => wrong.push(format!("batch {place} cannot be gone over: {error}")),
            }
        }
        left.push(Left {
            told: told(&events, id, place),
            alerts,
            forecasts,
        });
    }
    delivered(&ended.house, ended, &reminders, &mut wrong);
    if let Some(undisturbed) = undisturbed {
        for (place, (with, without)) in left.iter().zip(undisturbed).enumerate() {
            if with.told == without.told && with != without {
                wrong.push(format!(
                    "batch {place} was told the same as without faults, and came to something else"
                ));
            }
        }
    }
    (left, wrong)
}

/// How many of the batches were told the same as without faults.
pub(super) fn alike(left: &[Left], undisturbed: &[Left]) -> usize {
    let pairs = left.iter().zip(undisturbed);
    pairs.filter(|(with, without)| with.told == without.told).count()
}

/// Every reading that was vouched for is there once, with a value that was sent; nothing else is there.
fn readings(ended: &Ended, events: &[StoredEvent], wrong: &mut Vec<String>) {
    let mut there = BTreeSet::new();
    let mut places = BTreeSet::new();
    for event in events {
        if !places.insert(event.sequence) {
            wrong.push(format!("place {} is taken twice", event.sequence.0));
        }
        let StoredWhat::Reading(reading) = &event.what else {
            continue;
        };
        let bits = reading.measured.stored_value().to_bits();
        let known = ended.ledger.sent.get(&key(reading));
        if !known.is_some_and(|values| values.contains(&bits)) {
            wrong.push(format!("nobody sent {reading:?}"));
        }
        if !there.insert(key(reading)) {
            wrong.push(format!("{reading:?} is there twice"));
        }
    }
    for missing in ended.ledger.vouched.difference(&there) {
        wrong.push(format!("{missing:?} was vouched for, and is not there"));
    }
    let ledger = &ended.ledger;
    for number in ledger.published.difference(&ledger.acknowledged) {
        if !ended.broker.lost.contains(number) {
            wrong.push(format!(
                "message {number} was neither lost by the broker nor acknowledged"
            ));
        }
    }
    if !ended.broker.is_empty() {
        wrong.push("the broker still holds messages".to_owned());
    }
}

/// The order of arrival stands beside the readings: neither may know one that the other does not.
fn arrivals(folder: &Path, events: &[StoredEvent], wrong: &mut Vec<String>) -> Result<(), StoreError> {
    let connection = Connection::open(folder.join(Store::FILE))?;
    unpack(&connection)?;
    let mut query = connection.prepare("SELECT seq FROM arrived ORDER BY seq")?;
    let places: Vec<i64> = query.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let of_readings = events
        .iter()
        .filter(|event| matches!(event.what, StoredWhat::Reading(_)))
        .map(|event| event.sequence.0);
    if !of_readings.eq(places.iter().copied()) {
        wrong.push(format!(
            "the order of arrival is not that of the {} readings",
            places.len()
        ));
    }
    Ok(())
}

/// What the tables say of themselves and of each other.
fn tables(folder: &Path, wrong: &mut Vec<String>) -> Result<(), StoreError> {
    let connection = Connection::open(folder.join(Store::FILE))?;
    unpack(&connection)?;
    let sound: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0))?;
    if sound != "ok" {
        wrong.push(format!("the store does not hold together: {sound}"));
    }
    for (what, query) in [
        ("references to nothing", "SELECT count(*) FROM pragma_foreign_key_check"),
        (
            "rollups that are not of their readings",
            "SELECT count(*) FROM
                (SELECT series, count(*) AS n, min(value) AS least, max(value) AS most FROM reading GROUP BY series) AS raw
             LEFT JOIN (SELECT series, sum(count) AS n, min(least) AS least, max(most) AS most FROM rollup GROUP BY series) AS rolled
             USING (series) WHERE raw.n IS NOT rolled.n OR raw.least IS NOT rolled.least OR raw.most IS NOT rolled.most",
        ),
        ("letters that were given up", "SELECT count(*) FROM outbox WHERE given_up = 1"),
    ] {
        let count: i64 = connection.query_row(query, [], |row| row.get(0))?;
        if count > 0 {
            wrong.push(format!("{count} {what}"));
        }
    }
    let mut query = connection.prepare(
        "SELECT destination, alert, again, attempts, due_us, coalesce(complaint, '') FROM outbox WHERE done_us IS NULL",
    )?;
    let waiting = query.query_map([], |row| {
        Ok(format!(
            "a letter waits for ever: {} alert {} again {} tried {} due {} {}",
            row.get::<_, String>(0)?,
            row.get::<_, i64>(1)?,
            row.get::<_, i64>(2)?,
            row.get::<_, i64>(3)?,
            row.get::<_, i64>(4)?,
            row.get::<_, String>(5)?
        ))
    })?;
    for told in waiting {
        wrong.push(told?);
    }
    Ok(())
}

/// Whatever a person was told is stored is there: a note once.
fn deeds(
    ended: &Ended,
    place: usize,
    events: &[StoredEvent],
    id: BatchId,
    notes: &[fobwatch_core::note::Note],
    wrong: &mut Vec<String>,
) {
    for (batch, done) in &ended.ledger.done {
        if *batch != place {
            continue;
        }
        match done {
            Done::Noted(note) => {
                let count = notes.iter().filter(|other| *other == note).count();
                if count != 1 {
                    wrong.push(format!("{note:?} is there {count} times"));
                }
            }
            Done::Commanded(command) => {
                let is_there = events.iter().any(
                    |event| matches!(&event.what, StoredWhat::Command(of, other) if *of == id && other == command),
                );
                if !is_there {
                    wrong.push(format!("{command:?} is not there"));
                }
            }
        }
    }
}

/// The engine, its alerts and forecasts are, bit for bit, those of an engine that was told the same in one go.
fn same(
    place: usize,
    monitor: &Monitor,
    replayed: &simulated::Replayed,
    alerts: &[AlertRecord],
    forecasts: &[Forecast],
    wrong: &mut Vec<String>,
) {
    let state = monitor.snapshot();
    if state.len() > LARGEST_STATE {
        wrong.push(format!("the state of batch {place} has {} bytes", state.len()));
    }
    if state != replayed.monitor.snapshot() {
        wrong.push(format!(
            "the engine of batch {place} is not as if it had never stopped"
        ));
    }
    if alerts != replayed.alerts {
        let only = |these: &[AlertRecord], those: &[AlertRecord]| {
            let missing = these.iter().filter(|alert| !those.contains(alert));
            let named = missing.map(|alert| format!("{} {:?} at {}", alert.alert, alert.state, alert.at));
            named.collect::<Vec<_>>().join(", ")
        };
        wrong.push(format!(
            "batch {place} has {} alerts stored instead of {}; lost: [{}], too many: [{}]",
            alerts.len(),
            replayed.alerts.len(),
            only(&replayed.alerts, alerts),
            only(alerts, &replayed.alerts)
        ));
    }
    let of_time: BTreeMap<_, _> = replayed
        .forecasts
        .iter()
        .map(|forecast| (forecast.at, forecast))
        .collect();
    let equal = forecasts.len() == of_time.len()
        && forecasts
            .iter()
            .all(|forecast| of_time.get(&forecast.at).is_some_and(|other| *other == forecast));
    if !equal {
        wrong.push(format!(
            "batch {place} has {} forecasts stored instead of {}, or others",
            forecasts.len(),
            of_time.len()
        ));
    }
}

/// What moved the engine of a batch, in order.
fn told(events: &[StoredEvent], id: BatchId, place: usize) -> Vec<String> {
    let own = if place == 0 { "-a" } else { "-b" };
    let mut latest = None;
    let told = events.iter().filter_map(|event| match &event.what {
        StoredWhat::Clock(at) => {
            let moves = latest.is_none_or(|before| *at > before);
            latest = latest.max(Some(*at));
            moves.then(|| format!("{at}"))
        }
        StoredWhat::Reading(reading) => reading
            .source
            .as_str()
            .ends_with(own)
            .then(|| format!("{reading:?}")),
        StoredWhat::Note(of, note) => (*of == id).then(|| format!("{note:?}")),
        StoredWhat::Command(of, command) => (*of == id).then(|| format!("{command:?}")),
    });
    told.collect()
}

/// Every alert reached every channel that wants it, in order, and one that came again came under the same key.
fn delivered(house: &House, ended: &Ended, reminders: &BTreeSet<i64>, wrong: &mut Vec<String>) {
    let read = Connection::open(ended.folder.join(Store::FILE))
        .and_then(|connection| Ok((stored(&connection)?, again(&connection)?)));
    let (alerts, again) = match read {
        Ok(read) => read,
        Err(error) => return wrong.push(format!("the alerts cannot be read: {error}")),
    };
    for (.., moment) in again
        .iter()
        .filter(|(.., of_engine, moment)| *of_engine && !reminders.contains(moment))
    {
        wrong.push(format!("a reminder of {moment} is none of the engine's"));
    }
    for (destination, other) in house.destinations().iter().zip(&ended.others) {
        let name = &destination.name;
        let arrived = other.arrived();
        let mut by_key: BTreeMap<&str, &Arrived> = BTreeMap::new();
        for letter in &arrived {
            let first = by_key.entry(letter.key.as_str()).or_insert(letter);
            if *first != letter {
                wrong.push(format!(
                    "{name} got two different letters under the key {}",
                    letter.key
                ));
            }
        }
        // Where each alert first stands, and under which keys.
        let mut keys: BTreeMap<usize, BTreeSet<&str>> = BTreeMap::new();
        let mut firsts: Vec<usize> = Vec::new();
        for letter in arrived.iter().filter(|letter| !letter.reminder) {
            for alert in &letter.alerts {
                let Some(place) = alerts.iter().position(|stored| stored == alert) else {
                    wrong.push(format!(
                        "{name} was told of an alert that is not stored: {alert:?}"
                    ));
                    continue;
                };
                if keys.entry(place).or_default().insert(&letter.key) && !firsts.contains(&place) {
                    firsts.push(place);
                }
            }
        }
        for (place, keys) in &keys {
            // Reminders are gathered with others, where they are.
            let reminded = again
                .iter()
                .filter(|(of, to, ..)| of == place && to == name)
                .count();
            // A letter is made anew where advice in it was withdrawn: rather told twice than told to carry what may burst.
            let made_anew = arrived.iter().any(|letter| {
                keys.contains(letter.key.as_str())
                    && letter.alerts.iter().any(|alert| is_withdrawn(&alerts, alert))
            });
            if keys.len() > 1 + reminded && !made_anew {
                let all: Vec<_> = keys.iter().copied().collect();
                wrong.push(format!(
                    "{name} got alert {place} under several keys: {}",
                    all.join(", ")
                ));
            }
        }
        if !destination.waits() {
            for (place, alert) in alerts.iter().enumerate() {
                let wanted = destination.due(alert, alert.at).is_some();
                let told = keys.contains_key(&place);
                if told != wanted && (told || !is_withdrawn(&alerts, alert)) {
                    wrong.push(format!(
                        "{name} was {} of {} {:?} at {}",
                        if wanted { "not told" } else { "told" },
                        alert.alert,
                        alert.state,
                        alert.at
                    ));
                }
            }
        }
        in_order(destination, &alerts, &firsts, wrong);
    }
}

/// Advice to move that danger overtook: whoever was not told of it by then is not.
fn is_withdrawn(alerts: &[AlertRecord], alert: &AlertRecord) -> bool {
    let advice = matches!(alert.alert, AlertName::MoveToFridge | AlertName::FridgeSoon);
    let later = alerts.iter().skip_while(|other| *other != alert).skip(1);
    advice
        && later
            .filter(|other| (&other.batch, other.alert) == (&alert.batch, alert.alert))
            .any(|other| other.state == Transition::Suppressed)
}

fn in_order(destination: &Destination, alerts: &[AlertRecord], firsts: &[usize], wrong: &mut Vec<String>) {
    if destination.picks.digest.is_some() {
        // Those that are gathered come later than others by design.
        return;
    }
    for danger in [true, false] {
        let lane: Vec<usize> = firsts
            .iter()
            .copied()
            .filter(|place| {
                alerts
                    .get(*place)
                    .is_some_and(|alert| (alert.priority == Priority::Critical) == danger)
            })
            .collect();
        // One that waits for somebody to see to it lets others go before it.
        if !destination.waits() && !lane.is_sorted() {
            wrong.push(format!("{} was told out of order: {lane:?}", destination.name));
        }
    }
}

/// Reminders that were put there: of which alert, to whom, whether the engine asked for it, and which.
fn again(connection: &Connection) -> Result<Vec<(usize, String, bool, i64)>, rusqlite::Error> {
    let mut query = connection.prepare(
        "SELECT (SELECT count(*) FROM alert WHERE alert.id < outbox.alert), destination, body IS NOT NULL, again
         FROM outbox WHERE again > 0",
    )?;
    let rows = query.query_map([], |row| {
        let place = usize::try_from(row.get::<_, i64>(0)?).unwrap_or(usize::MAX);
        Ok((place, row.get(1)?, row.get(2)?, row.get(3)?))
    })?;
    rows.collect()
}

fn stored(connection: &Connection) -> Result<Vec<AlertRecord>, rusqlite::Error> {
    let mut query = connection.prepare("SELECT body FROM alert ORDER BY id")?;
    let rows = query.query_map([], |row| row.get::<_, String>(0))?;
    let mut alerts = Vec::new();
    for body in rows {
        let alert = serde_json::from_str(&body?)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
        alerts.push(alert);
    }
    Ok(alerts)
}
