//! Bringing looks up: by name, along the running order, now or later.

use super::{Done, checked, fail};
use crate::control::{Failure, FailureKind};
use crate::engine::assess::Assessment;
use crate::engine::lamp::Late;
use crate::engine::moves;
use crate::engine::state::{Change, Waiting};
use crate::engine::{Engine, say};
use crate::guards::Limit;
use crate::light::solve;
use crate::plan::{Look, LookId};
use crate::units::FrameNumber;

/// Longest fade that a request may ask for, in seconds.
pub(super) const LONGEST_FADE_S: f64 = 3600.0;
/// Longest delay that a request may ask for, in seconds: a day.
pub(in crate::engine) const LONGEST_DELAY_S: f64 = 86_400.0;

impl Engine {
    pub(super) fn recall(
        &mut self,
        look: String,
        over_s: Option<f64>,
        in_s: Option<f64>,
        instant: Option<&str>,
        at: FrameNumber,
    ) -> Done {
        let over_s = checked("fade", over_s, LONGEST_FADE_S)?;
        let in_s = checked("delay", in_s, LONGEST_DELAY_S)?;
        if in_s.is_some() && instant.is_some() {
            return Err(fail(FailureKind::BadField, "`in_s` and `at` both say when", "give one of them"));
        }
        // By its own name: a number holds only while a face is protected.
        let look = self.plan.look(self.find_look(&look)?).name.clone();
        if let Some(instant) = instant {
            return self.recall_at(look, over_s, instant, at);
        }
        match in_s {
            Some(s) if s > 0.0 => {
                let what = format!("recall {look}");
                Ok(self.wait(s, what, Change::Recall { look, over_s }, at))
            }
            _ => self.recall_by_name(&look, over_s, at),
        }
    }

