//! The engine on real time: a thread of its own that waits for the next frame or the next message,
//! feeds the engine and carries its actions out. The only file here that meets channels and clocks.
//!
//! It is no async task: frames wait on absolute deadlines of the monotonic clock and nothing that a
//! door does can be in their way.

use std::collections::HashMap;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError};
use std::time::Duration;

use jiff::SignedDuration;
use tokio::sync::{broadcast, oneshot, watch};

use super::{Action, Engine, Event, NotKept, Ticket, Wall};
use crate::clock::{Clock, SystemClock};
use crate::control::{
    Alert, Answer, Ask, ClockStatus, Envelope, Failure, FailureKind, Inbound, LinkState, OutputStatus,
    Request, Status,
};
use crate::files::{Job, StateWriter};
use crate::journal::{Clocks, Queue};
use crate::plan::{Output, OutputKind, Plan};
use crate::service::Pulse;
use crate::state_file::When;
use crate::units::Moment;
use crate::wire::e131::Source;
use crate::wire::{Outputs, Running, SimWatch};

/// Outputs send a frame this long after its moment, so that it is ready by then. Chosen: a request is on the
/// wire within a frame period and this, and a millisecond is what is worth waiting for (docs/wire.md).
const SEND_AFTER: Duration = Duration::from_millis(1);
/// Silence of an output that counts as one: this long, and [`SILENT_FRAMES`] of its frames. Judgement: lamps
/// bear less than a tenth of a second of it without a sign.
const SILENT_AFTER: Duration = Duration::from_millis(100);
/// The same in frames, for slow outputs.
const SILENT_FRAMES: u32 = 3;
/// How often the outputs' figures are read.
const HEALTH_EVERY: Duration = Duration::from_millis(250);
/// Requests over this many a second are not logged one by one.
const LOGGED_PER_SECOND: u32 = 20;
/// How often the wall clock is read while nothing waits for it; else with every frame.
const WALL_EVERY: Duration = Duration::from_secs(1);

/// Everything that the loop touches.
pub struct Edges {
    /// Real time; frame 0 is due at `start`.
    pub clock: SystemClock,
    /// The clock's moment of frame 0.
    pub start: Moment,
    /// What the doors, signals and the files thread send.
    pub inbox: Receiver<Inbound>,
    /// The newest snapshot for everyone.
    pub status: watch::Sender<Arc<Status>>,
    /// Events for those who listen.
    pub alerts: broadcast::Sender<Alert>,
    /// Work for the files thread.
    pub files: SyncSender<Job>,
    /// The set's state folder; `None`: nothing is kept between starts.
    pub state: Option<PathBuf>,
    /// The way to the log; `None`: none is kept.
    pub journal: Option<Queue>,
    /// Random id of this boot of the machine; empty where it is not known.
    pub boot_id: String,
    /// Every output is the simulator.
    pub simulate: bool,
    /// What simulators show their frames to.
    pub watch: Option<SimWatch>,
    /// Who sends to the network.
    pub source: Source,
    /// Where the engine's progress is written down, for the service manager's watchdog.
    pub pulse: Pulse,
}

