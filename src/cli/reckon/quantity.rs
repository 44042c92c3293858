//! Numbers with their units as people type them: `500lx`, `1.5m`, `1/50`, `-1/3`.
//!
//! Every parser takes a bare number in the first unit, a blank before the unit, and fractions. Ranges are
//! checked later, by the arithmetic itself.

/// A footcandle in lux: one lumen a square foot, 1 / 0.3048² (the foot is 0.3048 m exactly).
const FOOTCANDLE_LX: f64 = 1.0 / (0.3048 * 0.3048);

/// Lux as footcandles.
pub(super) fn footcandles(lux: f64) -> f64 {
    lux / FOOTCANDLE_LX
}

/// A number without a unit.
pub(super) fn plain(text: &str) -> Result<f64, String> {
    read(text, &[], "a number")
}

/// Two numbers with a comma between, such as a chromaticity.
pub(super) fn pair(text: &str) -> Result<(f64, f64), String> {
    let (first, second) = text.split_once(',').ok_or("give two numbers, such as 0.3127,0.3290")?;
    Ok((plain(first)?, plain(second)?))
}

/// `2.8`, `f/2.8` or `T2.8`.
pub(super) fn aperture(text: &str) -> Result<f64, String> {
    let bare = ["f/", "F/", "T", "t"].iter().find_map(|prefix| text.strip_prefix(prefix)).unwrap_or(text);
    read(bare, &[], "an aperture such as 2.8 or f/2.8")
}

pub(super) fn seconds(text: &str) -> Result<f64, String> {
    // Cameras show 1/50 as 50.
    if text.trim().parse::<f64>().is_ok_and(|bare| bare >= 1.0) {
        let bare = crate::words::short(text.trim());
        return Err(format!("`{bare}` may be 1/{bare} or {bare}s: write which is meant"));
    }
    read(text, &[("ms", 0.001), ("s", 1.0)], "an exposure time such as 1/50, 0.02s or 20ms")
}

/// A shutter as typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shutter {
    /// An exposure time.
    Seconds(f64),
    /// The open angle of a frame's 360 degrees.
    Degrees(f64),
}

/// An exposure time or an angle.
pub(super) fn shutter(text: &str) -> Result<Shutter, String> {
    if text.ends_with("deg") || text.ends_with('°') {
        return degrees(text).map(Shutter::Degrees);
    }
    seconds(text).map(Shutter::Seconds)
}

/// Frames a second, above 0.
pub(super) fn fps(text: &str) -> Result<f64, String> {
    let found = read(text, &[("fps", 1.0)], "a frame rate such as 25 or 23.976")?;
    if found > 0.0 { Ok(found) } else { Err(String::from("a frame rate is above 0, such as 25")) }
}

pub(super) fn lux(text: &str) -> Result<f64, String> {
    read(text, &[("lx", 1.0), ("fc", FOOTCANDLE_LX)], "an illuminance such as 500lx or 46fc")
}

pub(super) fn metres(text: &str) -> Result<f64, String> {
    read(text, &[("cm", 0.01), ("m", 1.0), ("ft", 0.3048)], "a length such as 1.5m, 150cm or 5ft")
}

pub(super) fn stops(text: &str) -> Result<f64, String> {
    read(text, &[("stops", 1.0), ("stop", 1.0)], "a level in stops such as -1 or +1/3")
}

pub(super) fn kelvin(text: &str) -> Result<f64, String> {
    read(text, &[("K", 1.0), ("k", 1.0)], "a colour temperature such as 5600K")
}

pub(super) fn duv(text: &str) -> Result<f64, String> {
    read(text, &[("duv", 1.0), ("Duv", 1.0)], "a tint such as -0.003")
}

pub(super) fn candela(text: &str) -> Result<f64, String> {
    read(text, &[("cd", 1.0)], "a luminous intensity such as 1280cd")
}

pub(super) fn luminance(text: &str) -> Result<f64, String> {
    read(text, &[("cd/m2", 1.0), ("cd/m²", 1.0)], "a luminance such as 1200cd/m2")
}

