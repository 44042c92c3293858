//! A meter's reading as a person types it: `250lx`, `23fc`, `f/2.8+0.3`, `5120K`, `+0.003duv`, `under1lx`.
//!
//! Several words make one reading; a space may stand before a unit. Docs: interface.md part 1, `read`.

use super::photometry;
use crate::plan::Exposure;
use crate::units::{Duv, Kelvin, Xy};
use crate::words::short;

/// Lux in a footcandle: one lumen on a square foot of (0.3048 m)² (international foot, exact).
pub const LUX_PER_FOOTCANDLE: f64 = 1.0 / (0.3048 * 0.3048);
/// Most lux that a meter shows. Judgement: the sun gives 130 000 lx.
const MOST_LUX: f64 = 1e7;

/// What a meter showed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reading {
    /// Illuminance in lux, 0 or more.
    pub lux: Option<f64>,
    /// True if the light was less than the meter could show: `lux` is then what it would have shown.
    pub under: bool,
    /// Colour temperature in kelvin.
    pub kelvin: Option<f64>,
    /// Tint in Duv.
    pub duv: Option<f64>,
    /// Chromaticity, CIE 1931.
    pub xy: Option<Xy>,
    /// A person saw that the light was not clean: `flickers` was typed with it.
    pub flickers: bool,
}

/// What a number without a unit counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bare {
    /// Lux.
    Lux,
    /// Kelvin.
    Kelvin,
    /// Nothing: a unit is needed.
    Nothing,
}

/// Why words are no reading; says what was found and how to write it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReadingError {
    /// No word at all.
    #[error("no reading: write one such as 250lx, 23fc, f/2.8+0.3, 5120K, +0.003duv or under1lx")]
    Empty,
    /// A word that is none.
    #[error("`{0}` is no reading: write 250lx, 23fc, f/2.8+0.3, 5120K, +0.003duv, xy0.44,0.40 or under1lx")]
    Unknown(String),
    /// A number without a unit where it could mean several things.
    #[error("`{0}` has no unit: write {0}lx, or {0}K")]
    NoUnit(String),
    /// A number that no meter shows.
    #[error("{found} lies outside of what a meter shows: {allowed}")]
    Outside {
        /// As typed.
        found: String,
        /// The range.
        allowed: &'static str,
    },
    /// The same quantity twice.
    #[error("{0} is given twice: give it once")]
    Twice(&'static str),
}

/// Reads one reading. `exposure`: its ISO, shutter and constant turn an f-number into lux (the meter
/// knows no filters, so they are left out). Errors: see [`ReadingError`].
pub fn parse(text: &str, exposure: &Exposure, bare: Bare) -> Result<Reading, ReadingError> {
    let mut reading = Reading::default();
    let words = joined(text);
    if words.is_empty() {
        return Err(ReadingError::Empty);
    }
    for word in &words {
        take(word, exposure, bare, &mut reading)?;
    }
    Ok(reading)
}

/// Units that may stand apart from their number.
const UNITS: [&str; 5] = ["lx", "lux", "fc", "k", "duv"];

/// The words in lower case, a lone unit joined to the number before it.
fn joined(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let word = word.to_lowercase();
        match words.last_mut() {
            Some(last) if UNITS.contains(&word.as_str()) && last.ends_with(|c: char| c.is_ascii_digit()) => {
                last.push_str(&word);
            }
            Some(last) if last == "under" => last.push_str(&word),
            _ => words.push(word),
        }
    }
    words
}

fn take(word: &str, exposure: &Exposure, bare: Bare, into: &mut Reading) -> Result<(), ReadingError> {
    let unknown = || ReadingError::Unknown(short(word));
    if word == "flickers" {
        into.flickers = true;
        return Ok(());
    }
    if let Some(rest) = word.strip_prefix("under") {
        into.under = true;
        let rest =
            if rest.ends_with(|c: char| c.is_ascii_digit()) { format!("{rest}lx") } else { rest.into() };
        return lux_of(&rest, exposure).map_or_else(|| Err(unknown()), |lux| set_lux(word, lux, into));
    }
    if let Some(pair) = word.strip_prefix("xy") {
        let xy = pair.trim_start_matches(['=', ':']).split_once(',').and_then(|(x, y)| {
            let xy = Xy { x: number(x)?, y: number(y)? };
            (xy.x >= 0.0 && xy.y > 0.0 && xy.x + xy.y <= 1.0).then_some(xy)
        });
        return once("xy", into.xy.replace(xy.ok_or_else(unknown)?));
    }
    if let Some(lux) = lux_of(word, exposure) {
        return set_lux(word, lux, into);
    }
    if let Some(duv) = word.strip_suffix("duv").and_then(number) {
        if !(Duv::MIN..=Duv::MAX).contains(&duv) {
            return Err(ReadingError::Outside { found: short(word), allowed: "-0.05 to +0.05 Duv" });
        }
        return once("Duv", into.duv.replace(duv));
    }
    if let Some(kelvin) = word.strip_suffix('k').and_then(number) {
        return set_kelvin(word, kelvin, into);
    }
    match (number(word), bare) {
        (Some(lux), Bare::Lux) => set_lux(word, lux, into),
        (Some(kelvin), Bare::Kelvin) => set_kelvin(word, kelvin, into),
        (Some(_), Bare::Nothing) => Err(ReadingError::NoUnit(short(word))),
        (None, _) => Err(unknown()),
    }
}