/// Runs until the engine has finished. `ready` is called once, when every output has sent its first
/// frame or been found absent.
///
/// Errors: an output's thread cannot be started.
pub fn run(engine: Engine, edges: Edges, ready: impl FnOnce()) -> std::io::Result<()> {
    let phase = edges.start.elapsed() + SEND_AFTER;
    let mut wires =
        Outputs::new(edges.simulate, phase, edges.clock, edges.watch.clone(), edges.source.clone());
    let start = |output: &Output| Ok((output.clone(), Some(wires.start(output)?)));
    let outputs: Vec<_> = engine.plan().outputs.iter().map(start).collect::<std::io::Result<_>>()?;
    let mut running = Loop {
        engine,
        silent: vec![true; outputs.len()],
        outputs,
        wires,
        tickets: HashMap::new(),
        next_ticket: 0,
        health_due: Moment::START,
        wall_due: Moment::START,
        log: LogBudget::default(),
        finished: false,
        state: StateWriter::new(edges.state.clone(), edges.files.clone()),
        edges,
    };
    let mut ready = Some(ready);
    while !running.finished {
        running.turn();
        running.edges.pulse.beat(running.engine.next_frame());
        if ready.is_some()
            && running.outputs.iter().all(|(_, s)| s.as_ref().is_none_or(|s| s.health().first_sent))
        {
            tracing::info!("every output has sent its first frame or been found absent");
            if let Some(ready) = ready.take() {
                ready();
            }
        }
    }
    // What is left is bounded by itself, and no frame's work.
    running.edges.pulse.end();
    // Each sender sends the newest frame once more before it lets its port go.
    drop(running.outputs);
    if running.wires.stop() {
        tracing::info!(
            "the network's receivers were told that the streams end: what lamps show now is up to them"
        );
    }
    running.state.finish();
    Ok(())
}

struct Loop {
    engine: Engine,
    edges: Edges,
    /// In the plan's order, one for each output, so that a frame never meets another's port; no sender
    /// where its thread could not be started.
    outputs: Vec<(Output, Option<Running>)>,
    wires: Outputs,
    tickets: HashMap<Ticket, (String, oneshot::Sender<Answer>)>,
    next_ticket: u64,
    health_due: Moment,
    wall_due: Moment,
    log: LogBudget,
    /// For each output: true unless the engine was told that it sends.
    silent: Vec<bool>,
    state: StateWriter,
    finished: bool,
}

impl Loop {
    /// Works out the next frame if it is due, else waits for it or for a message.
    fn turn(&mut self) {
        let n = self.engine.next_frame();
        let at = self.engine.plan().frames.moment_of(n);
        let due = self.edges.start + at.elapsed();
        let now = self.edges.clock.now();
        if now >= due {
            self.look_for_silence(at, now);
            if now >= self.wall_due || self.engine.waits_for_instant() {
                self.wall_due = now + WALL_EVERY;
                self.read_wall(at);
            }
            let actions = self.engine.handle(Event::Frame(n), at);
            self.carry_out(actions);
            self.state.go_on();
            if now >= self.health_due {
                self.health_due = now + HEALTH_EVERY;
                let health = self.health();
                let actions = self.engine.handle(Event::Outputs(health), at);
                self.carry_out(actions);
            }
            return;
        }
        match self.edges.inbox.recv_timeout(due.after(now)) {
            Ok(message) => self.take(message),
            Err(RecvTimeoutError::Timeout) => {}
            // All doors are gone, the signals' with them: end as the plan says.
            Err(RecvTimeoutError::Disconnected) => self.event(Event::Stop),
        }
    }

    /// Tells the engine which outputs are silent and since when, and once when one sends again or at first.
    fn look_for_silence(&mut self, at: Moment, now: Moment) {
        for index in 0..self.outputs.len() {
            let (output, Some(sender)) = &self.outputs[index] else { continue };
            let for_s = sender.silent(now);
            let frames = Duration::from_secs(SILENT_FRAMES.into()) / output.rate.max(1);
            let silent = for_s > SILENT_AFTER.max(frames);
            // Before its first frame it is silent, only not for long enough to be told.
            let sends = || sender.health().frames > 0;
            if silent || (self.silent[index] && sends()) {
                self.silent[index] = silent;
                let event = Event::Silent(index, silent.then_some(for_s.as_secs_f64()));
                let actions = self.engine.handle(event, at);
                self.carry_out(actions);
            }
        }
    }

    /// Time since frame 0.
    fn now(&self) -> Moment {
        Moment::since_start(self.edges.clock.now().after(self.edges.start))
    }

