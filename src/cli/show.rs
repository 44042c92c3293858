//! Status and timelines as text for people.

use std::fmt::Write;

use crate::control::{
    ClockStatus, FixtureStatus, Light, LinkState, Now, OutputStatus, Scheduled, Status, StepHeat,
};
use crate::engine::say;
use crate::words::shown;

/// Widest column of names, in characters: no name of a plan has more (`docs/plan-reference.md`).
const WIDEST_NAME: usize = 40;

/// Level and white of a light in fixed width: `+0.3  5600 K +0.001`, `dark`.
#[must_use]
pub fn light(light: &Light) -> String {
    let Some(stops) = light.stops else { return "dark".to_owned() };
    let colour = match (light.kelvin, light.duv, light.x, light.y) {
        (Some(k), Some(d), ..) if d.abs() >= 0.0005 => format!("{k:>5.0} K {d:+.3}"),
        (Some(k), ..) => format!("{k:>5.0} K"),
        (None, _, Some(x), Some(y)) => format!("x{x:.3} y{y:.3}"),
        _ => String::new(),
    };
    format!("{:>5} {colour}", say::stops(stops))
}

/// Slots as decimal values.
#[must_use]
pub fn slots(slots: &[u8]) -> String {
    slots.iter().map(u8::to_string).collect::<Vec<_>>().join(" ")
}

/// One line: what is lit and how far the fade is.
#[must_use]
pub fn headline(now: &Now) -> String {
    headline_of(now).replace(char::is_control, "·")
}

fn headline_of(now: &Now) -> String {
    let mut line = now.look.clone();
    if let Some(take) = &now.take {
        let _ = write!(line, " · take {take} rolls");
    }
    if let Some(lamp) = &now.showing {
        let _ = write!(line, " · {lamp} shows now");
    }
    if now.nudged {
        line.push_str(" · nudged");
    }
    if now.fading {
        let _ = write!(line, " · fading, {:.0} %, {} left", now.progress * 100.0, say::span(now.fade_left_s));
    }
    if let Some(s) = &now.scheduled {
        let _ = write!(line, " · {}{} in {}", s.what, at(s), say::span(s.in_s));
    }
    line
}

/// The instant that it waits for, where it was asked for by one.
fn at(scheduled: &Scheduled) -> String {
    scheduled.at.as_ref().map_or(String::new(), |at| format!(" at {at},"))
}

/// One line about the wall clock.
#[must_use]
pub fn clock(clock: &ClockStatus) -> String {
    if let Some(said) = &clock.said {
        return format!("clock: {said}");
    }
    let error = clock.error_ms.map_or(String::new(), |ms| format!(", within {ms:.1} ms"));
    let offset = clock.offset_ms.map_or(String::new(), |ms| format!(", {ms:+.1} ms to correct"));
    format!("clock: synchronised{error}{offset} by the kernel's account")
}

/// One line about an output.
#[must_use]
pub fn output(output: &OutputStatus) -> String {
    let mut line =
        format!("{} ({}, universe {}): {}", output.name, output.kind, output.universe, state(output.state));
    if output.frames > 0 {
        let _ = write!(line, ", {}/s, {} frames", output.rate, output.frames);
    }
    if let (Some(p50), Some(p999)) = (output.late_us_p50, output.late_us_p999) {
        let _ = write!(line, ", late by {p50:.0} us (half of them), {p999:.0} us (1 in 1000)");
    }
    if output.frames > 0 {
        match output.real_time.priority {
            Some(priority) => _ = write!(line, ", real-time priority {priority}"),
            None => line.push_str(", plain priority"),
        }
    }
    if output.reopened > 0 {
        let gap = output.last_gap_s.map_or(String::new(), |g| format!(", last gap {}", say::span(g)));
        let _ = write!(
            line,
            ", reopened {} time{}{gap}",
            output.reopened,
            if output.reopened == 1 { "" } else { "s" }
        );
    }
    if let Some(said) = &output.said {
        let _ = write!(line, " · {said}");
    }
    line
}

fn state(state: LinkState) -> &'static str {
    match state {
        LinkState::Starting => "starting",
        LinkState::Up => "sending",
        LinkState::Down => "DOWN",
    }
}

