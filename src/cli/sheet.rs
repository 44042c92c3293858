//! `sheet`: the rig sheet to print. `profiles`: the kinds of lamp at hand.

use std::fmt::Write;

use serde_json::{Value, json};

use crate::guards::identity::redact::Redactor;
use crate::picture::set::words::{aim, clock};
use crate::picture::set::{self, Lengths, View};
use crate::plan::{Bits, Control, Cooling, Drives, Mixing, Plan, Profile};
use crate::words::{feet_and_inches, markup};

const STYLE: &str = include_str!("rig_sheet.css");

/// Metres and feet: `1.50 m (4 ft 11 in)`.
#[must_use]
pub fn both(metres: f64) -> String {
    let (feet, inches) = feet_and_inches(metres);
    let sign = if metres < 0.0 { "-" } else { "" };
    format!("{metres:.2} m ({sign}{feet} ft {inches} in)")
}

/// The rig sheet. `hidden`: a face is protected, so numbers stand for names and free text is left out.
#[must_use]
pub fn text(plan: &Plan, hidden: bool) -> String {
    let whole = named(plan);
    if !hidden {
        return whole;
    }
    let told = Redactor::of(plan).text(&whole, &[]);
    format!("{told}\nA face is protected: numbers stand for names, in the plan's order.\n")
}

fn named(plan: &Plan) -> String {
    let e = &plan.exposure;
    let mut out = format!(
        "RIG SHEET  {}  plan {}\nISO {}  {}  {}  ND {}  {:.0} K  0 stops = {:.0} lx\n\
         clock seen from above, camera at 6:00; camera right = subject's left\n",
        plan.name,
        plan.hash,
        e.iso,
        e.marked.said(e.aperture),
        super::check::exposure_time(e.shutter_s),
        e.nd,
        e.white_balance.get(),
        e.zero_stops.get()
    );
    let eye = plan.subjects.first().map_or(0.0, |s| s.eye_height_m);
    for f in &plan.fixtures {
        let p = &f.place;
        let absent = f.absent.as_ref().map_or(String::new(), |why| format!("  ABSENT ({why})"));
        let _ = writeln!(out, "\n{}  lamp {}{absent}", f.id, f.lamp_name());
        if let Some(sticker) = f.body.as_ref().and_then(|b| b.sticker.as_ref()) {
            let _ = writeln!(out, "  sticker   {sticker}");
        }
        let _ = writeln!(
            out,
            "  kind      {}, mode {} ({} {})",
            f.profile.name,
            f.mode.name,
            f.mode.footprint(),
            if f.mode.footprint() == 1 { "slot" } else { "slots" }
        );
        let _ = match &f.control {
            Control::Dmx(a) => writeln!(
                out,
                "  address   universe {} slot {} to {}  output {}",
                a.universe,
                a.first,
                a.first + f.mode.footprint() - 1,
                plan.outputs[a.output.0].name
            ),
            Control::Hand => writeln!(out, "  address   none: set by hand"),
        };
        let _ = writeln!(
            out,
            "  place     {} from the subject's middle, height {}, {} to {}",
            clock(p.position[0], p.position[1]),
            both(p.position[2] + eye),
            both(p.distance_m),
            aim(plan, &p.aim, false)
        );
        if !f.modifiers.is_empty() {
            let _ = writeln!(out, "  modifier  {} (-{:.2} stops)", f.modifiers.join(", "), f.loss.get());
        }
        if let Some(circuit) = f.circuit {
            let most: f64 = f.emitters.iter().map(|e| e.watts.get()).sum::<f64>() + f.profile.standby.get();
            let _ = writeln!(out, "  circuit   {}, at most {most:.0} W", plan.circuits[circuit.0].id);
        }
    }
    out.push_str(
        "\nStands weighted, a safety bond on everything overhead, cables taped. Unplug a lamp and let it cool\n\
         before changing lamp, gel, modifier or cable. Local code and licensed practice decide on mains.\n",
    );
    out
}

/// The rig sheet as a page to print: the set from above and from the side, every lamp in words, then the sheet's own text.
#[must_use]
pub fn html(plan: &Plan, lengths: Lengths, hidden: bool) -> String {
    let view = View { look: None, lengths, hidden };
    let (drawn, _) = set::pages(plan, &view);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>Rig sheet · {}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<div class=\"plot\">{}</div>\n\
         <h2>In words</h2>\n{}<pre>{}</pre>\n</body>\n</html>\n",
        markup(&drawn.title),
        drawn.svg(),
        set::said(plan, &view).html(),
        markup(&text(plan, hidden)),
    )
}

