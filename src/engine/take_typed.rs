//! What a person types of a take: camera data by name, each with its range, and notes.
//!
//! Numbers are checked and written in one way, so that a sheet can be compared. Text is kept as it is, at most a line;
//! while a face is protected it is refused, since nobody can tell what it gives away.

use crate::words;

/// Longest text, in characters. Judgement: a line of a sheet.
const LONGEST: usize = 300;

/// What a name stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    /// A number in a range, with its unit as it may be typed.
    Number { least: f64, most: f64, unit: &'static str },
    /// `1/50`, `180 deg`.
    Shutter,
    /// `f/2.8`, `T2.8`.
    Stop,
    /// `yes` or `no`.
    YesNo,
    /// A line of text.
    Text,
}

/// A thing that may be typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Field {
    /// Its name.
    pub name: &'static str,
    /// What it is called on a sheet.
    pub label: &'static str,
    kind: Kind,
}

const fn number(name: &'static str, label: &'static str, range: (f64, f64), unit: &'static str) -> Field {
    Field { name, label, kind: Kind::Number { least: range.0, most: range.1, unit } }
}

const fn of(name: &'static str, label: &'static str, kind: Kind) -> Field {
    Field { name, label, kind }
}

/// Everything that may be typed, in the order of a sheet. Ranges are what cameras and lenses have at most
/// (judgement), far from what a slip gives.
pub const FIELDS: [Field; 15] = [
    number("iso", "ISO", (1.0, 10_000_000.0), ""),
    of("stop", "stop", Kind::Stop),
    number("nd", "ND (density)", (0.0, 6.0), ""),
    of("shutter", "shutter", Kind::Shutter),
    number("fps", "frames/s", (1.0, 10_000.0), ""),
    number("white-balance", "white balance", (1000.0, 20_000.0), "K"),
    number("tint", "camera tint", (-200.0, 200.0), ""),
    of("profile", "picture profile", Kind::Text),
    of("lens", "lens", Kind::Text),
    number("focal", "focal length", (1.0, 5000.0), "mm"),
    of("grey-card", "grey card shot", Kind::YesNo),
    of("chart", "colour chart shot", Kind::YesNo),
    of("clip", "clip", Kind::Text),
    of("photos", "photos of the set", Kind::Text),
    of("note", "note", Kind::Text),
];

/// Why something cannot be noted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TypedError {
    /// No such thing.
    #[error("`{0}` is nothing that a take is noted with")]
    Unknown(String),
    /// The value cannot be.
    #[error("`{value}` cannot be {name}: {allowed}")]
    Value {
        /// The thing.
        name: &'static str,
        /// What was typed.
        value: String,
        /// What is allowed.
        allowed: String,
    },
}

impl TypedError {
    /// One next step.
    #[must_use]
    pub fn hint(&self) -> String {
        let names = || FIELDS.iter().map(|f| f.name);
        match self {
            Self::Unknown(name) => match words::nearest(name, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known: {}", names().collect::<Vec<_>>().join(", ")),
            },
            Self::Value { name, .. } => format!("write {name}=VALUE, or {name}= to take it back"),
        }
    }
}

/// The field of this name; of `iso@side`, camera and all.
#[must_use]
pub fn field(name: &str) -> Option<&'static Field> {
    let (name, _) = parted(name);
    FIELDS.iter().find(|f| f.name == name)
}

/// A name and the camera that it is about: `iso@side`.
#[must_use]
pub fn parted(name: &str) -> (&str, Option<&str>) {
    name.split_once('@').map_or((name, None), |(name, camera)| (name, Some(camera)))
}

impl Field {
    /// True if its value is free text, which may name anybody.
    #[must_use]
    pub fn is_text(&self) -> bool {
        self.kind == Kind::Text
    }

