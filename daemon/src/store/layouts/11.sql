-- A store of layout 11, as fobwatch 0.1.0 left it. Never changed: every later fobwatch has to open it.
PRAGMA user_version = 11;
PRAGMA foreign_keys = OFF; -- the tables stand by name here
BEGIN TRANSACTION;
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
INSERT INTO "alert" VALUES(1,1,'limit_near','raised',1772434800000000,'','','{"batch":"plum 1","alert":"limit_near","state":"raised","priority":"high","at":"2026-03-02T07:00:00Z","message":"The target of plum 1 lies above its limit: with 2.80 volumes the fullest bottle is at 1.76 bar even in the fridge at 4.0 °C, and your limit is 1.00 bar. It is at about 0.08 bar now. It passes the limit most likely Tue 3 Mar 19:00 UTC, between Mon 2 Mar 14:49 UTC and Tue 10 Mar 13:54 UTC. Move the bottles to the fridge before that. Carrying is when bottles burst: move the crate, wear eye protection. Letting gas off lowers the pressure for hours only. Do not wait for the target."}');
INSERT INTO "alert" VALUES(2,1,'over_limit','raised',1772438400000000,'','','{"batch":"plum 1","alert":"over_limit","state":"raised","priority":"critical","at":"2026-03-02T08:00:00Z","message":"Danger. plum 1 may be at your limit of 1.00 bar. Keep people and animals out of the room. Do not touch, open, move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls. The fullest bottle is estimated at 0.75 bar, and may be at 1.25 bar."}');
INSERT INTO "alert" VALUES(3,1,'limit_near','acknowledged',1772442614500000,'','','{"batch":"plum 1","alert":"limit_near","state":"acknowledged","priority":"high","at":"2026-03-02T09:10:14.5Z","message":"The fullest bottle of plum 1 may pass your limit of 1.00 bar within 24 hours: the chance is 100 %. It is at about 2.03 bar and may reach 13.25 bar. It passes the limit most likely Mon 2 Mar 09:00 UTC, between Mon 2 Mar 09:00 UTC and Mon 2 Mar 09:00 UTC. Danger. Keep people and animals out of the room. Do not touch, open, move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls.","who":"Ada"}');
INSERT INTO "alert" VALUES(4,1,'over_limit','acknowledged',1772442614500000,'','','{"batch":"plum 1","alert":"over_limit","state":"acknowledged","priority":"critical","at":"2026-03-02T09:10:14.5Z","message":"Danger. plum 1 may be at your limit of 1.00 bar. Keep people and animals out of the room. Do not touch, open, move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls. The gauge pilot read 1.05 bar on Mon 2 Mar 09:10 UTC.","who":"Ada"}');
CREATE TABLE "arrival" (
    last INTEGER PRIMARY KEY,
    body BLOB NOT NULL
) STRICT;
INSERT INTO "arrival" VALUES(25,X'01180402000014020203040304030403040304030403040304030403040304C883961C0014131413141314131413141314131413141314131413');
CREATE TABLE batch (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL,
    slug     TEXT NOT NULL,
    text     TEXT NOT NULL,
    added_us INTEGER NOT NULL,
    ended_us INTEGER
, elsewhere TEXT) STRICT;
INSERT INTO "batch" VALUES(1,'plum 1','plum-1','name = "plum 1"
culture = "jar two"
bottled_at = "2026-03-02T07:00:00Z"
[drink]
sucrose_g_per_l = 60.0
culture_ml_per_l = 25.0
[bottle]
material = "pet"
capacity_ml = 500
fill_ml = 475
count = 4
pressure_limit_bar = 1.0
[target]
co2_volumes = 2.8
fridge_c = 4.0
[sensors]
pressure = "pilot"
',1795630060459710,NULL,NULL);
INSERT INTO "batch" VALUES(2,'jar two 5','jar-two-5','name = "jar two 5"
culture = "jar two"
bottled_at = "2026-03-02T07:00:00Z"
[drink]
sucrose_g_per_l = 60.0
culture_ml_per_l = 25.0
[bottle]
material = "pet"
capacity_ml = 500
fill_ml = 475
count = 4
pressure_limit_bar = 1.0
[target]
co2_volumes = 2.8
fridge_c = 4.0
[sensors]
pressure = "pilot"
',1795630060459710,NULL,'site/east');
CREATE TABLE beside (
    name TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID, STRICT;
CREATE TABLE clock (
    seq   INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL
) STRICT;
INSERT INTO "clock" VALUES(32,1772442600000000);
CREATE TABLE command (
    seq         INTEGER PRIMARY KEY,
    batch       INTEGER NOT NULL REFERENCES batch (id),
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL
) STRICT;
INSERT INTO "command" VALUES(30,1,1795630063551407,'{"at":"2026-03-02T09:10:14.5Z","alert":"limit_near","who":"Ada","deed":"acknowledge"}');
INSERT INTO "command" VALUES(31,1,1795630063583350,'{"at":"2026-03-02T09:10:14.5Z","alert":"over_limit","who":"Ada","deed":"acknowledge"}');
CREATE TABLE diary (
    id          INTEGER PRIMARY KEY,
    culture     TEXT NOT NULL,
    at_us       INTEGER NOT NULL,
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO "diary" VALUES(1,'jar two',1772352000000000,1772352001000000,'{"record":"diary","culture":"jar two","time":"2026-03-01T08:00:00Z","deed":"fed","grams":20.0}');
CREATE TABLE forecast (
    batch INTEGER NOT NULL REFERENCES batch (id),
    at_us INTEGER NOT NULL,
    body  TEXT NOT NULL,
    PRIMARY KEY (batch, at_us)
) WITHOUT ROWID, STRICT;
INSERT INTO "forecast" VALUES(1,1772434800000000,'{"batch":"plum 1","at":"2026-03-02T07:00:00Z","co2":{"p05":0.0002059560358317294,"p50":0.029849610803903283,"p95":0.5430515245961609},"target_at":{"p05":"2026-03-03T23:13:46.394450251Z","p50":"2026-03-06T18:29:00.546585123Z","p95":"2026-03-28T13:21:02.07963563Z"},"move_at":{"p05":"2026-03-03T13:23:01.642458906Z","p50":"2026-03-06T14:41:23.324543014Z","p95":null},"limit_at":{"p05":"2026-03-02T14:49:30Z","p50":"2026-03-03T19:00:00Z","p95":"2026-03-10T13:54:00Z"},"if_forgotten":{"pressure":{"p50":1158160.9275336384,"p95":2948092.4272917784},"co2":{"p50":6.987807698437224,"p95":14.140576441941601},"alcohol":{"p50":0.021888059340988444,"p95":0.04011901041182859}},"vigour":{"p05":0.40521922826420725,"p50":1.0884272553232255,"p95":2.4570667777977464},"lag":{"p05":4.254669015058511,"p50":27.92557593974245,"p95":78.41131546184825}}');
INSERT INTO "forecast" VALUES(1,1772436600000000,'{"batch":"plum 1","at":"2026-03-02T07:30:00Z","co2":{"p05":0.17287344467709778,"p50":0.2888753973870387,"p95":0.45892830191606404},"target_at":{"p05":"2026-03-03T04:08:15.754820807Z","p50":"2026-03-06T04:32:38.164229727Z","p95":"2026-03-22T11:43:33.027198214Z"},"move_at":{"p05":"2026-03-03T00:31:54.075558734Z","p50":"2026-03-06T01:15:48.392556781Z","p95":"2026-03-31T21:43:42.438934082Z"},"limit_at":{"p05":"2026-03-02T11:54:00Z","p50":"2026-03-03T18:30:00Z","p95":"2026-03-06T07:18:00Z"},"if_forgotten":{"pressure":{"p50":1188408.126294328,"p95":2652009.0894823014},"co2":{"p50":7.3501978970843895,"p95":14.201381835872459},"alcohol":{"p50":0.022645839554606476,"p95":0.04015031771744501}},"vigour":{"p05":0.40882569291173537,"p50":1.089437126965658,"p95":2.99084213237648},"lag":{"p05":0.6734986533628662,"p50":27.39536939125484,"p95":78.43445204424486}}');
CREATE TABLE fresh (
    seq         INTEGER PRIMARY KEY,
    series      INTEGER NOT NULL REFERENCES series (id),
    at_us       INTEGER NOT NULL,
    value       REAL NOT NULL,
    received_us INTEGER NOT NULL
) STRICT;
INSERT INTO "fresh" VALUES(26,1,1772442014500000,97000.0,1795630060507459);
INSERT INTO "fresh" VALUES(27,2,1772442014500000,294.15,1795630060507459);
INSERT INTO "fresh" VALUES(28,1,1772442614500000,105000.0,1795630060507459);
INSERT INTO "fresh" VALUES(29,2,1772442614500000,294.25,1795630060507459);
CREATE TABLE note (
    seq         INTEGER PRIMARY KEY,
    batch       INTEGER NOT NULL REFERENCES batch (id),
    received_us INTEGER NOT NULL,
    body        TEXT NOT NULL
) STRICT;
INSERT INTO "note" VALUES(1,1,1795630060487466,'{"at":"2026-03-02T07:00:00Z","kind":"squeezed","bottles":null,"value":null,"unit":null,"text":"soft"}');
CREATE TABLE "outbox" (
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
INSERT INTO "outbox" VALUES(1,1,'kitchen broker',0,NULL,0,0,0,0,0,NULL,0,0,NULL);
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
INSERT INTO "rollup" VALUES(1,1772434800000000,1,1000.0,1000.0,1000.0,1772434814500000,1000.0,1772434814500000,1000.0,0);
INSERT INTO "rollup" VALUES(1,1772435400000000,1,9000.0,9000.0,9000.0,1772435414500000,9000.0,1772435414500000,9000.0,0);
INSERT INTO "rollup" VALUES(1,1772436000000000,1,17000.0,17000.0,17000.0,1772436014500000,17000.0,1772436014500000,17000.0,0);
INSERT INTO "rollup" VALUES(1,1772436600000000,1,25000.0,25000.0,25000.0,1772436614500000,25000.0,1772436614500000,25000.0,0);
INSERT INTO "rollup" VALUES(1,1772437200000000,1,33000.0,33000.0,33000.0,1772437214500000,33000.0,1772437214500000,33000.0,0);
INSERT INTO "rollup" VALUES(1,1772437800000000,1,41000.0,41000.0,41000.0,1772437814500000,41000.0,1772437814500000,41000.0,0);
INSERT INTO "rollup" VALUES(1,1772438400000000,1,49000.0,49000.0,49000.0,1772438414500000,49000.0,1772438414500000,49000.0,0);
INSERT INTO "rollup" VALUES(1,1772439000000000,1,5.69999999999999927254e+04,5.69999999999999927254e+04,5.69999999999999927254e+04,1772439014500000,5.69999999999999927254e+04,1772439014500000,5.69999999999999927254e+04,0);
INSERT INTO "rollup" VALUES(1,1772439600000000,1,65000.0,65000.0,65000.0,1772439614500000,65000.0,1772439614500000,65000.0,0);
INSERT INTO "rollup" VALUES(1,1772440200000000,1,73000.0,73000.0,73000.0,1772440214500000,73000.0,1772440214500000,73000.0,0);
INSERT INTO "rollup" VALUES(1,1772440800000000,1,81000.0,81000.0,81000.0,1772440814500000,81000.0,1772440814500000,81000.0,0);
INSERT INTO "rollup" VALUES(1,1772441400000000,1,89000.0,89000.0,89000.0,1772441414500000,89000.0,1772441414500000,89000.0,0);
INSERT INTO "rollup" VALUES(2,1772434800000000,1,294.15,294.15,294.15,1772434814500000,294.15,1772434814500000,294.15,0);
INSERT INTO "rollup" VALUES(2,1772435400000000,1,294.25,294.25,294.25,1772435414500000,294.25,1772435414500000,294.25,0);
INSERT INTO "rollup" VALUES(2,1772436000000000,1,2.94349999999999965907e+02,2.94349999999999965907e+02,2.94349999999999965907e+02,1772436014500000,2.94349999999999965907e+02,1772436014500000,2.94349999999999965907e+02,0);
INSERT INTO "rollup" VALUES(2,1772436600000000,1,294.15,294.15,294.15,1772436614500000,294.15,1772436614500000,294.15,0);
INSERT INTO "rollup" VALUES(2,1772437200000000,1,294.25,294.25,294.25,1772437214500000,294.25,1772437214500000,294.25,0);
INSERT INTO "rollup" VALUES(2,1772437800000000,1,2.94349999999999965907e+02,2.94349999999999965907e+02,2.94349999999999965907e+02,1772437814500000,2.94349999999999965907e+02,1772437814500000,2.94349999999999965907e+02,0);
INSERT INTO "rollup" VALUES(2,1772438400000000,1,294.15,294.15,294.15,1772438414500000,294.15,1772438414500000,294.15,0);
INSERT INTO "rollup" VALUES(2,1772439000000000,1,294.25,294.25,294.25,1772439014500000,294.25,1772439014500000,294.25,0);
INSERT INTO "rollup" VALUES(2,1772439600000000,1,2.94349999999999965907e+02,2.94349999999999965907e+02,2.94349999999999965907e+02,1772439614500000,2.94349999999999965907e+02,1772439614500000,2.94349999999999965907e+02,0);
INSERT INTO "rollup" VALUES(2,1772440200000000,1,294.15,294.15,294.15,1772440214500000,294.15,1772440214500000,294.15,0);
INSERT INTO "rollup" VALUES(2,1772440800000000,1,294.25,294.25,294.25,1772440814500000,294.25,1772440814500000,294.25,0);
INSERT INTO "rollup" VALUES(2,1772441400000000,1,2.94349999999999965907e+02,2.94349999999999965907e+02,2.94349999999999965907e+02,1772441414500000,2.94349999999999965907e+02,1772441414500000,2.94349999999999965907e+02,0);
CREATE TABLE series (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,
    quantity  TEXT NOT NULL,
    UNIQUE (source, quantity)
) STRICT;
INSERT INTO "series" VALUES(1,'pilot','pressure');
INSERT INTO "series" VALUES(2,'kitchen','room_temperature');
CREATE TABLE set_aside (
    batch   INTEGER NOT NULL REFERENCES batch (id),
    series  INTEGER NOT NULL REFERENCES series (id),
    reason  TEXT NOT NULL,
    count   INTEGER NOT NULL,
    last_us INTEGER NOT NULL,
    PRIMARY KEY (batch, series, reason)
) WITHOUT ROWID, STRICT;
INSERT INTO "set_aside" VALUES(1,2,'several_sources',3,1772442600000000);
CREATE TABLE snapshot (
    batch    INTEGER PRIMARY KEY REFERENCES batch (id),
    seq      INTEGER NOT NULL,
    taken_us INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;
CREATE TABLE stretch (
    id       INTEGER PRIMARY KEY,
    series   INTEGER NOT NULL REFERENCES series (id),
    first_us INTEGER NOT NULL,
    last_us  INTEGER NOT NULL,
    count    INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;
INSERT INTO "stretch" VALUES(1,1,1772434814500000,1772441414500000,12,X'0104040000080200B00900000800C6D2B08692C60A0000090101A01F80FA0180FA0180FA0180FA0180FA0180FA0181FA0180FA0180FA0180FA0180FA01');
INSERT INTO "stretch" VALUES(2,2,1772434814500000,1772441414500000,12,X'0106040000080200B00900000800C6D2B08692C60A00000903019C970728294E28294E28294E2829');
CREATE TABLE told (
    destination TEXT NOT NULL,
    what        TEXT NOT NULL,
    place       INTEGER NOT NULL,
    PRIMARY KEY (destination, what)
) WITHOUT ROWID, STRICT;
INSERT INTO "told" VALUES('series:http://127.0.0.1:8086/ fobwatch fobwatch','readings',12);
CREATE UNIQUE INDEX live_batch_slug ON batch (slug) WHERE ended_us IS NULL;
CREATE INDEX note_by_batch ON note (batch);
CREATE INDEX diary_by_time ON diary (at_us, id);
CREATE INDEX outbox_due ON outbox (destination, id) WHERE done_us IS NULL;
CREATE UNIQUE INDEX stretch_by_time ON stretch (series, first_us);
CREATE VIEW held AS
    SELECT series, first_us, last_us, count FROM stretch
    UNION ALL SELECT series, at_us, at_us, 1 FROM fresh;
COMMIT;
