//! The light on a surface: every lamp's front, boards, and one bounce off the room.

use super::field::Field;
use crate::light::card::Card;
use crate::light::geometry::{Front, Plane, Shape};
use crate::light::vector::{across, dot, length, minus, plus, unit};
use crate::picture::colour::Rgb;
use crate::plan::Metres;

/// A lamp's front, or a window, with what it gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Where it is and how it shines.
    pub front: Front,
    /// Lux at 1 m on its axis, loss counted, as linear sRGB.
    pub rgb: Rgb,
}

/// A lit part of a wall, the floor or a board, matt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Where it is; it shines from the side that it faces to.
    pub card: Card,
    /// What it sends out, in lm/m² as linear sRGB.
    pub rgb: Rgb,
}

/// A bounce board: its whole, for shadows, and its parts.
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// All of it.
    pub card: Card,
    /// Parts.
    pub patches: Vec<Patch>,
}

/// Where the solid stands: from the set's axes to its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Its origin on the set, in metres.
    pub at: Metres,
    /// Unit vector of its own y axis, level.
    pub forward: Metres,
}

impl Pose {
    /// A direction of the set in the solid's own axes.
    #[must_use]
    pub fn turned(&self, v: Metres) -> Metres {
        let f = self.forward;
        [v[0] * f[1] - v[1] * f[0], v[0] * f[0] + v[1] * f[1], v[2]]
    }

    /// A point of the set in the solid's own axes.
    #[must_use]
    pub fn inside(&self, p: Metres) -> Metres {
        self.turned(minus(p, self.at))
    }

    /// A direction of the solid's own axes on the set.
    #[must_use]
    pub fn outside(&self, v: Metres) -> Metres {
        let f = self.forward;
        [v[0] * f[1] + v[1] * f[0], v[1] * f[1] - v[0] * f[0], v[2]]
    }

    /// A point of the solid's own axes on the set.
    #[must_use]
    pub fn place(&self, p: Metres) -> Metres {
        plus(self.at, 1.0, self.outside(p))
    }
}

/// What may stand between a front and a surface.
pub struct Between<'s> {
    /// The solid's grid.
    pub field: &'s Field,
    /// Where it stands.
    pub pose: Pose,
    /// Balls on the set that hold all of it.
    pub balls: Vec<(Metres, f64)>,
    /// Flags.
    pub flags: &'s [Card],
    /// Looks at a front's rim that decide whether it is in part shadow, and looks at all of it where it is.
    pub looks: (u32, u32),
}

/// A surface steps off itself by this, in metres, so that it does not shade itself.
const OFF_M: f64 = 1.5e-3;