/// The whole status.
#[must_use]
pub fn status(status: &Status) -> String {
    // Whatever answers at a socket must not steer the terminal.
    shown(&status_of(status)).into_owned()
}

fn status_of(status: &Status) -> String {
    let mut text = String::new();
    let simulated = if status.simulated { " · simulated, no lamp is driven" } else { "" };
    let _ = writeln!(text, "{} · {}{simulated}", status.set, headline(&status.now));
    for alert in &status.alerts {
        let _ = writeln!(text, "! {}", alert.said);
    }
    let order = &status.order;
    if let Some(next) = &order.next {
        let at = order.position.map_or(1, |p| p.saturating_add(1));
        let _ = writeln!(text, "next: {next} (step {at} of {})", order.steps);
    } else if order.steps > 0 {
        let _ = writeln!(text, "next: none, step {} of {} is the last", order.steps, order.steps);
    }
    for said in order.heat.iter().filter_map(StepHeat::said) {
        let _ = writeln!(text, "ahead: {said}");
    }
    text.push('\n');
    text.push_str(&lamp_table(&status.fixtures));
    text.push('\n');
    for c in &status.circuits {
        let _ = writeln!(text, "circuit {}: {:.0} VA of {:.0}", c.id, c.volt_amperes, c.limit_va);
    }
    for r in &status.readings {
        let lamps = match &r.lamps[..] {
            [] => "room light".to_owned(),
            [one] => format!("{one} alone"),
            many => say::count(many.len(), "lamp"),
        };
        let under = if r.under { "under " } else { "" };
        let (seen, age) = (&r.light.light, say::span(r.light.age_s));
        let _ = writeln!(text, "read at {}: {under}{:.1} lx, {lamps}, {age} ago", r.point, seen.lux);
    }
    for o in &status.outputs {
        let _ = writeln!(text, "output {}", output(o));
    }
    // All threads of a daemon are granted the same.
    if let Some(why) = status.outputs.iter().find_map(|o| o.real_time.said.as_ref()) {
        let _ = writeln!(text, "frames may be late when the machine is busy: {why}");
    }
    if let Some(mqtt) = &status.mqtt {
        let said = mqtt.said.as_ref().map_or(String::new(), |s| format!(" · {s}"));
        let word = if mqtt.state == LinkState::Up { "connected" } else { "not connected" };
        let asks = mqtt
            .requests
            .map_or(String::new(), |r| format!(", requests: {} taken, {} refused", r.taken, r.refused));
        let _ = writeln!(text, "broker {word}{asks}{said}");
    }
    if let Some(state) = &status.clock {
        let _ = writeln!(text, "{}", clock(state));
    }
    if status.fixtures.iter().any(|f| f.uncalibrated) {
        text.push_str("planned, uncalibrated: may be a stop off\n");
    }
    text
}

/// Why a restart could be seen, by the `now` of a status of any version; `None`: nothing is lit, fades, waits or rolls.
pub fn why_not_dark(now: &serde_json::Value) -> Option<String> {
    let unknown =
        || Some("the daemon does not tell whether it is dark; look at `lampkeep status`".to_owned());
    let (Some(look), Some(fading)) = (now["look"].as_str(), now["fading"].as_bool()) else {
        return unknown();
    };
    let (Some(take), Some(scheduled)) = (now.get("take"), now.get("scheduled")) else { return unknown() };
    if let Some(take) = take.as_str() {
        return Some(format!("take {take} rolls"));
    }
    if !scheduled.is_null() {
        return Some(format!("{} waits", scheduled["what"].as_str().unwrap_or("a request")));
    }
    match (look, fading) {
        ("dark", false) => None,
        ("dark", true) => Some("the light is fading to dark".to_owned()),
        (look, _) => Some(format!("`{look}` is lit")),
    }
}

