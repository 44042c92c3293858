//! What each request does, or why not.

use super::assess::{self, Assessment};
use super::state::{Change, Rollcall, Scene, Waiting, Wink};
use super::{Action, Engine, Ticket, explain, say};
use crate::control::{Answer, Envelope, Failure, FailureKind, Request};
use crate::light::{Colour, Demand, Moving, colour, solve};
use crate::plan::{self, ColourTarget, FixtureId, Level, Look, LookId, Target};
use crate::units::{Duv, FrameNumber, Kelvin, Moment, Stops};
use crate::words;

/// Longest fade that a request may ask for, in seconds.
const LONGEST_FADE_S: f64 = 3600.0;
/// Longest delay that a request may ask for, in seconds: a day.
const LONGEST_DELAY_S: f64 = 86_400.0;
/// Fade of a nudge, in seconds: seen as a change, too short to wait for.
const NUDGE_FADE_S: f64 = 0.2;
/// Fade to one lamp alone, in seconds.
const ONLY_FADE_S: f64 = 0.5;
/// How long a wink lasts, in seconds (interface.md part 1: one stop down for a second).
const WINK_S: f64 = 1.0;
/// Time for each lamp in a rollcall unless asked otherwise, in seconds.
const ROLLCALL_EACH_S: f64 = 2.0;

type Done = Result<String, Failure>;

fn fail(kind: FailureKind, said: impl Into<String>, hint: impl Into<String>) -> Failure {
    Failure { kind, said: said.into(), hint: Some(hint.into()) }
}

impl Engine {
    pub(super) fn ask(&mut self, ticket: Ticket, envelope: Envelope, now: Moment) -> Vec<Action> {
        let Envelope { id, request } = envelope;
        let at = self.acting_frame(now);
        if (self.stopping || self.finished) && !matches!(request, Request::Status { .. }) {
            let failure =
                fail(FailureKind::Busy, "lampkeep is stopping", "start it again with `lampkeep run PLAN`");
            return vec![Action::reply(ticket, Answer::refused(id, failure))];
        }
        let done = match request {
            Request::Recall { look, over_s, in_s, at: None } => self.recall(look, over_s, in_s, at),
            Request::Recall { at: Some(_), .. } => Err(fail(
                FailureKind::BadField,
                "`at` was not turned into a delay by the door it came through",
                "send `in_s`",
            )),
            Request::Next { over_s, in_s } => self.step_request(1, over_s, in_s, at),
            Request::Previous { over_s, in_s } => self.step_request(-1, over_s, in_s, at),
            Request::Cancel {} => self.cancel(),
            Request::Nudge { lamp, stops, kelvin, mired, duv } => {
                self.nudge(&lamp, &Nudge { stops, kelvin, mired, duv }, at)
            }
            Request::Keep { name } => return self.keep(ticket, id, name),
            Request::Dark { now } => {
                let frames = if now { 0 } else { self.clock().frames_in(self.plan.fade) };
                self.waiting = None;
                self.go_dark(frames, at);
                let how = if now { "cut".to_owned() } else { self.fading(frames) };
                Ok(format!("dark · {how} · lamps stay on the mains and hot"))
            }
            Request::Rest {} => self.rest(at),
            Request::Again {} => self.again(at),
            Request::Only { lamp } => self.only(&lamp, at),
            Request::Wink { lamp } => self.wink(&lamp, at),
            Request::Rollcall { each_s } => self.start_rollcall(each_s, at),
            Request::Absent { lamp, back } => self.absent(&lamp, back),
            Request::Cold { lamp } => self.cold(&lamp),
            Request::Reload {} => {
                self.reloading.push((ticket, id));
                return vec![Action::ReadPlan(ticket)];
            }
            Request::Status { .. } => {
                let mut answer = self.answer(id, format!("{} · {}", self.plan.name, self.scene_name()));
                answer.data = serde_json::to_value(self.status()).ok();
                return vec![Action::reply(ticket, answer)];
            }
            Request::Explain { look } => match self.find_look(&look) {
                Ok(look) => {
                    let real = self.any_real();
                    let (said, data) = explain::explain(&self.plan, self.plan.look(look), real);
                    let mut answer = self.answer(id, said);
                    answer.data = Some(data);
                    return vec![Action::reply(ticket, answer)];
                }
                Err(failure) => Err(failure),
            },
        };
        match done {
            Ok(said) => {
                self.refresh_standing_alerts(self.clock().seconds(at));
                // Seen once more when the frame that it acts on has been sent.
                self.was_moving = true;
                let mut actions = self.publish();
                actions.push(self.accept(ticket, id, said));
                actions
            }
            Err(failure) => vec![Action::reply(ticket, Answer::refused(id, failure))],
        }
    }

