//! The identity guard at work: the machine's switch, the lamps of the plan in force that it holds, answers
//! that wait for the file, and names kept out of everything that leaves the engine.
//!
//! Cut first, then durable, then answered: an answer that turned the guard on or off is given once its file is
//! on the disk and the frame that it acts on has gone out. The file itself is `protect_file`'s.

use std::collections::BTreeSet;

use super::kept::Kept;
use super::{Action, Engine, Event, Ticket};
use crate::control::{Answer, Failure, FailureKind, ProtectStatus, Status};
use crate::guards::identity::Protection;
use crate::guards::identity::lock::Lock;
use crate::guards::identity::names::Names;
use crate::guards::identity::redact::Redactor;
use crate::journal::TakeFound;
use crate::light::{Demand, Moving, solve};
use crate::plan::{FixtureId, LookId, Plan, SubjectId, TextRole};
use crate::units::{FrameNumber, Moment};

/// Longest that an answer waits for the disk, in seconds. Judgement: well under what a door waits.
const DISK_WITHIN_S: f64 = 5.0;

/// What the machine's file says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum ProtectFound {
    /// Nothing is protected.
    #[default]
    Off,
    /// Faces are protected.
    On,
    /// It cannot be read, and why: counts as on.
    Unreadable(String),
    /// There was a file and it is gone: that turns nothing off.
    Gone,
}

/// Why the machine's file was not written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotKept {
    /// Another set has written it since it was last looked at; off is then not written.
    Changed,
    /// The file system's words.
    Failed(String),
}

/// An answer that waits for its file and its frame.
#[derive(Debug, Clone, PartialEq)]
struct Pending {
    ticket: Ticket,
    answer: Answer,
    serial: u64,
    at: FrameNumber,
    written: bool,
}

/// The guard's live state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Protect {
    pub lock: Lock,
    /// The write of an off that is under way; it holds until that is done.
    releasing: Option<u64>,
    /// What it means for the plan in force.
    pub means: Protection,
    held: Vec<bool>,
    since_s: f64,
    redactor: Redactor,
    /// To be written at the end of what happens now.
    keep: Option<bool>,
    serial: u64,
    pending: Vec<Pending>,
    /// Why it will not survive a restart.
    pub unkept: Option<String>,
    /// Why the file could not be read.
    pub damaged: Option<String>,
    /// Another set turned it off while a take rolls here.
    off_waits: bool,
}

impl Protect {
    /// The state at a start.
    pub fn new(plan: &Plan, found: &ProtectFound) -> Self {
        let damaged = match found {
            ProtectFound::Unreadable(why) => Some(why.clone()),
            _ => None,
        };
        let on = damaged.is_some() || *found == ProtectFound::On;
        let mut protect = Self {
            lock: if on { Lock::on() } else { Lock::off() },
            releasing: None,
            means: Protection { locked: Vec::new(), unplug: Vec::new(), by_hand: Vec::new() },
            held: Vec::new(),
            since_s: 0.0,
            redactor: Redactor::default(),
            keep: None,
            serial: 0,
            pending: Vec::new(),
            unkept: None,
            damaged,
            off_waits: false,
        };
        protect.learn(plan);
        protect
    }

    /// Another plan is in force.
    pub fn learn(&mut self, plan: &Plan) {
        self.means = of_plan(plan);
        self.held = plan.fixture_ids().map(|id| self.means.holds(id)).collect();
        self.redactor.learn(plan);
    }

    /// A look was added to the plan: names alone are new.
    pub fn learn_names(&mut self, plan: &Plan) {
        self.redactor.learn(plan);
    }

    /// Gives a slate its number.
    pub fn learn_slate(&mut self, slate: &str) {
        self.redactor.slate(slate);
    }

    /// Names of what another run kept are not told: it may have had another plan. Those of the plan in force
    /// get their numbers again.
    pub fn learn_kept(&mut self, kept: &Kept, plan: &Plan) {
        for name in kept.names() {
            self.redactor.erase(name);
        }
        for kept in &kept.slates {
            self.redactor.slate(&kept.slate);
        }
        self.redactor.learn(plan);
    }

