-- A log of version 1 with one take, dumped from one that lampkeep 0.1.0 wrote.
PRAGMA foreign_keys = OFF;
PRAGMA application_id = 0x4c4b4a4c;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
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
INSERT INTO "entry" VALUES(1,1,1,'2026-11-28T13:45:16.010500316Z',0,4030796568,0,'started','lampkeep 0.1.0 started, set interview, simulated, plan def63dffd2294ee3','{"version":"0.1.0","set":"interview","boot_id":"3301f7b3-4547-402e-af9d-8972b581efcc","plan":"def63dffd2294ee3","simulated":true,"goes_on":null}');
INSERT INTO "entry" VALUES(2,1,2,'2026-11-28T13:45:16.010508815Z',0,4030796576,0,'clock','the clock: nothing keeps it right','{"set_by_s":null,"unset":false,"synchronised":false}');
INSERT INTO "entry" VALUES(3,1,3,'2026-11-28T13:45:16.010629202Z',0,4030796697,0,'light','lit: dark','{"scene":"dark","nudged":false,"plan":"def63dffd2294ee3","lamps":[{"fixture":"key","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":1,"demand":{"lux":0.0,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":0.0,"stops":null,"kelvin":null,"duv":null,"x":null,"y":null},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":0.0,"stops":null,"kelvin":null,"duv":null,"x":null,"y":null},"limited_by":[],"absent":null,"slots":"00"},{"fixture":"fill","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":2,"demand":{"lux":0.0,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":0.0,"stops":null,"kelvin":null,"duv":null,"x":null,"y":null},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":0.0,"stops":null,"kelvin":null,"duv":null,"x":null,"y":null},"limited_by":[],"absent":null,"slots":"00"}],"outputs":[{"output":"desk","universe":1,"slots":"0000"}],"frame_hash":"75a462897bb9c6c73981884b8561ed207a5af8f6c3dc7dcaaa92fa8718eb1dbf"}');
INSERT INTO "entry" VALUES(4,1,4,'2026-11-28T13:45:16.010629696Z',0,4030796697,0,'texts','plan def63dffd2294ee3: 9 texts','{"plan":"def63dffd2294ee3","without_names":false,"texts":[]}');
INSERT INTO "entry" VALUES(5,1,5,'2026-11-28T13:45:16.260556135Z',0,4031046622,10,'output','output desk (universe 1) sends','{"output":"desk","universe":1,"event":"up","said":null,"frames":9,"missed":0,"reopened":0,"gap_s":null,"late_us_p999":49.350746413054104,"late_us_max":48.452}');
INSERT INTO "entry" VALUES(6,1,6,'2026-11-28T13:45:17.939393447Z',0,4032725460,77,'did','a · cut · 2 lamps','{"request":"recall","done":true,"said":"a · cut · 2 lamps","unlisted":0}');
INSERT INTO "entry" VALUES(7,1,7,'2026-11-28T13:45:17.960633363Z',0,4032746701,78,'light','lit: a · key +2.2, fill +0.4','{"scene":{"look":"a"},"nudged":false,"plan":"def63dffd2294ee3","lamps":[{"fixture":"key","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":1,"demand":{"lux":568.8888888888889,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":568.8888888888889,"stops":2.21536515444248,"kelvin":5600.000000000004,"duv":0.0,"x":0.33019982800183734,"y":0.33908111507904476},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":568.8888888888889,"stops":2.21536515444248,"kelvin":5600.000000000004,"duv":0.0,"x":0.3301998280018373,"y":0.3390811150790447},"limited_by":[],"absent":null,"slots":"cc"},{"fixture":"fill","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":2,"demand":{"lux":160.00000000000006,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":160.00000000000006,"stops":0.38529015588479243,"kelvin":5600.000000000004,"duv":0.0,"x":0.33019982800183734,"y":0.33908111507904476},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":160.00000000000003,"stops":0.38529015588479215,"kelvin":5600.000000000004,"duv":0.0,"x":0.3301998280018373,"y":0.3390811150790447},"limited_by":[],"absent":null,"slots":"66"}],"outputs":[{"output":"desk","universe":1,"slots":"cc66"}],"frame_hash":"e411fdf239dc05e63e580cf6498941fea93e2fee73a877c8602fed72a9d9a5a1"}');
INSERT INTO "entry" VALUES(8,1,8,'2026-11-28T13:45:18.954420628Z',0,4033740487,117,'did','take 4/1 rolls · a · 2 lamps','{"request":"take-start","done":true,"said":"take 4/1 rolls · a · 2 lamps","unlisted":0}');
INSERT INTO "entry" VALUES(9,1,9,'2026-11-28T13:45:18.960598104Z',0,4033746665,118,'take-started','take 4/1 (n1) rolls · a',NULL);
INSERT INTO "entry" VALUES(10,1,10,'2026-11-28T13:45:19.963212869Z',0,4034749280,158,'take-ended','take n1 over after 1.0 s · sent steady · marked good','{"number":1,"why":[],"mark":"good","rolled_s":1.025,"interrupted":false,"outputs":[{"output":"desk","rate":40,"frames":32,"missed":0,"gap_s":null,"late_us_p999":92.49157164653099}]}');
INSERT INTO "entry" VALUES(11,1,11,'2026-11-28T13:45:19.963227562Z',0,4034749295,158,'did','take 4/1 over after 1.0 s · sent steady · marked good','{"request":"take-end","done":true,"said":"take 4/1 over after 1.0 s · sent steady · marked good","unlisted":0}');
INSERT INTO "entry" VALUES(12,1,12,'2026-11-28T13:45:20.979720658Z',0,4035765788,198,'lamps','2 lamps on, 120 W','[{"lamp":"key","on_s":3.0249999999999932,"lit_s":3.0249999999999932,"watts":80.0,"body_est_c":null,"limit_c":null,"battery_wh":null},{"lamp":"fill","on_s":3.0249999999999932,"lit_s":3.0249999999999932,"watts":40.0,"body_est_c":null,"limit_c":null,"battery_wh":null}]');
INSERT INTO "entry" VALUES(13,1,13,'2026-11-28T13:45:20.979732826Z',0,4035765800,198,'stopped','lampkeep stopped, a','{"scene":{"look":"a"}}');
CREATE TABLE foreign_reading (
    origin TEXT NOT NULL,
    id     INTEGER NOT NULL,
    stamp  TEXT NOT NULL,
    record TEXT NOT NULL,
    PRIMARY KEY (origin, id)
) WITHOUT ROWID;
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;
INSERT INTO "meta" VALUES('machine','bf469995629f457f');
INSERT INTO "meta" VALUES('origin','022532a603c67c5b');
CREATE TABLE plan_text (
    plan          TEXT NOT NULL,
    without_names INTEGER NOT NULL,
    position      INTEGER NOT NULL,
    role          TEXT NOT NULL,
    name          TEXT NOT NULL,
    hash          TEXT NOT NULL REFERENCES text (hash),
    PRIMARY KEY (plan, without_names, position)
) WITHOUT ROWID;
INSERT INTO "plan_text" VALUES('def63dffd2294ee3',0,0,'plan','interview.toml','0ba799b69088e7156b9b5ddc39d849430fb02bbe560596f15153ddd94eb1b34c');
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
INSERT INTO "start" VALUES(1,'3301f7b3-4547-402e-af9d-8972b581efcc','2026-11-28T13:45:16.010500316Z',0,4030796568,'0.1.0','interview','def63dffd2294ee3',1);
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
INSERT INTO "take" VALUES('022532a603c67c5b-3301f7b3-1-9','022532a603c67c5b',1,'4/1','4',1,'a','def63dffd2294ee3','e411fdf239dc05e63e580cf6498941fea93e2fee73a877c8602fed72a9d9a5a1',1,9,'3301f7b3-4547-402e-af9d-8972b581efcc',4033746665,'2026-11-28T13:45:18.960598104Z',0,118,1.025,1,0,'good','{"number":1,"slate":"4","take":1,"name":"4/1","look":"a","light":{"scene":{"look":"a"},"nudged":false,"plan":"def63dffd2294ee3","lamps":[{"fixture":"key","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":1,"demand":{"lux":568.8888888888889,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":568.8888888888889,"stops":2.21536515444248,"kelvin":5600.000000000004,"duv":0.0,"x":0.33019982800183734,"y":0.33908111507904476},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":568.8888888888889,"stops":2.21536515444248,"kelvin":5600.000000000004,"duv":0.0,"x":0.3301998280018373,"y":0.3390811150790447},"limited_by":[],"absent":null,"slots":"cc"},{"fixture":"fill","body":null,"profile":"even","profile_hash":"9120d6f450f95eb3","mode":"dim","universe":1,"first_slot":2,"demand":{"lux":160.00000000000006,"colour":{"white":{"mired":178.57142857142858,"duv":0.0}}},"asked":{"lux":160.00000000000006,"stops":0.38529015588479243,"kelvin":5600.000000000004,"duv":0.0,"x":0.33019982800183734,"y":0.33908111507904476},"moves_in":null,"moved_s":0.0,"lamp_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"look_trim":{"stops":0.0,"mired":0.0,"duv":0.0},"sent":{"lux":160.00000000000003,"stops":0.38529015588479215,"kelvin":5600.000000000004,"duv":0.0,"x":0.3301998280018373,"y":0.3390811150790447},"limited_by":[],"absent":null,"slots":"66"}],"outputs":[{"output":"desk","universe":1,"slots":"cc66"}],"frame_hash":"e411fdf239dc05e63e580cf6498941fea93e2fee73a877c8602fed72a9d9a5a1"},"places":[{"fixture":"key","position_m":[-0.9380831519646858,-0.9380831519646861,0.7],"aim_m":[0.0,0.0,0.0],"clock_deg":225.0,"height_m":1.9,"tilt_deg":27.818139284653927,"distance_m":1.5,"modifiers":[],"loss_stops":0.0,"shift_mired":-0.0,"shift_duv":-0.0},{"fixture":"fill","position_m":[1.3856406460551018,-1.3856406460551016,0.40000000000000013],"aim_m":[0.0,0.0,0.0],"clock_deg":135.0,"height_m":1.6,"tilt_deg":11.536959032815494,"distance_m":1.9999999999999998,"modifiers":[],"loss_stops":0.0,"shift_mired":-0.0,"shift_duv":-0.0}],"lamps":[{"fixture":"key","sticker":null,"circuit":null,"on_s":1.0000000000000004,"body_est_c":null,"limit_c":null,"minutes_left":null,"battery_left":null},{"fixture":"fill","sticker":null,"circuit":null,"on_s":1.0000000000000004,"body_est_c":null,"limit_c":null,"minutes_left":null,"battery_left":null}],"bounces":[],"daylight":[],"subjects":[{"id":"pilot","position_m":[0.0,0.0,0.0],"figures":[["eye_height_m",1.2],["faces_deg",180.0]]}],"cameras":[{"id":"main","iso":800.0,"f_number":2.8,"nd":0.0,"shutter_s":0.02,"fps":null,"white_balance_k":5600.0,"zero_stops_lux":122.49999999999999}],"readings":[],"typed":[],"safe_min":null}','{"number":1,"why":[],"mark":"good","rolled_s":1.025,"interrupted":false,"outputs":[{"output":"desk","rate":40,"frames":32,"missed":0,"gap_s":null,"late_us_p999":92.49157164653099}]}','[]');
CREATE TABLE text (
    hash TEXT PRIMARY KEY,
    text TEXT NOT NULL
);
INSERT INTO "text" VALUES('0ba799b69088e7156b9b5ddc39d849430fb02bbe560596f15153ddd94eb1b34c','
on-stop = "hold"
rest = "low"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[subject.pilot]
[output.desk]
kind = "simulator"
[profile.even]
cooling = "fan"
heat = "no limit"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity" }] }
[look.a]
key = { of-full = "80 %" }
fill = { of-full = "40 %" }
[look.b]
key = { of-full = "60 %" }
fill = { of-full = "20 %" }
[look.low]
key = { of-full = "10 %" }
[fixture.key]
profile = "even"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[fixture.fill]
profile = "even"
address = 2
clock = "4:30"
height = "1.6 m"
distance = "2 m"
');
CREATE INDEX entry_by_kind ON entry (kind, id);
CREATE INDEX take_by_name ON take (slate, take);
CREATE INDEX take_by_number ON take (number);
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
COMMIT;
