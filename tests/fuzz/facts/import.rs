//! What holds of taking takes from another machine's log (`lampkeep log --import`), whatever stands in the file, and of
//! all that reads them afterwards: lists, sheets, and the engine that brings their light back.
//!
//! The last line of such a file has a hash of all others; it is made here, so that a change elsewhere is met.

use std::sync::{Arc, LazyLock};

use jiff::tz::TimeZone;
use lampkeep::engine::{Action, Engine, Event, Options, Ticket};
use lampkeep::journal::{Found, Store, TakeFound, Wanted, exchange, find, sha256};
use lampkeep::plan::{Plan, load};
use lampkeep::sheet::{self, Sheet};

use crate::said;

static PLAN: LazyLock<Arc<Plan>> = LazyLock::new(|| Arc::new(load::demo()));

/// Takes `input` as such a file and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let mut store = Store::in_memory(None).expect("memory");
    let file = ended(input);
    let tally = match exchange::import(&mut store, &*file) {
        Ok(tally) => tally,
        Err(error) => {
            said::is_fit(&error.to_string(), 400, false);
            // Whole or not at all; and a file is at fault, never the log.
            assert!(!matches!(error, exchange::ExchangeError::Store(_)), "{error}");
            let rows: i64 = count(&store);
            assert_eq!(rows, 0, "a part of a refused file was taken");
            return;
        }
    };
    assert!(tally.new <= tally.takes);
    let again = exchange::import(&mut store, &*file).expect("a file that was taken is taken again");
    assert_eq!(again.new, 0, "taken twice");
    let own = store.origin().to_owned();
    let found = find(store.db(), &own, &Wanted::Takes { most: 100 }).expect("what was taken can be found");
    let Found::Takes(takes) = found else { panic!("takes were asked for") };
    let mut out = Vec::new();
    exchange::export(store.db(), &own, "2026-05-04T10:00:00Z", &mut out).expect("it can be given on");
    read_on(&takes);
}

fn count(store: &Store) -> i64 {
    let sql =
        "SELECT (SELECT count(*) FROM take) + (SELECT count(*) FROM text) + (SELECT count(*) FROM plan_text)";
    store.db().query_row(sql, [], |row| row.get(0)).expect("a count")
}

/// With the last line that its own bytes ask for; as it is where it has one.
fn ended(input: &[u8]) -> Vec<u8> {
    let mut file = input.to_vec();
    if file.windows(6).any(|w| w == b"{\"end\"") {
        return file;
    }
    if !file.ends_with(b"\n") {
        file.push(b'\n');
    }
    let lines = file.iter().filter(|b| **b == b'\n').count();
    let end = format!("{{\"end\":{{\"lines\":{lines},\"sha256\":\"{}\"}}}}\n", sha256(&file));
    file.extend_from_slice(end.as_bytes());
    file
}

fn read_on(takes: &[TakeFound]) {
    let told: Vec<_> = takes.iter().map(|t| sheet::take(t, &[], &TimeZone::UTC)).collect();
    let mut sheet = Sheet {
        set: "quay".to_owned(),
        made: "2026-05-04".to_owned(),
        zone: "UTC".to_owned(),
        hidden: false,
        takes: told,
        drawings: Vec::new(),
    };
    let _ = (sheet.set_ups(), sheet::csv(&sheet), sheet::html(&sheet));
    sheet.hide();
    let _ = sheet::html(&sheet);
    let Some(take) = takes.last() else { return };
    let options = Options { simulate: true, boot_id: "fuzz".to_owned(), ..Options::default() };
    let mut engine = Engine::new(Arc::clone(&PLAN), options);
    for (ticket, request) in [
        r#"{"do":"recall","take":"n1","over_s":0}"#,
        r#"{"do":"match","take":"n1"}"#,
        r#"{"do":"match","take":"n1","apply":true}"#,
        r#"{"do":"take-sheet","take":"n1"}"#,
        r#"{"do":"take-list"}"#,
    ]
    .into_iter()
    .enumerate()
    {
        let envelope = lampkeep::control::decode_request(request.as_bytes()).expect("a request");
        asked(&mut engine, Ticket(ticket as u64), Event::Ask(Ticket(ticket as u64), envelope), take);
        for _ in 0..2 {
            let n = engine.next_frame();
            asked(&mut engine, Ticket(0), Event::Frame(n), take);
        }
    }
    engine.to_keep().possible().expect("what it keeps can be");
}

fn asked(engine: &mut Engine, _: Ticket, event: Event, take: &TakeFound) {
    let now = engine.plan().frames.moment_of(engine.next_frame());
    let mut waiting = vec![event];
    while let Some(event) = waiting.pop() {
        for action in engine.handle(event, now) {
            if let Action::Find { ticket, what } = action {
                let found = match what {
                    Wanted::Take(_) => Found::Take(Box::new(take.clone())),
                    Wanted::Takes { .. } => Found::Takes(vec![take.clone()]),
                    _ => Found::Readings(Vec::new()),
                };
                waiting.push(Event::Found(ticket, Ok(Box::new(found))));
            }
        }
    }
}
