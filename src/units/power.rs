//! Electrical power and temperature.

use super::quantity;

quantity!(
    /// Electrical power in watts, 0 to 100 kW.
    Watts, "power", " W", 0.0, 1e5
);
quantity!(
    /// Temperature of a body or a room in degrees Celsius, -40 to 300. Never a colour temperature.
    Celsius, "temperature", " °C", -40.0, 300.0
);

impl std::ops::Add for Watts {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::clamped(self.0 + other.0)
    }
}

impl std::iter::Sum for Watts {
    fn sum<I: Iterator<Item = Self>>(parts: I) -> Self {
        parts.fold(Self(0.0), |total, part| total + part)
    }
}
