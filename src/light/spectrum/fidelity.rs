//! Rf and Rg of CIE 224:2017 and ANSI/IES TM-30-18: 99 samples in CAM02-UCS under the 10-degree observer.
//!
//! Local indices of the hue bins are left out.

use super::tables::{COLOUR_SAMPLES, OBSERVER_1964, SAMPLES};

/// Hue bins of Rg, 22.5 degrees each from hue 0. Source: ANSI/IES TM-30-18, 4.5; clause from memory.
const BINS: usize = 16;

/// Colour fidelity and gamut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fidelity {
    /// Rf, 0 to 100 (100.0005 at no difference at all, by its formula). Source: CIE 224:2017.
    pub rf: f64,
    /// Rg: 100 is the gamut of the reference, more is larger; `None` where a hue bin holds no sample, as
    /// under very warm light. Source: ANSI/IES TM-30-18.
    pub rg: Option<f64>,
}

/// Rf and Rg of `test` against `reference`, both relative powers at `wavelengths_nm`.
pub(super) fn fidelity(wavelengths_nm: &[f64], test: &[f64], reference: &[f64]) -> Fidelity {
    let seen = Responses::to(wavelengths_nm, test).appearance();
    let at_reference = Responses::to(wavelengths_nm, reference).appearance();
    let shifts = seen.iter().zip(&at_reference).map(|(a, b)| a.distance(b));
    let rf = rf_of(shifts.sum::<f64>() / SAMPLES as f64);
    Fidelity { rf, rg: gamut(&seen, &at_reference) }
}

/// Rf for a mean colour shift of the samples. Source: CIE 224:2017 (6.73).
pub(super) fn rf_of(mean_shift: f64) -> f64 {
    // 10 ln(1 + e^x), written so that a large x does not overflow.
    let exponent = (100.0 - 6.73 * mean_shift) / 10.0;
    10.0 * (exponent.max(0.0) + (-exponent.abs()).exp().ln_1p())
}

/// The area inside the mean colours of the bins, as a share of the reference's, times 100.
fn gamut(seen: &[Appearance], at_reference: &[Appearance]) -> Option<f64> {
    let mut sums = [[0.0; 4]; BINS];
    let mut counts = [0_u32; BINS];
    for (test, reference) in seen.iter().zip(at_reference) {
        let hue = reference.b.atan2(reference.a).to_degrees().rem_euclid(360.0);
        let bin = ((hue / (360.0 / BINS as f64)) as usize).min(BINS - 1);
        for (sum, value) in sums[bin].iter_mut().zip([test.a, test.b, reference.a, reference.b]) {
            *sum += value;
        }
        counts[bin] += 1;
    }
    if counts.contains(&0) {
        return None;
    }
    let means: [[f64; 4]; BINS] =
        std::array::from_fn(|bin| sums[bin].map(|sum| sum / f64::from(counts[bin])));
    let area = |a: usize, b: usize| -> f64 {
        (0..BINS).map(|i| (means[i], means[(i + 1) % BINS])).map(|(p, q)| p[a] * q[b] - p[b] * q[a]).sum()
    };
    Some(100.0 * area(0, 1) / area(2, 3)).filter(|rg| rg.is_finite())
}

/// A colour in CAM02-UCS: J', a', b'.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Appearance {
    pub lightness: f64,
    pub a: f64,
    pub b: f64,
}

impl Appearance {
    /// Colour difference in CAM02-UCS.
    pub(super) fn distance(&self, other: &Self) -> f64 {
        let [l, a, b] = self.minus(other);
        (l * l + a * a + b * b).sqrt()
    }

    /// The difference by coordinate.
    pub(super) fn minus(&self, other: &Self) -> [f64; 3] {
        [self.lightness - other.lightness, self.a - other.a, self.b - other.b]
    }
}

/// XYZ, 10-degree observer, of a light and of the samples under it, in the light's own scale. Light adds,
/// and so do these.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Responses {
    white: [f64; 3],
    samples: Box<[[f64; 3]; SAMPLES]>,
}

