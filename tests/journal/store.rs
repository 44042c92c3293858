//! The log's file: takes in and out, versions, takes between machines, order.

use std::path::Path;

use lampkeep::control::{FailureKind, JournalStatus, TakeMark};
use lampkeep::engine::Event;
use lampkeep::journal::snapshot::Snapshot;
use lampkeep::journal::{
    Entry, File, Found, Place, Queue, Stamp, Store, TakeAmend, TakeName, Wanted, What, exchange, find,
    schema, sha256, work,
};
use rusqlite::Connection;

use crate::made::{self, Set};

fn store(folder: &Path, random: u64) -> Store {
    Store::open(folder, "this machine", random).unwrap()
}

/// A start with takes: two of slate 4, the second not good; one of slate 5 that is still open.
fn some_takes(plan_folder: &Path) -> Set {
    let mut set = Set::start(made::plan(plan_folder), "b00t-0001", "2026-05-04T10:00:00Z", None, 0.0);
    set.run(0.5);
    set.done(r#"{"do":"recall","look":"a","over_s":0}"#);
    set.run(2.0);
    for (take, mark) in [("4", "good"), ("4", "bad"), ("5", "")] {
        set.done(&format!(r#"{{"do":"take-start","slate":"{take}"}}"#));
        set.run(3.0);
        if !mark.is_empty() {
            set.done(&format!(r#"{{"do":"take-end","mark":"{mark}"}}"#));
        }
        set.run(1.0);
    }
    set
}

fn take(store: &Store, name: &str) -> Result<lampkeep::journal::TakeFound, lampkeep::control::Failure> {
    let name: TakeName = name.parse().unwrap();
    find(store.db(), store.origin(), &Wanted::Take(name)).map(|found| match found {
        Found::Take(take) => *take,
        other => panic!("{other:?}"),
    })
}

#[test]
fn takes_come_back_by_slate_and_by_number_as_they_were_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let entries = set.entries();
    let recorded = |number: u64| {
        entries.iter().find_map(|e| match &e.what {
            What::TakeStarted(take) if take.number == number => Some((**take).clone()),
            _ => None,
        })
    };
    let mut store = store(&dir.path().join("state"), 0xabcd);
    store.append(&entries).unwrap();
    for (name, number) in [("4/1", 1), ("n2", 2), ("5/1", 3)] {
        let found = take(&store, name).unwrap();
        assert_eq!(Some(&found.record), recorded(number).as_ref(), "{name}, to the last bit");
        assert_eq!((found.log_name, found.imported), (format!("n{number}"), false));
    }
    let ended = take(&store, "4/2").unwrap().end.unwrap();
    // Its lamps were lit a minute before: cold, and nothing else.
    let cold = ended.why.iter().all(|why| why.starts_with("a lamp cold:"));
    assert_eq!((ended.mark, ended.why.len(), cold), (Some(TakeMark::Bad), 1, true));
    assert_eq!(take(&store, "5/1").unwrap().end, None, "it rolls");
    let unknown = take(&store, "9/9").unwrap_err();
    assert_eq!((unknown.kind, unknown.said.as_str()), (FailureKind::UnknownTake, "the log has no take 9/9"));
    assert_eq!(store.last_take().unwrap(), 3);
    let reach = store.reach().unwrap();
    assert_eq!((reach.start, reach.seq, reach.unbroken), (1, entries.last().unwrap().stamp.seq, true));
    // The same again changes nothing: a commit of which nobody knows whether it came through is tried anew.
    store.append(&entries).unwrap();
    let count: usize = store.db().query_row("SELECT count(*) FROM entry", [], |r| r.get(0)).unwrap();
    assert_eq!(count, entries.len());
}

#[test]
fn a_name_that_two_takes_have_lists_both() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let entries = set.entries();
    let mut store = store(&dir.path().join("state"), 0xabcd);
    store.append(&entries).unwrap();
    let amend = TakeAmend { number: 2, take: Some(1), ..TakeAmend::default() };
    let last = entries.last().unwrap().stamp.clone();
    let amended = Entry { stamp: Stamp { seq: last.seq + 1, ..last }, what: What::TakeAmended(amend) };
    store.append(&[amended]).unwrap();
    let failure = take(&store, "4/1").unwrap_err();
    assert_eq!(failure.kind, FailureKind::AmbiguousTake);
    assert_eq!(
        failure.said,
        "2 takes are called 4/1: n1 (4/1 at 2026-05-04 10:00, a), n2 (4/1 at 2026-05-04 10:00, a)"
    );
    assert_eq!(failure.hint.as_deref(), Some("say which by its log number, such as n1"));
    assert_eq!(take(&store, "n2").unwrap().record.name, "4/1");
}

#[test]
fn a_take_that_was_open_at_the_next_start_is_closed_as_interrupted() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let mut store = store(&dir.path().join("state"), 0xabcd);
    store.append(&set.entries()).unwrap();
    // The state file was lost with the power: only the log knows.
    let mut next = Set::start(made::plan(dir.path()), "b00t-0002", "2026-05-05T10:00:00Z", None, 0.0);
    next.run(0.5);
    store.append(&next.entries()).unwrap();
    let end = take(&store, "5/1").unwrap().end.unwrap();
    assert!(end.interrupted && end.why[0].starts_with("interrupted"), "{end:?}");
    assert!((0.0..=4.0).contains(&end.rolled_s), "as far as the log went: {end:?}");
}

/// A take that rolled when its log was copied to another machine once rolled there for ever.
#[test]
fn a_take_that_rolled_on_another_machine_is_closed_too() {
    let dir = tempfile::tempdir().unwrap();
    let state = dir.path().join("state");
    let mut there = Store::open(&state, "one", 0xa).unwrap();
    there.append(&some_takes(dir.path()).entries()).unwrap();
    drop(there);
    let mut here = Store::open(&state, "two", 0xc).unwrap();
    let mut next = Set::start(made::plan(dir.path()), "b00t-0002", "2026-05-05T10:00:00Z", None, 0.0);
    next.run(0.5);
    here.append(&next.entries()).unwrap();
    let end = take(&here, "n3@000000000000000a").unwrap().end.unwrap();
    assert!(end.interrupted && end.why[0].starts_with("interrupted"), "{end:?}");
}

/// The order of records is by start and sequence; the wall clock may do what it likes.
#[test]
fn clock_steps_of_a_year_in_a_take_leave_the_order_and_the_length_of_the_take() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = Set::start(made::plan(dir.path()), "b00t-0001", "2026-05-04T10:00:00Z", None, 0.0);
    set.run(0.5);
    set.done(r#"{"do":"recall","look":"a","over_s":0}"#);
    set.run(2.0);
    set.done(r#"{"do":"take-start","slate":"4"}"#);
    for wall in ["2027-05-04T10:00:00Z", "2025-05-04T10:00:00Z", "1970-01-01T00:00:00Z"] {
        set.run(10.0);
        set.wall = wall.parse().unwrap();
        set.done(r#"{"do":"cold","lamp":"all"}"#);
    }
    set.run(10.0);
    set.done(r#"{"do":"take-end"}"#);
    let entries = set.entries();
    let mut store = store(&dir.path().join("state"), 1);
    store.append(&entries).unwrap();
    let end = take(&store, "4/1").unwrap().end.unwrap();
    assert!((end.rolled_s - 40.0).abs() < 0.05, "{end:?}");
    let mut read =
        store.db().prepare("SELECT seq, since_boot_us, clock_unset FROM entry ORDER BY id").unwrap();
    let rows: Vec<(u64, u64, bool)> =
        read.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap().map(Result::unwrap).collect();
    assert!(rows.windows(2).all(|w| w[1].0 == w[0].0 + 1 && w[1].1 >= w[0].1), "{rows:?}");
    assert!(rows.last().unwrap().2 && !rows[0].2, "the last clock was never set");
    assert!(store.reach().unwrap().unbroken);
}

#[test]
fn takes_go_to_another_machine_once_and_their_numbers_do_not_clash() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let mut here = store(&dir.path().join("here"), 0x1111_2222_3333_4444);
    here.append(&set.entries()).unwrap();
    let mut file = Vec::new();
    let out = exchange::export(here.db(), here.origin(), "2026-05-04T12:00:00Z", &mut file).unwrap();
    assert_eq!((out.takes, out.texts > 0), (3, true));

    // Another machine with takes of the same names and numbers.
    let mut there = Store::open(&dir.path().join("there"), "another machine", 0x1111_9999_0000_0000).unwrap();
    let mut other = some_takes(dir.path());
    there.append(&other.entries()).unwrap();
    let done = exchange::import(&mut there, &file[..]).unwrap();
    assert_eq!((done.takes, done.new), (3, 3));
    let again = exchange::import(&mut there, &file[..]).unwrap();
    assert_eq!((again.takes, again.new), (3, 0), "a second time changes nothing");
    assert_eq!(take(&there, "n2").unwrap().log_name, "n2", "a bare number is the log's own");
    assert!(!take(&there, "n2").unwrap().imported);
    let foreign = take(&there, "n2@11112").unwrap();
    assert_eq!(
        (foreign.log_name.as_str(), foreign.imported),
        ("n2@11112", true),
        "as few digits as tell them apart"
    );
    assert_eq!(foreign.record, take(&here, "n2").unwrap().record, "to the last bit");
    assert_eq!(take(&there, "4/2").unwrap_err().kind, FailureKind::AmbiguousTake);
    assert_eq!(there.last_take().unwrap(), 3, "the next one's number is not moved by theirs");
    // Home again nothing is new, and a take amended since comes over.
    let mut back = Vec::new();
    exchange::export(there.db(), there.origin(), "2026-05-04T13:00:00Z", &mut back).unwrap();
    assert_eq!(exchange::import(&mut here, &back[..]).unwrap().new, 3, "theirs alone");
    assert_eq!(take(&here, "n2").unwrap().log_name, "n2");

    for (spoilt, said) in [
        (file[..file.len() - 10].to_vec(), "it was cut short: its last line is missing"),
        (
            String::from_utf8(file.clone()).unwrap().replace("\"take\":2,", "\"take\":7,").into_bytes(),
            "something in it was changed on its way: its bytes do not give the hash of its last line",
        ),
        (b"{}\n".to_vec(), "it is no file of takes: its first line does not say so"),
        (b"PK\x03\x04".to_vec(), "it is no file of takes: its first line does not say so"),
        (Vec::new(), "it is no file of takes: its first line does not say so"),
        (
            String::from_utf8(file.clone())
                .unwrap()
                .replace("{\"version\":1,", "{\"version\":2,")
                .into_bytes(),
            "it is of version 2, this lampkeep reads 1",
        ),
    ] {
        let mut empty = Store::open(&dir.path().join("empty"), "m", 5).unwrap();
        assert_eq!(exchange::import(&mut empty, &spoilt[..]).unwrap_err().to_string(), said);
        let takes: i64 = empty.db().query_row("SELECT count(*) FROM take", [], |r| r.get(0)).unwrap();
        assert_eq!(takes, 0, "whole or not at all");
    }
}

#[test]
fn a_log_that_was_copied_to_another_machine_goes_on_under_a_name_of_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let state = dir.path().join("state");
    let first = Store::open(&state, "one", 0xa).unwrap().origin().to_owned();
    assert_eq!(Store::open(&state, "one", 0xb).unwrap().origin(), first);
    assert_ne!(Store::open(&state, "two", 0xc).unwrap().origin(), first);
}

/// Every earlier version of the tables, as SQL text: `tests/journal_versions/N.sql`, with one take in each.
#[test]
fn logs_of_every_version_are_brought_to_this_one_with_their_takes() {
    for version in 1..=schema::VERSION {
        let text = std::fs::read_to_string(format!("tests/journal_versions/{version}.sql"));
        let text = text.unwrap_or_else(|e| panic!("version {version} has no example: {e}"));
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join(lampkeep::journal::NAME);
        Connection::open(&file).unwrap().execute_batch(&text).unwrap();
        let store = store(dir.path(), 1);
        let now: i64 = store.db().pragma_query_value(None, "user_version", |r| r.get(0)).unwrap();
        assert_eq!(now, schema::VERSION);
        let found = take(&store, "4/1").unwrap();
        assert_eq!((found.record.number, found.record.look.as_str(), found.end.is_some()), (1, "a", true));
        assert_eq!(found.record.light.outputs[0].slots, "cc66", "80 % and 40 % of 255, by hand: 204 and 102");
        // The tables are those of a new log.
        let sql = "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%' ORDER BY name";
        let tables = |db: &Connection| -> Vec<(String, String, String)> {
            let mut statement = db.prepare(sql).unwrap();
            statement
                .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
                .unwrap()
                .map(Result::unwrap)
                .collect()
        };
        let fresh = Store::open(&dir.path().join("fresh"), "m", 1).unwrap();
        assert_eq!(tables(store.db()), tables(fresh.db()), "from version {version}");
    }
}

/// After an update the log may be read before the daemon has run: the copy is brought to this version, the file is not
/// touched. An empty file is version 0.
#[test]
fn a_log_of_an_earlier_version_is_read_before_the_daemon_has_met_it() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("earlier.db");
    std::fs::write(&file, "").unwrap();
    let copy = Snapshot::of(&file, dir.path(), 7).unwrap();
    assert_eq!(copy.takes(usize::MAX).unwrap(), []);
    assert_eq!(copy.reach().unwrap().seq, 0);
    assert_eq!(std::fs::read(&file).unwrap(), b"");
    for version in 1..=schema::VERSION {
        let text = std::fs::read_to_string(format!("tests/journal_versions/{version}.sql")).unwrap();
        let file = dir.path().join(format!("{version}.db"));
        Connection::open(&file).unwrap().execute_batch(&text).unwrap();
        let before = std::fs::read(&file).unwrap();
        let copy = Snapshot::of(&file, dir.path(), 8).unwrap();
        assert_eq!(copy.take(&"4/1".parse().unwrap()).unwrap().record.look, "a", "version {version}");
        assert_eq!(std::fs::read(&file).unwrap(), before);
    }
}

#[test]
fn a_copy_is_read_while_the_log_is_held_and_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let state = dir.path().join("state");
    let mut store = store(&state, 1);
    let entries = set.entries();
    let (first, rest) = entries.split_at(entries.len() / 2);
    store.append(first).unwrap();
    let file = state.join(lampkeep::journal::NAME);
    let busy = Store::open(&state, "this machine", 1).unwrap_err();
    assert!(busy.is_busy(), "{busy}");
    let copy = Snapshot::of(&file, dir.path(), 7).unwrap();
    assert_eq!(copy.reach().unwrap().seq, first.last().unwrap().stamp.seq);
    store.append(rest).unwrap();
    let copy = Snapshot::of(&file, dir.path(), 8).unwrap();
    assert_eq!(copy.reach().unwrap().seq, entries.last().unwrap().stamp.seq);
    assert_eq!(copy.takes(usize::MAX).unwrap().len(), 3);
    drop(copy);
    let left: Vec<_> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.starts_with("lampkeep-log"))
        .collect();
    assert!(left.len() <= 1, "copies are removed with what reads them: {left:?}");
}

