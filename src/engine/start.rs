//! Taking up what the last run of this set kept.
//!
//! The rule (docs/interface.md, part 2, *Starting*): in the same boot of the machine and within a minute
//! the last light returns, and its first frame is the last one; otherwise it is dark until asked, or as the
//! plan's `on-start` says. What only has a meaning for people and numbers (slates, batteries, the light that
//! `again` brings back) is taken up in any case.

use super::kept::{self, Kept, KeptLamp, KeptLight, KeptMemory, KeptScene, KeptTake, KeptTarget};
use super::lamp::Lamp;
use super::readings::Readings;
use super::soft::{Line, holds_s};
use super::state::{Memory, Scene};
use super::take::{Rolling, Slates};
use super::{Engine, say};
use crate::channels;
use crate::guards::Standing;
use crate::light::{Demand, Moving, solve};
use crate::plan::{FixtureId, LookId, Prefer};
use crate::units::FrameNumber;

/// The last light returns after less than this, in seconds (docs/interface.md, part 2).
const RETURNS_WITHIN_S: f64 = 60.0;

/// What the last run left, and what is known of the time since.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Start {
    /// What it kept; `None`: nothing, or nothing that could be read.
    pub kept: Option<Kept>,
    /// How long ago it was kept, in seconds; `None` where no clock can tell.
    pub gap_s: Option<f64>,
    /// How long ago its last sign of life was, in seconds, where that is known: at most as long.
    pub alive_s: Option<f64>,
    /// True if that was in this boot of the machine.
    pub same_boot: bool,
    /// Why what was kept could not be read, in words.
    pub fault: Option<String>,
}

