//! Putting another plan in force while the light stands.

use std::collections::HashSet;
use std::sync::Arc;

use super::heat_ahead::Ahead;
use super::lamp::Lamp;
use super::shape::ShapeFade;
use super::state::{Memory, Scene};
use super::{Action, Engine, Ticket};
use crate::channels;
use crate::control::{Answer, Failure};
use crate::light::{Demand, Moving, Renderings, solve};
use crate::plan::{Fixture, FixtureId, LookId, Plan, Prefer};

impl Engine {
    pub(super) fn plan_read(&mut self, ticket: Ticket, result: Result<Arc<Plan>, Failure>) -> Vec<Action> {
        let id = self.take_reload(ticket);
        let plan = match result.and_then(|plan| self.guard_change().map(|()| plan)) {
            Ok(plan) => plan,
            Err(failure) => return vec![Action::reply(ticket, Answer::refused(id, failure))],
        };
        let said = self.adopt(Arc::clone(&plan));
        let mut actions = vec![Action::Adopt(plan)];
        self.refresh_standing_alerts(self.clock().seconds(self.last.unwrap_or(0)));
        actions.extend(self.publish());
        actions.push(self.accept(ticket, id, said));
        actions
    }

    /// Puts another plan in force. The light stays: each lamp that is still there keeps its target in
    /// lux and colour; a new one is dark.
    fn adopt(&mut self, plan: Arc<Plan>) -> String {
        let mut plan = plan;
        let mut later = Vec::new();
        if plan.name != self.plan.name {
            // Socket and topics carry the name under which the set was started.
            Arc::make_mut(&mut plan).name.clone_from(&self.plan.name);
            later.push("its name");
        }
        if plan.mqtt != self.plan.mqtt {
            later.push("its broker");
        }
        self.trims.put_on(&mut plan);
        let old = std::mem::replace(&mut self.plan, plan);
        let before = std::mem::take(&mut self.lamps);
        // Before any lamp is made: other lamps may reach other faces.
        self.protect.learn(&self.plan);
        self.patches = channels::patches(&self.plan);
        self.renderings = Renderings::new(&self.plan);
        let dark = solve::dark_colour(&self.plan);
        let plan = Arc::clone(&self.plan);
        let rate = (u64::from(old.frames.rate()), u64::from(plan.frames.rate()));
        for (index, fixture) in plan.fixtures.iter().enumerate() {
            let now = self.conditions(FixtureId(index));
            let mut lamp = Lamp::dark(fixture, dark, &now);
            if let Some(was) = old.fixtures.iter().position(|f| f.id == fixture.id) {
                let was = &before[was];
                lamp.target = was.target;
                lamp.moving_since = was.moving_since;
                lamp.moved_before_s = was.moved_before_s;
                lamp.fade = was.fade;
                lamp.glide = was.glide;
                lamp.standing = was.standing;
                lamp.asked = was.asked;
                lamp.pin.clone_from(&was.pin);
                lamp.pin_later.clone_from(&was.pin_later);
                lamp.dark_slots.clone_from(&was.dark_slots);
                lamp.shape = was.shape;
                if old.fixture_named(&fixture.id).is_some_and(|o| old.fixture(o).absent == fixture.absent) {
                    lamp.absent.clone_from(&was.absent);
                }
                if was.sent.slots.len() == lamp.sent.slots.len() {
                    lamp.sent = was.sent.clone();
                } else {
                    lamp.sent.allowed = was.sent.allowed;
                }
            }
            let same = old
                .fixtures
                .iter()
                .any(|f| f.id == fixture.id && f.emitters == fixture.emitters && f.prefer == fixture.prefer);
            if fixture.prefer == Prefer::Rendering && !same {
                // Another lamp: its shape is still to be found, and nothing of the old one holds.
                let to = solve::reach(fixture, &lamp.target.base).shape(fixture);
                lamp.shape =
                    ShapeFade { from: to, to, wanted: lamp.target.base.lux > 0.0, ..ShapeFade::default() };
            }
            if lamp.target.motion.is_some() {
                lamp.target = self.steady(FixtureId(index), lamp.target);
            }
            self.lamps.push(lamp);
        }
        self.unsettle_held();
        let look_of = |id: LookId| plan.look_named(&old.look(id).name);
        let scene_kept = |scene: Scene| match scene {
            Scene::Look(id) => look_of(id).map(Scene::Look),
            Scene::Rest(id) => look_of(id).map(Scene::Rest),
            Scene::Only(id) => plan.fixture_named(&old.fixture(id).id).map(Scene::Only),
            Scene::Calibrate(id) => plan.fixture_named(&old.fixture(id).id).map(Scene::Calibrate),
            Scene::Meter(id) => look_of(id).map(Scene::Meter),
            Scene::Dark => Some(Scene::Dark),
            Scene::Take => Some(Scene::Take),
        };
        let name = self.scene;
        let lost = scene_kept(name).is_none();
        self.scene = scene_kept(name).unwrap_or(Scene::Dark);
        let still = Moving::still(Demand { lux: 0.0, colour: dark });
        let renumbered = |targets: &[Moving]| -> Vec<Moving> {
            let was = |f: &Fixture| old.fixture_named(&f.id).map_or(still, |was| targets[was.0]);
            plan.fixtures.iter().map(was).collect()
        };
        self.memory = self.memory.take().and_then(|memory| {
            let targets = renumbered(&memory.targets);
            Some(Memory { scene: scene_kept(memory.scene)?, targets, nudged: memory.nudged })
        });
        self.before_calibrate = self.before_calibrate.take().and_then(|memory| {
            let targets = renumbered(&memory.targets);
            Some(Memory { scene: scene_kept(memory.scene)?, targets, nudged: memory.nudged })
        });
        self.before_meter = self.before_meter.take().and_then(|memory| {
            let targets = renumbered(&memory.targets);
            Some(Memory { scene: scene_kept(memory.scene)?, targets, nudged: memory.nudged })
        });
        let now =
            |id: FixtureId| plan.fixtures.iter().position(|f| f.id == old.fixture(id).id).map(FixtureId);
        for keeping in &mut self.keeping {
            keeping.targets = renumbered(&keeping.targets);
            keeping.look.key = keeping.look.key.and_then(now);
            keeping.look.targets.retain_mut(|t| {
                now(t.fixture).is_some_and(|id| {
                    t.fixture = id;
                    true
                })
            });
        }
        self.wink = None;
        self.position = self.position.and_then(|p| place_in(&plan, p, &old));
        if matches!(self.scene, Scene::Look(_)) {
            self.remember();
        }
        if rate.0 != rate.1 {
            self.retime(rate.0, rate.1);
        }
        self.adopt_load(&old.fixtures);
        let on = self.kept_on_times(&old.fixtures);
        self.take_up_on_times(&on, Some(0.0));
        self.learn_figures();
        self.ahead = Ahead::default();
        self.adopt_flash(rate.0 == rate.1);
        let held = self.adopt_heat(&old.fixtures);
        // The next look at the outputs tells which of them are silent.
        self.lines = vec![super::soft::Line::away(0.0); self.plan.outputs.len()];
        if self.rollcall.is_some() {
            self.end_rollcall(self.next_frame());
        } else if held {
            // From the light as it is to what it is asked, held anew.
            self.turn_together(&[], self.next_frame(), self.clock().frames_in(self.plan.fade));
        }
        let names = |p: &Plan| p.looks.iter().map(|l| l.name.clone()).collect::<HashSet<_>>();
        let changed =
            plan.looks.iter().filter(|l| old.look_named(&l.name).is_some_and(|o| old.look(o) != *l)).count();
        let added = names(&plan).difference(&names(&old)).count();
        let gone = names(&old).difference(&names(&plan)).count();
        let mut tail =
            if lost { "; the look that is lit is no longer in it".to_owned() } else { String::new() };
        if !later.is_empty() {
            tail.push_str(&format!("; from the next start only: {}", later.join(", ")));
        }
        tail.push_str(&self.readings_and_trims_after(&old));
        format!(
            "took the plan again: {changed} looks changed, {added} new, {gone} gone; the light is as it was, \
             recall a look to see its new version{tail}"
        )
    }