/// The rig sheet as data; `hidden` as for [`text`].
#[must_use]
pub fn data(plan: &Plan, hidden: bool) -> Value {
    let lamps: Vec<_> = plan
        .fixtures
        .iter()
        .map(|f| {
            json!({
                "id": f.id,
                "lamp": f.lamp_name(),
                "profile": f.profile.name,
                "mode": f.mode.name,
                "universe": f.address().map(|a| a.universe),
                "first_slot": f.address().map(|a| a.first),
                "slots": f.mode.footprint(),
                "position_m": f.place.position,
                "clock": clock(f.place.position[0], f.place.position[1]),
                "distance_m": f.place.distance_m,
                "aim": aim(plan, &f.place.aim, false),
                "modifiers": f.modifiers,
                "loss_stops": f.loss.get(),
                "circuit": f.circuit.map(|c| plan.circuits[c.0].id.clone()),
                "absent": f.absent,
            })
        })
        .collect();
    let mut data = json!({ "set": plan.name, "plan_hash": plan.hash, "lamps": lamps });
    if hidden {
        Redactor::of(plan).value(&mut data, &[]);
        data["set"] = json!(plan.name);
    }
    data
}

/// What a mode sets, in words.
fn drives(profile: &Profile, mode: &crate::plan::Mode) -> String {
    let words: Vec<_> = mode
        .channels
        .iter()
        .map(|c| {
            let name = match c.drives {
                Drives::Intensity => "intensity".to_owned(),
                Drives::Kelvin(a, b) => format!("kelvin {:.0}-{:.0}", a.get(), b.get()),
                Drives::Tint(a, b) => format!("tint {a:+}..{b:+}"),
                Drives::Emitter(i) => profile.emitters[i].name.clone(),
                Drives::Hue => "hue".to_owned(),
                Drives::Saturation => "saturation".to_owned(),
                Drives::Fixed(v) => format!("fixed at {v}"),
                Drives::Strobe(v) => format!("strobe held at {v}"),
            };
            if c.bits == Bits::Sixteen { format!("{name} (16 bit)") } else { name }
        })
        .collect();
    let by = match mode.mixing {
        Mixing::Dimmer | Mixing::Emitters { .. } => "",
        Mixing::White { .. } | Mixing::HueSaturation { .. } => "; the lamp mixes by itself",
    };
    format!("{}{by}", words.join(", "))
}

/// The profiles for people.
#[must_use]
pub fn profiles_text<'a>(profiles: impl IntoIterator<Item = &'a Profile>) -> String {
    let mut out = String::new();
    for p in profiles {
        let invented = if p.invented { "  (figures invented)" } else { "" };
        let cooling = match p.cooling {
            Cooling::Fan => "fan",
            Cooling::Quiet => "fan off",
            Cooling::FanLess => "fan-less",
        };
        let watts: f64 = p.emitters.iter().map(|e| e.watts.get()).sum();
        let lux: f64 = p.emitters.iter().map(|e| e.lux_at_1m).sum();
        let _ = writeln!(
            out,
            "{}{invented}\n  {}\n  {}, {lux:.0} lx at 1 m with all on, {watts:.0} W, {cooling}",
            p.name,
            p.about,
            crate::engine::say::count(p.emitters.len(), "emitter")
        );
        for mode in &p.modes {
            let _ = writeln!(out, "  mode {} ({} slots): {}", mode.name, mode.footprint(), drives(p, mode));
        }
        out.push('\n');
    }
    out
}

/// The profiles as data.
#[must_use]
pub fn profiles_data<'a>(profiles: impl IntoIterator<Item = &'a Profile>) -> Value {
    profiles
        .into_iter()
        .map(|p| {
            let modes: Vec<_> = p
                .modes
                .iter()
                .map(|m| json!({ "name": m.name, "slots": m.footprint(), "drives": drives(p, m) }))
                .collect();
            json!({
                "name": p.name, "about": p.about, "invented": p.invented,
                "emitters": p.emitters.iter().map(|e| e.name.clone()).collect::<Vec<_>>(),
                "modes": modes,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: 1 ft = 0.3048 m exactly (international foot), 12 in a foot.
    #[test]
    fn metres_come_with_feet_and_inches() {
        assert_eq!(both(1.5), "1.50 m (4 ft 11 in)");
        assert_eq!(both(0.3048), "0.30 m (1 ft 0 in)");
    }
}
