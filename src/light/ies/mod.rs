//! Luminous intensity of a lamp as its maker measured it: IES LM-63 files, forms of 1986 to 2019.
//!
//! Type C photometry alone: nearly all lamps are given so, and the two other types turn their angles about
//! other axes. Between the angles of the file: bilinear in degrees. What was not measured counts as no
//! light. This module is given a text; it reads no files and knows no lamps of a plan.

mod error;
mod figures;
mod read;

pub use error::{IesError, IesFault, What};

/// Longest text taken, in bytes: 4 MiB, several times a file at every half degree of the sphere.
pub const LONGEST: usize = 4 << 20;

/// Most angles of either kind: one each tenth of a degree, and one more.
pub const MOST_ANGLES: usize = 3601;

/// The form of the standard that a file says it keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Form {
    /// LM-63-1986: labels without keywords and no line that names the form.
    Of1986,
    /// LM-63-1991.
    Of1991,
    /// LM-63-1995.
    Of1995,
    /// LM-63-2002.
    Of2002,
    /// LM-63-2019.
    Of2019,
}

/// How the measured half-planes stand for the whole turn about the axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Symmetry {
    /// One half-plane: the same all round.
    Round,
    /// 0 to 90 degrees: the four quadrants are alike.
    Quadrants,
    /// 0 to 180 degrees: alike on both sides of the plane 0-180.
    Sides,
    /// 90 to 270 degrees: alike on both sides of the plane 90-270.
    Ends,
    /// 0 to 360 degrees: none.
    None,
}

/// Intensity of a lamp over all directions, in candela.
///
/// Directions are those of type C: `vertical` 0 is straight along the lamp's axis (for a ceiling lamp,
/// down), 180 straight behind it; `horizontal` turns about the axis from 0 to 360.
#[derive(Debug, Clone, PartialEq)]
pub struct Photometry {
    form: Form,
    symmetry: Symmetry,
    /// Rising, at least two, from 0 or 90, within 180.
    vertical: Vec<f64>,
    /// Rising, at least one.
    horizontal: Vec<f64>,
    /// Candela, all factors applied; one run of vertical angles a horizontal one.
    candela: Vec<f64>,
    rated_lumens: Option<f64>,
    watts: f64,
}

impl Photometry {
    /// Reads an LM-63 file from its text.
    ///
    /// Each value is multiplied by the file's candela multiplier and ballast factor, in the forms of 1986 and
    /// 1991 by the ballast-lamp photometric factor too (later forms use its place for something else). A
    /// tilt table is read and left alone: intensities are those of the position that was measured. Labels
    /// are passed over, so a file in another character set may come with them replaced. Vertical angles may
    /// end anywhere up to 180, where the standard wants 90 or 180: makers of narrow beams stop earlier.
    ///
    /// Source: IES LM-63-1986, -91, -95, -02 and -19 (from memory and the reference files). Errors:
    /// [`IesError`] with line, what was found, what is allowed and a next step.
    pub fn read(text: &str) -> Result<Self, IesError> {
        read::read(text)
    }

    /// Intensity in candela towards a direction: `vertical_deg` 0 to 180, beyond which there is none;
    /// `horizontal_deg` any, taken round the turn. NaN gets 0.
    #[must_use]
    pub fn candela(&self, vertical_deg: f64, horizontal_deg: f64) -> f64 {
        let Some((row, up)) = between(&self.vertical, vertical_deg) else { return 0.0 };
        let Some((plane, next, round)) = self.planes(horizontal_deg) else { return 0.0 };
        let along = |plane| {
            let below = self.at(plane, row);
            // At an angle of the file its own value, to the last bit.
            if up == 0.0 { below } else { below + up * (self.at(plane, row + 1) - below) }
        };
        let here = along(plane);
        if round == 0.0 { here } else { here + round * (along(next) - here) }
    }

    /// Intensity on the axis, in candela; 0 for a lamp that was measured behind its axis alone.
    #[must_use]
    pub fn axis_cd(&self) -> f64 {
        self.candela(0.0, 0.0)
    }

    /// The greatest intensity in any direction, in candela.
    #[must_use]
    pub fn max_cd(&self) -> f64 {
        self.candela.iter().copied().fold(0.0, f64::max)
    }

    /// The form of the file.
    #[must_use]
    pub const fn form(&self) -> Form {
        self.form
    }

    /// What of the turn was measured.
    #[must_use]
    pub const fn symmetry(&self) -> Symmetry {
        self.symmetry
    }

    /// Flux of one bare light source in lumens, where the file is relative to it; `None` where its
    /// intensities are those of the whole lamp (absolute photometry, -1 in the file).
    #[must_use]
    pub const fn rated_lumens(&self) -> Option<f64> {
        self.rated_lumens
    }

    /// Electrical power as the file has it, in watts.
    #[must_use]
    pub const fn watts(&self) -> f64 {
        self.watts
    }

    fn at(&self, plane: usize, row: usize) -> f64 {
        self.candela[plane * self.vertical.len() + row]
    }

    /// The measured planes on both sides of a horizontal angle and the share of the way to the second.
    fn planes(&self, horizontal_deg: f64) -> Option<(usize, usize, f64)> {
        let turned = horizontal_deg.rem_euclid(360.0);
        let folded = match self.symmetry {
            Symmetry::Round => return turned.is_finite().then_some((0, 0, 0.0)),
            Symmetry::Quadrants => {
                let side = if turned > 180.0 { 360.0 - turned } else { turned };
                if side > 90.0 { 180.0 - side } else { side }
            }
            Symmetry::Sides if turned > 180.0 => 360.0 - turned,
            Symmetry::Ends if turned < 90.0 => 180.0 - turned,
            Symmetry::Ends if turned > 270.0 => 540.0 - turned,
            Symmetry::Sides | Symmetry::Ends | Symmetry::None => turned,
        };
        let last = self.horizontal.len() - 1;
        let end = self.horizontal[last];
        if folded > end {
            // A turn whose last plane is short of 360 goes on to the first.
            return Some((last, 0, (folded - end) / (360.0 - end)));
        }
        between(&self.horizontal, folded).map(|(plane, round)| (plane, plane + 1, round))
    }
}

/// The last of the rising `angles` (at least two) that is not above `wanted` and has one behind it, with the
/// share of the way to that one; `None` outside of them.
fn between(angles: &[f64], wanted: f64) -> Option<(usize, f64)> {
    let last = angles.len() - 1;
    if !(angles[0]..=angles[last]).contains(&wanted) {
        return None;
    }
    let at = (angles.partition_point(|angle| *angle <= wanted) - 1).min(last - 1);
    Some((at, (wanted - angles[at]) / (angles[at + 1] - angles[at])))
}
