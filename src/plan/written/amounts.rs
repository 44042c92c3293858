//! Amounts with their units, from the tables that the reader uses, and names.

use std::borrow::Cow;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};

use crate::plan::amounts::{self as read, Family};
use crate::plan::read::names::LONGEST;

/// A decimal number as a regular expression.
const NUMBER: &str = r"(\d+(\.\d*)?|\.\d+)";

/// The text of an amount: numbers with units, which may add up where there are several with one zero.
fn pattern(family: &Family) -> String {
    let units: Vec<_> = family.units.iter().map(|(unit, _)| *unit).collect();
    let units = units.join("|");
    let first = format!(r"[-+]?{NUMBER}\s*({units})");
    let more = if family.units.len() > 1 && family.at_zero.is_empty() {
        format!(r"(\s+[-+]?{NUMBER}\s*({units})|\d+(\.\d*)?\s*({units}))*")
    } else {
        String::new()
    };
    format!(r"^\s*{first}{more}\s*$")
}

fn amount(family: &Family) -> Schema {
    let units: Vec<_> = family.units.iter().map(|(unit, _)| format!("`{unit}`")).collect();
    let said = format!("{} as text with its unit: {}.", capital(family.noun), units.join(", "));
    json_schema!({ "type": "string", "pattern": pattern(family), "description": said, "examples": [family.example] })
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

macro_rules! amounts {
    ($($name:ident = $family:ident;)*) => {$(
        #[doc = concat!("An amount of `", stringify!($family), "`.")]
        pub(super) struct $name;

        impl JsonSchema for $name {
            fn schema_name() -> Cow<'static, str> {
                stringify!($name).to_lowercase().into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                amount(&read::$family)
            }
        }
    )*};
}

amounts! {
    Time = TIME;
    Microseconds = MICROSECONDS;
    Length = LENGTH;
    Angle = ANGLE;
    Percent = PERCENT;
    Rate = PERCENT_PER_S;
    Loss = STOPS;
    Depth = DEPTH;
    Power = POWER;
    Energy = ENERGY;
    Volts = VOLTS;
    Amps = AMPS;
    Celsius = CELSIUS;
    Kelvins = KELVINS;
    KelvinsPerWatt = KELVINS_PER_WATT;
    Hertz = HERTZ;
    Candela = CANDELA;
    Mired = MIRED;
}

/// A part of a whole: 0 % to 100 %.
pub(super) struct Share;

impl JsonSchema for Share {
    fn schema_name() -> Cow<'static, str> {
        "share".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": r"^\s*(\+?0*(100(\.0*)?|\d{1,2}(\.\d*)?|\.\d+)|-0*\.?0*)\s*%\s*$",
            "description": "A share as text with its unit, 0 % to 100 %.",
            "examples": [read::PERCENT.example],
        })
    }
}

/// Where something stands on the clock whose centre is what it is aimed at.
pub(super) struct Clock;

impl JsonSchema for Clock {
    fn schema_name() -> Cow<'static, str> {
        "clock".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": r"^(0?[1-9]|1[0-2]):[0-5]\d$",
            "description": "A position on the clock, seen from above: the camera stands at \"6:00\", \"4:30\" is 45 degrees \
                            round to camera right.",
            "examples": ["7:30"],
        })
    }
}

/// Tables by name, such as every `[look.NAME]`.
pub(super) struct Tables<K, V>(PhantomData<(K, V)>);

impl<K: JsonSchema, V: JsonSchema> JsonSchema for Tables<K, V> {
    fn schema_name() -> Cow<'static, str> {
        format!("{}-by-{}", V::schema_name(), K::schema_name()).into()
    }

    fn inline_schema() -> bool {
        true
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let (names, tables) = (K::json_schema(generator), generator.subschema_for::<V>());
        json_schema!({ "type": "object", "propertyNames": names, "additionalProperties": tables })
    }
}

/// The pattern of a name of things in a plan.
pub(super) fn name_pattern() -> String {
    format!("^[A-Za-z0-9][A-Za-z0-9-]{{0,{}}}$", LONGEST - 1)
}

/// Defines names that may not be some words.
macro_rules! names {
    ($($(#[$doc:meta])* $name:ident not $words:expr;)*) => {$(
        $(#[$doc])*
        #[derive(PartialEq, Eq, PartialOrd, Ord)]
        pub(super) struct $name;

        impl schemars::JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn inline_schema() -> bool {
                true
            }

            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                let words: &[&str] = $words;
                let pattern = $crate::plan::written::amounts::name_pattern();
                if words.is_empty() {
                    schemars::json_schema!({ "type": "string", "pattern": pattern })
                } else {
                    schemars::json_schema!({ "type": "string", "pattern": pattern, "not": { "enum": words } })
                }
            }
        }
    )*};
}
pub(super) use names;

names! {
    /// A name of which no word is taken.
    Name not &[];
}
