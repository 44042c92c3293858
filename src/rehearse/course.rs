//! Goes through a rehearsal frame by frame: what comes from outside happens at its frame, everything else is the
//! engine's.
//!
//! Frames of the order's time (`at` here) count from the order's beginning; the engine's own count from its start, which
//! after a loss of power is another one.

use std::collections::VecDeque;
use std::sync::Arc;

use super::fault::Fault;
use super::hash::Fnv;
use super::script::{self, Planned};
use super::takes::Rolls;
use super::{FaultRow, Lamps, Row, Timeline, Told, Watches, Wishes, begin, row, text};
use crate::channels::Frame;
use crate::control::{Alert, Answer, Envelope, LinkState, OutputStatus, Request};
use crate::engine::{Action, Engine, Event, Kept, Options, Ticket};
use crate::plan::Plan;
use crate::units::{FrameClock, Moment};

/// Goes through `plan` from `from_s` to `to_s` (`None`: the order's end), in seconds.
pub(super) fn run(
    plan: Arc<Plan>,
    wishes: &Wishes,
    from_s: f64,
    to_s: Option<f64>,
    watches: &mut impl Watches,
) -> Timeline {
    let clock = plan.frames;
    let frames = |s: f64| (s * f64::from(clock.rate())).round() as u64;
    let from = frames(from_s);
    let to = to_s.map_or_else(|| script::length(&plan, &script::steps(&plan)), frames);
    let planned = script::planned(&plan, from, to);
    let options = Options {
        simulate: true,
        boot_id: "rehearsal".into(),
        heat: (wishes.lamps == Lamps::Warm).then(|| begin::warm(&plan, from)),
        ..Options::default()
    };
    let mut faults: Vec<Fault> = wishes.faults.clone();
    faults.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut course = Course {
        engine: Engine::new(Arc::clone(&plan), options),
        clock,
        from,
        to,
        base: from,
        wishes,
        watches,
        outputs: begin::outputs(&plan),
        hash: Fnv::default(),
        frames: 0,
        solved: 0,
        rows: Vec::new(),
        told: Vec::new(),
        lands: None,
        here: None,
        takes: VecDeque::new(),
        rolls: None,
        asked_again: None,
        kept: None,
        protected: false,
        faults: faults.into_iter().map(|fault| (frames(fault.at_s), fault)).collect(),
        fails: Vec::new(),
        failed: Vec::new(),
        last: Vec::new(),
        tickets: 0,
        plan,
    };
    course.begins(from);
    course.goes_on(&planned);
    course.told()
}

/// A fault under way.
pub(super) struct Fails {
    pub fault: Fault,
    pub output: Option<usize>,
    pub at: u64,
    pub until: u64,
}

pub(super) struct Course<'w, W> {
    pub plan: Arc<Plan>,
    pub clock: FrameClock,
    pub from: u64,
    pub to: u64,
    /// The order's frame in which this engine's frame 0 lies.
    pub base: u64,
    pub wishes: &'w Wishes,
    pub watches: &'w mut W,
    pub engine: Engine,
    pub outputs: Vec<OutputStatus>,
    pub hash: Fnv,
    pub frames: u64,
    pub solved: u64,
    pub rows: Vec<Row>,
    pub told: Vec<Told>,
    /// The frame in which the fade under way lands.
    pub lands: Option<u64>,
    /// The step that is on.
    pub here: Option<Planned>,
    /// Takes that are to come in it.
    pub takes: VecDeque<(u64, u64)>,
    pub rolls: Option<Rolls>,
    /// The frame at which a person asks for the light again.
    pub asked_again: Option<u64>,
    /// What a disk holds.
    pub kept: Option<(Box<Kept>, u64)>,
    pub protected: bool,
    /// Faults to come, with their frame, and those under way.
    pub faults: VecDeque<(u64, Fault)>,
    pub fails: Vec<Fails>,
    pub failed: Vec<FaultRow>,
    /// The universes as they were last sent.
    pub last: Vec<Frame>,
    pub tickets: u64,
}

