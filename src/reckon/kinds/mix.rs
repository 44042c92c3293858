//! Mixes of emitters: of most light, of least power, of best rendering.

use serde::Deserialize;

use super::space::chromaticity;
use crate::light::mix::{self as mixes, Aimed};
use crate::light::spectrum::{Palette, Spectrum};
use crate::light::{colour, mix::IN_GAMUT};
use crate::plan::{Emitter, MAX_EMITTERS, Prefer};
use crate::reckon::ReckonError;
use crate::reckon::fields::{Answer, check, not_negative};
use crate::units::{Lux, Watts};

/// How far in u'v' an emitter's x and y may lie from its spectrum's: sums at other steps differ by less.
const SAME_COLOUR_UV76: f64 = 0.002;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mix {
    emitters: Vec<MixEmitter>,
    x: f64,
    y: f64,
    prefer: Option<String>,
    /// Light that is asked for; the greatest where left out.
    lux_at_1m: Option<f64>,
    /// One for each emitter, for `rendering`.
    spectra: Option<Vec<Curve>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MixEmitter {
    x: f64,
    y: f64,
    lux_at_1m: f64,
    /// For `cool`.
    watts: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Curve {
    wavelength_nm: Vec<f64>,
    power: Vec<f64>,
}

pub(super) fn mix(asked: Mix) -> Result<Answer, ReckonError> {
    let prefer = match asked.prefer.as_deref() {
        None | Some("output") => Prefer::Output,
        Some("cool") => Prefer::Cool,
        Some("rendering") => Prefer::Rendering,
        Some(_) => return Err(ReckonError::Together("`prefer` is `output`, `cool` or `rendering`")),
    };
    let count = asked.emitters.len();
    check("emitters", count as f64, (1..=MAX_EMITTERS).contains(&count), "1 to 8 of them")?;
    let mut emitters = Vec::with_capacity(count);
    for e in &asked.emitters {
        let bright = (0.0..=Lux::MAX).contains(&e.lux_at_1m);
        let watts = e.watts.unwrap_or(0.0);
        emitters.push(Emitter {
            name: String::new(),
            xy: chromaticity(e.x, e.y)?,
            lux_at_1m: check("lux_at_1m", e.lux_at_1m, bright, "between 0 and 10000000 lx")?,
            watts: Watts::clamped(check(
                "watts",
                watts,
                (0.0..=1e5).contains(&watts),
                "between 0 and 100000 W",
            )?),
            spectrum: None,
        });
    }
    let target = chromaticity(asked.x, asked.y)?;
    let spectra = spectra(asked.spectra.as_deref(), &mut emitters)?;
    let (Some(aimed), Some(near)) = (Aimed::at_xy(&emitters, target), mixes::nearest(&emitters, target))
    else {
        return Err(ReckonError::Together("no emitter has any light"));
    };
    let full = aimed.most_light();
    let lux = asked.lux_at_1m.map_or(Ok(full.lux_at_1m), |lux| not_negative("lux_at_1m", lux))?;
    // Drives of `output` are those of the greatest light, by contract.
    let level = if prefer == Prefer::Output { 1.0 } else { (lux / full.lux_at_1m).min(1.0) };
    let judged = match (&spectra, colour::kelvin_of(aimed.xy())) {
        (Some(spectra), Some((kelvin, _))) => Some((Palette::of(spectra), kelvin)),
        _ => None,
    };
    let judge = judged.as_ref().map(|(palette, kelvin)| palette.judge(*kelvin));
    let mix = match prefer {
        Prefer::Output => full.drives,
        Prefer::Cool => {
            // At the greatest light there is no choice, and no power need be known.
            if level < 1.0 && asked.emitters.iter().any(|e| e.watts.is_none_or(|w| w <= 0.0)) {
                return Err(ReckonError::Together("`cool` needs `watts` above 0 of every emitter"));
            }
            aimed.least_watts(full.lux_at_1m, level)
        }
        Prefer::Rendering => match (&spectra, &judge) {
            (None, _) => {
                return Err(ReckonError::Together("`rendering` needs `spectra`, one for each emitter"));
            }
            (Some(_), Some(judge)) => aimed.best_rendering(full.lux_at_1m, level, judge),
            // Where there is no colour temperature Rf has no meaning.
            (Some(_), None) => full.drives,
        },
    };
    let answer = Answer::default()
        .other("in_gamut", full.distance_uv76 <= IN_GAMUT)
        .number("x_near", near.xy.x)?
        .number("y_near", near.xy.y)?
        .number("distance_uv76", full.distance_uv76)?
        .number("max_lux_at_1m", full.lux_at_1m)?
        .numbers("drives", &mix.map(|part| part * level)[..count])?;
    if spectra.is_none() {
        return Ok(answer);
    }
    answer.maybe("rf", judge.map(|judge| judge.rf(&mix)))
}

/// The emitters' spectra with their light; the emitters take their colour from them.
fn spectra(
    given: Option<&[Curve]>,
    emitters: &mut [Emitter],
) -> Result<Option<Vec<(Spectrum, f64)>>, ReckonError> {
    let Some(given) = given else { return Ok(None) };
    if given.len() != emitters.len() {
        return Err(ReckonError::Together("`spectra` holds one for each emitter, in order"));
    }
    let mut found = Vec::with_capacity(given.len());
    for (curve, emitter) in given.iter().zip(emitters) {
        let spectrum = Spectrum::new(&curve.wavelength_nm, &curve.power).map_err(ReckonError::Spectrum)?;
        if spectrum.xy().uv76().distance(emitter.xy.uv76()) > SAME_COLOUR_UV76 {
            return Err(ReckonError::Together("an emitter's `x` and `y` are not those of its spectrum"));
        }
        emitter.xy = spectrum.xy();
        found.push((spectrum, emitter.lux_at_1m));
    }
    Ok(Some(found))
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use crate::reckon::answer;

    fn request(prefer: &str, lux: Option<f64>) -> Value {
        let emitters: Vec<Value> = [
            (0.69, 0.30, 200.0, 10.0),
            (0.20, 0.70, 500.0, 20.0),
            (0.15, 0.04, 60.0, 10.0),
            (0.33, 0.34, 800.0, 90.0),
        ]
        .into_iter()
        .map(|(x, y, lux, watts)| json!({ "x": x, "y": y, "lux_at_1m": lux, "watts": watts }))
        .collect();
        json!({ "kind": "mix", "emitters": emitters, "x": 0.33, "y": 0.34, "prefer": prefer, "lux_at_1m": lux })
    }

    fn drives(found: &Value) -> Vec<f64> {
        found["drives"].as_array().unwrap().iter().map(|d| d.as_f64().unwrap()).collect()
    }

    #[test]
    fn at_the_greatest_light_cool_is_output_and_below_it_draws_less() {
        let find = |prefer, lux| drives(&answer(&request(prefer, lux), &crate::reckon::no_files).unwrap());
        for (a, b) in find("output", None).iter().zip(find("cool", None)) {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
        let watts = |drives: Vec<f64>| -> f64 {
            drives.iter().zip([10.0, 20.0, 10.0, 90.0]).map(|(d, w)| d * w).sum()
        };
        let (output, cool) = (watts(find("output", Some(300.0))), watts(find("cool", Some(300.0))));
        assert!(cool < output - 1.0, "{cool} W against {output} W");
    }

    #[test]
    fn what_a_preference_needs_is_said() {
        let said = |request: &Value| answer(request, &crate::reckon::no_files).unwrap_err().to_string();
        assert_eq!(said(&request("rendering", None)), "`rendering` needs `spectra`, one for each emitter");
        assert_eq!(said(&request("best", None)), "`prefer` is `output`, `cool` or `rendering`");
        let mut bare = request("cool", Some(1.0));
        bare["emitters"][0].as_object_mut().unwrap().remove("watts");
        assert_eq!(said(&bare), "`cool` needs `watts` above 0 of every emitter");
    }
}