    /// Turns frame numbers of one rate into another's, so that the engine's time goes on unbroken.
    fn retime(&mut self, from: u64, to: u64) {
        let turn = |n: u64| u64::try_from(u128::from(n) * u128::from(to) / u128::from(from)).unwrap_or(n);
        self.last = self.last.map(turn);
        self.last_publish = turn(self.last_publish);
        self.keeps_from(self.last.unwrap_or(0));
        self.records_from(self.last.unwrap_or(0));
        self.rest_ends = self.rest_ends.map(turn);
        if let Some(waiting) = &mut self.waiting {
            waiting.due = turn(waiting.due);
        }
        for lamp in &mut self.lamps {
            lamp.moving_since = turn(lamp.moving_since);
            if let Some(fade) = &mut lamp.fade {
                fade.start = turn(fade.start);
                fade.frames = turn(fade.frames).max(1);
                if let Some(late) = &mut fade.late {
                    (late.ran, late.whole, late.join) = (turn(late.ran), turn(late.whole), turn(late.join));
                }
            }
            if let Some(glide) = &mut lamp.glide {
                glide.since = turn(glide.since);
                glide.start = turn(glide.start);
                glide.done = turn(glide.done);
                glide.frames = turn(glide.frames).max(1);
            }
            lamp.shape.start = turn(lamp.shape.start);
            lamp.shape.frames = turn(lamp.shape.frames);
        }
    }
}

/// Where step `p` of the old order stands in the new one: the nearest step of the same look; where there
/// is none, the step before, so that `next` brings what came after it.
fn place_in(plan: &Plan, p: usize, old: &Plan) -> Option<usize> {
    let name = &old.look(old.order[p].look).name;
    let same = plan.order.iter().enumerate().filter(|(_, step)| plan.look(step.look).name == *name);
    let nearest = same.map(|(i, _)| i).min_by_key(|i| i.abs_diff(p));
    nearest.or_else(|| p.min(plan.order.len()).checked_sub(1))
}
