//! The Planckian locus in CIE 1960 u,v: by direct integration, and fast from a table built once.
//!
//! Definition: Planck's law summed over the CIE 1931 2-degree functions at 1 nm, 360 to 830 nm, with
//! c2 = 1.4388e-2 m K and refractive index 1 (CIE 15, 9.5; ANSI C78.377). The tangent is the exact
//! derivative. This module knows points of the locus only; `colour` goes off it.

use std::sync::LazyLock;

use super::observer::{COLOUR_MATCHING, FIRST_NM, ROWS};
use crate::units::{Mired, Uv60};

/// Second radiation constant in m K. Chosen because CCT is defined with the value of the
/// International Temperature Scale of 1990 (CIE 15, 9.5), not with the later 1.438776877e-2.
pub const C2: f64 = 1.4388e-2;

/// A point of the locus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocusPoint {
    /// Where it is.
    pub uv: Uv60,
    /// Change of `uv` per mired: the tangent, pointing to warmer light.
    pub per_mired: Uv60,
}

impl LocusPoint {
    /// Unit normal of the locus, pointing to larger v (green): the direction of positive Duv.
    #[must_use]
    pub fn normal(self) -> Uv60 {
        let Uv60 { u, v } = self.per_mired;
        let length = u.hypot(v);
        // The tangent points to larger u everywhere, so a quarter turn to the left points to larger v.
        Uv60 { u: -v / length, v: u / length }
    }
}

/// The locus at `mired`, summed wavelength by wavelength. Slow: 471 exponentials.
///
/// `mired`: reciprocal colour temperature, above 0.
#[must_use]
pub fn integrated(mired: f64) -> LocusPoint {
    let mut sum = [0.0; 3];
    let mut slope = [0.0; 3];
    for (row, nm) in COLOUR_MATCHING.iter().zip(u32::from(FIRST_NM)..) {
        let wavelength_m = f64::from(nm) * 1e-9;
        // c2 / (wavelength T) with 1/T = mired / 1e6.
        let exponent_per_mired = C2 / (wavelength_m * 1e6);
        let exponential = (exponent_per_mired * mired).exp();
        // Spectral radiance without its constant factor, and its derivative by mired.
        let radiance = (nm_ratio(nm)).powi(-5) / (exponential - 1.0);
        let radiance_slope = -radiance * exponent_per_mired * exponential / (exponential - 1.0);
        for i in 0..3 {
            sum[i] += radiance * row[i];
            slope[i] += radiance_slope * row[i];
        }
    }
    let [x, y, z] = sum;
    let [dx, dy, dz] = slope;
    // u = 4X / (X + 15Y + 3Z), v = 6Y / (X + 15Y + 3Z), and the quotient rule.
    let (w, dw) = (x + 15.0 * y + 3.0 * z, dx + 15.0 * dy + 3.0 * dz);
    LocusPoint {
        uv: Uv60 { u: 4.0 * x / w, v: 6.0 * y / w },
        per_mired: Uv60 { u: 4.0 * (dx * w - x * dw) / (w * w), v: 6.0 * (dy * w - y * dw) / (w * w) },
    }
}

/// Wavelength as a ratio to 560 nm, which keeps its fifth power near 1.
fn nm_ratio(nm: u32) -> f64 {
    f64::from(nm) / 560.0
}

/// First mired of the table: one below the range of [`Mired`], so that its ends are inner points.
const TABLE_FROM: u16 = 49;
/// Rows of the table, 1 mired apart: 49 to 1001. Chosen because cubic interpolation at 1 mired is
/// good to 1e-10 in u and v (tested), far inside every tolerance.
const TABLE_ROWS: usize = 953;

static TABLE: LazyLock<Vec<LocusPoint>> =
    LazyLock::new(|| (TABLE_FROM..).take(TABLE_ROWS).map(|m| integrated(f64::from(m))).collect());