/// The lamps, one a line.
fn lamp_table(fixtures: &[FixtureStatus]) -> String {
    let id = fixtures.iter().map(|f| f.id.len()).max().unwrap_or(0).clamp(4, WIDEST_NAME);
    let lamp = fixtures.iter().map(|f| f.lamp.len()).max().unwrap_or(0).clamp(4, WIDEST_NAME);
    // No column where no lamp has a figure of heat.
    let body = fixtures
        .iter()
        .map(|f| warmth(f).chars().count())
        .max()
        .filter(|w| *w > 0)
        .map_or(0, |w| w.min(60) + 2);
    let heat = if body > 0 { "heat" } else { "" };
    let mut text = format!(
        "{:<id$} {:<lamp$}  {:<20} {:<20} {:>6}  {heat:<body$}slots\n",
        "job", "lamp", "asked", "sent", "power"
    );
    for f in fixtures {
        let (asked, sent, watts) = match f.control.as_str() {
            "absent" => (light(&f.asked), "absent".to_owned(), String::new()),
            "hand" => (light(&f.asked), "by hand".to_owned(), format!("{:.0} W", f.watts)),
            _ => (light(&f.asked), light(&f.sent), format!("{:.0} W", f.watts)),
        };
        let row = format!(
            "{:<id$} {:<lamp$}  {asked:<20} {sent:<20} {watts:>6}  {:<body$}{}{}",
            f.id,
            f.lamp,
            warmth(f),
            slots(&f.slots),
            held(f)
        );
        let _ = writeln!(text, "{}", row.trim_end());
        if let Some(moves) = &f.moves {
            let _ = writeln!(text, "{:<id$} {:<lamp$}  moves: {moves}", "", "");
        }
        let read = read_and_trimmed(f);
        if !read.is_empty() {
            let _ = writeln!(text, "{:<id$} {:<lamp$}  {read}", "", "");
        }
    }
    text
}

/// What a meter read of it, and its trims: `measured -0.4  5480 K, 12 min ago · lamp trim +0.38 stop`.
fn read_and_trimmed(f: &FixtureStatus) -> String {
    let mut parts = Vec::new();
    if let Some(read) = &f.measured {
        parts.push(format!("measured {}, {} ago", light(&read.light).trim(), say::span(read.age_s)));
    }
    parts.extend(f.lamp_trim.map(|trim| format!("lamp trim {trim}")));
    parts.extend(f.look_trim.map(|trim| format!("look trim {trim}")));
    parts.join(" · ")
}

/// A body's estimate, and how long it can stay as it is: `62 °C, 12 min`; and a battery's minutes.
fn warmth(f: &FixtureStatus) -> String {
    let mut parts = Vec::new();
    parts.extend(f.body_est_c.map(|c| format!("{c:.0} °C")));
    let left = f.minutes_left.filter(|m| *m > 0.0);
    parts.extend(left.map(|m| say::span((m * 60.0).floor())));
    parts.extend(f.battery.map(|b| match b.minutes_left {
        Some(minutes) => format!("battery {}", say::span((minutes * 60.0).floor())),
        None => format!("battery {:.0} %", b.left_share * 100.0),
    }));
    parts.join(", ")
}

/// What holds a lamp, in words; nothing for a hand-set one, which goes as far as the hand does.
fn held(f: &FixtureStatus) -> String {
    let limits: Vec<_> = f.limited_by.iter().filter(|l| *l != "absent").map(String::as_str).collect();
    if limits.is_empty() || f.control == "hand" {
        String::new()
    } else {
        format!(" · held by {}", limits.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::engine::{Engine, Options};
    use crate::plan::load;

    /// What answers at a socket may be another version, or anything. Each of these once ended the command or steered
    /// the terminal.
    #[test]
    fn whatever_a_daemon_tells_is_shown_in_proportion_and_cannot_steer_the_terminal() {
        let options = Options { simulate: true, ..Options::default() };
        let mut told = Engine::new(Arc::new(load::demo()), options).status();
        told.fixtures[0].id = "k".repeat(70_000);
        told.fixtures[1].lamp = "\u{1b}[2J".to_owned();
        told.order.position = Some(usize::MAX);
        told.order.next = Some("rest\u{7}".to_owned());
        told.now.look = "quay\ndusk".to_owned();
        let text = status(&told);
        assert!(text.len() < 200_000, "{} bytes", text.len());
        assert!(!text.chars().any(|c| c.is_control() && c != '\n'));
        assert!(headline(&told.now).starts_with("quay·dusk"));
    }
}
