//! What each request does, or why not: dispatch, answers, and finding looks and lamps by name.

mod calibrate;
mod keep;
mod line_check;
mod matching;
mod meter;
mod names;
mod nudge;
mod protect;
mod read;
mod recall;
mod recall_take;
mod stand;
mod take;
mod take_log;

pub(super) use matching::MatchAsked;
pub(super) use recall::LONGEST_DELAY_S;
use take::checked_slate;
pub(super) use take_log::Asking;
use take_log::AskingFor;
pub(super) use take_log::is_plain;
pub(crate) use take_log::listed;

use serde_json::{Value, json};

use super::{Action, Engine, Ticket, explain, say};
use crate::channels::Asked;
use crate::control::{Answer, Envelope, Failure, FailureKind, Request};
use crate::guards::identity::names::numbered;
use crate::plan::{FixtureId, LookId};
use crate::units::{FrameNumber, Moment};
use crate::words;
use meter::Meter;
use nudge::Nudge;
use read::Read;

type Done = Result<String, Failure>;

fn fail(kind: FailureKind, said: impl Into<String>, hint: impl Into<String>) -> Failure {
    Failure { kind, said: said.into(), hint: Some(hint.into()) }
}

/// Nothing is done any more.
fn stopping() -> Failure {
    fail(FailureKind::Busy, "lampkeep is stopping", "start it again with `lampkeep run PLAN`")
}

/// A span that a request gives in seconds, if it lies between 0 and `greatest`.
fn checked(name: &str, value: Option<f64>, greatest: f64) -> Result<Option<f64>, Failure> {
    match value {
        Some(s) if !(0.0..=greatest).contains(&s) => Err(fail(
            FailureKind::BadField,
            format!("{name} {} s is not between 0 s and {greatest} s", say::number(s)),
            "give the seconds as a number, such as 2 or 0.5",
        )),
        other => Ok(other),
    }
}

