//! What was typed, as the request that a program would send.

use serde_json::{Value, json};

use super::file;
use super::quantity::MixColour;
use super::sums::{Law, Sum, Waveform};
use crate::light::spectrum::csv;
use crate::reckon::{self, ReckonError};

impl Sum {
    /// The same as a request in JSON; reads the file of a spectrum.
    ///
    /// Errors: a file that cannot be read or is no spectrum's, an emitter whose kelvin are out of range.
    pub(super) fn request(&self) -> Result<Value, ReckonError> {
        Ok(match self {
            Self::Exposure { iso, f, shutter, fps, nd, constant } => json!({ "kind": "exposure", "iso": iso,
                "f_number": f, "shutter_s": shutter.seconds(*fps)?, "nd": nd, "constant": constant }),
            Self::Ratio { key, fill } => json!({ "kind": "ratio", "key_lux": key, "fill_lux": fill }),
            Self::Distance { distance, stops, radius } => json!({ "kind": "distance", "distance_m": distance,
                "stops": stops, "radius_m": radius }),
            Self::Mired { from, to } => json!({ "kind": "mired", "from_kelvin": from, "to_kelvin": to }),
            Self::Colour { kelvin, duv, xy } => colour(*kelvin, *duv, *xy),
            Self::Spectrum { file } => {
                let text = file::text(file).map_err(ReckonError::File)?;
                let (wavelength_nm, power) =
                    csv::columns(&text).map_err(|error| ReckonError::Csv { file: file.clone(), error })?;
                json!({ "kind": "spectrum", "wavelength_nm": wavelength_nm, "power": power })
            }
            Self::Mix { emitters, kelvin, duv, xy } => mix(emitters, &colour(*kelvin, *duv, *xy))?,
            Self::Point { candela, distance, angle } => {
                // The lamp straight above, the surface tilted.
                let (sine, cosine) = angle.to_radians().sin_cos();
                json!({ "kind": "point", "point_m": [0, 0, 0], "normal": [sine, 0, cosine],
                    "lamps": [{ "position_m": [0, 0, distance], "candela": candela }] })
            }
            Self::Disc { radius, distance, luminance } => json!({ "kind": "disc", "radius_m": radius,
                "distance_m": distance, "luminance_cd_m2": luminance }),
            Self::Candela { file, vertical, horizontal } => json!({ "kind": "candela", "file": file,
                "vertical_deg": vertical, "horizontal_deg": horizontal }),
            Self::Curve { law, code, bits } => {
                json!({ "kind": "curve", "law": Law::name(*law), "bits": bits, "code": code })
            }
            Self::Heat { resistance, tau, room, start, watts, limit, after } => {
                let mut request = json!({ "kind": "heat", "k_per_w": resistance,
                    "time_constant_s": tau, "ambient_c": room, "start_c": start.unwrap_or(*room) });
                if let Some(limit) = limit {
                    request["watts"] = json!(watts);
                    request["limit_c"] = json!(limit);
                }
                if let Some(after) = after {
                    request["steps"] = json!([{ "for_s": after, "watts": watts }]);
                    request["at_s"] = json!([after]);
                }
                request
            }
            Self::Flash { rate, levels } => json!({ "kind": "flash", "rate_hz": rate, "levels": levels }),
            Self::Shutter { waveform: Waveform::Sine, frequency, share, exposure } => json!({
                "kind": "shutter", "waveform": "sine", "frequency_hz": frequency, "exposure_s": exposure,
                "modulation": share }),
            Self::Shutter { waveform: Waveform::Pwm, frequency, share, exposure } => json!({
                "kind": "shutter", "waveform": "pwm", "frequency_hz": frequency, "exposure_s": exposure,
                "duty": share }),
            Self::Flicker { frequency, modulation } => json!({ "kind": "flicker",
                "frequency_hz": frequency, "modulation_percent": modulation * 100.0 }),
        })
    }
}

/// A request for a colour.
fn colour(kelvin: Option<f64>, duv: Option<f64>, xy: Option<(f64, f64)>) -> Value {
    match xy {
        Some((x, y)) => json!({ "kind": "colour", "x": x, "y": y }),
        None => json!({ "kind": "colour", "kelvin": kelvin, "duv": duv }),
    }
}

/// A request for a mix; colours given in kelvin are asked for first.
fn mix(emitters: &[(MixColour, f64)], target: &Value) -> Result<Value, ReckonError> {
    let xy = |colour: &Value| reckon::answer(colour, &reckon::no_files);
    let mut list = Vec::with_capacity(emitters.len());
    for (seen, lux) in emitters {
        let found = match seen {
            MixColour::Kelvin(kelvin) => xy(&colour(Some(*kelvin), None, None))?,
            MixColour::Xy(x, y) => json!({ "x": x, "y": y }),
        };
        list.push(json!({ "x": found["x"], "y": found["y"], "lux_at_1m": lux }));
    }
    let wanted = xy(target)?;
    Ok(json!({ "kind": "mix", "emitters": list, "x": wanted["x"], "y": wanted["y"] }))
}
