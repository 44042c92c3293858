//! One lamp's live state and its next frame.

use crate::channels;
use crate::guards::{self, Conditions, LimitSet, Standing};
use super::shape::ShapeFade;
use crate::light::{Colour, Demand, Moving, Shape, fade, mix, solve};
use crate::plan::{Fixture, Prefer};
use crate::units::{FrameClock, FrameNumber};

/// A fade under way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fade {
    pub from: Demand,
    pub start: FrameNumber,
    /// Frames that it takes; at `start + frames` it has landed.
    pub frames: u64,
    /// The lamp's floor at the lit end's colour, in lux.
    pub floor_lux: f64,
}

/// What was last sent to a lamp.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sent {
    /// What the guards let through, before rounding to slots: where the next fade starts.
    pub allowed: Demand,
    /// Its mix, and where the next fade of the mix starts.
    pub shape: Shape,
    /// What the slots stand for.
    pub lux: f64,
    pub xy: Option<crate::units::Xy>,
    /// Electrical power, standby included.
    pub watts: f64,
    pub limits: LimitSet,
    pub slots: Vec<u8>,
}

/// A lamp.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lamp {
    pub target: Moving,
    pub moving_since: FrameNumber,
    pub fade: Option<Fade>,
    /// Where its mix goes; read for lamps that prefer `rendering` alone.
    pub shape: ShapeFade,
    pub standing: Standing,
    pub absent: Option<String>,
    /// What was asked in the last frame, guards and rounding apart.
    pub asked: Demand,
    pub sent: Sent,
    /// True when the next frame can only be the same as the last.
    pub settled: bool,
}

impl Lamp {
    /// A lamp that has never been lit.
    pub fn dark(fixture: &Fixture, colour: Colour, now: &Conditions) -> Self {
        let asked = Demand { lux: 0.0, colour };
        let mut standing = Standing::default();
        let sent = send(fixture, &asked, None, now, &mut standing).0;
        Self {
            target: Moving::still(asked),
            moving_since: 0,
            fade: None,
            shape: ShapeFade::default(),
            standing,
            absent: fixture.absent.clone(),
            asked,
            sent,
            settled: false,
        }
    }

    /// Turns to another target from the light last sent, from frame `at` on. `shape`: of its mix at the
    /// end, where the lamp prefers `rendering` and it is known.
    pub fn turn(
        &mut self,
        fixture: &Fixture,
        target: Moving,
        shape: Option<Shape>,
        at: FrameNumber,
        frames: u64,
    ) {
        let from = self.sent.allowed;
        let end = target.at(0.0);
        let lit = fade::lit_colour(&from, &end);
        let full = solve::reach(fixture, &Demand { lux: 0.0, colour: lit }).full_lux;
        self.fade = Some(Fade { from, start: at, frames, floor_lux: full * fixture.limits.floor.get() });
        self.target = target;
        self.moving_since = at;
        self.settled = false;
        if fixture.prefer == Prefer::Rendering {
            self.turn_shape(fixture, shape, from, at, frames);
        }
    }

    /// The mix's own way to the target. A dark end has no mix: the lit end's is kept throughout.
    fn turn_shape(&mut self, fixture: &Fixture, known: Option<Shape>, from: Demand, at: FrameNumber, frames: u64) {
        let lit = self.target.base.lux > 0.0;
        let to = match known {
            Some(shape) if lit => shape,
            // Until it is found the lamp heads for the mix of most light.
            None if lit => solve::reach(fixture, &self.target.base).shape(fixture),
            _ => self.sent.shape,
        };
        let start = if from.lux > 0.0 { self.sent.shape } else { to };
        self.shape = ShapeFade { from: start, to, start: at, frames, wanted: lit && known.is_none() };
    }

    /// Works out frame `n`. `change` alters the demand on its way (a wink, a rollcall).
    pub fn frame(
        &mut self,
        fixture: &Fixture,
        n: FrameNumber,
        clock: FrameClock,
        now: &Conditions,
        change: impl Fn(Demand) -> Demand,
    ) {
        if self.settled {
            return;
        }
        let base = self.target.at(clock.seconds(n.saturating_sub(self.moving_since)));
        let (demand, fading) = match self.fade {
            Some(fade) if n < fade.start + fade.frames => {
                // Before its start, a cut of no frames too, the light stands.
                let progress = n.saturating_sub(fade.start) as f64 / fade.frames.max(1) as f64;
                (fade::between(&fade.from, &base, progress, fade.floor_lux), true)
            }
            Some(fade) => (fade::between(&fade.from, &base, 1.0, fade.floor_lux), false),
            // A dark lamp stays in the colour in which it went out.
            None if base.lux <= 0.0 => (Demand { lux: 0.0, colour: self.asked.colour }, false),
            None => (base, false),
        };
        if !fading {
            self.fade = None;
        }
        self.asked = change(demand);
        let shape = (fixture.prefer == Prefer::Rendering).then(|| self.shape.at(n));
        let (sent, settled) = send(fixture, &self.asked, shape.as_ref(), now, &mut self.standing);
        self.sent = sent;
        let mixed = shape.is_none() || (self.shape.over(n) && !self.shape.wanted);
        self.settled = settled && !fading && mixed && self.target.motion.is_none();
    }
}

/// Guards and slots of one demand; true if the same demand again would give the same.
fn send(
    fixture: &Fixture,
    asked: &Demand,
    shape: Option<&Shape>,
    now: &Conditions,
    standing: &mut Standing,
) -> (Sent, bool) {
    let reach = solve::reach_shaped(fixture, asked, shape);
    let allowed = guards::allow(fixture, &reach, now, standing);
    let settled = standing.settled(&allowed);
    let mut slots = Vec::new();
    let drives = if fixture.address().is_some() {
        slots.resize(usize::from(fixture.mode.footprint()), 0);
        channels::encode(fixture, &allowed, &mut slots);
        channels::decode(fixture, &slots)
    } else {
        // Set by hand: what the person was told to set is all that can be said.
        allowed.mix().map(|drive| drive * allowed.level())
    };
    let (lux_at_1m, xy) = mix::light_of(&fixture.emitters, &drives);
    let sent = Sent {
        allowed: Demand { lux: allowed.lux(), colour: reach.colour },
        shape: reach.shape(fixture),
        lux: lux_at_1m * solve::gain(fixture),
        xy,
        watts: (mix::watts_of(&fixture.emitters, &drives) + fixture.profile.standby).get(),
        limits: allowed.limits(),
        slots,
    };
    (sent, settled)
}