    fn event(&mut self, event: Event) {
        let now = self.now();
        // Frames that fell due while the message came go first: then the message acts on the very next
        // frame, the one after `now.frame` of its answer, however late this thread woke.
        while !self.finished {
            let n = self.engine.next_frame();
            let at = self.engine.plan().frames.moment_of(n);
            if at > now {
                break;
            }
            let actions = self.engine.handle(Event::Frame(n), at);
            if actions.is_empty() {
                break;
            }
            self.carry_out(actions);
        }
        let actions = self.engine.handle(event, now);
        self.carry_out(actions);
    }

    fn take(&mut self, message: Inbound) {
        match message {
            Inbound::Ask(Ask { envelope, reply }) => {
                let ticket = Ticket(self.next_ticket);
                self.next_ticket += 1;
                if matches!(envelope.request, Request::Recall { at: Some(_), .. }) {
                    self.read_wall(self.now());
                }
                let envelope = self.settle_code(envelope);
                let what = self.logged(&envelope.request);
                self.tickets.insert(ticket, (what, reply));
                self.event(Event::Ask(ticket, envelope));
            }
            Inbound::Mqtt(status) => self.event(Event::Mqtt(status)),
            Inbound::PlanRead(ticket, result) => self.event(Event::PlanRead(ticket, result)),
            Inbound::LookWritten(ticket, result) => self.event(Event::LookWritten(ticket, result)),
            Inbound::StateWritten(result) => self.event(Event::StateWritten(result)),
            Inbound::Protect(found) => self.event(Event::Protect(found)),
            Inbound::ProtectKept(serial, result) => self.event(Event::ProtectKept(serial, result)),
            Inbound::Found(ticket, result) => self.event(Event::Found(ticket, result)),
            Inbound::Journal(status) => self.event(Event::Journal(status)),
            Inbound::Stop => self.event(Event::Stop),
        }
    }

    /// Gives a `protect off` the random number that its code is made of: the engine makes none.
    fn settle_code(&self, mut envelope: Envelope) -> Envelope {
        if let Request::ProtectOff { random, .. } = &mut envelope.request {
            // Each has keys of its own, from the system's random numbers.
            *random = RandomState::new().build_hasher().finish();
        }
        envelope
    }

    /// A request for the log: while a face is protected its word alone, since it may hold names.
    fn logged(&self, request: &Request) -> String {
        let whole = serde_json::to_value(request).unwrap_or_default();
        let told = if self.engine.protected() { serde_json::json!({ "do": whole["do"] }) } else { whole };
        told.to_string()
    }

    /// Tells the engine what the wall clock shows, for those who start together at an instant.
    fn read_wall(&mut self, now: Moment) {
        let (wall, moment) = self.edges.clock.wall_and_moment();
        let since = |m: Moment| SignedDuration::try_from(m.elapsed()).unwrap_or(SignedDuration::MAX);
        let since_start = since(moment).saturating_sub(since(self.edges.start));
        // Out of all range only where the clock shows no year that a date has.
        let Ok(at_start) = wall.checked_sub(since_start) else { return };
        let clock = self.edges.clock;
        let state = ClockStatus::of(clock.kernel(), wall.as_second()).or_by(|| clock.set_right_lately());
        let actions = self.engine.handle(Event::Wall(Wall { at_start, state }), now);
        self.carry_out(actions);
    }

