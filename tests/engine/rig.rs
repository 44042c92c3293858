//! An engine on virtual time, driven as a person drives it.

use std::sync::Arc;

use lampkeep::channels::Frame;
use lampkeep::control::{Answer, Envelope, LinkState, OutputStatus, RealTimeStatus, Request, Status};
use lampkeep::engine::{Action, Engine, Event, Kept, KeptBody, NotKept, Options, Start, Ticket};
use lampkeep::journal::What;
use lampkeep::plan::Plan;
use lampkeep::units::FrameNumber;

use crate::contract;
use crate::log::Log;

pub struct Rig {
    pub engine: Engine,
    pub frames: Vec<Vec<Frame>>,
    pub told: Vec<String>,
    /// Kind and words of every alert, with the frame.
    pub alerts: Vec<(u64, String, String)>,
    /// What was last to be kept of heat.
    pub kept: Vec<KeptBody>,
    /// Every state that was to be kept, with the frame.
    pub keeps: Vec<(u64, Kept)>,
    /// Files of kept looks: name and text.
    pub written: Vec<(String, String)>,
    /// What the machine's protect file was told to say.
    pub protect_kept: Vec<bool>,
    /// How writing that file fails, if it does.
    pub fails: Option<NotKept>,
    /// What went into the log, with the frame.
    pub records: Vec<(u64, What)>,
    /// What was recorded, and is found again.
    pub log: Log,
    /// Answers that came with a frame.
    late: Vec<Answer>,
    ticket: u64,
}

impl Rig {
    pub fn new(plan: Plan) -> Self {
        Self::with(plan, true)
    }

    pub fn with(plan: Plan, simulate: bool) -> Self {
        Self::start(plan, Options { simulate, boot_id: "test".into(), ..Options::default() })
    }

    pub fn start(plan: Plan, options: Options) -> Self {
        Self::of(Engine::new(Arc::new(plan), options))
    }

    /// A daemon started anew `gap_s` seconds after what was kept, in the same boot of the machine.
    pub fn again(plan: Plan, kept: Kept, gap_s: f64) -> Self {
        let start = Start { kept: Some(kept), gap_s: Some(gap_s), same_boot: true, ..Start::default() };
        Self::from(plan, start)
    }

    pub fn from(plan: Plan, start: Start) -> Self {
        let options = Options {
            simulate: true,
            boot_id: "test".into(),
            heat: None,
            batteries: Vec::new(),
            ..Options::default()
        };
        Self::starting(plan, options, start)
    }

    pub fn starting(plan: Plan, options: Options, start: Start) -> Self {
        Self::of(Engine::starting(Arc::new(plan), options, start))
    }

    fn of(engine: Engine) -> Self {
        Self {
            engine,
            frames: Vec::new(),
            told: Vec::new(),
            alerts: Vec::new(),
            kept: Vec::new(),
            keeps: Vec::new(),
            written: Vec::new(),
            protect_kept: Vec::new(),
            fails: None,
            records: Vec::new(),
            log: Log::default(),
            late: Vec::new(),
            ticket: 0,
        }
    }

    /// Sends a request that acts on the next frame.
    pub fn ask(&mut self, request: Request) -> Answer {
        self.ticket += 1;
        let ticket = Ticket(self.ticket);
        let now = self.engine.plan().frames.moment_of(self.engine.next_frame());
        let mut actions = self.engine.handle(Event::Ask(ticket, Envelope { id: None, request }), now);
        let mut answer = None;
        while !actions.is_empty() {
            let mut more = Vec::new();
            for action in actions {
                match action {
                    Action::Reply(t, a) => {
                        assert_eq!(t, ticket, "an answer to someone else's request");
                        contract::written_conforms("Answer", &*a);
                        answer = Some(*a);
                    }
                    Action::WriteLook { ticket, name, text } => {
                        self.written.push((name, text));
                        more.extend(self.engine.handle(Event::LookWritten(ticket, Ok(())), now));
                    }
                    Action::KeepProtect { serial, on } => {
                        self.protect_kept.push(on);
                        let written = self.write();
                        more.extend(self.engine.handle(Event::ProtectKept(serial, written), now));
                    }
                    Action::ReadPlan(ticket) => {
                        let plan = Arc::clone(self.engine.plan());
                        more.extend(self.engine.handle(Event::PlanRead(ticket, Ok(plan)), now));
                    }
                    Action::Tell(alert) => contract::written_conforms("Alert", &alert),
                    Action::Record(what) => self.record(self.engine.next_frame(), *what),
                    Action::Find { ticket, what } => {
                        let found = self.log.find(&what);
                        more.extend(self.engine.handle(Event::Found(ticket, found), now));
                    }
                    _ => {}
                }
            }
            actions = more;
        }
        // An answer about protection comes once its frame is on the wire.
        for _ in 0..3 {
            if answer.is_some() {
                break;
            }
            self.frame();
            answer = self.late.pop();
        }
        answer.expect("every request is answered")
    }

