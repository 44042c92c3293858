//! A light as the log holds it: every lamp's target and what was sent, every slot.

use super::{Engine, kept};
use crate::channels::Frame;
use crate::journal::{LampLight, LightRecord, SlotsRecord, frame_hash, sha256};
use crate::plan::{Fixture, FixtureId};
use crate::units::FrameNumber;

/// Digits of the hash of a lamp's figures that are kept: it tells apart, it proves nothing.
const FIGURES_DIGITS: usize = 16;

/// Changes with anything that turns the light of this lamp into slots.
pub(super) fn figures_hash(fixture: &Fixture) -> String {
    // Every figure is written to the last bit.
    let figures = format!(
        "{:?} {:?} {:?} {:?} {:?}",
        fixture.profile, fixture.mode, fixture.emitters, fixture.limits, fixture.prefer
    );
    let mut hash = sha256(figures.as_bytes());
    hash.truncate(FIGURES_DIGITS);
    hash
}

/// What is lit in frame `n`, the last that was sent.
pub(super) fn light(engine: &Engine, n: FrameNumber) -> LightRecord {
    let frames = engine.frames(n);
    let slots = |(output, frame): (&crate::plan::Output, &Frame)| SlotsRecord {
        output: output.name.clone(),
        universe: frame.universe,
        slots: kept::hex(&frame.slots[..usize::from(frame.used)]),
    };
    LightRecord {
        scene: engine.kept_scene(engine.scene),
        nudged: engine.nudged,
        plan: engine.plan.hash.clone(),
        lamps: engine.plan.fixture_ids().map(|id| lamp(engine, id, n)).collect(),
        outputs: engine.plan.outputs.iter().zip(&frames).map(slots).collect(),
        frame_hash: frame_hash(&frames),
    }
}

fn lamp(engine: &Engine, id: FixtureId, n: FrameNumber) -> LampLight {
    let fixture = engine.plan.fixture(id);
    let lamp = &engine.lamps[id.0];
    let target = engine.kept_target(id, &lamp.target);
    let figures = engine.recording.figures.get(id.0);
    let (lamp_trim, look_trim) = engine.trims_of(id);
    LampLight {
        fixture: fixture.id.clone(),
        body: fixture.body.as_ref().map(|b| b.name.clone()),
        profile: fixture.profile.name.clone(),
        profile_hash: figures.cloned().unwrap_or_else(|| figures_hash(fixture)),
        mode: fixture.mode.name.clone(),
        universe: fixture.address().map(|a| a.universe),
        first_slot: fixture.address().map(|a| a.first),
        demand: target.base,
        asked: engine.light(lamp.asked.lux, Some(lamp.asked.colour.xy())),
        moves_in: target.moves_in,
        moved_s: if lamp.target.motion.is_some() { lamp.moved_s(n, engine.clock()) } else { 0.0 },
        lamp_trim: lamp_trim.unwrap_or_default(),
        look_trim: look_trim.unwrap_or_default(),
        sent: engine.light(lamp.sent.lux, lamp.sent.xy),
        limited_by: lamp.sent.limits.iter().map(|l| l.word().to_owned()).collect(),
        absent: lamp.absent.clone(),
        slots: kept::hex(&lamp.sent.slots),
    }
}
