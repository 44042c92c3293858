//! What a plan says of an emitter's spectrum. What follows from it is `light`'s work.

/// Spectral power of an emitter, as a file gave it.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectralPower {
    /// The file's name, for messages.
    pub file: String,
    /// Wavelengths in nanometres, rising in steps of 1 to 10.
    pub wavelength_nm: Vec<f64>,
    /// Power per wavelength at them, in any unit; only its shape counts.
    pub power: Vec<f64>,
}