impl Responses {
    /// No light.
    pub(super) fn none() -> Self {
        Self { white: [0.0; 3], samples: Box::new([[0.0; 3]; SAMPLES]) }
    }

    /// To `light`, relative power at `wavelengths_nm`.
    pub(super) fn to(wavelengths_nm: &[f64], light: &[f64]) -> Self {
        let mut found = Self::none();
        for (nm, power) in wavelengths_nm.iter().zip(light) {
            let stimulus = OBSERVER_1964.at(*nm).map(|response| response * power);
            for (sum, reflectance) in found.samples.iter_mut().zip(COLOUR_SAMPLES.at(*nm)) {
                for i in 0..3 {
                    sum[i] += stimulus[i] * reflectance;
                }
            }
            found.white = std::array::from_fn(|i| found.white[i] + stimulus[i]);
        }
        found
    }

    /// Adds `times` another light.
    pub(super) fn add(&mut self, other: &Self, times: f64) {
        for i in 0..3 {
            self.white[i] += times * other.white[i];
        }
        for (sum, more) in self.samples.iter_mut().zip(other.samples.iter()) {
            for i in 0..3 {
                sum[i] += times * more[i];
            }
        }
    }

    /// The samples as they look under the light.
    pub(super) fn appearance(&self) -> [Appearance; SAMPLES] {
        let scale = 100.0 / self.white[1];
        let viewing = Viewing::under(self.white.map(|t| t * scale));
        std::array::from_fn(|i| viewing.appearance(self.samples[i].map(|t| t * scale)))
    }
}

type Matrix = [[f64; 3]; 3];

/// XYZ to the sharpened responses in which adaptation is a ratio. Source: CIE 159:2004 (CIECAM02).
const CAT02: Matrix = [[0.7328, 0.4296, -0.1624], [-0.7036, 1.6975, 0.0061], [0.0030, 0.0136, 0.9834]];
/// The way back, as printed in CIE 159:2004 to six places.
const CAT02_BACK: Matrix = [
    [1.096_124, -0.278_869, 0.182_745],
    [0.454_369, 0.473_533, 0.072_098],
    [-0.009_628, -0.005_698, 1.015_326],
];
/// XYZ to cone responses (Hunt, Pointer and Estevez). Source: CIE 159:2004.
const CONES: Matrix = [[0.38971, 0.68898, -0.07868], [-0.22981, 1.18340, 0.04641], [0.0, 0.0, 1.0]];

/// Adapting luminance in cd/m². Source: CIE 224:2017.
const ADAPTING_CD_M2: f64 = 100.0;
/// Luminance of the background relative to white. Source: CIE 224:2017 (Yb = 20).
const BACKGROUND: f64 = 0.2;

fn times(matrix: &Matrix, [x, y, z]: [f64; 3]) -> [f64; 3] {
    matrix.map(|[a, b, c]| a * x + b * y + c * z)
}

/// A power that keeps the sign, so that measured noise below zero gives no NaN.
fn signed_power(base: f64, exponent: f64) -> f64 {
    base.abs().powf(exponent).copysign(base)
}

/// CIECAM02 in an average surround, fully adapted to its white (D = 1). Source: CIE 159:2004 and, for
/// the conditions, CIE 224:2017.
struct Viewing {
    /// Sharpened responses to white.
    white: [f64; 3],
    /// Luminance adaptation F_L.
    adaptation: f64,
    /// Achromatic response to white, without N_bb, which cancels.
    achromatic: f64,
    /// Exponent of lightness, c z, with c = 0.69 in an average surround.
    lightness: f64,
    /// Factor of chroma, (1.64 - 0.29^n)^0.73.
    chroma: f64,
    /// From chroma to colourfulness, F_L^0.25.
    colourfulness: f64,
    /// Factor of the magnitude, 50000 / 13 N_c N_cb, with N_c = 1 in an average surround.
    induction: f64,
}

