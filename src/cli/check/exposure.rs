//! Exposure help in words: cameras, shutters, modulation, the key on a meter, and what would do.

use std::fmt::Write;

use crate::engine::exposure::{CameraHelp, Cure, Help, KeyReading, MainsHelp, PwmHelp, SteadyShutter};

/// A line or two a camera and a line a modulation.
pub(super) fn text(help: &Help) -> String {
    let mut text = String::new();
    for (at, camera) in help.cameras.iter().enumerate() {
        let first = help.cameras.first().filter(|_| at > 0).map(|c| c.camera.as_str());
        let _ = writeln!(text, "{}", camera_line(camera, first));
        for mains in &camera.mains {
            let _ = writeln!(text, "  {}", mains_line(camera, mains, camera.mains.len() == 1));
        }
    }
    for pwm in &help.pwm {
        let _ = writeln!(text, "{}", pwm_line(pwm));
    }
    if !help.pwm_unknown.is_empty() {
        let _ = writeln!(
            text,
            "PWM frequency unknown: {}\n  film each of them dimmed low with the real shutter, and look for bands",
            help.pwm_unknown.join(", ")
        );
    }
    text
}

/// `first`: the name of the camera that it is held against.
fn camera_line(camera: &CameraHelp, first: Option<&str>) -> String {
    let filter = if camera.nd > 0.0 { format!(", before its ND {},", camera.nd) } else { String::new() };
    let against = first.map_or_else(String::new, |first| {
        let stops = camera.brighter_stops;
        if stops.abs() < 0.05 {
            return format!(" · sees the set as bright as {first} does");
        }
        let way = if stops > 0.0 { "brighter" } else { "darker" };
        format!(" · sees the set {:.1} stops {way} than {first} does", stops.abs())
    });
    format!(
        "camera {}: 0 stops = {:.0} lx, {}{filter} on a meter at ISO {} and {}{against}",
        camera.camera,
        camera.zero_stops_lux,
        camera.meter,
        camera.iso,
        exposure_time(camera.shutter_s),
    )
}

/// `stated`: the plan says that these are its mains.
fn mains_line(camera: &CameraHelp, mains: &MainsHelp, stated: bool) -> String {
    let one = |s: &SteadyShutter| match s.angle_deg {
        Some(angle) => format!("{} s ({} deg)", s.said, tenths(angle)),
        None => format!("{} s", s.said),
    };
    let all: Vec<String> = mains
        .all
        .iter()
        .map(|s| s.angle_deg.map_or_else(|| s.said.clone(), |a| tenths(a).to_string()))
        .collect();
    let unit = if camera.shutter_deg.is_some() { "deg" } else { "s" };
    let all = if all.is_empty() {
        String::from("no shutter is steady: a frame is shorter than a pulse of the mains")
    } else {
        format!("all steady: {} {unit}", all.join(", "))
    };
    let hertz = mains.mains_hz;
    if mains.steady {
        return format!("{hertz} Hz mains: {} is steady · {all}", shutter(camera));
    }
    let near: Vec<String> = mains.nearest.iter().map(one).collect();
    let take = if near.is_empty() { String::new() } else { format!(": take {}", near.join(" or ")) };
    format!(
        "{}{hertz} Hz mains: {} swings by up to {} under lamps on the mains{take} · {all}",
        if stated { "! " } else { "" },
        shutter(camera),
        swing(mains.swing_stops),
    )
}

fn shutter(camera: &CameraHelp) -> String {
    let time = exposure_time(camera.shutter_s);
    camera.shutter_deg.map_or_else(|| time.clone(), |angle| format!("{time} ({} deg)", tenths(angle)))
}

fn pwm_line(pwm: &PwmHelp) -> String {
    let lamps = pwm.fixtures.join(", ");
    let (time, swing) = (exposure_time(pwm.shutter_s), swing(pwm.swing_stops));
    let hertz = if pwm.pwm_hz < 1000.0 {
        format!("{} Hz", pwm.pwm_hz)
    } else {
        format!("{} kHz", pwm.pwm_hz / 1000.0)
    };
    if pwm.seen {
        format!(
            "! PWM {hertz} ({lamps}): exposures of {time} differ by {swing}, seen as flicker or bands\n  \
             keep those lamps at full, or use a longer exposure and film a test"
        )
    } else {
        format!("PWM {hertz} ({lamps}): exposures of {time} differ by {swing} at most")
    }
}

/// A swing in stops, to the digit that tells.
fn swing(stops: Option<f64>) -> String {
    match stops {
        None => String::from("any amount"),
        Some(stops) if stops >= 0.095 => format!("{stops:.1} stops"),
        Some(stops) => format!("{stops:.3} stops"),
    }
}

/// An exposure time as cameras write it, where it is one.
pub fn exposure_time(seconds: f64) -> String {
    let parts = 1.0 / seconds;
    if parts >= 1.5 && (parts - parts.round()).abs() < 1e-3 * parts {
        format!("1/{:.0} s", parts)
    } else {
        format!("{} s", (seconds * 1e5).round() / 1e5)
    }
}

fn tenths(angle: f64) -> f64 {
    (angle * 10.0).round() / 10.0
}

/// `needs ISO 1250, or f/2.2, or key at 1.21 m`.
pub(super) fn cure(cure: &Cure) -> String {
    let mut ways = Vec::new();
    ways.extend(cure.iso.map(|iso| format!("ISO {iso}")));
    ways.extend(cure.aperture.map(|aperture| cure.marked.said(aperture)));
    let near: Vec<String> = cure
        .nearer
        .iter()
        .map(|(lamp, metres)| match metres {
            // Down to the centimetre, so that the light is there.
            Some(metres) => format!("{lamp} at {:.2} m", (metres * 100.0).floor() / 100.0),
            None => format!("a brighter {lamp}"),
        })
        .collect();
    ways.push(near.join(" and "));
    format!("needs {}", ways.join(", or "))
}

/// The key of each look on a meter, looks of one reading together.
pub(super) fn keys<'a>(looks: impl Iterator<Item = (&'a str, &'a KeyReading)>) -> String {
    let mut readings: Vec<(&str, Vec<&str>)> = Vec::new();
    for (look, key) in looks {
        match readings.iter_mut().find(|(meter, _)| *meter == key.meter) {
            Some((_, names)) => names.push(look),
            None => readings.push((&key.meter, vec![look])),
        }
    }
    let said: Vec<String> =
        readings.iter().map(|(meter, names)| format!("{meter} in {}", names.join(", "))).collect();
    if said.is_empty() { String::new() } else { format!("key on a meter: {}\n", said.join(" · ")) }
}
