//! Spans, stops and lists in the words of answers.

/// A span of time for a person: `2.0 s`, `90 s`, `20 min`, `1 h 30 min`.
#[must_use]
pub fn span(seconds: f64) -> String {
    if seconds < 10.0 {
        format!("{seconds:.1} s")
    } else if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else {
        let minutes = (seconds / 60.0).round() as u64;
        match (minutes / 60, minutes % 60) {
            (0, m) => format!("{m} min"),
            (h, 0) => format!("{h} h"),
            (h, m) => format!("{h} h {m} min"),
        }
    }
}

/// Stops with their sign: `+0.3`, `-1.0`, `0.0`.
#[must_use]
pub fn stops(stops: f64) -> String {
    let rounded = (stops * 10.0).round() / 10.0;
    if rounded == 0.0 { "0.0".to_owned() } else { format!("{rounded:+.1}") }
}

/// The same to a hundredth: `+0.33`, `0.00`.
#[must_use]
pub fn fine_stops(stops: f64) -> String {
    let rounded = (stops * 100.0).round() / 100.0;
    if rounded == 0.0 { "0.00".to_owned() } else { format!("{rounded:+.2}") }
}

/// A number as it was asked for; one that is out of all reason in short, not with its 300 digits.
#[must_use]
pub fn number(value: f64) -> String {
    if value != 0.0 && !(1e-6..1e9).contains(&value.abs()) { format!("{value:e}") } else { value.to_string() }
}

/// A shutter as people write it: `1/50`.
#[must_use]
pub fn fraction(seconds: f64) -> String {
    let inverse = 1.0 / seconds;
    if inverse >= 1.0 && (inverse - inverse.round()).abs() < 1e-6 {
        format!("1/{inverse:.0}")
    } else {
        format!("{seconds:.4}")
    }
}

/// `1 lamp`, `5 lamps`.
#[must_use]
pub fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_and_stops_read_as_people_say_them() {
        assert_eq!(span(2.0), "2.0 s");
        assert_eq!(span(90.0), "90 s");
        assert_eq!(span(1200.0), "20 min");
        assert_eq!(span(5400.0), "1 h 30 min");
        assert_eq!(stops(-0.04), "0.0");
        assert_eq!(stops(0.33), "+0.3");
        assert_eq!(stops(-1.0), "-1.0");
        assert_eq!((fine_stops(-0.004).as_str(), fine_stops(0.333).as_str()), ("0.00", "+0.33"));
        assert_eq!(number(-0.5), "-0.5");
        assert_eq!(number(1e300), "1e300");
        assert_eq!(count(1, "lamp"), "1 lamp");
        assert_eq!(count(0, "lamp"), "0 lamps");
    }
}
