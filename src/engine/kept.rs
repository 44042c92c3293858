//! What is kept of a set between two starts: heat, the light as it was last sent, the open take.
//!
//! Plain data: `state_file` writes and reads it, `start` takes it up again. Everything here was once on
//! a disk that may be spoilt, so [`Kept::possible`] (`kept_possible`) is asked before any of it is believed.

use serde::{Deserialize, Serialize};

use super::glide::KeptGlide;
use super::heat::KeptBody;
use super::lamp::{Lamp, Pin};
use super::load::KeptBattery;
use super::on_time::KeptOn;
use super::state::{Memory, Scene};
use super::trims_kept::KeptTrims;
use super::{Action, Engine};
use crate::guards::thermal::Ramp;
use crate::light::{Demand, Moving, Shape};
use crate::meter::Noted;
use crate::plan::{FixtureId, LookId};
use crate::units::{FrameNumber, Xy};

/// How often everything is kept though nothing but time has changed it, in seconds.
const KEPT_EVERY_S: u64 = 10;

/// Everything that is kept of one set.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// [`crate::plan::Plan::hash`] of the plan in force.
    pub plan: String,
    /// The bodies' heat.
    pub bodies: Vec<KeptBody>,
    /// What each battery has given.
    pub batteries: Vec<KeptBattery>,
    /// The light; `None` counts as dark.
    pub light: Option<KeptLight>,
    /// What `again` brings back.
    pub again: Option<KeptMemory>,
    /// The take that rolls.
    pub take: Option<KeptTake>,
    /// How many takes each slate has had, the latest last.
    pub slates: Vec<KeptSlate>,
    /// Log number of the latest take. Files of older versions do not say it.
    #[serde(default)]
    pub takes: u64,
    /// How long lamps have been on. Files of older versions do not say it.
    #[serde(default)]
    pub on: Vec<KeptOn>,
    /// True if the identity guard held lamps: where it is off at the start, those stay dark until a recall.
    /// Files of older versions do not say it.
    #[serde(default)]
    pub protected: bool,
    /// Trims of lamps and looks.
    #[serde(default)]
    pub trims: KeptTrims,
    /// Meter readings, the newest last; their times count from when this was kept.
    #[serde(default)]
    pub readings: Vec<Noted>,
    /// Number of the last reading.
    #[serde(default)]
    pub last_reading: u64,
}

/// How many takes a slate has had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptSlate {
    /// The slate.
    pub slate: String,
    /// Its takes so far.
    pub takes: u32,
}

/// A take that rolled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptTake {
    /// Slate and take: `4/3`.
    pub name: String,
    /// Its log number; 0 in files of older versions.
    #[serde(default)]
    pub number: u64,
    /// Wall time of its start, RFC 3339 in UTC, for people; empty until it is written.
    pub started: String,
    /// How long it had rolled, in seconds.
    pub rolled_s: f64,
    /// True if a `dark` had come in it.
    pub darkened: bool,
    /// Why it is not steady, in words.
    pub why: Vec<String>,
}

/// What was lit, by names that outlive a plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum KeptScene {
    /// Nothing.
    Dark,
    /// A look, by name.
    Look(String),
    /// The rest look, by name.
    Rest(String),
    /// One lamp alone, by its fixture's id.
    Only(String),
    /// One lamp at one channel value, by its fixture's id.
    Calibrate(String),
    /// A step of the metering walk of a look, by the look's name.
    Meter(String),
    /// What was lit in a take, by its log number, such as `n12`.
    Take(String),
}

/// What a lamp is asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptTarget {
    /// The fixture's id.
    pub fixture: String,
    /// Its light and colour.
    pub base: Demand,
    /// The look whose motion it has, if it moves.
    pub moves_in: Option<String>,
}

/// Light to come back to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptMemory {
    /// What it was.
    pub scene: KeptScene,
    /// True if nudges are in it.
    pub nudged: bool,
    /// What each lamp was asked.
    pub targets: Vec<KeptTarget>,
}

/// The last frame of one output.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptOutput {
    /// The output's name.
    pub name: String,
    /// Its universe.
    pub universe: u16,
    /// Slots from 1 to the last in use, two hex digits each.
    pub slots: String,
}

/// One lamp as it was last sent, and where it was going. Nudges are in its target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptLamp {
    /// What it is asked.
    pub target: KeptTarget,
    /// How long its motion has run, in seconds.
    pub moved_s: f64,
    /// Its motion's way to its start, where a take has just begun.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub glide: Option<KeptGlide>,
    /// What is left of its fade, in seconds; 0 where none runs.
    pub fade_left_s: f64,
    /// What was asked of it in the last frame.
    pub asked: Demand,
    /// What the guards let through of that.
    pub allowed: Demand,
    /// The colour of that as the lamp gives it.
    pub allowed_xy: Xy,
    /// The mix of that.
    pub mix: Shape,
    /// The mix that it is on its way to; `None` while that is not found.
    pub mix_to: Option<Shape>,
    /// The mix that it is held to.
    pub pin: Option<Pin>,
    /// Why it is not here.
    pub absent: Option<String>,
    /// Its slots, two hex digits each.
    pub slots: String,
}

