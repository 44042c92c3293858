//! Where the meter points are: positions and normals in metres, on the axes of `plan::place`.

use super::geometry::Plane;
use super::vector::{minus, plus, unit};
use crate::plan::{Aim, FixtureId, MeterAt, MeterPoint, Metres, Plan, Subject};

/// The side points of the wall lie this far from the middle one, in metres: about the edges of the
/// picture behind a talking head (judgement); at most half way to the corner.
pub const WALL_ASIDE_M: f64 = 1.0;

/// The receptor of a meter point, turned by `key` where the key turns it.
///
/// - `face-lit`: at the face, turned to the key's front. `face-shadow`: that direction mirrored in the
///   upright plane through the nose. `face-camera`: turned to the first camera's lens.
/// - `hair`: 10 cm above and behind the face, turned to the first fixture of the plan that is aimed at
///   that hair; without one, backwards and up at 45 degrees.
/// - `wall`: in the wall behind, straight behind the subject at the height of its eyes; `wall-left` and
///   `wall-right` 1 m to camera left and right of it, at most half way to the corner.
///
/// `None`: no wall behind, no key, a key more than 120 degrees off the nose, a camera at the very face.
#[must_use]
pub fn plane(plan: &Plan, at: MeterAt, key: Option<FixtureId>) -> Option<Plane> {
    let subject = plan.subjects.get(at.subject.0)?;
    let face = subject.position;
    let to_key = || subject.turns_to(plan.fixture(key?).place.position);
    match at.point {
        MeterPoint::FaceLit => Some(Plane { position: face, normal: to_key()? }),
        MeterPoint::FaceShadow => Some(Plane { position: face, normal: mirrored(subject, to_key()?) }),
        MeterPoint::FaceCamera => {
            let camera = plan.cameras.first()?.position;
            Some(Plane { position: face, normal: unit(minus(camera, face))? })
        }
        MeterPoint::Hair => {
            let position = subject.hair();
            let its_lamp = plan.fixtures.iter().find(|f| f.place.aim == Aim::Hair(at.subject));
            let back = subject.facing.map(|c| -c);
            let towards =
                its_lamp.map_or(plus(back, 1.0, [0.0, 0.0, 1.0]), |f| minus(f.place.position, position));
            Some(Plane { position, normal: unit(towards)? })
        }
        MeterPoint::WallLeft | MeterPoint::Wall | MeterPoint::WallRight => {
            let room = plan.room.as_ref()?;
            let aside =
                |wall_m: Option<f64>| wall_m.map_or(WALL_ASIDE_M, |m| (0.5 * m).clamp(0.0, WALL_ASIDE_M));
            let x = face[0]
                + match at.point {
                    MeterPoint::WallLeft => -aside(room.left_m.map(|m| m + face[0])),
                    MeterPoint::WallRight => aside(room.right_m.map(|m| m - face[0])),
                    _ => 0.0,
                };
            Some(Plane { position: [x, room.back_m?, face[2]], normal: [0.0, -1.0, 0.0] })
        }
    }
}

/// A direction mirrored in the upright plane through a subject's nose.
fn mirrored(subject: &Subject, direction: Metres) -> Metres {
    // Square to the nose, level: facing is a level unit vector.
    let aside = [-subject.facing[1], subject.facing[0], 0.0];
    let off = direction[0] * aside[0] + direction[1] * aside[1];
    plus(direction, -2.0 * off, aside)
}
