//! A solid by its signed distance: where a ray meets it, and which way its surface faces there.

use super::field::Field;
use crate::plan::Metres;

/// What a surface does with light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    /// Diffuse reflectance, 0 to 1, the same at all wavelengths.
    pub reflectance: f64,
    /// True for skin: what a protected look must hide.
    pub is_face: bool,
    /// Reflectance of its sheen seen straight on; 0 is quite matt.
    pub gloss: f64,
    /// Reflectance of it as a mirror, seen straight on: wet eyes show the fronts that light them.
    pub mirror: f64,
}

/// Something solid.
pub trait Solid: Sync {
    /// A box that holds all of it, its own axes, in metres: least and greatest corner.
    fn bounds(&self) -> (Metres, Metres);
    /// The part of it that needs the finest grid, such as a face; `None`: nothing does.
    fn fine(&self) -> Option<(Metres, Metres)> {
        None
    }
    /// Balls that together hold all of it: middle and radius.
    fn balls(&self) -> Vec<(Metres, f64)>;
    /// Distance to its surface in metres, negative inside; near the surface exact to first order, elsewhere never more than the
    /// true one by much.
    fn distance(&self, p: Metres) -> f64;
    /// What its surface is made of at a point on it.
    fn material(&self, p: Metres) -> Material;
}

/// Near enough to a surface to be on it, in metres.
const ON_M: f64 = 1e-5;

/// The surface that a ray meets, to a hundredth of a millimetre: along the grid, then by the solid itself.
pub fn meeting(solid: &dyn Solid, field: &Field, from: Metres, way: Metres) -> Option<f64> {
    let at = |t: f64| solid.distance([0, 1, 2].map(|i: usize| from[i] + t * way[i]));
    let mut t = field.met(from, way, f64::INFINITY)?;
    let mut d = at(t);
    let mut step = d;
    for _ in 0..8 {
        if d.abs() < ON_M {
            break;
        }
        let next = at(t + step);
        // Along the line through the last two: a grazing ray closes in too slowly by distances alone.
        let slope = (next - d) / step;
        (t, d) = (t + step, next);
        step = if slope < -0.02 { (-d / slope).clamp(-0.004, 0.004) } else { d };
    }
    Some(t)
}

/// The unit vector out of a solid at a point on its surface, by four distances.
pub fn normal(solid: &dyn Solid, p: Metres) -> Metres {
    const E: f64 = 4e-4;
    let mut sum = [0.0; 3];
    for k in [[1.0, -1.0, -1.0], [-1.0, -1.0, 1.0], [-1.0, 1.0, -1.0], [1.0, 1.0, 1.0]] {
        let d = solid.distance([0, 1, 2].map(|i: usize| p[i] + E * k[i]));
        for i in 0..3 {
            sum[i] += k[i] * d;
        }
    }
    crate::light::vector::unit(sum).unwrap_or([0.0, 1.0, 0.0])
}

/// A ball of one material, for checks against closed forms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ball {
    /// Radius in metres; its middle is the origin.
    pub radius: f64,
    /// Its surface.
    pub material: Material,
}

impl Solid for Ball {
    fn bounds(&self) -> (Metres, Metres) {
        ([-self.radius; 3], [self.radius; 3])
    }

    fn balls(&self) -> Vec<(Metres, f64)> {
        vec![([0.0; 3], self.radius)]
    }

    fn distance(&self, p: Metres) -> f64 {
        crate::light::vector::length(p) - self.radius
    }

    fn material(&self, _: Metres) -> Material {
        self.material
    }
}
