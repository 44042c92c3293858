//! Which lamps could light a protected face: the most light that each can put there, by geometry alone.
//!
//! The most over everything that is not known to a hair: the lamp at full with every emitter on, its axis
//! off by 15 degrees in any direction, the face turned anywhere within 60 degrees of any camera. Not
//! here: flags and boards (they can be moved), people in the way, light that bounces, and any error in
//! where the plan says that things stand.

use crate::light::photometry::{Beam, PointLamp};
use crate::plan::{Fixture, FixtureId, Metres, Plan, SubjectId};

/// Error of a lamp's aim in degrees, in any direction. Source: the requirement's rule; judgement.
pub const AIM_ERROR_DEG: f64 = 15.0;
/// How far a face may be turned away from a camera that still shows it, in degrees; as above.
pub const TURNED_DEG: f64 = 60.0;
/// A lamp reaches a face if it gives more than this share of the 0-stops illuminance there: eight stops under
/// it. A plan may set less, never more. Judgement: common silhouettes have 4 to 5 stops, and cameras
/// record detail under that.
pub const LEAST_SHARE: f64 = 1.0 / 256.0;
/// Diffuse reflectance of skin taken for the margin: that of very light skin, so that no face shows more.
/// From memory (measured spectra average about 0.2 to 0.6); darker skin is safer by up to 3 stops.
pub const SKIN_REFLECTANCE: f64 = 0.4;

/// A lamp as the guard takes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// The middle of its lit front, in metres.
    pub position: Metres,
    /// The point that it is aimed at, in metres.
    pub aim: Metres,
    /// Luminous intensity on its axis at full in candela, as a reading at 1 m gives it.
    pub candela: f64,
    /// Full angle at half intensity in degrees; `None`, or 180 and more: the same in all directions.
    pub beam_deg: Option<f64>,
    /// Radius of its lit front in metres; 0 for a point.
    pub radius_m: f64,
}

impl Source {
    /// A fixture behind its modifiers, at full with every emitter on.
    ///
    /// Modifiers none of which states a beam make it unknown: what is in front may spread the light.
    #[must_use]
    pub fn of(fixture: &Fixture) -> Self {
        let lux_at_1m: f64 = fixture.emitters.iter().map(|e| e.lux_at_1m).sum();
        let spread = !fixture.modifiers.is_empty() && fixture.beam_deg == fixture.profile.beam_deg;
        Self {
            position: fixture.place.position,
            aim: fixture.place.aim_point,
            candela: lux_at_1m * (-fixture.loss).ratio(),
            beam_deg: fixture.beam_deg.filter(|_| !spread),
            radius_m: fixture.radius_m.unwrap_or(0.0),
        }
    }

    /// The most illuminance in lux that this lamp can give at `face`, over every aim error and every turn of
    /// the face that `cameras` may see. Infinite at the lamp's own place or inside its front's radius.
    ///
    /// Closed form, exact for a point: the axis comes nearest to the face by the aim error, the normal
    /// nearest to the lamp by the turn, each at best all the way; inverse square and cosine laws. A front is
    /// bounded from above: all of its light from its nearest point, at the kindest angles.
    #[must_use]
    pub fn most_lux(&self, face: Metres, cameras: &[Metres]) -> f64 {
        let way = minus(face, self.position);
        let distance = length(way);
        let nearest = distance - self.radius_m;
        if nearest <= 0.0 {
            return f64::INFINITY;
        }
        let front_deg = (self.radius_m / distance).asin().to_degrees();
        let off_axis = angle_deg(way, minus(self.aim, self.position)) - AIM_ERROR_DEG - front_deg;
        let back = way.map(|c| -c);
        let incidence = cameras
            .iter()
            .map(|camera| angle_deg(back, minus(*camera, face)) - TURNED_DEG - front_deg)
            .fold(f64::INFINITY, f64::min)
            .max(0.0);
        if incidence >= 90.0 {
            return 0.0;
        }
        // Of a front the reading at 1 m stands for a little more: I = E (1 + R²), as in `lux_at_distance`.
        let candela = self.candela * (1.0 + self.radius_m * self.radius_m);
        self.share_at(off_axis.max(0.0)) * candela * incidence.to_radians().cos() / (nearest * nearest)
    }

