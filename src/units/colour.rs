//! Colour temperature and chromaticity: plain coordinates. The conversions live in `light::colour`.

use serde::{Deserialize, Serialize};

use super::quantity;

quantity!(
    /// Correlated colour temperature in kelvin, 1000 to 20 000 K.
    Kelvin, "colour temperature", " K", 1000.0, 20_000.0
);
quantity!(
    /// Reciprocal colour temperature, 1 000 000 / K: 50 (20 000 K) to 1000 mired (1000 K).
    Mired, "reciprocal colour temperature", " mired", 50.0, 1000.0
);
quantity!(
    /// Distance from the Planckian locus in CIE 1960 u,v; positive is green, negative is magenta.
    ///
    /// Range ±0.05: beyond it a correlated colour temperature has no meaning (CIE 15, ANSI C78.377).
    Duv, "tint", " Duv", -0.05, 0.05
);

impl Kelvin {
    /// 1 000 000 divided by the kelvin.
    #[must_use]
    pub fn mired(self) -> Mired {
        Mired::clamped(1e6 / self.0)
    }
}

impl Mired {
    /// 1 000 000 divided by the mired.
    #[must_use]
    pub fn kelvin(self) -> Kelvin {
        Kelvin::clamped(1e6 / self.0)
    }
}

impl Duv {
    /// On the Planckian locus.
    pub const ZERO: Self = Self(0.0);
}

/// CIE 1931 chromaticity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Xy {
    /// x, 0 to 1.
    pub x: f64,
    /// y, above 0, at most 1.
    pub y: f64,
}

/// CIE 1976 uniform chromaticity u', v'; the plane in which distances are judged and fades run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Uv76 {
    /// u'.
    pub u: f64,
    /// v'.
    pub v: f64,
}

/// CIE 1960 chromaticity u, v; used only to define CCT and Duv.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Uv60 {
    /// u.
    pub u: f64,
    /// v.
    pub v: f64,
}

impl Xy {
    /// u' = 4x / (-2x + 12y + 3), v' = 9y / (-2x + 12y + 3). Source: CIE 15, 8.1.
    #[must_use]
    pub fn uv76(self) -> Uv76 {
        let d = -2.0 * self.x + 12.0 * self.y + 3.0;
        Uv76 { u: 4.0 * self.x / d, v: 9.0 * self.y / d }
    }

    /// u = u', v = 2/3 v'. Source: CIE 15, 8.1 note and 9.5.
    #[must_use]
    pub fn uv60(self) -> Uv60 {
        let w = self.uv76();
        Uv60 { u: w.u, v: w.v * 2.0 / 3.0 }
    }
}

impl Uv76 {
    /// x = 9u' / (6u' - 16v' + 12), y = 4v' / (6u' - 16v' + 12): the inverse of [`Xy::uv76`].
    #[must_use]
    pub fn xy(self) -> Xy {
        let d = 6.0 * self.u - 16.0 * self.v + 12.0;
        Xy { x: 9.0 * self.u / d, y: 4.0 * self.v / d }
    }

    /// Euclidean distance in u'v'.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        // Not `hypot`: what that guards against is out of range here, and it costs several times as much.
        let (u, v) = (self.u - other.u, self.v - other.v);
        (u * u + v * v).sqrt()
    }

    /// The point `weight` (0..1) of the way towards `other`, straight in u'v'.
    #[must_use]
    pub fn towards(self, other: Self, weight: f64) -> Self {
        Self { u: self.u + (other.u - self.u) * weight, v: self.v + (other.v - self.v) * weight }
    }
}

impl Uv60 {
    /// The same point in CIE 1931 x,y.
    #[must_use]
    pub fn xy(self) -> Xy {
        Uv76 { u: self.u, v: self.v * 1.5 }.xy()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic, 1e6 / 3200 = 312.5 exactly.
    #[test]
    fn kelvin_3200_is_312_5_mired() {
        assert_eq!(Kelvin::new(3200.0).unwrap().mired().get(), 312.5);
    }

    #[test]
    fn chromaticity_survives_the_way_to_u_v_and_back() {
        let d65 = Xy { x: 0.31272, y: 0.32903 };
        let back = d65.uv76().xy();
        assert!((back.x - d65.x).abs() < 1e-15 && (back.y - d65.y).abs() < 1e-15);
        let back = d65.uv60().xy();
        assert!((back.x - d65.x).abs() < 1e-15 && (back.y - d65.y).abs() < 1e-15);
    }
}
