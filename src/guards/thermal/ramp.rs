//! Brings the white lamps of a look down together when one of them has to come down, and up again.
//!
//! All white lamps get the same offset in stops, so their ratios hold; a coloured lamp has an offset of
//! its own. An offset grows by at most [`STOPS_PER_S`], which `cap` makes enough while nothing but time
//! changes. It shrinks no faster, and only to what every lamp can bear for ever: a lamp a hair under its
//! limit could do much more for a moment, and would go up and down for good.
//!
//! Two things go past the rate. *The limit wins*: where a lamp's cap asks more at once (the room got
//! warmer, it was found at its limit), that lamp alone comes down as far as it must, and the rest follow
//! slowly until ratios hold again. *A lowering that was asked for passes*: light is asked 2^(-offset), so
//! it falls when the asked light falls; and as far as all of it fell the offset may shrink at once,
//! since no lamp rises by that.
//!
//! Offsets are worked out before rounding. What is sent is rounded down, so it is cooler.

use serde::{Deserialize, Serialize};

use super::{Model, STOPS_PER_S, cap_w, sustainable_w};

/// An offset begins to shrink only once it can shrink by this much, in stops, or wholly. Judgement: a
/// reading of the room that flutters by a few tenths of a kelvin must not move the light.
const WORTH_STOPS: f64 = 0.1;

/// A lamp that would have to come down by more than this is sent dark instead, in stops, and comes back
/// from here. Judgement: under 1 % of what was asked, near the floor of most lamps; ratios mean nothing
/// there, so such a lamp does not bring the others down.
const DARK_STOPS: f64 = 7.0;

/// Differences under this are rounding, in stops.
const ROUNDING: f64 = 1e-6;

/// What the guard must know of one lamp in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampNow {
    /// True if it is asked a white, and so comes down with the others.
    pub white: bool,
    /// Light asked after every other guard, in any unit that is proportional to it; 0 is dark.
    pub asked: f64,
    /// Electrical power of the emitters at that light, in watts.
    pub asked_w: f64,
    /// Electrical power of the emitters in the last frame sent, in watts.
    pub sent_w: f64,
    /// Electrical power with every emitter dark, in watts.
    pub standby_w: f64,
    /// Its model and the estimate of its temperature in degrees Celsius; `None` for a lamp without limit.
    pub body: Option<(Model, f64)>,
}

impl LampNow {
    fn lit(&self) -> bool {
        self.asked > 0.0
    }

    /// Stops that it must come down from what is asked if that stands for `ahead_s` seconds.
    fn needs(&self, ambient_c: f64, ahead_s: f64) -> f64 {
        match self.body {
            Some((model, celsius)) if self.lit() && self.asked_w > 0.0 => {
                let cap = cap_w(&model, ambient_c, self.standby_w, celsius, self.asked_w, ahead_s);
                (self.asked_w / cap).log2().max(0.0)
            }
            _ => 0.0,
        }
    }

    /// Stops under what is asked that it can bear for ever; without bound where it bears nothing.
    fn bears(&self, ambient_c: f64) -> f64 {
        match self.body {
            Some((model, _)) if self.lit() && self.asked_w > 0.0 => {
                let bears = sustainable_w(&model, ambient_c, self.standby_w);
                if bears > 0.0 { (self.asked_w / bears).log2().max(0.0) } else { f64::INFINITY }
            }
            _ => 0.0,
        }
    }
}

/// What is held of one lamp.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Held {
    /// Stops under what was asked, 0 or more.
    pub stops: f64,
    /// True if it has to be dark: `stops` then only says where it will come back from.
    pub dark: bool,
    /// True if the limit won: it came down faster than the rate, and ratios do not hold with it.
    pub limit_won: bool,
}

impl Held {
    /// True if anything is held: more than rounding of the sums.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.dark || self.stops > ROUNDING
    }

    /// The share of what was asked that may be sent, 0 to 1.
    #[must_use]
    pub fn share(&self) -> f64 {
        if self.dark { 0.0 } else { (-self.stops).exp2() }
    }
}

/// When what holds the light is expected to end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ending {
    /// As asked again after about so many seconds.
    In(f64),
    /// Not while this look stands: it asks more than can be borne for ever.
    NotWhileThisStands,
}

/// An offset in stops that follows what is needed.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Offset {
    stops: f64,
    shrinking: bool,
}

impl Offset {
    /// One frame on. `need`: what it must be; `bears`: what it may shrink to; `freed`: by how many
    /// stops all that was asked fell; `step`: how far it may move.
    fn follow(&mut self, need: f64, bears: f64, freed: f64, step: f64) {
        let low = (self.stops - freed).max(0.0);
        if need > low {
            self.stops = need.min(self.stops + step);
            self.shrinking = false;
            return;
        }
        let worth = low - bears >= WORTH_STOPS || bears <= 0.0;
        self.shrinking = low > bears && (self.shrinking || worth);
        self.stops = if self.shrinking { (low - step).max(bears) } else { low };
    }
}

