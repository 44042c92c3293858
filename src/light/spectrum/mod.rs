//! A measured spectrum and its colour figures: x,y, CCT, Duv, Ra, Rf, Rg and SSI.
//!
//! What is summed: 380 to 780 nm; at 5 nm where the spectrum is given at every multiple of 5 nm and
//! nowhere else, else at 1 nm with straight lines between the given wavelengths. What was not measured
//! counts as no light. Ra, Rf, Rg and SSI belong to white light and are `None` where there is no CCT.
//! This module reads no files and knows no lamps.

pub mod csv;
mod fidelity;
mod palette;
mod reference;
mod rendering;
mod similarity;
mod tables;

pub use fidelity::Fidelity;
pub use palette::{Judge, Palette, Shifts, mean};
pub use reference::Reference;

use super::colour;
use super::observer::{COLOUR_MATCHING, FIRST_NM};
use crate::units::{Duv, Kelvin, Xy};
use crate::words::number;

/// Most wavelengths taken: at 1 nm far more than any instrument gives; chosen to bound the work.
pub const MOST_WAVELENGTHS: usize = 2000;
/// The longest wavelength that must be reached from below, in nanometres.
pub const COVERED_FROM_NM: f64 = 400.0;
/// The shortest wavelength that must be reached from above, in nanometres.
pub const COVERED_TO_NM: f64 = 700.0;
/// Smallest and greatest step between wavelengths, in nanometres.
pub const STEP_NM: [f64; 2] = [1.0, 10.0];
/// How far below zero power may lie, as a share of the greatest power. Chosen: noise of an instrument
/// lies well inside, and beyond it the numbers are no spectrum.
pub const MOST_BELOW_ZERO: f64 = 0.05;

/// First and last wavelength of all sums. Source: CIE 15, 7.2 allows 380 to 780 nm at 5 nm.
const SUMMED_NM: [u16; 2] = [380, 780];

/// Room for wavelengths written with rounding, as 400.0000001 or steps of 0.9999999 nm.
const ROUNDING_NM: f64 = 1e-6;

/// Why numbers are no spectrum.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// Not as many powers as wavelengths.
    #[error("{wavelengths} wavelengths and {powers} powers; there must be one power for each wavelength")]
    Lengths {
        /// Wavelengths given.
        wavelengths: usize,
        /// Powers given.
        powers: usize,
    },
    /// More than [`MOST_WAVELENGTHS`].
    #[error("{0} wavelengths; at most {MOST_WAVELENGTHS} are taken")]
    TooMany(usize),
    /// NaN or infinite wavelength or power.
    #[error("number {} is not finite", .0 + 1)]
    NotFinite(usize),
    /// The same wavelength again, or a shorter one.
    #[error("after {} nm comes {} nm; wavelengths must rise", number(*.after_nm), number(*.nm))]
    NotRising {
        /// The wavelength before.
        after_nm: f64,
        /// The one that does not rise.
        nm: f64,
    },
    /// A step outside [`STEP_NM`].
    #[error(
        "from {} nm to {} nm is a step of {} nm; steps must be 1 to 10 nm",
        number(*.after_nm),
        number(*.nm),
        number(.nm - .after_nm)
    )]
    Step {
        /// Where the step starts.
        after_nm: f64,
        /// Where it ends.
        nm: f64,
    },
    /// Not from 400 nm or below to 700 nm or above.
    #[error(
        "the spectrum covers {} to {} nm; it must cover 400 to 700 nm",
        number(*.from_nm),
        number(*.to_nm)
    )]
    Cover {
        /// First wavelength.
        from_nm: f64,
        /// Last wavelength.
        to_nm: f64,
    },
    /// No wavelengths at all.
    #[error("the spectrum is empty; it must cover 400 to 700 nm")]
    Empty,
    /// Power further below zero than noise: see [`MOST_BELOW_ZERO`].
    #[error(
        "the power at {} nm is {}; below zero only noise is taken, 5 % of the greatest power",
        number(*.nm),
        number(*.power)
    )]
    BelowZero {
        /// Where.
        nm: f64,
        /// The power there.
        power: f64,
    },
    /// All powers are zero, or those that an eye sees.
    #[error("there is no visible light in the spectrum")]
    Dark,
}

