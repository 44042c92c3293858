//! What holds of the engine, whatever it is asked: requests one a line, as every door hands them on, with frames
//! between. A line that is a take of the log is what the log finds from then on; `frames N` lets time go on;
//! `gone` and `back` are the first output's.

use std::sync::{Arc, LazyLock};

use lampkeep::control::decode_request;
use lampkeep::engine::{Action, Engine, Event, NotKept, Options, Ticket};
use lampkeep::journal::{Found, TakeFound, Wanted};
use lampkeep::plan::{Plan, load};
use lampkeep::units::FrameNumber;

use crate::said;

static PLAN: LazyLock<Arc<Plan>> = LazyLock::new(|| Arc::new(load::demo()));
/// Most frames and most lines of one input.
const MOST_FRAMES: u64 = 60;
const MOST_LINES: usize = 40;
/// Longest word in an answer, in characters: a sheet or an explanation has a page.
const LONGEST: usize = 100_000;

/// Asks an engine all lines of `input` and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let options = Options { simulate: true, boot_id: "fuzz".to_owned(), ..Options::default() };
    let engine = Engine::new(Arc::clone(&PLAN), options);
    let mut rig = Rig { engine, take: None, ticket: 0, owed: 0, left: MOST_FRAMES };
    rig.frame();
    for line in input.split(|b| *b == b'\n').take(MOST_LINES) {
        rig.line(line);
        rig.frame();
    }
    while rig.owed > 0 && rig.left > 0 {
        rig.frame();
    }
    let status = serde_json::to_string(&rig.engine.status()).expect("a status can be written down");
    assert!(!status.contains("\"lux\":null"), "light that is no number: {status}");
    let kept = rig.engine.to_keep();
    kept.possible().expect("what it keeps can be");
}

struct Rig {
    engine: Engine,
    take: Option<TakeFound>,
    ticket: u64,
    owed: usize,
    left: u64,
}

impl Rig {
    fn line(&mut self, line: &[u8]) {
        if let Some(count) = line.strip_prefix(b"frames ") {
            let count =
                std::str::from_utf8(count).ok().and_then(|n| n.trim().parse::<u64>().ok()).unwrap_or(0);
            for _ in 0..count.min(self.left) {
                self.frame();
            }
        } else if line == b"gone" || line == b"back" {
            let silent = (line == b"gone").then_some(1.5);
            self.handle(Event::Silent(0, silent));
        } else if let Ok((envelope, _)) = lampkeep::control::decode_sent(line) {
            assert!(decode_request(line).is_ok() || line.windows(6).any(|w| w == b"\"sent\""));
            self.ticket += 1;
            self.owed += 1;
            self.handle(Event::Ask(Ticket(self.ticket), envelope));
        } else if let Ok(take) = serde_json::from_slice(line) {
            self.take = Some(take);
        }
    }

    fn frame(&mut self) {
        if self.left == 0 {
            return;
        }
        self.left -= 1;
        let n: FrameNumber = self.engine.next_frame();
        self.handle(Event::Frame(n));
    }

    fn handle(&mut self, event: Event) {
        let now = self.engine.plan().frames.moment_of(self.engine.next_frame());
        let mut waiting = vec![event];
        while let Some(event) = waiting.pop() {
            for action in self.engine.handle(event, now) {
                self.done(action, &mut waiting);
            }
        }
    }

    fn done(&mut self, action: Action, waiting: &mut Vec<Event>) {
        match action {
            Action::Send(frames) => {
                assert_eq!(frames.len(), self.engine.plan().outputs.len());
                assert!(frames.iter().all(|f| usize::from(f.used) <= f.slots.len()));
            }
            Action::Reply(ticket, answer) => {
                assert!(ticket.0 <= self.ticket);
                self.owed = self.owed.saturating_sub(1);
                for text in answer.said.iter().chain(answer.error.iter().map(|e| &e.said)) {
                    said::is_fit(text, LONGEST, true);
                }
                serde_json::to_vec(&answer).expect("an answer can be written down");
            }
            Action::ReadPlan(ticket) => {
                waiting.push(Event::PlanRead(ticket, Ok(Arc::clone(self.engine.plan()))));
            }
            Action::WriteLook { ticket, name, .. } => {
                assert!(lampkeep::plan::is_look_name(&name), "{name}");
                waiting.push(Event::LookWritten(ticket, Ok(())));
            }
            Action::KeepProtect { serial, on } => {
                let written = if on { Ok(()) } else { Err(NotKept::Changed) };
                waiting.push(Event::ProtectKept(serial, written));
            }
            Action::Find { ticket, what } => {
                let found = match (&what, &self.take) {
                    (Wanted::Take(_), Some(take)) => Found::Take(Box::new(take.clone())),
                    (Wanted::Takes { .. }, take) => Found::Takes(take.iter().cloned().collect()),
                    _ => Found::Readings(Vec::new()),
                };
                waiting.push(Event::Found(ticket, Ok(Box::new(found))));
            }
            Action::Tell(alert) => said::is_fit(&alert.said, LONGEST, true),
            Action::Keep(kept) => kept.possible().expect("what it keeps can be"),
            _ => {}
        }
    }
}
