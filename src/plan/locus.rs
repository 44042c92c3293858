//! White by colour temperature and tint, near enough to read a plan by.
//!
//! Krystek's rational approximation of the Planckian locus, a few 1e-4 in u,v off from 1000 K to
//! 15 000 K, and its search backwards. `light` holds the exact conversion; whoever has that at hand
//! passes it to [`super::read`] instead.

use super::sources::ColourScience;
use crate::units::{Duv, Kelvin, Uv60, Xy};

/// The approximation, as `read` wants it.
pub(super) const SCIENCE: ColourScience = ColourScience { xy, kelvin };

/// A point of the locus in CIE 1960 u,v.
///
/// Source: M. Krystek, "An algorithm to calculate correlated colour temperature", Color Research and
/// Application 10 (1985), as printed in common references; from memory.
fn planckian(t: f64) -> (f64, f64) {
    let u = (0.860_117_757 + 1.541_182_54e-4 * t + 1.286_412_12e-7 * t * t)
        / (1.0 + 8.424_202_35e-4 * t + 7.081_451_63e-7 * t * t);
    let v = (0.317_398_726 + 4.228_062_45e-5 * t + 4.204_816_91e-8 * t * t)
        / (1.0 - 2.897_418_16e-5 * t + 1.614_560_53e-7 * t * t);
    (u, v)
}

fn xy(kelvin: Kelvin, duv: Duv) -> Xy {
    let t = kelvin.get();
    let (u, v) = planckian(t);
    let (u1, v1) = planckian(t * 0.999);
    let (u2, v2) = planckian(t * 1.001);
    let (du, dv) = (u1 - u2, v1 - v2);
    let length = du.hypot(dv);
    // Square to the locus, green side up.
    Uv60 { u: u - duv.get() * dv / length, v: v + duv.get() * du / length }.xy()
}

fn kelvin(xy: Xy) -> Option<(Kelvin, Duv)> {
    let p = xy.uv60();
    let off = |mired: f64| {
        let (u, v) = planckian(1e6 / mired);
        (p.u - u).hypot(p.v - v)
    };
    let (mut low, mut high) = (50.0, 1000.0);
    for _ in 0..80 {
        let third = (high - low) / 3.0;
        if off(low + third) < off(high - third) { high -= third } else { low += third }
    }
    let mired = (low + high) / 2.0;
    let kelvin = Kelvin::new(1e6 / mired).ok()?;
    let (_, v) = planckian(kelvin.get());
    let duv = Duv::new(if p.v < v { -off(mired) } else { off(mired) }).ok()?;
    (50.5..999.0).contains(&mired).then_some((kelvin, duv))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: check values made with colour-science 0.4.7 and luxpy 1.12.5 (reference file
    /// `cct_duv_to_xy.csv`, first three rows). Tolerance: what the approximation is said to be off by.
    #[test]
    fn the_approximation_is_near_enough_to_read_a_plan() {
        for (t, duv, x, y) in [
            (6818.87, -0.00837, 0.311_205_240_490_43, 0.305_891_588_832_71),
            (4296.86, -0.01453, 0.361_097_158_882_46, 0.335_496_083_442_78),
            (9042.91, 0.00259, 0.285_201_215_699_79, 0.298_528_808_572_53),
        ] {
            let found = xy(Kelvin::new(t).unwrap(), Duv::new(duv).unwrap());
            assert!((found.x - x).abs() < 1e-3 && (found.y - y).abs() < 1e-3, "{found:?}");
            let (back, tint) = kelvin(found).unwrap();
            assert!((1e6 / back.get() - 1e6 / t).abs() < 0.5 && (tint.get() - duv).abs() < 1e-4);
        }
    }
}