/// Old records go, but never the newest 5000, and never what belongs to takes or what people typed.
#[test]
fn old_records_are_pruned_and_takes_stay() {
    let dir = tempfile::tempdir().unwrap();
    let mut set = some_takes(dir.path());
    let state = dir.path().join("state");
    let mut store = store(&state, 1);
    store.append(&set.entries()).unwrap();
    // A year of a quiet set: each half an hour what its lamps did, each day something that was told.
    let sql = "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 17520) \
               INSERT INTO entry (start, seq, wall, clock_unset, since_boot_us, frame, kind, said, record) \
               SELECT 1, 1000 + i, strftime('%Y-%m-%dT%H:%M:%SZ', julianday('2026-05-05') + i / 48.0), 0, i, i, \
               iif(i % 48 = 0, 'told', iif(i % 4800 = 1, 'note', 'lamps')), 'x', '[]' FROM n";
    store.db().execute(sql, []).unwrap();
    let counts = |db: &Connection| -> Vec<(String, i64)> {
        let sql = "SELECT kind, count(*) FROM entry GROUP BY kind ORDER BY kind";
        let mut statement = db.prepare(sql).unwrap();
        statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    let before = counts(store.db());
    let of = |counts: &[(String, i64)], kind: &str| counts.iter().find(|c| c.0 == kind).map_or(0, |c| c.1);
    drop(store);
    let size = |name: &str| std::fs::metadata(state.join(name)).map_or(0, |m| m.len());
    let big = size("journal.db");
    // The log's thread does it when it starts.
    let place = Place { folder: state.clone(), machine: "this machine".into(), random: 1 };
    let (queue, jobs) = Queue::new();
    let (engine, _told) = std::sync::mpsc::sync_channel(64);
    drop(queue);
    assert_eq!(work(&jobs, &engine, File::new(place)), 0);
    let store = self::store(&state, 1);
    let after = counts(store.db());
    for kind in ["started", "texts", "take-started", "take-ended", "note"] {
        assert_eq!(of(&before, kind), of(&after, kind), "{kind}");
    }
    assert!(of(&after, "lamps") <= 5000 && of(&after, "lamps") >= 4800, "{after:?}");
    // 5000 half hours are 104 days: all that was told in them stays, though 90 days would be enough.
    assert!((104..=106).contains(&of(&after, "told")), "{after:?}");
    assert_eq!(take(&store, "4/2").unwrap().record.number, 2);
    assert!(store.reach().unwrap().unbroken, "what was pruned is not missing");
    println!("a year of half hours: {} kB, pruned {} kB", big / 1024, size("journal.db") / 1024);
    assert!(size("journal.db") < big / 2, "the room goes back to the disk");
}

/// A file's last line with the hash that its other lines ask for.
fn with_hash(text: &str) -> Vec<u8> {
    let body = text.split_inclusive('\n').filter(|l| !l.starts_with("{\"end\"")).collect::<String>();
    let (lines, hash) = (body.lines().count(), sha256(body.as_bytes()));
    format!("{body}{{\"end\":{{\"lines\":{lines},\"sha256\":\"{hash}\"}}}}\n").into_bytes()
}

/// Numbers beyond 2^53 once made such a file wait for ever, as if the log had failed; figures that no light has came
/// into the log, and from there to lamps.
#[test]
fn a_file_with_figures_that_cannot_be_is_refused_by_its_line() {
    let dir = tempfile::tempdir().unwrap();
    let mut here = store(&dir.path().join("here"), 0x1111_2222_3333_4444);
    here.append(&some_takes(dir.path()).entries()).unwrap();
    let mut file = Vec::new();
    exchange::export(here.db(), here.origin(), "2026-05-04T12:00:00Z", &mut file).unwrap();
    let text = String::from_utf8(file).unwrap();
    let changed = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        with_hash(&text.replacen(from, to, 1))
    };
    for (file, said) in [
        (changed("\"number\":1,", "\"number\":18446744073709551615,"), "the number of take 4/1 cannot be"),
        (changed("\"seq\":", "\"seq\":9007199254740993"), "its time `2026-05-04T10:0"),
        (changed("\"demand\":{\"lux\":", "\"demand\":{\"lux\":-"), "the light of key cannot be"),
        (changed("\"clock_deg\":", "\"clock_deg\":1e300,\"x\":"), "the place of key cannot be"),
        (changed("\"iso\":800.0", "\"iso\":-1"), "the camera main cannot be"),
        (changed("\"origin\":\"1111", "\"origin\":\"111é"), "the log's name `111é222233334444` cannot be"),
    ] {
        let mut there = Store::open(&dir.path().join("there"), "m", 5).unwrap();
        let error = exchange::import(&mut there, &file[..]).unwrap_err();
        assert!(matches!(error, exchange::ExchangeError::Line(..)), "{error:?}");
        assert!(error.to_string().contains(said), "{error}");
        let takes: i64 = there.db().query_row("SELECT count(*) FROM take", [], |r| r.get(0)).unwrap();
        assert_eq!(takes, 0, "whole or not at all");
    }
    // As it was it is taken.
    let mut there = Store::open(&dir.path().join("there"), "m", 5).unwrap();
    assert_eq!(exchange::import(&mut there, &with_hash(&text)[..]).unwrap().new, 3);
}

