//! `protect on` and `protect off`: what they answer, and what stays refused while a face is protected.

use serde_json::{Value, json};

use super::{Done, fail};
use crate::control::{Failure, FailureKind, Request};
use crate::engine::{Engine, margin, say};
use crate::guards::identity::lock::{CODE_FOR, Code, Refused};
use crate::plan::FixtureId;
use crate::units::{FrameNumber, Moment};

impl Engine {
    /// On, at once, also during a take. Gives its line: what is held, what to unplug, the margin.
    pub(super) fn protect_on(&mut self, at: FrameNumber) -> Done {
        let again = self.protect.lock.is_on();
        self.turn_protect_on(self.clock().seconds(at));
        let mut parts = vec![if again { "protected already".to_owned() } else { "protected".to_owned() }];
        let held: Vec<FixtureId> = self.protect.means.locked.iter().map(|r| r.fixture).collect();
        parts.push(match held.len() {
            0 => "no lamp reaches a protected face".to_owned(),
            _ => format!("held at zero: {}", self.ids(&held)),
        });
        let unplug = self.to_unplug();
        if !unplug.is_empty() {
            parts.push(format!(
                "UNPLUG {}: not known to stay dark when frames stop and at power-up",
                self.ids(&unplug)
            ));
        }
        let unconfirmed = self.unconfirmed();
        if !unconfirmed.is_empty() {
            parts.push(format!(
                "UNPLUG what is set by hand, then confirm each with `lampkeep absent LAMP`: {}",
                self.ids(&unconfirmed)
            ));
        }
        parts.extend(self.margins());
        if !again {
            parts.push(
                "answers, status, topics and log speak numbers, in the plan's order; the set's own name still shows: \
                 let it tell nothing"
                    .to_owned(),
            );
        }
        parts.push("check the recording with its shadows lifted".to_owned());
        Ok(parts.join(" · "))
    }

    /// Off in two steps: without a code one is given, with it the guard goes off.
    pub(super) fn protect_off(
        &mut self,
        code: Option<&str>,
        random: u64,
        now: Moment,
    ) -> Result<(String, Value), Failure> {
        let take_rolls = self.take.is_some();
        let Some(typed) = code else {
            let code = self
                .protect
                .lock
                .ask_off(Code::from_random(random), now, take_rolls)
                .map_err(|why| refused(why, self.protect.lock.is_on()))?;
            let within = say::span(CODE_FOR.as_secs_f64());
            let said = format!(
                "still protected · to turn it off, type `lampkeep protect off {code}` within {within}; the lamps then stay \
                 dark until the next recall"
            );
            return Ok((said, json!({ "code": code.to_string(), "within_s": CODE_FOR.as_secs() })));
        };
        let Some(typed) = Code::typed(typed) else {
            let said = "a code is four digits";
            return Err(fail(FailureKind::BadField, said, "`lampkeep protect off` gives one"));
        };
        self.protect.lock.turn_off(typed, now, take_rolls).map_err(|why| refused(why, true))?;
        self.begin_release();
        let said = "no longer protected · its lamps stay dark until the next recall; what was scheduled is forgotten";
        Ok((said.to_owned(), json!({ "released": true })))
    }

    /// Why a lamp that is held may not be asked for by itself.
    pub(super) fn guard_held(&self, id: FixtureId) -> Result<(), Failure> {
        if !self.protect.holds(id) {
            return Ok(());
        }
        let said = format!("{} is held dark: it reaches a protected face", self.plan.fixture(id).id);
        Err(fail(FailureKind::Guarded, said, "`lampkeep protect off` gives a code that ends it"))
    }

    /// True if this request only confirms that a held lamp is unplugged. It changes no light, since that lamp
    /// is sent zero as it is, so a take does not stand in its way.
    pub(super) fn confirms_unplugged(&self, request: &Request) -> bool {
        let Request::Absent { lamp, back: false } = request else { return false };
        self.lamp_called(lamp).is_some_and(|id| self.protect.holds(id))
    }

    /// What an answer adds while lamps are held that the light in force asks for.
    pub(super) fn dark_said(&self) -> String {
        let held: Vec<FixtureId> = self
            .plan
            .fixture_ids()
            .filter(|id| {
                let lamp = &self.lamps[id.0];
                self.protect.holds(*id)
                    && self.plan.fixture(*id).address().is_some()
                    && lamp.absent.is_none()
                    && (lamp.target.base.lux > 0.0 || self.rollcall.is_some())
            })
            .collect();
        if held.is_empty() {
            String::new()
        } else {
            format!(" · held dark: {} (a protected face)", self.ids(&held))
        }
    }

    /// What each protected face gets against the wall behind it, by what was last sent.
    fn margins(&self) -> Vec<String> {
        let lit = |id: FixtureId| {
            let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
            let gain = crate::light::solve::gain(fixture);
            if self.protect.holds(id) || gain <= 0.0 { 0.0 } else { lamp.sent.lux / gain }
        };
        margin::said(&self.plan, lit)
    }

    fn ids(&self, ids: &[FixtureId]) -> String {
        let names: Vec<_> = ids.iter().map(|id| self.plan.fixture(*id).id.as_str()).collect();
        names.join(", ")
    }
}

fn refused(why: Refused, on: bool) -> Failure {
    let (kind, hint) = match why {
        Refused::NotOn => (FailureKind::Nothing, "`lampkeep protect on` turns it on"),
        Refused::TakeRolls => (FailureKind::Guarded, "end it: `lampkeep take end`"),
        _ => (FailureKind::Guarded, "`lampkeep protect off` gives a new code"),
    };
    let tail = if on && why != Refused::NotOn { ": it stays on" } else { "" };
    fail(kind, format!("{why}{tail}"), hint)
}
