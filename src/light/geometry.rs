//! Light of one front on a small plane anywhere in space: disc, beam, horizon, things in the way.
//!
//! Everything is linear in the light, so all of it is worked out for a lamp that reads 1 lx at 1 m on
//! its axis. The approximations and their errors are in `docs/light.md`.

use std::sync::Arc;

use super::card::{Card, polygon};
use super::ies::Photometry;
use super::vector::{across, dot, length, minus, plus, unit};
use crate::plan::{Fixture, Metres};

/// Corners of the polygon that stands for a disc cut by the receptor's horizon. It has the disc's area;
/// what is left is under 1e-3 of the light of the whole disc.
const CORNERS: usize = 64;
/// Points of a disc that are looked at from a meter point for what stands in the way: a penumbra has so
/// many steps.
pub const FINE: u32 = 1024;
/// The same from a part of a wall or board, of which there are many.
pub const COARSE: u32 = 64;
/// Nearer than this to a front's plane, in cosines, its beam is not followed any further: the direction
/// from its middle says nothing there.
const GRAZING: f64 = 0.02;
/// How a lamp's intensity falls off with the angle.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// The same in all directions: a globe, or a lamp of which neither beam nor front is known.
    Even,
    /// As the cosine of the angle off the axis to this power, 0 or more; nothing behind. 1 is a matt disc.
    Cosine(f64),
    /// As measured, against its own axis, where there is light. Its horizontal angle 0 is level, to the
    /// left as seen from behind the lamp; 90 is up (judgement: the lamp stands upright).
    Measured(Arc<Photometry>),
}

impl Shape {
    /// The shape of a beam by its full angle at half intensity, in degrees; see
    /// [`super::photometry::PointLamp::candela_towards`] for the model.
    ///
    /// From 180 degrees on no such cosine exists: the same in all directions. Without a beam a lamp with
    /// a front is a matt disc, one without either is even.
    #[must_use]
    pub fn of_beam(full_angle_deg: Option<f64>, radius_m: f64) -> Self {
        match full_angle_deg {
            Some(angle) if angle < 180.0 => {
                Self::Cosine(0.5_f64.ln() / (0.5 * angle).to_radians().cos().ln())
            }
            None if radius_m > 0.0 => Self::Cosine(1.0),
            _ => Self::Even,
        }
    }

    /// Intensity in a direction as a share of that on the axis; both of length 1.
    #[must_use]
    pub fn relative(&self, axis: Metres, direction: Metres) -> f64 {
        let cosine = dot(axis, direction).clamp(-1.0, 1.0);
        match self {
            Self::Even => 1.0,
            Self::Cosine(_) if cosine <= 0.0 => 0.0,
            Self::Cosine(power) => cosine.powf(*power),
            Self::Measured(measured) => {
                let (side, up) = across(axis);
                let round = dot(direction, up).atan2(dot(direction, side)).to_degrees();
                measured.candela(cosine.acos().to_degrees(), round) / measured.axis_cd()
            }
        }
    }

    /// Which way the front is taken to face for a point in a direction, and the beam's intensity there
    /// against a matt disc's that faces so. A globe, and what shines backwards, turns the same face to
    /// every point.
    fn faced(&self, axis: Metres, direction: Metres) -> (Metres, f64) {
        let (cosine, relative) = (dot(axis, direction), self.relative(axis, direction));
        match self {
            Self::Even => (direction, relative),
            Self::Measured(_) if cosine <= 0.0 => (direction, relative),
            Self::Cosine(_) | Self::Measured(_) => (axis, relative / cosine.max(GRAZING)),
        }
    }
}

/// A lit front: where it is, how large, and where it shines to.
#[derive(Debug, Clone, PartialEq)]
pub struct Front {
    /// Its middle, in metres.
    pub position: Metres,
    /// Unit vector along its axis.
    pub axis: Metres,
    /// Radius in metres; 0 for a point.
    pub radius_m: f64,
    /// Its beam.
    pub shape: Shape,
}

/// A small flat receptor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// Where it is, in metres.
    pub position: Metres,
    /// Unit vector that it faces along.
    pub normal: Metres,
}

impl Front {
    /// The front of a fixture behind all its modifiers; their loss is not in it.
    #[must_use]
    pub fn of(fixture: &Fixture) -> Self {
        let radius_m = fixture.radius_m.unwrap_or(0.0);
        let place = &fixture.place;
        // A modifier's beam goes over a measured one.
        let measured = fixture.profile.ies.as_ref().filter(|_| fixture.beam_deg.is_none());
        let measured =
            measured.and_then(|f| Photometry::read(&f.text).ok()).map(|m| Shape::Measured(Arc::new(m)));
        Self {
            position: place.position,
            axis: unit(minus(place.aim_point, place.position)).unwrap_or([0.0, 1.0, 0.0]),
            radius_m,
            shape: measured.unwrap_or_else(|| Shape::of_beam(fixture.beam_deg, radius_m)),
        }
    }

