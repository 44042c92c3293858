//! One lamp's live state and its next frame.

mod fading;
mod offer;
mod slots;

pub(super) use fading::{Fade, Late};

use serde::{Deserialize, Serialize};

use super::glide::Glide;
use super::shape::ShapeFade;
use crate::channels::Given;
use crate::guards::flash::PointLight;
use crate::guards::{self, Allowed, Conditions, Holds, LimitSet, Standing, Unheld};
use crate::light::{Colour, Demand, Moving, Reach, Shape, fade, solve};
use crate::plan::{Fixture, MAX_EMITTERS, Prefer};
use crate::units::{FrameClock, FrameNumber, Xy};

/// Colours nearer to each other than this in u'v' are one colour that stands: what is between them is
/// rounding of the solver, as in `light::solve`.
const SAME_COLOUR_UV76: f64 = 1e-5;
/// Colours nearer than this are the same one, worked out twice.
const VERY_COLOUR_UV76: f64 = 1e-9;

/// A mix that a lamp is held to whatever its demand's colour: for readings of single channel values.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pin {
    /// Emitter drives at full, 0 to 1.
    pub mix: [f64; MAX_EMITTERS],
    /// Its colour as seen, by the plan's figures.
    pub xy: Option<Xy>,
    /// The slots that are to go out as they are, once they may.
    pub slots: Vec<u8>,
}

/// What was last sent to a lamp.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sent {
    /// What the guards let through, before rounding to slots: where the next fade starts.
    pub allowed: Demand,
    /// Its mix, and where the next fade of the mix starts.
    pub shape: Shape,
    /// The colour of that, as the lamp gives it.
    pub allowed_xy: Xy,
    /// What the slots stand for.
    pub lux: f64,
    pub xy: Option<Xy>,
    /// Electrical power, standby included.
    pub watts: f64,
    pub limits: LimitSet,
    pub slots: Vec<u8>,
    /// Emitter drives that the slots stand for, 0 to 1.
    pub drives: [f64; MAX_EMITTERS],
    /// Their light at 1 m, the modifiers' loss not in; dark for a lamp set by hand.
    pub light: PointLight,
}

/// What a lamp would be sent in the frame under way; its slots are in `spare`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Offer {
    /// All that may be sent, with what is remembered of it.
    whole: (Allowed, Standing),
    /// The same less what the flash guard holds.
    allowed: Allowed,
    standing: Standing,
    given: Given,
}

/// What the light that a lamp is on its way to will be sent as.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Landing {
    demand: Demand,
    now: Conditions,
    allowed_lux: f64,
    allowed_xy: Xy,
    /// Its mix.
    shape: Shape,
    slots: Vec<u8>,
    lux_at_1m: f64,
}

/// A lamp's light in a frame before heat has its say: what [`Lamp::begin`] found.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Begun {
    reach: Reach,
    way: Way,
    /// True while a fade or a motion runs.
    moves: bool,
}

/// Where a lamp's light is going in a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Way {
    /// Nowhere, or where rounding must not follow: a moving colour, a wink.
    Steady,
    /// On its way to this demand.
    To { end: Demand, fading: bool },
}

/// A lamp.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lamp {
    pub target: Moving,
    pub moving_since: FrameNumber,
    /// How far its motion was then, in seconds: more than none after a restart.
    pub moved_before_s: f64,
    pub fade: Option<Fade>,
    /// On its way to its start.
    pub glide: Option<Glide>,
    /// Until the next turn.
    pub pin: Option<Pin>,
    /// Holds from the end of the fade on: a mix that jumps with the fade's first frame would show.
    pub pin_later: Option<Pin>,
    /// Slots that it has while it is dark, until the next turn: its colour channels may stand anywhere.
    pub dark_slots: Option<Vec<u8>>,
    /// Where its mix goes; read for lamps that prefer `rendering` alone.
    pub shape: ShapeFade,
    pub standing: Standing,
    pub absent: Option<String>,
    /// What was asked in the last frame, guards and rounding apart.
    pub asked: Demand,
    pub sent: Sent,
    /// What every guard but the one for heat lets through.
    pub unheld: Unheld,
    /// What heat and circuits held of it in the frame last sent.
    pub holds: Holds,
    /// The frame under way, and then the last.
    begun: Begun,
    /// True when the next frame can only be the same as the last.
    pub settled: bool,
    /// True while its motion is under its floor.
    cut: bool,
    /// Where it is going, once that was needed.
    landing: Option<Landing>,
    /// Slots of the frame before the last, to be written over.
    spare: Vec<u8>,
    offer: Option<Offer>,
}

