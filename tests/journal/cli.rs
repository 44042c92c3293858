//! `lampkeep log` as people and programs run it, with the daemon up and down.

use serde_json::Value;

use crate::set::Folder;

/// A set with a take that was good and one that was not, its daemon still running.
fn shot(slate: &str) -> (Folder, crate::set::Daemon) {
    let folder = Folder::new();
    let daemon = folder.daemon();
    let mut line = daemon.line().unwrap();
    for request in [
        r#"{"do":"recall","look":"a","over_s":0}"#.to_owned(),
        format!(r#"{{"do":"take-start","slate":"{slate}"}}"#),
    ] {
        // A lamp that comes up softly lets no take start yet.
        for _ in 0..200 {
            if line.ask(&request).unwrap()["ok"] == true {
                break;
            }
            crate::set::pause(20);
        }
    }
    crate::set::pause(200);
    line.ask(r#"{"do":"take-end","mark":"good"}"#).unwrap();
    daemon.until("it is written", |s| s["journal"]["written"].as_u64().unwrap() >= 10);
    (folder, daemon)
}

#[test]
fn the_log_is_read_with_the_daemon_up_and_down() {
    let (folder, mut daemon) = shot("4");
    for up in [true, false] {
        let (code, text) = folder.runs(&["log", "--simulated"]);
        assert_eq!(code, Some(0), "{text}");
        assert!(text.contains("UTC, start 1") && text.contains("take 4/1 (n1) rolls"), "{text}");
        assert!(!text.contains("10 texts"), "what runs by itself is left out: {text}");
        let (code, text) = folder.runs(&["log", "--simulated", "--takes"]);
        assert_eq!(code, Some(0));
        let words: Vec<&str> = text.split_whitespace().collect();
        assert_eq!((words[0], words[1], words[4]), ("n1", "4/1", "a"), "{text}");
        assert!(text.contains("good"), "{text}");
        let (code, text) = folder.runs(&["log", "--simulated", "--json"]);
        assert_eq!(code, Some(0));
        let rows: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        assert!(rows.iter().zip(1..).all(|(row, seq)| row["seq"] == seq), "{text}");
        let take = rows.iter().find(|r| r["kind"] == "take-started").unwrap();
        assert_eq!(take["record"]["light"]["outputs"][0]["slots"], "cc66", "80 % and 40 % of 255, by hand");
        let (_, some) = folder.runs(&["log", "--simulated", "--kind", "take-ended,note", "--json"]);
        assert_eq!(some.lines().count(), 1, "{some}");
        let (_, none) = folder.runs(&["log", "--simulated", "--since", "2126-01-01"]);
        assert_eq!(none, "");
        if up {
            assert_eq!(daemon.stop(), Some(0));
        }
    }
    let (code, said) = folder.runs(&["log"]);
    assert_eq!(code, Some(1));
    assert!(said.contains("for that of a simulated set: --simulated"), "{said}");
    let (code, said) = folder.runs(&["log", "--simulated", "--since", "yesterday"]);
    assert_eq!(code, Some(2));
    assert!(said.contains("write 2h, 3d, 2026-05-04"), "{said}");
    let (code, _) = folder.runs(&["log", "--simulated", "--copy", "copy.db"]);
    assert_eq!(code, Some(0));
    let db = rusqlite::Connection::open(folder.dir.path().join("copy.db")).unwrap();
    let name: String = db.query_row("SELECT name FROM take", [], |r| r.get(0)).unwrap();
    assert_eq!(name, "4/1");
}

#[test]
fn takes_are_taken_in_by_a_daemon_that_runs_and_without_one() {
    let (from, mut first) = shot("4");
    let file = from.dir.path().join("takes.jsonl");
    let (code, said) = from.runs(&["log", "--simulated", "--export", file.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.starts_with("1 take with"), "{said}");
    first.stop();
    let (to, mut daemon) = shot("4");
    let import = ["log", "--simulated", "--import", file.to_str().unwrap()];
    let (code, said) = to.runs(&import);
    assert_eq!((code, said.trim()), (Some(0), "1 new take taken in"));
    let (_, said) = to.runs(&import);
    assert_eq!(said.trim(), "0 new takes taken in, 1 there already");
    daemon.stop();
    let (_, said) = to.runs(&import);
    assert_eq!(said.trim(), "0 new takes taken in, 1 there already");
    let (_, takes) = to.runs(&["log", "--simulated", "--takes"]);
    assert_eq!(takes.lines().count(), 2, "{takes}");
    assert!(takes.contains("n1@") && takes.contains("\nn1 "), "{takes}");
    std::fs::write(&file, "nonsense").unwrap();
    let (code, said) = to.runs(&import);
    assert_eq!(code, Some(1));
    assert!(said.contains("was not taken in: it is no file of takes"), "{said}");
}
