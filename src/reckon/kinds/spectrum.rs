//! The colour figures of a spectrum.

use serde::Deserialize;

use crate::light::spectrum::Spectrum as Spectra;
use crate::reckon::ReckonError;
use crate::reckon::fields::Answer;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Spectrum {
    wavelength_nm: Vec<f64>,
    power: Vec<f64>,
}

pub(super) fn spectrum(asked: &Spectrum) -> Result<Answer, ReckonError> {
    let spectrum = Spectra::new(&asked.wavelength_nm, &asked.power).map_err(ReckonError::Spectrum)?;
    let xy = spectrum.xy();
    let white = spectrum.kelvin();
    let fidelity = spectrum.fidelity();
    Answer::default()
        .number("x", xy.x)?
        .number("y", xy.y)?
        .maybe("kelvin", white.map(|(kelvin, _)| kelvin.get()))?
        .maybe("duv", white.map(|(_, duv)| duv.get()))?
        .maybe("ra", spectrum.ra())?
        .maybe("rf", fidelity.map(|found| found.rf))?
        .maybe("rg", fidelity.and_then(|found| found.rg))?
        .maybe("ssi", spectrum.ssi())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use crate::reckon::{answer, no_files};

    const FIGURES: [&str; 8] = ["x", "y", "kelvin", "duv", "ra", "rf", "rg", "ssi"];

    #[test]
    fn what_is_no_spectrum_is_said_with_a_next_step() {
        let request = json!({ "kind": "spectrum", "wavelength_nm": [400, 411], "power": [1, 1] });
        let error = answer(&request, &no_files).unwrap_err().to_json();
        let expected = json!({ "error": { "kind": "wrong-fields",
            "said": "no spectrum: from 400 nm to 411 nm is a step of 11 nm; steps must be 1 to 10 nm",
            "hint": "give `wavelength_nm` rising in steps of 1 to 10 nm over 400 to 700 nm or more, with a `power` for each" } });
        assert_eq!(error, expected);
    }

    #[test]
    fn a_colour_far_from_white_has_null_for_the_figures_of_white_light() {
        let nm: Vec<u16> = (380..=780).step_by(5).collect();
        let green: Vec<u8> = nm.iter().map(|nm| u8::from(*nm == 520)).collect();
        let request = json!({ "kind": "spectrum", "wavelength_nm": nm, "power": green });
        let found = answer(&request, &no_files).unwrap();
        assert!(found["x"].is_number() && found["y"].is_number());
        assert!(FIGURES[2..].iter().all(|figure| found.get(*figure) == Some(&Value::Null)), "{found}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]
        #[test]
        fn any_numbers_get_figures_or_an_error_and_no_panic(
            wavelength_nm in prop::collection::vec(any::<f64>(), 0..8),
            power in prop::collection::vec(any::<f64>(), 0..8),
        ) {
            let request = json!({ "kind": "spectrum", "wavelength_nm": wavelength_nm, "power": power });
            let _ = answer(&request, &no_files);
        }

        #[test]
        fn any_rising_wavelengths_with_any_power_get_every_figure_or_an_error(
            start in 1.0..420.0_f64,
            steps in prop::collection::vec(0.99..10.05_f64, 30..400),
            power in prop::collection::vec(prop_oneof![0.0..1.0, Just(0.0), -0.06..1e308], 401),
            fifth in any::<bool>(),
        ) {
            let mut at = if fifth { (start / 5.0).round() * 5.0 } else { start };
            let mut wavelength_nm = vec![at];
            for step in steps {
                at += if fifth { 5.0 } else { step };
                wavelength_nm.push(at);
            }
            let power = &power[..wavelength_nm.len()];
            let request = json!({ "kind": "spectrum", "wavelength_nm": wavelength_nm, "power": power });
            if let Ok(found) = answer(&request, &no_files) {
                prop_assert!(FIGURES.iter().all(|figure| found.get(*figure).is_some()), "{found}");
            }
        }
    }
}
