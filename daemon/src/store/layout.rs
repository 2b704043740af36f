//! The tables, layout by layout.

/// One step a layout: step N brings a file of layout N to N + 1. Steps are only ever added.
pub(super) const STEPS: &[&str] = &["
CREATE TABLE series (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,
    quantity  TEXT NOT NULL,
    UNIQUE (source, quantity)
) STRICT;

-- Clustered by series and time: a range is one walk, and the key is what makes a reading unique.
CREATE TABLE reading (
    series      INTEGER NOT NULL REFERENCES series (id),
    at_us       INTEGER NOT NULL,
    value       REAL NOT NULL,
    seq         INTEGER NOT NULL,
    received_us INTEGER NOT NULL,
    PRIMARY KEY (series, at_us)
) WITHOUT ROWID, STRICT;
CREATE UNIQUE INDEX reading_by_seq ON reading (seq);

CREATE TABLE batch (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL,
    slug     TEXT NOT NULL,
    text     TEXT NOT NULL,
    added_us INTEGER NOT NULL,
    ended_us INTEGER
) STRICT;
CREATE UNIQUE INDEX live_batch_slug ON batch (slug) WHERE ended_us IS NULL;

CREATE TABLE note (
    seq         INTEGER PRIMARY KEY,
    batch       INTEGER NOT NULL REFERENCES batch (id),
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL
) STRICT;
CREATE INDEX note_by_batch ON note (batch);

CREATE TABLE command (
    seq         INTEGER PRIMARY KEY,
    batch       INTEGER NOT NULL REFERENCES batch (id),
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL
) STRICT;

CREATE TABLE clock (
    seq   INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE forecast (
    batch INTEGER NOT NULL REFERENCES batch (id),
    at_us INTEGER NOT NULL,
    body  TEXT NOT NULL,
    PRIMARY KEY (batch, at_us)
) WITHOUT ROWID, STRICT;

CREATE TABLE alert (
    id       INTEGER PRIMARY KEY,
    batch    INTEGER NOT NULL REFERENCES batch (id),
    alert    TEXT NOT NULL,
    state    TEXT NOT NULL,
    at_us    INTEGER NOT NULL,
    source   TEXT NOT NULL,
    quantity TEXT NOT NULL,
    body     TEXT NOT NULL,
    UNIQUE (batch, alert, source, quantity, at_us, state)
) STRICT;

CREATE TABLE outbox (
    id          INTEGER PRIMARY KEY,
    alert       INTEGER NOT NULL REFERENCES alert (id),
    destination TEXT NOT NULL,
    attempts    INTEGER NOT NULL DEFAULT 0,
    due_us      INTEGER NOT NULL,
    done_us     INTEGER,
    complaint   TEXT,
    UNIQUE (alert, destination)
) STRICT;
CREATE INDEX outbox_due ON outbox (destination, id) WHERE done_us IS NULL;

CREATE TABLE snapshot (
    batch    INTEGER PRIMARY KEY REFERENCES batch (id),
    seq      INTEGER NOT NULL,
    taken_us INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;

CREATE TABLE set_aside (
    batch   INTEGER NOT NULL REFERENCES batch (id),
    series  INTEGER NOT NULL REFERENCES series (id),
    reason  TEXT NOT NULL,
    count   INTEGER NOT NULL,
    last_us INTEGER NOT NULL,
    PRIMARY KEY (batch, series, reason)
) WITHOUT ROWID, STRICT;
", "
-- How far a time-series server was told, for each kind of thing; `what` names the kind, or the batch of the forecasts.
CREATE TABLE told (
    destination TEXT NOT NULL,
    what        TEXT NOT NULL,
    place       INTEGER NOT NULL,
    PRIMARY KEY (destination, what)
) WITHOUT ROWID, STRICT;
", "
-- What every five minutes of a sensor came to: kept for ever, also where the raw readings are not. Filled by `rollup::fill`.
CREATE TABLE rollup (
    series   INTEGER NOT NULL REFERENCES series (id),
    at_us    INTEGER NOT NULL,
    count    INTEGER NOT NULL,
    least    REAL NOT NULL,
    sum      REAL NOT NULL,
    most     REAL NOT NULL,
    first_us INTEGER NOT NULL,
    first    REAL NOT NULL,
    last_us  INTEGER NOT NULL,
    last     REAL NOT NULL,
    thinned  INTEGER NOT NULL,
    PRIMARY KEY (series, at_us)
) WITHOUT ROWID, STRICT;
", "
-- When a row was made; 0 in those of an earlier program. What was given up is done, too.
ALTER TABLE outbox ADD COLUMN made_us INTEGER NOT NULL DEFAULT 0;
ALTER TABLE outbox ADD COLUMN given_up INTEGER NOT NULL DEFAULT 0;
", "
-- The diary of the cultures; the very same entry twice is one.
CREATE TABLE diary (
    id          INTEGER PRIMARY KEY,
    culture     TEXT NOT NULL,
    at_us       INTEGER NOT NULL,
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL UNIQUE
) STRICT;
CREATE INDEX diary_by_time ON diary (at_us, id);
", "
-- Files that stand beside the store, in a backup of it; empty once they are put back.
CREATE TABLE beside (
    name TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID, STRICT;
", "
-- An alert may go to a destination again (`again`: 0 for the alert itself), in other words (`body`), and with others (`gathered`).
-- `since_us` is when it was due first. What was spared somebody is done as well.
CREATE TABLE outbox_again (
    id          INTEGER PRIMARY KEY,
    alert       INTEGER NOT NULL REFERENCES alert (id),
    destination TEXT NOT NULL,
    again       INTEGER NOT NULL DEFAULT 0,
    body        TEXT,
    gathered    INTEGER NOT NULL DEFAULT 0,
    attempts    INTEGER NOT NULL DEFAULT 0,
    made_us     INTEGER NOT NULL DEFAULT 0,
    since_us    INTEGER NOT NULL DEFAULT 0,
    due_us      INTEGER NOT NULL,
    done_us     INTEGER,
    spared      INTEGER NOT NULL DEFAULT 0,
    given_up    INTEGER NOT NULL DEFAULT 0,
    complaint   TEXT,
    UNIQUE (alert, destination, again)
) STRICT;
INSERT INTO outbox_again (id, alert, destination, attempts, made_us, since_us, due_us, done_us, given_up, complaint)
SELECT id, alert, destination, attempts, made_us, made_us, due_us, done_us, given_up, complaint FROM outbox;
DROP TABLE outbox;
ALTER TABLE outbox_again RENAME TO outbox;
CREATE INDEX outbox_due ON outbox (destination, id) WHERE done_us IS NULL;
", "
ALTER TABLE batch ADD COLUMN elsewhere TEXT;
", "
-- Readings as they came, until many together are taken to `reading` and `rollup`. Every place in the order here is behind all there.
CREATE TABLE fresh (
    seq         INTEGER PRIMARY KEY,
    series      INTEGER NOT NULL REFERENCES series (id),
    at_us       INTEGER NOT NULL,
    value       REAL NOT NULL,
    received_us INTEGER NOT NULL
) STRICT;
-- All of them, for whoever looks into the file.
CREATE VIEW arrived AS
    SELECT series, at_us, value, seq, received_us FROM reading
    UNION ALL SELECT series, at_us, value, seq, received_us FROM fresh;
", "
-- The order of arrival of the readings in `reading`, some hundred in a row: those up to the place `last` that are not in the row before.
-- Filled by `earlier::fill_arrivals`, which takes the index away that did this.
CREATE TABLE arrival (
    last INTEGER PRIMARY KEY,
    body BLOB NOT NULL
) STRICT;
", "
-- Readings by sensor and time, some hundred of one sensor in a row; what a body holds stands in `stretch/body.rs`. Rows of one sensor never
-- overlap. Filled by `earlier::fill_stretches`, which takes `reading` away.
CREATE TABLE stretch (
    id       INTEGER PRIMARY KEY,
    series   INTEGER NOT NULL REFERENCES series (id),
    first_us INTEGER NOT NULL,
    last_us  INTEGER NOT NULL,
    count    INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;
CREATE UNIQUE INDEX stretch_by_time ON stretch (series, first_us);
-- The order of arrival, as before; the bodies are others and stand in `arrival.rs`.
CREATE TABLE arrival_by_minute (
    last INTEGER PRIMARY KEY,
    body BLOB NOT NULL
) STRICT;
-- How many readings there are, and of when, for whoever looks into the file; `fobwatch export` has their values.
DROP VIEW arrived;
CREATE VIEW held AS
    SELECT series, first_us, last_us, count FROM stretch
    UNION ALL SELECT series, at_us, at_us, 1 FROM fresh;
"];

/// The first layout with rollups.
pub(super) const WITH_ROLLUPS: i64 = 3;

/// The first layout that knows batches of others (`elsewhere`: the prefix of who watches it).
pub(super) const WITH_ELSEWHERE: i64 = 8;

/// The first layout in which readings wait together for their places by time.
pub(super) const WITH_FRESH: i64 = 9;

/// The first layout that has the order of arrival beside the readings, not as an index of them.
pub(super) const WITH_ARRIVALS: i64 = 10;

/// The first layout that has many readings of a sensor in a row.
pub(super) const WITH_STRETCHES: i64 = 11;

/// The layout of this program's stores.
pub(super) fn latest() -> i64 {
    i64::try_from(STEPS.len()).unwrap_or(i64::MAX)
}
