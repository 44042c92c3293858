//! One lamp's live state and its next frame.

use serde::{Deserialize, Serialize};

use super::glide::Glide;
use super::shape::ShapeFade;
use crate::channels::{self, Given, Stand, Step};
use crate::guards::flash::PointLight;
use crate::guards::{self, Allowed, Conditions, Holds, Limit, LimitSet, Standing, Unheld};
use crate::light::{Colour, Demand, Moving, Reach, Shape, fade, mix, solve};
use crate::plan::{Fixture, MAX_EMITTERS, Prefer};
use crate::units::{FrameClock, FrameNumber, Xy};

/// Colours nearer to each other than this in u'v' are one colour that stands: what is between them is
/// rounding of the solver, as in `light::solve`.
const SAME_COLOUR_UV76: f64 = 1e-5;
/// Colours nearer than this are the same one, worked out twice.
const VERY_COLOUR_UV76: f64 = 1e-9;

/// A fade under way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fade {
    pub from: Demand,
    pub start: FrameNumber,
    /// Frames that it takes; at `start + frames` it has landed.
    pub frames: u64,
    /// The lamp's floor at the lit end's colour, in lux.
    pub floor_lux: f64,
    /// Which side of its floor it is on; `None` until its first frame.
    pub course: Option<Course>,
    /// It joins a fade that others have begun.
    pub late: Option<Late>,
}

/// What a fade joins late: one that the same recall began elsewhere, at its instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Late {
    /// Frames that the other has run at this one's start.
    pub ran: u64,
    /// Frames of the other in all.
    pub whole: u64,
    /// Frames in which this one glides into it.
    pub join: u64,
}

impl Fade {
    /// How far it is in frame `n`, 0 to 1. Before its start the light stands, at a cut of no frames too.
    fn progress(&self, n: FrameNumber) -> f64 {
        let gone = n.saturating_sub(self.start);
        let Some(late) = self.late else { return gone as f64 / self.frames.max(1) as f64 };
        let theirs = ((gone + late.ran) as f64 / late.whole.max(1) as f64).min(1.0);
        // A level start and end: neither the beginning nor the joining shows.
        let joined = (gone as f64 / late.join.max(1) as f64).min(1.0);
        theirs * joined * joined * (3.0 - 2.0 * joined)
    }
}

/// How a fade meets the lamp's floor: once at most, whatever colours and limits do on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Course {
    /// Lit at its end: from its first lit moment on it does not go under the floor.
    Lit,
    /// Lit at its start and dark at its end: cut where it first comes under the floor.
    GoesDark,
    /// Dark from here on.
    Dark,
}

