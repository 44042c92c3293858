//! The take lock: what a rolling take lets through, its start and its end.

use serde_json::{Value, json};

use super::{Done, LONGEST_DELAY_S, checked, fail};
use crate::control::{Failure, FailureKind, LinkState, Request, TakeMark};
use crate::engine::state::{Change, Scene};
use crate::engine::take::Rolling;
use crate::engine::{Engine, say};
use crate::guards::Limit;
use crate::journal::{TakeAmend, What};
use crate::units::FrameNumber;
use crate::words;

/// Longest name of a slate, in bytes. Judgement: more than any clapperboard has room for.
const LONGEST_SLATE: usize = 20;

impl Engine {
    /// Lets a request through, or says that a take rolls.
    ///
    /// While one rolls nothing passes that changes light or plan, but its end, `dark`, the way back from that,
    /// and `protect on`. Every request is named here, so that a new one cannot pass by being forgotten.
    pub(super) fn guard_take(&self, request: &Request) -> Result<(), Failure> {
        let Some(take) = &self.take else { return Ok(()) };
        match request {
            Request::TakeEnd { .. } | Request::Dark { .. } | Request::ProtectOn {} => Ok(()),
            Request::Absent { .. } if self.confirms_unplugged(request) => Ok(()),
            // These read or note; a cancel only lets something not happen.
            Request::Status { .. }
            | Request::Explain { .. }
            | Request::Names {}
            | Request::Cold { .. }
            | Request::Cancel {}
            | Request::TakeAmend { .. }
            | Request::TakeList { .. }
            | Request::TakeSheet { .. } => Ok(()),
            // A reading changes nothing, and what readings come to can be looked at.
            Request::Read { .. } => Ok(()),
            Request::Meter { show: None, apply: None, end: false, undo: false, .. } => Ok(()),
            Request::Match { apply: false, undo: false, .. } => Ok(()),
            Request::Again {} if take.darkened() => Ok(()),
            Request::Again {}
            | Request::Recall { .. }
            | Request::Next { .. }
            | Request::Previous { .. }
            | Request::Nudge { .. }
            | Request::Keep { .. }
            | Request::Rest {}
            | Request::Only { .. }
            | Request::Calibrate { .. }
            | Request::Meter { .. }
            | Request::Match { .. }
            | Request::Wink { .. }
            | Request::Rollcall { .. }
            | Request::Absent { .. }
            | Request::ProtectOff { .. }
            | Request::Reload {}
            | Request::TakeStart { .. } => Err(rolling(&take.name)),
        }
    }

    /// Lets the light or the plan change, or says that a take rolls: for what comes by itself.
    pub(in crate::engine) fn guard_change(&self) -> Result<(), Failure> {
        self.take.as_ref().map_or(Ok(()), |take| Err(rolling(&take.name)))
    }

    /// Starts a take now, or after a delay.
    pub(super) fn start_take_in(
        &mut self,
        slate: Option<String>,
        in_s: Option<f64>,
        at: FrameNumber,
    ) -> Done {
        match checked("delay", in_s, LONGEST_DELAY_S)? {
            Some(s) if s > 0.0 => {
                checked_slate(slate.as_deref())?;
                let what = match &slate {
                    Some(slate) => {
                        self.protect.learn_slate(slate);
                        format!("take start {slate}")
                    }
                    None => "take start".to_owned(),
                };
                Ok(self.wait(s, what, Change::TakeStart { slate }, at))
            }
            _ => self.start_take(slate, at),
        }
    }

    /// Starts a take of the light that stands.
    pub(in crate::engine) fn start_take(&mut self, slate: Option<String>, at: FrameNumber) -> Done {
        checked_slate(slate.as_deref())?;
        self.still(at)?;
        if !self.keeping.is_empty() {
            let said = "a look is on its way to the disk";
            return Err(fail(FailureKind::Busy, said, "start the take again in a moment"));
        }
        let slate = slate.unwrap_or_else(|| self.slates.present().to_owned());
        self.protect.learn_slate(&slate);
        let name = self.slates.count(slate);
        let mut said = format!("take {name} rolls · {}", self.stands_said(at));
        let stamped = self.motions_to_start(at);
        if stamped > at {
            let left = self.clock().seconds(stamped - at);
            said.push_str(&format!(" · the motion goes to its start: {left} s"));
        }
        self.takes += 1;
        let mut take = Rolling::new(name, self.takes, at, stamped);
        take.outputs_then.clone_from(&self.outputs);
        self.take = Some(take);
        self.keeps.at_once = true;
        self.watch_wire();
        Ok(said)
    }

