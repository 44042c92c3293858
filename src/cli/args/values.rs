//! What one typed word means: a span of time, a distance, a mark.

use std::time::Duration;

use crate::cli::reckon;
use crate::control::TakeMark;
use crate::words::short;

/// A distance of a meter from a lamp: 0.1 to 100 m.
pub(super) fn metres(text: &str) -> Result<f64, String> {
    let metres = reckon::metres(text)?;
    if (0.1..=100.0).contains(&metres) {
        Ok(metres)
    } else {
        Err("a distance lies between 0.1m and 100m".to_owned())
    }
}

/// A span of time with its unit: `2s`, `0.5s`, `250ms`, `20min`, `1h`; a bare 0 is zero.
pub(crate) fn span(text: &str) -> Result<Duration, String> {
    let t = text.trim();
    let split = t.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(t.len());
    let (number, unit) = (t[..split].trim(), t[split..].trim());
    if number.is_empty() {
        return Err(format!("`{}` is no span of time: write one such as 2s or 20min", short(t)));
    }
    let scale = match unit {
        "ms" => 0.001,
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        "" if number == "0" => 1.0,
        "" => return Err(format!("`{0}` has no unit: write `{0}s`", short(t))),
        _ => return Err(format!("`{}` is no unit of time: use ms, s, min or h", short(unit))),
    };
    match number.parse::<f64>() {
        Ok(n) if (0.0..=86_400.0).contains(&(n * scale)) => Ok(Duration::from_secs_f64(n * scale)),
        Ok(_) => Err("a span lies between 0s and 24h".to_owned()),
        Err(_) => Err(format!("`{}` is not a number: write a span such as 2s or 0.5s", short(number))),
    }
}

pub(crate) fn pace(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.01..=1000.0).contains(&n) => Ok(n),
        _ => Err("a pace lies between 0.01 and 1000; 1 is real time".to_owned()),
    }
}

/// The code that ends protection.
pub(super) fn code(text: &str) -> Result<String, String> {
    let digits = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
    if digits {
        Ok(text.to_owned())
    } else {
        Err("a code is four digits; `lampkeep protect off` gives one".to_owned())
    }
}

/// A person's mark of a take.
pub(super) fn mark(text: &str) -> Result<TakeMark, String> {
    match text {
        "good" => Ok(TakeMark::Good),
        "bad" => Ok(TakeMark::Bad),
        _ => Err("a take is marked `good` or `bad`".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_need_a_unit_and_zero_needs_none() {
        assert_eq!(span("2s"), Ok(Duration::from_secs(2)));
        assert_eq!(span("0"), Ok(Duration::ZERO));
        assert_eq!(span("250ms"), Ok(Duration::from_millis(250)));
        assert_eq!(span("1.5min"), Ok(Duration::from_secs(90)));
        assert!(span("soon").unwrap_err().starts_with("`soon` is no span of time"));
        for bad in ["2", "-1s", "s", "2 weeks", "NaNs", "infs", "", "1e9h"] {
            assert!(span(bad).is_err(), "{bad}");
        }
    }
}
