//! The colours of a lamp that takes hue and saturation, made ready once for many of them.

use super::roof::Roof;
use super::{Hull, gamut_of};
use crate::plan::{Emitter, MAX_EMITTERS};
use crate::units::{Uv76, Xy};

/// A lamp's colours about its white. Made ready for one lamp; each colour then costs far less than
/// [`super::xy_within`] and [`super::most_light`] together, whose answers these are but for rounding.
#[derive(Debug, Clone)]
pub struct Wheel {
    white: Uv76,
    gamut: Hull<MAX_EMITTERS>,
    roof: Roof,
}

impl Wheel {
    /// Of these emitters about this white.
    #[must_use]
    pub fn of(emitters: &[Emitter], white: Xy) -> Self {
        Self { white: white.uv76(), gamut: gamut_of(emitters), roof: Roof::of(emitters) }
    }

    /// Drives of most light, 0 to 1 in the emitters' order, at a hue in degrees and a share (0 to 1) of the
    /// way from the white to the gamut's edge; `None` where only the whole solver can tell: on the edge or
    /// out of the gamut, or where emitters tie.
    #[must_use]
    pub fn drives(&self, hue_deg: f64, share: f64) -> Option<[f64; MAX_EMITTERS]> {
        let (dv, du) = hue_deg.to_radians().sin_cos();
        let way = share * self.gamut.exit(self.white, du, dv);
        self.roof.drives(Uv76 { u: self.white.u + way * du, v: self.white.v + way * dv })
    }
}