    pub(super) fn accept(&self, ticket: Ticket, id: Option<String>, said: String) -> Action {
        Action::reply(ticket, self.answer(id, said))
    }

    fn answer(&self, id: Option<String>, said: String) -> Answer {
        Answer { id, ok: true, said: Some(said), now: Some(self.now()), data: None, error: None }
    }

    fn any_real(&self) -> bool {
        self.plan.fixture_ids().any(|id| self.real(id))
    }

    fn find_look(&self, name: &str) -> Result<LookId, Failure> {
        self.plan.look_named(name).ok_or_else(|| {
            let names = || self.plan.looks.iter().map(|l| l.name.as_str());
            let hint = match words::nearest(name, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("looks: {}", names().collect::<Vec<_>>().join(", ")),
            };
            fail(FailureKind::UnknownLook, format!("no look `{}` in this plan", words::short(name)), hint)
        })
    }

    fn find_lamp(&self, name: &str) -> Result<FixtureId, Failure> {
        self.plan.fixture_named(name).ok_or_else(|| {
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

    /// A lamp that the wire drives.
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
        Ok(id)
    }

    fn fading(&self, frames: u64) -> String {
        if frames == 0 {
            "cut".to_owned()
        } else {
            format!("fading {}", say::span(self.clock().seconds(frames)))
        }
    }

    fn checked(name: &str, value: Option<f64>, greatest: f64) -> Result<Option<f64>, Failure> {
        match value {
            Some(s) if !(0.0..=greatest).contains(&s) => Err(fail(
                FailureKind::BadField,
                format!("{name} {s} s is not between 0 s and {greatest} s"),
                "give the seconds as a number, such as 2 or 0.5",
            )),
            other => Ok(other),
        }
    }

    fn recall(&mut self, look: String, over_s: Option<f64>, in_s: Option<f64>, at: FrameNumber) -> Done {
        let over_s = Self::checked("fade", over_s, LONGEST_FADE_S)?;
        let in_s = Self::checked("delay", in_s, LONGEST_DELAY_S)?;
        self.find_look(&look)?;
        match in_s {
            Some(s) if s > 0.0 => {
                let what = format!("recall {look}");
                Ok(self.wait(s, what, Change::Recall { look, over_s }, at))
            }
            _ => self.recall_by_name(&look, over_s, at),
        }
    }

    fn step_request(&mut self, by: i64, over_s: Option<f64>, in_s: Option<f64>, at: FrameNumber) -> Done {
        let over_s = Self::checked("fade", over_s, LONGEST_FADE_S)?;
        let in_s = Self::checked("delay", in_s, LONGEST_DELAY_S)?;
        let look = self.order_step(by)?;
        match in_s {
            Some(s) if s > 0.0 => {
                let word = if by > 0 { "next" } else { "previous" };
                let name = &self.plan.look(self.plan.order[look].look).name;
                Ok(self.wait(s, format!("{word} ({name})"), Change::Step { by, over_s }, at))
            }
            _ => self.step_order(by, over_s, at),
        }
    }

    fn wait(&mut self, delay_s: f64, what: String, change: Change, at: FrameNumber) -> String {
        let due = at + self.clock().frames_in(std::time::Duration::from_secs_f64(delay_s));
        let instead = self.waiting.as_ref().map_or(String::new(), |w| format!(" · instead of {}", w.what));
        let said = format!("{what} in {}{instead} · `lampkeep cancel` stops it", say::span(delay_s));
        self.waiting = Some(Waiting { due, change, what });
        said
    }

    fn cancel(&mut self) -> Done {
        match self.waiting.take() {
            Some(waiting) => Ok(format!("cancelled: {}", waiting.what)),
            None => {
                Err(fail(FailureKind::Nothing, "nothing is scheduled", "`lampkeep status` shows what is lit"))
            }
        }
    }

    /// A recall that acts now. A scheduled one stays scheduled unless it is this one.
    pub(super) fn recall_by_name(&mut self, look: &str, over_s: Option<f64>, at: FrameNumber) -> Done {
        let id = self.find_look(look)?;
        let frames = self.bring_up(id, over_s, at);
        // The order goes on from the nearest place of this look, so that `next` does what one expects.
        let here = self.position.map_or(0, |p| p);
        let steps = || self.plan.order.iter().enumerate().filter(|(_, s)| s.look == id).map(|(i, _)| i);
        self.position = steps().find(|i| *i >= here).or_else(|| steps().next()).or(self.position);
        Ok(self.lit_said(id, frames))
    }

    /// Index of the step `by` from the present one.
    fn order_step(&self, by: i64) -> Result<usize, Failure> {
        let steps = self.plan.order.len();
        if steps == 0 {
            let said = "the plan has no running order";
            return Err(fail(FailureKind::NoOrder, said, "add `order = [...]`, or recall a look by name"));
        }
        let wanted = match self.position {
            None if by > 0 => 0,
            None => -1,
            Some(p) => p as i64 + by,
        };
        match usize::try_from(wanted) {
            Ok(index) if index < steps => Ok(index),
            _ => {
                let (end, hint) = if by > 0 {
                    ("last", "`lampkeep recall LOOK` goes anywhere")
                } else {
                    ("first", "`lampkeep next` goes on")
                };
                let said = match self.position {
                    Some(p) => format!("step {} is the {end} of {steps} in the running order", p + 1),
                    None => format!("the running order of {steps} steps has not begun"),
                };
                Err(fail(FailureKind::NoOrder, said, hint))
            }
        }
    }

    pub(super) fn step_order(&mut self, by: i64, over_s: Option<f64>, at: FrameNumber) -> Done {
        let index = self.order_step(by)?;
        let step = self.plan.order[index].clone();
        let fade = over_s.unwrap_or(step.fade.as_secs_f64());
        let frames = self.bring_up(step.look, Some(fade), at);
        self.position = Some(index);
        let said = self.lit_said(step.look, frames);
        Ok(format!("{said} · step {} of {}", index + 1, self.plan.order.len()))
    }

    /// The line that tells what a recalled look comes to.
    fn lit_said(&self, look: LookId, frames: u64) -> String {
        let found = self.assess(look);
        let lamps = found.iter().filter(|a| a.asked.lux > 0.0).count();
        let mut parts =
            vec![self.plan.look(look).name.clone(), self.fading(frames), say::count(lamps, "lamp")];
        parts.extend(found.iter().filter_map(|a| a.by_hand(&self.plan)));
        let mut warnings: Vec<String> = found.iter().flat_map(|a| a.warnings(&self.plan)).collect();
        if self.plan.look(look).protect {
            warnings.push("front lamps are not locked in this version: unplug them".to_owned());
        }
        if !warnings.is_empty() {
            parts.push(format!("{}: {}", say::count(warnings.len(), "warning"), warnings.join(", ")));
        }
        parts.join(" · ")
    }

    fn assess(&self, look: LookId) -> Vec<Assessment> {
        let plan = &self.plan;
        let look = plan.look(look);
        look.targets
            .iter()
            .map(|t| {
                let asked = solve::demand(plan, look, t.fixture).at(0.0);
                let absent = self.lamps[t.fixture.0].absent.is_some();
                assess::lamp(plan.fixture(t.fixture), t.fixture, asked, self.real(t.fixture), absent)
            })
            .collect()
    }

    fn rest(&mut self, at: FrameNumber) -> Done {
        let Some(look) = self.plan.rest else {
            let hint = "name one in the plan: rest = \"LOOK\"";
            return Err(fail(FailureKind::Nothing, "the plan names no rest look", hint));
        };
        let memory = self.memory.clone();
        let frames = self.bring_up(look, None, at);
        self.memory = memory;
        self.scene = Scene::Rest(look);
        self.rest_ends = Some(at + self.clock().frames_in(self.plan.rest_for));
        let after = say::span(self.plan.rest_for.as_secs_f64());
        Ok(format!("{} · dark by itself in {after}", self.lit_said(look, frames)))
    }

    fn again(&mut self, at: FrameNumber) -> Done {
        let Some(memory) = self.memory.clone() else {
            let hint = "`lampkeep recall LOOK` brings one up";
            return Err(fail(FailureKind::Nothing, "nothing has been lit yet to go back to", hint));
        };
        if memory.scene == self.scene && self.rollcall.is_none() {
            return Ok(format!("{} · already lit", self.scene_name()));
        }
        let frames = self.clock().frames_in(self.plan.fade);
        self.turn_all(&memory.targets, at, frames);
        self.scene = memory.scene;
        self.nudged = memory.nudged;
        let nudged = if self.nudged { " · with its nudges" } else { "" };
        Ok(format!("{} · {}{nudged}", self.scene_name(), self.fading(frames)))
    }

    fn only(&mut self, name: &str, at: FrameNumber) -> Done {
        let id = self.find_driven(name)?;
        let present = self.lamps[id.0].target;
        let remembered = self.memory.as_ref().map(|m| m.targets[id.0]);
        let lit = [Some(present), remembered].into_iter().flatten().find(|t| t.base.lux > 0.0);
        let (target, from) = match lit {
            Some(target) => (target, "at its level in the look"),
            None => {
                let lux = self.plan.exposure.zero_stops.get();
                let colour = solve::dark_colour(&self.plan);
                (Moving::still(Demand { lux, colour }), "at 0 stops: the look does not light it")
            }
        };
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let mut targets = vec![dark; self.lamps.len()];
        targets[id.0] = target;
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(ONLY_FADE_S));
        self.turn_all(&targets, at, frames);
        self.scene = Scene::Only(id);
        self.nudged = false;
        let fixture = self.plan.fixture(id);
        Ok(format!(
            "only {} · {from} · {:.0} lx planned · `lampkeep again` goes back",
            fixture.id, target.base.lux
        ))
    }

    fn wink(&mut self, name: &str, at: FrameNumber) -> Done {
        let id = self.find_driven(name)?;
        let fixture = self.plan.fixture(id).id.clone();
        if self.lamps[id.0].target.base.lux <= 0.0 {
            let said = format!("{fixture} is dark, so a wink would not be seen");
            return Err(fail(
                FailureKind::Nothing,
                said,
                format!("`lampkeep only {fixture}` lights it alone"),
            ));
        }
        let until = at + self.clock().frames_in(std::time::Duration::from_secs_f64(WINK_S));
        self.wink = Some(Wink { fixture: id, until });
        Ok(format!("{fixture} · one stop down for {}, then as it was", say::span(WINK_S)))
    }

    fn start_rollcall(&mut self, each_s: Option<f64>, at: FrameNumber) -> Done {
        let each_s = each_s.unwrap_or(ROLLCALL_EACH_S);
        if !(0.5..=60.0).contains(&each_s) {
            let said = format!("{each_s} s for each lamp is not between 0.5 s and 60 s");
            return Err(fail(FailureKind::BadField, said, "2 s is enough to see and name a lamp"));
        }
        let lamps: Vec<_> = self
            .plan
            .fixture_ids()
            .filter(|id| self.plan.fixture(*id).address().is_some() && self.lamps[id.0].absent.is_none())
            .collect();
        if lamps.is_empty() {
            return Err(fail(
                FailureKind::Nothing,
                "no lamp here is driven by the wire",
                "see `lampkeep status`",
            ));
        }
        let each = self.clock().frames_in(std::time::Duration::from_secs_f64(each_s));
        let names: Vec<_> = lamps.iter().map(|id| self.plan.fixture(*id).id.clone()).collect();
        self.wink = None;
        self.rollcall = Some(Rollcall { lamps, start: at, each });
        Ok(format!(
            "rollcall · {} low, {} each, then as it was: {}",
            say::count(names.len(), "lamp"),
            say::span(each_s),
            names.join(", ")
        ))
    }

    fn absent(&mut self, name: &str, back: bool) -> Done {
        let id = self.find_lamp(name)?;
        let fixture = self.plan.fixture(id).id.clone();
        let lamp = &mut self.lamps[id.0];
        lamp.settled = false;
        if back {
            let was = lamp.absent.take();
            return Ok(match was {
                Some(_) => format!("{fixture} is back · it follows the look that is lit"),
                None => format!("{fixture} was not absent"),
            });
        }
        lamp.absent.get_or_insert_with(|| "said on set".to_owned());
        Ok(format!("{fixture} absent · sent zero until `lampkeep absent {fixture} --back`"))
    }

    fn cold(&mut self, name: &str) -> Done {
        let who = if name == "all" {
            "all lamps".to_owned()
        } else {
            self.plan.fixture(self.find_lamp(name)?).id.clone()
        };
        Ok(format!(
            "noted: {who} at room temperature · this version keeps no heat estimate yet, so a lamp of unknown \
             heat stays at half power"
        ))
    }

    pub(super) fn take_reload(&mut self, ticket: Ticket) -> Option<String> {
        let index = self.reloading.iter().position(|(t, _)| *t == ticket)?;
        self.reloading.remove(index).1
    }

    fn nudge(&mut self, name: &str, by: &Nudge, at: FrameNumber) -> Done {
        by.check()?;
        let (ids, label) = self.nudge_members(name)?;
        let lit: Vec<_> = ids
            .into_iter()
            .filter(|id| {
                let lamp = &self.lamps[id.0];
                lamp.target.base.lux > 0.0
                    && lamp.absent.is_none()
                    && self.plan.fixture(*id).address().is_some()
            })
            .collect();
        if lit.is_empty() {
            let said = format!("{label} is dark, so there is nothing to nudge");
            return Err(fail(FailureKind::Nothing, said, "recall a look that lights it"));
        }
        // Rising, all go only as far as the weakest can, so that their ratios hold.
        let asked = by.stops.unwrap_or(0.0);
        let mut allowed = asked;
        let mut weakest = None;
        let mut turned = Vec::new();
        for id in &lit {
            let target = self.lamps[id.0].target;
            let colour = by.colour(target.base.colour)?;
            turned.push((*id, target, colour));
            let headroom = self.headroom(*id, target.base.lux, colour);
            if asked > 0.0 && headroom < allowed {
                allowed = headroom.max(0.0);
                weakest = Some(*id);
            }
        }
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(NUDGE_FADE_S));
        for (id, target, colour) in turned {
            let lux = target.base.lux * allowed.exp2();
            let motion_start = self.lamps[id.0].moving_since;
            self.turn(id, Moving { base: Demand { lux, colour }, motion: target.motion }, at, frames);
            self.lamps[id.0].moving_since = motion_start;
        }
        self.nudged = true;
        if matches!(self.scene, Scene::Look(_)) {
            self.remember();
        }
        let mut said = format!("{label} · {}", by.said(allowed));
        if let Some(weakest) = weakest {
            let name = &self.plan.fixture(weakest).id;
            said.push_str(&format!(" of the {} asked: {name} has no more", say::stops(asked)));
        }
        Ok(format!("{said} · until the next recall, or `lampkeep keep`"))
    }

