//! Each quantity's range and its noun for messages, defined once.

/// A number that a quantity cannot hold: what was given, what is allowed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{noun} {found}{unit} is not between {min}{unit} and {max}{unit}")]
pub struct RangeError {
    /// What the quantity is called in messages, such as `illuminance`.
    pub noun: &'static str,
    /// Unit as printed after a number, with its leading space where it has one.
    pub unit: &'static str,
    /// The number given; may be NaN or infinite.
    pub found: f64,
    /// Least value allowed, in the quantity's unit.
    pub min: f64,
    /// Greatest value allowed, in the quantity's unit.
    pub max: f64,
}

/// Defines a newtype over `f64` with a noun, a unit for `Display` and an inclusive range.
///
/// The generated type has `NOUN`, `UNIT`, `MIN`, `MAX`, `new` (refuses NaN, infinity and anything
/// out of range), `get`, and a `Display` that prints the unit.
macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $noun:literal, $unit:literal, $min:expr, $max:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// What messages call this quantity.
            pub const NOUN: &'static str = $noun;
            /// Unit as printed after the number.
            pub const UNIT: &'static str = $unit;
            /// Least value allowed.
            pub const MIN: f64 = $min;
            /// Greatest value allowed.
            pub const MAX: f64 = $max;

            /// Takes a number in the quantity's unit.
            ///
            /// Errors: `RangeError` for NaN, infinity, or a value outside `MIN..=MAX`.
            pub fn new(value: f64) -> Result<Self, $crate::units::RangeError> {
                if (Self::MIN..=Self::MAX).contains(&value) {
                    // -0.0 would print as "-0" and compare oddly in JSON.
                    Ok(Self(value + 0.0))
                } else {
                    Err($crate::units::RangeError {
                        noun: Self::NOUN,
                        unit: Self::UNIT,
                        found: value,
                        min: Self::MIN,
                        max: Self::MAX,
                    })
                }
            }

            /// Takes the nearest value in range; NaN becomes `MIN`.
            ///
            /// For results of our own arithmetic, where rounding may step just outside.
            #[must_use]
            pub fn clamped(value: f64) -> Self {
                if value.is_nan() { Self(Self::MIN) } else { Self(value.clamp(Self::MIN, Self::MAX) + 0.0) }
            }

            /// The number, in the quantity's unit.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                if let Some(precision) = f.precision() {
                    write!(f, "{:.*}{}", precision, self.0, Self::UNIT)
                } else {
                    write!(f, "{}{}", self.0, Self::UNIT)
                }
            }
        }
    };
}
pub(crate) use quantity;
