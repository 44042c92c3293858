//! Colour: kelvin and tint to chromaticity and back, hue and saturation in u'v'.
//!
//! - CCT: the temperature of the nearest Planckian point in CIE 1960 u,v; 1000 to 20 000 K.
//! - Duv (tint): the distance from that point, positive above the locus (green), up to ±0.05.
//! - Hue: the CIE 1976 hue angle h_uv about a stated white (CIE 15, 8.2.2), 0 towards +u' (red),
//!   90 towards +v' (yellow), counter-clockwise in degrees.
//! - Saturation: the share of the way in u'v' from that white to the edge of all colours, which is
//!   the spectral locus closed by the purple line; 0 is the white itself, 1 a pure colour.
//!
//! This module knows no lamps: whether a lamp reaches a colour is `mix`'s work.

use std::sync::LazyLock;

use super::hull::Hull;
use super::observer::{COLOUR_MATCHING, ROWS};
use super::planck;
use crate::units::{Duv, Kelvin, Uv60, Uv76, Xy};

/// Chromaticity of a colour temperature with its tint.
///
/// `kelvin`: 1000 to 20 000 K. `duv`: along the locus normal in CIE 1960 u,v, positive is green. At
/// the far ends (1000 K and +0.05, say) the result may lie outside of all real colours.
/// Source: Planck's law with the CIE 1931 functions; ANSI C78.377; Ohno 2013 (LEUKOS 10:47). From a
/// table good to 1e-10 in u and v (see `planck`).
#[must_use]
pub fn xy_of(kelvin: Kelvin, duv: Duv) -> Xy {
    let point = planck::at(1e6 / kelvin.get());
    let normal = point.normal();
    Uv60 { u: point.uv.u + duv.get() * normal.u, v: point.uv.v + duv.get() * normal.v }.xy()
}

/// Correlated colour temperature and tint of a chromaticity.
///
/// `None` outside 1000 to 20 000 K, or more than 0.05 from the locus, where a colour temperature
/// has no meaning. Source: as [`xy_of`]; it is the exact inverse to 1e-9 in u and v.
#[must_use]
pub fn kelvin_of(xy: Xy) -> Option<(Kelvin, Duv)> {
    let uv = xy.uv60();
    let mired = planck::nearest_mired(uv)?;
    let point = planck::at(mired);
    let normal = point.normal();
    let duv = (uv.u - point.uv.u) * normal.u + (uv.v - point.uv.v) * normal.v;
    // The margin lets a colour made with exactly 0.05 come back.
    (duv.abs() <= Duv::MAX + 1e-9).then(|| (Kelvin::clamped(1e6 / mired), Duv::clamped(duv)))
}

/// The outline of all colours: spectral locus and purple line, in u'v'.
///
/// Convex by its nature; taking the hull also drops the printed table's wobble at the far ends.
static ALL_COLOURS: LazyLock<Hull<ROWS>> = LazyLock::new(|| {
    Hull::of(COLOUR_MATCHING.iter().map(|[x, y, z]| {
        let w = x + 15.0 * y + 3.0 * z;
        Uv76 { u: 4.0 * x / w, v: 9.0 * y / w }
    }))
});

/// True for a chromaticity that some light can have: inside the spectral locus and the purple line or on its edge.
#[must_use]
pub fn is_real(xy: Xy) -> bool {
    let uv = xy.uv76();
    uv.u.is_finite() && uv.v.is_finite() && ALL_COLOURS.nearest(uv).is_some_and(|edge| edge.distance <= 1e-9)
}

/// The chromaticity of a hue and saturation about a white.
///
/// `white`: inside all colours, else the result is `white`. `hue_deg`: any angle in degrees, taken
/// round the circle. `saturation`: 0 to 1. Continuous in all three.
/// Source: hue angle as CIE 15, 8.2.2; saturation is this crate's definition (module text).
#[must_use]
pub fn xy_of_hue(white: Xy, hue_deg: f64, saturation: f64) -> Xy {
    let from = white.uv76();
    let (dv, du) = hue_deg.to_radians().sin_cos();
    let way = saturation * ALL_COLOURS.exit(from, du, dv);
    Uv76 { u: from.u + way * du, v: from.v + way * dv }.xy()
}

/// Hue in degrees (0 up to 360) and saturation of a chromaticity about a white.
///
/// The inverse of [`xy_of_hue`]. At the white itself hue and saturation are 0. Saturation is above 1
/// for a chromaticity outside of all real colours, and is 1 for any when the white is outside.
#[must_use]
pub fn hue_of(white: Xy, xy: Xy) -> (f64, f64) {
    let (from, to) = (white.uv76(), xy.uv76());
    let (du, dv) = (to.u - from.u, to.v - from.v);
    if du == 0.0 && dv == 0.0 {
        return (0.0, 0.0);
    }
    let turn = dv.atan2(du).to_degrees().rem_euclid(360.0);
    // rem_euclid of a tiny negative angle rounds up to 360 itself.
    let hue = if turn < 360.0 { turn } else { 0.0 };
    let edge = ALL_COLOURS.exit(from, du, dv);
    (hue, if edge > 0.0 { 1.0 / edge } else { 1.0 })
}

