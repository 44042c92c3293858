//! `handle(event, now) -> actions`: frames and everything else that happens.

use super::shape::LATE_SHARE_OF_SECOND;
use super::state::{Change, Scene};
use super::{Action, Engine, Event, say};
use crate::control::Alert;
use crate::guards::{self, Conditions, Holds};
use crate::light::{Colour, Demand, Moving, solve};
use crate::plan::{FixtureId, LookId, OnStop};
use crate::units::{FrameNumber, Moment};

/// Level at which each lamp shows in a rollcall, as a share of its most light. Judgement, no source:
/// seen at once in a lit room, and no strain to look at.
pub(super) const ROLLCALL_SHARE: f64 = 0.1;
/// Fade back to the standing light after a rollcall, in seconds.
const RETURN_FADE_S: f64 = 0.5;
/// Most snapshots a second while the light moves.
const PUBLISH_RATE: u32 = 10;

impl Engine {
    /// Takes what happened at `now` and says what to do, in order.
    ///
    /// Frames must come one by one in order; one that is not the next is not worked out.
    pub fn handle(&mut self, event: Event, now: Moment) -> Vec<Action> {
        let typed = self.typed_in(&event);
        let protected = self.protected();
        let asked = match &event {
            Event::Found(ticket, _) => self.asked_for(*ticket),
            event => super::record::asked(event),
        };
        let actions = self.happen(event, now);
        let actions = self.seal(actions, protected, &typed, now);
        self.recorded(actions, asked.as_deref(), protected, &typed, now)
    }

    fn happen(&mut self, event: Event, now: Moment) -> Vec<Action> {
        match event {
            Event::Frame(n) => self.frame(n),
            Event::Ask(ticket, envelope) => self.ask(ticket, envelope, now),
            Event::Outputs(outputs) => self.outputs_are(outputs),
            Event::Mqtt(mqtt) => {
                let changed = self.mqtt.as_ref().map(|m| m.state) != Some(mqtt.state);
                self.mqtt = Some(mqtt);
                if changed { self.publish() } else { Vec::new() }
            }
            Event::PlanRead(ticket, result) => self.plan_read(ticket, result),
            Event::LookWritten(ticket, result) => self.look_written(ticket, result),
            Event::Silent(output, for_s) => {
                self.record_silence(output, for_s);
                self.silent(output, for_s);
                Vec::new()
            }
            Event::StateWritten(result) => self.state_written(result),
            Event::Protect(found) => self.protect_found(found),
            Event::ProtectKept(serial, result) => self.protect_kept(serial, result),
            Event::Wall(wall) => self.wall_is(wall),
            Event::Found(ticket, result) if self.asks_for_take(ticket) => self.found(ticket, result, now),
            Event::Found(ticket, result) => self.match_found(ticket, result, now),
            Event::Journal(status) => self.journal_is(status),
            Event::Stop => self.stop(now),
        }
    }