    fn nudge_members(&self, name: &str) -> Result<(Vec<FixtureId>, String), Failure> {
        if name == "all" {
            return Ok((self.plan.fixture_ids().collect(), "all".to_owned()));
        }
        if let Some(group) = self.plan.group_named(name) {
            return Ok((group.members.clone(), group.name.clone()));
        }
        let id = self.find_driven(name)?;
        Ok((vec![id], self.plan.fixture(id).id.clone()))
    }

    /// Stops by which a lamp can rise from `lux` at `colour`.
    fn headroom(&self, id: FixtureId, lux: f64, colour: Colour) -> f64 {
        let fixture = self.plan.fixture(id);
        let most = assess::lamp(fixture, id, Demand { lux: 1e9, colour }, self.real(id), false);
        (most.allowed_lux / lux).log2()
    }

    fn keep(&mut self, ticket: Ticket, id: Option<String>, name: Option<String>) -> Vec<Action> {
        match self.kept_look(name) {
            Ok(look) => {
                let text = plan::look_text(&look, &self.plan);
                let name = look.name.clone();
                self.keeping.push((ticket, id, look));
                vec![Action::WriteLook { ticket, name, text }]
            }
            Err(failure) => vec![Action::reply(ticket, Answer::refused(id, failure))],
        }
    }

