//! The outbox: what is to be delivered, to whom and when, and what became of it.
//!
//! A row is made in one transaction with its alert. It is done once the other side has it, once it was given up, or once nobody needs it.

use fobwatch_core::{
    alert::{AlertRecord, Transition},
    reading::{Quantity, Source},
};
use jiff::Timestamp;
use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::{
    BatchId, Outcome, Reader, StoreError, Writer,
    read::time,
    text::{decode, encode},
};
use super::{Destination, Due, begins};

/// What is to be delivered.
#[derive(Clone, Debug, PartialEq)]
pub struct OutboxRow {
    /// Names the row.
    pub id: i64,
    /// Which batch.
    pub batch: BatchId,
    /// What to deliver.
    pub alert: AlertRecord,
    /// Which reminder of it this is; 0: the alert itself.
    pub again: i64,
    /// It goes together with others.
    pub gathered: bool,
    /// How often it was tried.
    pub attempts: u32,
    /// Not before this time.
    pub due_at: Timestamp,
    /// When it was due first; `None`: an earlier program put it there.
    pub since: Option<Timestamp>,
}

/// Rows that keep their order among themselves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// Alerts of danger: they wait behind no other.
    Danger,
    /// All others.
    Rest,
}

/// What became of a row that is done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Delivered {
    /// The other side has it.
    Taken,
    /// Nobody needs it any more: it was seen to, or a later one says more.
    Spared,
    /// It was given up, with why.
    GivenUp(String),
}

/// The next reminder of a row that is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Next {
    /// Which row.
    pub row: i64,
    /// When it is due, and whether it goes with others.
    pub due: Due,
}

/// How one destination does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Backlog {
    /// Its name.
    pub destination: String,
    /// How many wait, whether due or not; reminders only once they were tried in vain.
    pub waiting: u32,
    /// How many of them were tried in vain.
    pub failing: u32,
    /// Since when the oldest of those is due.
    pub failing_since: Option<Timestamp>,
    /// Why it was not taken.
    pub complaint: Option<String>,
    /// How many were ever given up.
    pub given_up: u32,
    /// When the last of them was.
    pub given_up_at: Option<Timestamp>,
}

const ROW: &str = "SELECT outbox.id, alert.batch, coalesce(outbox.body, alert.body), again, gathered, attempts, due_us, since_us
     FROM outbox JOIN alert ON alert.id = outbox.alert WHERE destination = ?1 AND done_us IS NULL";

fn row(row: &Row<'_>) -> rusqlite::Result<OutboxRow> {
    let body: String = row.get(2)?;
    Ok(OutboxRow {
        id: row.get(0)?,
        batch: BatchId(row.get(1)?),
        alert: decode(&body)?,
        again: row.get(3)?,
        gathered: row.get(4)?,
        attempts: row.get(5)?,
        due_at: time(row, 6)?,
        since: Some(time(row, 7)?).filter(|since| *since > Timestamp::UNIX_EPOCH),
    })
}

