//! The sheet as comma-separated values, a line for each lamp of each take: for spreadsheets. RFC 4180.

use super::{Lamp, Sheet, Take, words};

const HEAD: [&str; 44] = [
    "set",
    "number",
    "take",
    "look",
    "nudged",
    "started",
    "zone",
    "lasted_s",
    "verdict",
    "why",
    "mark",
    "notes",
    "camera",
    "lamp",
    "body",
    "sticker",
    "profile",
    "mode",
    "clock",
    "distance_m",
    "distance_ft",
    "height_m",
    "height_ft",
    "tilt_deg",
    "aim",
    "modifiers",
    "loss_stops",
    "shift_mired",
    "circuit",
    "lux",
    "stops",
    "kelvin",
    "duv",
    "x",
    "y",
    "universe",
    "first_slot",
    "slots",
    "moves",
    "trims",
    "readings",
    "absent",
    "plan",
    "frame",
];

/// All takes of a sheet. Lines end as RFC 4180 asks, in CR LF.
#[must_use]
pub fn csv(sheet: &Sheet) -> String {
    let mut text = HEAD.join(",") + "\r\n";
    for take in &sheet.takes {
        for lamp in &take.lamps {
            text.push_str(&row(sheet, take, lamp).map(|cell| cell.text()).join(","));
            text.push_str("\r\n");
        }
    }
    text
}

/// A cell: what people wrote must not be taken for a formula, and numbers must stay numbers.
enum Cell {
    Number(String),
    Text(String),
}

impl Cell {
    fn text(&self) -> String {
        match self {
            Self::Number(text) => text.clone(),
            Self::Text(text) => {
                // A spreadsheet works out what begins so.
                let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
                let text = format!("{}{text}", if formula { "'" } else { "" });
                if text.contains(['"', ',', '\n', '\r']) {
                    format!("\"{}\"", text.replace('"', "\"\""))
                } else {
                    text
                }
            }
        }
    }
}

/// Rounded, and what comes to nothing without a sign.
fn plain(n: f64, digits: usize) -> String {
    let text = format!("{n:.digits$}");
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) { text.replace('-', "") } else { text }
}

fn row(sheet: &Sheet, take: &Take, lamp: &Lamp) -> [Cell; HEAD.len()] {
    let text = |t: &str| Cell::Text(t.to_owned());
    let perhaps = |t: &Option<String>| Cell::Text(t.clone().unwrap_or_default());
    let number = |n: f64, digits: usize| Cell::Number(plain(n, digits));
    let maybe =
        |n: Option<f64>, digits: usize| Cell::Number(n.map_or_else(String::new, |n| plain(n, digits)));
    let whole = |n: Option<u16>| Cell::Number(n.map_or_else(String::new, |n| n.to_string()));
    let cameras = take.cameras.iter().map(|c| {
        let settings: Vec<_> = c.settings.iter().map(|(name, value)| format!("{name} {value}")).collect();
        format!("{}: {}", c.id, settings.join(", "))
    });
    let readings = take.readings.iter().map(|r| format!("{} ({}): {}", r.point, r.lit, r.read));
    let slots: Vec<_> = lamp.slots.iter().map(u8::to_string).collect();
    [
        text(&sheet.set),
        text(&take.number),
        text(&take.name),
        text(&take.look),
        text(if take.nudged { "yes" } else { "no" }),
        perhaps(&take.started),
        text(&sheet.zone),
        maybe(take.lasted_s, 1),
        text(words::verdict(take)),
        Cell::Text(take.why.iter().flatten().cloned().collect::<Vec<_>>().join("; ")),
        perhaps(&take.mark),
        Cell::Text(take.notes.join("; ")),
        Cell::Text(cameras.collect::<Vec<_>>().join("; ")),
        text(&lamp.id),
        text(&lamp.body),
        perhaps(&lamp.sticker),
        text(&lamp.profile),
        text(&lamp.mode),
        text(&lamp.clock),
        number(lamp.distance_m, 3),
        number(lamp.distance_m / 0.3048, 2),
        number(lamp.height_m, 3),
        number(lamp.height_m / 0.3048, 2),
        number(lamp.tilt_deg, 1),
        text(&lamp.aim),
        Cell::Text(lamp.modifiers.join(" + ")),
        number(lamp.loss_stops, 2),
        number(lamp.shift_mired, 0),
        perhaps(&lamp.circuit),
        number(lamp.lux, 2),
        maybe(lamp.stops, 3),
        maybe(lamp.kelvin, 0),
        maybe(lamp.duv, 4),
        maybe(lamp.xy.map(|(x, _)| x), 4),
        maybe(lamp.xy.map(|(_, y)| y), 4),
        whole(lamp.address.map(|(universe, _)| universe)),
        whole(lamp.address.map(|(_, first)| first)),
        Cell::Text(slots.join(" ")),
        perhaps(&lamp.moves),
        perhaps(&lamp.trims),
        Cell::Text(readings.collect::<Vec<_>>().join("; ")),
        perhaps(&lamp.absent),
        text(&take.plan_hash),
        text(&take.frame_hash),
    ]
}

#[cfg(test)]
mod tests {
    use super::super::tests::{sheet, take};
    use super::*;

    /// Source: RFC 4180, section 2, rules 1, 5, 6 and 7: CR LF, quotes around what holds quotes, commas or line
    /// breaks, quotes doubled.
    #[test]
    fn lines_and_quotes_are_as_the_rfc_says_and_no_note_is_a_formula() {
        let mut noted = take(12, "4/3", "quay-dusk");
        noted.notes = vec!["=1+1".into(), "said \"ahoy\", twice".into()];
        let text = csv(&sheet(vec![noted]));
        let lines: Vec<_> = text.split("\r\n").collect();
        assert_eq!(lines.len(), 1 + 2 + 1, "head, two lamps, and the end of the last line");
        assert!(lines[1].contains("\"'=1+1; said \"\"ahoy\"\", twice\""), "{}", lines[1]);
        assert!(
            lines[1].starts_with("pilot-station,n12,4/3,quay-dusk,no,2026-05-04 10:00:00,UTC+02:00,130.0,")
        );
        assert!(lines[1].contains(",10 20 30 40 50 60,"), "{}", lines[1]);
    }

    /// A saturated colour has no kelvin: without its chromaticity nobody could set it again.
    #[test]
    fn a_colour_that_is_no_white_has_its_chromaticity() {
        let mut blue = take(1, "1/1", "tide-table");
        (blue.lamps[0].kelvin, blue.lamps[0].duv, blue.lamps[0].xy) = (None, None, Some((0.2, 0.18)));
        let text = csv(&sheet(vec![blue]));
        assert!(text.starts_with("set,") && text.contains(",stops,kelvin,duv,x,y,"), "{text}");
        assert!(text.contains(",0.000,,,0.2000,0.1800,"), "{text}");
    }

    #[test]
    fn a_level_under_zero_stays_a_number() {
        let mut low = take(1, "1/1", "quay-dusk");
        (low.lamps[0].stops, low.lamps[0].duv) = (Some(-2.0), Some(-0.000_01));
        let text = csv(&sheet(vec![low]));
        assert!(text.contains(",-2.000,") && text.contains(",0.0000,"), "{text}");
    }
}
