//! What a distribution comes to: the widths of its beam and its flux.

use super::{Photometry, Symmetry};

/// Half the axis's intensity: the edge of the beam (trade usage; CIE S 017 has it as half-peak divergence).
const BEAM: f64 = 0.5;
/// Angles nearer than this to each other, in radians, have no light between them that counts: a step from one value to
/// another, whose slope would be beyond all numbers.
const NO_STEP: f64 = 1e-9;
/// A tenth of it: the edge of the field.
const FIELD: f64 = 0.1;

impl Photometry {
    /// Full beam angle in degrees in the plane through `horizontal_deg` and its opposite: where the
    /// intensity falls under half of the axis's for the first time, on both sides. `None`: dark on the axis.
    #[must_use]
    pub fn beam_deg(&self, horizontal_deg: f64) -> Option<f64> {
        self.width_deg(horizontal_deg, BEAM)
    }

    /// Full field angle in degrees: as [`Self::beam_deg`], at a tenth of the axis's intensity.
    #[must_use]
    pub fn field_deg(&self, horizontal_deg: f64) -> Option<f64> {
        self.width_deg(horizontal_deg, FIELD)
    }

    fn width_deg(&self, horizontal_deg: f64, share: f64) -> Option<f64> {
        let edge = share * self.axis_cd();
        let fall = |plane_deg| self.falls_under(edge, plane_deg);
        (edge > 0.0).then(|| fall(horizontal_deg) + fall(horizontal_deg + 180.0))
    }

    /// The vertical angle at which a half-plane falls under `edge`, on straight lines; where it never does,
    /// the last one measured.
    fn falls_under(&self, edge: f64, horizontal_deg: f64) -> f64 {
        let mut before = (self.vertical[0], self.candela(self.vertical[0], horizontal_deg));
        if before.1 < edge {
            return before.0;
        }
        for angle in &self.vertical[1..] {
            let here = self.candela(*angle, horizontal_deg);
            if here < edge {
                return before.0 + (before.1 - edge) / (before.1 - here) * (angle - before.0);
            }
            before = (*angle, here);
        }
        before.0
    }

    /// Luminous flux in lumens: the integral of the bilinear intensities over the sphere, in closed form.
    ///
    /// Source: flux is the integral of I over solid angle, I sin(v) dv dh (CIE S 017, from memory).
    #[must_use]
    pub fn flux_lm(&self) -> f64 {
        let planes: Vec<f64> = (0..self.horizontal.len()).map(|plane| self.flux_of_plane(plane)).collect();
        let last = planes.len() - 1;
        let measured: f64 = (0..last)
            .map(|at| {
                let width = (self.horizontal[at + 1] - self.horizontal[at]).to_radians();
                0.5 * width * (planes[at] + planes[at + 1])
            })
            .sum();
        match self.symmetry {
            Symmetry::Round => std::f64::consts::TAU * planes[0],
            Symmetry::Quadrants => 4.0 * measured,
            Symmetry::Sides | Symmetry::Ends => 2.0 * measured,
            Symmetry::None => {
                let gap = (360.0 - self.horizontal[last]).to_radians();
                measured + 0.5 * gap * (planes[last] + planes[0])
            }
        }
    }

    /// The integral of I sin(v) dv over one half-plane, in candela.
    fn flux_of_plane(&self, plane: usize) -> f64 {
        (0..self.vertical.len() - 1)
            .map(|row| {
                let (from, to) = (self.vertical[row].to_radians(), self.vertical[row + 1].to_radians());
                let (low, high) = (self.at(plane, row), self.at(plane, row + 1));
                if to - from < NO_STEP {
                    return 0.0;
                }
                let slope = (high - low) / (to - from);
                // By parts: I = low + slope (v - from).
                low * from.cos() - high * to.cos() + slope * (to.sin() - from.sin())
            })
            .sum()
    }
}