    /// The value as it is kept. An empty one takes back what was typed before.
    ///
    /// Errors: out of range, without meaning, or too long.
    pub fn checked(&self, value: &str) -> Result<String, TypedError> {
        let value = value.trim();
        let wrong =
            |allowed: String| TypedError::Value { name: self.name, value: words::short(value), allowed };
        if value.is_empty() {
            return Ok(String::new());
        }
        match self.kind {
            Kind::Number { least, most, unit } => {
                let digits = value.strip_suffix(unit).unwrap_or(value).trim();
                let allowed = || format!("{least} to {most} {unit}").trim_end().to_owned();
                let n = digits.parse::<f64>().ok().filter(|n| (least..=most).contains(n));
                let n = n.ok_or_else(|| wrong(allowed()))?;
                Ok(if unit.is_empty() { n.to_string() } else { format!("{n} {unit}") })
            }
            Kind::Stop => {
                let (sign, digits) = match value.as_bytes() {
                    [b'f' | b'F', b'/', ..] => ("f/", &value[2..]),
                    [b'f' | b'F', ..] => ("f/", &value[1..]),
                    [b't' | b'T', ..] => ("T", value[1..].trim_start_matches('/')),
                    _ => ("f/", value),
                };
                let n = digits.trim().parse::<f64>().ok().filter(|n| (0.5..=128.0).contains(n));
                let n = n.ok_or_else(|| wrong("write f/2.8 or T2.8, 0.5 to 128".to_owned()))?;
                Ok(format!("{sign}{n}"))
            }
            Kind::Shutter => shutter(value).ok_or_else(|| wrong("write 1/50 or \"180 deg\"".to_owned())),
            Kind::YesNo => match value {
                "yes" | "no" => Ok(value.to_owned()),
                _ => Err(wrong("yes or no".to_owned())),
            },
            Kind::Text => {
                if value.chars().count() > LONGEST {
                    return Err(wrong(format!("at most {LONGEST} characters")));
                }
                if value.chars().any(char::is_control) {
                    return Err(wrong("one line, without control characters".to_owned()));
                }
                Ok(value.to_owned())
            }
        }
    }
}

/// An exposure time as a fraction of a second, or the angle of a shutter in degrees.
fn shutter(value: &str) -> Option<String> {
    let number = |text: &str, range: std::ops::RangeInclusive<f64>| {
        text.trim().parse::<f64>().ok().filter(|n| range.contains(n))
    };
    if let Some(below) = value.strip_prefix("1/") {
        return number(below, 0.1..=100_000.0).map(|n| format!("1/{n}"));
    }
    let degrees = value.strip_suffix("deg").or_else(|| value.strip_suffix('°'))?;
    number(degrees, 1.0..=360.0).map(|n| format!("{n} deg"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn checked(name: &str, value: &str) -> Result<String, TypedError> {
        field(name).expect("a field").checked(value)
    }

    #[test]
    fn numbers_are_written_in_one_way_however_they_were_typed() {
        for (name, typed, kept) in [
            ("iso", "800", "800"),
            ("stop", "2.8", "f/2.8"),
            ("stop", "F4", "f/4"),
            ("stop", "t2.8", "T2.8"),
            ("white-balance", "5600K", "5600 K"),
            ("shutter", "1/50", "1/50"),
            ("shutter", "172.8°", "172.8 deg"),
            ("focal@side", "35 mm", "35 mm"),
            ("nd", "0.6", "0.6"),
            ("note", "  hand on the rail ", "hand on the rail"),
            ("iso", "", ""),
        ] {
            assert_eq!(checked(name, typed).as_deref(), Ok(kept), "{name} {typed}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_is_allowed() {
        for (name, typed) in [
            ("iso", "0"),
            ("iso", "NaN"),
            ("iso", "inf"),
            ("stop", "f/0"),
            ("stop", "é"),
            ("shutter", "50"),
            ("shutter", "400 deg"),
            ("chart", "perhaps"),
            ("note", "two\nlines"),
            ("white-balance", "56"),
        ] {
            assert!(checked(name, typed).is_err(), "{name} {typed}");
        }
        assert!(checked("note", &"x".repeat(LONGEST + 1)).is_err());
        let said = checked("iso", "many").unwrap_err().to_string();
        assert_eq!(said, "`many` cannot be iso: 1 to 10000000");
        assert_eq!(TypedError::Unknown("shuter".into()).hint(), "did you mean `shutter`?");
    }

    #[test]
    fn only_text_may_name_somebody() {
        let text: Vec<_> = FIELDS.iter().filter(|f| f.is_text()).map(|f| f.name).collect();
        assert_eq!(text, ["profile", "lens", "clip", "photos", "note"]);
    }
}