    /// Takes of the log may have another plan's names: they are not told. Those of the plan in force get their numbers
    /// again, slates theirs.
    pub fn learn_takes(&mut self, takes: &[TakeFound], plan: &Plan) {
        for take in takes {
            for name in take.names() {
                self.redactor.erase(name);
            }
            let amended = take.amended.iter().filter_map(|a| a.slate.as_deref());
            for slate in amended.chain([take.record.slate.as_str()]) {
                self.redactor.slate(slate);
            }
        }
        self.redactor.learn(plan);
    }

    /// True while lamps are held: also while an off is still on its way to the disk.
    pub fn on(&self) -> bool {
        self.lock.is_on() || self.releasing.is_some()
    }

    /// True if this lamp must be sent zero now.
    pub fn holds(&self, id: FixtureId) -> bool {
        self.on() && self.held.get(id.0).copied().unwrap_or(true)
    }
}

/// The faces of a plan that the guard hides: every one of which the plan does not say otherwise.
pub(super) fn faces(plan: &Plan) -> Vec<SubjectId> {
    (0..plan.subjects.len()).map(SubjectId).filter(|s| plan.subjects[s.0].protect).collect()
}

/// The protected faces of a plan, and what that means for its lamps.
#[must_use]
pub(crate) fn of_plan(plan: &Plan) -> Protection {
    Protection::of(plan, &faces(plan), plan.protect_stops.ratio())
}

impl Engine {
    /// True while the identity guard holds lamps.
    #[must_use]
    pub fn protected(&self) -> bool {
        self.protect.on()
    }

    /// A text as it may leave this machine's screen: without names while protected.
    #[must_use]
    pub fn shown(&self, text: &str) -> String {
        if self.protected() { self.protect.redactor.text(text, &[]) } else { text.to_owned() }
    }

    /// A text without names and without what was typed.
    pub(super) fn shown_text(&self, text: &str, typed: &[String]) -> String {
        self.protect.redactor.text(text, typed)
    }

    /// A lamp's number, by its fixture's id or its body's name.
    pub(super) fn shown_lamp(&self, name: &str) -> String {
        self.protect.redactor.lamp(name)
    }

    /// A look's number, or what else is lit.
    pub(super) fn shown_look(&self, name: &str) -> String {
        self.protect.redactor.look(name)
    }

    /// A slate's number; one that is a plain number stays what it is.
    pub(super) fn shown_slate(&self, slate: &str) -> String {
        self.protect.redactor.text(&format!("{slate}/1"), &[]).trim_end_matches("/1").to_owned()
    }

    /// A text of the plan without comments and without names.
    pub(super) fn without_names(&self, role: TextRole, text: &str) -> String {
        self.protect.redactor.text(&super::record_names::without_comments(role, text), &[])
    }

    /// Turns the guard on: those lamps are cut in the next frame that is worked out.
    pub(super) fn turn_protect_on(&mut self, now_s: f64) {
        if !self.protected() {
            self.protect.since_s = now_s;
        }
        self.protect.releasing = None;
        self.protect.off_waits = false;
        self.protect.damaged = None;
        self.protect.lock.turn_on();
        self.protect.keep = Some(true);
        self.keeps.at_once = true;
        self.unsettle_held();
    }

    /// A look that hides who is speaking comes up: the guard goes on with it.
    pub(super) fn protect_for(&mut self, look: LookId, at: FrameNumber) {
        if self.plan.look(look).protect && !self.protect.lock.is_on() {
            self.turn_protect_on(self.clock().seconds(at));
        }
    }

    pub(super) fn unsettle_held(&mut self) {
        for (index, lamp) in self.lamps.iter_mut().enumerate() {
            if self.protect.held.get(index).copied().unwrap_or(true) {
                lamp.settled = false;
            }
        }
    }

    /// Notes an off with the right code. It holds until the file says so.
    pub(super) fn begin_release(&mut self) {
        self.protect.releasing = Some(self.protect.serial + 1);
        self.protect.keep = Some(false);
    }

