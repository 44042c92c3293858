//! Flat rectangles and polygons: flags, bounce boards, parts of walls, and how much of them is seen.

use super::geometry::Plane;
use super::vector::{across, cross, dot, length, minus, plus};
use crate::plan::Metres;

/// A receptor no farther than this from a card's plane, in metres, lies in it and sees nothing of it.
const IN_PLANE_M: f64 = 1e-6;

/// The integral of cosine times cosine over distance squared over a polygon, whichever of its sides is
/// seen: Lambert's formula, the part under the receptor's horizon cut off. Times a luminance it is an
/// illuminance.
#[must_use]
pub fn polygon(corners: &[Metres], plane: &Plane) -> f64 {
    let heights: Vec<f64> = corners.iter().map(|c| dot(minus(*c, plane.position), plane.normal)).collect();
    if heights.iter().all(|h| *h <= 0.0) {
        return 0.0;
    }
    let mut kept = Vec::with_capacity(corners.len() + 1);
    for i in 0..corners.len() {
        let j = (i + 1) % corners.len();
        let (here, next) = (heights[i], heights[j]);
        if here >= 0.0 {
            kept.push(minus(corners[i], plane.position));
        }
        if (here > 0.0 && next < 0.0) || (here < 0.0 && next > 0.0) {
            let cut = plus(corners[i], here / (here - next), minus(corners[j], corners[i]));
            kept.push(minus(cut, plane.position));
        }
    }
    let mut sum = 0.0;
    for i in 0..kept.len() {
        let (a, b) = (kept[i], kept[(i + 1) % kept.len()]);
        let normal = cross(a, b);
        let sine = length(normal);
        if sine > 0.0 {
            sum += sine.atan2(dot(a, b)) * dot(normal, plane.normal) / sine;
        }
    }
    0.5 * sum.abs()
}

/// A flat rectangle: a flag, a bounce board, a patch of wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Card {
    /// Its middle.
    pub middle: Metres,
    /// Unit vector that it faces along.
    pub facing: Metres,
    /// From the middle to the edge at its side.
    pub half_side: Metres,
    /// From the middle to the edge above.
    pub half_up: Metres,
}

impl Card {
    /// A card of `size_m` (width, height) that faces along `facing`, of length 1, its width horizontal.
    #[must_use]
    pub fn new(middle: Metres, facing: Metres, size_m: (f64, f64)) -> Self {
        let (side, up) = across(facing);
        Self {
            middle,
            facing,
            half_side: side.map(|c| c * 0.5 * size_m.0),
            half_up: up.map(|c| c * 0.5 * size_m.1),
        }
    }

    /// Area in square metres.
    #[must_use]
    pub fn area_m2(&self) -> f64 {
        4.0 * length(self.half_side) * length(self.half_up)
    }

