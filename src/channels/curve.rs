//! Dimming curves: from a channel's value to relative light and back.
//!
//! q is the value over its full scale (255 or 65 535), light is relative to full; both run 0 to 1 and
//! every law gives 0 at 0 and exactly 1 at 1. Under its floor a curve gives no light, whatever its law.

use crate::plan::{Bits, Curve, Knot, Law, LightTable};

/// Share of the value at which CIE lightness changes from a line to a cube: L* = 8.
const LIGHTNESS_LINE_TO: f64 = 0.08;
/// Slope of that line: 100 times 27/24389, the exact constants of CIE 15, 8.2.1.1.
const LIGHTNESS_SLOPE: f64 = 100.0 * 27.0 / 24_389.0;

/// Relative light at `q`, the value as a share of full; q outside 0..1 counts as the nearer end.
///
/// Linear: q. Square: q². Gamma: q to that power (all three common practice). Lightness: q is L*/100,
/// light is Y/Yn (CIE 15, 8.2.1.1, solved for Y). Table: a monotone cubic (see [`LightTable`]).
#[must_use]
pub fn relative(curve: &Curve, q: f64) -> f64 {
    let q = unit(q);
    if q < curve.floor {
        return 0.0;
    }
    match &curve.law {
        Law::Linear => q,
        Law::Square => q * q,
        Law::Gamma(gamma) => q.powf(*gamma),
        Law::Lightness if q > LIGHTNESS_LINE_TO => ((100.0 * q + 16.0) / 116.0).powi(3),
        Law::Lightness => q * LIGHTNESS_SLOPE,
        Law::Table(table) => table_light(table, q),
    }
}

/// The q that gives this relative light: the inverse of [`relative`]. Light outside 0..1 counts as
/// the nearer end; light under the floor's is given by no value, and 0 is returned.
#[must_use]
pub fn inverse(curve: &Curve, light: f64) -> f64 {
    let light = unit(light);
    let q = match &curve.law {
        Law::Linear => light,
        Law::Square => light.sqrt(),
        Law::Gamma(gamma) => light.powf(gamma.recip()),
        Law::Lightness if light > LIGHTNESS_LINE_TO * LIGHTNESS_SLOPE => {
            unit((116.0 * light.cbrt() - 16.0) / 100.0)
        }
        Law::Lightness => light / LIGHTNESS_SLOPE,
        Law::Table(table) => table_q(table, light),
    };
    if q >= curve.floor {
        return q;
    }
    // The floor's own light may come back a hair under it.
    if light > 0.0 && light >= relative(curve, curve.floor) { curve.floor } else { 0.0 }
}

/// Relative light of a channel's integer value; values above full scale count as full.
#[must_use]
pub fn of_value(curve: &Curve, bits: Bits, value: u16) -> f64 {
    relative(curve, f64::from(value) / f64::from(bits.max()))
}

/// The greatest value whose light does not exceed `light` (relative, 0 to 1); 0 where the light lies
/// under the floor's.
///
/// Checked against [`of_value`] itself, so rounding never exceeds what was allowed, and a lit value's
/// own light gives that value back. NaN counts as no light.
#[must_use]
pub fn value_at_or_below(curve: &Curve, bits: Bits, light: f64) -> u16 {
    at_or_below(curve, bits, light).0
}

/// [`value_at_or_below`], and that value's own light.
pub(super) fn at_or_below(curve: &Curve, bits: Bits, light: f64) -> (u16, f64) {
    let max = bits.max();
    let light = unit(light);
    let least = floor_value(curve, bits);
    // Under the floor many values are dark: of those, 0 it is.
    if light == 0.0 || (least > 0 && light < of_value(curve, bits, least)) {
        return (0, of_value(curve, bits, 0));
    }
    let mut value = ((inverse(curve, light) * f64::from(max)) as u16).max(least);
    let mut own = of_value(curve, bits, value);
    while value > least && own > light {
        value -= 1;
        own = of_value(curve, bits, value);
    }
    while value < max {
        let next = of_value(curve, bits, value + 1);
        if next > light {
            break;
        }
        (value, own) = (value + 1, next);
    }
    (value, own)
}

/// Least value that gives light; 0 where the curve has no floor.
#[must_use]
pub fn floor_value(curve: &Curve, bits: Bits) -> u16 {
    least_value(curve.floor, bits)
}