    /// Off. The lamps that were held stay dark until a recall: nothing that was asked for before holds.
    fn release(&mut self) {
        self.protect.releasing = None;
        self.protect.off_waits = false;
        self.protect.damaged = None;
        self.protect.lock = Lock::off();
        // A start after this must find it so.
        self.keeps.at_once = true;
        self.dark_until_recall();
    }

    /// Leads the lamps that reach a face to zero, with no way back but a recall: after an off, here or while
    /// the daemon was away.
    pub(super) fn dark_until_recall(&mut self) {
        let at = self.next_frame();
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let held: Vec<FixtureId> = self
            .plan
            .fixture_ids()
            .filter(|id| self.protect.held.get(id.0).copied().unwrap_or(true))
            .collect();
        for id in held {
            self.nudged |= self.lamps[id.0].target.base.lux > 0.0;
            self.turn(id, dark, at, 0);
            self.lamps[id.0].settled = false;
            // Nor is the last frame of the run before sent anew.
            if let Some(stays) = self.as_it_was.get_mut(id.0) {
                *stays = false;
            }
            let memories = [&mut self.memory, &mut self.before_calibrate, &mut self.before_meter];
            for memory in memories.into_iter().flatten() {
                memory.targets[id.0] = dark;
            }
        }
        self.wink = None;
        self.waiting = None;
        if self.rollcall.is_some() {
            self.end_rollcall(at);
        }
    }

    /// What the machine's file says now, written by another set or by hand.
    pub(super) fn protect_found(&mut self, found: ProtectFound) -> Vec<Action> {
        let n = self.last.unwrap_or(0);
        let now_s = self.clock().seconds(n);
        let said = match found {
            ProtectFound::On | ProtectFound::Gone | ProtectFound::Unreadable(_)
                if self.protect.lock.is_on() =>
            {
                self.protect.off_waits = false;
                // What holds here must hold after a restart too.
                if found != ProtectFound::On {
                    self.protect.keep = Some(true);
                }
                return Vec::new();
            }
            ProtectFound::Gone => return Vec::new(),
            ProtectFound::On => {
                self.turn_protect_on(now_s);
                self.protect.keep = None;
                "another set turned protection on: it binds every set of this machine"
            }
            ProtectFound::Unreadable(why) => {
                self.turn_protect_on(now_s);
                self.protect.keep = None;
                self.protect.damaged = Some(why);
                "the machine's protect file can no longer be read, which counts as on"
            }
            ProtectFound::Off if !self.protected() => return Vec::new(),
            ProtectFound::Off if self.take.is_some() => {
                self.protect.off_waits = true;
                "another set turned protection off; here it holds until the take has ended"
            }
            ProtectFound::Off => {
                self.release();
                "another set turned protection off; the lamps stay dark until the next recall"
            }
        };
        let told = self.tell("protect-changed", None, said.to_owned(), n);
        self.refresh_standing_alerts(now_s);
        let mut actions = self.publish();
        actions.push(told);
        actions
    }

    /// The take is over: an off of another set that came in it holds now.
    pub(super) fn protect_after_take(&mut self) {
        if self.protect.off_waits {
            self.release();
        }
    }

