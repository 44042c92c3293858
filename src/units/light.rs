//! Illuminance, luminous intensity, stops and shares.

use super::quantity;

quantity!(
    /// Illuminance in lux (lm/m²), 0 to 10 million: direct sun is about 100 000 lx.
    Lux, "illuminance", " lx", 0.0, 1e7
);
quantity!(
    /// Luminous intensity in candela, 0 to 1000 million.
    ///
    /// A reading in lux at 1 m is the same number in candela while the lamp may be taken as a point.
    Candela, "luminous intensity", " cd", 0.0, 1e9
);
quantity!(
    /// A ratio of light as its base-2 logarithm: +1 stop is twice the light. -40 to +40.
    Stops, "level", " stops", -40.0, 40.0
);
quantity!(
    /// A part of a whole, 0 to 1.
    Share, "share", "", 0.0, 1.0
);

impl Stops {
    /// 2 to the power of the stops: the ratio of light.
    #[must_use]
    pub fn ratio(self) -> f64 {
        self.0.exp2()
    }

    /// The stops by which `light` lies above `reference`; `None` where either is zero.
    #[must_use]
    pub fn between(light: Lux, reference: Lux) -> Option<Self> {
        (light.0 > 0.0 && reference.0 > 0.0).then(|| Self::clamped((light.0 / reference.0).log2()))
    }
}

impl std::ops::Add for Stops {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::clamped(self.0 + other.0)
    }
}

impl std::ops::Neg for Stops {
    type Output = Self;
    fn neg(self) -> Self {
        Self::clamped(-self.0)
    }
}

impl Lux {
    /// No light.
    pub const DARK: Self = Self(0.0);

    /// This illuminance raised (or, negative, lowered) by stops.
    #[must_use]
    pub fn shifted(self, by: Stops) -> Self {
        Self::clamped(self.0 * by.ratio())
    }
}

impl std::ops::Add for Lux {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::clamped(self.0 + other.0)
    }
}

impl Share {
    /// Nothing.
    pub const NONE: Self = Self(0.0);
    /// All of it.
    pub const FULL: Self = Self(1.0);

    /// The share in percent, for people.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nan_infinity_and_negative_light_are_refused() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -0.1, 1e8] {
            assert!(Lux::new(bad).is_err(), "{bad}");
        }
        assert_eq!(
            Lux::new(-1.0).unwrap_err().to_string(),
            "illuminance -1 lx is not between 0 lx and 10000000 lx"
        );
    }

    #[test]
    fn one_stop_is_twice_the_light() {
        let two = Lux::new(100.0).unwrap().shifted(Stops::new(1.0).unwrap());
        assert_eq!(two.get(), 200.0);
        assert_eq!(Stops::between(two, Lux::new(100.0).unwrap()).unwrap().get(), 1.0);
        assert_eq!(Stops::between(Lux::DARK, two), None);
    }
}
