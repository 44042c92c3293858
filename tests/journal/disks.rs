//! Bad disks: the light is the same, the log says once that it is degraded, and goes on in order when it heals.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use lampkeep::control::{Inbound, JournalState};
use lampkeep::journal::{Disk, File, NoteRecord, Place, Queue, RING, Store, StoreError, What, work};
use rusqlite::Connection;
use rusqlite::config::DbConfig;
use serde_json::Value;

use crate::set::{Daemon, Folder, pause};

/// A file system of its own, unmounted with the test.
pub struct Small(tempfile::TempDir);

impl Small {
    /// `None`, and a word of it, where mounting is not permitted.
    pub fn new(kilobytes: u32) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let size = format!("size={kilobytes}k,mode=0777");
        let mounted =
            Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(folder.path()).output();
        match mounted {
            Ok(done) if done.status.success() => Some(Self(folder)),
            Ok(done) => {
                let why = String::from_utf8_lossy(&done.stderr);
                eprintln!("NOT RUN: mounting a small file system needs root: {}", why.trim());
                None
            }
            Err(e) => {
                eprintln!("NOT RUN: mount: {e}");
                None
            }
        }
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Takes all the room there is, to the last byte.
    pub fn fill(&self) {
        let full = fs::write(self.path().join("ballast"), vec![7; 64 << 20]);
        assert_eq!(full.unwrap_err().kind(), std::io::ErrorKind::StorageFull);
    }

    pub fn empty(&self) {
        fs::remove_file(self.path().join("ballast")).unwrap();
    }

    fn remount(&self, how: &str) {
        let done =
            Command::new("mount").args(["-o", &format!("remount,{how}")]).arg(self.path()).status().unwrap();
        assert!(done.success());
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").args(["-l"]).arg(self.path()).status();
    }
}

fn degraded(status: &Value) -> bool {
    status["journal"]["state"] == "degraded"
}

fn up(status: &Value) -> bool {
    status["journal"]["state"] == "up" && status["journal"]["waiting"] == 0
}

fn stands(status: &Value, kind: &str) -> usize {
    status["alerts"].as_array().unwrap().iter().filter(|a| a["kind"] == kind).count()
}

/// Sequence numbers of the latest start in the log on the disk, and whether its pages agree.
fn sequence(log: &Path) -> Vec<u64> {
    let db = Connection::open(log).unwrap();
    let check: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
    assert_eq!(check, "ok");
    let sql = "SELECT seq FROM entry WHERE start = (SELECT max(start) FROM entry) ORDER BY id";
    let mut statement = db.prepare(sql).unwrap();
    statement.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
}

fn unbroken(sequence: &[u64]) -> bool {
    !sequence.is_empty() && sequence.iter().zip(1..).all(|(found, expected)| *found == expected)
}

/// Every output's frames: sent, let pass, and the greatest lateness in microseconds.
fn frames(status: &Value) -> (u64, u64, f64) {
    let output = &status["outputs"][0];
    (
        output["frames"].as_u64().unwrap(),
        output["missed"].as_u64().unwrap(),
        output["late_us_max"].as_f64().unwrap_or(0.0),
    )
}