    /// The machine's file was written, or not.
    pub(super) fn protect_kept(&mut self, serial: u64, result: Result<(), NotKept>) -> Vec<Action> {
        let releasing = self.protect.releasing == Some(serial);
        let mut add = None;
        let mut refuse = None;
        match &result {
            Err(NotKept::Changed) if releasing => {
                self.turn_protect_on(self.clock().seconds(self.last.unwrap_or(0)));
                self.protect.keep = None;
                refuse = Some("another set turned protection on meanwhile: it stays on");
            }
            _ if releasing => self.release(),
            _ => {}
        }
        match result {
            Ok(()) | Err(NotKept::Changed) => self.protect.unkept = None,
            Err(NotKept::Failed(why)) => {
                add = Some(if self.protected() {
                    format!(
                        "WARNING: it holds now but will not survive a restart: the file was not written ({why})"
                    )
                } else {
                    format!(
                        "WARNING: the file still says on ({why}): other sets, and this one after a restart, hold them"
                    )
                });
                self.protect.unkept = self.protected().then_some(why);
            }
        }
        let off_came_late = !releasing && self.protected();
        for pending in self.protect.pending.iter_mut().filter(|p| p.serial == serial) {
            pending.written = true;
            let was_off = pending.answer.data.as_ref().is_some_and(|d| d["released"] == true);
            let refuse = refuse.or_else(|| {
                (was_off && off_came_late).then_some("it was turned on again meanwhile: it stays on")
            });
            if let Some(said) = refuse {
                let hint = Some("`lampkeep protect off` gives a new code".to_owned());
                let failure = Failure { kind: FailureKind::Guarded, said: said.to_owned(), hint };
                pending.answer = Answer::refused(pending.answer.id.clone(), failure);
            } else if let (Some(said), Some(add)) = (&mut pending.answer.said, &add) {
                said.push_str(" · ");
                said.push_str(add);
            }
        }
        self.refresh_standing_alerts(self.clock().seconds(self.last.unwrap_or(0)));
        self.publish()
    }

    /// Everything on its way out of the engine passes here: answers that must wait for the file wait, and while
    /// protected names go. `before`: it was on before this happened. `typed`: what was typed for it.
    pub(super) fn seal(
        &mut self,
        mut actions: Vec<Action>,
        before: bool,
        typed: &[String],
        now: Moment,
    ) -> Vec<Action> {
        if before || self.protected() {
            for action in &mut actions {
                match action {
                    Action::Reply(_, answer) => self.redact_answer(answer, typed),
                    Action::Tell(alert) => {
                        alert.said = self.protect.redactor.text(&alert.said, typed);
                        alert.fixture = alert.fixture.as_deref().map(|f| self.protect.redactor.lamp(f));
                    }
                    _ => {}
                }
            }
        }
        if let Some(on) = self.protect.keep.take() {
            self.protect.serial += 1;
            let serial = self.protect.serial;
            let at = self.acting_frame(now);
            let (waiting, others): (Vec<_>, Vec<_>) =
                actions.into_iter().partition(|a| matches!(a, Action::Reply(_, answer) if answer.ok));
            actions = others;
            actions.push(Action::KeepProtect { serial, on });
            self.protect.pending.extend(waiting.into_iter().filter_map(|a| match a {
                Action::Reply(ticket, answer) => {
                    Some(Pending { ticket, answer: *answer, serial, at, written: false })
                }
                _ => None,
            }));
        }
        actions.extend(self.answers_due());
        actions
    }

    /// Answers whose file is written and whose frame has gone out.
    fn answers_due(&mut self) -> Vec<Action> {
        let last = self.last;
        let patience = (f64::from(self.clock().rate()) * DISK_WITHIN_S) as u64;
        let finished = self.finished;
        let mut due = Vec::new();
        let mut waiting = Vec::new();
        for mut p in std::mem::take(&mut self.protect.pending) {
            // One frame more: by then its own is on the wire.
            let sent = finished || last.is_some_and(|n| n > p.at);
            let late = last.is_some_and(|n| n > p.at + patience);
            if sent && (p.written || late) {
                if !p.written
                    && let Some(said) = &mut p.answer.said
                {
                    said.push_str(" · WARNING: the disk has not taken it yet; it may not survive a restart");
                }
                due.push(Action::reply(p.ticket, p.answer));
            } else {
                waiting.push(p);
            }
        }
        self.protect.pending = waiting;
        due
    }

    /// What the person behind an event typed: texts that must not be given back while protected.
    pub(super) fn typed_in(&self, event: &Event) -> Vec<String> {
        match event {
            Event::Ask(_, envelope) => typed_texts(&envelope.request),
            Event::Found(ticket, _) => self.typed_for(*ticket),
            Event::LookWritten(ticket, _) => {
                self.keeping.iter().filter(|k| k.ticket == *ticket).map(|k| k.look.name.clone()).collect()
            }
            _ => Vec::new(),
        }
    }

