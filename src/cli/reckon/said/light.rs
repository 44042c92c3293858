//! Exposure, ratios, distance, points, fronts, measured lamps and dimming laws in words.

use super::super::quantity;
use super::super::sums::{Law, Sum};
use super::{Found, figure, stops};

pub(super) fn in_words(sum: &Sum, found: &Found) -> String {
    match sum {
        Sum::Exposure { iso, f, shutter, fps, nd, constant } => {
            let filter = if *nd > 0.0 { format!(" × 10^{}", figure(*nd)) } else { String::new() };
            format!(
                "{} lx ({} fc) is 0 stops\n  \
                 E = C N² / (t S) = {} × {}² / ({} s × {}){filter}\n  \
                 E lx · C receptor (250 flat, 330 dome) · N f-number or T-stop · t exposure time · S ISO speed · \
                 ISO 2720",
                found.show("lux"),
                figure(quantity::footcandles(found.at("lux"))),
                figure(*constant),
                figure(*f),
                figure(shutter.seconds(*fps).unwrap_or(0.0)),
                figure(*iso),
            )
        }
        Sum::Ratio { key, fill } => ratio(*key, *fill, found),
        Sum::Distance { distance, stops: change, radius } => way(*distance, *change, *radius, found),
        Sum::Point { candela, distance, angle } => format!(
            "{} lx\n  E = I cos(angle) / d² = {} cd × cos {}° / ({} m)²\n  \
             for a lamp that is small against its distance; planned, not measured",
            found.show("total_lux"),
            figure(*candela),
            figure(*angle),
            figure(*distance),
        ),
        Sum::Disc { radius, distance, luminance } => format!(
            "{} lx; the inverse-square law would say {} more\n  \
             E = π L R² / (d² + R²) = π × {} cd/m² × ({} m)² / (({} m)² + ({} m)²)\n  \
             on the axis of an even, matt, round front",
            found.show("lux"),
            stops(found.at("point_law_stops")),
            figure(*luminance),
            figure(*radius),
            figure(*distance),
            figure(*radius),
        ),
        Sum::Candela { vertical, horizontal, .. } => format!(
            "{} cd at {}° off the axis, {}° round; as many lux at 1 m\n  \
             bilinear in degrees between the angles of the file, none beyond them · IES LM-63, type C · \
             the maker's measurement, not this lamp's",
            found.show("candela"),
            figure(*vertical),
            figure(*horizontal),
        ),
        Sum::Curve { law, code, bits } => {
            let relative = found.at("relative");
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
        _ => String::new(),
    }
}

fn ratio(key: f64, fill: f64, found: &Found) -> String {
    let formula = "key:fill = K / F · lit:shadow = (K + F) / F · stops = log2 of each · \
                   both metered alone at the face, in lx";
    if found.get("key_to_fill").is_none() {
        return format!("no fill: no ratio\n  {formula}");
    }
    let in_stops = |field| found.get(field).map_or_else(|| String::from("no key"), stops);
    format!(
        "key:fill {}:1, {} · lit:shadow {}:1, {}\n  {formula}\n  K {} lx, F {} lx",
        found.show("key_to_fill"),
        in_stops("key_to_fill_stops"),
        found.show("lit_to_shadow"),
        in_stops("lit_to_shadow_stops"),
        figure(key),
        figure(fill),
    )
}

fn way(distance: f64, change: f64, radius: f64, found: &Found) -> String {
    let more = if change < 0.0 { "less" } else { "more" };
    let result = match found.get("distance_m") {
        Some(there) => {
            format!("{} m gives {} {more} than {} m", figure(there), stops(change.abs()), figure(distance))
        }
        None => {
            format!("no distance gives {} {more}: the front itself is not that bright", stops(change.abs()))
        }
    };
    let formula = if radius > 0.0 {
        format!(
            "√((d² + R²) × 2^(-stops) - R²) = √((({d} m)² + ({r} m)²) × 2^({}) - ({r} m)²)\n  \
             on the axis of an even, matt, round front of radius R",
            figure(-change),
            d = figure(distance),
            r = figure(radius),
        )
    } else {
        format!(
            "d × 2^(-stops / 2) = {} m × 2^({} / 2)\n  \
             for a lamp that is small against its distance; give a big front its --radius",
            figure(distance),
            figure(-change),
        )
    };
    format!("{result}\n  {formula}")
}
