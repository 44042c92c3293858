//! SSI, the spectral similarity index of SMPTE ST 2122: the spectrum itself, with no observer.
//!
//! Source: SMPTE ST 2122, by its public overview; the standard's text not seen.

/// Bands of 10 nm, the first about 380 nm, the last about 670 nm.
const BANDS: usize = 30;
/// First wavelength summed.
const FIRST_NM: u16 = 375;

/// The wavelengths at which both powers are wanted: 375 to 675 nm at 1 nm.
pub(super) fn wavelengths_nm() -> Vec<f64> {
    (FIRST_NM..).take(10 * BANDS + 1).map(f64::from).collect()
}

/// SSI of `test` to `reference`, both at [`wavelengths_nm`]; 100 is equal, may fall below 0, not rounded.
/// `None` where one of the two has no power there.
pub(super) fn ssi(test: &[f64], reference: &[f64]) -> Option<f64> {
    let (test, reference) = (bands(test)?, bands(reference)?);
    let weighted: [f64; BANDS] =
        std::array::from_fn(|i| weight(i) * (test[i] - reference[i]) / (reference[i] + 1.0 / BANDS as f64));
    let at = |i: Option<usize>| i.and_then(|i| weighted.get(i)).copied().unwrap_or(0.0);
    let smoothed =
        (0..BANDS).map(|i| 0.22 * at(i.checked_sub(1)) + 0.56 * at(Some(i)) + 0.22 * at(Some(i + 1)));
    let squares: f64 = smoothed.map(|s| s * s).sum();
    Some(100.0 - 32.0 * squares.sqrt()).filter(|ssi| ssi.is_finite())
}

/// Shares of the whole in each band; edges of bands count half in each.
fn bands(power: &[f64]) -> Option<[f64; BANDS]> {
    let band = |i: usize| -> f64 {
        let part = &power[10 * i..=10 * i + 10];
        part.iter().sum::<f64>() - 0.5 * (part[0] + part[10])
    };
    let sums: [f64; BANDS] = std::array::from_fn(band);
    let whole: f64 = sums.iter().sum();
    (whole > 0.0).then(|| sums.map(|sum| sum / whole))
}

/// Weight of a band: less at both ends of the visible range.
fn weight(band: usize) -> f64 {
    match band {
        0 => 12.0 / 45.0,
        1 => 22.0 / 45.0,
        2 => 32.0 / 45.0,
        3 => 40.0 / 45.0,
        4 => 44.0 / 45.0,
        28 => 11.0 / 15.0,
        29 => 3.0 / 15.0,
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the formula: equal shares give 100 whatever the scale.
    #[test]
    fn only_the_shape_of_a_spectrum_counts() {
        let slope: Vec<f64> = wavelengths_nm().iter().map(|nm| nm - 300.0).collect();
        let twice: Vec<f64> = slope.iter().map(|power| 2.0 * power).collect();
        let found = ssi(&twice, &slope).unwrap();
        assert!((found - 100.0).abs() < 1e-9, "{found}");
        assert_eq!(ssi(&vec![0.0; slope.len()], &slope), None);
    }
}
