//! Meter points: where a meter is held to read all lamps together, and what each lamp sends there.

use super::{FixtureId, Metres, SubjectId};
use crate::units::{Duv, Kelvin, Stops};

/// A place at or behind a subject where a meter is held. `light::points` says where that is in metres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MeterPoint {
    /// At the face, a flat receptor turned to the key.
    FaceLit,
    /// At the face, the same angle mirrored about the nose.
    FaceShadow,
    /// At the face, turned to the first camera.
    FaceCamera,
    /// On the hair, turned to its lamp.
    Hair,
    /// In the wall behind, to camera left of the subject.
    WallLeft,
    /// In the wall behind, straight behind the subject.
    Wall,
    /// In the wall behind, to camera right of the subject.
    WallRight,
}

impl MeterPoint {
    /// Every point, in the order in which tables show them.
    pub const ALL: [Self; 7] = [
        Self::FaceLit,
        Self::FaceShadow,
        Self::FaceCamera,
        Self::Hair,
        Self::WallLeft,
        Self::Wall,
        Self::WallRight,
    ];

    /// Its name in plans, without a subject.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::FaceLit => "face-lit",
            Self::FaceShadow => "face-shadow",
            Self::FaceCamera => "face-camera",
            Self::Hair => "hair",
            Self::WallLeft => "wall-left",
            Self::Wall => "wall",
            Self::WallRight => "wall-right",
        }
    }

    /// Which way its receptor faces, in words.
    #[must_use]
    pub const fn receptor(self) -> &'static str {
        match self {
            Self::FaceLit => "flat, turned to the key",
            Self::FaceShadow => "flat, that angle mirrored about the nose",
            Self::FaceCamera => "flat, turned to the camera",
            Self::Hair => "flat, turned to the hair's lamp",
            Self::WallLeft | Self::Wall | Self::WallRight => "flat, in the wall",
        }
    }

    /// True if it is turned by the key.
    #[must_use]
    pub const fn needs_key(self) -> bool {
        matches!(self, Self::FaceLit | Self::FaceShadow)
    }

    /// True if it is in the wall behind the subject.
    #[must_use]
    pub const fn on_wall(self) -> bool {
        matches!(self, Self::WallLeft | Self::Wall | Self::WallRight)
    }
}

/// A meter point of one subject.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MeterAt {
    /// The point.
    pub point: MeterPoint,
    /// Whose.
    pub subject: SubjectId,
}

/// What a meter should read at a point in a look, all lamps together.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterTarget {
    /// Meter point as written, such as `face-lit` or `wall`, `@SUBJECT` included.
    pub point: String,
    /// The same, resolved.
    pub at: MeterAt,
    /// Stops from the exposure's illuminance.
    pub stops: Stops,
    /// Colour temperature, where stated.
    pub kelvin: Option<Kelvin>,
    /// Tint, where stated; `kelvin` alone leaves it open, since a lamp of two whites cannot choose it.
    pub duv: Option<Duv>,
}

/// How much light every lamp sends to every meter point: places and room alone, no levels.
///
/// Worked out once for a plan by `light::room::spill` and stored with it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spill {
    /// Every receptor that exists: by subject and point, those that a key turns once for each key.
    pub receptors: Vec<Receptor>,
    /// What lamps that shine elsewhere are aimed at.
    pub aims: Vec<Aimed>,
    /// What each fixture, in the plan's order, sends to its own aim by all ways: illuminance in lux for each lux that it
    /// reads at 1 m, its modifiers' loss in.
    pub own: Vec<f64>,
}

/// The aim of a lamp that gives every receptor less than half of what it gives there, if it gives any.
#[derive(Debug, Clone, PartialEq)]
pub struct Aimed {
    /// The lamp.
    pub fixture: FixtureId,
    /// Illuminance in lux at its aim, straight from each fixture in the plan's order, for each lux that it
    /// reads at 1 m, its modifiers' loss in; flags are left out.
    pub lamps: Vec<f64>,
}

impl Spill {
    /// The receptor of a point, as turned by `key`; `None` where there is none: no wall behind, no key,
    /// or a key far behind the face.
    #[must_use]
    pub fn receptor(&self, at: MeterAt, key: Option<FixtureId>) -> Option<&Receptor> {
        let key = key.filter(|_| at.point.needs_key());
        self.receptors.iter().find(|r| r.at == at && r.key == key)
    }
}

/// One receptor with the light that reaches it.
#[derive(Debug, Clone, PartialEq)]
pub struct Receptor {
    /// Which point it is.
    pub at: MeterAt,
    /// The key that turned it, where one did.
    pub key: Option<FixtureId>,
    /// Where it is, in metres.
    pub position: Metres,
    /// Unit vector that it faces along.
    pub normal: Metres,
    /// What each fixture sends here, in the plan's order.
    pub lamps: Vec<Sent>,
    /// What each window sends here, in lux, in the plan's order: by its reading, lamps or not.
    pub daylight: Vec<f64>,
}

/// Illuminance in lux at a receptor for each lux that a lamp reads at 1 m, its modifiers' loss in.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sent {
    /// Straight from the lamp.
    pub direct: f64,
    /// By the bounce boards that it feeds.
    pub board: f64,
    /// By one diffuse bounce on each surface of the room, in the order of [`Surface::ALL`].
    pub room: [f64; 4],
}

impl Sent {
    /// By all surfaces of the room.
    #[must_use]
    pub fn by_room(&self) -> f64 {
        self.room.iter().sum()
    }

    /// All of it.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.direct + self.board + self.by_room()
    }
}

/// A surface of the room that returns light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Surface {
    /// The wall behind the subject.
    Back,
    /// The wall at camera left.
    Left,
    /// The wall at camera right.
    Right,
    /// The ceiling.
    Ceiling,
}

impl Surface {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Back, Self::Left, Self::Right, Self::Ceiling];

    /// What people call it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Back => "wall behind",
            Self::Left => "left wall",
            Self::Right => "right wall",
            Self::Ceiling => "ceiling",
        }
    }
}