/// Illuminance of `250lx`, `23fc`, or `f/2.8+0.3` (f-number and stops).
fn lux_of(word: &str, exposure: &Exposure) -> Option<f64> {
    if let Some(lux) = word.strip_suffix("lx").or_else(|| word.strip_suffix("lux")) {
        return number(lux);
    }
    if let Some(fc) = word.strip_suffix("fc") {
        return Some(number(fc)? * LUX_PER_FOOTCANDLE);
    }
    let rest = word.strip_prefix("f/").or_else(|| word.strip_prefix('f'))?;
    let split = rest.find(['+', '-']).unwrap_or(rest.len());
    let stops = if split < rest.len() { number(&rest[split..])? } else { 0.0 };
    let aperture = number(&rest[..split]).filter(|n| *n > 0.0)?;
    let at_stop = photometry::exposure_lux(exposure.iso, aperture, exposure.shutter_s, exposure.constant);
    Some(at_stop * stops.exp2())
}

/// A plain decimal number; what else `f64` reads (`inf`, `1e5`, `nan`) no meter shows.
fn number(text: &str) -> Option<f64> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b".+-".contains(&b));
    if plain { text.parse().ok() } else { None }
}

fn set_lux(word: &str, lux: f64, into: &mut Reading) -> Result<(), ReadingError> {
    if !(0.0..=MOST_LUX).contains(&lux) {
        return Err(ReadingError::Outside { found: short(word), allowed: "0 to 10 000 000 lx" });
    }
    once("light", into.lux.replace(lux))
}

fn set_kelvin(word: &str, kelvin: f64, into: &mut Reading) -> Result<(), ReadingError> {
    if !(Kelvin::MIN..=Kelvin::MAX).contains(&kelvin) {
        return Err(ReadingError::Outside { found: short(word), allowed: "1000 to 20 000 K" });
    }
    once("colour temperature", into.kelvin.replace(kelvin))
}

fn once<T>(what: &'static str, before: Option<T>) -> Result<(), ReadingError> {
    if before.is_some() { Err(ReadingError::Twice(what)) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Marked;
    use crate::units::Lux;

    fn exposure() -> Exposure {
        Exposure {
            iso: 800.0,
            aperture: 2.8,
            marked: Marked::FNumber,
            nd: 0.6,
            shutter_s: 0.02,
            constant: 250.0,
            zero_stops: Lux::new(122.5).unwrap(),
            white_balance: Kelvin::new(5600.0).unwrap(),
        }
    }

    fn read(text: &str) -> Result<Reading, ReadingError> {
        parse(text, &exposure(), Bare::Nothing)
    }

    /// Source: interface.md part 1 for the forms; ISO 2720 by practice.md: f/2.8 at 1/50 and ISO 800 is
    /// 122.5 lx; 0.3 stop more is 2^0.3; a footcandle is 10.764 lx.
    #[test]
    fn every_form_of_the_contract_is_read() {
        assert_eq!(read("250lx").unwrap().lux, Some(250.0));
        assert_eq!(read("250 lux").unwrap().lux, Some(250.0));
        assert!((read("23fc").unwrap().lux.unwrap() - 247.57).abs() < 0.01);
        assert!((read("f/2.8").unwrap().lux.unwrap() - 122.5).abs() < 1e-9);
        assert!((read("f/2.8+0.3").unwrap().lux.unwrap() - 122.5 * 1.231_144).abs() < 1e-3);
        assert!((read("F2.8-1").unwrap().lux.unwrap() - 61.25).abs() < 1e-9);
        assert_eq!(read("5120K").unwrap().kelvin, Some(5120.0));
        assert_eq!(read("+0.003duv").unwrap().duv, Some(0.003));
        assert_eq!(read("-0.002 Duv").unwrap().duv, Some(-0.002));
        let under = read("under1lx").unwrap();
        assert_eq!((under.under, under.lux), (true, Some(1.0)));
        assert_eq!(read("under 0.5 lx").unwrap().lux, Some(0.5));
        assert_eq!(read("xy0.69,0.30").unwrap().xy, Some(Xy { x: 0.69, y: 0.30 }));
        let all = read("980lx 5120K +0.003duv flickers").unwrap();
        assert_eq!(
            (all.lux, all.kelvin, all.duv, all.flickers),
            (Some(980.0), Some(5120.0), Some(0.003), true)
        );
    }

    #[test]
    fn a_bare_number_counts_what_is_asked_for_or_nothing() {
        assert_eq!(parse("250", &exposure(), Bare::Lux).unwrap().lux, Some(250.0));
        assert_eq!(parse("5120 980lx", &exposure(), Bare::Kelvin).unwrap().kelvin, Some(5120.0));
        assert_eq!(read("250"), Err(ReadingError::NoUnit("250".into())));
    }

    #[test]
    fn what_no_meter_shows_is_refused_with_its_words() {
        assert_eq!(read("  "), Err(ReadingError::Empty));
        for bad in
            ["lx", "bright", "1e9lx", "nanlx", "inflx", "f/0", "f/", "f/2.8+x", "xy0.9,0.3", "xy1", "under"]
        {
            assert!(matches!(read(bad), Err(ReadingError::Unknown(_))), "{bad}: {:?}", read(bad));
        }
        for bad in ["-5lx", "99999999lx", "500K", "0.06duv"] {
            assert!(matches!(read(bad), Err(ReadingError::Outside { .. })), "{bad}: {:?}", read(bad));
        }
        assert_eq!(read("250lx 23fc"), Err(ReadingError::Twice("light")));
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic_or_read_what_is_no_number(text in ".{0,40}") {
            if let Ok(reading) = parse(&text, &exposure(), Bare::Lux) {
                proptest::prop_assert!(reading.lux.is_none_or(|l| (0.0..=MOST_LUX).contains(&l)));
            }
        }
    }
}