/// An alert that waits for the first frame: kind and words.
pub(super) type Opening = (&'static str, String);

impl Start {
    /// How long the daemon was away, in seconds, if the light is to return.
    fn returns_after_s(&self) -> Option<f64> {
        self.away_s().filter(|gap| self.same_boot && (0.0..RETURNS_WITHIN_S).contains(gap))
    }

    /// How long the daemon was away, in seconds, as far as it is known: not from the last keeping on, where a
    /// sign of life came after that.
    fn away_s(&self) -> Option<f64> {
        let gap_s = self.gap_s?;
        Some(self.alive_s.map_or(gap_s, |alive_s| alive_s.min(gap_s)))
    }

    /// `the daemon was away for 20 min`.
    fn away_said(&self) -> String {
        match self.away_s() {
            Some(gap_s) if self.same_boot => format!("the daemon was away for {}", say::span(gap_s)),
            Some(gap_s) => format!("the machine was started anew, {} after it", say::span(gap_s)),
            None => "the daemon was away, nobody knows how long".to_owned(),
        }
    }
}

impl Engine {
    /// Takes up what the last run kept. True if its light is lit again: then the plan's `on-start` has no say.
    pub(super) fn take_up(&mut self, start: Start) -> bool {
        if let Some(why) = &start.fault {
            let said = format!(
                "what was kept of this set cannot be read: {why}; heat counts as unknown, it is dark, and \
                 takes are counted anew"
            );
            self.openings.push(("state-unreadable", said));
        }
        let (away_s, away) = (start.returns_after_s(), start.away_said());
        let since_kept_s = start.gap_s.unwrap_or(0.0);
        let Some(kept) = start.kept else { return false };
        self.protect.learn_kept(&kept, &self.plan);
        self.slates = Slates::from_kept(kept.slates);
        // Under another plan nobody knows whether lamps and places are those of the readings.
        let known_s = start.gap_s.filter(|_| kept.plan == self.plan.hash);
        self.readings = Readings::taken_up(kept.readings, kept.last_reading, known_s);
        self.takes = kept.takes;
        self.take_up_on_times(&kept.on, start.gap_s);
        self.memory = kept.again.as_ref().and_then(|m| self.memory_of(m));
        let scenes = kept.again.iter().map(|m| &m.scene).chain(kept.light.iter().map(|l| &l.scene));
        for scene in scenes {
            if let KeptScene::Take(number) = scene {
                self.lit_take.clone_from(number);
            }
        }
        let told = self.openings.len();
        let as_it_was = self.take_up_light(kept.light, &kept.plan, away_s, since_kept_s, &away);
        if let Some(take) = kept.take {
            // In another light than its own no take goes on.
            self.take_up_take(take, away_s.filter(|_| as_it_was == Some(true)), since_kept_s, &away);
            // What became of it is told first.
            self.openings[told..].rotate_right(1);
        }
        as_it_was.is_some()
    }

    /// The light that was. `None` where it does not return, else whether it is as it was, slot by slot.
    fn take_up_light(
        &mut self,
        light: Option<KeptLight>,
        plan: &str,
        away_s: Option<f64>,
        since_kept_s: f64,
        away: &str,
    ) -> Option<bool> {
        let light = light?;
        let Some(away_s) = away_s else {
            if light.scene != KeptScene::Dark {
                let said =
                    format!("{} was lit: {away}, so it does not return", self.scene_said(&light.scene));
                self.openings.push(("light-not-returned", format!("{said}{}", self.way_back())));
            }
            return None;
        };
        if let Some(what) = &light.scheduled {
            self.openings.push(("scheduled-refused", format!("{what}: forgotten, {away}")));
        }
        self.lines = vec![Line::away(away_s); self.plan.outputs.len()];
        let same_plan = plan == self.plan.hash;
        let as_it_was = same_plan && self.put_back(&light, since_kept_s, since_kept_s - away_s);
        if as_it_was {
            if light.scene != KeptScene::Dark {
                self.openings.push(("light-returned", format!("{} as it was: {away}", self.scene_name())));
            }
        } else {
            self.bring_back(&light, since_kept_s, away);
        }
        let may_be_dark = |id: &FixtureId| {
            let fixture = self.plan.fixture(*id);
            fixture.address().is_some() && away_s > holds_s(fixture)
        };
        let may_be_dark: Vec<FixtureId> = self.plan.fixture_ids().filter(may_be_dark).collect();
        self.comes_up(&may_be_dark, away);
        Some(as_it_was)
    }

    fn way_back(&self) -> &'static str {
        if self.memory.is_some() { "; `lampkeep again` brings it back" } else { "" }
    }

    /// A take that rolled when it was kept, `since_kept_s` ago.
    fn take_up_take(&mut self, mut take: KeptTake, away_s: Option<f64>, since_kept_s: f64, away: &str) {
        if let Some(away_s) = away_s {
            // It went on rolling until the daemon was gone.
            take.rolled_s += (since_kept_s - away_s).max(0.0);
        }
        let rolled = say::span(take.rolled_s);
        match away_s {
            Some(away_s) => {
                let said = format!("take {} goes on rolling, not steady: {away}, after {rolled}", take.name);
                self.take = Some(Rolling::resumed(take, away_s));
                self.openings.push(("take-gap", said));
            }
            None => {
                let why = if take.why.is_empty() { "sent steady" } else { "not steady" };
                let said =
                    format!("take {} interrupted after {rolled}: {away} · until then {why}", take.name);
                self.record_interrupted(&take);
                self.openings.push(("take-cut", said));
            }
        }
    }

    /// The very light that was, slot by slot; false, and nothing changed, where it cannot be that.
    /// `went_on_s`: how long the last run went on after it was kept; only a light that moves by itself
    /// changed then.
    fn put_back(&mut self, light: &KeptLight, since_kept_s: f64, went_on_s: f64) -> bool {
        let ids: Vec<FixtureId> = self.plan.fixture_ids().collect();
        let scene = self.scene_of(&light.scene);
        let all_there = light.lamps.len() == ids.len()
            && ids.iter().zip(&light.lamps).all(|(id, l)| self.plan.fixture(*id).id == l.target.fixture);
        let (Some(scene), true) = (scene, all_there) else { return false };
        let dark = std::mem::take(&mut self.lamps);
        let lamps: Option<Vec<Lamp>> = ids
            .iter()
            .zip(&dark)
            .zip(&light.lamps)
            .map(|((id, dark), l)| self.lamp_as_it_was(*id, dark, l))
            .collect();
        self.lamps = lamps.unwrap_or_default();
        // A frame that is not the one that was sent is no proof of anything.
        if self.lamps.len() != dark.len() || !self.is_frame_of(light) {
            self.lamps = dark;
            return false;
        }
        self.flash_returns(since_kept_s - went_on_s);
        (self.scene, self.nudged) = (scene, light.nudged);
        self.position = light.position.filter(|p| *p < self.plan.order.len());
        self.heat.ramp = light.held.clone();
        let clock = self.clock();
        let frames = |s: f64| clock.frames_in(std::time::Duration::from_secs_f64(s));
        self.heat.gliding_until = frames(light.held.glides_s()) + 2;
        self.rest_ends = light.rest_left_s.map(|left| frames((left - since_kept_s).max(0.0)));
        let fades: Vec<u64> = light.lamps.iter().map(|l| frames(l.fade_left_s)).collect();
        self.heat.lands = fades.iter().copied().max().unwrap_or(0);
        self.before_calibrate = light.before_calibrate.as_ref().and_then(|m| self.memory_of(m));
        self.before_meter = light.before_meter.as_ref().and_then(|m| self.memory_of(m));
        for ((id, was), frames) in ids.iter().zip(&light.lamps).zip(fades) {
            self.go_on(*id, was, frames);
            let lamp = &mut self.lamps[id.0];
            let moved = lamp.target.motion.is_some() && went_on_s > 0.0;
            if moved {
                lamp.moved_before_s += went_on_s;
            }
            self.as_it_was.push(!moved);
        }
        if light.rollcall {
            self.end_rollcall(0);
        }
        true
    }

    fn is_frame_of(&self, light: &KeptLight) -> bool {
        let frames = self.frames(0);
        let same = |(index, frame): (usize, &channels::Frame)| {
            let was = &light.outputs[index];
            was.name == self.plan.outputs[index].name
                && was.universe == frame.universe
                && was.slots == kept::hex(&frame.slots[..usize::from(frame.used)])
        };
        frames.len() == light.outputs.len() && frames.iter().enumerate().all(same)
    }

    /// A lamp with what it was last sent.
    fn lamp_as_it_was(&self, id: FixtureId, dark: &Lamp, was: &KeptLamp) -> Option<Lamp> {
        let fixture = self.plan.fixture(id);
        let slots = kept::bytes(&was.slots)?;
        if slots.len() != dark.sent.slots.len() {
            return None;
        }
        let mut lamp = dark.clone();
        lamp.absent.clone_from(&was.absent);
        lamp.asked = was.asked;
        lamp.sent.allowed = was.allowed;
        lamp.sent.allowed_xy = was.allowed_xy;
        lamp.sent.shape = was.mix;
        if fixture.address().is_some() {
            let given = channels::given(fixture, &slots);
            lamp.sent.lux = given.lux_at_1m * solve::gain(fixture);
            (lamp.sent.xy, lamp.sent.watts) = (given.xy, given.watts);
            (lamp.sent.drives, lamp.sent.light) = (given.drives, super::lamp::light_at_1m(&given));
            lamp.sent.slots = slots;
        }
        Some(lamp)
    }

    /// Leads a lamp that was put back on to where it was going.
    fn go_on(&mut self, id: FixtureId, was: &KeptLamp, frames: FrameNumber) {
        let target = self.target_of(id, &was.target);
        let fixture = &self.plan.fixtures[id.0];
        // A pinned mix is of no look, and what a lamp wants it looks for again.
        let mix = was.mix_to.filter(|_| fixture.prefer == Prefer::Rendering);
        let held = self.heat.held(id.0);
        let lamp = &mut self.lamps[id.0];
        lamp.turn(fixture, target, mix, 0, frames);
        lamp.moved_before_s = was.moved_s;
        if let Some(glide) = &was.glide {
            lamp.glide_on(glide);
        }
        if frames == 0 && lamp.target.base.lux <= 0.0 {
            lamp.dark_slots = Some(lamp.sent.slots.clone());
        }
        lamp.pin = was.pin.clone().filter(|pin| pin.slots.len() == lamp.sent.slots.len());
        let unheld =
            if held.holds() && !held.dark { was.allowed.lux / held.share() } else { was.allowed.lux };
        lamp.standing = Standing::at(unheld, was.allowed.lux);
    }

    /// Another plan: the look by its name, solved anew, if it is still there.
    fn bring_back(&mut self, light: &KeptLight, since_kept_s: f64, away: &str) {
        let (name, rest) = match &light.scene {
            KeptScene::Look(name) => (name, false),
            KeptScene::Rest(name) => (name, true),
            KeptScene::Dark => return,
            KeptScene::Only(_) | KeptScene::Calibrate(_) | KeptScene::Meter(_) | KeptScene::Take(_) => {
                let said = format!("{} was lit and the plan is another: dark", self.scene_said(&light.scene));
                self.openings.push(("light-not-returned", format!("{said}{}", self.way_back())));
                return;
            }
        };
        let Some(look) = self.plan.look_named(name) else {
            let said =
                format!("{} was lit and is no longer in the plan: dark", self.scene_said(&light.scene));
            self.openings.push(("light-not-returned", format!("{said}{}", self.way_back())));
            return;
        };
        let memory = self.memory.clone();
        self.bring_up(look, Some(0.0), 0);
        self.find_place_in_order(look);
        for (lamp, fixture) in self.lamps.iter_mut().zip(&self.plan.fixtures) {
            // It stands there still, so a greatest rise counts from there.
            let was = light.lamps.iter().find(|was| was.target.fixture == fixture.id);
            let lux = was.map_or(0.0, |was| was.allowed.lux);
            lamp.standing = Standing::at(lux, lux);
        }
        if rest {
            (self.memory, self.scene) = (memory, Scene::Rest(look));
            let left_s = (light.rest_left_s.unwrap_or(0.0) - since_kept_s).max(0.0);
            self.rest_ends = Some(self.clock().frames_in(std::time::Duration::from_secs_f64(left_s)));
        }
        let nudges = if light.nudged { ", without its nudges" } else { "" };
        let said = format!("{name} solved anew{nudges}: {away}, and the plan is another");
        self.openings.push(("light-returned", said));
    }

    fn memory_of(&self, kept: &KeptMemory) -> Option<Memory> {
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let target = |id: FixtureId| {
            let fixture = &self.plan.fixture(id).id;
            kept.targets.iter().find(|t| t.fixture == *fixture).map_or(dark, |t| self.target_of(id, t))
        };
        let targets = self.plan.fixture_ids().map(target).collect();
        Some(Memory { scene: self.scene_of(&kept.scene)?, targets, nudged: kept.nudged })
    }

    fn target_of(&self, id: FixtureId, kept: &KeptTarget) -> Moving {
        let look = kept.moves_in.as_ref().and_then(|name| self.plan.look_named(name));
        let target = look.and_then(|look| self.plan.look(look).target(id));
        self.steady(id, Moving::new(kept.base, target.and_then(|t| t.motion)))
    }

    /// What was lit, in words; no name while a face is protected, since another plan's are not known here.
    fn scene_said(&self, scene: &KeptScene) -> String {
        if self.protected() { "a light".to_owned() } else { said_of(scene) }
    }

    fn scene_of(&self, kept: &KeptScene) -> Option<Scene> {
        let look = |name: &str| -> Option<LookId> { self.plan.look_named(name) };
        let fixture = |id: &str| self.plan.fixtures.iter().position(|f| f.id == id).map(FixtureId);
        match kept {
            KeptScene::Dark => Some(Scene::Dark),
            KeptScene::Look(name) => look(name).map(Scene::Look),
            KeptScene::Rest(name) => look(name).map(Scene::Rest),
            KeptScene::Only(id) => fixture(id).map(Scene::Only),
            KeptScene::Calibrate(id) => fixture(id).map(Scene::Calibrate),
            KeptScene::Meter(name) => look(name).map(Scene::Meter),
            KeptScene::Take(_) => Some(Scene::Take),
        }
    }
}

/// What was lit, for a person.
fn said_of(scene: &KeptScene) -> String {
    match scene {
        KeptScene::Dark => "dark".to_owned(),
        KeptScene::Look(name) | KeptScene::Rest(name) => crate::words::short(name),
        KeptScene::Only(id) => format!("only {}", crate::words::short(id)),
        KeptScene::Calibrate(id) => format!("calibrate {}", crate::words::short(id)),
        KeptScene::Meter(name) => format!("meter {}", crate::words::short(name)),
        KeptScene::Take(number) => format!("take {}", crate::words::short(number)),
    }
}