    pub(super) fn step_request(
        &mut self,
        by: i64,
        over_s: Option<f64>,
        in_s: Option<f64>,
        at: FrameNumber,
    ) -> Done {
        let over_s = checked("fade", over_s, LONGEST_FADE_S)?;
        let in_s = checked("delay", in_s, LONGEST_DELAY_S)?;
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

    pub(super) fn wait(&mut self, delay_s: f64, what: String, change: Change, at: FrameNumber) -> String {
        let due = at + self.clock().frames_in(std::time::Duration::from_secs_f64(delay_s));
        let when = format!("in {}", say::span(delay_s));
        self.wait_for(Waiting { due, at: None, change, what }, &when)
    }

    /// Has it wait, in place of what waited before.
    pub(in crate::engine) fn wait_for(&mut self, waiting: Waiting, when: &str) -> String {
        let instead = self.waiting.as_ref().map_or(String::new(), |w| format!(" · instead of {}", w.what));
        let said = format!("{} {when}{instead} · `lampkeep cancel` stops it", waiting.what);
        self.waiting = Some(waiting);
        said
    }

    pub(super) fn cancel(&mut self) -> Done {
        match self.waiting.take() {
            Some(waiting) => Ok(format!("cancelled: {}", waiting.what)),
            None => {
                Err(fail(FailureKind::Nothing, "nothing is scheduled", "`lampkeep status` shows what is lit"))
            }
        }
    }

    /// A recall that acts now. A scheduled one stays scheduled unless it is this one.
    pub(in crate::engine) fn recall_by_name(
        &mut self,
        look: &str,
        over_s: Option<f64>,
        at: FrameNumber,
    ) -> Done {
        let id = self.find_look(look)?;
        self.fits(&solve::demands(&self.plan, &self.look_as_it_stands(id)))?;
        let frames = self.bring_up(id, over_s, at);
        self.find_place_in_order(id);
        Ok(self.lit_said(id, frames))
    }

    /// A recall that joins a fade which began `ran` frames ago elsewhere: over `join` frames it glides into that,
    /// and ends with it, or at the end of the glide where that is later.
    pub(in crate::engine) fn recall_late(
        &mut self,
        look: &str,
        over_s: Option<f64>,
        ran: u64,
        join: u64,
        at: FrameNumber,
    ) -> Done {
        let id = self.find_look(look)?;
        self.fits(&solve::demands(&self.plan, &self.look_as_it_stands(id)))?;
        let whole = self.fade_frames(id, over_s);
        let frames = whole.saturating_sub(ran).max(join);
        self.bring_up_in(id, frames, at);
        let clock = self.clock();
        for lamp in &mut self.lamps {
            lamp.join(Late { ran, whole, join }, clock);
        }
        self.find_place_in_order(id);
        Ok(self.lit_said(id, frames))
    }

    /// The order goes on from the next place of this look, so that `next` does what one expects.
    pub(in crate::engine) fn find_place_in_order(&mut self, look: LookId) {
        let here = self.position.unwrap_or(0);
        let steps = || self.plan.order.iter().enumerate().filter(|(_, s)| s.look == look).map(|(i, _)| i);
        self.position = steps().find(|i| *i >= here).or_else(|| steps().next()).or(self.position);
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

    pub(in crate::engine) fn step_order(&mut self, by: i64, over_s: Option<f64>, at: FrameNumber) -> Done {
        let index = self.order_step(by)?;
        let step = self.plan.order[index].clone();
        let fade = over_s.unwrap_or(step.fade.as_secs_f64());
        self.fits(&solve::demands(&self.plan, &self.look_as_it_stands(step.look)))?;
        let frames = self.bring_up(step.look, Some(fade), at);
        self.position = Some(index);
        let said = self.lit_said(step.look, frames);
        Ok(format!("{said} · step {} of {}", index + 1, self.plan.order.len()))
    }

    /// The line that tells what a recalled look comes to.
    pub(super) fn lit_said(&self, look: LookId, frames: u64) -> String {
        self.look_said(look, Some(self.fading(frames)))
    }

    /// What a look comes to, with how it comes up where it does so now.
    pub(super) fn look_said(&self, look: LookId, how: Option<String>) -> String {
        let as_it_stands = self.look_as_it_stands(look);
        let found = self.assess(&as_it_stands);
        let lamps = found.iter().filter(|a| a.asked.lux > 0.0).count();
        let mut parts = vec![self.plan.look(look).name.clone()];
        let comes = how.is_some();
        parts.extend(how);
        parts.push(say::count(lamps, "lamp"));
        // Of a light that comes; that which stands is a take's own business.
        parts.extend(comes.then(|| self.same_said(&self.plan.look(look).name)).flatten());
        parts.extend(found.iter().filter_map(|a| a.by_hand(&self.plan)));
        let mut warnings: Vec<String> = found.iter().flat_map(|a| a.warnings(&self.plan)).collect();
        warnings.extend(as_it_stands.balanced.iter().flat_map(|b| b.unmet.iter().cloned()));
        let watts = |a: &Assessment| {
            let standby = self.plan.fixture(a.fixture).profile.standby.get();
            (a.fixture, (a.watts - standby).max(0.0))
        };
        let here = found.iter().filter(|a| !a.limits.has(Limit::Absent));
        warnings.extend(self.heat_warnings(look, &here.map(watts).collect::<Vec<_>>()));
        warnings.extend(self.load_warnings(&solve::demands(&self.plan, &as_it_stands)));
        if self.protected() {
            let here = self.to_unplug().len() + self.unconfirmed().len();
            if here > 0 {
                warnings.push(format!("{} to unplug, see `lampkeep status`", say::count(here, "lamp")));
            }
        }
        if !warnings.is_empty() {
            parts.push(format!("{}: {}", say::count(warnings.len(), "warning"), warnings.join(", ")));
        }
        parts.join(" · ")
    }

    fn assess(&self, look: &Look) -> Vec<Assessment> {
        let plan = &self.plan;
        look.targets
            .iter()
            .map(|t| {
                let asked = solve::demand(plan, look, t.fixture);
                let absent = self.lamps[t.fixture.0].absent.is_some();
                moves::assessed(plan.fixture(t.fixture), t.fixture, asked, self.real(t.fixture), absent)
            })
            .collect()
    }
}