/// The locus at `mired`, from the table: cubic Hermite interpolation with the exact slopes.
///
/// `mired`: taken into 49..1001, which holds the range of [`Mired`] with a margin.
#[must_use]
pub fn at(mired: f64) -> LocusPoint {
    let place = (mired - f64::from(TABLE_FROM)).clamp(0.0, (TABLE_ROWS - 1) as f64);
    let row = (place as usize).min(TABLE_ROWS - 2);
    let (a, b) = (TABLE[row], TABLE[row + 1]);
    let t = place - row as f64;
    let cubic = |p0: f64, m0: f64, p1: f64, m1: f64| {
        let (c2, c3) = (3.0 * (p1 - p0) - 2.0 * m0 - m1, 2.0 * (p0 - p1) + m0 + m1);
        (p0 + t * (m0 + t * (c2 + t * c3)), m0 + t * (2.0 * c2 + 3.0 * t * c3))
    };
    let (u, du) = cubic(a.uv.u, a.per_mired.u, b.uv.u, b.per_mired.u);
    let (v, dv) = cubic(a.uv.v, a.per_mired.v, b.uv.v, b.per_mired.v);
    LocusPoint { uv: Uv60 { u, v }, per_mired: Uv60 { u: du, v: dv } }
}

/// The mired of the locus point nearest to `uv`; `None` where that is off the ends of [`Mired`].
///
/// Searched over the whole table first, because far off the locus there can be several feet, then
/// refined by bisection and secant on (uv - locus) . tangent = 0.
#[must_use]
pub fn nearest_mired(uv: Uv60) -> Option<f64> {
    let far = |p: &LocusPoint| (p.uv.u - uv.u).powi(2) + (p.uv.v - uv.v).powi(2);
    let (nearest, distance) =
        TABLE.iter().map(far).enumerate().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, f64::NAN));
    if distance.is_nan() {
        return None;
    }
    // Positive while the foot lies at more mired.
    let ahead = |mired: f64| {
        let p = at(mired);
        (uv.u - p.uv.u) * p.per_mired.u + (uv.v - p.uv.v) * p.per_mired.v
    };
    let row = (nearest as f64) + f64::from(TABLE_FROM);
    let (mut low, mut high) = (row - 1.0, row + 1.0);
    let (mut at_low, mut at_high) = (ahead(low), ahead(high));
    if at_low < 0.0 || at_high > 0.0 {
        return None;
    }
    for round in 0..60 {
        let middle = if round % 3 == 2 || at_low == at_high {
            0.5 * (low + high)
        } else {
            low + (high - low) * at_low / (at_low - at_high)
        };
        let found = ahead(middle);
        if found >= 0.0 {
            (low, at_low) = (middle, found);
        }
        if found <= 0.0 {
            (high, at_high) = (middle, found);
        }
        if high - low < 1e-11 {
            break;
        }
    }
    // The end that the secant reached is exact to rounding, the other may lag behind.
    let mired = if at_low.abs() <= at_high.abs() { low } else { high };
    // A colour made from an end of the range comes back as that end, rounding included.
    (Mired::MIN - 1e-6..=Mired::MAX + 1e-6).contains(&mired).then_some(mired)
}

const _: () = assert!(ROWS == 471 && TABLE_FROM as usize + TABLE_ROWS == 1002);

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: direct integration at places between the rows; 1e-10 is 10 000 times under the
    /// tolerance of the published values.
    #[test]
    fn the_table_agrees_with_direct_integration_between_its_rows() {
        let mut worst: f64 = 0.0;
        let mut worst_slope: f64 = 0.0;
        for i in 0..1300 {
            let mired = 50.0 + f64::from(i) * 0.7307;
            let (fast, slow) = (at(mired), integrated(mired));
            worst = worst.max((fast.uv.u - slow.uv.u).abs()).max((fast.uv.v - slow.uv.v).abs());
            let (n, m) = (fast.normal(), slow.normal());
            worst_slope = worst_slope.max((n.u - m.u).abs()).max((n.v - m.v).abs());
        }
        assert!(worst < 1e-10, "{worst:e}");
        assert!(worst_slope < 1e-6, "{worst_slope:e}");
    }

    #[test]
    fn the_locus_runs_to_larger_u_with_every_mired() {
        assert!((49..1001).all(|m| at(f64::from(m)).per_mired.u > 0.0));
    }
}