    /// Illuminance on `plane` in lux for 1 lx at 1 m on the axis, nothing in the way.
    ///
    /// An even matt disc, exact at any distance and angle, times the beam's intensity against that of a
    /// matt disc in the direction from the disc's middle. On the axis this is
    /// [`super::photometry::lux_at_distance`]. Source: closed forms of the cosine law over a disc
    /// (Foote 1915, from memory; a test integrates them numerically); Lambert's formula for a polygon
    /// where the receptor's horizon cuts the disc.
    #[must_use]
    pub fn lux_on(&self, plane: &Plane) -> f64 {
        let way = minus(plane.position, self.position);
        let Some(direction) = unit(way) else { return 0.0 };
        let distance = length(way);
        let relative = self.shape.relative(self.axis, direction);
        if relative <= 0.0 {
            return 0.0;
        }
        let radius = self.radius_m;
        if radius <= 0.0 {
            return relative * (-dot(direction, plane.normal)).max(0.0) / (distance * distance);
        }
        let (facing, against_matt) = self.shape.faced(self.axis, direction);
        let square = radius * radius;
        (1.0 + square) * against_matt * disc(self.position, facing, radius, plane)
            / (std::f64::consts::PI * square)
    }

    /// Share of this front's light on `plane` that things in the way leave, 0 to 1, by `looks` points of
    /// the disc.
    #[must_use]
    pub fn seen_past(&self, plane: &Plane, cards: &[Card], looks: u32) -> f64 {
        let near = |card: &&Card| card.may_shade(self.position, self.radius_m, plane.position);
        let cards: Vec<_> = cards.iter().filter(near).collect();
        if cards.is_empty() {
            return 1.0;
        }
        if self.radius_m <= 0.0 {
            let open = cards.iter().all(|c| !c.stops(self.position, plane.position));
            return if open { 1.0 } else { 0.0 };
        }
        let direction = unit(minus(plane.position, self.position)).unwrap_or(self.axis);
        let (facing, _) = self.shape.faced(self.axis, direction);
        let (side, up) = across(facing);
        let (mut all, mut open) = (0.0, 0.0);
        for i in 0..looks {
            // A sunflower: even over the disc's area, and the same every time.
            let far = self.radius_m * ((f64::from(i) + 0.5) / f64::from(looks)).sqrt();
            let (sin, cos) = (f64::from(i) * 2.399_963_229_728_653).sin_cos();
            let at = plus(plus(self.position, far * cos, side), far * sin, up);
            let ray = minus(at, plane.position);
            let square = dot(ray, ray);
            let weight = dot(ray, plane.normal).max(0.0) * (-dot(ray, facing)).max(0.0) / (square * square);
            all += weight;
            if cards.iter().all(|c| !c.stops(at, plane.position)) {
                open += weight;
            }
        }
        if all > 0.0 { open / all } else { 1.0 }
    }
}