    fn kept_look(&self, name: Option<String>) -> Result<Look, Failure> {
        if self.plan.path.is_none() {
            let hint = "run a plan of your own: `lampkeep new` writes a first one";
            return Err(fail(FailureKind::Files, "the built-in demo has no folder to keep looks in", hint));
        }
        let present = match self.scene {
            Scene::Look(id) => Some(self.plan.look(id)),
            _ => None,
        };
        if !self.lamps.iter().any(|l| l.target.base.lux > 0.0) || self.rollcall.is_some() {
            return Err(fail(
                FailureKind::Nothing,
                "nothing is lit that could be kept",
                "recall a look first",
            ));
        }
        let name = match (name, present) {
            (Some(name), _) => name,
            (None, Some(look)) => look.name.clone(),
            (None, None) => {
                let hint = "give a name: `lampkeep keep NAME`";
                return Err(fail(FailureKind::BadField, "what is lit is no look of the plan", hint));
            }
        };
        let sound = !name.is_empty()
            && name.len() <= 64
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
            && !name.starts_with('-');
        if !sound {
            let said = format!("`{}` cannot be a look's name", words::short(&name));
            return Err(fail(FailureKind::BadField, said, "use letters, digits and `-`, up to 64 of them"));
        }
        let zero = self.plan.exposure.zero_stops.get();
        let targets = self
            .plan
            .fixture_ids()
            .filter_map(|id| {
                let target = &self.lamps[id.0].target;
                (target.base.lux > 0.0).then(|| Target {
                    fixture: id,
                    level: Level::Stops(Stops::clamped((target.base.lux / zero).log2())),
                    colour: match target.base.colour {
                        Colour::White { mired, duv } => {
                            ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(duv))
                        }
                        Colour::Uv(uv) => ColourTarget::Xy(uv.xy()),
                    },
                    motion: target.motion,
                })
            })
            .collect();
        Ok(Look {
            name,
            about: present.and_then(|l| l.about.clone()),
            protect: present.is_some_and(|l| l.protect),
            key: present.and_then(|l| l.key),
            fade: present.and_then(|l| l.fade),
            targets,
            meter: Vec::new(),
            kept: true,
        })
    }

    pub(super) fn look_written(&mut self, ticket: Ticket, result: Result<(), Failure>) -> Vec<Action> {
        let Some(index) = self.keeping.iter().position(|(t, ..)| *t == ticket) else { return Vec::new() };
        let (_, id, look) = self.keeping.remove(index);
        if let Err(failure) = result {
            return vec![Action::reply(ticket, Answer::refused(id, failure))];
        }
        let name = look.name.clone();
        let plan = std::sync::Arc::make_mut(&mut self.plan);
        let id_of_look = match plan.look_named(&name) {
            Some(old) => {
                plan.looks[old.0] = look;
                old
            }
            None => {
                plan.looks.push(look);
                LookId(plan.looks.len() - 1)
            }
        };
        self.scene = Scene::Look(id_of_look);
        self.nudged = false;
        self.remember();
        let mut actions = self.publish();
        actions.push(self.accept(
            ticket,
            id,
            format!("{name} · kept beside the plan; `lampkeep recall {name}` brings it back"),
        ));
        actions
    }
}

