//! An answer in words: the result first, then the formula with its numbers, then what the letters mean.

mod colour;
mod light;
mod time;

use serde_json::Value;

use super::sums::Sum;

/// Lines for a person, without the last line end.
pub(super) fn in_words(sum: &Sum, answer: &Value) -> String {
    let found = Found(answer);
    match sum {
        Sum::Exposure { .. }
        | Sum::Ratio { .. }
        | Sum::Distance { .. }
        | Sum::Point { .. }
        | Sum::Disc { .. }
        | Sum::Candela { .. }
        | Sum::Curve { .. } => light::in_words(sum, &found),
        Sum::Mired { .. } | Sum::Colour { .. } | Sum::Spectrum { .. } | Sum::Mix { .. } => {
            colour::in_words(sum, &found)
        }
        Sum::Heat { .. } | Sum::Flash { .. } | Sum::Shutter { .. } | Sum::Flicker { .. } => {
            time::in_words(sum, &found)
        }
    }
}

/// An answer's fields.
struct Found<'a>(&'a Value);

impl Found<'_> {
    /// A number, none where the answer has `null`.
    fn get(&self, field: &str) -> Option<f64> {
        self.0[field].as_f64()
    }

    /// A number that every answer of its kind has.
    fn at(&self, field: &str) -> f64 {
        self.get(field).unwrap_or(0.0)
    }

    /// A number for a person.
    fn show(&self, field: &str) -> String {
        self.get(field).map_or_else(|| String::from("none"), figure)
    }
}

/// A number to four significant digits, without idle zeros.
fn figure(value: f64) -> String {
    if value == 0.0 || !(1e-6..1e15).contains(&value.abs()) {
        return if value == 0.0 { String::from("0") } else { format!("{value:.3e}") };
    }
    let decimals = 3 - value.abs().log10().floor() as i32;
    let text = format!("{value:.*}", usize::try_from(decimals).unwrap_or(0));
    if text.contains('.') { String::from(text.trim_end_matches('0').trim_end_matches('.')) } else { text }
}

/// Stops as words.
fn stops(value: f64) -> String {
    let text = figure(value);
    let noun = if text == "1" { "stop" } else { "stops" };
    format!("{text} {noun}")
}
