//! Figures in the words of a sheet: both units of length, levels, whites, slots.

use super::{Lamp, Take};

/// Feet and inches to the nearest inch: `4′ 11″`.
#[must_use]
pub fn feet(metres: f64) -> String {
    let (feet, inches) = crate::words::feet_and_inches(metres);
    let sign = if metres < 0.0 { "−" } else { "" };
    format!("{sign}{feet}′ {inches}″")
}

/// `1.50 m (4′ 11″)`.
pub(super) fn length(metres: f64) -> String {
    format!("{metres:.2} m ({})", feet(metres))
}

/// How far a beam points down, `25° down`, or up.
#[must_use]
pub fn tilt(degrees: f64) -> String {
    let whole = degrees.abs().round();
    match degrees {
        _ if whole == 0.0 => "level".to_owned(),
        d if d > 0.0 => format!("{whole:.0}° down"),
        _ => format!("{whole:.0}° up"),
    }
}

/// A number with its sign, a true minus: `+0.33`, `−1.00`, `0.00`.
pub(super) fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    match value {
        _ if zero => text,
        v if v > 0.0 => format!("+{text}"),
        _ => format!("−{text}"),
    }
}

/// A level: `+0.33 stops`, `dark`.
pub(super) fn level(lamp: &Lamp) -> String {
    lamp.stops.map_or_else(|| "dark".to_owned(), |s| format!("{} st", signed(s, 2)))
}

/// A white, or the chromaticity of what is none: first line and second.
pub(super) fn colour(lamp: &Lamp) -> (String, String) {
    match (lamp.kelvin, lamp.duv, lamp.xy) {
        (Some(k), Some(d), _) => (format!("{k:.0} K"), signed(d, 4)),
        (Some(k), None, _) => (format!("{k:.0} K"), String::new()),
        (None, _, Some((x, y))) => (format!("x {x:.4}"), format!("y {y:.4}")),
        _ => (String::new(), String::new()),
    }
}

/// Slots in decimal with the first one's place: `1/21: 10 20 30`.
pub(super) fn slots(lamp: &Lamp) -> String {
    let values: Vec<_> = lamp.slots.iter().map(u8::to_string).collect();
    match lamp.address {
        Some((universe, first)) => format!("{universe}/{first}: {}", values.join(" ")),
        None => "by hand".to_owned(),
    }
}

/// `2:10`, `1:02:03`.
pub(super) fn lasted(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    if s < 3600 {
        format!("{}:{:02}", s / 60, s % 60)
    } else {
        format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    }
}

/// `sent steady`, `not steady`, or that it rolls.
pub(super) fn verdict(take: &Take) -> &'static str {
    match &take.why {
        None => "rolling",
        Some(why) if why.is_empty() => "sent steady",
        Some(_) => "not steady",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: 1 in = 25.4 mm exactly (international inch, 1959), 12 in a foot; by hand.
    #[test]
    fn metres_come_with_feet_and_inches() {
        assert_eq!(length(1.5), "1.50 m (4′ 11″)");
        assert_eq!(length(3.6576), "3.66 m (12′ 0″)");
        assert_eq!(feet(-0.3048), "−1′ 0″");
    }

    #[test]
    fn signs_are_read_at_a_glance() {
        assert_eq!([signed(0.333, 2), signed(-1.0, 2), signed(-0.004, 2)], ["+0.33", "−1.00", "0.00"]);
        assert_eq!([tilt(24.6), tilt(-10.0), tilt(-0.2)], ["25° down", "10° up", "level"]);
        assert_eq!([lasted(130.2), lasted(3723.0)], ["2:10", "1:02:03"]);
    }
}