    /// Intensity so many degrees off the axis, as a share of that on it; the model is
    /// [`PointLamp::candela_towards`].
    fn share_at(&self, off_axis_deg: f64) -> f64 {
        let beam = self.beam_deg.filter(|angle| *angle < 180.0);
        let beam = beam.map(|full_angle_deg| Beam { aim: [0.0, 1.0, 0.0], full_angle_deg });
        let (sine, cosine) = off_axis_deg.to_radians().sin_cos();
        PointLamp { position: [0.0; 3], candela: 1.0, beam }.candela_towards([sine, cosine, 0.0])
    }
}

/// A lamp that reaches a protected face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reached {
    /// The lamp.
    pub fixture: FixtureId,
    /// The face that it can give most light.
    pub face: SubjectId,
    /// That light in lux, with all errors taken against us; may be infinite.
    pub lux: f64,
}

/// Every lamp that reaches one of `faces`, in the plan's order: DMX, hand-set and absent alike.
///
/// `least_share`: of the 0-stops illuminance; more than [`LEAST_SHARE`] is taken as that, and anything that is
/// no number as 0, so that nothing loosens the rule.
#[must_use]
pub fn reached(plan: &Plan, faces: &[SubjectId], least_share: f64) -> Vec<Reached> {
    // NaN would let every lamp pass, since none compares as more.
    let share = if least_share.is_nan() { 0.0 } else { least_share.clamp(0.0, LEAST_SHARE) };
    let least = plan.exposure.zero_stops.get() * share;
    let all = most(plan, faces);
    all.into_iter().filter(|r| r.lux > least).collect()
}

/// For every lamp, in the plan's order, the face of `faces` that it can give most light, and that light.
#[must_use]
pub fn most(plan: &Plan, faces: &[SubjectId]) -> Vec<Reached> {
    let cameras: Vec<Metres> = plan.cameras.iter().map(|c| c.position).collect();
    let mut all = Vec::new();
    for fixture in plan.fixture_ids() {
        let source = Source::of(plan.fixture(fixture));
        let at = |face: &SubjectId| {
            let lux = source.most_lux(plan.subjects[face.0].position, &cameras);
            Reached { fixture, face: *face, lux }
        };
        all.extend(faces.iter().map(at).max_by(|a, b| a.lux.total_cmp(&b.lux)));
    }
    all
}

/// Stops by which a wall behind is brighter in luminance than a face, as a camera sees both; `None` if
/// either has no light.
///
/// L = E r / pi for a matt surface; skin is taken at [`SKIN_REFLECTANCE`]. A face read as `under1lx` is told
/// by its upper bound, 1 lx. Source: definition of the Lambertian surface (CIE S 017, from memory).
#[must_use]
pub fn margin_stops(face_lux: f64, wall_lux: f64, wall_reflectance: f64) -> Option<f64> {
    let (face, wall) = (face_lux * SKIN_REFLECTANCE, wall_lux * wall_reflectance);
    (face > 0.0 && wall > 0.0).then(|| (wall / face).log2())
}

fn minus(a: Metres, b: Metres) -> Metres {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn length(a: Metres) -> f64 {
    (a[0] * a[0] + a[1] * a[1] + a[2] * a[2]).sqrt()
}

/// Angle between two vectors in degrees, 0 if either has no length: what points nowhere points at us.
///
/// By the tangent of the half angle, exact for small angles too. Source: Kahan's formula (from memory).
fn angle_deg(a: Metres, b: Metres) -> f64 {
    let (la, lb) = (length(a), length(b));
    let (a, b) = (a.map(|c| c * lb), b.map(|c| c * la));
    let sum = [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
    (2.0 * length(minus(a, b)).atan2(length(sum))).to_degrees()
}
