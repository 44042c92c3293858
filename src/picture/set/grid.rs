//! Lengths to go by: how far the dots on the floor are apart, and how long the bar is.

use super::Lengths;
use super::map::{From, Map};
use crate::plan::Plan;

/// One foot in metres, exactly (international foot).
const FOOT_M: f64 = 0.3048;
/// Up to so many metres from end to end a set has the first of the grids, the second, and beyond that the third: dots stay far
/// enough apart to be told from each other.
const UP_TO_M: [f64; 2] = [30.0, 120.0];

/// The dots and the bar of a set, the same in every view of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// From dot to dot, in metres.
    pub dots_m: f64,
    /// The same in words.
    pub dots: &'static str,
    /// Length of the bar, in metres.
    pub bar_m: f64,
    /// The same in words.
    pub bar: &'static str,
}

impl Grid {
    /// That of a set.
    pub fn of(plan: &Plan, lengths: Lengths) -> Self {
        let map = Map::of(plan, From::Above, 1.0, 1.0);
        let span = (map.max[0] - map.min[0]).max(map.max[1] - map.min[1]);
        let size = UP_TO_M.iter().filter(|most| span > **most).count();
        let of = |unit: f64, (dots, said, bar, bar_said): (f64, _, f64, _)| Self {
            dots_m: dots * unit,
            dots: said,
            bar_m: bar * unit,
            bar: bar_said,
        };
        match lengths {
            Lengths::Metres => {
                let sizes =
                    [(0.5, "half a metre", 1.0, "1 m"), (2.0, "2 m", 5.0, "5 m"), (5.0, "5 m", 20.0, "20 m")];
                of(1.0, sizes[size])
            }
            Lengths::Feet => {
                let sizes = [
                    (2.0, "two feet", 3.0, "3 ft"),
                    (10.0, "10 feet", 15.0, "15 ft"),
                    (20.0, "20 feet", 60.0, "60 ft"),
                ];
                of(FOOT_M, sizes[size])
            }
        }
    }
}