/// The place of a moving colour: on a circle of hues about `centre`.
///
/// `hue_deg`: where on the circle, any angle in degrees. `depth`: 0 (stays at the centre) to 1 (runs
/// along the edge of all colours). Continuous, as [`xy_of_hue`], which it is.
#[must_use]
pub fn xy_on_circle(centre: Xy, hue_deg: f64, depth: f64) -> Xy {
    xy_of_hue(centre, hue_deg, depth)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn white() -> Xy {
        xy_of(Kelvin::new(5600.0).unwrap(), Duv::ZERO)
    }

    #[test]
    fn a_colour_comes_back_from_the_whole_range_of_kelvin_and_tint() {
        for k in [1000.0, 1001.0, 1800.0, 2700.0, 3200.0, 5600.0, 6504.0, 10_000.0, 19_990.0, 20_000.0] {
            for d in [-0.05, -0.02, -1e-9, 0.0, 0.003, 0.02, 0.05] {
                let (kelvin, duv) = (Kelvin::new(k).unwrap(), Duv::new(d).unwrap());
                let (k_back, d_back) = kelvin_of(xy_of(kelvin, duv)).unwrap_or_else(|| panic!("{k} K {d}"));
                assert!((k_back.get() / k - 1.0).abs() < 1e-7, "{k} K {d}: {k_back}");
                assert!((d_back.get() - d).abs() < 1e-9, "{k} K {d}: {d_back}");
            }
        }
    }

    /// Source: the range that interface.md states for `kelvin` and `duv`.
    #[test]
    fn beyond_1000_k_20000_k_or_a_tint_of_0_05_there_is_no_colour_temperature() {
        for (u, v) in [(0.46, 0.3535), (0.18, 0.255), (0.2, 0.385), (0.32, 0.28)] {
            assert_eq!(kelvin_of(Uv60 { u, v }.xy()), None, "{u} {v}");
        }
        assert_eq!(kelvin_of(Xy { x: f64::NAN, y: 0.3 }), None);
    }

    /// Source: no light has a negative tristimulus value (CIE 15, 7.1); 520 nm is x 0.0743, y 0.8338
    /// (CIE 15, table of the spectral locus; from memory).
    #[test]
    fn a_colour_of_negative_z_is_no_light_and_a_white_and_a_pure_green_are() {
        assert!(!is_real(Xy { x: 0.49, y: 0.5816 }) && !is_real(Xy { x: f64::NAN, y: 0.3 }));
        assert!(
            is_real(white()) && is_real(Xy { x: 0.0744, y: 0.8336 }) && !is_real(Xy { x: 0.07, y: 0.84 })
        );
    }

    #[test]
    fn hue_and_saturation_come_back() {
        for hue in (0..360).step_by(7).map(f64::from) {
            for saturation in [0.01, 0.5, 1.0] {
                let (h, s) = hue_of(white(), xy_of_hue(white(), hue, saturation));
                assert!(
                    (h - hue).abs() < 1e-9 && (s - saturation).abs() < 1e-12,
                    "{hue} {saturation}: {h} {s}"
                );
            }
        }
        assert_eq!(hue_of(white(), white()), (0.0, 0.0));
    }

    /// Source: CIE 018 table, 520 nm: x-bar 0.06327, y-bar 0.71, z-bar 0.07825; saturation 1 is the
    /// spectral locus by definition. Tolerance: one part in 1e9 of double rounding.
    #[test]
    fn a_spectral_colour_has_saturation_1() {
        let [x, y, z] = [0.06327, 0.71, 0.07824999];
        let (_, saturation) = hue_of(white(), Xy { x: x / (x + y + z), y: y / (x + y + z) });
        assert!((saturation - 1.0).abs() < 1e-6, "{saturation}");
    }

    #[test]
    fn a_moving_colour_has_no_jump_and_closes_its_circle() {
        for depth in [0.1, 0.6, 1.0] {
            let mut last = xy_on_circle(white(), -0.01, depth).uv76();
            for i in 0..=36_000 {
                let now = xy_on_circle(white(), f64::from(i) * 0.01, depth).uv76();
                // The edge is at most about 0.4 away; a straight edge is left at over 1 degree.
                assert!(now.distance(last) < 0.01 * depth, "at {i}");
                last = now;
            }
            assert!(last.distance(xy_on_circle(white(), 0.0, depth).uv76()) < 1e-12);
        }
    }

    #[test]
    fn about_a_white_that_is_no_colour_nothing_is_nan() {
        let nowhere = Xy { x: 0.9, y: 0.9 };
        let (h, s) = hue_of(nowhere, white());
        assert!(h.is_finite() && s == 1.0);
        let xy = xy_of_hue(nowhere, 40.0, 0.5);
        assert!((xy.x - 0.9).abs() < 1e-12 && (xy.y - 0.9).abs() < 1e-12);
    }
}