impl Lamp {
    /// A lamp that has never been lit.
    pub fn dark(fixture: &Fixture, colour: Colour, now: &Conditions) -> Self {
        let asked = Demand { lux: 0.0, colour };
        let sent = Sent {
            allowed: asked,
            allowed_xy: colour.xy(),
            shape: Shape::default(),
            lux: 0.0,
            xy: None,
            watts: fixture.profile.standby.get(),
            limits: LimitSet::NONE,
            slots: Vec::new(),
            drives: [0.0; MAX_EMITTERS],
            light: PointLight::DARK,
        };
        let begun = Begun { reach: solve::reach(fixture, &asked), way: Way::Steady, moves: false };
        let mut lamp = Self {
            target: Moving::still(asked),
            moving_since: 0,
            moved_before_s: 0.0,
            fade: None,
            glide: None,
            pin: None,
            pin_later: None,
            dark_slots: None,
            shape: ShapeFade::default(),
            standing: Standing::default(),
            absent: fixture.absent.clone(),
            asked,
            sent,
            unheld: Unheld::default(),
            holds: Holds::default(),
            begun,
            settled: false,
            cut: false,
            landing: None,
            spare: Vec::new(),
            offer: None,
        };
        lamp.offer_anew(fixture, now);
        lamp.send_offered(fixture);
        lamp.settled = false;
        lamp
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
        let mut from = self.sent.allowed;
        let end = target.at(0.0);
        let lit = fade::lit_colour(&from, &end);
        let reach = solve::reach(fixture, &Demand { lux: 0.0, colour: lit });
        if from.lux > 0.0
            && end.lux > 0.0
            && self.sent.allowed_xy.uv76().distance(reach.xy.uv76()) <= VERY_COLOUR_UV76
        {
            // A colour out of reach that is asked again: it stands. From the nearest that the lamp has to the one
            // that is asked it would go along the border of what the lamp can do.
            from.colour = end.colour;
        }
        self.fade = Some(Fade {
            from,
            start: at,
            frames,
            floor_lux: reach.full_lux * fixture.limits.floor.get(),
            course: None,
            late: None,
        });
        self.cut = false;
        (self.pin, self.pin_later, self.dark_slots) = (None, None, None);
        self.glide = None;
        self.landing = None;
        self.target = target;
        self.moving_since = at;
        self.moved_before_s = 0.0;
        self.settled = false;
        if fixture.prefer == Prefer::Rendering {
            self.turn_shape(fixture, shape, from, at, frames);
        }
    }

    /// The fade that has just been begun joins one that runs elsewhere, and its motion that one's.
    pub fn join(&mut self, late: Late, clock: FrameClock) {
        if let Some(fade) = &mut self.fade {
            fade.late = Some(late);
            self.moved_before_s = clock.seconds(late.ran);
        }
    }

    /// The shape that the mix heads for has been found at frame `n`; see [`ShapeFade::found`].
    pub fn found(&mut self, shape: Shape, n: FrameNumber, least: u64) {
        self.shape.found(shape, n, least);
        self.landing = None;
        self.settled = false;
    }

    /// The mix's own way to the target. A dark end has no mix: the lit end's is kept throughout.
    fn turn_shape(
        &mut self,
        fixture: &Fixture,
        known: Option<Shape>,
        from: Demand,
        at: FrameNumber,
        frames: u64,
    ) {
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

    /// How long its motion has run at frame `n`, in seconds.
    pub fn moved_s(&self, n: FrameNumber, clock: FrameClock) -> f64 {
        self.moved_before_s + clock.seconds(n.saturating_sub(self.moving_since))
    }

    /// Works out frame `n` of a lamp that no heat holds.
    #[cfg(test)]
    pub fn frame(
        &mut self,
        fixture: &Fixture,
        n: FrameNumber,
        clock: FrameClock,
        now: &Conditions,
        change: impl Fn(Demand) -> Demand,
    ) {
        self.begin(fixture, n, clock, now, change);
        self.offer(fixture, now, Holds::default());
        self.send_offered(fixture);
    }

    /// Works out what frame `n` is before heat has its say. `change` alters the demand on its way (a wink,
    /// a rollcall).
    pub fn begin(
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
        self.glide = self.glide.filter(|g| n < g.end());
        let base = self.base_at(n, clock);
        let (demand, fading) = match self.fade {
            Some(fade) if n < fade.start + fade.frames => {
                (fade::between(&fade.from, &base, fade.progress(n), fade.floor_lux), true)
            }
            Some(fade) => (fade::between(&fade.from, &base, 1.0, fade.floor_lux), false),
            // A dark lamp stays in the colour in which it went out.
            None if base.lux <= 0.0 => (Demand { lux: 0.0, colour: self.asked.colour }, false),
            None => (base, false),
        };
        if !fading {
            self.fade = None;
            if let Some(pin) = self.pin_later.take() {
                (self.pin, self.landing) = (Some(pin), None);
            }
        }
        let end = match self.fade {
            Some(fade) => fade::between(&fade.from, &base, 1.0, fade.floor_lux),
            None => demand,
        };
        self.asked = change(demand);
        let plain = self.target.motion.is_none() && self.asked == demand;
        let way = if plain { Way::To { end, fading } } else { Way::Steady };
        let shape = (fixture.prefer == Prefer::Rendering).then(|| self.shape.at(n));
        let mixed = shape.is_none() || (self.shape.over(n) && !self.shape.wanted);
        let mut reach = self.reach(fixture, &self.asked, shape.as_ref());
        if plain && fading || self.target.motion.is_some() {
            let lux = self.on_course(fixture, now, &reach, end);
            if lux != self.asked.lux {
                self.asked.lux = lux;
                reach = self.reach(fixture, &self.asked, shape.as_ref());
            }
        }
        let moves = fading || !mixed || self.target.motion.is_some();
        self.begun = Begun { reach, way, moves };
        self.unheld = guards::before_heat(fixture, &reach, now, &self.standing);
    }

    /// What the frame under way would be, in lux at the aim, with every rise over and nothing held for heat.
    pub fn unhindered_lux(&self, fixture: &Fixture, now: &Conditions) -> f64 {
        guards::forecast(fixture, &self.begun.reach, now).lux()
    }

    /// What the lamp can do towards a demand, of the one mix that it is held to if it is.
    fn reach(&self, fixture: &Fixture, demand: &Demand, shape: Option<&Shape>) -> Reach {
        match &self.pin {
            Some(pin) => solve::reach_of(fixture, pin.mix, pin.xy, demand.lux),
            None => solve::reach_shaped(fixture, demand, shape),
        }
    }
}

/// Light at 1 m, its modifiers' loss not in.
pub(super) fn light_at_1m(given: &Given) -> PointLight {
    given.xy.map_or(PointLight::DARK, |xy| PointLight::of(given.lux_at_1m, xy))
}