/// A full disk for so long: frames steady by their own figures, nothing lost, all in order once there is room.
fn full_for(seconds: u64) {
    // Room for all of it once the ballast is gone: the log and its write-ahead log.
    let Some(small) = Small::new(32 * 1024) else { return };
    let folder = Folder::with_state(tempfile::tempdir().unwrap(), small.path().to_owned());
    let mut daemon = folder.daemon();
    daemon.until("the log is open", up);
    daemon.ask(r#"{"do":"recall","look":"a","over_s":0.2}"#).unwrap();
    pause(1500);
    small.fill();
    let before = daemon.status();
    let mut asked = 0;
    let mut line = daemon.line().unwrap();
    // In the long form slower, so that ten minutes of it have room in memory.
    let each_ms = if seconds > 60 { 2000 } else { 250 };
    let rounds = seconds * 1000 / each_ms;
    for round in 0..rounds {
        // Lights and takes, a few a second.
        let look = if round % 2 == 0 { "a" } else { "b" };
        for request in [
            format!(r#"{{"do":"recall","look":"{look}","over_s":0}}"#),
            r#"{"do":"take-start","slate":"7"}"#.to_owned(),
            r#"{"do":"take-end","mark":"good"}"#.to_owned(),
        ] {
            assert!(line.ask(&request).is_some(), "it answers as ever");
            asked += 1;
        }
        pause(each_ms);
    }
    let during = daemon.until("it says that it is degraded", degraded);
    assert!(during["journal"]["said"].as_str().unwrap().contains("no space left"), "{during:#}");
    assert_eq!(stands(&during, "log-degraded"), 1);
    let (waiting, lost) = (&during["journal"]["waiting"], &during["journal"]["lost"]);
    assert!(waiting.as_u64().unwrap() > 0 && *lost == 0, "{waiting} wait, {lost} are lost");
    let (frames_before, missed_before, _) = frames(&before);
    let (frames_during, missed_during, late) = frames(&during);
    println!(
        "full for {seconds} s: {asked} requests, {} frames, {} let pass, latest {late:.0} us since the start, \
         {} records waiting",
        frames_during - frames_before,
        missed_during - missed_before,
        during["journal"]["waiting"]
    );
    let told = daemon.said().iter().filter(|l| l.contains("log-degraded")).count();
    assert_eq!(told, 1, "said once: {:#?}", daemon.said());
    small.empty();
    let healed = daemon.until("it is written again", up);
    assert_eq!((stands(&healed, "log-degraded"), &healed["journal"]["lost"]), (0, &Value::from(0)));
    assert_eq!(daemon.stop(), Some(0));
    let sequence = sequence(&folder.log());
    assert!(unbroken(&sequence), "{sequence:?}");
    println!("healed: {} records in order, none missing", sequence.len());
}

#[test]
fn a_full_disk_holds_up_no_frame_and_loses_no_record() {
    full_for(6);
}

/// The long form: `tests/long/crash.sh`. `LAMPKEEP_FULL_S` is how long, 600 s unless it is set.
#[test]
#[ignore = "10 minutes; tests/long/crash.sh runs it"]
fn a_disk_that_is_full_for_ten_minutes_holds_up_no_frame_and_loses_no_record() {
    let seconds = std::env::var("LAMPKEEP_FULL_S").map_or(600, |s| s.parse().unwrap());
    full_for(seconds);
}

#[test]
fn a_disk_that_is_full_at_the_end_is_said_by_the_exit_code() {
    let Some(small) = Small::new(1024) else { return };
    let folder = Folder::with_state(tempfile::tempdir().unwrap(), small.path().to_owned());
    let mut daemon = folder.daemon();
    daemon.until("the log is open", up);
    small.fill();
    for _ in 0..20 {
        daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap();
        daemon.ask(r#"{"do":"recall","look":"b","over_s":0}"#).unwrap();
        pause(50);
    }
    daemon.until("it says that it is degraded", degraded);
    assert_eq!(daemon.stop(), Some(1));
    let said = daemon.said().join("\n");
    assert!(said.contains("records of this start are not in the log"), "{said}");
}

#[test]
fn a_disk_that_becomes_read_only_is_said_and_heals() {
    let Some(small) = Small::new(2048) else { return };
    let folder = Folder::with_state(tempfile::tempdir().unwrap(), small.path().join("in"));
    fs::create_dir_all(small.path().join("in/interview.simulated")).unwrap();
    small.remount("ro");
    let mut daemon = folder.daemon();
    let during = daemon.until("it says that it is degraded", degraded);
    let said = during["journal"]["said"].as_str().unwrap();
    assert!(said.contains("read-only") || said.contains("cannot be opened"), "{said}");
    assert_eq!(daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap()["ok"], true);
    small.remount("rw");
    daemon.until("it is written", up);
    daemon.stop();
    assert!(unbroken(&sequence(&folder.log())), "from the first record on");
}

/// What lies where the log should be, and what the daemon says of it.
fn aside(spoil: impl Fn(&Path), says: &str) {
    let folder = Folder::new();
    fs::create_dir_all(folder.set()).unwrap();
    spoil(&folder.log());
    let spoilt = fs::read(folder.log()).unwrap();
    let mut daemon = folder.daemon();
    let status = daemon.until("a new log was begun", |s| up(s) && s["journal"]["said"].is_string());
    let said = status["journal"]["said"].as_str().unwrap();
    assert!(said.contains("journal.set-aside-1.db") && said.contains(says), "{said}");
    assert_eq!(daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap()["ok"], true);
    daemon.stop();
    let kept = fs::read(folder.set().join("journal.set-aside-1.db")).unwrap();
    assert!(kept == spoilt, "nothing of it was touched");
    assert!(unbroken(&sequence(&folder.log())));
    // A second one does not take the first one's place.
    fs::write(folder.log(), "nonsense again").unwrap();
    let mut daemon = folder.daemon();
    daemon.until("a new log was begun", |s| up(s) && s["journal"]["said"].is_string());
    daemon.stop();
    assert!(folder.set().join("journal.set-aside-2.db").exists());
}

#[test]
fn what_is_no_database_is_set_aside() {
    aside(|log| fs::write(log, vec![b'x'; 10_000]).unwrap(), "it is no database");
}

#[test]
fn another_programs_database_and_a_later_versions_log_are_set_aside() {
    aside(
        |log| Connection::open(log).unwrap().execute_batch("CREATE TABLE shopping (item TEXT)").unwrap(),
        "a database of another program",
    );
    aside(
        |log| {
            let folder = log.parent().unwrap();
            drop(Store::open(folder, "m", 1).unwrap());
            Connection::open(log).unwrap().pragma_update(None, "user_version", 99).unwrap();
        },
        "it is of version 99, this lampkeep writes 1",
    );
}

/// A log of a later version with records that are in its write-ahead log alone; that went to nowhere once where it could
/// not be moved and its file could.
#[test]
fn a_log_is_set_aside_with_its_write_ahead_log_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("journal.db");
    let wal = |name: &str| dir.path().join(format!("{name}-wal"));
    drop(Store::open(dir.path(), "m", 1).unwrap());
    let db = Connection::open(&log).unwrap();
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    drop(db);
    let whole = fs::read(wal("journal.db")).unwrap();
    assert!(!whole.is_empty());
    let place = Place { folder: dir.path().to_owned(), machine: "m".into(), random: 2 };
    let mut disk = File::new(place);
    assert!(disk.open().is_err(), "of a later version");
    let in_the_way = wal("journal.set-aside-1.db");
    fs::create_dir(&in_the_way).unwrap();
    assert!(disk.open().is_err(), "a folder is in its way");
    assert!(log.exists());
    assert_eq!(fs::read(wal("journal.db")).unwrap(), whole);
    fs::remove_dir(&in_the_way).unwrap();
    let said = disk.open().unwrap().unwrap();
    assert!(said.contains("set aside as journal.set-aside-1.db"), "{said}");
    assert_eq!(fs::read(in_the_way).unwrap(), whole);
}

#[test]
fn a_damaged_log_is_set_aside() {
    aside(
        |log| {
            let folder = log.parent().unwrap();
            drop(Store::open(folder, "m", 1).unwrap());
            let db = Connection::open(log).unwrap();
            // Off from here on: the pages are to be the file's own.
            db.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).unwrap();
            db.execute_batch(
                "INSERT INTO start VALUES (1, 'b', '2026-05-04T10:00:00Z', 0, 1, 'v', 's', 'p', 1);
                 WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000)
                 INSERT INTO entry SELECT i, 1, i, '2026-05-04T10:00:00Z', 0, i, i, 'told', 'x', '{}' FROM n;",
            )
            .unwrap();
            drop(db);
            let mut bytes = fs::read(log).unwrap();
            let middle = bytes.len() / 2;
            bytes[middle..middle + 8192].fill(0xa5);
            fs::write(log, bytes).unwrap();
        },
        "damaged",
    );
}