/// The integral of cosine times cosine over distance squared over a disc, as seen from `plane`.
fn disc(middle: Metres, facing: Metres, radius: f64, plane: &Plane) -> f64 {
    let way = minus(plane.position, middle);
    let height = dot(way, facing);
    if height <= 0.0 {
        return 0.0;
    }
    let normal = plane.normal;
    let aside = plus(way, -height, facing);
    // How far the disc's middle stands above the horizon, and how far its rim reaches down from there.
    let above = -dot(way, normal);
    let reach = radius * length(plus(normal, -dot(normal, facing), facing));
    if above + reach <= 0.0 {
        return 0.0;
    }
    if above < reach {
        let (side, up) = across(facing);
        let step = std::f64::consts::TAU / CORNERS as f64;
        let rim = radius * (step / step.sin()).sqrt();
        let corners: Vec<_> = (0..CORNERS)
            .map(|i| {
                let (sin, cos) = (i as f64 * step).sin_cos();
                plus(plus(middle, rim * cos, side), rim * sin, up)
            })
            .collect();
        return polygon(&corners, plane);
    }
    let off = length(aside);
    let (h2, p2, r2) = (height * height, off * off, radius * radius);
    let root = ((h2 + p2 + r2).powi(2) - 4.0 * r2 * p2).max(0.0).sqrt();
    let half_pi = std::f64::consts::FRAC_PI_2;
    // 1 - (h² + p² - R²) / root, without the cancellation far off.
    let axial = half_pi * (4.0 * h2 * r2) / (root * (root + h2 + p2 - r2));
    let radial = if off > 1e-9 * radius {
        // (h² + p² + R²) / root - 1 = 4 R² p² / (root (root + h² + p² + R²)).
        half_pi * height * 4.0 * r2 * off / (root * (root + h2 + p2 + r2))
    } else {
        0.0
    };
    let sideways = if off > 0.0 { dot(aside, normal) / off } else { 0.0 };
    (axial * -dot(facing, normal) - radial * sideways).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::light::photometry;
    use proptest::prelude::*;

    fn front(radius_m: f64, shape: Shape) -> Front {
        Front { position: [0.0, -2.0, 0.5], axis: [0.0, 1.0, 0.0], radius_m, shape }
    }

    /// Midpoint rule over rings and angles of the disc: the cosine law and nothing else.
    fn by_integration(front: &Front, plane: &Plane, rings: u32, spokes: u32) -> f64 {
        let (side, up) = ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0]);
        let mut sum = 0.0;
        for i in 0..rings {
            let far = front.radius_m * ((f64::from(i) + 0.5) / f64::from(rings)).sqrt();
            for j in 0..spokes {
                let (sin, cos) = ((f64::from(j) + 0.5) * std::f64::consts::TAU / f64::from(spokes)).sin_cos();
                let at = plus(plus(front.position, far * cos, side), far * sin, up);
                let ray = minus(at, plane.position);
                let square = dot(ray, ray);
                let cosines = dot(ray, plane.normal).max(0.0) * (-dot(ray, front.axis)).max(0.0);
                sum += cosines / (square * square);
            }
        }
        let reading = 1.0 + front.radius_m * front.radius_m;
        reading * sum / f64::from(rings * spokes)
    }

    proptest! {
        /// Source: numeric integration of the cosine law over the disc, 400 x 180 points.
        #[test]
        fn a_matt_disc_lights_as_its_parts_do_wherever_the_receptor_is(
            radius in 0.05..0.6, x in -1.5..1.5, y in -1.4..1.0, z in -1.0..2.0,
            n in (-1.0..1.0, -1.0..1.0, -1.0..1.0),
        ) {
            let Some(normal) = unit([n.0, n.1, n.2]) else { return Ok(()) };
            let plane = Plane { position: [x, y, z], normal };
            let front = front(radius, Shape::Cosine(1.0));
            let (found, wanted) = (front.lux_on(&plane), by_integration(&front, &plane, 400, 180));
            // Against the light of a receptor that is turned to the front, since some of them are all but edge on.
            let way = minus(front.position, plane.position);
            let whole = 1.0 / dot(way, way);
            prop_assert!((found - wanted).abs() < 1e-3 * whole, "{found}, not {wanted}");
        }
    }

    #[test]
    fn on_its_axis_a_disc_follows_the_disc_law_whatever_its_beam() {
        for shape in [Shape::Cosine(1.0), Shape::Cosine(4.3), Shape::Cosine(0.6), Shape::Even] {
            for (radius, distance) in [(0.0, 0.7), (0.1, 0.4), (0.45, 1.6), (0.6, 0.3)] {
                let plane = Plane { position: [0.0, -2.0 + distance, 0.5], normal: [0.0, -1.0, 0.0] };
                let wanted = photometry::lux_at_distance(1.0, radius, distance);
                let found = front(radius, shape.clone()).lux_on(&plane);
                assert!((found / wanted - 1.0).abs() < 1e-12, "{shape:?} {radius} {distance}: {found}");
            }
        }
    }

    #[test]
    fn a_flag_takes_all_none_or_part_of_a_disc() {
        let front = front(0.3, Shape::Cosine(1.0));
        let plane = Plane { position: [0.0, 0.0, 0.5], normal: [0.0, -1.0, 0.0] };
        let flag = |x: f64, width: f64| Card::new([x, -1.0, 0.5], [0.0, -1.0, 0.0], (width, 2.0));
        assert_eq!(front.seen_past(&plane, &[flag(0.0, 1.0)], FINE), 0.0);
        assert_eq!(front.seen_past(&plane, &[flag(2.0, 1.0)], FINE), 1.0);
        // Its edge on the axis: half the disc, by symmetry.
        let half = front.seen_past(&plane, &[flag(0.5, 1.0)], FINE);
        assert!((half - 0.5).abs() < 0.005, "{half}");
        let point = Front { radius_m: 0.0, ..front.clone() };
        assert_eq!(point.seen_past(&plane, &[flag(0.5, 0.99)], FINE), 1.0);
        assert_eq!(point.seen_past(&plane, &[flag(0.5, 1.01)], FINE), 0.0);
        // Behind the receptor or behind the lamp it is in nobody's way.
        for y in [0.5, -2.5] {
            let behind = Card::new([0.0, y, 0.5], [0.0, -1.0, 0.0], (1.0, 1.0));
            assert_eq!(front.seen_past(&plane, &[behind], FINE), 1.0);
        }
    }
}