impl SpectrumError {
    /// Index of the pair of numbers that is wrong; `None` where it is the whole. `wavelength_nm`: what was
    /// given.
    #[must_use]
    pub fn row(&self, wavelength_nm: &[f64]) -> Option<usize> {
        match *self {
            Self::NotFinite(row) => Some(row),
            Self::NotRising { after_nm, nm } | Self::Step { after_nm, nm } => {
                wavelength_nm.windows(2).position(|pair| pair == [after_nm, nm]).map(|row| row + 1)
            }
            Self::BelowZero { nm, .. } => wavelength_nm.iter().position(|known| *known == nm),
            Self::Lengths { .. } | Self::TooMany(_) | Self::Cover { .. } | Self::Empty | Self::Dark => None,
        }
    }
}

/// Relative power over wavelength, checked, with its chromaticity.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// As given.
    wavelength_nm: Vec<f64>,
    /// As given, scaled to a greatest power of 1.
    power: Vec<f64>,
    /// The wavelengths of all sums.
    summed_nm: Vec<f64>,
    /// The power at them.
    summed: Vec<f64>,
    xy: Xy,
}

impl Spectrum {
    /// A spectrum from pairs of wavelength (nm) and power per wavelength (any unit; only its shape counts).
    ///
    /// Wavelengths rise in steps of 1 to 10 nm, equal or not, and cover at least 400 to 700 nm.
    /// Errors: [`SpectrumError`], the first thing found.
    ///
    /// ```
    /// use lampkeep::light::spectrum::Spectrum;
    /// let nm: Vec<f64> = (38..=78).map(|ten| f64::from(ten) * 10.0).collect();
    /// let even = Spectrum::new(&nm, &vec![1.0; nm.len()])?;
    /// // Illuminant E, equal energy.
    /// assert!((even.xy().x - 1.0 / 3.0).abs() < 1e-4);
    /// # Ok::<(), lampkeep::light::spectrum::SpectrumError>(())
    /// ```
    pub fn new(wavelength_nm: &[f64], power: &[f64]) -> Result<Self, SpectrumError> {
        check_wavelengths(wavelength_nm, power)?;
        let greatest = power.iter().fold(0.0_f64, |most, p| most.max(p.abs()));
        if greatest == 0.0 {
            return Err(SpectrumError::Dark);
        }
        // Scaled first, so that no sum overflows or vanishes.
        let scaled: Vec<f64> = power.iter().map(|p| p / greatest).collect();
        if let Some(at) = scaled.iter().position(|p| *p < -MOST_BELOW_ZERO) {
            return Err(SpectrumError::BelowZero { nm: wavelength_nm[at], power: power[at] });
        }
        let summed_nm = summed_wavelengths(wavelength_nm);
        let summed: Vec<f64> = summed_nm.iter().map(|nm| between(wavelength_nm, &scaled, *nm)).collect();
        let [x, y, z] = tristimulus_1931(&summed_nm, &summed);
        let whole = x + y + z;
        if !(y > 0.0 && whole > 0.0) {
            return Err(SpectrumError::Dark);
        }
        let xy = Xy { x: x / whole, y: y / whole };
        Ok(Self { wavelength_nm: wavelength_nm.to_vec(), power: scaled, summed_nm, summed, xy })
    }

    /// CIE 1931 chromaticity. Source: CIE 15, 7.1, 2-degree observer.
    #[must_use]
    pub fn xy(&self) -> Xy {
        self.xy
    }

    /// CCT and Duv; `None` where a colour temperature has no meaning (see [`colour::kelvin_of`]).
    #[must_use]
    pub fn kelvin(&self) -> Option<(Kelvin, Duv)> {
        colour::kelvin_of(self.xy)
    }

