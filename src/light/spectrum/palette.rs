//! Rf of many mixes of a few spectra, fast: what it needs of each spectrum is worked out once.
//!
//! XYZ of the samples add like light, so a mix costs a weighted sum and 99 colours in CAM02-UCS. Mixes
//! that share a chromaticity share the CCT and with it the reference, which is worked out once too.

use super::fidelity::{Appearance, Responses, rf_of};
use super::tables::SAMPLES;
use super::{Reference, Spectrum};
use crate::units::Kelvin;

/// The spectra of a lamp's emitters, ready to be mixed.
#[derive(Debug, Clone, PartialEq)]
pub struct Palette {
    emitters: Vec<Responses>,
    /// Wavelengths of the reference.
    summed_nm: Vec<f64>,
}

impl Palette {
    /// From the emitters' spectra with their light at full (lux at 1 m, above 0), in order.
    #[must_use]
    pub fn of(emitters: &[(Spectrum, f64)]) -> Self {
        let scaled = |(spectrum, lux): &(Spectrum, f64)| {
            let mut responses = Responses::none();
            // Per nanometre, so that sums at 5 nm and at 1 nm go together.
            let step = spectrum.summed_nm[1] - spectrum.summed_nm[0];
            let scale = lux * step / spectrum.luminous_per_nm();
            responses.add(&Responses::to(&spectrum.summed_nm, &spectrum.summed), scale);
            responses
        };
        let finest = emitters.iter().map(|(spectrum, _)| &spectrum.summed_nm).max_by_key(|nm| nm.len());
        Self {
            emitters: emitters.iter().map(scaled).collect(),
            summed_nm: finest.cloned().unwrap_or_default(),
        }
    }

    /// Judges mixes of this colour temperature.
    #[must_use]
    pub fn judge(&self, kelvin: Kelvin) -> Judge<'_> {
        let reference = Reference::of_rf(kelvin).power(&self.summed_nm);
        Judge { palette: self, reference: Responses::to(&self.summed_nm, &reference).appearance() }
    }
}

/// Rf against the reference of one colour temperature.
#[derive(Debug)]
pub struct Judge<'p> {
    palette: &'p Palette,
    reference: [Appearance; SAMPLES],
}

impl Judge<'_> {
    /// Rf of a mix by the emitters' drives, in any common scale; it must give light of the chromaticity
    /// whose colour temperature is judged by.
    #[must_use]
    pub fn rf(&self, drives: &[f64]) -> f64 {
        rf_of(mean(&self.shifts(drives)))
    }

    /// How each sample is shifted against the reference, in CAM02-UCS by J', a', b'.
    #[must_use]
    pub fn shifts(&self, drives: &[f64]) -> Shifts {
        let mut light = Responses::none();
        for (responses, drive) in self.palette.emitters.iter().zip(drives) {
            if *drive != 0.0 {
                light.add(responses, *drive);
            }
        }
        let seen = light.appearance();
        std::array::from_fn(|i| seen[i].minus(&self.reference[i]))
    }
}

/// Shifts of the samples.
pub type Shifts = [[f64; 3]; SAMPLES];

/// Mean length of shifts, on which Rf rests.
#[must_use]
pub fn mean(shifts: &Shifts) -> f64 {
    shifts.iter().map(|[l, a, b]| (l * l + a * a + b * b).sqrt()).sum::<f64>() / SAMPLES as f64
}