    fn carry_out(&mut self, actions: Vec<Action>) {
        for action in actions {
            match action {
                Action::Send(frames) => {
                    for ((_, sender), frame) in self.outputs.iter_mut().zip(frames) {
                        if let Some(sender) = sender {
                            sender.publish(frame);
                        }
                    }
                }
                Action::Reply(ticket, answer) => self.reply(ticket, *answer),
                Action::Publish => {
                    self.edges.status.send_replace(Arc::new(self.engine.status()));
                }
                Action::ReadPlan(ticket) => match self.engine.plan().path.clone() {
                    Some(path) => self.file_job(ticket, Job::ReadPlan { ticket, path }),
                    None => {
                        let failure = Failure {
                            kind: FailureKind::Files,
                            said: "the built-in demo has no file to read again".to_owned(),
                            hint: Some("run a plan of your own".to_owned()),
                        };
                        self.event(Event::PlanRead(ticket, Err(failure)));
                    }
                },
                Action::WriteLook { ticket, name, text } => match self.engine.plan().path.clone() {
                    Some(plan) => self.file_job(ticket, Job::WriteLook { ticket, plan, name, text }),
                    None => tracing::error!("a look to write and no plan file"),
                },
                Action::Adopt(plan) => self.adopt(&plan),
                Action::Tell(alert) => {
                    // The wire logs its own faults, with their cause.
                    if !alert.kind.starts_with("output-") {
                        tracing::warn!(kind = %alert.kind, "{}", alert.said);
                    }
                    // No listener is no fault.
                    let _ = self.edges.alerts.send(alert);
                }
                Action::Keep(kept) => {
                    self.state.keep(kept, When::now(self.edges.clock, &self.edges.boot_id));
                }
                Action::Record(what) => {
                    let clocks = self.clocks();
                    if let Some(journal) = &mut self.edges.journal {
                        journal.record(*what, &clocks);
                    }
                }
                Action::Find { ticket, what } => {
                    let asked = match &self.edges.journal {
                        Some(journal) => journal.find(ticket, what),
                        None => Err(Failure {
                            kind: FailureKind::Files,
                            said: "no log is kept: there is no state folder".to_owned(),
                            hint: Some("set LAMPKEEP_STATE and start lampkeep again".to_owned()),
                        }),
                    };
                    if let Err(failure) = asked {
                        self.event(Event::Found(ticket, Err(failure)));
                    }
                }
                Action::KeepProtect { serial, on } => {
                    let written = self.edges.clock.wall().to_string();
                    let job = Job::WriteProtect { serial, on, written };
                    if self.edges.files.try_send(job).is_err() {
                        let result = Err(NotKept::Failed("the disk does not keep up".to_owned()));
                        self.event(Event::ProtectKept(serial, result));
                    }
                }
                Action::Finished => self.finished = true,
            }
        }
    }

    /// What every clock shows, for the log.
    fn clocks(&self) -> Clocks {
        let clock = self.edges.clock;
        Clocks {
            since_boot_us: u64::try_from(clock.since_boot().as_micros()).unwrap_or(u64::MAX),
            wall: clock.wall(),
            frame: self.engine.next_frame().saturating_sub(1),
        }
    }

    /// Hands work to the files thread; if it is stuck on a bad disk the request is refused, and the
    /// light goes on.
    fn file_job(&mut self, ticket: Ticket, job: Job) {
        let Err(TrySendError::Full(job) | TrySendError::Disconnected(job)) = self.edges.files.try_send(job)
        else {
            return;
        };
        let failure = || Failure {
            kind: FailureKind::Files,
            said: "the disk does not keep up".to_owned(),
            hint: Some("try again; look at the disk".to_owned()),
        };
        match job {
            Job::ReadPlan { .. } => self.event(Event::PlanRead(ticket, Err(failure()))),
            Job::WriteLook { .. } => self.event(Event::LookWritten(ticket, Err(failure()))),
            // The state has a way of its own, and the protect file's was told of.
            Job::WriteState(_) | Job::WriteProtect { .. } => {}
        }
    }

    fn reply(&mut self, ticket: Ticket, answer: Answer) {
        let Some((mut what, reply)) = self.tickets.remove(&ticket) else { return };
        if self.engine.protected() {
            // It went on with this request: what was written down before holds names.
            let word = serde_json::from_str::<serde_json::Value>(&what).unwrap_or_default();
            what = serde_json::json!({ "do": word["do"] }).to_string();
        }
        let frame = self.engine.next_frame();
        if self.log.allows(self.now()) {
            let what = loggable(what);
            match (&answer.said, &answer.error) {
                (Some(_), _) if what.contains(r#""do":"status""#) || what.contains(r#""do":"explain""#) => {
                    tracing::debug!(frame, request = %what, "answered");
                }
                (Some(said), _) => tracing::info!(frame, request = %what, "{said}"),
                (_, Some(e)) => tracing::info!(frame, request = %what, "refused: {}", e.said),
                _ => {}
            }
        }
        // The asker may be gone; what it asked for is done all the same.
        let _ = reply.send(answer);
    }