    /// The sum of spectra, each taken to a luminous weight (lux, say) above or at 0. Pairs of a spectrum and
    /// its weight; `None` if there is no light in them.
    ///
    /// At 5 nm if all are summed there, else at 1 nm.
    #[must_use]
    pub fn sum(parts: &[(&Self, f64)]) -> Option<Self> {
        let lit = || parts.iter().filter(|(_, weight)| *weight > 0.0);
        let finest = lit().map(|(spectrum, _)| *spectrum).max_by_key(|s| s.summed_nm.len())?;
        let nm = finest.summed_nm.clone();
        let mut power = vec![0.0; nm.len()];
        for (spectrum, weight) in lit() {
            let scale = weight / spectrum.luminous_per_nm();
            for (sum, nm) in power.iter_mut().zip(&nm) {
                *sum += scale * between(&spectrum.summed_nm, &spectrum.summed, *nm);
            }
        }
        Self::new(&nm, &power).ok()
    }

    /// Mean colour difference of the 99 samples of CIE 224 under this light and another, in CAM02-UCS, the eye
    /// adapted to each. 0: no sample is shown differently. Taken at 5 nm.
    #[must_use]
    pub fn differs_from(&self, other: &Self) -> f64 {
        let [first, last] = SUMMED_NM;
        let nm: Vec<f64> = (first..=last).step_by(5).map(f64::from).collect();
        let [a, b] = [self, other].map(|s| {
            let power: Vec<f64> = nm.iter().map(|nm| between(&s.summed_nm, &s.summed, *nm)).collect();
            fidelity::Responses::to(&nm, &power).appearance()
        });
        let sum: f64 = a.iter().zip(&b).map(|(a, b)| a.distance(b)).sum();
        sum / a.len() as f64
    }

    /// Luminous sum of the 2-degree observer per nanometre of the grid that it is summed at.
    fn luminous_per_nm(&self) -> f64 {
        let step = self.summed_nm[1] - self.summed_nm[0];
        step * tristimulus_1931(&self.summed_nm, &self.summed)[1]
    }

    /// Ra, the mean of the eight unrounded indices of CIE 13.3-1995; at most 100, may be negative.
    ///
    /// Beyond a distance of 5.4e-3 from its reference in u,v the standard gives it less meaning; that is
    /// for the caller to say. `None` without a CCT.
    #[must_use]
    pub fn ra(&self) -> Option<f64> {
        let (kelvin, _) = self.kelvin()?;
        let reference = Reference::of_ra(kelvin).power(&self.summed_nm);
        Some(rendering::ra(&self.summed_nm, &self.summed, &reference)).filter(|ra| ra.is_finite())
    }

    /// Rf and Rg of CIE 224:2017 and ANSI/IES TM-30-18; `None` without a CCT.
    #[must_use]
    pub fn fidelity(&self) -> Option<Fidelity> {
        let (kelvin, _) = self.kelvin()?;
        let reference = Reference::of_rf(kelvin).power(&self.summed_nm);
        Some(fidelity::fidelity(&self.summed_nm, &self.summed, &reference)).filter(|f| f.rf.is_finite())
    }

    /// SSI of SMPTE ST 2122 against the reference of its own CCT: Planckian below 4000 K, daylight from
    /// there. Not rounded; at most 100, may be negative. `None` without a CCT.
    #[must_use]
    pub fn ssi(&self) -> Option<f64> {
        let (kelvin, _) = self.kelvin()?;
        self.ssi_to(Reference::of_ssi(kelvin))
    }

    /// SSI against a reference of choice; `None` if there is no power from 375 to 675 nm.
    ///
    /// The daylight tables are compared from the spectrum's own first wavelength only, the Planckian
    /// formula from 375 nm: with a spectrum that starts at 380 nm this is how the check values in
    /// `tests/reference/illuminants.csv` were made.
    #[must_use]
    pub fn ssi_to(&self, reference: Reference) -> Option<f64> {
        let nm = similarity::wavelengths_nm();
        let test: Vec<f64> = nm.iter().map(|nm| between(&self.wavelength_nm, &self.power, *nm)).collect();
        let mut wanted = reference.power(&nm);
        if !matches!(reference, Reference::Planckian(_)) {
            let unmeasured = nm.iter().take_while(|nm| **nm < self.wavelength_nm[0]).count();
            wanted[..unmeasured].fill(0.0);
        }
        similarity::ssi(&test, &wanted)
    }
}

