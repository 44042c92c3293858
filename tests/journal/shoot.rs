//! What a shoot costs: the log's size, how long it takes to ask it, and what each take adds.

use std::path::Path;
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::journal::snapshot::Snapshot;
use lampkeep::journal::{Found, Store, TakeName, Wanted, exchange, find};

use crate::made::Set;

fn since<T>(clock: SystemClock, what: impl FnOnce() -> T) -> (Duration, T) {
    let from = clock.now();
    let result = what();
    (clock.now().after(from), result)
}

fn bytes(folder: &Path) -> u64 {
    ["journal.db", "journal.db-wal"]
        .iter()
        .filter_map(|n| folder.join(n).metadata().ok())
        .map(|m| m.len())
        .sum()
}

/// 300 takes of five lamps over three days, each day a start; between takes looks change and people nudge.
fn shoot(take_s: f64, between_s: f64) {
    let clock = SystemClock::start();
    let dir = tempfile::tempdir().unwrap();
    let plan = lampkeep::plan::load::load(Path::new("config/five-lamps.toml")).unwrap();
    let looks: Vec<String> = plan.looks.iter().filter(|l| !l.protect).map(|l| l.name.clone()).collect();
    let mut kept = None;
    let mut records = 0;
    let mut sizes = Vec::new();
    for day in 0..3_u64 {
        let mut store = Store::open(&dir.path().join("state"), "m", 1).unwrap();
        let wall = format!("2026-05-0{}T08:00:00Z", 4 + day);
        let mut set = Set::start(plan.clone(), &format!("b00t-000{day}"), &wall, kept.take(), 14.0 * 3600.0);
        set.run(5.0);
        for take in 0..100 {
            let look = &looks[(take / 4) % looks.len()];
            set.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":1}}"#));
            set.run(3.0);
            set.done(r#"{"do":"nudge","lamp":"key","stops":-0.1}"#);
            set.run(between_s.max(4.0));
            set.done(&format!(r#"{{"do":"take-start","slate":"{}"}}"#, 1 + day * 25 + take as u64 / 4));
            set.run(take_s);
            set.done(r#"{"do":"take-end","mark":"good"}"#);
            let entries = set.entries();
            records += entries.len();
            store.append(&entries).unwrap();
            store.checkpoint_if_long().unwrap();
        }
        let (entries, state) = set.stop();
        records += entries.len();
        store.append(&entries).unwrap();
        kept = state;
        drop(store);
        sizes.push(bytes(&dir.path().join("state")));
    }
    let mut store = Store::open(&dir.path().join("state"), "m", 1).unwrap();
    let total = bytes(&dir.path().join("state"));
    let (one, found) = since(clock, || {
        let name: TakeName = "n150".parse().unwrap();
        find(store.db(), store.origin(), &Wanted::Take(name))
    });
    assert!(matches!(found, Ok(Found::Take(take)) if take.record.number == 150));
    let (by_slate, _) = since(clock, || {
        let name: TakeName = "40/2".parse().unwrap();
        find(store.db(), store.origin(), &Wanted::Take(name)).unwrap()
    });
    let (all, found) = since(clock, || find(store.db(), store.origin(), &Wanted::Takes { most: 1000 }));
    assert!(matches!(found, Ok(Found::Takes(takes)) if takes.len() == 300));
    let mut file = Vec::new();
    let (export, _) = since(clock, || {
        exchange::export(store.db(), store.origin(), "2026-05-07T00:00:00Z", &mut file).unwrap()
    });
    let mut there = Store::open(&dir.path().join("there"), "n", 2).unwrap();
    let (import, done) = since(clock, || exchange::import(&mut there, &file[..]).unwrap());
    assert_eq!(done.new, 300);
    let sql = "SELECT name, count(*) FROM take_lamp WHERE fixture = 'key' AND sent_stops < 0.5 GROUP BY name";
    let (query, _) =
        since(clock, || store.db().prepare(sql).unwrap().query([]).unwrap().next().unwrap().is_some());
    store.checkpoint_if_long().unwrap();
    drop(store);
    let log = dir.path().join("state/journal.db");
    let (copy, _) = since(clock, || Snapshot::of(&log, dir.path(), 3).unwrap().reach().unwrap());
    let per_take = |n: u64| n as f64 / 300.0 / 1024.0;
    println!(
        "300 takes of five lamps, {take_s} s each and {between_s} s between, three starts: {records} records, log {} kB \
         ({:.1} kB a take, all else in it; by day {:?} kB), export {} kB ({:.1} kB a take)",
        total / 1024,
        per_take(total),
        sizes.iter().map(|s| s / 1024).collect::<Vec<_>>(),
        file.len() / 1024,
        per_take(file.len() as u64)
    );
    println!(
        "asked: one by number {one:.1?}, by slate {by_slate:.1?}, all {all:.1?}, a query over every lamp of every take \
         {query:.1?}, copy for reading {copy:.1?}; export {export:.1?}, import {import:.1?}"
    );
    assert!(per_take(total) < 40.0, "kept small: {:.1} kB a take", per_take(total));
    assert!(one < Duration::from_millis(500) && all < Duration::from_secs(5), "{one:?} {all:?}");
}

/// A take each six minutes, ten hours a day, on virtual time.
#[test]
fn three_hundred_takes_over_three_days_are_a_few_megabytes_and_asked_in_milliseconds() {
    shoot(120.0, 234.0);
}