    fn frame(&mut self, n: FrameNumber) -> Vec<Action> {
        if n != self.next_frame() || self.finished {
            return Vec::new();
        }
        let mut actions = self.open(n);
        actions.extend(self.fall_due(n));
        let clock = self.clock();
        self.end_overlays(n);
        self.search_once(n);
        let wink = self.wink;
        let rollcall = self.rollcall.as_ref().map(|r| r.lit(n));
        for index in 0..self.lamps.len() {
            let id = FixtureId(index);
            let now = self.conditions(id);
            let fixture = &self.plan.fixtures[index];
            self.lamps[index].begin(fixture, n, clock, &now, |demand| match (rollcall, wink) {
                (Some(showing), _) => low(fixture, &demand, showing == Some(id)),
                (None, Some(w)) if w.fixture == id => winking(fixture, demand, &now),
                _ => demand,
            });
        }
        self.hold_heat(n);
        self.hold_load();
        for index in 0..self.lamps.len() {
            let now = self.conditions(FixtureId(index));
            if self.stays_as_it_was(index, &now) {
                continue;
            }
            let fixture = &self.plan.fixtures[index];
            // Nothing lowers a lamp set by hand: it draws what it was told to give.
            let circuit = if fixture.address().is_some() { self.load.share() } else { 1.0 };
            let holds = Holds { heat: self.heat.held(index), circuit };
            self.lamps[index].offer(fixture, &now, holds);
        }
        self.as_it_was.clear();
        self.hold_flashes(n);
        self.last = Some(n);
        if self.rollcall.as_ref().is_some_and(|r| r.beside(n).is_some()) {
            self.tried_beside = Some(n);
        }
        self.watch_take(n);
        actions.push(Action::Send(self.frames(n)));
        self.time_goes_on(n, &mut actions);
        let showing = self.rollcall.as_ref().and_then(|r| r.showing(n));
        let moving = self.lamps.iter().any(|l| !l.settled) || showing.is_some() || self.wink.is_some();
        // Not for a light that moves by its look's own plan: no disk is written each second for hours.
        let by_itself = |l: &super::lamp::Lamp| l.fade.is_none() && l.target.motion.is_some();
        let changing = self.lamps.iter().any(|l| !l.settled && !by_itself(l));
        let changing = changing || showing.is_some() || self.wink.is_some();
        self.record_light(n, changing);
        self.record_lamps(n);
        actions.extend(self.keep_state(n, changing));
        let due = n - self.last_publish >= u64::from(clock.rate() / PUBLISH_RATE).max(1);
        // Once a second in any case: the outputs' figures and the countdowns move on their own.
        let beat = n - self.last_publish >= u64::from(clock.rate());
        if (moving && due) || (self.was_moving && !moving) || beat {
            self.refresh_standing_alerts(clock.seconds(n));
            actions.extend(self.publish());
        }
        self.was_moving = moving;
        if self.stopping && self.lamps.iter().all(|l| l.fade.is_none()) {
            self.finish(&mut actions);
        }
        actions
    }

    /// Nothing more will be sent.
    fn finish(&mut self, actions: &mut Vec<Action>) {
        self.finished = true;
        let n = self.last.unwrap_or(0);
        self.record_stop();
        actions.push(self.keep_now(n));
        actions.push(Action::Finished);
    }

    /// Makes at most one search for a best mix, so that no frame waits for more: first for a lamp that
    /// heads for one, then ahead of time for the plan's looks.
    pub(super) fn search_once(&mut self, n: FrameNumber) {
        let least = (f64::from(self.clock().rate()) * LATE_SHARE_OF_SECOND) as u64;
        for index in 0..self.lamps.len() {
            if !self.lamps[index].shape.wanted {
                continue;
            }
            let (id, fixture) = (FixtureId(index), &self.plan.fixtures[index]);
            let demand = self.lamps[index].target.base;
            let known = self.renderings.known(fixture, id, &demand);
            let (shape, searched) = match known {
                Some(shape) => (Some(shape), false),
                None => {
                    self.renderings.search_once(fixture, id, &demand);
                    (self.renderings.known(fixture, id, &demand), true)
                }
            };
            if let Some(shape) = shape {
                self.lamps[index].found(shape, n, least);
            }
            if searched {
                return;
            }
        }
        self.renderings.search_ahead(&self.plan);
    }

    /// What the clock brings by itself: scheduled requests, the end of rest.
    fn fall_due(&mut self, n: FrameNumber) -> Vec<Action> {
        let mut actions = Vec::new();
        if self.waiting.as_ref().is_some_and(|w| n >= w.due)
            && let Some(waiting) = self.waiting.take()
        {
            let done = self.guard_change().and_then(|()| match waiting.change {
                Change::Recall { look, over_s } => match waiting.at {
                    Some(instant) => self.recall_for(&look, over_s, instant, n),
                    None => self.recall_by_name(&look, over_s, n),
                },
                Change::RecallTake { name, log_name, record, over_s } => {
                    self.recall_take(&name, &log_name, &record, over_s, n)
                }
                Change::Step { by, over_s } => self.step_order(by, over_s, n),
                Change::TakeStart { slate } => self.start_take(slate, n),
            });
            // Seen once more when this frame has been sent.
            self.was_moving = true;
            let (kind, said) = match done {
                Ok(said) => ("scheduled-done", said),
                Err(failure) => ("scheduled-refused", format!("{}: {}", waiting.what, failure.said)),
            };
            actions.push(self.tell(kind, None, said, n));
        }
        // A take that rolls on the rest look keeps it; the end comes after.
        if self.take.is_none() && self.rest_ends.is_some_and(|end| n >= end) {
            self.go_dark(self.clock().frames_in(self.plan.fade), n);
            let said = format!("rest is over after {}: dark", say::span(self.plan.rest_for.as_secs_f64()));
            actions.push(self.tell("rest-over", None, said, n));
        }
        actions
    }

