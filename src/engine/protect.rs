//! The identity guard at work: the machine's switch, the lamps of the plan in force that it holds, answers
//! that wait for the file, and names kept out of everything that leaves the engine.
//!
//! Cut first, then durable, then answered: an answer that turned the guard on or off is given once its file is
//! on the disk and the frame that it acts on has gone out. The file itself is `protect_file`'s.

mod seal;
mod told;

use super::kept::Kept;
use super::{Action, Engine, Ticket};
use crate::control::{Answer, Failure, FailureKind};
use crate::guards::identity::Protection;
use crate::guards::identity::lock::Lock;
use crate::guards::identity::redact::Redactor;
use crate::journal::TakeFound;
use crate::light::{Demand, Moving, solve};
use crate::plan::{FixtureId, LookId, Plan, SubjectId, TextRole};
use crate::units::FrameNumber;

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
}