impl Viewing {
    /// `white`: XYZ of the light with Y = 100.
    fn under(white: [f64; 3]) -> Self {
        let k = 1.0 / (5.0 * ADAPTING_CD_M2 + 1.0);
        let adaptation = 0.2 * k.powi(4) * 5.0 * ADAPTING_CD_M2
            + 0.1 * (1.0 - k.powi(4)).powi(2) * (5.0 * ADAPTING_CD_M2).cbrt();
        let mut viewing = Self {
            white: times(&CAT02, white),
            adaptation,
            achromatic: 1.0,
            lightness: 0.69 * (1.48 + BACKGROUND.sqrt()),
            chroma: (1.64 - 0.29_f64.powf(BACKGROUND)).powf(0.73),
            colourfulness: adaptation.powf(0.25),
            induction: 50_000.0 / 13.0 * 0.725 * BACKGROUND.powf(-0.2),
        };
        viewing.achromatic = achromatic(viewing.compressed(white));
        viewing
    }

    /// Compressed cone responses after adaptation.
    fn compressed(&self, xyz: [f64; 3]) -> [f64; 3] {
        let sharp = times(&CAT02, xyz);
        let adapted = std::array::from_fn(|i| 100.0 * sharp[i] / self.white[i]);
        times(&CONES, times(&CAT02_BACK, adapted)).map(|cone| {
            let raised = (self.adaptation * cone.abs() / 100.0).powf(0.42);
            400.0 * (raised / (27.13 + raised)).copysign(cone) + 0.1
        })
    }

    fn appearance(&self, xyz: [f64; 3]) -> Appearance {
        let cones = self.compressed(xyz);
        let [red, green, blue] = cones;
        let (a, b) = (red - 12.0 * green / 11.0 + blue / 11.0, (red + green - 2.0 * blue) / 9.0);
        let distance = (a * a + b * b).sqrt();
        // Cosine and sine of the hue angle.
        let (cos, sin) = if distance > 0.0 { (a / distance, b / distance) } else { (1.0, 0.0) };
        let lightness = 100.0 * signed_power(achromatic(cones) / self.achromatic, self.lightness);
        // cos(hue + 2).
        let turned = cos * 2.0_f64.cos() - sin * 2.0_f64.sin();
        let eccentricity = 0.25 * (turned + 3.8);
        let magnitude = self.induction * eccentricity * distance / (red + green + 1.05 * blue);
        let chroma =
            signed_power(magnitude, 0.9) * (lightness.abs() / 100.0).sqrt().copysign(lightness) * self.chroma;
        let colourfulness = chroma * self.colourfulness;
        // CAM02-UCS, c1 = 0.007 and c2 = 0.0228. Source: Luo, Cui and Li 2006.
        let radius = (0.0228 * colourfulness).ln_1p() / 0.0228;
        Appearance {
            lightness: 1.7 * lightness / (1.0 + 0.007 * lightness),
            a: radius * cos,
            b: radius * sin,
        }
    }
}

/// Achromatic response without its factor N_bb.
fn achromatic([red, green, blue]: [f64; 3]) -> f64 {
    2.0 * red + green + blue / 20.0 - 0.305
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the two printed matrices are inverse to each other; 1e-6 is their last printed digit.
    #[test]
    fn the_way_back_from_sharpened_responses_is_the_inverse() {
        for i in 0..3 {
            let mut unit = [0.0; 3];
            unit[i] = 1.0;
            let back = times(&CAT02_BACK, times(&CAT02, unit));
            assert!(back.iter().zip(unit).all(|(b, u)| (b - u).abs() < 2e-6), "{back:?}");
        }
    }

    /// Source: definition of CIECAM02: white has J = 100 and no hue when D = 1; J' = 1.7 J / (1 + 0.007 J).
    /// Tolerance of the colour: the first row of the printed cone matrix adds up to 1.00001, so red differs
    /// from green by 0.42 x 1e-5 of about 8, which the factor of 50 000 / 13 over a sum of about 23 makes
    /// 0.006; 0.02 is three times that.
    #[test]
    fn white_is_lightness_100_with_no_colour() {
        let white = [111.0, 100.0, 35.0];
        let seen = Viewing::under(white).appearance(white);
        assert!((seen.lightness - 100.0).abs() < 1e-9, "{}", seen.lightness);
        assert!(seen.a.hypot(seen.b) < 0.02, "{} {}", seen.a, seen.b);
    }
}
