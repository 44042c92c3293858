//! How each target of a look becomes slots, step by step, for a person and as JSON.

use serde_json::{Value, json};

use super::assess::{self, Assessment, Rounding};
use super::status::light_of;
use super::{balanced, meter, quality, say};
use crate::light::{Colour, Renderings, solve};
use crate::plan::{Bits, Control, Drives, Level, Look, Plan};

/// The lines for a person, and the same with full precision for programs. Lamps that prefer `rendering`
/// cost a search each.
#[must_use]
pub fn explain(plan: &Plan, look: &Look, real_output: bool) -> (String, Value) {
    explain_with(plan, look, real_output, &mut Renderings::new(plan))
}

/// The same with what has been searched for already.
#[must_use]
pub fn explain_with(
    plan: &Plan,
    look: &Look,
    real_output: bool,
    renderings: &mut Renderings,
) -> (String, Value) {
    let e = &plan.exposure;
    let mut text = format!(
        "{}\nexposure: ISO {} {} {} s, ND {}: 0 stops = {} x {}² x 10^{} / ({} x {}) = {:.1} lx\n",
        look.name,
        e.iso,
        e.marked.said(e.aperture),
        say::fraction(e.shutter_s),
        e.nd,
        e.constant,
        e.aperture,
        e.nd,
        say::fraction(e.shutter_s),
        e.iso,
        e.zero_stops.get()
    );
    let mut lamps = Vec::new();
    let found = assess::assess_with(plan, look, real_output, renderings);
    for found in &found {
        text.push_str(&lamp_text(plan, look, found));
        lamps.push(lamp_json(plan, found));
    }
    let metamers = quality::metamers(plan, &found);
    if !metamers.is_empty() {
        text.push('\n');
    }
    for pair in &metamers {
        text.push_str(&format!("warning: {pair}\n"));
    }
    let balance = balanced::balance_of(plan, look);
    if let Some(balance) = &balance {
        text.push_str(&balanced::text(plan, balance));
    }
    let table = meter::table(plan, look, &found);
    text.push_str(&table.text(plan));
    text.push_str(&format!("\n{}", meter::CAUTION));
    let data = json!({
        "look": look.name,
        "exposure": {
            "iso": e.iso, "aperture": e.aperture, "shutter_s": e.shutter_s, "nd": e.nd,
            "constant": e.constant, "zero_stops_lux": e.zero_stops.get(),
        },
        "lamps": lamps,
        "warnings": metamers,
        "balance": balance.map(|b| balanced::json(plan, &b)),
        "meter": table.json(plan, look),
    });
    (text, data)
}

fn lamp_text(plan: &Plan, look: &Look, found: &Assessment) -> String {
    let fixture = plan.fixture(found.fixture);
    let target = look.target(found.fixture);
    let zero = plan.exposure.zero_stops.get();
    let written = look.targets.iter().find(|t| t.fixture == found.fixture);
    let balanced = target.map(|t| t.level) != written.map(|t| t.level);
    let level = match target.map(|t| t.level) {
        Some(Level::Stops(s)) => format!("{:+.2} stops = {zero:.1} lx x 2^{:.2}", s.get(), s.get()),
        Some(Level::ToKey(s)) => format!("{:+.2} stops to the key", s.get()),
        Some(Level::Lux(_)) if balanced => "balanced".to_owned(),
        Some(Level::Lux(_)) => "lux as written".to_owned(),
        Some(Level::OfFull(s)) => format!("{:.1} % of its full", s.percent()),
        None => "dark".to_owned(),
    };
    let colour = match found.asked.colour {
        Colour::White { mired, duv } => format!("{:.0} K ({mired:.1} mired) {duv:+.4} Duv", 1e6 / mired),
        Colour::Uv(uv) => format!("x {:.4} y {:.4}", uv.xy().x, uv.xy().y),
    };
    let place = &fixture.place;
    let mut text = format!("\n{} ({}, {})\n", fixture.id, fixture.lamp_name(), fixture.profile.name);
    let mut row = |name: &str, value: String| text.push_str(&format!("  {name:<9} {value}\n"));
    row("asked", format!("{level} = {:.1} lx, {colour}", found.asked.lux));
    row(
        "distance",
        format!(
            "{:.2} m, front {:.2} m in radius, cosine {:.3}, modifiers {:.2} stops: 1 lx at 1 m gives {:.4} lx \
             (the point law would be {} stops off)",
            place.distance_m,
            fixture.radius_m.unwrap_or(0.0),
            place.incidence_cosine,
            fixture.loss.get(),
            solve::gain(fixture),
            say::fine_stops(solve::point_law_stops(fixture))
        ),
    );
    row(
        "full",
        format!(
            "{:.1} lx at that colour; asked is {:.2} % of it",
            found.reach.full_lux,
            found.reach.level * 100.0
        ),
    );
    if let Some(motion) = &found.target.motion {
        let held = found.target.top_lux();
        let level = if held < found.target.base.lux {
            format!(
                "; all the way at most {held:.1} of {:.1} lx, so that the level holds",
                found.target.base.lux
            )
        } else {
            String::new()
        };
        row("moves", format!("{}{level}", motion.said()));
    }
    let drives: Vec<_> = fixture
        .emitters
        .iter()
        .zip(found.reach.mix)
        .map(|(e, d)| format!("{} {:.3}", e.name, d * found.reach.level.min(1.0)))
        .collect();
    row("mix", drives.join(", "));
    let limits: Vec<_> = found.limits.iter().map(|l| l.word()).collect();
    let held = if limits.is_empty() { "nothing".to_owned() } else { limits.join(", ") };
    row("guards", format!("{:.1} lx may be sent; held by {held}", found.allowed_lux));
    match &fixture.control {
        Control::Hand => row("by hand", format!("{:.0} % of its full", found.reach.level.min(1.0) * 100.0)),
        Control::Dmx(address) => {
            row("slots", slot_words(plan, found));
            if let Some(Rounding { stops, uv76 }) = found.rounding {
                let low = if stops.is_finite() { format!("{stops:.4} stops low") } else { "dark".to_owned() };
                row("rounding", format!("{low}, colour {uv76:.5} off in u'v': no values near by are better"));
            }
            row(
                "sent",
                format!(
                    "universe {} from slot {}: {:.1} lx{}, {:.1} W",
                    address.universe,
                    address.first,
                    found.sent_lux,
                    sent_white(plan, found),
                    found.watts
                ),
            );
        }
    }
    if let Some(figures) = figures_words(fixture, found) {
        row("figures", figures);
    }
    for warning in found.warnings(plan) {
        row("warning", warning);
    }
    text
}

