//! Numbers and amounts: bare numbers where the key fixes the unit, text with a unit everywhere else.
//!
//! A slip between the two is the commonest mistake in a plan, so each message shows the exact right
//! spelling of what was meant. Ranges come from `units` or stand where the key is read.

use std::time::Duration;

use super::problem::Kind;
use super::tree::Field;
use crate::units::{Celsius, Duv, Kelvin, Lux, RangeError, Share, Stops, Watts};
use crate::words::{self, nearest, short};

/// A family of units that measure one thing.
#[derive(Debug)]
pub(super) struct Family {
    /// What it measures, for messages.
    pub(super) noun: &'static str,
    /// Units with what one of them is in the base unit; the first is the usual one.
    pub(super) units: &'static [(&'static str, f64)],
    /// Units whose zero is not that of the base unit, with what they show there. Amounts of a family that has any do not
    /// add up.
    pub(super) at_zero: &'static [(&'static str, f64)],
    /// An amount as it should be written.
    pub(super) example: &'static str,
}

/// Spans of time, in seconds.
pub(super) const TIME: Family = Family::of(
    "a time",
    &[("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("min", 60.0), ("h", 3600.0), ("d", 86_400.0)],
    "2 s",
);
/// Short spans of the wire, in microseconds.
pub(super) const MICROSECONDS: Family =
    Family::of("a time", &[("us", 1.0), ("µs", 1.0), ("ms", 1000.0)], "176 us");
/// Lengths, in metres. 1 ft is 0.3048 m exactly (international yard and pound agreement, 1959).
pub(super) const LENGTH: Family = Family::of(
    "a length",
    &[("m", 1.0), ("cm", 1e-2), ("mm", 1e-3), ("ft", 0.3048), ("in", 0.0254)],
    "1.5 m",
);
/// Angles, in degrees.
pub(super) const ANGLE: Family = Family::of("an angle", &[("deg", 1.0), ("°", 1.0)], "45 deg");
/// Shares, in percent.
pub(super) const PERCENT: Family = Family::of("a share", &[("%", 1.0)], "20 %");
/// Rates of rise, in percent a second.
pub(super) const PERCENT_PER_S: Family = Family::of("a rate", &[("%/s", 1.0)], "200 %/s");
/// Losses of light, in stops.
pub(super) const STOPS: Family = Family::of("a loss", &[("stops", 1.0), ("stop", 1.0)], "1.5 stops");
/// How far a light goes down, in stops.
pub(super) const DEPTH: Family = Family::of("a depth", &[("stops", 1.0), ("stop", 1.0)], "1 stop");
/// Electrical power, in watts.
pub(super) const POWER: Family = Family::of("a power", &[("W", 1.0), ("kW", 1000.0)], "60 W");
/// Energy in batteries, in watt-hours.
pub(super) const ENERGY: Family = Family::of("an energy", &[("Wh", 1.0), ("kWh", 1000.0)], "98 Wh");
/// Voltages, in volts.
pub(super) const VOLTS: Family = Family::of("a voltage", &[("V", 1.0)], "230 V");
/// Currents, in amperes.
pub(super) const AMPS: Family = Family::of("a current", &[("A", 1.0)], "16 A");
/// Temperatures, in degrees Celsius. 32 °F is 0 °C, and 9 of its degrees are 5 (NIST Special Publication 811, 2008,
/// appendix B.8, "degree Fahrenheit").
pub(super) const CELSIUS: Family = Family {
    noun: "a temperature",
    units: &[("C", 1.0), ("°C", 1.0), ("F", 5.0 / 9.0), ("°F", 5.0 / 9.0)],
    at_zero: &[("F", 32.0), ("°F", 32.0)],
    example: "22 C",
};
/// What a room may have, in degrees Celsius.
pub(super) const ROOM_C: std::ops::RangeInclusive<f64> = -40.0..=60.0;
/// Differences of temperature, in kelvin.
pub(super) const KELVINS: Family = Family::of("a rise of temperature", &[("K", 1.0)], "38 K");
/// Thermal resistances, in kelvin for each watt.
pub(super) const KELVINS_PER_WATT: Family = Family::of("a rise for each watt", &[("K/W", 1.0)], "0.55 K/W");
/// Frequencies and frame rates, in hertz.
pub(super) const HERTZ: Family = Family::of("a frequency", &[("Hz", 1.0), ("kHz", 1000.0)], "40 Hz");
/// Luminous intensity, in candela.
pub(super) const CANDELA: Family = Family::of("an intensity", &[("cd", 1.0), ("kcd", 1000.0)], "900 cd");
/// Shifts of colour temperature, in mired.
pub(super) const MIRED: Family = Family::of("a shift", &[("mired", 1.0)], "-50 mired");

/// Units as people write them out, with the way they are written here.
const WRITTEN_OUT: &[(&str, &str)] = &[
    ("sec", "s"),
    ("second", "s"),
    ("minute", "min"),
    ("hour", "h"),
    ("hr", "h"),
    ("day", "d"),
    ("metre", "m"),
    ("meter", "m"),
    ("centimetre", "cm"),
    ("centimeter", "cm"),
    ("foot", "ft"),
    ("feet", "ft"),
    ("inch", "in"),
    ("inche", "in"),
    ("degree", "deg"),
    ("percent", "%"),
    ("watt", "W"),
    ("volt", "V"),
    ("amp", "A"),
    ("ampere", "A"),
    ("hertz", "Hz"),
    ("celsius", "C"),
    ("degc", "C"),
    ("fahrenheit", "F"),
    ("degf", "F"),
    ("mir", "mired"),
];

impl Family {
    /// Units that all begin at the same zero.
    const fn of(noun: &'static str, units: &'static [(&'static str, f64)], example: &'static str) -> Self {
        Self { noun, units, at_zero: &[], example }
    }

    /// The unit that was meant by another spelling of it; `None` where it is none of these units.
    fn meant(&self, unit: &str) -> Option<&'static str> {
        let lower = unit.to_lowercase();
        let plain = lower.strip_suffix('s').unwrap_or(&lower);
        let written_out = WRITTEN_OUT.iter().find(|(long, _)| [plain, &*lower].contains(long)).map(|w| w.1);
        let known = |name: &&str| self.units.iter().any(|u| u.0 == *name);
        let same = self.units.iter().map(|u| u.0).find(|u| u.to_lowercase() == lower);
        let near = nearest(unit, self.units.iter().map(|u| u.0).filter(|u| u.len() > 2));
        written_out.filter(known).or(same).or(near)
    }

    /// The usual unit.
    fn usual(&self) -> &'static str {
        self.units.first().map_or("", |u| u.0)
    }

    /// Reads amounts that add up, such as `5 ft 3 in`; the unit may touch its number.
    ///
    /// Errors: the text that stands where a known unit should, empty where the unit is missing;
    /// `None` where there is no number to begin with.
    fn read(&self, text: &str) -> Result<f64, Option<String>> {
        let mut rest = text.trim();
        let mut sum = None;
        let mut used = Vec::new();
        while !rest.is_empty() {
            let (number, after) = split_number(rest).ok_or(None)?;
            let end = after.find(|c: char| c.is_whitespace() || c.is_ascii_digit()).unwrap_or(after.len());
            let (unit, after) = after.split_at(end);
            let add = self.at_zero.is_empty() || used.is_empty();
            if !add || used.contains(&unit) {
                return Err(None);
            }
            used.push(unit);
            let of = |table: &[(&str, f64)]| table.iter().find(|(name, _)| *name == unit).map(|u| u.1);
            let factor = of(self.units).ok_or_else(|| Some(unit.to_owned()))?;
            sum = Some(sum.unwrap_or(0.0) + (number - of(self.at_zero).unwrap_or(0.0)) * factor);
            rest = after.trim_start();
        }
        sum.ok_or(None)
    }
}

/// Splits the characters of a leading decimal number off.
fn split_digits(text: &str) -> (&str, &str) {
    let body = text.strip_prefix(['-', '+']).unwrap_or(text);
    let digits = body.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(body.len());
    text.split_at(text.len() - body.len() + digits)
}

/// Splits a leading decimal number off, and the spaces after it.
fn split_number(text: &str) -> Option<(f64, &str)> {
    let (digits, rest) = split_digits(text);
    Some((digits.parse().ok()?, rest.trim_start()))
}

/// A number as a person would type it.
fn plain(number: f64) -> String {
    if number.fract() == 0.0 && number.abs() < 1e15 { format!("{number:.0}") } else { words::number(number) }
}

impl Field<'_> {
    /// A bare number; `unit` is what it counts (`K`, `lx`, empty for none) and `example` a right one.
    ///
    /// Reports a unit slip, a wrong type, NaN, infinity, or a value outside `min..=max`.
    pub fn number(&self, unit: &str, example: f64, min: f64, max: f64) -> Option<f64> {
        let number = self.finite(unit, example)?;
        if (min..=max).contains(&number) {
            return Some(number);
        }
        self.out_of_range(number, min, max, if unit.is_empty() { String::new() } else { format!(" {unit}") });
        None
    }

    /// A bare whole number from `min` to `max`.
    pub fn count(&self, min: u32, max: u32, example: u32) -> Option<u32> {
        let number = self.number("", f64::from(example), f64::from(min), f64::from(max))?;
        if number.fract() != 0.0 {
            let said = format!("`{}` of {} must be a whole number", self.key(), self.owner());
            self.wrong(Kind::WrongType, said, format!("write it like `{} = {example}`", self.key()));
            return None;
        }
        Some(number as u32)
    }

    /// A bare colour temperature in kelvin.
    pub fn kelvin(&self) -> Option<Kelvin> {
        self.quantity(self.finite("K", 5600.0)?, Kelvin::new)
    }

    /// A bare tint in Duv.
    pub fn duv(&self) -> Option<Duv> {
        self.quantity(self.finite("Duv", 0.002)?, Duv::new)
    }

    /// A bare illuminance in lux.
    pub fn lux(&self) -> Option<Lux> {
        self.quantity(self.finite("lx", 500.0)?, Lux::new)
    }

    /// A bare number of stops.
    pub fn stops(&self) -> Option<Stops> {
        self.quantity(self.finite("stops", -1.0)?, Stops::new)
    }

    /// A share from 0 % to 100 %.
    pub fn share(&self) -> Option<Share> {
        self.amount(&PERCENT, 0.0, 100.0)?;
        // The decimal point is moved in the text, so that a share that was written out reads back
        // exactly.
        let (digits, _) = split_digits(self.as_text()?.trim());
        Share::new(format!("{digits}e-2").parse().ok()?).ok()
    }

    /// An electrical power.
    pub fn watts(&self) -> Option<Watts> {
        self.quantity(self.in_base(&POWER)?, Watts::new)
    }

    /// A temperature of a room or a body.
    pub fn celsius(&self) -> Option<Celsius> {
        let celsius = Celsius::new(self.in_base(&CELSIUS)?);
        celsius.map_err(|e| self.beyond(&CELSIUS, e.found, e.min, e.max)).ok()
    }

    /// A span of time from `min_s` to `max_s` seconds.
    pub fn duration(&self, min_s: f64, max_s: f64) -> Option<Duration> {
        Duration::try_from_secs_f64(self.amount(&TIME, min_s, max_s)?).ok()
    }

    /// An amount with its unit, in the family's base unit, from `min` to `max`.
    pub fn amount(&self, family: &Family, min: f64, max: f64) -> Option<f64> {
        let amount = self.in_base(family)?;
        if (min..=max).contains(&amount) {
            return Some(amount);
        }
        self.beyond(family, amount, min, max);
        None
    }

    /// Reports an amount outside `min..=max`, all in the base unit. A unit with a zero of its own is told as it was
    /// written: what 200 F are in C is not at hand.
    fn beyond(&self, family: &Family, found: f64, min: f64, max: f64) {
        let written = self.as_text().unwrap_or_default();
        let number = written.trim().trim_end_matches(|c: char| !c.is_ascii_digit() && c != '.');
        let unit = written.trim()[number.len()..].trim();
        let of = |table: &[(&str, f64)]| table.iter().find(|(name, _)| *name == unit).map(|u| u.1);
        match (of(family.at_zero), of(family.units)) {
            (Some(zero), Some(factor)) => {
                let [found, min, max] =
                    [found, min, max].map(|base| ((base / factor + zero) * 1e9).round() / 1e9);
                self.out_of_range(found, min, max, format!(" {unit}"));
            }
            _ => self.out_of_range(found, min, max, format!(" {}", family.usual())),
        }
    }

    fn quantity<T>(&self, number: f64, new: fn(f64) -> Result<T, RangeError>) -> Option<T> {
        match new(number) {
            Ok(quantity) => Some(quantity),
            Err(e) => {
                self.out_of_range(e.found, e.min, e.max, e.unit.to_owned());
                None
            }
        }
    }

    fn out_of_range(&self, found: f64, min: f64, max: f64, unit: String) {
        let (key, owner) = (self.key(), self.owner());
        let (found, min, max) = (plain(found), plain(min), plain(max));
        let said = format!("`{key}` of {owner} is {found}{unit}; {min}{unit} to {max}{unit} is allowed");
        self.wrong(Kind::OutOfRange, said, format!("give a value from {min}{unit} to {max}{unit}"));
    }

    fn finite(&self, unit: &str, example: f64) -> Option<f64> {
        let (key, owner) = (self.key(), self.owner());
        let Some(number) = self.as_number() else {
            let of = if unit.is_empty() { String::new() } else { format!(" ({unit})") };
            let said = format!("`{key}` of {owner} is a bare number{of}");
            let meant = self.as_text().and_then(|t| meant_bare(t, unit));
            let kind = if self.as_text().is_some() { Kind::Unit } else { Kind::WrongType };
            let help = match meant {
                Some(number) => format!("write `{key} = {}`", plain(number)),
                None => format!("write a number such as `{key} = {}`", plain(example)),
            };
            self.wrong(kind, said, help);
            return None;
        };
        if !number.is_finite() {
            let said = format!("`{key}` of {owner} is not a finite number");
            self.wrong(Kind::NotFinite, said, format!("write a number such as `{key} = {}`", plain(example)));
            return None;
        }
        Some(number)
    }

    fn in_base(&self, family: &Family) -> Option<f64> {
        let (key, owner, noun) = (self.key(), self.owner(), family.noun);
        let Some(text) = self.as_text() else {
            let said = format!("`{key}` of {owner} is {noun}, written as text with its unit");
            let Some(number) = self.as_number().filter(|n| n.is_finite()) else {
                self.wrong(Kind::WrongType, said, format!("write it like `{key} = \"{}\"`", family.example));
                return None;
            };
            self.wrong(Kind::Unit, said, self.with_unit(family, number));
            return None;
        };
        match family.read(text) {
            Ok(amount) if amount.is_finite() => return Some(amount),
            Ok(_) | Err(None) => {
                let said = format!("`{key}` of {owner} is not {noun}: \"{}\"", short(text));
                self.wrong(Kind::Unit, said, format!("write it like `{key} = \"{}\"`", family.example));
            }
            Err(Some(unit)) if unit.is_empty() => {
                let said = format!("`{key}` of {owner} has no unit");
                let number = split_number(text.trim()).map_or(0.0, |n| n.0);
                self.wrong(Kind::Unit, said, self.with_unit(family, number));
            }
            Err(Some(unit)) => {
                let known: Vec<_> = family.units.iter().map(|u| u.0).collect();
                let number = split_number(text.trim()).map_or(0.0, |n| n.0);
                // The number stays only where its unit does.
                let right = family
                    .meant(&unit)
                    .map_or_else(|| family.example.to_owned(), |unit| format!("{} {unit}", plain(number)));
                let said = format!(
                    "`{key}` of {owner} has the unit \"{}\", which {noun} does not have",
                    short(&unit)
                );
                let help =
                    format!("units of {noun}: {}; write it like `{key} = \"{right}\"`", known.join(", "));
                self.wrong(Kind::Unit, said, help);
            }
        }
        None
    }

    /// How a number without its unit should have been written. A share up to 1 may be a percentage
    /// or a part of one, so both are shown.
    fn with_unit(&self, family: &Family, number: f64) -> String {
        let (key, unit) = (self.key(), family.usual());
        if unit == "%" && number > 0.0 && number <= 1.0 {
            let (part, whole) = (plain(number), plain(number * 100.0));
            return format!("write `{key} = \"{whole} %\"`, or `\"{part} %\"` if so little is meant");
        }
        format!("write `{key} = \"{} {unit}\"`", plain(number))
    }
}

/// The number in a text that was meant to be bare, if what follows it is nothing or that unit.
fn meant_bare(text: &str, unit: &str) -> Option<f64> {
    let (number, rest) = split_number(text.trim())?;
    let rest = rest.trim().to_lowercase();
    let unit = unit.to_lowercase();
    (rest.is_empty() || rest == unit || rest == unit.trim_end_matches('s') || rest == "lux" && unit == "lx")
        .then_some(number)
}

/// The temperature of a room that was typed outside a plan, in degrees Celsius: as in a plan, or a bare number of them.
///
/// Errors: what is allowed.
pub(crate) fn room_celsius(text: &str) -> Result<Celsius, String> {
    let celsius = text.trim().parse::<f64>().ok().or_else(|| CELSIUS.read(text).ok());
    celsius.filter(|c| ROOM_C.contains(c)).map(Celsius::clamped).ok_or_else(|| {
        let (low, high) = (ROOM_C.start(), ROOM_C.end());
        format!("a room has {low} to {high} C, such as 35, or 95F in degrees Fahrenheit")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic; 5 ft 3 in = 63 in of 0.0254 m.
    #[test]
    fn amounts_add_up_and_units_may_touch_their_numbers() {
        assert!((LENGTH.read("5 ft 3 in").unwrap() - 1.6002).abs() < 1e-12);
        assert_eq!(LENGTH.read("1.5m"), Ok(1.5));
        assert_eq!(TIME.read(" 1 min 30 s "), Ok(90.0));
        assert_eq!(PERCENT_PER_S.read("200 %/s"), Ok(200.0));
        assert_eq!(MIRED.read("-50 mired"), Ok(-50.0));
    }

    /// Source: NIST Special Publication 811 (2008), appendix B.8: t/°C = (t/°F - 32)/1.8. Fixed points: ice 32 °F = 0 °C,
    /// water boils at 212 °F = 100 °C, both scales meet at -40.
    #[test]
    fn degrees_fahrenheit_have_a_zero_of_their_own_and_temperatures_do_not_add_up() {
        for (text, celsius) in [
            ("77 F", 25.0),
            ("77 °F", 25.0),
            ("77F", 25.0),
            ("32 °F", 0.0),
            ("212 F", 100.0),
            ("-40 F", -40.0),
            ("25 C", 25.0),
            ("25°C", 25.0),
            ("-40 °C", -40.0),
        ] {
            let read = CELSIUS.read(text).unwrap();
            assert!((read - celsius).abs() < 1e-12, "{text}: {read}");
        }
        for sum in ["20 C 5 F", "20 C 5 °C", "70 F 2 F"] {
            assert_eq!(CELSIUS.read(sum), Err(None), "{sum}");
        }
        assert_eq!(CELSIUS.read("298 K"), Err(Some("K".into())));
        assert_eq!(room_celsius("95F").map(Celsius::get), Ok(35.0));
        assert_eq!(room_celsius(" 35 ").map(Celsius::get), Ok(35.0));
        for bad in ["200F", "61", "NaN", "inf", "warm", "", "300 K"] {
            assert!(room_celsius(bad).is_err(), "{bad}");
        }
    }

    /// A number keeps its worth or is not offered: 77 F are no 77 C, and 5 yd no 5 m.
    #[test]
    fn a_number_is_offered_again_only_with_its_own_unit() {
        assert_eq!(CELSIUS.meant("Fahrenheit"), Some("F"));
        assert_eq!(CELSIUS.meant("celsius"), Some("C"));
        assert_eq!(CELSIUS.meant("c"), Some("C"));
        assert_eq!(LENGTH.meant("feet"), Some("ft"));
        assert_eq!((LENGTH.meant("yd"), CELSIUS.meant("K"), PERCENT.meant("deg")), (None, None, None));
    }

    #[test]
    fn an_amount_without_its_unit_or_number_is_refused() {
        assert_eq!(LENGTH.read("1.5"), Err(Some(String::new())));
        assert_eq!(LENGTH.read("1.5 mtr"), Err(Some("mtr".into())));
        for none in ["", "m", "far", "- m", "1..5 m", "nan m", "1 m 2 m"] {
            assert_eq!(LENGTH.read(none), Err(None), "{none}");
        }
    }

    #[test]
    fn a_bare_number_in_quotes_is_recognised_with_its_own_unit_only() {
        assert_eq!(meant_bare("5600 K", "K"), Some(5600.0));
        assert_eq!(meant_bare("-1 stop", "stops"), Some(-1.0));
        assert_eq!(meant_bare("20 %", "stops"), None);
    }
}
