//! What leads today's light to another, in words and as JSON.

use serde_json::{Value, json};

use super::matching::{Advice, LampAdvice, MATCH_STOPS, Matched, PointAdvice};
use super::reference::Reference;
use crate::engine::say;
use crate::light::Trim;
use crate::plan::Plan;

fn stops_said(stops: f64) -> String {
    format!("{} stop", say::fine_stops(stops))
}

impl LampAdvice {
    /// In words. `reference`: what today's light is held against.
    #[must_use]
    pub fn text(&self, plan: &Plan, reference: &Reference) -> String {
        lamp_text(plan, self, reference)
    }
}

fn lamp_text(plan: &Plan, lamp: &LampAdvice, reference: &Reference) -> String {
    let fixture = plan.fixture(lamp.fixture);
    let mut text = fixture.id.clone();
    match lamp.then_lux {
        Some(then) => text.push_str(&format!(" then {then:.1} lx, ")),
        None => text.push_str(&format!(" not lit in {}, ", reference.said)),
    }
    let how = if lamp.read { "" } else { " by the plan's figures, not read" };
    text.push_str(&format!("now {:.1} lx{how}", lamp.now_lux));
    if let Some(other) = &lamp.other_body {
        text.push_str(&format!(" ({} instead of {other})", fixture.lamp_name()));
    }
    if lamp.change.is_none() {
        text.push_str(": as it was");
    } else {
        text.push_str(&format!(": {}", lamp.change));
    }
    if !lamp.lamp_trim.is_none() {
        text.push_str(&format!(" · lamp trim {}", lamp.lamp_trim));
    }
    if !lamp.look_trim.is_none() {
        text.push_str(&format!(" · look trim {}", lamp.look_trim));
    }
    if let Some((from, to)) = lamp.distance_m {
        text.push_str(&format!(
            " · or, instead of trims, {:.2} of its distance: it reads as from {from:.2} m, move it to {to:.2} m",
            to / from
        ));
    }
    for note in &lamp.notes {
        text.push_str(&format!("\n  {note}"));
    }
    text
}

fn light_said(light: (f64, Option<f64>)) -> String {
    let white = light.1.map_or(String::new(), |mired| format!(" {:.0} K", 1e6 / mired));
    format!("{:.1} lx{white}", light.0)
}

impl PointAdvice {
    /// In words.
    #[must_use]
    pub fn text(&self) -> String {
        point_text(self)
    }
}

fn point_text(point: &PointAdvice) -> String {
    let how = |read: bool| if read { "read" } else { "added up of readings or planned" };
    let mut text = format!("at {} then {} ({})", point.name, light_said(point.then), how(point.then_read));
    if let Some(now) = point.now {
        text.push_str(&format!(
            ", last read {} ({})",
            light_said(now),
            stops_said((now.0 / point.then.0).log2())
        ));
    }
    if let Some(after) = point.after {
        text.push_str(&format!(", after the trims {} planned", light_said(after)));
        let off = (after.0 / point.then.0).log2();
        if off.abs() > MATCH_STOPS {
            text.push_str(&format!(": {} is left", stops_said(off)));
        }
    }
    text
}

impl Matched {
    /// In words.
    #[must_use]
    pub fn text(&self) -> String {
        matched_text(self)
    }
}

fn matched_text(matched: &Matched) -> String {
    let mired = matched.off_mired.map_or(String::new(), |m| format!(", {m:+.0} mired"));
    let off = format!("{}{mired}", stops_said(matched.off_stops));
    if matched.met {
        format!("matched at {}, as read: {off}", matched.name)
    } else {
        format!("not met at {}, as read: {off}", matched.name)
    }
}

fn light_json(light: (f64, Option<f64>)) -> Value {
    json!({ "lux": light.0, "kelvin": light.1.map(|mired| 1e6 / mired) })
}

impl Advice {
    /// In full precision. `matched`: what is read of the light that is sent now.
    #[must_use]
    pub fn json(&self, plan: &Plan, reference: &Reference, matched: &[Matched]) -> Value {
        advice_json(plan, self, reference, matched)
    }
}

fn advice_json(plan: &Plan, advice: &Advice, reference: &Reference, matched: &[Matched]) -> Value {
    let some = |trim: Trim| (!trim.is_none()).then_some(trim);
    let lamps = advice.lamps.iter().map(|l| {
        json!({
            "id": plan.fixture(l.fixture).id, "then_lux": l.then_lux, "now_lux": l.now_lux, "read": l.read,
            "other_body": l.other_body, "change": l.change,
            "lamp_trim_change": some(l.lamp_trim), "look_trim": some(l.look_trim),
            "distance_from_m": l.distance_m.map(|d| d.0), "distance_to_m": l.distance_m.map(|d| d.1),
            "notes": l.notes,
        })
    });
    let points = advice.points.iter().map(|p| {
        json!({
            "point": p.name, "then": light_json(p.then), "then_read": p.then_read, "now": p.now.map(light_json),
            "after": p.after.map(light_json),
        })
    });
    let missing = advice.missing.iter().map(|(id, lux)| json!({ "id": id, "then_lux": lux }));
    let read = matched.iter().map(
        |m| json!({ "point": m.name, "off_stops": m.off_stops, "off_mired": m.off_mired, "met": m.met }),
    );
    json!({
        "against": reference.said,
        "lamps": lamps.collect::<Vec<_>>(), "points": points.collect::<Vec<_>>(),
        "missing": missing.collect::<Vec<_>>(), "read": read.collect::<Vec<_>>(), "notes": advice.notes,
    })
}