impl Between<'_> {
    /// True if no line from `p` to a disc of `radius` round `to` can meet the solid.
    fn clear(&self, p: Metres, to: Metres, radius: f64) -> bool {
        let way = minus(to, p);
        let square = dot(way, way).max(1e-12);
        self.balls.iter().all(|(middle, ball)| {
            let along = (dot(minus(*middle, p), way) / square).clamp(0.0, 1.0);
            // The bundle of lines is widest at the disc.
            length(minus(*middle, plus(p, along, way))) > ball + along * radius
        })
    }

    /// Share of a front's light at a plane that is not shaded, 0 to 1. `turn`: any number, 0 to 1, that turns the pattern
    /// of looks.
    pub fn seen(&self, front: &Front, plane: &Plane, turn: f64) -> f64 {
        let direction = unit(minus(plane.position, front.position)).unwrap_or(front.axis);
        let facing = match front.shape {
            Shape::Even => direction,
            Shape::Measured(_) if dot(front.axis, direction) <= 0.0 => direction,
            Shape::Cosine(_) | Shape::Measured(_) => front.axis,
        };
        let (side, up) = across(facing);
        let radius = front.radius_m;
        self.share(plane, front.position, radius, facing, turn, &|far, round| {
            let (sin, cos) = round.sin_cos();
            plus(plus(front.position, radius * far * cos, side), radius * far * sin, up)
        })
    }

    /// The same for a flat rectangle that shines.
    pub fn seen_card(&self, card: &Card, plane: &Plane, turn: f64) -> f64 {
        let radius = length(card.half_side).hypot(length(card.half_up));
        self.share(plane, card.middle, radius, card.facing, turn, &|far, round| {
            // The disc drawn out to the square: its rim is the rim. Not quite even, near enough for a shadow.
            let (sin, cos) = round.sin_cos();
            let out = far / sin.abs().max(cos.abs());
            let (u, v) = (out * cos, out * sin);
            plus(plus(card.middle, u, card.half_side), v, card.half_up)
        })
    }

    fn share(
        &self,
        plane: &Plane,
        middle: Metres,
        radius: f64,
        facing: Metres,
        turn: f64,
        point: &dyn Fn(f64, f64) -> Metres,
    ) -> f64 {
        let flags: Vec<&Card> =
            self.flags.iter().filter(|f| f.may_shade(middle, radius, plane.position)).collect();
        let body = !self.clear(plane.position, middle, radius);
        if !body && flags.is_empty() {
            return 1.0;
        }
        let from = plus(plane.position, OFF_M, plane.normal);
        let inside = self.pose.inside(from);
        // Most lit skin sees all of a front: one look that is as wide as the front tells it.
        let to_middle = minus(middle, from);
        let long = length(to_middle);
        let along = || self.pose.turned(to_middle.map(|c| c / long));
        if flags.is_empty() && radius > 0.0 && self.field.open(inside, along(), long, radius) {
            return 1.0;
        }
        // A look's weight in the light, and whether it is free.
        let look = |far: f64, round: f64| {
            let at = if radius > 0.0 { point(far, round) } else { middle };
            let ray = minus(at, from);
            let square = dot(ray, ray);
            let weight = dot(ray, plane.normal).max(0.0) * (-dot(ray, facing)).max(0.0) / (square * square);
            let free = || {
                let long = square.sqrt();
                let way = self.pose.turned(ray.map(|c| c / long));
                flags.iter().all(|f| !f.stops(at, plane.position))
                    && (!body || self.field.met(inside, way, long).is_none())
            };
            (weight, weight > 0.0 && free())
        };
        let shown = |far: f64, round: f64| {
            let (weight, free) = look(far, round);
            (weight > 0.0).then_some(free)
        };
        let Some(first) = shown(0.0, 0.0) else { return self.sum(radius, turn, &look) };
        if radius <= 0.0 {
            return if first { 1.0 } else { 0.0 };
        }
        // Whatever comes in comes in over the rim: between six points there a straight edge hides 3 % at most.
        let rim = self.looks.0;
        let alike = (0..rim).all(|i| {
            let round = (f64::from(i) + turn) / f64::from(rim) * std::f64::consts::TAU;
            shown(0.97, round).is_none_or(|free| free == first)
        });
        if alike {
            return if first { 1.0 } else { 0.0 };
        }
        self.sum(radius, turn, &look)
    }

    /// The share by all looks, even over the disc: the van der Corput row and the golden angle.
    fn sum(&self, radius: f64, turn: f64, look: &dyn Fn(f64, f64) -> (f64, bool)) -> f64 {
        let all = if radius > 0.0 { self.looks.1 } else { 1 };
        let (mut whole, mut open) = (0.0, 0.0);
        for i in 0..all {
            let far = (f64::from(reversed(i)) + turn).fract().sqrt();
            let round = (f64::from(i) * 0.618_033_988_749_894_9 + turn).fract() * std::f64::consts::TAU;
            let (weight, free) = look(far, round);
            whole += weight;
            open += if free { weight } else { 0.0 };
        }
        if whole > 0.0 { open / whole } else { 1.0 }
    }
}

/// The van der Corput row in base 2. Source: van der Corput 1935; 32 bits turned round.
fn reversed(i: u32) -> f32 {
    (f64::from(i.reverse_bits()) / 4_294_967_296.0) as f32
}

/// Directions of a [`Around`] from pole to pole, and round.
const RINGS: usize = 16;
const SPOKES: usize = 32;

/// What patches all round give to a small plane in one place, whichever way it faces: a table over directions.
#[derive(Debug, Clone, PartialEq)]
pub struct Around {
    values: Vec<Rgb>,
}

impl Around {
    /// Works the table out: exact at its own directions (Lambert's formula for polygons), straight between.
    #[must_use]
    pub fn of(patches: &[Patch], at: Metres) -> Self {
        let mut values = Vec::with_capacity((RINGS + 1) * SPOKES);
        for ring in 0..=RINGS {
            for spoke in 0..SPOKES {
                let up = (ring as f64 * std::f64::consts::PI / RINGS as f64).cos();
                let flat = (1.0 - up * up).max(0.0).sqrt();
                let (sin, cos) = (spoke as f64 * std::f64::consts::TAU / SPOKES as f64).sin_cos();
                let plane = Plane { position: at, normal: [flat * cos, flat * sin, up] };
                values.push(patches_on(patches, &plane));
            }
        }
        Self { values }
    }

