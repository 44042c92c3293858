//! Colour, exposure, distance and curves.

use serde::Deserialize;

use crate::channels::curve as curves;
use crate::light::colour as colours;
use crate::light::photometry::{self, Beam, PointLamp};
use crate::plan::{Bits, Curve, Law};
use crate::reckon::ReckonError;
use crate::reckon::fields::{Answer, check, not_negative, positive, ratio as share, signed};
use crate::units::{Duv, Kelvin, Xy};

/// ISO 2720's constant for a flat receptor; what the plan takes unless told otherwise.
const FLAT_RECEPTOR: f64 = 250.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Colour {
    kelvin: Option<f64>,
    duv: Option<f64>,
    x: Option<f64>,
    y: Option<f64>,
}

pub(super) fn colour(asked: Colour) -> Result<Answer, ReckonError> {
    let (xy, white) = match asked {
        Colour { kelvin: Some(k), duv, x: None, y: None } => {
            let (kelvin, duv) = (kelvin("kelvin", k)?, tint(duv.unwrap_or(0.0))?);
            (colours::xy_of(kelvin, duv), Some((kelvin, duv)))
        }
        Colour { kelvin: None, duv: None, x: Some(x), y: Some(y) } => {
            let xy = chromaticity(x, y)?;
            (xy, colours::kelvin_of(xy))
        }
        _ => return Err(ReckonError::Together("a colour is `kelvin` with or without `duv`, or `x` and `y`")),
    };
    let uv = xy.uv60();
    Answer::default()
        .number("x", xy.x)?
        .number("y", xy.y)?
        .number("u", uv.u)?
        .number("v", uv.v)?
        .maybe("kelvin", white.map(|(kelvin, _)| kelvin.get()))?
        .maybe("duv", white.map(|(_, duv)| duv.get()))?
        .maybe("mired", white.map(|(kelvin, _)| kelvin.mired().get()))
}

fn kelvin(field: &'static str, found: f64) -> Result<Kelvin, ReckonError> {
    Kelvin::new(found).map_err(|_| ReckonError::OutOfRange {
        field,
        found,
        allowed: "between 1000 and 20000 K",
    })
}

fn tint(found: f64) -> Result<Duv, ReckonError> {
    let allowed = "between -0.05 and 0.05";
    Duv::new(found).map_err(|_| ReckonError::OutOfRange { field: "duv", found, allowed })
}

