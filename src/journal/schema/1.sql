-- Version 1 of lampkeep's log. docs/journal.md explains every table and column.

CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE start (
    id            INTEGER PRIMARY KEY,
    boot_id       TEXT NOT NULL,
    wall          TEXT NOT NULL,
    clock_unset   INTEGER NOT NULL,
    since_boot_us INTEGER NOT NULL,
    version       TEXT NOT NULL,
    set_name      TEXT NOT NULL,
    plan          TEXT NOT NULL,
    simulated     INTEGER NOT NULL
);

CREATE TABLE entry (
    id            INTEGER PRIMARY KEY,
    start         INTEGER NOT NULL REFERENCES start (id),
    seq           INTEGER NOT NULL,
    wall          TEXT NOT NULL,
    clock_unset   INTEGER NOT NULL,
    since_boot_us INTEGER NOT NULL,
    frame         INTEGER NOT NULL,
    kind          TEXT NOT NULL,
    said          TEXT NOT NULL,
    record        TEXT,
    UNIQUE (start, seq)
);
CREATE INDEX entry_by_kind ON entry (kind, id);

CREATE TABLE take (
    uid           TEXT PRIMARY KEY,
    origin        TEXT NOT NULL,
    number        INTEGER NOT NULL,
    name          TEXT NOT NULL,
    slate         TEXT NOT NULL,
    take          INTEGER NOT NULL,
    look          TEXT NOT NULL,
    plan          TEXT NOT NULL,
    frame_hash    TEXT NOT NULL,
    start         INTEGER REFERENCES start (id),
    seq           INTEGER,
    boot_id       TEXT NOT NULL,
    since_boot_us INTEGER NOT NULL,
    wall          TEXT NOT NULL,
    clock_unset   INTEGER NOT NULL,
    frame         INTEGER NOT NULL,
    rolled_s      REAL,
    steady        INTEGER,
    interrupted   INTEGER,
    mark          TEXT,
    record        TEXT NOT NULL,
    ended         TEXT,
    amended       TEXT NOT NULL
);
CREATE INDEX take_by_name ON take (slate, take);
CREATE INDEX take_by_number ON take (number);

CREATE TABLE text (
    hash TEXT PRIMARY KEY,
    text TEXT NOT NULL
);

CREATE TABLE plan_text (
    plan          TEXT NOT NULL,
    without_names INTEGER NOT NULL,
    position      INTEGER NOT NULL,
    role          TEXT NOT NULL,
    name          TEXT NOT NULL,
    hash          TEXT NOT NULL REFERENCES text (hash),
    PRIMARY KEY (plan, without_names, position)
) WITHOUT ROWID;

CREATE TABLE foreign_reading (
    origin TEXT NOT NULL,
    id     INTEGER NOT NULL,
    stamp  TEXT NOT NULL,
    record TEXT NOT NULL,
    PRIMARY KEY (origin, id)
) WITHOUT ROWID;

-- What follows is made of the above: for reading, by whatever tool.

CREATE VIEW light AS
SELECT id AS entry, start, seq, wall,
       json_extract(record, '$.scene')      AS scene,
       json_extract(record, '$.nudged')     AS nudged,
       json_extract(record, '$.plan')       AS plan,
       json_extract(record, '$.frame_hash') AS frame_hash
FROM entry WHERE kind = 'light';

CREATE VIEW light_lamp AS
SELECT e.id AS entry, e.wall,
       json_extract(l.value, '$.fixture')      AS fixture,
       json_extract(l.value, '$.body')         AS body,
       json_extract(l.value, '$.mode')         AS mode,
       json_extract(l.value, '$.universe')     AS universe,
       json_extract(l.value, '$.first_slot')   AS first_slot,
       json_extract(l.value, '$.asked.lux')    AS asked_lux,
       json_extract(l.value, '$.asked.stops')  AS asked_stops,
       json_extract(l.value, '$.asked.kelvin') AS asked_kelvin,
       json_extract(l.value, '$.asked.duv')    AS asked_duv,
       json_extract(l.value, '$.sent.lux')     AS sent_lux,
       json_extract(l.value, '$.sent.stops')   AS sent_stops,
       json_extract(l.value, '$.sent.kelvin')  AS sent_kelvin,
       json_extract(l.value, '$.sent.duv')     AS sent_duv,
       json_extract(l.value, '$.limited_by')   AS limited_by,
       json_extract(l.value, '$.slots')        AS slots
FROM entry e, json_each(e.record, '$.lamps') l WHERE e.kind = 'light';