impl<W: Watches> Course<'_, W> {
    /// A new engine has been made, whose first frame is the order's frame `at`.
    pub fn begins(&mut self, at: u64) {
        self.base = at;
        let outputs = self.outputs.clone();
        let wires = outputs.len();
        self.event(Event::Outputs(outputs), at);
        // They send from the first frame on: no lamp has waited for one.
        for output in 0..wires {
            self.event(Event::Silent(output, None), at);
        }
        if self.plan.mqtt.is_some() {
            self.broker(LinkState::Up, at);
        }
    }

    fn goes_on(&mut self, planned: &[Planned]) {
        let mut next = 0;
        let mut at = self.from;
        while at < self.to {
            if let Some(back) = self.power(at) {
                at = back;
                continue;
            }
            self.faults(at);
            if planned.get(next).is_some_and(|p| p.at <= at) {
                // Those that a loss of power has let pass are not made up for.
                while planned.get(next + 1).is_some_and(|p| p.at <= at) {
                    next += 1;
                }
                self.step(&planned[next], at);
                next += 1;
                self.asked_again = None;
            } else if self.asked_again.is_some_and(|due| due <= at) {
                self.asked_again = None;
                if let Some(here) = self.here.clone() {
                    self.step(&here, at);
                }
            }
            self.takes(at);
            let until = self.next_from_outside(planned.get(next)).min(self.to);
            let stands = self.stands_for().min(until.saturating_sub(at));
            if stands > 0 {
                for n in at..at + stands {
                    self.stand(n);
                }
                at += stands;
            } else {
                self.frame(at);
                at += 1;
            }
            if self.lands.is_some_and(|lands| at > lands) {
                self.landed();
            }
        }
        self.take_over(self.to);
        self.close();
    }

    /// The frame before which nothing comes from outside.
    fn next_from_outside(&self, next: Option<&Planned>) -> u64 {
        let takes = self.takes.front().map(|t| t.0);
        let rolls = self.rolls.as_ref().map(|r| r.ends);
        let faults = self.faults.front().map(|f| f.0);
        let lands = self.lands.map(|l| l + 1);
        let dues = [next.map(|p| p.at), takes, rolls, faults, lands, self.asked_again];
        dues.into_iter().flatten().min().unwrap_or(u64::MAX)
    }

    fn stands_for(&self) -> u64 {
        // While a wire is gone the engine hears of it in each frame.
        if self.wishes.every_frame || !self.fails.is_empty() || self.last.is_empty() {
            return 0;
        }
        self.engine.stands_for()
    }

    fn moment(&self, at: u64) -> Moment {
        self.clock.moment_of(at - self.base)
    }

    /// One frame that has to be worked out.
    fn frame(&mut self, at: u64) {
        if self.wishes.every_frame {
            self.engine.solve_anew();
        }
        self.solved += 1;
        self.event(Event::Frame(at - self.base), at);
        self.second(at);
    }

    /// One frame that is the one before.
    fn stand(&mut self, at: u64) {
        let now = self.moment(at);
        let actions = self.engine.stand(now);
        self.carry_out(actions, at);
        let mut frames = std::mem::take(&mut self.last);
        for frame in &mut frames {
            frame.number = at - self.base;
        }
        self.send(frames);
        self.second(at);
    }

    fn second(&mut self, at: u64) {
        self.watches.frame(&self.engine);
        if at.is_multiple_of(u64::from(self.clock.rate())) {
            self.watches.second(self.clock.seconds(at), self.clock.seconds(self.to), &self.engine);
        }
    }

    fn send(&mut self, frames: Vec<Frame>) {
        self.hash.frames(&frames);
        self.watches.frames(&frames);
        self.frames += 1;
        self.last = frames;
    }

    /// Something happens; what is to be done is done at once, as by a disk that takes everything.
    pub fn event(&mut self, event: Event, at: u64) -> Option<Answer> {
        let now = self.moment(at);
        let actions = self.engine.handle(event, now);
        self.carry_out(actions, at)
    }

    fn carry_out(&mut self, actions: Vec<Action>, at: u64) -> Option<Answer> {
        let mut answer = None;
        for action in actions {
            match action {
                Action::Send(frames) => self.send(frames),
                Action::Tell(Alert { kind, fixture, said, .. }) => {
                    self.told.push(Told { at_s: self.clock.seconds(at), kind, fixture, said });
                }
                Action::Keep(kept) => self.kept = Some((kept, at)),
                Action::KeepProtect { serial, on } => {
                    self.protected = on;
                    answer = self.event(Event::ProtectKept(serial, Ok(())), at).or(answer);
                }
                Action::Reply(_, reply) => answer = Some(*reply),
                _ => {}
            }
        }
        answer
    }

    pub fn ask(&mut self, request: Request, at: u64) -> Option<Answer> {
        self.tickets += 1;
        let envelope = Envelope { id: None, request };
        self.event(Event::Ask(Ticket(self.tickets), envelope), at)
    }

    /// What a person does before a look that hides nobody: the code is asked for and given back.
    fn end_protection(&mut self, at: u64) {
        let code = self.ask(Request::ProtectOff { code: None, random: 0 }, at);
        let code = code.and_then(|a| a.data).and_then(|data| data["code"].as_str().map(str::to_owned));
        self.ask(Request::ProtectOff { code, random: 0 }, at);
    }

    /// A step of the order comes up.
    fn step(&mut self, planned: &Planned, at: u64) {
        self.take_over(at);
        self.close();
        let plan = Arc::clone(&self.plan);
        let look = plan.look(planned.step.look);
        if self.engine.protected() && !look.protect {
            self.end_protection(at);
        }
        let request = Request::Recall {
            look: Some(look.name.clone()),
            take: None,
            over_s: Some(planned.step.fade.as_secs_f64()),
            in_s: None,
            at: None,
        };
        let refused = self.ask(request, at).and_then(|answer| answer.error).map(|failure| failure.said);
        let lands = at + self.clock.frames_in(planned.step.fade);
        self.lands = refused.is_none().then_some(lands);
        self.takes = match &refused {
            None if self.wishes.takes => script::takes(&plan, &planned.step, lands, planned.until).into(),
            _ => VecDeque::new(),
        };
        self.rows.push(Row {
            at_s: self.clock.seconds(at),
            step: planned.number,
            round: planned.round,
            look: look.name.clone(),
            fade_s: planned.step.fade.as_secs_f64(),
            on_s: self.clock.seconds(planned.until.saturating_sub(at)),
            refused,
            watts: 0.0,
            lamps: Vec::new(),
            warnings: Vec::new(),
            takes: Vec::new(),
            warmest: None,
            told: Vec::new(),
        });
        self.here = Some(planned.clone());
    }

    /// The fade has landed.
    fn landed(&mut self) {
        self.lands = None;
        if let (Some(row), Some(here)) = (self.rows.last_mut(), &self.here) {
            row::fill(row, &self.engine, here.step.look);
        }
    }

    /// The step that is on is over.
    fn close(&mut self) {
        if let Some(row) = self.rows.last_mut() {
            row.warmest = row::warmest(&self.engine);
            row.told.append(&mut self.told);
        }
        self.takes.clear();
    }

    /// What was found.
    fn told(self) -> Timeline {
        let mut timeline = Timeline {
            set: self.plan.name.clone(),
            verdict: super::Verdict { works: true, warnings: 0, said: String::new() },
            from_s: self.clock.seconds(self.from),
            length_s: self.clock.seconds(self.to - self.from),
            ambient_c: self.plan.ambient.get(),
            lamps: self.wishes.lamps,
            frames: self.frames,
            solved: self.solved,
            frames_hash: self.hash.said(),
            looks: self.rows,
            faults: self.failed,
            notes: self.plan.notes.clone(),
        };
        timeline.verdict = text::verdict(&timeline);
        timeline
    }
}