    /// Ends winks and rollcalls whose time is over.
    fn end_overlays(&mut self, n: FrameNumber) {
        if let Some(wink) = self.wink
            && n >= wink.until
        {
            self.wink = None;
            self.lamps[wink.fixture.0].settled = false;
        }
        if self.rollcall.as_ref().is_some_and(|r| r.showing(n).is_none()) {
            self.end_rollcall(n);
        }
        if self.rollcall.is_some() || self.wink.is_some() {
            for lamp in &mut self.lamps {
                lamp.settled = false;
            }
        }
    }

    /// Leads every lamp back from a rollcall to the light that stands.
    pub(super) fn end_rollcall(&mut self, at: FrameNumber) {
        self.rollcall = None;
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(RETURN_FADE_S));
        self.turn_together(&[], at, frames);
    }

    /// Turns some lamps to other targets as [`Self::turn_on_its_way`] does. Where heat holds the light or
    /// would hold what is asked now, all lamps turn, each to what it is asked, so that ratios hold.
    pub(super) fn turn_together(&mut self, turned: &[(FixtureId, Moving)], at: FrameNumber, least: u64) {
        let mut targets: Vec<Moving> = self.lamps.iter().map(|l| l.target).collect();
        for (id, target) in turned {
            targets[id.0] = *target;
        }
        let all = self.heat_recalled(&targets, at, least) || turned.is_empty();
        for (index, target) in targets.into_iter().enumerate() {
            let id = FixtureId(index);
            if all || turned.iter().any(|(t, _)| *t == id) {
                self.turn_on_its_way(id, target, at, least);
            }
        }
    }

    /// Turns one lamp to another target over `least` frames, or until the end of the fade that it is in;
    /// a motion goes on where it is.
    pub(super) fn turn_on_its_way(&mut self, id: FixtureId, target: Moving, at: FrameNumber, least: u64) {
        let lamp = &self.lamps[id.0];
        let since = (lamp.moving_since, lamp.moved_before_s);
        let left = lamp.fade.map_or(0, |f| (f.start + f.frames).saturating_sub(at));
        self.turn(id, target, at, least.max(left));
        (self.lamps[id.0].moving_since, self.lamps[id.0].moved_before_s) = since;
    }

    /// Turns one lamp to another target over `frames`.
    pub(super) fn turn(&mut self, id: FixtureId, target: Moving, at: FrameNumber, frames: u64) {
        self.recording.asked = true;
        let fixture = &self.plan.fixtures[id.0];
        let shape = self.renderings.known(fixture, id, &target.base);
        self.lamps[id.0].turn(fixture, target, shape, at, frames);
    }

    /// Turns every lamp at once, and forgets overlays.
    pub(super) fn turn_all(&mut self, targets: &[Moving], at: FrameNumber, frames: u64) {
        self.wink = None;
        self.rollcall = None;
        self.rest_ends = None;
        self.heat_recalled(targets, at, frames);
        self.heat.lands = at + frames;
        for (index, target) in targets.iter().enumerate() {
            self.turn(FixtureId(index), *target, at, frames);
        }
    }

    /// Brings a look up from frame `at` on, over its own fade or the plan's.
    pub(super) fn bring_up(&mut self, look: LookId, over_s: Option<f64>, at: FrameNumber) -> u64 {
        let frames = self.fade_frames(look, over_s);
        self.bring_up_in(look, frames, at);
        frames
    }

    /// Frames of a look's fade: as asked, its own or the plan's.
    pub(super) fn fade_frames(&self, look: LookId, over_s: Option<f64>) -> u64 {
        let own = self.plan.look(look).fade.unwrap_or(self.plan.fade);
        self.clock().frames_in(over_s.map_or(own, std::time::Duration::from_secs_f64))
    }

    /// Brings a look up from frame `at` on, over so many frames.
    pub(super) fn bring_up_in(&mut self, look: LookId, frames: u64, at: FrameNumber) {
        self.protect_for(look, at);
        let targets = self.all_steady(solve::demands(&self.plan, &self.look_as_it_stands(look)));
        self.turn_all(&targets, at, frames);
        self.scene = Scene::Look(look);
        self.nudged = false;
        self.remember();
    }

    /// Turns everything to dark.
    pub(super) fn go_dark(&mut self, frames: u64, at: FrameNumber) {
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        self.turn_all(&vec![dark; self.lamps.len()], at, frames);
        self.scene = Scene::Dark;
        self.nudged = false;
    }

    /// Keeps the present targets as the light that `again` brings back.
    pub(super) fn remember(&mut self) {
        self.memory = Some(super::state::Memory {
            scene: self.scene,
            targets: self.lamps.iter().map(|l| l.target).collect(),
            nudged: self.nudged,
        });
    }

    /// Tells what the start found, and what came back since the last frame.
    fn open(&mut self, n: FrameNumber) -> Vec<Action> {
        let openings = std::mem::take(&mut self.openings);
        let mut actions: Vec<Action> =
            openings.into_iter().map(|(kind, said)| self.tell(kind, None, said, n)).collect();
        // Which takes there are, so that recalls can be held against them.
        actions.extend((n == 0).then(|| self.ask_for_takes()));
        actions
    }

    /// True for a lamp whose first frame after a restart is the last one before it, as it is.
    fn stays_as_it_was(&self, index: usize, now: &Conditions) -> bool {
        self.as_it_was.get(index) == Some(&true)
            && self.plan.fixtures[index].address().is_some()
            && !now.absent
            && !now.protected
            && !self.lamps[index].standing.is_soft()
    }

    pub(super) fn publish(&mut self) -> Vec<Action> {
        self.sequence += 1;
        self.last_publish = self.last.unwrap_or(0);
        vec![Action::Publish]
    }

    /// An event that needs attention once; it does not stay in the status.
    pub(super) fn tell(
        &mut self,
        kind: &str,
        fixture: Option<String>,
        said: String,
        n: FrameNumber,
    ) -> Action {
        let alert = Alert { kind: kind.to_owned(), fixture, said, since: self.clock().seconds(n) };
        self.told = Some(alert.clone());
        Action::Tell(alert)
    }

    fn stop(&mut self, now: Moment) -> Vec<Action> {
        if self.stopping {
            // A second signal must not begin the last fade anew.
            return Vec::new();
        }
        self.waiting = None;
        let mut actions = self.cut_take(now);
        match self.plan.on_stop {
            OnStop::Fade(span) if !self.finished => {
                let at = self.acting_frame(now);
                self.go_dark(self.clock().frames_in(span), at);
                self.stopping = true;
                actions.extend(self.publish());
            }
            _ => {
                self.finish(&mut actions);
            }
        }
        actions
    }
}

/// A lamp that winks: one stop under what it would show, for one that cannot show what it is asked for too.
fn winking(fixture: &crate::plan::Fixture, demand: Demand, now: &Conditions) -> Demand {
    let most = guards::forecast(fixture, &solve::reach(fixture, &demand), now).lux();
    Demand { lux: demand.lux.min(most) * 0.5, ..demand }
}

/// A lamp in a rollcall: low if it is its turn, dark if not; white as it stands.
pub(super) fn low(fixture: &crate::plan::Fixture, demand: &Demand, its_turn: bool) -> Demand {
    let colour: Colour = demand.colour;
    if !its_turn {
        return Demand { lux: 0.0, colour };
    }
    let full = solve::reach(fixture, &Demand { lux: 1.0, colour }).full_lux;
    let share = ROLLCALL_SHARE.max(fixture.limits.floor.get());
    Demand { lux: full * share, colour }
}
