//! What one lamp is asked to give: light at what it is aimed at, and a colour.

use serde::{Deserialize, Serialize};

use crate::light::{colour, motion};
use crate::plan::{ColourTarget, Motion};
use crate::units::{Duv, Kelvin, Uv76, Xy};

/// A colour on its way: a white keeps its mired and Duv, so that a fade between whites is even in both.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Colour {
    /// A white.
    White {
        /// Reciprocal colour temperature, 50 to 1000 mired.
        mired: f64,
        /// Tint, -0.05 to 0.05.
        duv: f64,
    },
    /// Any other colour, in CIE 1976 u'v'.
    Uv(Uv76),
}

impl Colour {
    /// A white by colour temperature and tint.
    #[must_use]
    pub fn white(kelvin: Kelvin, duv: Duv) -> Self {
        Self::White { mired: kelvin.mired().get(), duv: duv.get() }
    }

    /// The colour of a target.
    #[must_use]
    pub fn of(target: &ColourTarget) -> Self {
        match *target {
            ColourTarget::White(kelvin, duv) => Self::white(kelvin, duv),
            ColourTarget::Xy(xy) => Self::Uv(xy.uv76()),
            ColourTarget::HueSaturation { hue_deg, saturation, white } => {
                let centre = colour::xy_of(white, Duv::ZERO);
                Self::Uv(colour::xy_of_hue(centre, hue_deg, saturation.get()).uv76())
            }
        }
    }

    /// Its chromaticity.
    #[must_use]
    pub fn xy(self) -> Xy {
        match self {
            Self::White { mired, duv } => colour::xy_of(Kelvin::clamped(1e6 / mired), Duv::clamped(duv)),
            Self::Uv(uv) => uv.xy(),
        }
    }

    /// The way from this colour to `other`, `progress` 0 to 1: even in mired and Duv between two
    /// whites, else straight in u'v'.
    #[must_use]
    pub fn towards(self, other: Self, progress: f64) -> Self {
        if progress <= 0.0 {
            return self;
        }
        if progress >= 1.0 || self == other {
            return other;
        }
        if let (Self::White { mired: m0, duv: d0 }, Self::White { mired: m1, duv: d1 }) = (self, other) {
            return Self::White { mired: m0 + (m1 - m0) * progress, duv: d0 + (d1 - d0) * progress };
        }
        Self::Uv(self.xy().uv76().towards(other.xy().uv76(), progress))
    }
}

/// Light and colour that one lamp alone should give at what it is aimed at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Demand {
    /// Illuminance in lux there; 0 is dark.
    pub lux: f64,
    /// Colour; a dark lamp keeps one too, that of its lit end, so that it neither starts nor ends
    /// in another colour.
    pub colour: Colour,
}

impl Demand {
    /// True if lux and colour can be: a file that may be spoilt or another's must not bring figures that no plan can.
    #[must_use]
    pub fn possible(&self) -> bool {
        let colour = match self.colour {
            Colour::White { mired, duv } => {
                (50.0 - 1e-6..=1000.0 + 1e-6).contains(&mired) && (-0.05 - 1e-9..=0.05 + 1e-9).contains(&duv)
            }
            Colour::Uv(uv) => (0.0..=1.0).contains(&uv.u) && (1e-3..=1.0).contains(&uv.v),
        };
        (0.0..=1e9).contains(&self.lux) && colour
    }
}

/// A demand that may move by itself, from a starting moment on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moving {
    /// The demand about which it moves.
    pub base: Demand,
    /// How it moves.
    pub motion: Option<Motion>,
    /// The most light in lux that keeps its level all the way of the motion, found by `guards::course`;
    /// infinite where that has not been asked.
    pub most_lux: f64,
    /// The least light in lux that it may have on its way: the lamp's floor at its brightest colour, under
    /// which light would go out and pop up again.
    pub least_lux: f64,
}

impl Moving {
    /// One that stands still.
    #[must_use]
    pub const fn still(base: Demand) -> Self {
        Self::new(base, None)
    }

    /// One whose lamp's limits are not known.
    #[must_use]
    pub const fn new(base: Demand, motion: Option<Motion>) -> Self {
        Self { base, motion, most_lux: f64::INFINITY, least_lux: 0.0 }
    }

    /// The most light that it has on its way, in lux: what is asked, or what keeps its level; 0 where that
    /// is under its floor somewhere on the way.
    #[must_use]
    pub fn top_lux(&self) -> f64 {
        let top = self.base.lux.min(self.most_lux);
        if top < self.least_lux { 0.0 } else { top }
    }

    /// The demand `seconds` after the motion's start; below 0 before it.
    #[must_use]
    pub fn at(&self, seconds: f64) -> Demand {
        let Some(motion) = &self.motion else { return self.base };
        let pose = motion::pose(motion, self.base.colour, seconds);
        let top = self.top_lux();
        let lux = if top > 0.0 { (top * pose.share).max(self.least_lux) } else { 0.0 };
        Demand { lux, colour: pose.colour }
    }
}
