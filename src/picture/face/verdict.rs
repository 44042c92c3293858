//! Would a protected face be seen: what the picture itself says, shadows lifted.

use super::shade::{Exposed, Shows};
use crate::picture::colour::{luminance, toned};

/// Shadows are lifted by so many stops to see whether a hidden face comes up: what a careless or curious edit does.
pub const LIFT_STOPS: f64 = 4.0;
/// Lightness from which parts of a face stand apart. Source: a just noticeable difference of 2.3 CIELAB units (Mahy, Van
/// Eycken and Oosterlinck 1994; from memory).
const NOTICED: f64 = 2.3;

/// What a picture shows of a face that should be hidden.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Stops by which the brighter parts of the face (19 in 20 of its pixels are darker) lie under the middle of the wall; `None`
    /// without a wall or without light on one of them.
    pub under_wall_stops: Option<f64>,
    /// Difference in CIELAB lightness between bright and dark parts of the face, as it is shown.
    pub contrast: f64,
    /// The same with shadows lifted by [`LIFT_STOPS`].
    pub lifted_contrast: f64,
}

impl Seen {
    /// What a picture shows; `None` where it shows no face.
    #[must_use]
    pub fn of(picture: &Exposed) -> Option<Self> {
        let of = |what: Shows| {
            let mut all: Vec<f64> = picture
                .rgb
                .iter()
                .zip(&picture.shows)
                .filter(|(_, s)| **s == what)
                .map(|(p, _)| luminance(p.map(f64::from)))
                .collect();
            all.sort_by(f64::total_cmp);
            all
        };
        let (face, wall) = (of(Shows::Face), of(Shows::Room));
        let part =
            |all: &[f64], share: f64| all.get((share * (all.len().max(1) - 1) as f64) as usize).copied();
        let (dark, bright) = (part(&face, 0.05)?, part(&face, 0.95)?);
        let contrast = |gain: f64| lightness(toned(gain * bright)) - lightness(toned(gain * dark));
        let behind = part(&wall, 0.5).unwrap_or(0.0);
        Some(Self {
            under_wall_stops: (behind > 0.0 && bright > 0.0).then(|| (behind / bright).log2()),
            contrast: contrast(1.0),
            lifted_contrast: contrast(LIFT_STOPS.exp2()),
        })
    }

    /// True if the face is seen as it stands.
    #[must_use]
    pub fn seen(&self) -> bool {
        self.contrast >= NOTICED
    }

    /// True if the face would be seen with its shadows lifted.
    #[must_use]
    pub fn seen_lifted(&self) -> bool {
        self.lifted_contrast >= NOTICED
    }

    /// The finding in a sentence or two.
    #[must_use]
    pub fn said(&self) -> String {
        let under = match self.under_wall_stops {
            Some(stops) if stops >= 0.0 => format!("The face lies {stops:.1} stops under the wall behind. "),
            Some(stops) => format!("The face is {:.1} stops BRIGHTER than the wall behind. ", -stops),
            None => String::new(),
        };
        let verdict = if self.seen() {
            "It is seen as it stands"
        } else if self.seen_lifted() {
            "With shadows lifted by 4 stops it would be seen"
        } else {
            "With shadows lifted by 4 stops it would still not be seen"
        };
        format!(
            "{under}{verdict}: parts of it differ by {:.1} in lightness, {:.1} lifted; from 2.3 people see it. Planned, one \
             bounce: check the recording with its shadows lifted.",
            self.contrast, self.lifted_contrast
        )
    }
}

/// CIELAB lightness of a luminance, white 1. Source: CIE 15, 8.2.1.
fn lightness(y: f64) -> f64 {
    if y > 216.0 / 24_389.0 { 116.0 * y.cbrt() - 16.0 } else { y * 24_389.0 / 27.0 }
}