/// A file that calls a take of this log its own once replaced it.
#[test]
fn a_take_that_this_log_wrote_stays_whatever_a_file_says() {
    let dir = tempfile::tempdir().unwrap();
    let mut here = store(&dir.path().join("here"), 0x1111_2222_3333_4444);
    here.append(&some_takes(dir.path()).entries()).unwrap();
    let mut file = Vec::new();
    exchange::export(here.db(), here.origin(), "2026-05-04T12:00:00Z", &mut file).unwrap();
    let before = take(&here, "n1").unwrap();
    let origin = format!("\"origin\":\"{}\"", here.origin());
    let text = String::from_utf8(file).unwrap().replace(&origin, "\"origin\":\"7f3a7f3a7f3a7f3a\"");
    let amended = text.replace("\"amended\":[]", "\"amended\":[{\"number\":1,\"mark\":\"bad\"}]");
    assert_ne!(amended, text);
    let tally = exchange::import(&mut here, &with_hash(&amended)[..]).unwrap();
    assert_eq!((tally.takes, tally.new), (3, 0));
    assert_eq!(take(&here, "n1").unwrap(), before);
}

/// A name that no log gives itself once came in with a file and ended the daemon at each start: takes are told by its
/// first four bytes, and those may end within a letter. What came in so is read all the same.
#[test]
fn a_logs_name_that_cannot_be_neither_comes_in_nor_ends_anything() {
    let dir = tempfile::tempdir().unwrap();
    let mut here = store(&dir.path().join("here"), 0x1111_2222_3333_4444);
    here.append(&some_takes(dir.path()).entries()).unwrap();
    for name in ["aaaé", "", "é"] {
        here.db().execute("UPDATE take SET origin = ?1 WHERE number = 2", [name]).unwrap();
        let found = find(here.db(), here.origin(), &Wanted::Takes { most: 9 });
        let Ok(Found::Takes(takes)) = found else { panic!("{found:?}") };
        let names: Vec<_> = takes.iter().map(|t| t.log_name.clone()).collect();
        assert_eq!(names, ["n1".to_owned(), format!("n2@{name}"), "n3".to_owned()]);
    }
}

