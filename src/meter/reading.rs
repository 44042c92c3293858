//! One reading: what the meter showed, where it was held, and what was lit.

use serde::{Deserialize, Serialize};

use super::point::Spot;
use crate::light::reading::Reading;
use crate::light::typed;
use crate::light::{Trim, colour};
use crate::plan::Exposure;
use crate::units::{Duv, Kelvin, Xy};

/// The constant of ISO 2720 for a dome: the middle of what practice.md quotes, 330 to 340 (from memory). A flat
/// receptor has the plan's.
const DOME_CONSTANT: f64 = 335.0;

/// What catches the light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Receptor {
    /// A flat disc: light counts by the cosine of its angle.
    #[default]
    Flat,
    /// A dome (half a sphere): light from the side counts half, a little from behind.
    Dome,
}

impl Receptor {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Flat => "flat",
            Self::Dome => "dome",
        }
    }

    /// The exposure by which its f-numbers are turned into lux.
    #[must_use]
    pub fn exposure(self, plan: &Exposure) -> Exposure {
        match self {
            Self::Flat => *plan,
            Self::Dome => Exposure { constant: DOME_CONSTANT, ..*plan },
        }
    }
}

/// What a meter showed.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seen {
    /// Illuminance in lux.
    pub lux: Option<f64>,
    /// True if the light was less than `lux`, which the meter cannot tell.
    pub under: bool,
    /// Colour temperature in kelvin.
    pub kelvin: Option<f64>,
    /// Tint in Duv.
    pub duv: Option<f64>,
    /// Chromaticity, CIE 1931.
    pub xy: Option<Xy>,
}

impl Seen {
    /// Of what was typed.
    #[must_use]
    pub fn of(typed: &typed::Reading) -> Self {
        Self { lux: typed.lux, under: typed.under, kelvin: typed.kelvin, duv: typed.duv, xy: typed.xy }
    }

    /// Illuminance in lux; nothing where the meter showed none.
    #[must_use]
    pub fn light(&self) -> Option<f64> {
        self.lux.map(|lux| if self.under { 0.0 } else { lux })
    }

    /// Chromaticity: as read, or that of the kelvin with the tint, where one was read; `duv`: the tint that is taken
    /// where none was.
    #[must_use]
    pub fn chromaticity(&self, duv: f64) -> Option<Xy> {
        self.xy.or_else(|| {
            let kelvin = self.kelvin?;
            Some(colour::xy_of(Kelvin::clamped(kelvin), Duv::clamped(self.duv.unwrap_or(duv))))
        })
    }

    /// Colour temperature in mired and, where it was read, tint.
    #[must_use]
    pub fn white(&self) -> Option<(f64, Option<f64>)> {
        match (self.kelvin, self.xy) {
            (Some(kelvin), _) => Some((1e6 / kelvin, self.duv)),
            (None, Some(xy)) => colour::kelvin_of(xy).map(|(k, d)| (k.mired().get(), Some(d.get()))),
            (None, None) => None,
        }
    }

    /// As light that can be added up. `else_xy`: the chromaticity where none was read.
    #[must_use]
    pub fn sum(&self, else_xy: Xy) -> Option<Reading> {
        let duv = colour::kelvin_of(else_xy).map_or(0.0, |(_, d)| d.get());
        Some(Reading::of(self.light()?, self.chromaticity(duv).unwrap_or(else_xy)))
    }
}

/// A lamp that was sent light while a reading was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LitLamp {
    /// The fixture's id.
    pub fixture: String,
    /// The body's name, or the id where it has none.
    pub lamp: String,
    /// What its look asked, in lux at its aim.
    pub asked_lux: f64,
    /// The same as chromaticity.
    pub asked_xy: Xy,
    /// What its slots stood for, in lux at its aim.
    pub sent_lux: f64,
    /// The same as chromaticity.
    pub sent_xy: Xy,
    /// The lamp trim that was in its figures.
    pub trim: Trim,
    /// Its slots.
    pub slots: Vec<u8>,
}

/// Why a reading no longer confirms what is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lapsed {
    /// The wire: an output went away, or the daemon did.
    Wire,
    /// A lamp that was lit has another trim.
    Trim,
}

/// A reading with all that gives it its meaning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noted {
    /// Counts the readings of a set, from 1.
    pub id: u64,
    /// Where.
    pub spot: Spot,
    /// What caught the light.
    pub receptor: Receptor,
    /// What the meter showed.
    pub seen: Seen,
    /// As typed.
    pub typed: String,
    /// The meter, where it was named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument: Option<String>,
    /// The look that was lit or walked, where one was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub look: Option<String>,
    /// Every lamp that the wire drives and that was sent light; none: it is room light.
    pub lamps: Vec<LitLamp>,
    /// True if one of them moved by itself: such a reading says nothing of levels.
    pub moving: bool,
    /// When, in seconds of the engine's time; below 0: before its start.
    pub taken_s: f64,
    /// Why it no longer confirms what is sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lapsed: Option<Lapsed>,
}

impl Noted {
    /// True if no lamp was lit.
    #[must_use]
    pub fn is_room(&self) -> bool {
        self.lamps.is_empty()
    }

    /// The lamp that was lit alone.
    #[must_use]
    pub fn alone(&self) -> Option<&LitLamp> {
        match &self.lamps[..] {
            [one] => Some(one),
            _ => None,
        }
    }

    /// True if figures can be drawn from it: light was read, and nothing moved.
    #[must_use]
    pub fn counts(&self) -> bool {
        self.seen.lux.is_some() && !self.moving
    }

    /// Its age at `now_s`, in seconds.
    #[must_use]
    pub fn age_s(&self, now_s: f64) -> f64 {
        (now_s - self.taken_s).max(0.0)
    }

    /// True if every figure and text in it can be what lampkeep wrote. `longest`: of a text, in bytes.
    #[must_use]
    pub fn possible(&self, longest: usize) -> bool {
        let lux = |lux: f64| (0.0..=1e9).contains(&lux);
        let xy = |xy: Xy| (0.0..=1.0).contains(&xy.x) && (1e-6..=1.0).contains(&xy.y);
        let seen = &self.seen;
        let lamp = |l: &LitLamp| {
            lux(l.asked_lux)
                && lux(l.sent_lux)
                && xy(l.asked_xy)
                && xy(l.sent_xy)
                && l.trim.possible()
                && l.slots.len() <= 512
                && [&l.fixture, &l.lamp].iter().all(|t| t.len() <= longest)
        };
        let texts = [Some(&self.typed), self.instrument.as_ref(), self.look.as_ref()];
        seen.lux.is_none_or(lux)
            && seen.kelvin.is_none_or(|k| (Kelvin::MIN..=Kelvin::MAX).contains(&k))
            && seen.duv.is_none_or(|d| (Duv::MIN..=Duv::MAX).contains(&d))
            && seen.xy.is_none_or(xy)
            && self.taken_s.is_finite()
            && self.lamps.iter().all(lamp)
            && texts.into_iter().flatten().all(|t| t.len() <= longest)
    }
}