impl Reader<'_> {
    /// At most `limit` rows of a lane that are due at `now`, or were tried and wait to be tried again; the oldest first, since an alert
    /// must not overtake an older one. What was made later than now is due: the clock went back, and nobody knows how long it would wait.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn outbox(
        &self,
        destination: &str,
        lane: Lane,
        now: Timestamp,
        limit: u32,
    ) -> Result<Vec<OutboxRow>, StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "{ROW} AND (attempts > 0 OR due_us <= ?2 OR made_us > ?2)
                AND (json_extract(alert.body, '$.priority') = 'critical') = ?3
             ORDER BY outbox.id LIMIT ?4"
        ))?;
        let rows = query.query_map(
            params![destination, now.as_microsecond(), lane == Lane::Danger, limit],
            row,
        )?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// At most `limit` rows that go together, whether due or not; the oldest first.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn gathered(&self, destination: &str, limit: u32) -> Result<Vec<OutboxRow>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached(&format!("{ROW} AND gathered = 1 ORDER BY outbox.id LIMIT ?2"))?;
        let rows = query.query_map(params![destination, limit], row)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// When the next row of a destination is due that is not due at `now` and was not tried yet; `None`: there is none.
    ///
    /// # Errors
    /// The database failed.
    pub fn next_due(&self, destination: &str, now: Timestamp) -> Result<Option<Timestamp>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT min(due_us) FROM outbox WHERE destination = ?1 AND done_us IS NULL AND attempts = 0 AND due_us > ?2",
        )?;
        let due: Option<i64> =
            query.query_row(params![destination, now.as_microsecond()], |row| row.get(0))?;
        Ok(due.and_then(|us| Timestamp::from_microsecond(us).ok()))
    }

    /// Whether someone has acknowledged, shelved or cleared the alert of a row since, or it has ended.
    ///
    /// # Errors
    /// The database failed.
    pub fn is_seen_to(&self, row: i64) -> Result<bool, StoreError> {
        self.holds(
            "SELECT EXISTS (
                SELECT 1 FROM outbox JOIN alert AS told ON told.id = outbox.alert
                JOIN alert AS later ON later.batch = told.batch AND later.alert = told.alert AND later.source = told.source
                    AND later.quantity = told.quantity AND later.id > told.id
                WHERE outbox.id = ?1 AND later.state NOT IN ('raised', 'unshelved'))",
            row,
        )
    }

    /// Whether the alert of a row has been withdrawn since.
    ///
    /// # Errors
    /// The database failed.
    pub fn is_withdrawn(&self, row: i64) -> Result<bool, StoreError> {
        self.holds(
            "SELECT EXISTS (
                SELECT 1 FROM outbox JOIN alert AS told ON told.id = outbox.alert
                JOIN alert AS later ON later.batch = told.batch AND later.alert = told.alert AND later.source = told.source
                    AND later.quantity = told.quantity AND later.id > told.id
                WHERE outbox.id = ?1 AND later.state = 'suppressed')",
            row,
        )
    }

    /// Whether a later row says more than this reminder: the alert has changed since, its batch has ended, or a later reminder of it waits.
    ///
    /// # Errors
    /// The database failed.
    pub fn is_outdated(&self, row: i64) -> Result<bool, StoreError> {
        self.holds(
            "SELECT EXISTS (
                SELECT 1 FROM outbox JOIN alert AS told ON told.id = outbox.alert
                WHERE outbox.id = ?1 AND (
                    EXISTS (SELECT 1 FROM alert AS later WHERE later.batch = told.batch AND later.alert = told.alert
                        AND later.source = told.source AND later.quantity = told.quantity AND later.id > told.id)
                    OR EXISTS (SELECT 1 FROM outbox AS next WHERE next.alert = outbox.alert AND next.id > outbox.id
                        AND next.destination = outbox.destination AND next.done_us IS NULL)
                    OR EXISTS (SELECT 1 FROM batch WHERE batch.id = told.batch AND ended_us IS NOT NULL)))",
            row,
        )
    }

    /// Whether the destination of this row was told that its alert stands, since that was last raised.
    ///
    /// # Errors
    /// The database failed.
    pub fn was_told(&self, row: i64) -> Result<bool, StoreError> {
        self.holds(
            "SELECT EXISTS (
                SELECT 1 FROM outbox JOIN alert AS this ON this.id = outbox.alert
                JOIN alert AS before ON before.batch = this.batch AND before.alert = this.alert AND before.source = this.source
                    AND before.quantity = this.quantity AND before.id <= this.id
                JOIN outbox AS told ON told.alert = before.id AND told.destination = outbox.destination
                WHERE outbox.id = ?1 AND (before.state IN ('raised', 'unshelved') OR told.again > 0)
                    AND told.done_us IS NOT NULL AND told.spared = 0 AND told.given_up = 0
                    AND before.id >= (SELECT max(id) FROM alert AS begun WHERE begun.batch = this.batch
                        AND begun.alert = this.alert AND begun.source = this.source AND begun.quantity = this.quantity
                        AND begun.state = 'raised' AND begun.id <= this.id))",
            row,
        )
    }

    fn holds(&self, question: &str, row: i64) -> Result<bool, StoreError> {
        let mut query = self.connection.prepare_cached(question)?;
        Ok(query.query_row([row], |row| row.get(0))?)
    }

    /// How each destination does that ever got a row, by name.
    ///
    /// # Errors
    /// The database failed.
    pub fn backlog(&self) -> Result<Vec<Backlog>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT destination, count(*) FILTER (WHERE done_us IS NULL AND (again = 0 OR attempts > 0)),
                count(*) FILTER (WHERE done_us IS NULL AND complaint IS NOT NULL),
                min(since_us) FILTER (WHERE done_us IS NULL AND complaint IS NOT NULL),
                (SELECT complaint FROM outbox AS first WHERE first.destination = outbox.destination AND done_us IS NULL
                    AND complaint IS NOT NULL ORDER BY id LIMIT 1),
                count(*) FILTER (WHERE given_up = 1), max(done_us) FILTER (WHERE given_up = 1)
             FROM outbox GROUP BY destination ORDER BY destination",
        )?;
        let moment =
            |us: Option<i64>| us.and_then(|us| Timestamp::from_microsecond(us).ok().filter(|_| us > 0));
        let rows = query.query_map([], |row| {
            Ok(Backlog {
                destination: row.get(0)?,
                waiting: row.get(1)?,
                failing: row.get(2)?,
                failing_since: moment(row.get(3)?),
                complaint: row.get(4)?,
                given_up: row.get(5)?,
                given_up_at: moment(row.get(6)?),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

impl Writer {
    /// Marks rows as done at `at`, together, and puts the next reminders of them there.
    ///
    /// # Errors
    /// Nothing of it was stored: what was delivered is not known to be.
    pub fn outbox_done(
        &mut self,
        rows: &[i64],
        at: Timestamp,
        how: &Delivered,
        next: &[Next],
    ) -> Result<(), StoreError> {
        let complaint = match how {
            Delivered::GivenUp(why) => Some(why.as_str()),
            Delivered::Taken | Delivered::Spared => None,
        };
        let transaction = self.connection.transaction()?;
        for row in rows {
            transaction
                .prepare_cached(
                    "UPDATE outbox SET done_us = ?2, attempts = attempts + 1, complaint = ?3, given_up = ?4, spared = ?5
                     WHERE id = ?1 AND done_us IS NULL",
                )?
                .execute(params![
                    row,
                    at.as_microsecond(),
                    complaint,
                    complaint.is_some(),
                    *how == Delivered::Spared
                ])?;
        }
        for next in next {
            transaction
                .prepare_cached(
                    "INSERT INTO outbox (alert, destination, again, gathered, due_us, since_us, made_us)
                     SELECT alert, destination, again + 1, ?2, ?3, ?3, ?4 FROM outbox WHERE id = ?1 ON CONFLICT DO NOTHING",
                )?
                .execute(params![
                    next.row,
                    next.due.gathered,
                    next.due.at.as_microsecond(),
                    at.as_microsecond()
                ])?;
        }
        transaction.commit()?;
        Ok(())
    }

    /// Rows are about to be tried together: they stay together from here on.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn outbox_begun(&mut self, rows: &[i64]) -> Result<(), StoreError> {
        let transaction = self.connection.transaction()?;
        for row in rows {
            transaction
                .prepare_cached(
                    "UPDATE outbox SET attempts = attempts + 1 WHERE id = ?1 AND done_us IS NULL",
                )?
                .execute([row])?;
        }
        transaction.commit()?;
        Ok(())
    }

    /// Puts rows off until `due_at`, together, with what went wrong.
    ///
    /// # Errors
    /// It was not stored: they are due at once.
    pub fn outbox_retry(
        &mut self,
        rows: &[i64],
        due_at: Timestamp,
        complaint: &str,
    ) -> Result<(), StoreError> {
        let transaction = self.connection.transaction()?;
        for row in rows {
            transaction
                .prepare_cached(
                    "UPDATE outbox SET due_us = ?2, attempts = attempts + 1, complaint = ?3 WHERE id = ?1",
                )?
                .execute(params![row, due_at.as_microsecond(), complaint])?;
        }
        transaction.commit()?;
        Ok(())
    }

    /// Gives up what waits since before `before` for destinations that are not among `known`. Answers with their names, and how many rows
    /// of each were given up.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn outbox_forget(
        &mut self,
        known: &[String],
        before: Timestamp,
        now: Timestamp,
    ) -> Result<Vec<(String, usize)>, StoreError> {
        let transaction = self.connection.transaction()?;
        let waiting: Vec<String> = transaction
            .prepare_cached("SELECT DISTINCT destination FROM outbox WHERE done_us IS NULL")?
            .query_map([], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        let mut forgotten = Vec::new();
        for name in waiting.into_iter().filter(|name| !known.contains(name)) {
            let rows = transaction
                .prepare_cached(
                    "UPDATE outbox SET done_us = ?3, given_up = 1, complaint = 'the configuration no longer names it'
                     WHERE destination = ?1 AND done_us IS NULL AND made_us < ?2",
                )?
                .execute(params![name, before.as_microsecond(), now.as_microsecond()])?;
            if rows > 0 {
                forgotten.push((name, rows));
            }
        }
        transaction.commit()?;
        Ok(forgotten)
    }

    /// Puts what stands in live batches there for a destination that never got a row: someone who is told from now on has to hear of it.
    /// Answers with how many alerts that were.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn outbox_begin(&mut self, destination: &Destination, now: Timestamp) -> Result<usize, StoreError> {
        let transaction = self.connection.transaction()?;
        let known: bool = transaction
            .prepare_cached("SELECT EXISTS (SELECT 1 FROM outbox WHERE destination = ?1)")?
            .query_row([&destination.name], |row| row.get(0))?;
        if known {
            return Ok(0);
        }
        let standing: Vec<(i64, AlertRecord)> = transaction
            .prepare_cached(
                "SELECT max(alert.id), alert.body FROM alert JOIN batch ON batch.id = alert.batch WHERE ended_us IS NULL
                 GROUP BY alert.batch, alert, source, quantity ORDER BY 1",
            )?
            .query_map([], |row| Ok((row.get(0)?, decode(&row.get::<_, String>(1)?)?)))?
            .collect::<Result<_, _>>()?;
        let mut put = 0;
        for (id, alert) in standing {
            let over = matches!(alert.state, Transition::Cleared | Transition::Suppressed);
            let told = if destination.keeps_states {
                !over
            } else {
                begins(&alert)
            };
            if told && let Some(due) = destination.due(&alert, now) {
                insert(&transaction, id, destination, 0, None, due, now)?;
                put += 1;
            }
        }
        transaction.commit()?;
        Ok(put)
    }
}

/// Rows for an alert that was stored under `id`.
pub(super) fn put_alert(
    transaction: &Transaction<'_>,
    id: i64,
    alert: &AlertRecord,
    outcome: &Outcome,
) -> Result<(), StoreError> {
    for destination in &outcome.destinations {
        if let Some(due) = destination.due(alert, outcome.now) {
            insert(transaction, id, destination, 0, None, due, outcome.now)?;
        }
    }
    Ok(())
}

/// Rows for an alert that the engine wants told again, unless something became of it since.
pub(super) fn put_reminder(
    transaction: &Transaction<'_>,
    batch: BatchId,
    reminder: &AlertRecord,
    outcome: &Outcome,
) -> Result<(), StoreError> {
    let id: Option<i64> = transaction
        .prepare_cached(
            "SELECT id FROM (
                SELECT id, state, at_us FROM alert WHERE batch = ?1 AND alert = ?2 AND source = ?3 AND quantity = ?4
                ORDER BY id DESC LIMIT 1)
             WHERE state NOT IN ('cleared', 'suppressed') AND at_us <= ?5",
        )?
        .query_row(
            params![
                batch.0,
                reminder.alert.name(),
                reminder.source.as_ref().map_or("", Source::as_str),
                reminder.quantity.map_or("", Quantity::name),
                reminder.at.as_microsecond()
            ],
            |row| row.get(0),
        )
        .optional()?;
    let Some(id) = id else {
        return Ok(());
    };
    let again = reminder.at.as_microsecond().max(1);
    let body = encode(reminder)?;
    for destination in &outcome.destinations {
        if let Some(due) = destination.due(reminder, outcome.now) {
            insert(transaction, id, destination, again, Some(&body), due, outcome.now)?;
        }
    }
    Ok(())
}

fn insert(
    transaction: &Transaction<'_>,
    alert: i64,
    destination: &Destination,
    again: i64,
    body: Option<&str>,
    due: Due,
    now: Timestamp,
) -> Result<(), StoreError> {
    transaction
        .prepare_cached(
            "INSERT INTO outbox (alert, destination, again, body, gathered, due_us, since_us, made_us)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?6, ?7) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            alert,
            destination.name,
            again,
            body,
            due.gathered,
            due.at.as_microsecond(),
            now.as_microsecond()
        ])?;
    Ok(())
}
