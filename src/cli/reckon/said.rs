//! An answer in words: the result first, then the formula with its numbers, then what the letters mean.

use serde_json::Value;

use super::{Law, Sum, Waveform};

/// Lines for a person, without the last line end.
pub(super) fn in_words(sum: &Sum, answer: &Value) -> String {
    let get = |field: &str| answer[field].as_f64();
    let show = |field: &str| get(field).map_or_else(|| String::from("none"), figure);
    match sum {
        Sum::Exposure { iso, f, shutter, nd, constant } => {
            let filter = if *nd > 0.0 { format!(" × 10^{}", figure(*nd)) } else { String::new() };
            format!(
                "{} lx is 0 stops\n  \
                 E = C N² / (t S) = {} × {}² / ({} s × {}){filter}\n  \
                 E lx · C receptor (250 flat, 330 dome) · N f-number or T-stop · t exposure time · S ISO speed · \
                 ISO 2720",
                show("lux"),
                figure(*constant),
                figure(*f),
                figure(*shutter),
                figure(*iso),
            )
        }
        Sum::Ratio { key, fill } => {
            let formula = "key:fill = K / F · lit:shadow = (K + F) / F · stops = log2 of each · \
                           both metered alone at the face, in lx";
            if get("key_to_fill").is_none() {
                return format!("no fill: no ratio\n  {formula}");
            }
            format!(
                "key:fill {}:1, {} · lit:shadow {}:1, {}\n  {formula}\n  K {} lx, F {} lx",
                show("key_to_fill"),
                get("key_to_fill_stops").map_or_else(|| String::from("no key"), stops),
                show("lit_to_shadow"),
                get("lit_to_shadow_stops").map_or_else(|| String::from("no key"), stops),
                figure(*key),
                figure(*fill),
            )
        }
        Sum::Distance { distance, stops: change } => format!(
            "{} m gives {} {} than {} m\n  \
             d × 2^(-stops / 2) = {} m × 2^({} / 2)\n  \
             for a lamp that is small against its distance; a big front near by changes less (reckon disc)",
            show("distance_m"),
            stops(change.abs()),
            if *change < 0.0 { "less" } else { "more" },
            figure(*distance),
            figure(*distance),
            figure(-change),
        ),
        Sum::Mired { from, to } => {
            let shift = get("shift_mired").unwrap_or(0.0);
            format!(
                "{} K is {} mired, {} K is {} mired: {}{} mired, {}\n  \
                 mired = 1 000 000 / K · equal shifts in mired look alike, equal shifts in kelvin do not",
                figure(*from),
                show("from_mired"),
                figure(*to),
                show("to_mired"),
                if shift > 0.0 { "+" } else { "" },
                figure(shift),
                match shift {
                    s if s < 0.0 => "cooler",
                    s if s > 0.0 => "warmer",
                    _ => "the same",
                },
            )
        }
        Sum::Colour { .. } => {
            let white = match (get("kelvin"), get("duv")) {
                (Some(kelvin), Some(duv)) => {
                    let side = match duv {
                        d if d > 5e-6 => " (green side)",
                        d if d < -5e-6 => " (magenta side)",
                        _ => "",
                    };
                    format!("{kelvin:.0} K, {} mired, Duv {duv:+.5}{side}", show("mired"))
                }
                _ => String::from("no colour temperature: outside 1000 to 20000 K or beyond 0.05 Duv"),
            };
            let at = |field| get(field).unwrap_or(0.0);
            format!(
                "{white}\n  x {:.5}, y {:.5} (CIE 1931) · u {:.5}, v {:.5} (CIE 1960)\n  \
                 nearest Planckian point in u,v; CIE 1931 functions at 1 nm, c2 = 0.014388 m K",
                at("x"),
                at("y"),
                at("u"),
                at("v"),
            )
        }
        Sum::Point { candela, distance, angle } => format!(
            "{} lx\n  E = I cos(angle) / d² = {} cd × cos {}° / ({} m)²\n  \
             for a lamp that is small against its distance; planned, not measured",
            show("total_lux"),
            figure(*candela),
            figure(*angle),
            figure(*distance),
        ),
        Sum::Disc { radius, distance, luminance } => format!(
            "{} lx; the inverse-square law would say {} more\n  \
             E = π L R² / (d² + R²) = π × {} cd/m² × ({} m)² / (({} m)² + ({} m)²)\n  \
             on the axis of an even, matt, round front",
            show("lux"),
            get("point_law_stops").map_or_else(String::new, stops),
            figure(*luminance),
            figure(*radius),
            figure(*distance),
            figure(*radius),
        ),
        Sum::Curve { law, code, bits } => {
            let relative = get("relative").unwrap_or(0.0);
            let full = if *bits == 16 { 65_535 } else { 255 };
            let formula = match law {
                Law::Linear => "q",
                Law::Square => "q²",
                Law::Gamma22 => "q^2.2",
                Law::Lightness => "((100 q + 16) / 116)³ above q = 0.08, else q × 2700 / 24389 (CIE 15)",
            };
            let level = if relative > 0.0 {
                format!("{} of full, {} under full", figure(relative), stops(-relative.log2()))
            } else {
                String::from("dark")
            };
            format!("{level}\n  light = {formula}, q = {code} / {full}")
        }
        Sum::Shutter { waveform, .. } => {
            let swing = match get("ripple_stops") {
                Some(found) => format!("{} between the most and the least", stops(found)),
                None => String::from("some exposures get no light at all"),
            };
            let formula = match waveform {
                Waveform::Sine => "ripple = m |sin(π f t) / (π f t)|",
                Waveform::Pwm => "from the most and least lit time that an exposure can catch",
            };
            format!(
                "ripple {} ({swing})\n  {formula} · ripple = (most - least) / (most + least), over all starts",
                show("ripple")
            )
        }
        Sum::Flicker { .. } => {
            let limit =
                |field| get(field).map_or_else(|| String::from("any"), |p| format!("{} %", figure(p)));
            format!(
                "{}\n  low risk up to {}, no observable effect up to {}\n  \
                 IEEE 1789-2015, 8.1.1, figures from memory: read the standard before relying on them",
                answer["region"].as_str().unwrap_or("unknown"),
                limit("low_risk_percent"),
                limit("no_effect_percent"),
            )
        }
    }
}

/// A number to four significant digits, without idle zeros.
fn figure(value: f64) -> String {
    if value == 0.0 || !(1e-6..1e15).contains(&value.abs()) {
        return if value == 0.0 { String::from("0") } else { format!("{value:.3e}") };
    }
    let decimals = 3 - value.abs().log10().floor() as i32;
    let text = format!("{value:.*}", usize::try_from(decimals).unwrap_or(0));
    if text.contains('.') { String::from(text.trim_end_matches('0').trim_end_matches('.')) } else { text }
}

/// Stops as words.
fn stops(value: f64) -> String {
    let text = figure(value);
    let noun = if text == "1" { "stop" } else { "stops" };
    format!("{text} {noun}")
}