/// A start that reads `lux` at the face and rolls a take of slate 4.
fn metered(folder: &Path, boot: &str, wall: &str, lux: &str, takes: u64) -> Set {
    let mut set = Set::start(made::plan(folder), boot, wall, None, 0.0);
    set.run(0.5);
    let now = set.engine.plan().frames.moment_of(set.engine.next_frame());
    let status = JournalStatus { last_take: takes, ..JournalStatus::default() };
    drop(set.engine.handle(Event::Journal(status), now));
    set.done(r#"{"do":"recall","look":"a","over_s":0}"#);
    set.run(3.0);
    set.done(&format!(r#"{{"do":"read","point":"face-lit","value":"{lux}"}}"#));
    set.done(r#"{"do":"take-start","slate":"4"}"#);
    set.run(3.0);
    set.done(r#"{"do":"take-end"}"#);
    set.run(1.0);
    set
}

/// The light that was read for a take.
fn read_for(store: &Store, name: &str) -> Vec<Option<f64>> {
    let wanted = Wanted::readings_of(&take(store, name).unwrap());
    let found = find(store.db(), store.origin(), &wanted).unwrap();
    let Found::Readings(readings) = found else { panic!("{found:?}") };
    readings.iter().map(|r| r.record.lux).collect()
}

/// Each log counts its readings from 1. An imported take once got this log's readings of the same numbers.
#[test]
fn an_imported_take_has_the_readings_of_its_own_log() {
    let dir = tempfile::tempdir().unwrap();
    let first = ("b00t-0001", "2026-05-04T10:00:00Z");
    let mut here = store(&dir.path().join("here"), 0x1111_2222_3333_4444);
    here.append(&metered(dir.path(), first.0, first.1, "118lx", 0).entries()).unwrap();
    let mut file = Vec::new();
    exchange::export(here.db(), here.origin(), "2026-05-04T12:00:00Z", &mut file).unwrap();
    let mut there = Store::open(&dir.path().join("there"), "another machine", 0x7f3a_7f3a_7f3a_7f3a).unwrap();
    there.append(&metered(dir.path(), "b00t-0009", first.1, "59lx", 0).entries()).unwrap();
    exchange::import(&mut there, &file[..]).unwrap();
    assert_eq!(read_for(&there, "n1"), [Some(59.0)]);
    assert_eq!(read_for(&there, "n1@1111"), [Some(118.0)]);
    // On a third machine, by way of the second, each has its own still.
    let mut both = Vec::new();
    exchange::export(there.db(), there.origin(), "2026-05-04T13:00:00Z", &mut both).unwrap();
    let mut third = Store::open(&dir.path().join("third"), "a third machine", 0x1234).unwrap();
    exchange::import(&mut third, &both[..]).unwrap();
    assert_eq!(read_for(&third, "n1@1111"), [Some(118.0)]);
    assert_eq!(read_for(&third, "n1@7f3a"), [Some(59.0)]);
}

/// A set whose state file was lost counts its readings from 1 again, in the same log.
#[test]
fn of_two_readings_of_one_number_the_last_before_the_take_is_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = store(&dir.path().join("state"), 0xabcd);
    store.append(&metered(dir.path(), "b00t-0001", "2026-05-04T10:00:00Z", "118lx", 0).entries()).unwrap();
    store.append(&metered(dir.path(), "b00t-0002", "2026-05-05T10:00:00Z", "30lx", 1).entries()).unwrap();
    assert_eq!(read_for(&store, "n1"), [Some(118.0)]);
    assert_eq!(read_for(&store, "n2"), [Some(30.0)]);
}