/// All that [`Spectrum::new`] asks of wavelengths, and that all numbers are finite.
fn check_wavelengths(wavelength_nm: &[f64], power: &[f64]) -> Result<(), SpectrumError> {
    let (wavelengths, powers) = (wavelength_nm.len(), power.len());
    if wavelengths != powers {
        return Err(SpectrumError::Lengths { wavelengths, powers });
    }
    if wavelengths > MOST_WAVELENGTHS {
        return Err(SpectrumError::TooMany(wavelengths));
    }
    if let Some(at) = wavelength_nm.iter().zip(power).position(|(nm, p)| !nm.is_finite() || !p.is_finite()) {
        return Err(SpectrumError::NotFinite(at));
    }
    for pair in wavelength_nm.windows(2) {
        let (after_nm, nm) = (pair[0], pair[1]);
        if nm <= after_nm {
            return Err(SpectrumError::NotRising { after_nm, nm });
        }
        if !(STEP_NM[0] - ROUNDING_NM..=STEP_NM[1] + ROUNDING_NM).contains(&(nm - after_nm)) {
            return Err(SpectrumError::Step { after_nm, nm });
        }
    }
    let (Some(&from_nm), Some(&to_nm)) = (wavelength_nm.first(), wavelength_nm.last()) else {
        return Err(SpectrumError::Empty);
    };
    if from_nm > COVERED_FROM_NM + ROUNDING_NM || to_nm < COVERED_TO_NM - ROUNDING_NM {
        return Err(SpectrumError::Cover { from_nm, to_nm });
    }
    Ok(())
}

/// The wavelengths to sum at: see the module's text.
fn summed_wavelengths(wavelength_nm: &[f64]) -> Vec<f64> {
    let fives = wavelength_nm.iter().all(|nm| nm % 5.0 == 0.0)
        && wavelength_nm.windows(2).all(|pair| pair[1] - pair[0] == 5.0);
    let [first, last] = SUMMED_NM;
    (first..=last).step_by(if fives { 5 } else { 1 }).map(f64::from).collect()
}

/// The power at a wavelength, on a straight line between its neighbours; 0 outside of the spectrum.
fn between(wavelength_nm: &[f64], power: &[f64], nm: f64) -> f64 {
    let above = wavelength_nm.partition_point(|known| *known < nm);
    match (above.checked_sub(1), wavelength_nm.get(above)) {
        (_, Some(known)) if *known == nm => power[above],
        (Some(below), Some(known)) => {
            let share = (nm - wavelength_nm[below]) / (known - wavelength_nm[below]);
            power[below] + (power[above] - power[below]) * share
        }
        _ => 0.0,
    }
}