/// A small change, as asked.
struct Nudge {
    stops: Option<f64>,
    kelvin: Option<f64>,
    mired: Option<f64>,
    duv: Option<f64>,
}

impl Nudge {
    fn check(&self) -> Result<(), Failure> {
        let ranges = [
            ("stops", self.stops, 10.0),
            ("kelvin", self.kelvin, 19_000.0),
            ("mired", self.mired, 950.0),
            ("duv", self.duv, 0.1),
        ];
        for (name, value, most) in ranges {
            if let Some(v) = value
                && !(-most..=most).contains(&v)
            {
                let said = format!("{name} {v} is not between -{most} and {most}");
                return Err(fail(FailureKind::BadField, said, "nudge in small steps, such as +1/3 or +200K"));
            }
        }
        if ranges.iter().all(|(_, v, _)| v.is_none()) {
            let hint = "such as `lampkeep nudge key +1/3` or `lampkeep nudge key +200K`";
            return Err(fail(FailureKind::BadField, "a nudge needs a change", hint));
        }
        if self.kelvin.is_some() && self.mired.is_some() {
            let said = "kelvin and mired are the same thing twice";
            return Err(fail(FailureKind::BadField, said, "give one of them"));
        }
        Ok(())
    }

    /// The changed colour. Mired and kelvin are both warmer or cooler; the result stays in range.
    fn colour(&self, before: Colour) -> Result<Colour, Failure> {
        if self.kelvin.is_none() && self.mired.is_none() && self.duv.is_none() {
            return Ok(before);
        }
        let (mired, duv) = match before {
            Colour::White { mired, duv } => (mired, duv),
            Colour::Uv(uv) => match colour::kelvin_of(uv.xy()) {
                Some((kelvin, duv)) => (kelvin.mired().get(), duv.get()),
                None => {
                    let said = "its colour is too far from white to be warmed, cooled or tinted";
                    return Err(fail(FailureKind::BadField, said, "nudge its level, or change the look"));
                }
            },
        };
        let kelvin = Kelvin::clamped(1e6 / (mired + self.mired.unwrap_or(0.0)).max(1.0));
        let kelvin = Kelvin::clamped(kelvin.get() + self.kelvin.unwrap_or(0.0));
        let mired = if self.kelvin.is_none() && self.mired.is_none() { mired } else { 1e6 / kelvin.get() };
        Ok(Colour::White { mired, duv: Duv::clamped(duv + self.duv.unwrap_or(0.0)).get() })
    }

    fn said(&self, stops: f64) -> String {
        let mut parts = Vec::new();
        if self.stops.is_some() {
            let way = if stops > 0.0 { "brighter" } else { "dimmer" };
            parts.push(if stops == 0.0 {
                "no brighter".to_owned()
            } else {
                format!("{way} by {:.2} stop", stops.abs())
            });
        }
        if let Some(k) = self.kelvin {
            parts.push(format!("{} by {:.0} K", if k > 0.0 { "cooler" } else { "warmer" }, k.abs()));
        }
        if let Some(m) = self.mired {
            parts.push(format!("{} by {:.0} mired", if m > 0.0 { "warmer" } else { "cooler" }, m.abs()));
        }
        if let Some(d) = self.duv {
            parts.push(format!("{} by {:.4} Duv", if d > 0.0 { "greener" } else { "pinker" }, d.abs()));
        }
        parts.join(", ")
    }
}