/// What is remembered of one lamp from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Standing {
    asked: f64,
    own: Offset,
    held: Held,
}

/// The offsets of all lamps, carried from frame to frame.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ramp {
    white: Offset,
    /// Offset that a recalled look will have, and the seconds left until it has landed.
    glide: Option<(f64, f64)>,
    lamps: Vec<Standing>,
    binds: Option<usize>,
}

impl Ramp {
    /// Nothing is held, for so many lamps.
    #[must_use]
    pub fn new(lamps: usize) -> Self {
        Self { lamps: vec![Standing::default(); lamps], ..Self::default() }
    }

    /// True if these offsets can be: of so many lamps, each number within what this module makes.
    #[must_use]
    pub fn possible(&self, lamps: usize) -> bool {
        let stops = |offset: f64| (0.0..=DARK_STOPS + 1.0).contains(&offset);
        let each = |l: &Standing| {
            // A lamp alone may be held further than the common offset goes.
            (0.0..=1e9).contains(&l.asked) && stops(l.own.stops) && (0.0..=100.0).contains(&l.held.stops)
        };
        let glide = self.glide.is_none_or(|(to, left_s)| stops(to) && (0.0..=1e5).contains(&left_s));
        self.lamps.len() == lamps
            && self.lamps.iter().all(each)
            && stops(self.white.stops)
            && glide
            && self.binds.is_none_or(|lamp| lamp < lamps)
    }

    /// Seconds until a recalled look's offset has landed; 0 where none is on its way.
    #[must_use]
    pub fn glides_s(&self) -> f64 {
        self.glide.map_or(0.0, |(_, left_s)| left_s)
    }

    /// Stops by which all white lamps are held under what was asked.
    #[must_use]
    pub fn stops(&self) -> f64 {
        self.white.stops
    }

    /// The white lamp for whose sake they are held, by its index.
    #[must_use]
    pub fn binds(&self) -> Option<usize> {
        self.binds
    }

    /// What is held of a lamp. Panics if there is no such lamp.
    #[must_use]
    pub fn held(&self, lamp: usize) -> Held {
        self.lamps[lamp].held
    }

    /// True if nothing is held: the next frame can only differ through `asked` and through heat.
    #[must_use]
    pub fn free(&self) -> bool {
        self.white.stops <= 0.0 && self.lamps.iter().all(|l| l.held.stops <= 0.0 && !l.held.dark)
    }

    /// A look was recalled, and lands in `over_s` seconds with all white lamps at `opening` stops under it
    /// ([`Self::opening`]): the offset goes there evenly meanwhile, so that ratios hold from the first
    /// moment. The change of light is one that was asked for, so the rate does not bind it, nor where a lamp
    /// needs more on the way. From the next
    /// frame on `asked` is taken to fade from what was last sent, of which nothing is held then.
    pub fn recalled(&mut self, opening: f64, over_s: f64) {
        for standing in &mut self.lamps {
            let asked = standing.asked * standing.held.share();
            *standing = Standing { asked, ..Standing::default() };
        }
        self.white = Offset::default();
        self.glide = Some((opening.max(0.0), over_s.max(0.0)));
    }

    /// The offset that a look of `lamps` must open with: `asked` and `asked_w` at its full light, landing
    /// in `over_s` seconds. Until then a lamp is taken to draw the more of what it draws and will draw.
    #[must_use]
    pub fn opening(lamps: &[LampNow], ambient_c: f64, over_s: f64, frame_s: f64) -> f64 {
        let landed = |lamp: &LampNow| {
            let body = lamp.body.map(|(model, celsius)| {
                let watts = lamp.sent_w.max(lamp.asked_w) + lamp.standby_w;
                let hotter = model.after(ambient_c, celsius, watts, over_s);
                (model, hotter.min(model.limit_c).max(celsius))
            });
            LampNow { body, ..*lamp }.needs(ambient_c, frame_s)
        };
        let white = lamps.iter().filter(|l| l.white && l.lit()).map(landed);
        white.filter(|need| *need <= DARK_STOPS).fold(0.0, f64::max)
    }

