//! Ra, the general colour rendering index of CIE 13.3-1995: eight test colours in U*V*W*.

use super::tables::TEST_COLOURS;
use super::tristimulus_1931;

/// Ra of `test` against `reference`, both relative powers at `wavelengths_nm`; 100 is the most.
///
/// The mean of the eight unrounded indices. Source: CIE 13.3-1995, 5.3 to 5.8 and 6; clauses from
/// memory.
pub(super) fn ra(wavelengths_nm: &[f64], test: &[f64], reference: &[f64]) -> f64 {
    let (white, white_reference) =
        (Seen::white(wavelengths_nm, test), Seen::white(wavelengths_nm, reference));
    let (colours, colours_reference) =
        (Seen::colours(wavelengths_nm, test), Seen::colours(wavelengths_nm, reference));
    let indices = colours.iter().zip(colours_reference).map(|(seen, at_reference)| {
        let [w, u, v] = seen.adapted(white, white_reference).wuv(white_reference);
        let [w0, u0, v0] = at_reference.wuv(white_reference);
        100.0 - 4.6 * ((w - w0).powi(2) + (u - u0).powi(2) + (v - v0).powi(2)).sqrt()
    });
    indices.sum::<f64>() / colours.len() as f64
}

/// A colour as CIE 1960 u,v with its luminance Y, where the light itself has Y = 100.
#[derive(Clone, Copy)]
struct Seen {
    u: f64,
    v: f64,
    luminance: f64,
}

impl Seen {
    fn of([x, y, z]: [f64; 3]) -> Self {
        let w = x + 15.0 * y + 3.0 * z;
        Self { u: 4.0 * x / w, v: 6.0 * y / w, luminance: y }
    }

    fn white(wavelengths_nm: &[f64], light: &[f64]) -> Self {
        Self::of(tristimulus_1931(wavelengths_nm, light))
    }

    /// The test colours under a light.
    fn colours(wavelengths_nm: &[f64], light: &[f64]) -> [Self; 8] {
        let full = tristimulus_1931(wavelengths_nm, light)[1];
        std::array::from_fn(|colour| {
            let reflected: Vec<f64> =
                wavelengths_nm.iter().zip(light).map(|(nm, p)| p * TEST_COLOURS.at(*nm)[colour]).collect();
            Self::of(tristimulus_1931(wavelengths_nm, &reflected).map(|t| 100.0 * t / full))
        })
    }

    /// The two coordinates in which adaptation is a ratio (CIE 13.3, 5.7).
    fn cd(self) -> (f64, f64) {
        let Self { u, v, .. } = self;
        ((4.0 - u - 10.0 * v) / v, (1.708 * v + 0.404 - 1.481 * u) / v)
    }

    /// Moved as the eye adapts from one white to another (CIE 13.3, 5.7).
    fn adapted(self, from: Self, to: Self) -> Self {
        let ((c_from, d_from), (c_to, d_to), (c, d)) = (from.cd(), to.cd(), self.cd());
        let (c, d) = (c * c_to / c_from, d * d_to / d_from);
        let below = 16.518 + 1.481 * c - d;
        Self { u: (10.872 + 0.404 * c - 4.0 * d) / below, v: 5.520 / below, ..self }
    }

    /// W*, U*, V* about a white (CIE 13.3, 5.8).
    fn wuv(self, white: Self) -> [f64; 3] {
        let w = 25.0 * self.luminance.cbrt() - 17.0;
        [w, 13.0 * w * (self.u - white.u), 13.0 * w * (self.v - white.v)]
    }
}
