//! Every query of docs/journal.md gives what stands under it, here and in Python's sqlite3.
//!
//! `LAMPKEEP_PRINT_QUERIES=1` prints what they give.

use std::process::Command;

use lampkeep::journal::snapshot::Snapshot;
use lampkeep::journal::{Entry, ReadingRecord, Stamp, Store, What};
use rusqlite::types::Value;

use crate::made::{self, Set};

/// The pairs of a query and what it gives: a block of `sql`, then one of `text`.
fn examples(text: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find("```sql\n") {
        let (query, after) = rest[at + 7..].split_once("```").expect("the block ends");
        let output = after.trim_start().strip_prefix("```text\n").expect("what it gives follows");
        let (output, after) = output.split_once("```").expect("the block ends");
        found.push((query.trim().to_owned(), output.trim_end().to_owned()));
        rest = after;
    }
    found
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::Integer(n) => n.to_string(),
        Value::Real(x) => {
            let text = format!("{x}");
            if text.contains('.') { text } else { format!("{text}.0") }
        }
        Value::Text(text) => text.clone(),
        Value::Blob(_) => "blob".to_owned(),
    }
}

/// An afternoon of the plan of these tests: two takes, one of them cut by a dark; a reading; a clock that is set.
fn afternoon(folder: &std::path::Path) -> Store {
    let mut set = Set::start(made::plan(folder), "b00t-0001", "2026-05-04T10:00:00Z", None, 0.0);
    set.run(1.0);
    set.done(r#"{"do":"recall","look":"a","over_s":0}"#);
    set.run(89.0);
    set.done(r#"{"do":"take-start","slate":"4"}"#);
    set.run(60.0);
    set.done(r#"{"do":"take-end","mark":"good"}"#);
    set.run(10.0);
    set.done(r#"{"do":"take-start"}"#);
    set.run(20.0);
    set.done(r#"{"do":"dark","now":true}"#);
    set.run(2.0);
    set.done(r#"{"do":"take-end","mark":"bad"}"#);
    set.run(1.0);
    let mut entries = set.entries();
    let last = entries.last().unwrap().stamp.clone();
    let reading = ReadingRecord {
        id: 1,
        point: "face-lit@pilot".into(),
        lux: Some(118.0),
        under: false,
        kelvin: Some(5540.0),
        duv: Some(0.001),
        typed: vec!["118lx".into(), "5540K".into(), "+0.001duv".into()],
        dome: false,
        lit: lampkeep::journal::LitThen::None,
        look: None,
        frame_hash: String::new(),
        instrument: None,
        aim: false,
        lamps: Vec::new(),
    };
    let stamp = Stamp { seq: last.seq + 1, ..last };
    entries.push(Entry { stamp, what: What::Reading(Box::new(reading)) });
    let mut store = Store::open(&folder.join("state"), "m", 0x7f3a_0000_0000_0001).unwrap();
    store.append(&entries).unwrap();
    store
}

#[test]
fn every_query_of_the_docs_gives_what_stands_under_it() {
    let dir = tempfile::tempdir().unwrap();
    let store = afternoon(dir.path());
    let docs = std::fs::read_to_string("docs/journal.md").unwrap();
    let examples = examples(&docs);
    assert!(examples.len() >= 5);
    for (query, expected) in &examples {
        let mut statement = store.db().prepare(query).unwrap_or_else(|e| panic!("{query}: {e}"));
        let columns = statement.column_count();
        let mut rows = statement.query([]).unwrap();
        let mut lines = Vec::new();
        while let Some(row) = rows.next().unwrap() {
            let cells: Vec<String> = (0..columns).map(|c| shown(&row.get::<_, Value>(c).unwrap())).collect();
            lines.push(cells.join("|"));
        }
        let found = lines.join("\n");
        if std::env::var_os("LAMPKEEP_PRINT_QUERIES").is_some() {
            println!("{query}\n----\n{found}\n");
        } else {
            assert_eq!(&found, expected, "{query}");
        }
    }
    // The same with a tool that is not ours, in a copy.
    drop(store);
    let copy = dir.path().join("copy.db");
    Snapshot::of(&dir.path().join("state/journal.db"), dir.path(), 1).unwrap().copy_to(&copy).unwrap();
    let script = "import sqlite3, sys\ndb = sqlite3.connect(sys.argv[1])\nshow = lambda v: '' if v is None else str(v)\n\
                  print('\\n'.join('|'.join(map(show, row)) for row in db.execute(sys.argv[2])))";
    for (query, expected) in &examples {
        let Ok(out) = Command::new("python3").args(["-c", script]).arg(&copy).arg(query).output() else {
            eprintln!("NOT RUN: the queries of docs/journal.md in Python: there is no python3");
            return;
        };
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{query}: {said}");
        if std::env::var_os("LAMPKEEP_PRINT_QUERIES").is_none() {
            assert_eq!(String::from_utf8_lossy(&out.stdout).trim_end(), expected, "{query}");
        }
    }
}

/// The documented tables are those that there are, each with every column.
#[test]
fn the_docs_name_every_table_view_and_column() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path(), "m", 1).unwrap();
    let docs = std::fs::read_to_string("docs/journal.md").unwrap();
    let sql = "SELECT s.name, c.name FROM sqlite_schema s, pragma_table_info(s.name) c \
               WHERE s.type IN ('table', 'view') AND s.name NOT LIKE 'sqlite_%'";
    let mut statement = store.db().prepare(sql).unwrap();
    let all = statement.query_map([], |r| Ok((r.get::<_, String>(0)?, r.get::<_, String>(1)?))).unwrap();
    for pair in all {
        let (table, column) = pair.unwrap();
        let at = docs
            .find(&format!("| `{table}` |"))
            .unwrap_or_else(|| panic!("`{table}` is not in docs/journal.md"));
        let row = docs[at..].lines().next().unwrap();
        assert!(row.contains(&format!("`{column}`")), "`{table}` has a column `{column}`: {row}");
    }
}