    /// Insists that nothing is on its way to another light. A light that moves by its look's own plan stands.
    pub(super) fn still(&self, at: FrameNumber) -> Result<(), Failure> {
        let refuse = |what: String, left: u64| {
            let left = say::span(self.clock().seconds(left));
            let said = format!("{what}: {left} left");
            Err(fail(FailureKind::Guarded, said, "start the take when the light stands"))
        };
        let fade = self.lamps.iter().filter_map(|l| l.fade).map(|f| (f.start + f.frames).saturating_sub(at));
        if let Some(left) = fade.max().filter(|left| *left > 0) {
            return refuse("a fade runs".to_owned(), left);
        }
        let glide = self.lamps.iter().filter_map(|l| l.glide).map(|g| g.end().saturating_sub(at));
        if let Some(left) = glide.max().filter(|left| *left > 0) {
            return refuse("a motion goes to its start".to_owned(), left);
        }
        if let Some(rollcall) = &self.rollcall {
            let end = rollcall.start + rollcall.each * rollcall.lamps.len() as u64;
            return refuse("a rollcall runs".to_owned(), end.saturating_sub(at));
        }
        if let Some(wink) = self.wink {
            let what = format!("{} winks", self.plan.fixture(wink.fixture).id);
            return refuse(what, wink.until.saturating_sub(at));
        }
        let mixes = self.lamps.iter().map(|l| (l.shape.start + l.shape.frames).saturating_sub(at));
        if let Some(left) = mixes.max().filter(|left| *left > 0) {
            return refuse("a lamp's mix of emitters is led over".to_owned(), left);
        }
        for (fixture, lamp) in self.plan.fixtures.iter().zip(&self.lamps) {
            let why = if lamp.sent.limits.has(Limit::Rise) {
                "is still rising, no faster than it may"
            } else if lamp.sent.limits.has(Limit::SoftStart) {
                "comes up softly"
            } else if lamp.sent.limits.has(Limit::Flash) {
                "is held by the flash guard for a moment"
            } else if lamp.shape.wanted {
                "still looks for its best mix"
            } else {
                continue;
            };
            let said = format!("{} {why}", fixture.id);
            return Err(fail(FailureKind::Guarded, said, "start the take again in a moment"));
        }
        Ok(())
    }

    /// What is lit and what stands against it.
    fn stands_said(&self, at: FrameNumber) -> String {
        let mut parts = match self.scene {
            Scene::Look(look) | Scene::Rest(look) => vec![self.look_said(look, None)],
            _ => vec![self.scene_name()],
        };
        if self.nudged {
            parts.push("nudged".to_owned());
        }
        if self.rest_ends.is_some() {
            parts.push("rest ends once the take has".to_owned());
        }
        if let Some(waiting) = &self.waiting {
            let left = say::span(self.clock().seconds(waiting.due.saturating_sub(at)));
            parts.push(format!("{} in {left} will be refused while it rolls", waiting.what));
        }
        let step = self.position.and_then(|p| self.plan.order.get(p));
        let step = step.filter(|s| self.scene == Scene::Look(s.look));
        let planned_s = step.map(|s| s.on_for.as_secs_f64());
        parts.extend(self.heat_safe_said(planned_s));
        parts.extend(self.load_for_take(planned_s));
        let down = self.outputs.iter().filter(|o| o.state == LinkState::Down);
        parts.extend(down.map(|o| format!("output {} does not send", o.name)));
        // A look's line has told what to unplug, and the end of this one what is held dark.
        let look = matches!(self.scene, Scene::Look(_) | Scene::Rest(_));
        let told = |kind: &str| match kind {
            "output-down" | "protect-on" => true,
            "protect-unplug" | "protect-unconfirmed" => look,
            _ => false,
        };
        let standing = self.alerts.iter().filter(|a| !told(&a.kind));
        parts.extend(standing.map(|a| format!("attention: {}", a.said)));
        parts.join(" · ")
    }

    /// Ends the take. Gives its line and, for programs, its parts.
    pub(super) fn end_take(
        &mut self,
        mark: Option<TakeMark>,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        let Some(take) = self.take.take() else {
            return Err(fail(FailureKind::Nothing, "no take rolls", "`lampkeep take start` starts one"));
        };
        self.keeps.at_once = true;
        let lasted_s = self.rolled_s(&take, at);
        let why = self.unsteady(&take);
        self.record_take_end(&take, why.clone(), mark, at, false);
        if take.mark.is_some() && mark.is_some() {
            // What was amended counts before what a take ended with: the latest mark is put there once more.
            self.record(What::TakeAmended(TakeAmend { number: take.number, mark, ..TakeAmend::default() }));
        }
        self.remember_take(&take, mark.or(take.mark));
        self.protect_after_take();
        let marked = mark.map_or(String::new(), |m| format!(" · marked {}", m.word()));
        let said = format!(
            "take {} over after {} · {}{marked}",
            take.name,
            say::span(lasted_s),
            Self::verdict(&why)
        );
        let data = json!({
            "take": take.name, "number": format!("n{}", take.number), "lasted_s": lasted_s, "steady": why.is_empty(), "why": why, "mark": mark,
        });
        Ok((said, data))
    }
}

fn rolling(name: &str) -> Failure {
    let said = format!("take {name} rolls: light and plan stay as they are");
    fail(FailureKind::Guarded, said, "end it: `lampkeep take end`")
}

pub(super) fn checked_slate(slate: Option<&str>) -> Result<(), Failure> {
    let Some(slate) = slate.filter(|s| !is_slate(s)) else { return Ok(()) };
    let said = format!("`{}` cannot be a slate", words::short(slate));
    let hint = "use 1 to 20 letters a to z, digits and `-`, such as 4 or 27A";
    Err(fail(FailureKind::BadField, said, hint))
}

fn is_slate(text: &str) -> bool {
    (1..=LONGEST_SLATE).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
}
