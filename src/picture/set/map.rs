//! From metres on the set to units on the page, for the view from above and for the one from the side.

use crate::picture::labels::Box2;
use crate::plan::{Metres, Plan};

/// Which way one looks at the set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    /// From above, the camera at the lower edge.
    Above,
    /// From camera right, the camera at the left edge.
    Side,
}

/// Free space round everything, in metres.
const ROUND_M: f64 = 0.45;
/// A wall no farther than this beyond everything else is in the picture, in metres.
const WALL_NEAR_M: f64 = 1.5;

/// So much is shown behind a wall, in metres.
const BEHIND_M: f64 = 0.15;

/// One view's scale and place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Map {
    /// Which way.
    pub from: From,
    /// Page units a metre.
    pub scale: f64,
    /// What of the set is in it: least and greatest of both flat axes, in metres.
    pub min: [f64; 2],
    /// See `min`.
    pub max: [f64; 2],
}

impl Map {
    /// The view that shows everything of a plan within `wide` and `high` page units.
    pub fn of(plan: &Plan, from: From, wide: f64, high: f64) -> Self {
        let mut points: Vec<[f64; 2]> = Vec::new();
        let mut put = |p: Metres, radius: f64| {
            let [u, v] = flat(from, p);
            points.push([u - radius, v - radius]);
            points.push([u + radius, v + radius]);
        };
        for s in &plan.subjects {
            put(s.position, 0.3);
        }
        for c in &plan.cameras {
            put(c.position, 0.15);
        }
        for f in &plan.fixtures {
            put(f.place.position, f.radius_m.unwrap_or(0.0).max(0.1));
            put(f.place.aim_point, 0.0);
        }
        // A board stands any way round: from the side its height counts too.
        let half =
            |(width, height): (f64, f64)| 0.5 * if from == From::Side { width.max(height) } else { width };
        for b in &plan.bounces {
            put(b.position, half(b.size_m));
        }
        for f in &plan.flags {
            put(f.position, half(f.size_m));
        }
        for d in &plan.daylight {
            put(d.position, 0.5);
        }
        let all = Box2::of(&points);
        let (mut min, mut max) = (all.min.map(|c| c - ROUND_M), all.max.map(|c| c + ROUND_M));
        if from == From::Side {
            min[1] = -floor_m(plan) - 0.12;
        }
        let mut reach = |axis: usize, at: Option<f64>| {
            let Some(at) = at else { return };
            // What is aimed at a wall lies in it, and nothing is behind it.
            if at > all.max[axis] - 0.1 && at < max[axis] + WALL_NEAR_M {
                max[axis] = at + BEHIND_M;
            }
            if at < all.min[axis] + 0.1 && at > min[axis] - WALL_NEAR_M {
                min[axis] = at - BEHIND_M;
            }
        };
        if let Some(room) = &plan.room {
            match from {
                From::Above => {
                    reach(1, room.back_m);
                    reach(0, room.left_m.map(|m| -m));
                    reach(0, room.right_m);
                }
                From::Side => {
                    reach(0, room.back_m);
                    reach(1, room.ceiling_m.map(|m| m - floor_m(plan)));
                }
            }
        }
        let (w, h) = (max[0] - min[0], max[1] - min[1]);
        let scale = (wide / w).min(high / h);
        // The whole width is used: what is left over is room on both sides.
        let spare = 0.5 * (wide / scale - w).max(0.0);
        Self { from, scale, min: [min[0] - spare, min[1]], max: [max[0] + spare, max[1]] }
    }

    /// Width and height on the page.
    pub fn size(&self) -> [f64; 2] {
        [0, 1].map(|i: usize| (self.max[i] - self.min[i]) * self.scale)
    }

    /// A place of the set on the page.
    pub fn at(&self, p: Metres) -> [f64; 2] {
        self.page(flat(self.from, p))
    }

    /// A point of the view's own two axes, in metres, on the page.
    pub fn page(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        [(u - self.min[0]) * self.scale, (self.max[1] - v) * self.scale]
    }

    /// A direction of the set on the page, its length kept as seen from here.
    pub fn along(&self, way: Metres) -> [f64; 2] {
        let [u, v] = flat(self.from, way);
        [u, -v]
    }
}

/// Height of the first subject's face above the floor.
pub fn floor_m(plan: &Plan) -> f64 {
    plan.subjects.first().map_or(0.0, |s| s.eye_height_m)
}

/// The two axes that are seen. From the side away from the camera is to the right.
fn flat(from: From, [x, y, z]: Metres) -> [f64; 2] {
    match from {
        From::Above => [x, y],
        From::Side => [y, z],
    }
}