/// Colour figures of what is sent; `None` for lamps without spectra and where nothing is sent.
fn figures_words(fixture: &crate::plan::Fixture, found: &Assessment) -> Option<String> {
    if found.sent_lux <= 0.0 || fixture.profile.emitters.iter().all(|e| e.spectrum.is_none()) {
        return None;
    }
    let Some(spectrum) = quality::spectrum(fixture, found) else {
        return Some("not known: an emitter has no spectrum, or a gel changes it".to_owned());
    };
    let f = quality::figures(&spectrum);
    let words = [("Ra", f.ra), ("Rf", f.rf), ("Rg", f.rg), ("SSI", f.ssi)];
    let known: Vec<_> = words.iter().filter_map(|(name, n)| n.map(|n| format!("{name} {n:.1}"))).collect();
    let prefer = fixture.prefer.word();
    if known.is_empty() {
        return Some(format!("no colour temperature, so none; prefers {prefer}"));
    }
    Some(format!("{} (by the emitters' spectra); prefers {prefer}", known.join(", ")))
}

fn figures_json(fixture: &crate::plan::Fixture, found: &Assessment) -> Value {
    match quality::spectrum(fixture, found).filter(|_| found.sent_lux > 0.0) {
        Some(spectrum) => {
            let f = quality::figures(&spectrum);
            json!({ "ra": f.ra, "rf": f.rf, "rg": f.rg, "ssi": f.ssi })
        }
        None => Value::Null,
    }
}

fn sent_white(plan: &Plan, found: &Assessment) -> String {
    let light = light_of(plan, found.sent_lux, found.sent_xy);
    match (light.stops, light.kelvin, light.duv) {
        (Some(s), Some(k), Some(d)) => format!(" ({s:+.2} stops), {k:.0} K {d:+.4} Duv"),
        (Some(s), ..) => {
            let xy = found.sent_xy.map_or(String::new(), |p| format!(", x {:.4} y {:.4}", p.x, p.y));
            format!(" ({s:+.2} stops){xy}")
        }
        _ => String::new(),
    }
}

/// Each channel with what it drives: `warm 12345/65535`.
fn slot_words(plan: &Plan, found: &Assessment) -> String {
    let fixture = plan.fixture(found.fixture);
    let words = fixture.mode.channels.iter().map(|channel| {
        let at = usize::from(channel.offset);
        let value = match channel.bits {
            Bits::Eight => u16::from(found.slots[at]),
            Bits::Sixteen => u16::from_be_bytes([found.slots[at], found.slots[at + 1]]),
        };
        let name = match channel.drives {
            Drives::Intensity => "intensity".to_owned(),
            Drives::Kelvin(..) => "kelvin".to_owned(),
            Drives::Tint(..) => "tint".to_owned(),
            Drives::Emitter(index) => fixture.profile.emitters[index].name.clone(),
            Drives::Hue => "hue".to_owned(),
            Drives::Saturation => "saturation".to_owned(),
            Drives::Fixed(_) => "fixed".to_owned(),
            Drives::Strobe(_) => "strobe".to_owned(),
        };
        format!("{name} {value}/{}", channel.bits.max())
    });
    words.collect::<Vec<_>>().join(", ")
}

fn lamp_json(plan: &Plan, found: &Assessment) -> Value {
    let fixture = plan.fixture(found.fixture);
    let emitters = fixture.emitters.len();
    json!({
        "id": fixture.id,
        "lamp": fixture.lamp_name(),
        "asked": light_of(plan, found.asked.lux, Some(found.asked.colour.xy())),
        "distance_m": fixture.place.distance_m,
        "radius_m": fixture.radius_m,
        "point_law_stops": solve::point_law_stops(fixture),
        "incidence_cosine": fixture.place.incidence_cosine,
        "loss_stops": fixture.loss.get(),
        "gain_lux_per_lux_at_1m": solve::gain(fixture),
        "full_lux": found.reach.full_lux,
        "level": found.reach.level,
        "short_stops": found.reach.short_stops(),
        "prefer": fixture.prefer.word(),
        "drives": found.reach.mix[..emitters].iter().map(|d| d * found.reach.level.min(1.0)).collect::<Vec<_>>(),
        "allowed_lux": found.allowed_lux,
        "limited_by": found.limits.iter().map(|l| l.word()).collect::<Vec<_>>(),
        "slots": found.slots,
        // A light that rounds to none is lost by no number of stops: null.
        "rounding_stops": found.rounding.map(|r| r.stops).filter(|stops| stops.is_finite()),
        "rounding_uv76": found.rounding.map(|r| r.uv76),
        "sent": light_of(plan, found.sent_lux, found.sent_xy),
        "watts": found.watts,
        "figures": figures_json(fixture, found),
        "warnings": found.warnings(plan),
    })
}