    /// Illuminance of a plane that faces along `normal`.
    #[must_use]
    pub fn on(&self, normal: Metres) -> Rgb {
        let down = normal[2].clamp(-1.0, 1.0).acos() / std::f64::consts::PI * RINGS as f64;
        let round = normal[1].atan2(normal[0]).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU
            * SPOKES as f64;
        let (ring, spoke) = ((down as usize).min(RINGS - 1), round as usize % SPOKES);
        let (u, v) = (down - ring as f64, round - round.floor());
        let at = |r: usize, s: usize| self.values[r * SPOKES + s % SPOKES];
        let (a, b, c, d) =
            (at(ring, spoke), at(ring, spoke + 1), at(ring + 1, spoke), at(ring + 1, spoke + 1));
        [0, 1, 2]
            .map(|i: usize| (1.0 - u) * ((1.0 - v) * a[i] + v * b[i]) + u * ((1.0 - v) * c[i] + v * d[i]))
    }
}

/// Illuminance of a plane by patches, nothing in the way.
#[must_use]
pub fn patches_on(patches: &[Patch], plane: &Plane) -> Rgb {
    let mut sum = [0.0; 3];
    for patch in patches {
        let lux = patch.card.lux_on(plane);
        if lux > 0.0 {
            for (to, from) in sum.iter_mut().zip(patch.rgb) {
                *to += lux * from;
            }
        }
    }
    sum
}

/// How open a point of a solid is to what is all round, 0 to 1: distances along its normal against those over a flat surface.
///
/// Exact for a ball and a plane (1); in folds an estimate. Source: the usual five-sample estimate from signed distances.
#[must_use]
pub fn open(distance: &dyn Fn(Metres) -> f64, at: Metres, normal: Metres) -> f64 {
    let (mut hidden, mut weight, mut all) = (0.0, 1.0, 0.0);
    for i in 1..=5 {
        let far = 0.004 * f64::from(1_u32 << i);
        let d = distance(plus(at, far, normal));
        hidden += weight * ((far - d) / far).clamp(0.0, 1.0);
        all += weight;
        weight *= 0.85;
    }
    (1.0 - 1.1 * hidden / all).clamp(0.0, 1.0)
}

/// Sheen towards the eye of a front's light: Blinn's lobe, widened by the front's own size, against a matt white surface.
///
/// `eye`: unit vector from the surface to the eye. Normalised so that a larger front gives a broader, dimmer sheen. Source:
/// Blinn 1977; Schlick's Fresnel 1994. A judgement of how skin shines, not a measurement.
#[must_use]
pub fn sheen(front: &Front, plane: &Plane, eye: Metres, gloss: f64) -> f64 {
    let way = minus(front.position, plane.position);
    let Some(to) = unit(way) else { return 0.0 };
    let Some(half) = unit(plus(to, 1.0, eye)) else { return 0.0 };
    let (nl, nh, vh) = (dot(plane.normal, to), dot(plane.normal, half), dot(eye, half).clamp(0.0, 1.0));
    if nl <= 0.0 || nh <= 0.0 {
        return 0.0;
    }
    let spread = front.radius_m / length(way);
    // Skin's own roughness, and the angle that the front fills.
    let rough = 0.12 + 0.25 * spread * spread;
    let power = 2.0 / rough - 2.0;
    let fresnel = gloss + (1.0 - gloss) * (1.0 - vh).powi(5) * 0.35;
    // (n + 8) / 8 makes a lobe of one power as bright as its neighbour in sum; a matt surface sends 1.
    fresnel * (power + 8.0) / 8.0 * nh.powf(power)
}

/// What a mirror shows of a front, against a matt white surface under one lux at 1 m of it: pi times the front's luminance where the
/// mirrored ray meets it, else 0. `eye`: as for [`sheen`]. Source: L = E (d² + R²) / (pi R²) of a matt disc; Schlick's Fresnel 1994.
#[must_use]
pub fn mirrored(front: &Front, plane: &Plane, eye: Metres, straight_on: f64) -> f64 {
    let along = dot(plane.normal, eye);
    let way = plus(plane.normal.map(|c| 2.0 * along * c), -1.0, eye);
    let against = dot(way, front.axis);
    let radius = front.radius_m;
    if radius <= 0.0 || against >= -1e-6 || along <= 0.0 {
        return 0.0;
    }
    let far = dot(minus(front.position, plane.position), front.axis) / against;
    if far <= 0.0 || length(minus(plus(plane.position, far, way), front.position)) > radius {
        return 0.0;
    }
    let fresnel = straight_on + (1.0 - straight_on) * (1.0 - along).powi(5);
    fresnel * (1.0 + radius * radius) / (radius * radius)
}
