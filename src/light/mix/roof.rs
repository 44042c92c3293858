//! The most light at any colour of a gamut, for many colours of one lamp: all answers of the linear
//! program worked out beforehand.
//!
//! What the drives 0 to 1 can give is a zonotope in (W, W u', W v'); the most light at a colour lies where
//! the ray of that colour leaves it. Its facets belong to pairs of emitters: on one, every other emitter is
//! full or dark and the two share what is left. A colour costs one product a facet. Source: textbook
//! geometry (a zonotope's facets are spanned by pairs of its generators in three dimensions).

use super::lit;
use crate::plan::{Emitter, MAX_EMITTERS};
use crate::units::Uv76;

/// Facets of eight emitters in general position: two for each pair.
const MOST_FACETS: usize = MAX_EMITTERS * (MAX_EMITTERS - 1);
/// Share of the lengths under which directions count as one: `program` decides there.
const TIE: f64 = 1e-9;
/// What a drive may be past its ends by rounding.
const ROUNDING: f64 = 1e-12;

type Vector = [f64; 3];

/// A facet: the pair that shares, and which others are full.
#[derive(Debug, Clone, Copy)]
struct Facet {
    /// Outward, over its distance from the dark: its product with a point of the facet is 1.
    normal: Vector,
    pair: [usize; 2],
    full: [bool; MAX_EMITTERS],
    /// False where more than two emitters lie in one plane: the share is no longer given by the pair.
    plain: bool,
}

/// The outside of what a lamp can give.
#[derive(Debug, Clone)]
pub(super) struct Roof {
    reach: [Vector; MAX_EMITTERS],
    index: [usize; MAX_EMITTERS],
    len: usize,
    facets: [Facet; MOST_FACETS],
    count: usize,
}

impl Roof {
    pub fn of(emitters: &[Emitter]) -> Self {
        let none = Facet { normal: [0.0; 3], pair: [0; 2], full: [false; MAX_EMITTERS], plain: false };
        let mut roof = Self {
            reach: [[0.0; 3]; MAX_EMITTERS],
            index: [0; MAX_EMITTERS],
            len: 0,
            facets: [none; MOST_FACETS],
            count: 0,
        };
        for (i, emitter) in lit(emitters) {
            let uv = emitter.xy.uv76();
            let weight = 9.0 * emitter.lux_at_1m / uv.v;
            roof.reach[roof.len] = [weight, weight * uv.u, weight * uv.v];
            roof.index[roof.len] = i;
            roof.len += 1;
        }
        for i in 0..roof.len {
            for j in i + 1..roof.len {
                roof.add(i, j);
            }
        }
        roof
    }

    /// Both facets of a pair.
    fn add(&mut self, i: usize, j: usize) {
        let normal = cross(self.reach[i], self.reach[j]);
        let length = dot(normal, normal).sqrt();
        let of = |v: Vector| dot(v, v).sqrt();
        if length <= TIE * of(self.reach[i]) * of(self.reach[j]) {
            return;
        }
        let mut plain = true;
        let (mut up, mut down) = ([false; MAX_EMITTERS], [false; MAX_EMITTERS]);
        let (mut above, mut below) = (0.0, 0.0);
        for k in (0..self.len).filter(|k| *k != i && *k != j) {
            let height = dot(normal, self.reach[k]);
            plain &= height.abs() > TIE * length * of(self.reach[k]);
            if height > 0.0 {
                up[k] = true;
                above += height;
            } else {
                down[k] = true;
                below -= height;
            }
        }
        for (height, sign, full) in [(above, 1.0, up), (below, -1.0, down)] {
            // A facet through the dark is a side of the gamut: no colour inside leaves by it.
            let over = sign / height.max(f64::MIN_POSITIVE);
            let normal = normal.map(|n| n * over);
            self.facets[self.count] = Facet { normal, pair: [i, j], full, plain: plain && height > 0.0 };
            self.count += 1;
        }
    }