    /// Its four corners, in order round it.
    #[must_use]
    pub fn corners(&self) -> [Metres; 4] {
        [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)]
            .map(|(s, u)| plus(plus(self.middle, s, self.half_side), u, self.half_up))
    }

    /// It cut into equal parts no longer than `longest_m` either way, as far as `most` a way allows.
    #[must_use]
    pub fn parts(&self, longest_m: f64, most: u32) -> Vec<Self> {
        let count = |half: Metres| {
            let wanted = (2.0 * length(half) / longest_m).ceil().clamp(1.0, f64::from(most));
            (1..=most).find(|n| f64::from(*n) >= wanted).unwrap_or(most)
        };
        let (wide, high) = (count(self.half_side), count(self.half_up));
        let along = |i: u32, n: u32| (2.0 * f64::from(i) + 1.0) / f64::from(n) - 1.0;
        let mut parts = Vec::new();
        for i in 0..wide {
            for j in 0..high {
                let middle = plus(self.middle, along(i, wide), self.half_side);
                parts.push(Self {
                    middle: plus(middle, along(j, high), self.half_up),
                    facing: self.facing,
                    half_side: self.half_side.map(|c| c / f64::from(wide)),
                    half_up: self.half_up.map(|c| c / f64::from(high)),
                });
            }
        }
        parts
    }

    /// The receptor that lies on it.
    #[must_use]
    pub fn plane(&self) -> Plane {
        Plane { position: self.middle, normal: self.facing }
    }

    /// Illuminance on `plane` in lux if each of its square metres sends out 1 lm, evenly (Lambert), from
    /// the side that it faces to.
    #[must_use]
    pub fn lux_on(&self, plane: &Plane) -> f64 {
        if dot(minus(plane.position, self.middle), self.facing) <= IN_PLANE_M {
            return 0.0;
        }
        polygon(&self.corners(), plane) / std::f64::consts::PI
    }

    /// True if the straight line between two points goes through it.
    #[must_use]
    pub fn stops(&self, from: Metres, to: Metres) -> bool {
        let way = minus(to, from);
        let across = dot(way, self.facing);
        if across.abs() < 1e-12 {
            return false;
        }
        let part = dot(minus(self.middle, from), self.facing) / across;
        if !(0.0..=1.0).contains(&part) {
            return false;
        }
        let off = minus(plus(from, part, way), self.middle);
        let inside = |half: Metres| dot(off, half).abs() <= dot(half, half);
        inside(self.half_side) && inside(self.half_up)
    }

    /// False only if no line from a disc of `radius_m` round `from` to the point `to` can meet it.
    pub fn may_shade(&self, from: Metres, radius_m: f64, to: Metres) -> bool {
        let way = minus(to, from);
        let square = dot(way, way);
        let part = if square > 0.0 { dot(minus(self.middle, from), way) / square } else { 0.0 };
        let nearest = plus(from, part.clamp(0.0, 1.0), way);
        let across = length(self.half_side).hypot(length(self.half_up));
        length(minus(self.middle, nearest)) <= across + radius_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::light::vector::unit;

    /// Source: Lambert's cosine law: a unit square seen from 1e4 m is a point of area 1; and the whole
    /// half space, here a square of 2 km at 1 m, gives pi.
    #[test]
    fn a_polygon_is_a_point_far_off_and_a_half_space_near_by() {
        let square =
            |half: f64, y: f64| [[half, y, half], [-half, y, half], [-half, y, -half], [half, y, -half]];
        let plane = Plane { position: [0.0; 3], normal: [0.0, 1.0, 0.0] };
        assert!((polygon(&square(0.5, 1e4), &plane) * 1e8 - 1.0).abs() < 1e-6);
        assert!((polygon(&square(1000.0, 1.0), &plane) - std::f64::consts::PI).abs() < 1e-5);
        // Edge on, a plane sees half of it.
        let edge = Plane { position: [0.0; 3], normal: [1.0, 0.0, 0.0] };
        assert!((polygon(&square(1000.0, 1.0), &edge) - std::f64::consts::FRAC_PI_2).abs() < 2e-3);
    }

    #[test]
    fn a_card_cut_into_parts_lights_as_the_whole() {
        let card = Card::new([0.3, 1.0, 0.2], [0.0, -1.0, 0.0], (1.2, 0.8));
        let plane = Plane { position: [0.0; 3], normal: unit([0.5, 1.0, 0.2]).unwrap() };
        let parts = card.parts(0.15, 12);
        assert_eq!(parts.len(), 8 * 6);
        let sum: f64 = parts.iter().map(|p| p.lux_on(&plane)).sum();
        assert!((sum / card.lux_on(&plane) - 1.0).abs() < 1e-12);
        assert!((parts.iter().map(Card::area_m2).sum::<f64>() - 0.96).abs() < 1e-12);
        assert_eq!(card.lux_on(&Plane { position: [0.0, 2.0, 0.0], normal: [0.0, -1.0, 0.0] }), 0.0);
    }
}