impl Engine {
    pub(super) fn ask(&mut self, ticket: Ticket, envelope: Envelope, now: Moment) -> Vec<Action> {
        let Envelope { id, request } = envelope;
        let at = self.acting_frame(now);
        let on = matches!(request, Request::ProtectOn {}) && !self.finished;
        if (self.stopping || self.finished) && !on && !matches!(request, Request::Status { .. }) {
            return vec![Action::reply(ticket, Answer::refused(id, stopping()))];
        }
        if let Err(failure) = self.guard_take(&request) {
            return vec![Action::reply(ticket, Answer::refused(id, failure))];
        }
        // The guard's own answers name its lamps already.
        let explains =
            matches!(request, Request::ProtectOn {} | Request::ProtectOff { .. } | Request::Cold { .. });
        let mut data = None;
        // What waits brings its own light later, and its own words.
        let waited = self.waiting.clone();
        let brings = matches!(
            request,
            Request::Recall { .. }
                | Request::Next { .. }
                | Request::Previous { .. }
                | Request::Rest {}
                | Request::Again {}
        );
        let done = match request {
            Request::Recall { look: Some(look), take: None, over_s, in_s, at: instant } => {
                self.recall(look, over_s, in_s, instant.as_deref(), at)
            }
            Request::Recall { look: None, take: Some(take), over_s, in_s, at: None } => {
                match self.ask_to_recall(ticket, id.clone(), &take, over_s, in_s) {
                    Ok(actions) => return actions,
                    Err(failure) => Err(failure),
                }
            }
            Request::Recall { take, .. } => {
                let said = if take.is_some() {
                    "`take` goes with neither `look` nor `at`"
                } else {
                    "a recall needs a `look` or a `take`"
                };
                Err(fail(
                    FailureKind::BadField,
                    said,
                    "such as `lampkeep recall LOOK` or `lampkeep recall --take 4/3`",
                ))
            }
            Request::Next { over_s, in_s } => self.step_request(1, over_s, in_s, at),
            Request::Previous { over_s, in_s } => self.step_request(-1, over_s, in_s, at),
            Request::Cancel {} => self.cancel(),
            Request::Nudge { lamp, stops, kelvin, mired, duv } => {
                self.nudge(&lamp, &Nudge { stops, kelvin, mired, duv }, at)
            }
            Request::Keep { name } => return self.keep(ticket, id, name),
            Request::Dark { now } => {
                let frames = if now { 0 } else { self.clock().frames_in(self.plan.fade) };
                let forgotten = self.waiting.take();
                self.darkened(at);
                self.go_dark(frames, at);
                let how = if now { "cut".to_owned() } else { self.fading(frames) };
                let forgotten = forgotten.map_or(String::new(), |w| format!(" · forgotten: {}", w.what));
                Ok(format!("dark · {how}{forgotten} · lamps stay on the mains and hot"))
            }
            Request::Rest {} => self.rest(at),
            Request::Again {} => self.again(at).inspect(|_| self.lit_again(at)),
            Request::Only { lamp } => self.only(&lamp, at),
            Request::Calibrate { end: true, .. } => self.end_calibrate(at),
            Request::Calibrate { lamp, value, emitter, kelvin, duv, hue_deg, saturation, end: false } => {
                let asked = Asked { value: value.unwrap_or(0), emitter, kelvin, duv, hue_deg, saturation };
                match (lamp, value) {
                    (Some(lamp), Some(_)) => self.calibrate(&lamp, &asked, at).map(|(said, found)| {
                        data = Some(found);
                        said
                    }),
                    _ => Err(fail(
                        FailureKind::BadField,
                        "a reading needs `lamp` and the channel's `value`",
                        "`lampkeep calibrate LAMP` leads through all readings",
                    )),
                }
            }
            Request::Meter { look, show, lamp, places, apply, end, undo } => {
                let asked = Meter { look, show, lamp, places, apply, end, undo };
                self.meter(&asked, at).map(|(said, found)| {
                    data = Some(found).filter(|found| !found.is_null());
                    said
                })
            }
            Request::Read { point, lamp, value, dome, instrument } => {
                self.read(&Read { point, lamp, value, dome, instrument }, at).map(|(said, found)| {
                    data = Some(found);
                    said
                })
            }
            Request::Match { take, look, apply, undo } => {
                if let Some(take) = take.as_ref().filter(|t| *t != "plan" && !undo) {
                    return self.ask_to_match(ticket, id, take, look, apply);
                }
                match self.matching(take.as_deref(), look.as_deref(), apply, undo, at) {
                    Ok((said, found)) => {
                        data = Some(found).filter(|found| !found.is_null());
                        Ok(said)
                    }
                    Err(failure) => Err(failure),
                }
            }
            Request::Wink { lamp } => self.wink(&lamp, at),
            Request::Rollcall { end: true, .. } => self.stop_rollcall(at),
            Request::Rollcall { lamp: Some(lamp), shift, each_s, .. } => {
                self.show_in_rollcall(&lamp, shift, each_s, at)
            }
            Request::Rollcall { each_s, shift: 0, .. } => self.start_rollcall(each_s, at),
            Request::Rollcall { .. } => Err(fail(
                FailureKind::BadField,
                "`shift` needs the `lamp` that is tried beside its address",
                "`lampkeep rollcall --ask` leads through it",
            )),
            Request::Absent { lamp, back } => self.absent(&lamp, back),
            Request::Cold { lamp } => self.cold(&lamp),
            Request::TakeStart { slate, in_s } => self.start_take_in(slate, in_s, at),
            Request::TakeAmend { take, mark, rename, typed } => {
                match self.amend_take(ticket, id.clone(), &take, mark, rename.as_deref(), &typed) {
                    Ok(actions) => return actions,
                    Err(failure) => Err(failure),
                }
            }
            Request::TakeList { most } => return self.ask_for_list(ticket, id, most),
            Request::TakeSheet { take } => {
                match self.ask_for_take(ticket, id.clone(), &take, AskingFor::Sheet) {
                    Ok(actions) => return actions,
                    Err(failure) => Err(failure),
                }
            }
            Request::TakeEnd { mark } => self.end_take(mark, at).map(|(said, found)| {
                data = Some(found);
                said
            }),
            Request::ProtectOn {} => self.protect_on(at),
            Request::ProtectOff { code, random } => {
                self.protect_off(code.as_deref(), random, now).map(|(said, found)| {
                    data = Some(found);
                    said
                })
            }
            Request::Reload {} => {
                self.reloading.push((ticket, id));
                return vec![Action::ReadPlan(ticket)];
            }
            Request::Status { .. } => {
                let mut answer = self.answer(id, format!("{} · {}", self.plan.name, self.scene_name()));
                answer.data = serde_json::to_value(self.status()).ok();
                return vec![Action::reply(ticket, answer)];
            }
            Request::Names {} => {
                let names = self.names();
                let count = say::count(names.looks.len(), "look");
                let mut answer = self.answer(id, format!("{} · {count}", self.plan.name));
                answer.data = Some(json!({ "protected": self.protected(), "names": names }));
                return vec![Action::reply(ticket, answer)];
            }
            Request::Explain { look } => match self.find_look(&look) {
                Ok(look) => {
                    let look_id = look;
                    let real = self.any_real();
                    // What is worked out borrows the engine; the mixes found so far are lent to it and come back.
                    let mut renderings = std::mem::take(&mut self.renderings);
                    let (said, data) = {
                        let (plan, look) = (self.plan_as_it_stands(), self.look_as_it_stands(look));
                        explain::explain_with(&plan, &look, real, &mut renderings)
                    };
                    self.renderings = renderings;
                    let said = format!("{said}{}", self.trims_in(look_id));
                    let mut answer = self.answer(id, said);
                    answer.data = Some(data);
                    return vec![Action::reply(ticket, answer)];
                }
                Err(failure) => Err(failure),
            },
        };
        if brings && done.is_ok() {
            let same = if self.waiting == waited { self.same_as_now() } else { Value::Null };
            data = Some(json!({ "same_as": same }));
        }
        self.answered(ticket, id, done.map(|said| (said, data)), explains, at)
    }