    fn redact_answer(&self, answer: &mut Answer, typed: &[String]) {
        let redactor = &self.protect.redactor;
        if let Some(said) = &mut answer.said {
            *said = redactor.text(said, typed);
        }
        if let Some(now) = &mut answer.now {
            self.redact_now(now);
        }
        match &mut answer.data {
            // The status comes without names already, and its slots are many.
            Some(data) if data.get("fixtures").is_some() && data.get("version").is_some() => {}
            // So do they.
            Some(data) if data.get("names").is_some() && data.get("protected").is_some() => {}
            Some(data) => redactor.value(data, typed),
            None => {}
        }
        answer.error = answer.error.take().map(|e| self.redacted_failure(e, typed));
    }

    fn redacted_failure(&self, failure: Failure, typed: &[String]) -> Failure {
        // A report of a plan's errors quotes the plan.
        if failure.kind == FailureKind::PlanErrors {
            return Failure {
                kind: failure.kind,
                said: "the plan was not taken, the light stays as it is; its errors are not shown while a face is protected"
                    .to_owned(),
                hint: Some("mend it, see `lampkeep check PLAN`, then `lampkeep reload`".to_owned()),
            };
        }
        let redactor = &self.protect.redactor;
        Failure {
            kind: failure.kind,
            said: redactor.text(&failure.said, typed),
            hint: failure.hint.map(|h| redactor.text(&h, typed)),
        }
    }

    fn redact_now(&self, now: &mut crate::control::Now) {
        let redactor = &self.protect.redactor;
        now.look = redactor.look(&now.look);
        now.take = now.take.as_deref().map(|t| redactor.text(t, &[]));
        now.showing = now.showing.as_deref().map(|l| redactor.lamp(l));
        now.key = now.key.as_deref().map(|l| redactor.lamp(l));
        if let Some(scheduled) = &mut now.scheduled {
            scheduled.what = redactor.text(&scheduled.what, &[]);
        }
    }

    /// The status without names.
    pub(super) fn redact_status(&self, status: &mut Status) {
        let redactor = &self.protect.redactor;
        let numbers = Names::of(&self.plan, true);
        self.redact_now(&mut status.now);
        status.order.next = status.order.next.as_deref().map(|l| redactor.look(l));
        for step in &mut status.order.heat {
            step.look = redactor.look(&step.look);
            for lamp in step.fixture.iter_mut().chain(step.warmest.iter_mut().map(|w| &mut w.fixture)) {
                *lamp = redactor.lamp(lamp);
            }
        }
        for reading in &mut status.readings {
            reading.point = redactor.text(&reading.point, &[]);
            for lamp in &mut reading.lamps {
                *lamp = redactor.lamp(lamp);
            }
        }
        for circuit in &mut status.circuits {
            circuit.id = redactor.text(&circuit.id, &[]);
        }
        let said = status.outputs.iter_mut().filter_map(|o| o.said.as_mut());
        for text in said.chain(status.mqtt.iter_mut().filter_map(|m| m.said.as_mut())) {
            *text = redactor.text(text, &[]);
        }
        for (id, fixture) in self.plan.fixture_ids().zip(&mut status.fixtures) {
            fixture.id = numbers.lamp(id);
            fixture.lamp = numbers.lamp(id);
        }
        for alert in status.alerts.iter_mut().chain(&mut status.told) {
            alert.said = redactor.text(&alert.said, &[]);
            alert.fixture = alert.fixture.as_deref().map(|f| redactor.lamp(f));
        }
    }

    /// What the status tells of the guard. Its lamps are told as the rest of the status tells them.
    pub(super) fn protect_status(&self) -> ProtectStatus {
        if !self.protected() {
            return ProtectStatus::default();
        }
        let numbers = Names::of(&self.plan, true);
        let name = |id: FixtureId| numbers.lamp(id);
        ProtectStatus {
            on: true,
            since: Some(self.protect.since_s),
            held: self.protect.means.locked.iter().map(|r| name(r.fixture)).collect(),
            unplug: self.to_unplug().into_iter().map(name).collect(),
            unconfirmed: self.unconfirmed().into_iter().map(name).collect(),
        }
    }