pub(super) fn chromaticity(x: f64, y: f64) -> Result<Xy, ReckonError> {
    check("x", x, (0.0..=1.0).contains(&x), "between 0 and 1")?;
    // Under 1e-6 there is no light in a colour, and none is real.
    check("y", y, (1e-6..=1.0).contains(&y), "between 0.000001 and 1")?;
    Ok(Xy { x, y })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Exposure {
    iso: f64,
    f_number: f64,
    shutter_s: f64,
    constant: Option<f64>,
    nd: Option<f64>,
}

pub(super) fn exposure(asked: &Exposure) -> Result<Answer, ReckonError> {
    let lux = photometry::exposure_lux(
        positive("iso", asked.iso)?,
        positive("f_number", asked.f_number)?,
        positive("shutter_s", asked.shutter_s)?,
        positive("constant", asked.constant.unwrap_or(FLAT_RECEPTOR))?,
    );
    let nd = asked.nd.unwrap_or(0.0);
    check("nd", nd, (0.0..=10.0).contains(&nd), "between 0 and 10")?;
    Answer::default().number("lux", lux * photometry::nd_factor(nd))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Ratio {
    key_lux: f64,
    fill_lux: f64,
}

pub(super) fn ratio(asked: &Ratio) -> Result<Answer, ReckonError> {
    let found = photometry::contrast(
        not_negative("key_lux", asked.key_lux)?,
        not_negative("fill_lux", asked.fill_lux)?,
    );
    let stops = |ratio: f64| (ratio > 0.0).then(|| ratio.log2());
    Answer::default()
        .maybe("key_to_fill", found.map(|f| f.key_to_fill))?
        .maybe("key_to_fill_stops", found.and_then(|f| stops(f.key_to_fill)))?
        .maybe("lit_to_shadow", found.map(|f| f.lit_to_shadow))?
        .maybe("lit_to_shadow_stops", found.and_then(|f| stops(f.lit_to_shadow)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Distance {
    distance_m: f64,
    stops: f64,
    radius_m: Option<f64>,
}

pub(super) fn distance(asked: &Distance) -> Result<Answer, ReckonError> {
    let stops = check("stops", asked.stops, (-40.0..=40.0).contains(&asked.stops), "between -40 and 40")?;
    let distance_m = positive("distance_m", asked.distance_m)?;
    let radius_m = not_negative("radius_m", asked.radius_m.unwrap_or(0.0))?;
    Answer::default().maybe("distance_m", photometry::distance_for_stops(distance_m, radius_m, stops))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mired {
    from_kelvin: f64,
    to_kelvin: f64,
}

pub(super) fn mired(asked: &Mired) -> Result<Answer, ReckonError> {
    let from = kelvin("from_kelvin", asked.from_kelvin)?.mired().get();
    let to = kelvin("to_kelvin", asked.to_kelvin)?.mired().get();
    Answer::default().number("from_mired", from)?.number("to_mired", to)?.number("shift_mired", to - from)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Point {
    point_m: [f64; 3],
    normal: [f64; 3],
    lamps: Vec<Lamp>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Lamp {
    position_m: [f64; 3],
    candela: f64,
    aim_m: Option<[f64; 3]>,
    beam_deg: Option<f64>,
}

pub(super) fn point(asked: Point) -> Result<Answer, ReckonError> {
    let place = |field, at: [f64; 3]| at.into_iter().try_for_each(|part| signed(field, part).map(drop));
    // Every metre here is at most 1e12, so squares stay finite; this keeps quotients of them sound too.
    let apart = |field, a: [f64; 3], b: [f64; 3], allowed| {
        let square: f64 = (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum();
        check(field, square.sqrt(), square >= 1e-24, allowed)
    };
    place("point_m", asked.point_m)?;
    place("normal", asked.normal)?;
    apart("normal", asked.normal, [0.0; 3], "a vector longer than 0")?;
    let mut lux = Vec::with_capacity(asked.lamps.len());
    for lamp in &asked.lamps {
        place("position_m", lamp.position_m)?;
        apart("position_m", lamp.position_m, asked.point_m, "a place other than the point's")?;
        let beam = match (lamp.aim_m, lamp.beam_deg) {
            (None, None) => None,
            (Some(aim), Some(full_angle_deg)) => {
                place("aim_m", aim)?;
                apart("aim_m", aim, lamp.position_m, "a place other than the lamp's")?;
                let fits = (0.1..=179.9).contains(&full_angle_deg);
                check("beam_deg", full_angle_deg, fits, "between 0.1 and 179.9 degrees")?;
                Some(Beam { aim, full_angle_deg })
            }
            _ => return Err(ReckonError::Together("a beam is `aim_m` and `beam_deg` together")),
        };
        let candela = not_negative("candela", lamp.candela)?;
        let lamp = PointLamp { position: lamp.position_m, candela, beam };
        lux.push(lamp.lux_at(asked.point_m, asked.normal));
    }
    Answer::default().numbers("lux", &lux)?.number("total_lux", lux.iter().sum())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Disc {
    radius_m: f64,
    distance_m: f64,
    luminance_cd_m2: f64,
}

pub(super) fn disc(asked: &Disc) -> Result<Answer, ReckonError> {
    let radius_m = positive("radius_m", asked.radius_m)?;
    let distance_m = positive("distance_m", asked.distance_m)?;
    let luminance = not_negative("luminance_cd_m2", asked.luminance_cd_m2)?;
    Answer::default()
        .number("lux", photometry::disc_lux(radius_m, distance_m, luminance))?
        .number("point_law_stops", photometry::disc_point_law_stops(radius_m, distance_m))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Dimming {
    law: String,
    bits: f64,
    code: f64,
}

pub(super) fn curve(asked: &Dimming) -> Result<Answer, ReckonError> {
    let law = Law::of_word(&asked.law).ok_or(ReckonError::Together(
        "`law` is `linear`, `square`, `lightness`, or `gamma-` with an exponent from 0.2 to 6",
    ))?;
    let bits = check("bits", asked.bits, asked.bits == 8.0 || asked.bits == 16.0, "8 or 16")?;
    let bits = if bits == 8.0 { Bits::Eight } else { Bits::Sixteen };
    let full = f64::from(bits.max());
    let fits = asked.code.fract() == 0.0 && (0.0..=full).contains(&asked.code);
    check("code", asked.code, fits, "a whole number from 0 to 2^bits - 1")?;
    Answer::default().number("relative", curves::relative(&Curve::by(law), share("code", asked.code / full)?))
}