    fn write(&self) -> Result<(), NotKept> {
        self.fails.clone().map_or(Ok(()), Err)
    }

    pub fn json(&mut self, text: &str) -> Answer {
        let envelope = lampkeep::control::decode_request(text.as_bytes()).expect("a request");
        self.ask(envelope.request)
    }

    /// Asks, and insists that it was done.
    pub fn done(&mut self, text: &str) -> String {
        let answer = self.json(text);
        assert!(answer.ok, "{text}: {:?}", answer.error);
        answer.said.unwrap_or_default()
    }

    /// Reloads, and finds another plan where the old one was; gives what was said.
    pub fn reload(&mut self, plan: Plan) -> String {
        let ticket = Ticket(u64::MAX);
        let now = self.engine.plan().frames.moment_of(self.engine.next_frame());
        let envelope = Envelope { id: None, request: Request::Reload {} };
        drop(self.engine.handle(Event::Ask(ticket, envelope), now));
        let said = self
            .engine
            .handle(Event::PlanRead(ticket, Ok(Arc::new(plan))), now)
            .into_iter()
            .find_map(|a| if let Action::Reply(_, answer) = a { answer.said } else { None });
        said.expect("a good plan is taken")
    }

    fn record(&mut self, n: u64, what: What) {
        self.log.record(&what, n);
        self.records.push((n, what));
    }

    /// Works out the next frame.
    pub fn frame(&mut self) -> Vec<Frame> {
        let n: FrameNumber = self.engine.next_frame();
        let now = self.engine.plan().frames.moment_of(n);
        let mut sent = None;
        let (mut later, mut finds) = (Vec::new(), Vec::new());
        for action in self.engine.handle(Event::Frame(n), now) {
            match action {
                Action::Find { ticket, what } => finds.push((ticket, what)),
                Action::Send(frames) => sent = Some(frames),
                Action::Tell(alert) => {
                    contract::written_conforms("Alert", &alert);
                    self.alerts.push((n, alert.kind, alert.said.clone()));
                    self.told.push(alert.said);
                }
                Action::Keep(kept) => {
                    self.kept.clone_from(&kept.bodies);
                    self.keeps.push((n, *kept));
                }
                Action::Reply(_, answer) => self.late.push(*answer),
                Action::KeepProtect { serial, on } => {
                    self.protect_kept.push(on);
                    later.push(serial);
                }
                Action::Record(what) => self.record(n, *what),
                _ => {}
            }
        }
        for (ticket, what) in finds {
            let found = self.log.find(&what);
            drop(self.engine.handle(Event::Found(ticket, found), now));
        }
        for serial in later {
            let written = self.write();
            drop(self.engine.handle(Event::ProtectKept(serial, written), now));
        }
        let frames = sent.expect("every frame is sent");
        assert!(frames.iter().all(|f| f.number == n));
        self.frames.push(frames.clone());
        frames
    }

    /// Works out so many seconds of frames and gives the last.
    pub fn run(&mut self, seconds: f64) -> Vec<Frame> {
        let count = (seconds * f64::from(self.engine.plan().frames.rate())).round().max(1.0) as u64;
        for _ in 1..count {
            self.frame();
        }
        self.frame()
    }

    pub fn status(&self) -> Status {
        self.engine.status()
    }
}

/// What every lamp shows, by the simulator's own arithmetic, with its slots while it is lit: a dark
/// lamp may be set to its coming colour.
pub fn lit(plan: &Plan, frames: &[Frame]) -> Vec<(String, f64, Vec<u8>)> {
    let mut shown = Vec::new();
    for fixture in &plan.fixtures {
        let Some(address) = fixture.address() else { continue };
        let first = usize::from(address.first) - 1;
        let slots = &frames[address.output.0].slots[first..first + usize::from(fixture.mode.footprint())];
        let lux = lampkeep::wire::sim::shown(fixture, slots, lampkeep::rehearse::WHITE).lux;
        let slots = if lux > 0.0 { slots.to_vec() } else { Vec::new() };
        shown.push((fixture.id.clone(), lux, slots));
    }
    shown
}

/// The slots of frames, numbers apart.
pub fn slots(frames: &[Frame]) -> Vec<Vec<u8>> {
    frames.iter().map(|f| f.slots.to_vec()).collect()
}

/// An output's figures as a sender tells them.
pub fn output(kind: &str, name: &str, state: LinkState) -> OutputStatus {
    OutputStatus {
        kind: kind.into(),
        name: name.into(),
        universe: 1,
        state,
        said: None,
        rate: 40,
        frames: 1,
        late_us_p50: None,
        late_us_p99: None,
        late_us_p999: None,
        late_us_max: None,
        missed: 0,
        reopened: 0,
        last_gap_s: None,
        real_time: RealTimeStatus::default(),
    }
}