    /// Held lamps that may light up by themselves and that nobody has said are not here.
    pub(super) fn to_unplug(&self) -> Vec<FixtureId> {
        let here = |id: &&FixtureId| self.lamps[id.0].absent.is_none();
        self.protect.means.unplug.iter().filter(here).copied().collect()
    }

    /// Hand-set lamps that reach a face and that nobody has said are unplugged.
    pub(super) fn unconfirmed(&self) -> Vec<FixtureId> {
        self.protect.means.unconfirmed(|id| self.lamps[id.0].absent.is_some()).collect()
    }

    /// The ids under which the lamps are not told now: topics of theirs are to be forgotten.
    pub(super) fn other_ids(&self) -> Vec<String> {
        let ids = BTreeSet::from_iter(self.plan.fixtures.iter().map(|f| f.id.clone()));
        let numbers = Names::of(&self.plan, true);
        let numbers: BTreeSet<String> = self.plan.fixture_ids().map(|id| numbers.lamp(id)).collect();
        let (told, other) = if self.protected() { (numbers, ids) } else { (ids, numbers) };
        other.difference(&told).cloned().collect()
    }
}

/// Every text of a request but its own words.
pub(super) fn typed_texts(request: &crate::control::Request) -> Vec<String> {
    let Ok(serde_json::Value::Object(fields)) = serde_json::to_value(request) else { return Vec::new() };
    let mut typed = Vec::new();
    for (_, value) in fields.into_iter().filter(|(name, _)| !["do", "mark", "show"].contains(&name.as_str()))
    {
        let listed = value.as_array().into_iter().flatten().chain([&value]).filter_map(|v| v.as_str());
        for text in listed {
            // Of `note=…` the note alone may be told again.
            typed.extend(text.split_once('=').map(|(_, told)| told.to_owned()));
            // A take by its log number or by plain numbers gives nobody away.
            if !text.parse().is_ok_and(|name| super::requests::is_plain(&name)) {
                typed.push(text.to_owned());
            }
        }
    }
    typed
}

impl Engine {
    /// What stands in the status while lamps are held.
    pub(super) fn protect_standing(&self) -> Vec<(&'static str, Option<String>, String)> {
        if !self.protected() {
            return Vec::new();
        }
        let mut standing = Vec::new();
        let name = |id: FixtureId| self.plan.fixture(id).id.clone();
        let held: Vec<_> = self.protect.means.locked.iter().map(|r| name(r.fixture)).collect();
        let held = if held.is_empty() {
            "no lamp reaches it".to_owned()
        } else {
            format!("held at zero: {}", held.join(", "))
        };
        standing.push((
            "protect-on",
            None,
            format!("a face is protected · {held} · check the recording with its shadows lifted; `lampkeep protect off` gives a code"),
        ));
        for id in self.to_unplug() {
            let said = format!(
                "UNPLUG {}: its profile does not say that it stays dark when frames stop and at power-up",
                name(id)
            );
            standing.push(("protect-unplug", Some(name(id)), said));
        }
        for id in self.unconfirmed() {
            let lamp = name(id);
            let said = format!(
                "UNPLUG {lamp}: it is set by hand and reaches a protected face; then `lampkeep absent {lamp}`"
            );
            standing.push(("protect-unconfirmed", Some(lamp), said));
        }
        if let Some(why) = &self.protect.unkept {
            let said = format!(
                "protection will not survive a restart: its file was not written ({why}). Make room, or set the \
                                folder's owner, then `lampkeep protect on` again"
            );
            standing.push(("protect-unkept", None, said));
        }
        if let Some(why) = &self.protect.damaged {
            let said = format!(
                "the machine's protect file cannot be read, which counts as on ({why}). `lampkeep protect on` \
                                writes it anew, `lampkeep protect off` turns it off"
            );
            standing.push(("protect-damaged", None, said));
        }
        standing
    }
}
