//! Writes a look as TOML that reads back to exactly the same targets: what `keep` saves.

use std::fmt::Write as _;

use super::Plan;
use super::look::{ColourTarget, Level, Look, Target};
use super::meter::MeterTarget;
use super::motion::Motion;
use crate::units::{Duv, Share};

/// A look as the text of a kept look's file.
///
/// The white that most of its lamps have becomes the look's own, the rest stands with each lamp.
/// Numbers are written with as many digits as it takes to read the same number back.
#[must_use]
pub fn look_text(look: &Look, plan: &Plan) -> String {
    let mut out = format!("[look.{}]\n", look.name);
    // Writing to a string cannot fail.
    let mut line = |text: String| {
        let _ = writeln!(out, "{text}");
    };
    if let Some(about) = &look.about {
        line(format!("about = {}", toml::Value::String(about.clone())));
    }
    if look.protect {
        line("protect = true".into());
    }
    if let Some(key) = look.key.map(|k| plan.fixture(k).id.as_str()).filter(|id| *id != "key") {
        line(format!("key-is = \"{key}\""));
    }
    if let Some(fade) = look.fade {
        line(format!("fade = \"{} s\"", fade.as_secs_f64()));
    }
    let common = commonest_white(&look.targets);
    if let Some(white) = common {
        line(colour(white).join("\n"));
    }
    if !look.meter.is_empty() {
        let points: Vec<_> = look.meter.iter().map(reading).collect();
        line(format!("meter = {{ {} }}", points.join(", ")));
    }
    for target in &look.targets {
        let mut parts = vec![level(target.level)];
        if Some(target.colour) != common {
            parts.extend(colour(target.colour));
        }
        parts.extend(target.motion.map(motion));
        line(format!("{} = {{ {} }}", plan.fixture(target.fixture).id, parts.join(", ")));
    }
    out
}

fn reading(target: &MeterTarget) -> String {
    let stops = target.stops.get();
    let kelvin = target.kelvin.map(|k| format!(", kelvin = {}", k.get()));
    let duv = target.duv.map(|d| format!(", duv = {}", d.get()));
    match (kelvin, duv) {
        (None, None) => format!("\"{}\" = {stops}", target.point),
        (kelvin, duv) => format!(
            "\"{}\" = {{ stops = {stops}{}{} }}",
            target.point,
            kelvin.unwrap_or_default(),
            duv.unwrap_or_default()
        ),
    }
}

fn commonest_white(targets: &[Target]) -> Option<ColourTarget> {
    let whites = || targets.iter().map(|t| t.colour).filter(|c| matches!(c, ColourTarget::White(..)));
    let count = |white: &ColourTarget| whites().filter(|w| w == white).count();
    // `max_by_key` takes the last of equals; reversed, that is the plan's first.
    whites().collect::<Vec<_>>().into_iter().rev().max_by_key(count)
}

fn level(level: Level) -> String {
    match level {
        Level::Stops(stops) => format!("stops = {}", stops.get()),
        Level::ToKey(stops) => format!("to-key = {}", stops.get()),
        Level::Lux(lux) => format!("lux = {}", lux.get()),
        Level::OfFull(share) => format!("of-full = \"{}\"", percent(share)),
    }
}

fn colour(colour: ColourTarget) -> Vec<String> {
    match colour {
        ColourTarget::White(kelvin, duv) => {
            let tint = (duv != Duv::ZERO).then(|| format!("duv = {}", duv.get()));
            std::iter::once(format!("kelvin = {}", kelvin.get())).chain(tint).collect()
        }
        ColourTarget::Xy(xy) => vec![format!("xy = [{}, {}]", xy.x, xy.y)],
        ColourTarget::HueSaturation { hue_deg, saturation, white } => vec![
            format!("hue = \"{hue_deg} deg\""),
            format!("saturation = \"{}\"", percent(saturation)),
            format!("kelvin = {}", white.get()),
        ],
    }
}

fn motion(motion: Motion) -> String {
    let period = format!("period = \"{} s\"", motion.period().as_secs_f64());
    let phase = |phase: Share| format!("phase = \"{}\"", percent(phase));
    let kind = match motion {
        Motion::HueCircle { depth, start_deg, .. } => {
            format!(
                "hue-circle = {{ {period}, depth = \"{}\", start = \"{start_deg} deg\" }}",
                percent(depth)
            )
        }
        Motion::Breath { depth, phase: at, .. } => {
            format!("breath = {{ {period}, depth = \"{} stops\", {} }}", depth.get(), phase(at))
        }
        Motion::Wander { through, phase: at, .. } => {
            let colours: Vec<_> =
                through.as_slice().iter().map(|c| format!("{{ {} }}", colour(*c).join(", "))).collect();
            format!("wander = {{ {period}, through = [{}], {} }}", colours.join(", "), phase(at))
        }
        Motion::Flicker(f) => format!(
            "flicker = {{ like = \"{}\", seed = {}, every = \"{} s\", {period}, depth = \"{} stops\", \
             drift = \"{} mired\", {} }}",
            f.like.word(),
            f.seed,
            f.every.as_secs_f64(),
            f.depth.get(),
            f.drift_mired,
            phase(f.phase)
        ),
    };
    format!("move = {{ {kind} }}")
}

/// A share in percent, its decimal point moved two places in the text: multiplied by 100 as a
/// number, not every share would come back as it was.
fn percent(share: Share) -> String {
    let text = format!("{}", share.get());
    let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
    let (hundredths, rest) = part.split_at(part.len().min(2));
    let whole = format!("{whole}{hundredths:0<2}");
    let whole = whole.trim_start_matches('0');
    let whole = if whole.is_empty() { "0" } else { whole };
    if rest.is_empty() { format!("{whole} %") } else { format!("{whole}.{rest} %") }
}