/// A lamp whose colour moves and that was cut at its floor is lit again from this many times its floor on: a
/// tenth of a stop. Judgement, as in `guards`.
const LIT_AGAIN: f64 = 1.071_773_462_536_293_2;

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

    /// Light in lux that keeps to one side of the floor while it moves: the floor, or none, where what was
    /// asked is under it. `end`: where the fade goes.
    fn on_course(&mut self, fixture: &Fixture, now: &Conditions, reach: &Reach, end: Demand) -> f64 {
        let floor = fixture.limits.floor.get();
        let (lux, under) = (self.asked.lux, reach.level < floor);
        if floor <= 0.0 || lux <= 0.0 {
            return lux;
        }
        if self.fade.is_none() {
            self.cut = reach.level < if self.cut { floor * LIT_AGAIN } else { floor };
            return if self.cut { 0.0 } else { lux };
        }
        let course = self.fade.and_then(|fade| fade.course).unwrap_or_else(|| {
            let shape = (fixture.prefer == Prefer::Rendering).then_some(self.shape.to);
            let here = Conditions { absent: false, protected: false, ..*now };
            let lit =
                guards::forecast(fixture, &self.reach(fixture, &end, shape.as_ref()), &here).lux() > 0.0;
            match (self.sent.allowed.lux > 0.0, lit) {
                (_, true) => Course::Lit,
                (true, false) => Course::GoesDark,
                (false, false) => Course::Dark,
            }
        });
        let course = if course == Course::GoesDark && under { Course::Dark } else { course };
        if let Some(fade) = &mut self.fade {
            fade.course = Some(course);
        }
        match course {
            Course::Dark => 0.0,
            Course::Lit if under => reach.full_lux * floor,
            Course::Lit | Course::GoesDark => lux,
        }
    }

    /// Offers the frame that was begun, less what is held. A settled lamp of which the same is held
    /// stands as it is.
    pub fn offer(&mut self, fixture: &Fixture, now: &Conditions, holds: Holds) {
        if self.settled && self.holds == holds {
            return;
        }
        self.holds = holds;
        self.offer_anew(fixture, now);
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

    /// Guards and slots of what was begun.
    fn offer_anew(&mut self, fixture: &Fixture, now: &Conditions) {
        let Begun { reach, way, .. } = self.begun;
        let mut standing = self.standing;
        let allowed = guards::allow(fixture, &reach, now, &self.holds, &mut standing);
        let given = if fixture.address().is_some() {
            self.write_slots(fixture, now, &reach, &allowed, way);
            channels::given(fixture, &self.spare)
        } else {
            // Set by hand: what the person was told to set is all that can be said.
            channels::of_drives(fixture, allowed.mix().map(|drive| drive * allowed.level()))
        };
        self.offer = Some(Offer { whole: (allowed, standing), allowed, standing, given });
    }

    /// True if this frame may differ from the last.
    pub fn offers(&self) -> bool {
        self.offer.is_some()
    }

    /// True if any emitter of a driven lamp would rise.
    pub fn rises(&self) -> bool {
        let mut of_slots = self.offer.iter().filter(|_| !self.sent.slots.is_empty());
        of_slots.any(|o| o.given.drives.iter().zip(&self.sent.drives).any(|(offered, sent)| offered > sent))
    }

    /// Light at 1 m of what is offered, or else stands.
    pub fn offered(&self) -> PointLight {
        self.offer.as_ref().map_or(self.sent.light, |o| light_at_1m(&o.given))
    }

    /// The same if no emitter rose.
    pub fn lowered(&self, fixture: &Fixture) -> PointLight {
        let Some(offer) = self.offer.as_ref().filter(|_| fixture.address().is_some()) else {
            return self.sent.light;
        };
        let pairs = || offer.given.drives.iter().zip(&self.sent.drives);
        if pairs().all(|(offered, sent)| offered <= sent) {
            return light_at_1m(&offer.given);
        }
        if pairs().all(|(offered, sent)| offered >= sent) {
            return self.sent.light;
        }
        let mut drives = offer.given.drives;
        drives.iter_mut().zip(&self.sent.drives).for_each(|(drive, sent)| *drive = drive.min(*sent));
        light_of(fixture, &drives)
    }

    /// Light at 1 m of all that may be sent, not rounded to slots; `lowered`: if no emitter rose.
    pub fn unrounded(&self, fixture: &Fixture, lowered: bool) -> PointLight {
        let Some(offer) = self.offer.as_ref().filter(|_| fixture.address().is_some()) else {
            return self.sent.light;
        };
        let whole = &offer.whole.0;
        let mut drives = whole.mix().map(|drive| drive * whole.level());
        if lowered {
            drives.iter_mut().zip(&self.sent.drives).for_each(|(drive, sent)| *drive = drive.min(*sent));
        }
        light_of(fixture, &drives)
    }

    /// Offers `share` (0 to 1) of what rises instead, and all of what falls.
    pub fn hold_back(&mut self, fixture: &Fixture, share: f64) {
        let Some(mut offer) = self.offer.filter(|_| fixture.address().is_some()) else { return };
        if offer.given.lux_at_1m <= 0.0 {
            // A share of what rounding took away would light a lamp that has gone out, for a frame or some.
            return;
        }
        let (whole, before) = offer.whole;
        let mut standing = before;
        let mut allowed = guards::raise(fixture, &whole, &self.sent.drives, share, &mut standing);
        if allowed == offer.allowed {
            return;
        }
        offer.given = self.write_held(fixture, &allowed);
        if offer.given.lux_at_1m <= 0.0 && self.sent.lux > 0.0 {
            // Rounding would put it out while what rises waits, to be lit again by the same raise.
            let mut stood = before;
            if let Some(stands) = guards::stand_still(fixture, &whole, &self.sent.drives, &mut stood) {
                (allowed, standing) = (stands, stood);
                offer.given = self.write_held(fixture, &allowed);
            }
        }
        (offer.allowed, offer.standing) = (allowed, standing);
        self.offer = Some(offer);
    }

    /// Slots of what is left of a raise.
    fn write_held(&mut self, fixture: &Fixture, allowed: &Allowed) -> Given {
        let drives = allowed.mix().map(|drive| drive * allowed.level());
        let stands = |(drive, sent): (&f64, &f64)| (drive - sent).abs() <= 1e-12;
        if drives.iter().zip(&self.sent.drives).all(stands) && self.spare.len() == self.sent.slots.len() {
            // It stands, and so do its slots.
            self.spare.copy_from_slice(&self.sent.slots);
        } else {
            self.spare.clear();
            self.spare.resize(usize::from(fixture.mode.footprint()), 0);
            channels::encode(fixture, allowed, Step::Free, &mut self.spare);
        }
        channels::given(fixture, &self.spare)
    }

    /// Sends what was offered, if anything was.
    pub fn send_offered(&mut self, fixture: &Fixture) {
        let Some(Offer { allowed, standing, given, .. }) = self.offer.take() else { return };
        let Begun { reach, moves, .. } = self.begun;
        if fixture.address().is_some() {
            std::mem::swap(&mut self.sent.slots, &mut self.spare);
            self.sent.light = light_at_1m(&given);
        }
        let asked_colour = allowed.xy() == reach.xy;
        let colour = if asked_colour { reach.colour } else { Colour::Uv(allowed.xy().uv76()) };
        self.standing = standing;
        self.sent.allowed = Demand { lux: allowed.lux(), colour };
        self.sent.allowed_xy = allowed.xy();
        self.sent.shape = allowed.shape(fixture);
        self.sent.lux = given.lux_at_1m * solve::gain(fixture);
        self.sent.xy = given.xy;
        self.sent.watts = given.watts;
        self.sent.limits = allowed.limits();
        self.sent.drives = given.drives;
        self.settled = self.standing.settled(&allowed) && !moves;
    }

    /// Rounds to slots, into `spare`. The level of a colour that stands goes to its end without a step back; all else
    /// takes the best.
    fn write_slots(
        &mut self,
        fixture: &Fixture,
        now: &Conditions,
        reach: &Reach,
        allowed: &Allowed,
        way: Way,
    ) {
        let footprint = usize::from(fixture.mode.footprint());
        let same_mode = self.sent.slots.len() == footprint;
        let mut spare = std::mem::take(&mut self.spare);
        let mut step = Step::Free;
        if let Way::To { end, fading } = way
            && (fading || allowed.limits().has(Limit::Rise) || allowed.limits().has(Limit::SoftStart))
            && same_mode
        {
            if fading && self.stands(fixture, reach, allowed) {
                spare.clone_from(&self.sent.slots);
                self.spare = spare;
                return;
            }
            self.look_ahead(fixture, now, end);
            if let Some(landing) = &self.landing {
                step = self.step_to(fixture, landing, reach, allowed);
            }
        }
        spare.clear();
        spare.resize(footprint, 0);
        // Not on the way there: what a fade down has not reached yet would be a cut. Nor in a wink or a rollcall, which
        // ask for other light.
        let there = self.fade.is_none() && matches!(way, Way::To { .. });
        let exact = match self.pin.as_ref().filter(|_| there) {
            Some(pin) => channels::encode_exact(fixture, allowed, &pin.slots, &mut spare),
            None => false,
        };
        let exact = exact
            || self.fade.is_none()
                && allowed.level() <= 0.0
                && self.dark_slots.as_ref().is_some_and(|s| channels::encode_dark(fixture, s, &mut spare));
        if !exact {
            channels::encode(fixture, allowed, step, &mut spare);
        }
        self.spare = spare;
    }

    /// True if what was sent last is what is allowed now, as in a fade's first frame.
    fn stands(&self, fixture: &Fixture, reach: &Reach, allowed: &Allowed) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * a.max(b);
        if !near(self.sent.allowed.lux, allowed.lux())
            || self.sent.allowed_xy.uv76().distance(reach.xy.uv76()) > VERY_COLOUR_UV76
            || !self.sent.shape.near(&reach.shape(fixture))
        {
            return false;
        }
        let drives = channels::decode(fixture, &self.sent.slots);
        let lux = mix::light_of(&fixture.emitters, &drives).0;
        let watts = mix::watts_of(&fixture.emitters, &drives).get();
        let room = 1.0 + 1e-9;
        lux > 0.0 && lux <= allowed.lux_at_1m(fixture) * room && watts <= allowed.watts() * room
    }

    /// Works out what this lamp will be sent in the end, unless that is known.
    fn look_ahead(&mut self, fixture: &Fixture, now: &Conditions, end: Demand) {
        if self.landing.as_ref().is_some_and(|l| {
            l.demand == end && l.now == *now && l.slots.len() == usize::from(fixture.mode.footprint())
        }) {
            return;
        }
        let shape = (fixture.prefer == Prefer::Rendering).then_some(self.shape.to);
        let reach = self.reach(fixture, &end, shape.as_ref());
        let forecast = guards::forecast(fixture, &reach, now);
        let slots = match &self.pin {
            Some(pin) => channels::preview_exact(fixture, &forecast, &pin.slots),
            None => channels::preview(fixture, &forecast),
        };
        let lux_at_1m = mix::light_of(&fixture.emitters, &channels::decode(fixture, &slots)).0;
        let (allowed_lux, allowed_xy) = (forecast.lux(), reach.xy);
        let shape = reach.shape(fixture);
        self.landing =
            Some(Landing { demand: end, now: *now, allowed_lux, allowed_xy, shape, slots, lux_at_1m });
    }

    /// How rounding may step on the way to `landing`.
    fn step_to<'a>(
        &'a self,
        fixture: &Fixture,
        landing: &'a Landing,
        reach: &Reach,
        allowed: &Allowed,
    ) -> Step<'a> {
        let far = |xy: Xy| xy.uv76().distance(reach.xy.uv76()) > SAME_COLOUR_UV76;
        let was_lit = self.sent.allowed.lux > 0.0;
        if (landing.allowed_lux > 0.0 && far(landing.allowed_xy)) || (was_lit && far(self.sent.allowed_xy)) {
            return Step::Free;
        }
        // Where the mix moves, channels go either way though colour and level do not.
        let here = reach.shape(fixture);
        if (landing.allowed_lux > 0.0 && !landing.shape.near(&here))
            || (was_lit && !self.sent.shape.near(&here))
        {
            return Step::Free;
        }
        let from = Stand { slots: &self.sent.slots, lux_at_1m: self.sent.lux / solve::gain(fixture) };
        let to = Stand { slots: &landing.slots, lux_at_1m: landing.lux_at_1m };
        let room = 1.0 + 1e-9;
        let (was, is, end) = (self.sent.allowed.lux, allowed.lux(), landing.allowed_lux);
        if was <= is * room && is <= end * room {
            Step::Rising { from, to }
        } else if was * room >= is && is * room >= end {
            Step::Falling { from, to }
        } else {
            Step::Free
        }
    }
}

/// Light at 1 m, its modifiers' loss not in.
pub(super) fn light_at_1m(given: &Given) -> PointLight {
    given.xy.map_or(PointLight::DARK, |xy| PointLight::of(given.lux_at_1m, xy))
}

/// The same of emitter drives.
fn light_of(fixture: &Fixture, drives: &[f64; MAX_EMITTERS]) -> PointLight {
    let each = fixture.emitters.iter().zip(drives);
    let each = each.map(|(emitter, drive)| PointLight::of(emitter.lux_at_1m * drive, emitter.xy));
    each.fold(PointLight::DARK, |sum, light| sum + light)
}