#[test]
fn a_log_that_is_removed_under_the_daemon_is_written_anew_whole() {
    let folder = Folder::new();
    let mut daemon = folder.daemon();
    daemon.until("the log is open", up);
    daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap();
    daemon.until("it is written", |s| up(s) && s["journal"]["written"].as_u64().unwrap() > 5);
    pause(300);
    fs::remove_file(folder.log()).unwrap();
    let _ = fs::remove_file(folder.set().join("journal.db-wal"));
    daemon.ask(r#"{"do":"recall","look":"b","over_s":0}"#).unwrap();
    let status = daemon.until("it says so", |s| s["journal"]["said"].is_string() && up(s));
    assert!(status["journal"]["said"].as_str().unwrap().contains("written anew"), "{status:#}");
    daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap();
    pause(300);
    daemon.stop();
    assert!(unbroken(&sequence(&folder.log())), "what was before is in it too");
}

#[test]
fn a_log_whose_whole_folder_vanishes_is_begun_anew_and_says_what_is_not_in_it() {
    let folder = Folder::new();
    let mut daemon = folder.daemon();
    daemon.until("the log is open", up);
    let moved = folder.dir.path().join("moved");
    fs::rename(folder.set(), &moved).unwrap();
    daemon.ask(r#"{"do":"recall","look":"b","over_s":0}"#).unwrap();
    daemon.until("it says so", |s| s["journal"]["said"].is_string() && up(s));
    assert_eq!(daemon.stop(), Some(0));
    assert!(unbroken(&sequence(&folder.log())), "whole, by way of memory");
}

/// The daemon as a user who may not touch the log.
#[test]
fn a_log_that_belongs_to_someone_else_is_said_and_taken_once_it_may_be() {
    if !rustix::process::geteuid().is_root() {
        eprintln!("NOT RUN: a log that belongs to someone else: only root can make one");
        return;
    }
    let folder = Folder::new();
    fs::set_permissions(folder.dir.path(), fs::Permissions::from_mode(0o777)).unwrap();
    fs::create_dir_all(folder.set()).unwrap();
    for open in [folder.set().parent().unwrap().to_owned(), folder.set()] {
        fs::set_permissions(open, fs::Permissions::from_mode(0o777)).unwrap();
    }
    drop(Store::open(&folder.set(), "m", 1).unwrap());
    fs::set_permissions(folder.log(), fs::Permissions::from_mode(0o600)).unwrap();
    // The binary may lie where others cannot go.
    let binary = folder.dir.path().join("lampkeep");
    // By another process: a child that another test starts meanwhile would hold the file open, and it could not be run.
    assert!(Command::new("cp").arg(env!("CARGO_BIN_EXE_lampkeep")).arg(&binary).status().unwrap().success());
    let plain = folder.command(&[]);
    let mut command = Command::new("setpriv");
    command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&binary);
    command.args(["run", "interview.toml", "--simulate"]).current_dir(folder.dir.path());
    for (name, value) in plain.get_envs() {
        match value {
            Some(value) => command.env(name, value),
            None => command.env_remove(name),
        };
    }
    let mut daemon = Daemon::start(command, &folder.socket());
    let during = daemon.until("it says that it is degraded", degraded);
    let said = during["journal"]["said"].as_str().unwrap();
    assert!(said.contains("owns") || said.contains("owner"), "{said}");
    assert_eq!(daemon.ask(r#"{"do":"recall","look":"a","over_s":0}"#).unwrap()["ok"], true);
    fs::set_permissions(folder.log(), fs::Permissions::from_mode(0o666)).unwrap();
    daemon.until("it is written", up);
    daemon.stop();
    assert!(unbroken(&sequence(&folder.log())));
}

/// A disk that takes seconds for each write.
struct Slow {
    file: File,
    takes: Duration,
}

impl Disk for Slow {
    fn open(&mut self) -> Result<Option<String>, StoreError> {
        self.file.open()
    }

    fn store(&mut self) -> Option<&mut Store> {
        pause(self.takes.as_millis() as u64);
        self.file.store()
    }

    fn close(&mut self, why: &StoreError) {
        self.file.close(why);
    }
}

/// A disk that never opens.
struct Gone;

impl Disk for Gone {
    fn open(&mut self) -> Result<Option<String>, StoreError> {
        Err(StoreError::Folder(std::io::Error::other("no disk")))
    }

    fn store(&mut self) -> Option<&mut Store> {
        None
    }

    fn close(&mut self, _: &StoreError) {}
}

fn note(queue: &mut Queue, n: u64) {
    let clocks = lampkeep::journal::Clocks {
        since_boot_us: n,
        wall: "2026-05-04T10:00:00Z".parse().unwrap(),
        frame: n,
    };
    let what = if n == 1 {
        What::Started(lampkeep::journal::StartRecord {
            version: "test".into(),
            set: "s".into(),
            boot_id: "b".into(),
            plan: "p".into(),
            simulated: true,
            goes_on: None,
        })
    } else if n.is_multiple_of(100) {
        What::Note(NoteRecord { text: n.to_string() })
    } else {
        What::Lamps(Vec::new())
    };
    queue.record(what, &clocks);
}

#[test]
fn a_slow_disk_holds_up_nobody_who_records_and_gets_everything_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let place = Place { folder: dir.path().to_owned(), machine: "m".into(), random: 1 };
    let (mut queue, jobs) = Queue::new();
    let (engine, told) = sync_channel::<Inbound>(64);
    let slow = Slow { file: File::new(place), takes: Duration::from_secs(2) };
    let thread = std::thread::spawn(move || work(&jobs, &engine, slow));
    let clock = lampkeep::clock::SystemClock::start();
    let mut worst = Duration::ZERO;
    for n in 1..=200 {
        let before = lampkeep::clock::Clock::now(&clock);
        note(&mut queue, n);
        worst = worst.max(lampkeep::clock::Clock::now(&clock).after(before));
        pause(5);
    }
    println!("2 s a write: the slowest of 200 records took {} us of whoever recorded it", worst.as_micros());
    drop(queue);
    assert_eq!(thread.join().unwrap(), 0, "none is left");
    assert!(unbroken(&sequence(&dir.path().join("journal.db"))));
    drop(told);
}

/// More than memory is set aside for: what nobody can bring back is kept longest, and the log says what is missing.
#[test]
fn more_than_the_ring_holds_is_counted_and_the_log_says_where() {
    let (mut queue, jobs) = Queue::new();
    let (engine, told) = sync_channel::<Inbound>(1 << 16);
    let thread = std::thread::spawn(move || work(&jobs, &engine, Gone));
    let most = RING as u64 + 500;
    for n in 1..=most {
        note(&mut queue, n);
        if n % 256 == 0 {
            pause(20);
        }
    }
    drop(queue);
    let unwritten = thread.join().unwrap();
    let last = told
        .try_iter()
        .filter_map(|m| if let Inbound::Journal(status) = m { Some(status) } else { None })
        .last()
        .unwrap();
    assert_eq!(last.state, JournalState::Degraded);
    assert!(last.lost > 0 && last.lost <= 1012 && unwritten >= most, "{last:?}, {unwritten}");
    println!("{} records, a ring of {RING}: {} lost", most, last.lost);
}