pub(super) fn degrees(text: &str) -> Result<f64, String> {
    read(text, &[("deg", 1.0), ("°", 1.0)], "an angle such as 30deg")
}

pub(super) fn hertz(text: &str) -> Result<f64, String> {
    read(text, &[("kHz", 1000.0), ("Hz", 1.0)], "a frequency such as 100Hz or 25kHz")
}

pub(super) fn duration(text: &str) -> Result<f64, String> {
    read(text, &[("min", 60.0), ("h", 3600.0), ("s", 1.0)], "a time such as 25min, 90s or 1h")
}

pub(super) fn celsius(text: &str) -> Result<f64, String> {
    read(text, &[("°C", 1.0), ("C", 1.0)], "a temperature such as 24C")
}

pub(super) fn watts(text: &str) -> Result<f64, String> {
    read(text, &[("W", 1.0)], "a power such as 70W")
}

pub(super) fn resistance(text: &str) -> Result<f64, String> {
    read(text, &[("K/W", 1.0)], "a thermal resistance such as 0.6K/W")
}

/// The colour of an emitter as typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum MixColour {
    /// On the Planckian locus.
    Kelvin(f64),
    /// CIE 1931 x,y.
    Xy(f64, f64),
}

/// `2700K:900lx` or `0.69,0.31:300lx`.
pub(super) fn emitter(text: &str) -> Result<(MixColour, f64), String> {
    let (seen, light) =
        text.split_once(':').ok_or("give colour and light at 1 m, such as 2700K:900lx or 0.69,0.31:300lx")?;
    let seen = match pair(seen) {
        Ok((x, y)) => MixColour::Xy(x, y),
        Err(_) => MixColour::Kelvin(kelvin(seen)?),
    };
    Ok((seen, lux(light)?))
}

/// A bare number is a share of 1.
pub(super) fn share(text: &str) -> Result<f64, String> {
    read(text, &[("%", 0.01)], "a share such as 30% or 0.3")
}

fn read(text: &str, units: &[(&str, f64)], noun: &str) -> Result<f64, String> {
    let unit = units.iter().find(|(unit, _)| text.ends_with(unit));
    let (number, factor) = match unit {
        Some((unit, factor)) => (&text[..text.len() - unit.len()], *factor),
        None => (text, 1.0),
    };
    let part = |part: &str| part.trim().parse::<f64>().ok().filter(|n| n.is_finite());
    let value = match number.split_once('/') {
        Some((above, below)) => part(above).zip(part(below)).map(|(above, below)| above / below),
        None => part(number),
    };
    match value.map(|value| value * factor) {
        Some(value) if value.is_finite() => Ok(value),
        _ => Err(format!("`{}` is not {noun}", crate::words::short(text))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: BIPM: the foot is 0.3048 m exactly, so 1 fc is 10.7639 lx.
    #[test]
    fn units_and_fractions_are_read() {
        assert_eq!(seconds("1/50"), Ok(0.02));
        assert_eq!(seconds("20 ms"), Ok(0.02));
        assert_eq!(stops("-1/4"), Ok(-0.25));
        assert_eq!(metres("5ft"), Ok(1.524));
        assert!((lux("1fc").unwrap() - 10.7639).abs() < 5e-5);
        assert_eq!(share("30%"), Ok(0.3));
        assert_eq!(
            (duration("25min"), duration("90 s"), duration("1/2h")),
            (Ok(1500.0), Ok(90.0), Ok(1800.0))
        );
        assert_eq!(emitter("2700K:900lx"), Ok((MixColour::Kelvin(2700.0), 900.0)));
        assert_eq!(emitter("0.69, 0.31:300lx"), Ok((MixColour::Xy(0.69, 0.31), 300.0)));
        for bad in ["", "lx", "1/0", "inf", "nan", "1e999", "5lx lx", "1/2/3"] {
            assert!(lux(bad).is_err(), "{bad}");
        }
    }
}
