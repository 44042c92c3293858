//! Dimming curves: from a channel's value to relative light and back.
//!
//! q is the value over its full scale (255 or 65 535), light is relative to full; both run 0 to 1 and
//! every law gives 0 at 0 and exactly 1 at 1. Floors and measured tables are not here.

use crate::plan::{Bits, Curve};

/// Share of the value at which CIE lightness changes from a line to a cube: L* = 8.
const LIGHTNESS_LINE_TO: f64 = 0.08;
/// Slope of that line: 100 times 27/24389, the exact constants of CIE 15, 8.2.1.1.
const LIGHTNESS_SLOPE: f64 = 100.0 * 27.0 / 24_389.0;

/// Relative light at `q`, the value as a share of full; q outside 0..1 counts as the nearer end.
///
/// Linear: q. Square: q². Gamma 2.2: q^2.2 (all three common practice). Lightness: q is L*/100, light
/// is Y/Yn (CIE 15, 8.2.1.1, solved for Y).
#[must_use]
pub fn relative(curve: Curve, q: f64) -> f64 {
    let q = unit(q);
    match curve {
        Curve::Linear => q,
        Curve::Square => q * q,
        Curve::Gamma22 => q.powf(2.2),
        Curve::Lightness if q > LIGHTNESS_LINE_TO => ((100.0 * q + 16.0) / 116.0).powi(3),
        Curve::Lightness => q * LIGHTNESS_SLOPE,
    }
}

/// The q that gives this relative light: the inverse of [`relative`]. Light outside 0..1 counts as
/// the nearer end.
#[must_use]
pub fn inverse(curve: Curve, light: f64) -> f64 {
    let light = unit(light);
    match curve {
        Curve::Linear => light,
        Curve::Square => light.sqrt(),
        Curve::Gamma22 => light.powf(1.0 / 2.2),
        Curve::Lightness if light > LIGHTNESS_LINE_TO * LIGHTNESS_SLOPE => {
            unit((116.0 * light.cbrt() - 16.0) / 100.0)
        }
        Curve::Lightness => light / LIGHTNESS_SLOPE,
    }
}

/// Relative light of a channel's integer value; values above full scale count as full.
#[must_use]
pub fn of_value(curve: Curve, bits: Bits, value: u16) -> f64 {
    relative(curve, f64::from(value) / f64::from(bits.max()))
}

/// The greatest value whose light does not exceed `light` (relative, 0 to 1).
///
/// Checked against [`of_value`] itself, so rounding never exceeds what was allowed, and a value's own
/// light gives that value back. NaN counts as no light.
#[must_use]
pub fn value_at_or_below(curve: Curve, bits: Bits, light: f64) -> u16 {
    let max = bits.max();
    let mut value = (inverse(curve, light) * f64::from(max)) as u16;
    while value > 0 && of_value(curve, bits, value) > unit(light) {
        value -= 1;
    }
    while value < max && of_value(curve, bits, value + 1) <= light {
        value += 1;
    }
    value
}

/// Into 0..1; NaN becomes 0, the dark end.
fn unit(ratio: f64) -> f64 {
    if ratio.is_nan() { 0.0 } else { ratio.clamp(0.0, 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ALL: [Curve; 4] = [Curve::Linear, Curve::Square, Curve::Gamma22, Curve::Lightness];

    #[test]
    fn every_curve_is_dark_at_zero_full_at_full_and_rises_with_every_value() {
        for curve in ALL {
            assert_eq!((relative(curve, 0.0), relative(curve, 1.0)), (0.0, 1.0), "{curve:?}");
            for bits in [Bits::Eight, Bits::Sixteen] {
                let mut last = -1.0;
                for value in 0..=bits.max() {
                    let light = of_value(curve, bits, value);
                    assert!(light > last, "{curve:?} {value}");
                    assert_eq!(value_at_or_below(curve, bits, light), value, "{curve:?}");
                    last = light;
                }
            }
        }
    }

    #[test]
    fn light_that_is_not_a_number_is_dark_and_too_much_is_full() {
        for curve in ALL {
            assert_eq!(value_at_or_below(curve, Bits::Eight, f64::NAN), 0);
            assert_eq!(value_at_or_below(curve, Bits::Eight, -1.0), 0);
            assert_eq!(value_at_or_below(curve, Bits::Sixteen, f64::INFINITY), 65_535);
        }
    }

    proptest! {
        #[test]
        fn the_value_never_exceeds_the_light_and_the_next_one_would(
            light in 0.0_f64..1.0, curve in prop::sample::select(ALL.to_vec()), sixteen: bool,
        ) {
            let bits = if sixteen { Bits::Sixteen } else { Bits::Eight };
            let value = value_at_or_below(curve, bits, light);
            prop_assert!(of_value(curve, bits, value) <= light);
            prop_assert!(value == bits.max() || of_value(curve, bits, value + 1) > light);
        }

        #[test]
        fn the_inverse_undoes_the_curve(q in 0.0_f64..1.0, curve in prop::sample::select(ALL.to_vec())) {
            prop_assert!((inverse(curve, relative(curve, q)) - q).abs() < 1e-12);
        }
    }
}
