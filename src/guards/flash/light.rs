//! Light at a point as the flash guard sees it: an amount and a colour that add up.

use crate::units::{Uv76, Xy};

/// CIE 1931 tristimulus values of the light at a point, scaled so that `y` is its illuminance in lux.
///
/// The light of several lamps is the sum of theirs. Source: CIE 15, additivity (clause from memory).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointLight {
    /// X, 0 or more.
    pub x: f64,
    /// Y: illuminance in lux, 0 or more.
    pub y: f64,
    /// Z, 0 or more.
    pub z: f64,
}

impl PointLight {
    /// No light.
    pub const DARK: Self = Self { x: 0.0, y: 0.0, z: 0.0 };

    /// Light of `lux` (0 or more) in the colour `xy` (its y above 0).
    #[must_use]
    pub fn of(lux: f64, xy: Xy) -> Self {
        Self { x: lux * xy.x / xy.y, y: lux, z: lux * (1.0 - xy.x - xy.y) / xy.y }
    }

    /// `share` (0 to 1) of the way from this light to `other`.
    #[must_use]
    pub fn towards(self, other: Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| a + (b - a) * share;
        Self { x: mix(self.x, other.x), y: mix(self.y, other.y), z: mix(self.z, other.z) }
    }

    /// The common part of both: the smaller of each value. What is left when every lowering has passed
    /// and no raising has, for a light that is known only as a whole.
    #[must_use]
    pub fn lower_of(self, other: Self) -> Self {
        Self { x: self.x.min(other.x), y: self.y.min(other.y), z: self.z.min(other.z) }
    }

    /// True if any of the three values is more than in `other`.
    #[must_use]
    pub fn raises(self, other: Self) -> bool {
        self.x > other.x || self.y > other.y || self.z > other.z
    }

    /// Chromaticity in CIE 1976 u'v'; `None` without light. Source: CIE 15, 8.1 (from memory).
    #[must_use]
    pub fn uv76(self) -> Option<Uv76> {
        let sum = self.x + 15.0 * self.y + 3.0 * self.z;
        (sum > 0.0).then(|| Uv76 { u: 4.0 * self.x / sum, v: 9.0 * self.y / sum })
    }

    /// R / (R + G + B) in linear sRGB, values under 0 taken as 0; `None` without light.
    ///
    /// Source: IEC 61966-2-1, the matrix from XYZ to linear sRGB (from memory). Cutting off what lies
    /// outside the screen's colours is our choice: lamps can be redder than any screen.
    #[must_use]
    pub fn red_share(self) -> Option<f64> {
        let Self { x, y, z } = self;
        let r = (3.2406 * x - 1.5372 * y - 0.4986 * z).max(0.0);
        let g = (-0.9689 * x + 1.8758 * y + 0.0415 * z).max(0.0);
        let b = (0.0557 * x - 0.2040 * y + 1.0570 * z).max(0.0);
        let sum = r + g + b;
        (sum > 0.0).then(|| r / sum)
    }
}

impl std::ops::Add for PointLight {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { x: self.x + other.x, y: self.y + other.y, z: self.z + other.z }
    }
}

impl std::ops::Mul<f64> for PointLight {
    type Output = Self;
    fn mul(self, by: f64) -> Self {
        Self { x: self.x * by, y: self.y * by, z: self.z * by }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: IEC 61966-2-1 (from memory): the red primary is x 0.64, y 0.33, white D65 0.3127, 0.3290.
    /// Tolerance 1e-3: the matrix is printed with four decimals.
    #[test]
    fn the_screens_own_red_is_all_red_and_its_white_a_third() {
        let red = PointLight::of(100.0, Xy { x: 0.64, y: 0.33 }).red_share().unwrap();
        let white = PointLight::of(100.0, Xy { x: 0.3127, y: 0.329 }).red_share().unwrap();
        assert!((red - 1.0).abs() < 1e-3 && (white - 1.0 / 3.0).abs() < 1e-3, "{red} {white}");
        assert_eq!(PointLight::DARK.red_share(), None);
    }

    #[test]
    fn light_of_a_colour_has_that_chromaticity_and_adds_up() {
        let xy = Xy { x: 0.4, y: 0.35 };
        let light = PointLight::of(80.0, xy);
        assert!(light.uv76().unwrap().distance(xy.uv76()) < 1e-12);
        let both = light + light * 0.5;
        assert!((both.y - 120.0).abs() < 1e-12 && both.uv76().unwrap().distance(xy.uv76()) < 1e-12);
    }
}
