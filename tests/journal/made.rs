//! Records as the engine makes them, on virtual time, stamped by clocks of the test's own.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use lampkeep::control::{Envelope, decode_request};
use lampkeep::engine::{Action, Engine, Event, Kept, Options, Start, Ticket};
use lampkeep::journal::{Clocks, Entry, Job, Queue, What};
use lampkeep::plan::Plan;

/// A set on virtual time with a log's queue at its end.
pub struct Set {
    pub engine: Engine,
    queue: Queue,
    jobs: std::sync::mpsc::Receiver<Job>,
    /// What the wall clock shows at frame 0.
    pub wall: Timestamp,
    kept: Option<Kept>,
    ticket: u64,
}

/// Five lamps on one output; linear, so that slots can be reckoned by hand.
pub const PLAN: &str = r#"
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
when-frames-stop = "hold"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity" }] }
[look.a]
key = { of-full = "80 %" }
fill = { of-full = "40 %" }
[look.b]
key = { of-full = "79 %" }
fill = { of-full = "39 %" }
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
"#;

impl Set {
    /// A start of a set; `kept`: what the last one left, `gap_s` seconds before.
    pub fn start(plan: Plan, boot: &str, wall: &str, kept: Option<Kept>, gap_s: f64) -> Self {
        let options = Options { simulate: true, boot_id: boot.to_owned(), ..Options::default() };
        let start = Start { kept, gap_s: Some(gap_s), same_boot: true, ..Start::default() };
        let engine = Engine::starting(Arc::new(plan), options, start);
        let (queue, jobs) = Queue::new();
        Self { engine, queue, jobs, wall: wall.parse().unwrap(), kept: None, ticket: 0 }
    }

    fn carry_out(&mut self, actions: Vec<Action>) -> Option<String> {
        let mut said = None;
        for action in actions {
            match action {
                Action::Record(what) => self.record(*what),
                Action::Keep(kept) => self.kept = Some(*kept),
                Action::Reply(_, answer) => {
                    assert!(answer.ok, "{:?}", answer.error);
                    said = answer.said;
                }
                _ => {}
            }
        }
        said
    }

    /// Records by this set's clocks.
    pub fn record(&mut self, what: What) {
        let n = self.engine.next_frame();
        let since = self.engine.plan().frames.moment_of(n).elapsed();
        let wall = self.wall + SignedDuration::try_from(since).unwrap();
        let clocks = Clocks { since_boot_us: since.as_micros() as u64, wall, frame: n };
        self.queue.record(what, &clocks);
    }

    pub fn done(&mut self, text: &str) -> String {
        self.ticket += 1;
        let Envelope { id, request } = decode_request(text.as_bytes()).unwrap();
        let now = self.engine.plan().frames.moment_of(self.engine.next_frame());
        let envelope = Envelope { id, request };
        let actions = self.engine.handle(Event::Ask(Ticket(self.ticket), envelope), now);
        self.carry_out(actions).unwrap_or_default()
    }

    /// Works out so many seconds of frames.
    pub fn run(&mut self, seconds: f64) {
        let count = (seconds * f64::from(self.engine.plan().frames.rate())).round().max(1.0) as u64;
        for _ in 0..count {
            let n = self.engine.next_frame();
            let now = self.engine.plan().frames.moment_of(n);
            // One that can only be the last again is not solved: days of them go by in seconds.
            let stands = self.engine.stands_for() > 0;
            let actions =
                if stands { self.engine.stand(now) } else { self.engine.handle(Event::Frame(n), now) };
            self.carry_out(actions);
        }
    }

    /// What was recorded since this was last asked.
    pub fn entries(&mut self) -> Vec<Entry> {
        let entry = |job| if let Job::Record(entry) = job { Some(*entry) } else { None };
        self.jobs.try_iter().filter_map(entry).collect()
    }

    /// What the next start finds.
    pub fn stop(mut self) -> (Vec<Entry>, Option<Kept>) {
        let now = self.engine.plan().frames.moment_of(self.engine.next_frame());
        let actions = self.engine.handle(Event::Stop, now);
        self.carry_out(actions);
        (self.entries(), self.kept)
    }
}

/// The plan of this module, read from a file of that name.
pub fn plan(folder: &std::path::Path) -> Plan {
    let path = folder.join("interview.toml");
    std::fs::write(&path, PLAN).unwrap();
    lampkeep::plan::load::load(&path).unwrap()
}