/// The light as it was last sent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptLight {
    /// What was lit.
    pub scene: KeptScene,
    /// True if a person had nudged it.
    pub nudged: bool,
    /// Index of the step in the running order.
    pub position: Option<usize>,
    /// Seconds until the rest look would have gone dark.
    pub rest_left_s: Option<f64>,
    /// True if a rollcall ran.
    pub rollcall: bool,
    /// What was scheduled, in words; it is not done after a start.
    pub scheduled: Option<String>,
    /// The light from before a calibration.
    pub before_calibrate: Option<KeptMemory>,
    /// The light from before a metering walk.
    #[serde(default)]
    pub before_meter: Option<KeptMemory>,
    /// The last frame.
    pub outputs: Vec<KeptOutput>,
    /// Every lamp.
    pub lamps: Vec<KeptLamp>,
    /// What heat held.
    pub held: Ramp,
}

/// When and how often the state is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Keeps {
    /// Frame in which it was kept last.
    last: FrameNumber,
    /// True if something has changed since.
    pub changed: bool,
    /// True if that must not wait.
    pub at_once: bool,
}

/// Two hex digits a byte.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The bytes of [`hex`]; `None` for anything else.
pub(super) fn bytes(hex: &str) -> Option<Vec<u8>> {
    let digit = |b: u8| char::from(b).to_digit(16).and_then(|d| u8::try_from(d).ok());
    let (pairs, rest) = hex.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    pairs.iter().map(|[high, low]| Some(digit(*high)? << 4 | digit(*low)?)).collect()
}

impl Engine {
    /// Everything that is to outlive this run.
    pub(super) fn kept(&self) -> Kept {
        Kept {
            plan: self.plan.hash.clone(),
            bodies: self.kept_heat(),
            batteries: self.kept_batteries(),
            light: Some(self.kept_light()),
            again: self.memory.as_ref().map(|m| self.kept_memory(m)),
            take: self.kept_take(),
            slates: self.slates.kept(),
            takes: self.takes,
            on: self.kept_on_times(&self.plan.fixtures),
            protected: self.protected(),
            trims: self.trims.kept.clone(),
            readings: self.readings.kept(self.now_s()),
            last_reading: self.readings.last_id,
        }
    }

    fn kept_light(&self) -> KeptLight {
        let n = self.last.unwrap_or(0);
        let left_s = |end: FrameNumber| self.clock().seconds(end.saturating_sub(n));
        let frame = |(index, frame): (usize, crate::channels::Frame)| KeptOutput {
            name: self.plan.outputs[index].name.clone(),
            universe: frame.universe,
            slots: hex(&frame.slots[..usize::from(frame.used)]),
        };
        KeptLight {
            scene: self.kept_scene(self.scene),
            nudged: self.nudged,
            position: self.position,
            rest_left_s: self.rest_ends.map(left_s),
            rollcall: self.rollcall.is_some(),
            scheduled: self.waiting.as_ref().map(|w| w.what.clone()),
            before_calibrate: self.before_calibrate.as_ref().map(|m| self.kept_memory(m)),
            before_meter: self.before_meter.as_ref().map(|m| self.kept_memory(m)),
            // Not what a lamp is tried with beside its address: that ends with the daemon, the light does not.
            outputs: self.frames_at_home(n).into_iter().enumerate().map(frame).collect(),
            lamps: self.plan.fixture_ids().map(|id| self.kept_lamp(id, n)).collect(),
            held: self.heat.ramp.clone(),
        }
    }

    fn kept_lamp(&self, id: FixtureId, n: FrameNumber) -> KeptLamp {
        let lamp: &Lamp = &self.lamps[id.0];
        let left = lamp.fade.map_or(0, |f| (f.start + f.frames).saturating_sub(n));
        KeptLamp {
            target: self.kept_target(id, &lamp.target),
            moved_s: lamp.moved_s(n, self.clock()),
            glide: lamp.kept_glide(n, self.clock()),
            fade_left_s: self.clock().seconds(left),
            asked: lamp.asked,
            allowed: lamp.sent.allowed,
            allowed_xy: lamp.sent.allowed_xy,
            mix: lamp.sent.shape,
            mix_to: (!lamp.shape.wanted).then_some(lamp.shape.to),
            pin: lamp.pin.clone(),
            absent: lamp.absent.clone(),
            slots: hex(&lamp.sent.slots),
        }
    }