/// X, Y and Z of the 2-degree observer, not scaled. `wavelengths_nm`: whole numbers, 360 to 830.
fn tristimulus_1931(wavelengths_nm: &[f64], power: &[f64]) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for (nm, power) in wavelengths_nm.iter().zip(power) {
        let response = COLOUR_MATCHING[(nm - f64::from(FIRST_NM)) as usize];
        for i in 0..3 {
            sum[i] += response[i] * power;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn grid(from: u16, to: u16, step: usize) -> Vec<f64> {
        (from..=to).step_by(step).map(f64::from).collect()
    }

    fn said(wavelength_nm: &[f64], power: &[f64]) -> String {
        Spectrum::new(wavelength_nm, power).expect_err("refused").to_string()
    }

    #[test]
    fn what_is_no_spectrum_is_refused_in_words() {
        let nm = grid(400, 700, 10);
        let even = vec![1.0; nm.len()];
        let with = |at: usize, value: f64| {
            let mut changed = even.clone();
            changed[at] = value;
            changed
        };
        let cases: [(String, &str); 11] = [
            (said(&[], &[]), "the spectrum is empty; it must cover 400 to 700 nm"),
            (said(&nm, &[1.0]), "31 wavelengths and 1 powers; there must be one power for each wavelength"),
            (said(&vec![1.0; 2001], &vec![1.0; 2001]), "2001 wavelengths; at most 2000 are taken"),
            (said(&nm, &with(2, f64::NAN)), "number 3 is not finite"),
            (said(&[400.0, 400.0], &[1.0; 2]), "after 400 nm comes 400 nm; wavelengths must rise"),
            (
                said(&[400.0, 400.5], &[1.0; 2]),
                "from 400 nm to 400.5 nm is a step of 0.5 nm; steps must be 1 to 10 nm",
            ),
            (
                said(&[400.0, 411.0], &[1.0; 2]),
                "from 400 nm to 411 nm is a step of 11 nm; steps must be 1 to 10 nm",
            ),
            (said(&nm[1..], &even[1..]), "the spectrum covers 410 to 700 nm; it must cover 400 to 700 nm"),
            (said(&nm[..30], &even[..30]), "the spectrum covers 400 to 690 nm; it must cover 400 to 700 nm"),
            (
                said(&nm, &with(1, -0.06)),
                "the power at 410 nm is -0.06; below zero only noise is taken, 5 % of the greatest power",
            ),
            (said(&nm, &vec![0.0; 31]), "there is no visible light in the spectrum"),
        ];
        for (found, expected) in cases {
            assert_eq!(found, expected);
        }
    }

    /// Source: definition of a straight line: finer points on it are the same spectrum. Rounding only.
    #[test]
    fn the_same_lines_with_more_points_give_the_same_figures() {
        let coarse_nm = grid(380, 780, 10);
        let coarse: Vec<f64> = coarse_nm.iter().map(|nm| 2.0 + (nm / 37.0).sin()).collect();
        let fine_nm = grid(380, 780, 1);
        let fine: Vec<f64> = fine_nm.iter().map(|nm| between(&coarse_nm, &coarse, *nm)).collect();
        let (a, b) = (Spectrum::new(&coarse_nm, &coarse).unwrap(), Spectrum::new(&fine_nm, &fine).unwrap());
        assert!((a.xy().x - b.xy().x).abs() < 1e-12 && (a.xy().y - b.xy().y).abs() < 1e-12);
        assert!((a.ra().unwrap() - b.ra().unwrap()).abs() < 1e-6);
        assert!((a.ssi().unwrap() - b.ssi().unwrap()).abs() < 1e-6);
    }

    #[test]
    fn a_pure_green_has_a_chromaticity_and_no_figures_of_white_light() {
        let nm = grid(380, 780, 5);
        let green: Vec<f64> = nm.iter().map(|nm| f64::from(u8::from(*nm == 520.0))).collect();
        let spectrum = Spectrum::new(&nm, &green).unwrap();
        assert!(spectrum.xy().y > 0.8);
        assert!(spectrum.kelvin().is_none() && spectrum.ra().is_none());
        assert!(spectrum.fidelity().is_none() && spectrum.ssi().is_none());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn every_figure_of_every_spectrum_is_finite(
            power in prop::collection::vec(prop_oneof![Just(0.0), 0.0..1.0, -0.001..1e300], 81),
            scale in prop_oneof![Just(1.0), Just(1e-300), Just(f64::MIN_POSITIVE)],
        ) {
            let power: Vec<f64> = power.iter().map(|p| p * scale).collect();
            if let Ok(spectrum) = Spectrum::new(&grid(380, 780, 5), &power) {
                prop_assert!(spectrum.xy().x.is_finite() && spectrum.xy().y.is_finite());
                let fidelity = spectrum.fidelity();
                let figures = [spectrum.ra(), fidelity.map(|f| f.rf), fidelity.and_then(|f| f.rg), spectrum.ssi()];
                prop_assert!(figures.into_iter().flatten().all(f64::is_finite));
            }
        }
    }
}