    /// The drives of most light at a colour inside of the gamut, in the emitters' order, but for rounding;
    /// `None` where that is not plain: out of the gamut or on its edge, or where emitters tie.
    pub fn drives(&self, at: Uv76) -> Option<[f64; MAX_EMITTERS]> {
        let ray = [1.0, at.u, at.v];
        let mut best = (0.0, None);
        for facet in &self.facets[..self.count] {
            let inverse = dot(facet.normal, ray);
            if inverse > best.0 {
                best = (inverse, Some(facet));
            }
        }
        let facet = best.1.filter(|f| f.plain)?;
        let mut left = ray.map(|r| r / best.0);
        let mut drives = [0.0; MAX_EMITTERS];
        for k in (0..self.len).filter(|k| facet.full[*k]) {
            drives[self.index[k]] = 1.0;
            left = [0, 1, 2].map(|c| left[c] - self.reach[k][c]);
        }
        let [i, j] = facet.pair;
        let (a, b) = (self.reach[i], self.reach[j]);
        let across = cross(a, b);
        let over = dot(across, across);
        for (emitter, drive) in
            [(i, dot(cross(left, b), across) / over), (j, dot(cross(a, left), across) / over)]
        {
            if !(-ROUNDING..=1.0 + ROUNDING).contains(&drive) {
                return None;
            }
            drives[self.index[emitter]] = drive.clamp(0.0, 1.0);
        }
        Some(drives)
    }
}

fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::light::mix::{light_of, most_light};
    use crate::units::{Watts, Xy};
    use proptest::prelude::*;

    fn any_emitter() -> impl Strategy<Value = Emitter> {
        (0.05..0.6, 0.1..0.58, 1.0..2000.0).prop_map(|(u, v, lux)| Emitter {
            name: String::new(),
            xy: Uv76 { u, v }.xy(),
            lux_at_1m: lux,
            watts: Watts::clamped(10.0),
            spectrum: None,
        })
    }

    proptest! {
        /// Source: the linear program, solved by its dual (see `program`).
        #[test]
        fn a_colour_s_most_light_is_what_the_linear_program_finds(
            emitters in prop::collection::vec(any_emitter(), 3..=8),
            weights in prop::collection::vec(0.01_f64..1.0, 8),
        ) {
            let (_, Some(target)) = light_of(&emitters, &weights) else { return Ok(()) };
            let Some(drives) = Roof::of(&emitters).drives(target.uv76()) else { return Ok(()) };
            let wanted = most_light(&emitters, target);
            let (lux, xy) = light_of(&emitters, &drives);
            prop_assert!((lux / wanted.lux_at_1m - 1.0).abs() < 1e-9, "{} {:?}", lux, wanted);
            prop_assert!(xy.is_some_and(|xy: Xy| xy.uv76().distance(target.uv76()) < 1e-9));
        }
    }

    #[test]
    fn colours_out_of_the_gamut_and_emitters_that_tie_are_left_to_the_linear_program() {
        let at = |x, y, lux| Emitter {
            name: String::new(),
            xy: Xy { x, y },
            lux_at_1m: lux,
            watts: Watts::clamped(10.0),
            spectrum: None,
        };
        let rgb = [at(0.69, 0.30, 200.0), at(0.20, 0.70, 500.0), at(0.15, 0.04, 60.0)];
        let roof = Roof::of(&rgb);
        assert!(roof.drives(Xy { x: 0.33, y: 0.33 }.uv76()).is_some());
        assert!(roof.drives(Xy { x: 0.05, y: 0.5 }.uv76()).is_none());
        let twins =
            [at(0.69, 0.30, 200.0), at(0.69, 0.30, 200.0), at(0.20, 0.70, 500.0), at(0.15, 0.04, 60.0)];
        assert!(Roof::of(&twins).drives(Xy { x: 0.4, y: 0.33 }.uv76()).is_none());
    }
}
