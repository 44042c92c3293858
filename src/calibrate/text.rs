//! A calibration as the text of its file, and as lines for a person.

use super::fit::{EmitterColour, Fit};
use super::session::Session;
use crate::plan::{Drives, Fixture};

/// The text of a body's calibration file. `date`: its day, `2026-05-04`.
#[must_use]
pub fn calibration(fixture: &Fixture, session: &Session, found: &Fit, date: &str) -> String {
    let body = &session.lamp;
    let mut text = format!(
        "# Written by `lampkeep calibrate {body}`. It holds for this body in this mode; move it away to go back to \
         the profile's figures.\n\n[calibration.{body}]\ndate = {date}\nprofile = {}\nmode = {}\ndistance = {}\n",
        quoted(&session.profile),
        quoted(&session.mode),
        quoted(&session.distance),
    );
    let mut note = |key: &str, value: &Option<String>| {
        if let Some(value) = value {
            text.push_str(&format!("{key} = {}\n", quoted(value)));
        }
    };
    note("meter", &session.meter);
    let conditions: Vec<_> = session.conditions.iter().chain(&found.notes).cloned().collect();
    note("conditions", &(!conditions.is_empty()).then(|| conditions.join("; ")));
    note("ambient", &session.entry("ambient").map(|e| e.typed.clone()));
    note("worst", &Some(worst(found)));
    text.push_str("readings = [\n");
    for entry in &session.readings {
        let line = format!("{}: {}, value {} sent, {}", entry.step, entry.typed, entry.sent, entry.at);
        text.push_str(&format!("  {},\n", quoted(&line)));
    }
    text.push_str("]\n");
    for sweep in &found.sweeps {
        text.push_str(&format!(
            "\n[calibration.{body}.channel.{}]\ncurve = {{ table = [\n",
            key(&sweep.name)
        ));
        for (value, light) in &sweep.points {
            text.push_str(&format!("  [{value}, {light}],\n"));
        }
        text.push_str("] }\n");
        if sweep.clean_from > 0 {
            text.push_str(&format!("clean-from = {}\n", sweep.clean_from));
        }
    }
    let has_kelvin = fixture.mode.channels.iter().any(|c| matches!(c.drives, Drives::Kelvin(..)));
    if has_kelvin && !found.kelvins.is_empty() {
        text.push_str(&format!("\n[calibration.{body}.channel.kelvin]\nmeasured = [\n"));
        for white in &found.kelvins {
            let light = white.light.max(0.01);
            text.push_str(&format!("  [{}, {}, {}, {light}],\n", white.asked, white.kelvin, white.duv));
        }
        text.push_str("]\n");
    }
    for emitter in &found.emitters {
        let output = (emitter.output * 100.0).clamp(1.0, 1000.0);
        text.push_str(&format!(
            "\n[calibration.{body}.emitter.{}]\noutput = \"{output:.3} %\"\n",
            key(&emitter.name)
        ));
        match emitter.colour {
            Some(EmitterColour::White(kelvin, duv)) => {
                text.push_str(&format!("kelvin = {kelvin:.1}\nduv = {duv:.5}\n"));
            }
            Some(EmitterColour::Xy(xy)) => text.push_str(&format!("xy = [{:.5}, {:.5}]\n", xy.x, xy.y)),
            None => {}
        }
    }
    text
}

fn worst(found: &Fit) -> String {
    let words = |worst: &Option<(f64, String)>, unit: &str, places: usize| {
        worst.as_ref().map(|(off, at)| format!("{off:+.places$} {unit} ({at})"))
    };
    let parts: Vec<_> = [words(&found.worst_stops, "stop", 3), words(&found.worst_mired, "mired", 1)]
        .into_iter()
        .flatten()
        .collect();
    parts.join(", ")
}

/// What was found, in lines for a person.
#[must_use]
pub fn summary(found: &Fit) -> String {
    let mut text = format!("worst error, planned against read: {}\n", worst(found));
    for sweep in &found.sweeps {
        let dark = sweep.points.iter().filter(|p| p.0 > 0 && p.1 == 0.0).map(|p| p.0).max();
        let floor = sweep.points.iter().find(|p| p.1 > 0.0).map_or(0, |p| p.0);
        let floor =
            dark.map_or("lit at every value read".to_owned(), |d| format!("dark at {d}, lit from {floor}"));
        let clean =
            if sweep.clean_from > 0 { format!(", clean from {}", sweep.clean_from) } else { String::new() };
        text.push_str(&format!("{:<10} {floor}{clean}\n", sweep.name));
    }
    for white in &found.kelvins {
        let asked = format!("{:.0} K", white.asked);
        text.push_str(&format!("{asked:<10} gives {:.0} K {:+.4} Duv\n", white.kelvin, white.duv));
    }
    for emitter in &found.emitters {
        let colour = match emitter.colour {
            Some(EmitterColour::White(k, d)) => format!(", {k:.0} K {d:+.4} Duv"),
            Some(EmitterColour::Xy(xy)) => format!(", x {:.4} y {:.4}", xy.x, xy.y),
            None => String::new(),
        };
        text.push_str(&format!(
            "{:<10} {:.1} % of the profile's light{colour}\n",
            emitter.name,
            emitter.output * 100.0
        ));
    }
    for note in &found.notes {
        text.push_str(&format!("note: {note}\n"));
    }
    text
}

/// Text in TOML's quotes.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A bare key where it can be one.
fn key(name: &str) -> String {
    let bare = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b));
    if bare { name.to_owned() } else { quoted(name) }
}
