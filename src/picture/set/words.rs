//! Places in words: on the clock, and what a lamp is aimed at.

use super::facts::Names;
use crate::plan::{Aim, Plan, Wall};
use crate::words::clock_face;

/// The hour on the clock about the first subject (camera at 6:00), to the nearest five minutes of it.
#[must_use]
pub fn clock(x: f64, y: f64) -> String {
    // 12 is away from the camera (+y), hours run clockwise seen from above, 3 is camera right (+x).
    clock_face(x.atan2(y).to_degrees() / 30.0)
}

/// What a lamp is aimed at. `hidden`: numbers stand for names.
#[must_use]
pub fn aim(plan: &Plan, aim: &Aim, hidden: bool) -> String {
    let subject = |index: usize| Names { plan, hidden }.subject(index);
    match aim {
        Aim::Face(s) => format!("the face of {}", subject(s.0)),
        Aim::Hair(s) => format!("the hair of {}", subject(s.0)),
        Aim::Wall(Wall::Back) => "the wall behind".to_owned(),
        Aim::Wall(Wall::Left) => "the wall at camera left".to_owned(),
        Aim::Wall(Wall::Right) => "the wall at camera right".to_owned(),
        Aim::Point => "its point".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: interface.md part 2: `4:30` is 45 degrees round to camera right; camera at 6.
    #[test]
    fn places_go_back_onto_the_clock() {
        assert_eq!(clock(0.0, -1.0), "6:00");
        assert_eq!(clock(1.0, -1.0), "4:30");
        assert_eq!(clock(1.0, 0.0), "3:00");
        assert_eq!(clock(-1.0, -1.0), "7:30");
        assert_eq!(clock(0.0, 1.0), "12:00");
    }
}