/// Least value from which on the light is clean; 0 where that is all of it.
#[must_use]
pub fn clean_value(curve: &Curve, bits: Bits) -> u16 {
    least_value(curve.clean_from, bits)
}

/// The least value of which `q` is not above: shares are made by dividing a value, so this is exact.
fn least_value(q: f64, bits: Bits) -> u16 {
    let max = bits.max();
    let mut value = (unit(q) * f64::from(max)) as u16;
    while value < max && f64::from(value) / f64::from(max) < q {
        value += 1;
    }
    value
}

/// Into 0..1; NaN becomes 0, the dark end.
fn unit(ratio: f64) -> f64 {
    if ratio.is_nan() { 0.0 } else { ratio.clamp(0.0, 1.0) }
}

/// The cubic between two knots at `q`, by its values and slopes at both (Hermite's form).
fn cubic(a: &Knot, b: &Knot, q: f64) -> f64 {
    let h = b.q - a.q;
    let t = (q - a.q) / h;
    let rise = b.light - a.light;
    let (sa, sb) = (a.slope * h, b.slope * h);
    a.light + t * (sa + t * (3.0 * rise - 2.0 * sa - sb + t * (sa + sb - 2.0 * rise)))
}

fn table_light(table: &LightTable, q: f64) -> f64 {
    let knots = table.knots();
    let after = knots.partition_point(|k| k.q <= q);
    match (after.checked_sub(1).and_then(|i| knots.get(i)), knots.get(after)) {
        // What the cubic may lose to rounding must not take it past its neighbours.
        (Some(a), Some(b)) => cubic(a, b, q).clamp(a.light, b.light),
        (Some(last), None) => last.light,
        (None, _) => 0.0,
    }
}

/// Newton's steps inside a bracket that halves wherever they leave it or come on slowly.
fn table_q(table: &LightTable, light: f64) -> f64 {
    let knots = table.knots();
    let after = knots.partition_point(|k| k.light <= light);
    let (a, b) = match (after.checked_sub(1).and_then(|i| knots.get(i)), knots.get(after)) {
        (Some(a), Some(b)) => (a, b),
        (Some(last), None) => return last.q,
        (None, _) => return 0.0,
    };
    let (mut low, mut high) = (a.q, b.q);
    let mut q = low + (high - low) * ((light - a.light) / (b.light - a.light));
    // Halving alone would need 53 steps; the bound is there so that nothing can turn for ever.
    for _ in 0..60 {
        let off = cubic(a, b, q) - light;
        if off == 0.0 {
            return q;
        }
        if off > 0.0 {
            high = q
        } else {
            low = q
        }
        let slope = slope_at(a, b, q);
        let newton = q - off / slope;
        let next = if slope > 0.0 && newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - q).abs() <= f64::EPSILON || next <= low || next >= high {
            return next.clamp(low, high);
        }
        q = next;
    }
    q
}