    /// Takes over a new plan's outputs: one that is the same goes on undisturbed.
    fn adopt(&mut self, plan: &Plan) {
        let mut old = std::mem::take(&mut self.outputs);
        for output in &plan.outputs {
            let running = old.iter().position(|(o, _)| o == output).map(|i| old.swap_remove(i));
            let started = running
                .map_or_else(|| self.wires.start(output).map(|sender| (output.clone(), Some(sender))), Ok);
            self.outputs.push(started.unwrap_or_else(|e| {
                tracing::error!(output = %output.name, "its thread cannot be started: {e}");
                (output.clone(), None)
            }));
        }
        self.silent = vec![true; self.outputs.len()];
        // Those that are left belong to no output any more. Each takes a period to let its port go, and
        // some tenths of a second where the port is stuck: no frame waits for that.
        if !old.is_empty()
            && let Err(e) = std::thread::Builder::new().name("old-outputs".into()).spawn(move || drop(old))
        {
            tracing::warn!("the old outputs' ports were let go late: {e}");
        }
    }

    fn health(&self) -> Vec<OutputStatus> {
        let status = |(output, sender): &(Output, Option<Running>)| {
            let health = sender.as_ref().map(Running::health);
            let kind = match &output.kind {
                _ if self.edges.simulate => "simulator",
                OutputKind::Raw { .. } => "raw",
                OutputKind::Framed { .. } => "framed",
                OutputKind::E131(_) => "e131",
                OutputKind::Simulator => "simulator",
            };
            OutputStatus {
                kind: kind.to_owned(),
                name: output.name.clone(),
                universe: output.universe,
                state: health.as_ref().map_or(LinkState::Down, |h| h.state),
                said: match &health {
                    Some(h) => h.said.clone(),
                    None => Some("its thread cannot be started; restart lampkeep".to_owned()),
                },
                rate: health.as_ref().map_or(output.rate, |h| h.rate),
                frames: health.as_ref().map_or(0, |h| h.frames),
                late_us_p50: health.as_ref().and_then(|h| h.late_us_p50),
                late_us_p99: health.as_ref().and_then(|h| h.late_us_p99),
                late_us_p999: health.as_ref().and_then(|h| h.late_us_p999),
                late_us_max: health.as_ref().and_then(|h| h.late_us_max),
                missed: health.as_ref().map_or(0, |h| h.missed),
                reopened: health.as_ref().map_or(0, |h| h.reopened),
                last_gap_s: health.as_ref().and_then(|h| h.last_gap_s),
                real_time: health.map(|h| h.real_time).unwrap_or_default(),
            }
        };
        self.outputs.iter().map(status).collect()
    }
}

/// Most characters of a request in the log: outside text may have thousands. Any request that does something
/// has far fewer.
const LOGGED_CHARS: usize = 300;

/// A request's text, cut where it is too long for a log.
fn loggable(mut text: String) -> String {
    if let Some((end, _)) = text.char_indices().nth(LOGGED_CHARS) {
        text.truncate(end);
        text.push('…');
    }
    text
}

/// Lets a number of lines a second into the log, and counts the rest.
#[derive(Default)]
struct LogBudget {
    second: u64,
    used: u32,
    kept_back: u64,
}

impl LogBudget {
    fn allows(&mut self, now: Moment) -> bool {
        let second = now.elapsed().as_secs();
        if second != self.second {
            if self.kept_back > 0 {
                tracing::info!("{} more requests in that second, not logged one by one", self.kept_back);
            }
            *self = Self { second, used: 0, kept_back: 0 };
        }
        self.used += 1;
        if self.used > LOGGED_PER_SECOND {
            self.kept_back += 1;
            return false;
        }
        true
    }
}
