//! What holds of spectrum files and of the figures of a spectrum, whatever comes in.

use lampkeep::light::spectrum::{Spectrum, csv};

use crate::said;

/// Reads `input` as a spectrum and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let text = String::from_utf8_lossy(input);
    let (wavelength_nm, power) = match csv::columns(&text) {
        Ok(columns) => columns,
        Err(error) => return said::is_fit(&error.to_string(), 300, false),
    };
    assert_eq!(wavelength_nm.len(), power.len());
    let spectrum = match Spectrum::new(&wavelength_nm, &power) {
        Ok(spectrum) => spectrum,
        Err(error) => {
            assert!(error.row(&wavelength_nm).is_none_or(|row| row < wavelength_nm.len()), "{error}");
            return said::is_fit(&error.to_string(), 300, false);
        }
    };
    let xy = spectrum.xy();
    assert!((0.0..=1.0).contains(&xy.x) && (0.0..=1.0).contains(&xy.y), "{xy:?}");
    let fidelity = spectrum.fidelity();
    let figures = [spectrum.ra(), fidelity.map(|f| f.rf), fidelity.and_then(|f| f.rg), spectrum.ssi()];
    assert!(figures.into_iter().flatten().all(f64::is_finite), "{figures:?}");
    if let Some((kelvin, duv)) = spectrum.kelvin() {
        assert!(kelvin.get().is_finite() && duv.get().is_finite());
    }
}