fn slope_at(a: &Knot, b: &Knot, q: f64) -> f64 {
    let h = b.q - a.q;
    let t = (q - a.q) / h;
    let rise = b.light - a.light;
    let (sa, sb) = (a.slope * h, b.slope * h);
    (sa + t * (2.0 * (3.0 * rise - 2.0 * sa - sb) + 3.0 * t * (sa + sb - 2.0 * rise))) / h
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn laws() -> Vec<Curve> {
        let gammas = [0.45, 1.8, 2.4].map(|g| Curve::by(Law::Gamma(g)));
        [Curve::LINEAR, Curve::SQUARE, Curve::GAMMA_22, Curve::LIGHTNESS].into_iter().chain(gammas).collect()
    }

    fn with_floors(bits: Bits) -> Vec<Curve> {
        let floors = [0_u16, 1, 12, 200];
        let floored = |c: &Curve, v: u16| Curve { floor: f64::from(v) / f64::from(bits.max()), ..c.clone() };
        laws().iter().flat_map(|c| floors.map(|v| floored(c, v))).collect()
    }

    fn assert_exact(curve: &Curve, bits: Bits) {
        let mut last = 0.0;
        for value in 0..=bits.max() {
            let light = of_value(curve, bits, value);
            if value < floor_value(curve, bits) || value == 0 {
                assert_eq!(light, 0.0, "{curve:?} {value}");
                continue;
            }
            assert!(light > last, "{curve:?} {value}: {light} after {last}");
            assert_eq!(value_at_or_below(curve, bits, light), value, "{curve:?}");
            last = light;
        }
        assert_eq!(last, 1.0, "{curve:?}");
    }

    #[test]
    fn every_curve_is_dark_under_its_floor_full_at_full_and_rises_with_every_value() {
        for bits in [Bits::Eight, Bits::Sixteen] {
            for curve in with_floors(bits) {
                assert_exact(&curve, bits);
            }
        }
    }

    #[test]
    fn light_that_is_not_a_number_is_dark_and_too_much_is_full() {
        for curve in with_floors(Bits::Eight) {
            assert_eq!(value_at_or_below(&curve, Bits::Eight, f64::NAN), 0);
            assert_eq!(value_at_or_below(&curve, Bits::Eight, -1.0), 0);
            assert_eq!(value_at_or_below(&curve, Bits::Sixteen, f64::INFINITY), 65_535);
        }
    }

    #[test]
    fn light_under_the_floor_s_is_sent_as_zero() {
        let curve = Curve { floor: 12.0 / 255.0, ..Curve::SQUARE };
        let least = of_value(&curve, Bits::Eight, 12);
        assert_eq!(value_at_or_below(&curve, Bits::Eight, least), 12);
        assert_eq!(value_at_or_below(&curve, Bits::Eight, least * 0.999), 0);
        assert_eq!((inverse(&curve, least), inverse(&curve, least * 0.5)), (12.0 / 255.0, 0.0));
    }

    /// Tables as a meter gives them: any rising values, any rising light, at times dark at first.
    fn any_table(bits: Bits) -> impl Strategy<Value = Curve> {
        let full = bits.max();
        let values = prop::collection::btree_set(1..full, 1..20);
        (values, prop::collection::vec(1e-6_f64..1.0, 21), 0_usize..3).prop_map(
            move |(values, steps, dark)| {
                let mut light = 0.0;
                let mut points = vec![(0, 0.0)];
                for (index, value) in values.iter().chain([&full]).enumerate() {
                    if index >= dark || *value == full {
                        light += steps[index];
                    }
                    points.push((*value, light));
                }
                Curve::measured(LightTable::new(&points, full).expect("it rises"))
            },
        )
    }

    proptest! {
        #[test]
        fn the_value_never_exceeds_the_light_and_the_next_one_would(
            light in 0.0_f64..1.0, pick: prop::sample::Index, sixteen: bool,
        ) {
            let bits = if sixteen { Bits::Sixteen } else { Bits::Eight };
            let all = with_floors(bits);
            let curve = &all[pick.index(all.len())];
            let value = value_at_or_below(curve, bits, light);
            prop_assert!(of_value(curve, bits, value) <= light);
            let next = if value == 0 { floor_value(curve, bits).max(1) } else { value.saturating_add(1) };
            prop_assert!(value == bits.max() || of_value(curve, bits, next) > light);
        }

        #[test]
        fn the_inverse_undoes_the_curve(q in 0.0_f64..1.0, pick: prop::sample::Index) {
            let all = laws();
            let curve = &all[pick.index(all.len())];
            prop_assert!((inverse(curve, relative(curve, q)) - q).abs() < 1e-12);
        }

        #[test]
        fn every_value_of_any_measured_table_comes_back_from_its_light(curve in any_table(Bits::Eight)) {
            assert_exact(&curve, Bits::Eight);
        }

        #[test]
        fn a_16_bit_table_rounds_down_to_the_value_below(
            curve in any_table(Bits::Sixteen), light in 0.0_f64..1.0, value: u16,
        ) {
            let found = value_at_or_below(&curve, Bits::Sixteen, light);
            prop_assert!(of_value(&curve, Bits::Sixteen, found) <= light);
            if found > 0 && found < u16::MAX {
                prop_assert!(of_value(&curve, Bits::Sixteen, found + 1) > light);
            }
            let own = of_value(&curve, Bits::Sixteen, value);
            if own > 0.0 {
                prop_assert_eq!(value_at_or_below(&curve, Bits::Sixteen, own), value);
            }
        }
    }
}