    /// The answer to what was done, or why not.
    fn answered(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        done: Result<(String, Option<serde_json::Value>), Failure>,
        explains: bool,
        at: FrameNumber,
    ) -> Vec<Action> {
        match done {
            Ok((said, data)) => {
                self.keeps.changed = true;
                let said = if explains { said } else { format!("{said}{}", self.dark_said()) };
                self.refresh_standing_alerts(self.clock().seconds(at));
                // Seen once more when the frame that it acts on has been sent.
                self.was_moving = true;
                let mut actions = self.publish();
                let answer = Answer { data, ..self.answer(id, said) };
                actions.push(Action::reply(ticket, answer));
                actions
            }
            Err(failure) => vec![Action::reply(ticket, Answer::refused(id, failure))],
        }
    }

    pub(super) fn accept(&self, ticket: Ticket, id: Option<String>, said: String) -> Action {
        Action::reply(ticket, self.answer(id, format!("{said}{}", self.dark_said())))
    }

    /// The same with data.
    fn accept_with(&self, ticket: Ticket, id: Option<String>, said: String, data: Option<Value>) -> Action {
        let answer = self.answer(id, format!("{said}{}", self.dark_said()));
        Action::reply(ticket, Answer { data, ..answer })
    }

    fn answer(&self, id: Option<String>, said: String) -> Answer {
        Answer { id, ok: true, said: Some(said), now: Some(self.now()), data: None, error: None }
    }

    fn any_real(&self) -> bool {
        self.plan.fixture_ids().any(|id| self.real(id))
    }

    fn find_look(&self, name: &str) -> Result<LookId, Failure> {
        let known = self.numbered("look", name, self.plan.looks.len()).map(LookId);
        known.or_else(|| self.plan.look_named(name)).ok_or_else(|| {
            let names = || self.plan.looks.iter().map(|l| l.name.as_str());
            let hint = match words::nearest(name, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("looks: {}", names().collect::<Vec<_>>().join(", ")),
            };
            fail(FailureKind::UnknownLook, format!("no look `{}` in this plan", words::short(name)), hint)
        })
    }

    fn find_lamp(&self, name: &str) -> Result<FixtureId, Failure> {
        self.lamp_called(name).ok_or_else(|| {
            let names = || {
                self.plan.fixtures.iter().flat_map(|f| {
                    std::iter::once(f.id.as_str()).chain(f.body.iter().map(|b| b.name.as_str()))
                })
            };
            let hint = match words::nearest(name, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => {
                    let ids: Vec<_> = self.plan.fixtures.iter().map(|f| f.id.as_str()).collect();
                    format!("lamps: {}", ids.join(", "))
                }
            };
            fail(FailureKind::UnknownLamp, format!("no lamp `{}` in this plan", words::short(name)), hint)
        })
    }

    /// The lamp of this name, or while protected of this number.
    fn lamp_called(&self, name: &str) -> Option<FixtureId> {
        let known = self.numbered("lamp", name, self.plan.fixtures.len()).map(FixtureId);
        known.or_else(|| self.plan.fixture_named(name))
    }

    /// While protected answers speak numbers, so numbers are understood, and before any name like them.
    fn numbered(&self, noun: &str, text: &str, count: usize) -> Option<usize> {
        numbered(noun, text).filter(|index| self.protected() && *index < count)
    }

    /// A lamp that the wire drives, and that no protected face keeps dark.
    fn find_driven(&self, name: &str) -> Result<FixtureId, Failure> {
        let id = self.find_lamp(name)?;
        let fixture = self.plan.fixture(id);
        if let Some(why) = &self.lamps[id.0].absent {
            let said = format!("{} is absent ({})", fixture.id, words::short(why));
            let hint = format!("when it is here: `lampkeep absent {} --back`", fixture.id);
            return Err(fail(FailureKind::NotDriven, said, hint));
        }
        if fixture.address().is_none() {
            let said = format!("{} is set by hand", fixture.id);
            return Err(fail(FailureKind::NotDriven, said, "turn its own knob"));
        }
        self.guard_held(id)?;
        Ok(id)
    }

    fn fading(&self, frames: u64) -> String {
        if frames == 0 {
            "cut".to_owned()
        } else {
            format!("fading {}", say::span(self.clock().seconds(frames)))
        }
    }

    pub(super) fn take_reload(&mut self, ticket: Ticket) -> Option<String> {
        let index = self.reloading.iter().position(|(t, _)| *t == ticket)?;
        self.reloading.remove(index).1
    }
}
