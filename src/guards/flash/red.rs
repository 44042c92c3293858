//! Changes to and from saturated red at a point, at any luminance.
//!
//! Source: WCAG 2.2, "general flash and red flash thresholds" (from memory): a pair of opposing changes,
//! one of them to or from a state with R/(R+G+B) of 0.8 or more in linear sRGB, the two states more than
//! 0.2 apart in u'v'. How a state between is counted is left open there: here a change counts as
//! soon as the colour is that far from any that it has had since the last counted change.

use super::light::PointLight;
use super::stamps::Stamps;
use crate::units::{FrameNumber, Uv76};

/// Changes in any second after which no raise may make another. One less than for brightness: two lowerings
/// in a row may each change the colour, and they are never held.
const BEFORE_A_RAISE: usize = 3;
/// R/(R+G+B) of a saturated red: 0.8, less a hair for rounding.
const RED: f64 = 0.795;
/// Distance in u'v' of two states that makes a change: 0.2, less a hair for rounding.
const APART: f64 = 0.198;

/// A rectangle in u'v' round all colours that were taken.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Area {
    low: Uv76,
    high: Uv76,
}

impl Area {
    fn with(area: Option<Self>, uv: Uv76) -> Self {
        let Some(Self { low, high }) = area else { return Self { low: uv, high: uv } };
        Self {
            low: Uv76 { u: low.u.min(uv.u), v: low.v.min(uv.v) },
            high: Uv76 { u: high.u.max(uv.u), v: high.v.max(uv.v) },
        }
    }

    /// Distance to the farthest corner: no colour inside is farther.
    fn farthest(&self, uv: Uv76) -> f64 {
        let far = |x: f64, low: f64, high: f64| (x - low).abs().max((x - high).abs());
        far(uv.u, self.low.u, self.high.u).hypot(far(uv.v, self.low.v, self.high.v))
    }
}

/// What a point has shown since a change.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Had {
    /// Saturated reds.
    reds: Option<Area>,
    /// All colours.
    colours: Option<Area>,
    /// Whether it has been dark: darkness has no colour, and counts as far from red.
    dark: bool,
}

impl Had {
    /// True if this light would be a change from any of it.
    fn changes(&self, light: PointLight) -> bool {
        let Some(uv) = light.uv76() else { return self.reds.is_some() };
        let apart = |area: Option<Area>| area.is_some_and(|a| a.farthest(uv) > APART);
        apart(self.reds) || is_red(light) && (self.dark || apart(self.colours))
    }

    fn note(&mut self, light: PointLight) {
        let Some(uv) = light.uv76() else {
            self.dark = true;
            return;
        };
        self.colours = Some(Area::with(self.colours, uv));
        if is_red(light) {
            self.reds = Some(Area::with(self.reds, uv));
        }
    }
}

/// What the red counter knows of a point.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reds {
    /// What it has shown since the last change.
    had: Had,
    /// What it had shown before the last change, where that was one too many: made by lowering, which is not held.
    /// It may lie a hair under the rule's 0.2, and no raise may then take the light the rest of the way.
    before: Option<Had>,
    stamps: Stamps<{ BEFORE_A_RAISE + 1 }>,
}

impl Reds {
    /// A point without a past.
    pub fn new() -> Self {
        Self { had: Had::default(), before: None, stamps: Stamps::NONE }
    }

    /// A point with a past that is not known and this light now.
    pub fn after(light: PointLight, now: FrameNumber) -> Self {
        let mut reds = Self { stamps: Stamps::full(now), ..Self::new() };
        reds.had.note(light);
        reds
    }

    /// This light was sent at frame `now`. `window`: frames in a second.
    pub fn take(&mut self, light: PointLight, now: FrameNumber, window: u64) {
        if self.had.changes(light) {
            let full = self.stamps.full_until(BEFORE_A_RAISE + 1, now, window).is_some();
            let had = std::mem::take(&mut self.had);
            self.before = full.then_some(had);
            self.stamps.push(now);
        }
        self.had.note(light);
    }

    /// If this light would be one change too many: the frame from which it may be.
    pub fn holds(&self, light: PointLight, now: FrameNumber, window: u64) -> Option<FrameNumber> {
        let changes = || self.had.changes(light) || self.before.is_some_and(|had| had.changes(light));
        self.stamps.full_until(BEFORE_A_RAISE + 1, now, window).filter(|_| changes())
    }
}

fn is_red(light: PointLight) -> bool {
    light.red_share().is_some_and(|share| share >= RED)
}
