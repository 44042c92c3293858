//! Places: cameras, subjects, fixtures, bounces, flags, windows and the room, in metres.
//!
//! Axes: x to camera right, y away from the camera, z up; the origin is the first subject's face.

use super::defaults::HAIR_OFFSET_M;
use super::{Exposure, FixtureId, Plan, SubjectId};
use crate::units::{Kelvin, Lux, Share};

/// A point or a vector in metres, `[x, y, z]` on the axes of this module.
pub type Metres = [f64; 3];

/// Where something stands and what it points at.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// The lamp's lit front.
    pub position: Metres,
    /// The point it is aimed at.
    pub aim_point: Metres,
    /// What that point is.
    pub aim: Aim,
    /// Straight distance from the lit front to the aim point, in metres, above 0.
    pub distance_m: f64,
    /// Cosine of the angle at which its light falls on the receptor there: 1 at a subject or a point
    /// (the receptor is turned to the lamp), less at a wall (the receptor lies in the wall).
    pub incidence_cosine: f64,
}

impl Placement {
    /// What it is aimed at, in words: `the face of pilot`.
    #[must_use]
    pub fn aim_said(&self, plan: &Plan) -> String {
        match &self.aim {
            Aim::Face(s) => format!("the face of {}", plan.subjects[s.0].id),
            Aim::Hair(s) => format!("the hair of {}", plan.subjects[s.0].id),
            Aim::Wall(Wall::Back) => "the wall behind".to_owned(),
            Aim::Wall(Wall::Left) => "the wall at camera left".to_owned(),
            Aim::Wall(Wall::Right) => "the wall at camera right".to_owned(),
            Aim::Point => "its point".to_owned(),
        }
    }
}

/// What a fixture is aimed at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aim {
    /// A subject's face.
    Face(SubjectId),
    /// A subject's hair: the back and top of the head.
    Hair(SubjectId),
    /// A wall.
    Wall(Wall),
    /// A point given in metres.
    Point,
}

/// A wall of the room, as the camera sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wall {
    /// Behind the subject.
    Back,
    /// At camera left.
    Left,
    /// At camera right.
    Right,
}

/// A camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// Id in the plan.
    pub id: String,
    /// Its lens.
    pub position: Metres,
    /// Frames a second, where given.
    pub fps: Option<f64>,
    /// Exposure time of one frame in seconds.
    pub shutter_s: f64,
    /// Its own exposure; the first camera's fixes 0 stops for the plan.
    pub exposure: Exposure,
    /// White balance.
    pub white_balance: Kelvin,
}

/// A person in front of the camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// Id in the plan.
    pub id: String,
    /// The face.
    pub position: Metres,
    /// Height of the eyes above the floor in metres.
    pub eye_height_m: f64,
    /// Unit vector that the nose points along, in the horizontal plane.
    pub facing: Metres,
    /// True if the identity guard hides this face while it is on.
    pub protect: bool,
}

impl Subject {
    /// The point on the hair that a hair light is aimed and metered at: above and behind the face.
    #[must_use]
    pub fn hair(&self) -> Metres {
        let (up, back) = HAIR_OFFSET_M;
        let [x, y, z] = self.position;
        [x - self.facing[0] * back, y - self.facing[1] * back, z + up]
    }

    /// The unit vector from the face to a point; `None` more than 120 degrees off the nose, seen from
    /// above: nobody turns a receptor at the face that far round (judgement).
    #[must_use]
    pub fn turns_to(&self, point: Metres) -> Option<Metres> {
        let way = [0, 1, 2].map(|i| point[i] - self.position[i]);
        let flat = way[0].hypot(way[1]);
        let ahead = way[0] * self.facing[0] + way[1] * self.facing[1];
        let length = flat.hypot(way[2]);
        (length > 1e-9 && ahead >= -0.5 * flat).then(|| way.map(|c| c / length))
    }
}

/// The room: distances of its walls from the first subject, in metres, and how much they reflect.
#[derive(Debug, Clone, PartialEq)]
pub struct Room {
    /// Wall behind the subject (positive y).
    pub back_m: Option<f64>,
    /// Wall at camera left (negative x).
    pub left_m: Option<f64>,
    /// Wall at camera right (positive x).
    pub right_m: Option<f64>,
    /// Height of the ceiling above the floor.
    pub ceiling_m: Option<f64>,
    /// Diffuse reflectance of walls and ceiling.
    pub reflectance: Share,
}

/// A bounce board.
#[derive(Debug, Clone, PartialEq)]
pub struct Bounce {
    /// Id in the plan.
    pub id: String,
    /// Middle of the board.
    pub position: Metres,
    /// Width and height in metres.
    pub size_m: (f64, f64),
    /// Diffuse reflectance.
    pub reflectance: Share,
    /// The fixture whose light it returns.
    pub fed_by: Option<FixtureId>,
}

/// A flag: something black that keeps light off.
#[derive(Debug, Clone, PartialEq)]
pub struct Flag {
    /// Id in the plan.
    pub id: String,
    /// Middle of the flag.
    pub position: Metres,
    /// Width and height in metres.
    pub size_m: (f64, f64),
    /// The fixture that it cuts, where stated.
    pub cuts: Option<FixtureId>,
}

/// A window or other daylight, by a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Daylight {
    /// Id in the plan.
    pub id: String,
    /// Middle of the window.
    pub position: Metres,
    /// Colour temperature.
    pub kelvin: Kelvin,
    /// Reading at the first subject's face, receptor turned to the window.
    pub reading: Lux,
    /// Age of the reading in seconds when the plan was written, as stated.
    pub age_s: f64,
}
