//! Light that is not work: rest, one lamp alone, a wink, a rollcall; and the way back.

use super::{Done, fail};
use crate::control::FailureKind;
use crate::engine::state::{Rollcall, Scene, Wink};
use crate::engine::{Engine, say};
use crate::guards::thermal::Duty;
use crate::light::{Demand, Moving, solve};
use crate::plan::FixtureId;
use crate::units::FrameNumber;

/// Fade to one lamp alone, in seconds.
const ONLY_FADE_S: f64 = 0.5;
/// How long a wink lasts, in seconds (interface.md part 1: one stop down for a second).
const WINK_S: f64 = 1.0;
/// Time for each lamp in a rollcall unless asked otherwise, in seconds.
const ROLLCALL_EACH_S: f64 = 2.0;

impl Engine {
    pub(super) fn rest(&mut self, at: FrameNumber) -> Done {
        let Some(look) = self.plan.rest else {
            let hint = "name one in the plan: rest = \"LOOK\"";
            return Err(fail(FailureKind::Nothing, "the plan names no rest look", hint));
        };
        self.fits(&solve::demands(&self.plan, &self.look_as_it_stands(look)))?;
        let memory = self.memory.clone();
        let frames = self.bring_up(look, None, at);
        self.memory = memory;
        self.scene = Scene::Rest(look);
        self.rest_ends = Some(at + self.clock().frames_in(self.plan.rest_for));
        let after = say::span(self.plan.rest_for.as_secs_f64());
        Ok(format!("{} · dark by itself in {after}", self.lit_said(look, frames)))
    }

    pub(super) fn again(&mut self, at: FrameNumber) -> Done {
        let Some(memory) = self.memory.clone() else {
            let hint = "`lampkeep recall LOOK` brings one up";
            return Err(fail(FailureKind::Nothing, "nothing has been lit yet to go back to", hint));
        };
        if memory.scene == self.scene && self.rollcall.is_none() {
            return Ok(format!("{} · already lit", self.scene_name()));
        }
        self.fits(&memory.targets)?;
        if let Scene::Look(look) | Scene::Rest(look) = memory.scene {
            self.protect_for(look, at);
        }
        let frames = self.clock().frames_in(self.plan.fade);
        self.turn_all(&memory.targets, at, frames);
        self.scene = memory.scene;
        self.nudged = memory.nudged;
        if let (Scene::Look(look), None) = (self.scene, self.position) {
            // After a start `next` goes on from here, not from the first step.
            self.find_place_in_order(look);
        }
        let nudged = if self.nudged { " · with its nudges" } else { "" };
        let same = match self.scene {
            Scene::Look(look) => self.same_said(&self.plan.look(look).name),
            _ => None,
        };
        let same = same.map_or(String::new(), |same| format!(" · {same}"));
        Ok(format!("{} · {}{nudged}{same}", self.scene_name(), self.fading(frames)))
    }

    pub(super) fn only(&mut self, name: &str, at: FrameNumber) -> Done {
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
        self.fits(&targets)?;
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

    pub(super) fn wink(&mut self, name: &str, at: FrameNumber) -> Done {
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

    pub(super) fn start_rollcall(&mut self, each_s: Option<f64>, at: FrameNumber) -> Done {
        let each_s = each_s.unwrap_or(ROLLCALL_EACH_S);
        if !(0.5..=60.0).contains(&each_s) {
            let said = format!("{} s for each lamp is not between 0.5 s and 60 s", say::number(each_s));
            return Err(fail(FailureKind::BadField, said, "2 s is enough to see and name a lamp"));
        }
        let lamps: Vec<_> = self
            .plan
            .fixture_ids()
            .filter(|id| {
                let here = self.lamps[id.0].absent.is_none() && !self.protect.holds(*id);
                here && self.plan.fixture(*id).address().is_some()
            })
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
        self.rollcall = Some(Rollcall { lamps, start: at, each, shift: 0 });
        Ok(format!(
            "rollcall · {} low, {} each, then as it was: {}",
            say::count(names.len(), "lamp"),
            say::span(each_s),
            names.join(", ")
        ))
    }

    pub(super) fn absent(&mut self, name: &str, back: bool) -> Done {
        let id = self.find_lamp(name)?;
        let fixture = self.plan.fixture(id).id.clone();
        self.forget_readings_of(id);
        let lamp = &mut self.lamps[id.0];
        lamp.settled = false;
        let balanced = |l: &&crate::plan::Look| l.balanced.is_some() && l.target(id).is_some();
        let balanced = self.plan.looks.iter().filter(balanced).count();
        let again = |how: &str| match balanced {
            0 => String::new(),
            n => format!(" · {} solved {how} it from the next recall on", say::count(n, "balanced look")),
        };
        if back {
            let Some(why) = lamp.absent.take() else { return Ok(format!("{fixture} was not absent")) };
            let targets: Vec<_> = self.lamps.iter().map(|l| l.target).collect();
            if let Err(failure) = self.fits(&targets) {
                self.lamps[id.0].absent = Some(why);
                return Err(failure);
            }
            // It may have been plugged in just now.
            self.lamps[id.0].standing.comes_up();
            let battery = if self.fresh_battery(id) { ", its battery taken to be full" } else { "" };
            let again = again("with");
            return Ok(format!("{fixture} is back{battery} · it follows the look that is lit{again}"));
        }
        lamp.absent.get_or_insert_with(|| "said on set".to_owned());
        let again = again("without");
        Ok(format!("{fixture} absent · sent zero until `lampkeep absent {fixture} --back`{again}"))
    }

    pub(super) fn cold(&mut self, name: &str) -> Done {
        let (ids, who): (Vec<FixtureId>, _) = if name == "all" {
            (self.plan.fixture_ids().collect(), "every lamp".to_owned())
        } else {
            let id = self.find_lamp(name)?;
            (vec![id], self.plan.fixture(id).id.clone())
        };
        self.cool(&ids);
        let named = |matches: &dyn Fn(FixtureId) -> bool| {
            let found = ids.iter().filter(|id| matches(**id));
            found.map(|id| self.plan.fixture(*id).id.as_str()).collect::<Vec<_>>().join(", ")
        };
        let lit = named(&|id| self.lamps[id.0].sent.lux > 0.0);
        let unknown = named(&|id| self.heat.bodies[id.0].duty == Duty::Unknown);
        let mut said = format!("{who} taken to be at room temperature, {:.0} °C", self.plan.ambient.get());
        if !lit.is_empty() {
            said.push_str(&format!(" · lit now: {lit}; a lit lamp is seldom cold"));
        }
        if !unknown.is_empty() {
            said.push_str(&format!(" · no figure of heat, so half power as before: {unknown}"));
        }
        Ok(said)
    }
}