    /// Works out the frame that stands for the next `frame_s` seconds (above 0). `lamps`: as many as
    /// [`Self::new`] was told, in the same order.
    pub fn step(&mut self, lamps: &[LampNow], ambient_c: f64, frame_s: f64) {
        let step = STOPS_PER_S * frame_s;
        let was = self.white.stops;
        self.common(lamps, ambient_c, frame_s);
        let common = self.white.stops;
        for (lamp, standing) in lamps.iter().zip(&mut self.lamps) {
            let need = lamp.needs(ambient_c, frame_s);
            let freed = fell(standing.asked, lamp.asked);
            let held = standing.held;
            let (base, moved) = if lamp.white {
                (common, common - was)
            } else {
                let before = standing.own.stops;
                let bears = lamp.bears(ambient_c).min(DARK_STOPS);
                standing.own.follow(need.min(DARK_STOPS), bears, freed, step);
                (standing.own.stops, standing.own.stops - before)
            };
            let fresh = standing.asked <= 0.0 && !held.dark;
            // What it may come up by at once; a raise that is asked makes way for as much more offset.
            let may_fall = (freed + step).max(-moved);
            let kept = if fresh { 0.0 } else { held.stops - may_fall };
            let dark = stays_dark(need, lamp.bears(ambient_c), held);
            let stops = base.max(need.min(DARK_STOPS)).max(kept);
            let came_down = stops - held.stops - fell(lamp.asked, standing.asked);
            let by_limit = !fresh && (came_down > step.max(moved) + ROUNDING || dark);
            let limit_won = lamp.lit() && (by_limit || held.limit_won && stops > base + ROUNDING);
            standing.held = if lamp.lit() { Held { stops, dark, limit_won } } else { Held::default() };
            if !lamp.lit() {
                standing.own = Offset::default();
            }
            standing.asked = lamp.asked;
        }
    }

    /// The offset of all white lamps.
    fn common(&mut self, lamps: &[LampNow], ambient_c: f64, frame_s: f64) {
        let step = STOPS_PER_S * frame_s;
        let (mut need, mut bears) = (0.0, 0.0_f64);
        let mut freed = f64::INFINITY;
        let mut lit = false;
        self.binds = None;
        for (index, (lamp, standing)) in lamps.iter().zip(&self.lamps).enumerate() {
            if !lamp.white || !lamp.lit() {
                continue;
            }
            lit = true;
            if standing.asked > 0.0 {
                freed = freed.min(fell(standing.asked, lamp.asked));
            }
            let (its, for_ever) = (lamp.needs(ambient_c, frame_s), lamp.bears(ambient_c));
            if stays_dark(its, for_ever, standing.held) {
                continue;
            }
            bears = bears.max(for_ever.min(DARK_STOPS));
            if its > need {
                (need, self.binds) = (its, Some(index));
            }
        }
        if !lit {
            (self.white, self.glide) = (Offset::default(), None);
            return;
        }
        let freed = if freed.is_finite() { freed } else { 0.0 };
        if let Some((to, left_s)) = self.glide {
            let low = (self.white.stops - freed).max(0.0);
            let part = if left_s > frame_s { frame_s / left_s } else { 1.0 };
            let even = low + (to - low) * part;
            self.white = Offset { stops: even.max(need), shrinking: false };
            self.glide = (left_s > frame_s).then_some((to, left_s - frame_s));
            return;
        }
        self.white.follow(need, bears, freed, step);
    }

    /// When `lamp` is expected to be as asked again; `None` if it is not held. Panics if there is no such
    /// lamp.
    #[must_use]
    pub fn ending(&self, lamp: usize, lamps: &[LampNow], ambient_c: f64) -> Option<Ending> {
        let held = self.lamps[lamp].held;
        if held.stops <= ROUNDING && !held.dark {
            return None;
        }
        let with_it = |(index, other): (usize, &LampNow)| {
            (index == lamp || lamps[lamp].white && other.white && other.lit())
                .then(|| waits(other, ambient_c))
        };
        let all: Option<Vec<f64>> = lamps.iter().enumerate().filter_map(with_it).collect();
        Some(match all {
            Some(waits) => {
                let comes_up_s = held.stops / STOPS_PER_S;
                Ending::In(waits.into_iter().fold(0.0, f64::max) + comes_up_s)
            }
            None => Ending::NotWhileThisStands,
        })
    }
}

/// True if a lamp has to be dark. Once dark it stays so until it can be lit for ever: a moment's cooling
/// would not last.
fn stays_dark(need: f64, bears: f64, held: Held) -> bool {
    need > DARK_STOPS || held.dark && bears > DARK_STOPS
}

/// Stops that light fell by from `before` to `now`; 0 if it rose or was not lit.
fn fell(before: f64, now: f64) -> f64 {
    if before > 0.0 && now > 0.0 { (before / now).log2().max(0.0) } else { 0.0 }
}

/// Seconds until a lamp could begin to come up to what it is asked, `None` if that cannot be borne for
/// ever: the time in the dark until it is under its limit, 0 for most.
fn waits(lamp: &LampNow, ambient_c: f64) -> Option<f64> {
    let Some((model, celsius)) = lamp.body else { return Some(0.0) };
    let bears = sustainable_w(&model, ambient_c, lamp.standby_w);
    if lamp.asked_w > bears {
        return None;
    }
    let now = bears + (celsius - model.limit_c) / model.k_per_w;
    Some(if now > bears && bears > 0.0 { model.time_constant_s * (now / bears).ln() } else { 0.0 })
}