CREATE VIEW take_lamp AS
SELECT t.uid, t.number, t.name,
       json_extract(l.value, '$.fixture')      AS fixture,
       json_extract(l.value, '$.body')         AS body,
       json_extract(l.value, '$.mode')         AS mode,
       json_extract(l.value, '$.universe')     AS universe,
       json_extract(l.value, '$.first_slot')   AS first_slot,
       json_extract(l.value, '$.asked.lux')    AS asked_lux,
       json_extract(l.value, '$.asked.stops')  AS asked_stops,
       json_extract(l.value, '$.asked.kelvin') AS asked_kelvin,
       json_extract(l.value, '$.asked.duv')    AS asked_duv,
       json_extract(l.value, '$.sent.lux')     AS sent_lux,
       json_extract(l.value, '$.sent.stops')   AS sent_stops,
       json_extract(l.value, '$.sent.kelvin')  AS sent_kelvin,
       json_extract(l.value, '$.sent.duv')     AS sent_duv,
       json_extract(l.value, '$.limited_by')   AS limited_by,
       json_extract(l.value, '$.slots')        AS slots
FROM take t, json_each(t.record, '$.light.lamps') l;

CREATE VIEW take_place AS
SELECT t.uid, t.number, t.name,
       json_extract(p.value, '$.fixture')    AS fixture,
       json_extract(p.value, '$.clock_deg')  AS clock_deg,
       json_extract(p.value, '$.height_m')   AS height_m,
       json_extract(p.value, '$.tilt_deg')   AS tilt_deg,
       json_extract(p.value, '$.distance_m') AS distance_m,
       json_extract(p.value, '$.modifiers')  AS modifiers,
       json_extract(p.value, '$.loss_stops') AS loss_stops
FROM take t, json_each(t.record, '$.places') p;

CREATE VIEW take_why AS
SELECT t.uid, t.number, t.name, w.value AS why
FROM take t, json_each(t.ended, '$.why') w;

CREATE VIEW reading AS
SELECT id AS entry, wall,
       json_extract(record, '$.id')         AS id,
       json_extract(record, '$.point')      AS point,
       json_extract(record, '$.lux')        AS lux,
       json_extract(record, '$.under')      AS under,
       json_extract(record, '$.kelvin')     AS kelvin,
       json_extract(record, '$.duv')        AS duv,
       json_extract(record, '$.dome')       AS dome,
       json_extract(record, '$.lit')        AS lit,
       json_extract(record, '$.look')       AS look,
       json_extract(record, '$.frame_hash') AS frame_hash,
       json_extract(record, '$.instrument') AS instrument
FROM entry WHERE kind = 'reading';

CREATE VIEW trim AS
SELECT id AS entry, wall,
       json_extract(record, '$.who')       AS who,
       json_extract(record, '$.old.stops') AS old_stops,
       json_extract(record, '$.old.mired') AS old_mired,
       json_extract(record, '$.old.duv')   AS old_duv,
       json_extract(record, '$.new.stops') AS new_stops,
       json_extract(record, '$.new.mired') AS new_mired,
       json_extract(record, '$.new.duv')   AS new_duv,
       json_extract(record, '$.why')       AS why,
       json_extract(record, '$.group')     AS undo_group
FROM entry WHERE kind = 'trims';

CREATE VIEW output_event AS
SELECT id AS entry, wall,
       json_extract(record, '$.output')       AS output,
       json_extract(record, '$.universe')     AS universe,
       json_extract(record, '$.event')        AS event,
       json_extract(record, '$.gap_s')        AS gap_s,
       json_extract(record, '$.frames')       AS frames,
       json_extract(record, '$.missed')       AS missed,
       json_extract(record, '$.reopened')     AS reopened,
       json_extract(record, '$.late_us_p999') AS late_us_p999,
       json_extract(record, '$.late_us_max')  AS late_us_max
FROM entry WHERE kind = 'output';

CREATE VIEW lamp_use AS
SELECT e.id AS entry, e.wall,
       json_extract(l.value, '$.lamp')       AS lamp,
       json_extract(l.value, '$.on_s')       AS on_s,
       json_extract(l.value, '$.lit_s')      AS lit_s,
       json_extract(l.value, '$.watts')      AS watts,
       json_extract(l.value, '$.body_est_c') AS body_est_c,
       json_extract(l.value, '$.limit_c')    AS limit_c,
       json_extract(l.value, '$.battery_wh') AS battery_wh
FROM entry e, json_each(e.record) l WHERE e.kind = 'lamps';

CREATE VIEW alert AS
SELECT id AS entry, wall,
       coalesce(json_extract(record, '$.alert.kind'), json_extract(record, '$.kind'))       AS kind,
       coalesce(json_extract(record, '$.alert.fixture'), json_extract(record, '$.fixture')) AS fixture,
       said,
       CASE kind WHEN 'told' THEN 'once'
                 ELSE CASE json_extract(record, '$.over') WHEN 1 THEN 'over' ELSE 'stands' END END AS course
FROM entry WHERE kind IN ('told', 'standing');

CREATE VIEW clock_event AS
SELECT id AS entry, start, seq, wall, since_boot_us,
       json_extract(record, '$.set_by_s')     AS set_by_s,
       json_extract(record, '$.unset')        AS unset,
       json_extract(record, '$.synchronised') AS synchronised
FROM entry WHERE kind = 'clock';

CREATE VIEW request AS
SELECT id AS entry, wall,
       json_extract(record, '$.request') AS request,
       json_extract(record, '$.done')    AS done,
       said
FROM entry WHERE kind = 'did';
