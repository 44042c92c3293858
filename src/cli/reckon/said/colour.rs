//! Shifts, colours, spectra and mixes in words.

use super::super::sums::Sum;
use super::{Found, figure};

pub(super) fn in_words(sum: &Sum, found: &Found) -> String {
    match sum {
        Sum::Mired { from, to } => {
            let shift = found.at("shift_mired");
            format!(
                "{} K is {} mired, {} K is {} mired: {}{} mired, {}\n  \
                 mired = 1 000 000 / K · equal shifts in mired look alike, equal shifts in kelvin do not",
                figure(*from),
                found.show("from_mired"),
                figure(*to),
                found.show("to_mired"),
                if shift > 0.0 { "+" } else { "" },
                figure(shift),
                match shift {
                    s if s < 0.0 => "cooler",
                    s if s > 0.0 => "warmer",
                    _ => "the same",
                },
            )
        }
        Sum::Colour { .. } => format!(
            "{}\n  x {:.5}, y {:.5} (CIE 1931) · u {:.5}, v {:.5} (CIE 1960)\n  \
             nearest Planckian point in u,v; CIE 1931 functions at 1 nm, c2 = 0.014388 m K",
            white(found),
            found.at("x"),
            found.at("y"),
            found.at("u"),
            found.at("v"),
        ),
        Sum::Spectrum { .. } => {
            let index = |field| found.get(field).map_or_else(|| String::from("none"), |n| format!("{n:.1}"));
            format!(
                "{} · x {:.5}, y {:.5}\n  Ra {} · Rf {} · Rg {} · SSI {}\n  \
                 100 is as its reference: Planckian light when warm, daylight when cool, of the same kelvin\n  \
                 Ra CIE 13.3 · Rf, Rg TM-30-18 (Rg above 100: more vivid) · SSI ST 2122, for cameras",
                white(found),
                found.at("x"),
                found.at("y"),
                index("ra"),
                index("rf"),
                index("rg"),
                index("ssi"),
            )
        }
        Sum::Mix { emitters, .. } => mix(emitters.len(), found),
        _ => String::new(),
    }
}

/// Kelvin and tint, or that there are none.
fn white(found: &Found) -> String {
    match (found.get("kelvin"), found.get("duv")) {
        (Some(kelvin), Some(duv)) => {
            let side = match duv {
                d if d > 5e-6 => " (green side)",
                d if d < -5e-6 => " (magenta side)",
                _ => "",
            };
            let mired = found.get("mired").map_or_else(String::new, |m| format!(", {} mired", figure(m)));
            format!("{kelvin:.0} K{mired}, Duv {duv:+.5}{side}")
        }
        _ => String::from("no colour temperature: outside 1000 to 20000 K or beyond 0.05 Duv"),
    }
}

fn mix(count: usize, found: &Found) -> String {
    let drives: Vec<String> = (0..count)
        .map(|at| format!("{}: {:.1} %", at + 1, found.0["drives"][at].as_f64().unwrap_or(0.0) * 100.0))
        .collect();
    let reach = if found.0["in_gamut"] == true {
        String::from("that colour")
    } else {
        format!(
            "x {:.4}, y {:.4}, {:.4} in u'v' from the asked colour, which they cannot mix",
            found.at("x_near"),
            found.at("y_near"),
            found.at("distance_uv76"),
        )
    };
    format!(
        "{} lx at 1 m of {reach}\n  drives {}\n  \
         the most light with every drive from 0 to 1: a linear program, solved exactly; light adds",
        found.show("max_lux_at_1m"),
        drives.join(", "),
    )
}