    pub(super) fn kept_target(&self, id: FixtureId, target: &Moving) -> KeptTarget {
        let same = |l: &&crate::plan::Look| l.target(id).is_some_and(|t| t.motion == target.motion);
        let moves_in = target.motion.and_then(|_| self.plan.looks.iter().find(same));
        KeptTarget {
            fixture: self.plan.fixture(id).id.clone(),
            base: target.base,
            moves_in: moves_in.map(|l| l.name.clone()),
        }
    }

    fn kept_memory(&self, memory: &Memory) -> KeptMemory {
        let targets = self.plan.fixture_ids().zip(&memory.targets);
        KeptMemory {
            scene: self.kept_scene(memory.scene),
            nudged: memory.nudged,
            targets: targets.map(|(id, target)| self.kept_target(id, target)).collect(),
        }
    }

    pub(super) fn kept_scene(&self, scene: Scene) -> KeptScene {
        let look = |id: LookId| self.plan.look(id).name.clone();
        let fixture = |id: FixtureId| self.plan.fixture(id).id.clone();
        match scene {
            Scene::Dark => KeptScene::Dark,
            Scene::Look(id) => KeptScene::Look(look(id)),
            Scene::Rest(id) => KeptScene::Rest(look(id)),
            Scene::Only(id) => KeptScene::Only(fixture(id)),
            Scene::Calibrate(id) => KeptScene::Calibrate(fixture(id)),
            Scene::Meter(id) => KeptScene::Meter(look(id)),
            Scene::Take => KeptScene::Take(self.lit_take.clone()),
        }
    }

    /// Has the state kept after frame `n` if it changed, at most once a second unless it must not wait, and
    /// now and then in any case: heat goes on, and the time of the last keeping tells how long the next
    /// start was away.
    pub(super) fn keep_state(&mut self, n: FrameNumber, moving: bool) -> Option<Action> {
        let rate = u64::from(self.clock().rate());
        self.keeps.changed |= moving;
        let due = self.keeps.changed && (n >= self.keeps.last + rate || self.keeps.last == 0);
        if !(self.keeps.at_once || due || n.is_multiple_of(KEPT_EVERY_S * rate) && n > 0) {
            return None;
        }
        Some(self.keep_now(n))
    }

    /// Has the state kept now.
    pub(super) fn keep_now(&mut self, n: FrameNumber) -> Action {
        self.keeps = Keeps { last: n, ..Keeps::default() };
        Action::Keep(Box::new(self.kept()))
    }

    /// Frame numbers of another rate.
    pub(super) fn keeps_from(&mut self, n: FrameNumber) {
        self.keeps.last = n;
    }
}

impl Kept {
    /// Every text in it that a plan or a person named something by, slates apart.
    pub(super) fn names(&self) -> Vec<&str> {
        let light = self.light.as_ref();
        let memories = self.again.iter().chain(light.and_then(|l| l.before_calibrate.as_ref()));
        let memories = memories.chain(light.and_then(|l| l.before_meter.as_ref()));
        let scenes = memories.clone().map(|m| &m.scene).chain(light.map(|l| &l.scene));
        let scenes = scenes.filter_map(|scene| match scene {
            KeptScene::Dark | KeptScene::Take(_) => None,
            KeptScene::Look(name) | KeptScene::Rest(name) | KeptScene::Meter(name) => Some(name),
            KeptScene::Only(id) | KeptScene::Calibrate(id) => Some(id),
        });
        let lamps = || light.into_iter().flat_map(|l| &l.lamps);
        let targets = memories.flat_map(|m| &m.targets).chain(lamps().map(|l| &l.target));
        let targets = targets.flat_map(|t| std::iter::once(&t.fixture).chain(&t.moves_in));
        let texts = lamps().filter_map(|l| l.absent.as_ref());
        let texts = texts.chain(light.and_then(|l| l.scheduled.as_ref()));
        let bodies = self.bodies.iter().map(|b| &b.lamp).chain(self.batteries.iter().map(|b| &b.lamp));
        let readings = self.readings.iter().flat_map(|n| {
            let lamps = n.lamps.iter().flat_map(|l| [&l.fixture, &l.lamp]);
            lamps.chain(&n.look).chain(&n.instrument)
        });
        let bodies = bodies.chain(self.on.iter().map(|on| &on.lamp));
        let named = scenes.chain(targets).chain(texts).chain(bodies).chain(readings).map(String::as_str);
        named.chain(self.trims.names()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slots_are_written_as_two_hex_digits_each_and_nothing_else_is_read() {
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(&hex(&all)[..8], "00010203");
        assert_eq!(bytes(&hex(&all)), Some(all));
        for bad in ["0", "0g", "é0", "00 1", "+1"] {
            assert_eq!(bytes(bad), None, "{bad}");
        }
    }
}
