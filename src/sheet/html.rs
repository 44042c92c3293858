//! The sheet as one HTML file: no script, nothing from elsewhere, black on white, for paper and telephone alike.

use std::fmt::Write as _;

use super::{Camera, DrawnFrom, DrawnSet, Lamp, SetUp, Sheet, Take, words};
use crate::words::markup;

const STYLE: &str = include_str!("style.css");

/// All of a sheet. A take's drawing goes in as it is: it must be SVG of our own making.
#[must_use]
pub fn html(sheet: &Sheet) -> String {
    let set = markup(&sheet.set);
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>Continuity · {set}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n"
    );
    let set_ups = sheet.set_ups();
    let days = days(sheet);
    let _ = writeln!(
        out,
        "<header><h1>Continuity</h1><p><b>{set}</b></p><p>{days}</p>\
         <p class=\"side\">{} · {}</p></header>",
        count(sheet.takes.len(), "take"),
        count(set_ups.len(), "set-up"),
    );
    let hidden = if sheet.hidden {
        " <b>A face is protected: numbers stand for names, notes and free text are left out.</b>"
    } else {
        ""
    };
    let _ = writeln!(
        out,
        "<p class=\"aside\">Times are {}. Light is what was <i>sent</i>: only a reading says what was there. \
         Takes of the very same light share a set-up, below.{hidden}</p>",
        markup(&sheet.zone),
    );
    takes(&mut out, sheet, &set_ups);
    for set_up in &set_ups {
        section(&mut out, sheet, set_up);
    }
    let _ = write!(
        out,
        "<p class=\"foot\">Made {} by lampkeep {}. Places: seen from above, the subject is the centre of a clock and the \
         camera stands at 6:00; camera right = subject’s left. Distance is from the lamp’s lit front straight to its aim, \
         height above the floor to the middle of the front. Before moving a lamp unplug it and let it cool; stands \
         weighted, a safety bond on everything overhead.</p>\n</body>\n</html>\n",
        markup(&sheet.made),
        env!("CARGO_PKG_VERSION"),
    );
    out
}

/// The days on which it was shot, first to last.
fn days(sheet: &Sheet) -> String {
    let day = |t: &Take| t.started.as_ref().and_then(|s| s.split(' ').next()).map(str::to_owned);
    let mut days: Vec<String> = sheet.takes.iter().filter_map(day).collect();
    days.dedup();
    match (days.first(), days.last()) {
        (Some(first), Some(last)) if first == last => markup(first),
        (Some(first), Some(last)) => format!("{} to {}", markup(first), markup(last)),
        _ => "day unknown".to_owned(),
    }
}

/// Every take in the order of the shoot.
fn takes(out: &mut String, sheet: &Sheet, set_ups: &[SetUp<'_>]) {
    out.push_str(
        "<div class=\"wide\"><table class=\"takes\"><thead><tr><th>Take</th><th>Log</th><th>Look</th><th class=\"nowrap\">Set-up</th>\
         <th>Start</th><th class=\"num\">Length</th><th>What was sent</th><th>Mark</th><th>Notes</th></tr></thead>\n<tbody>\n",
    );
    let mut day = None;
    for take in &sheet.takes {
        let letter = set_ups.iter().find(|s| s.takes.iter().any(|t| std::ptr::eq(*t, take)));
        let letter = letter.map_or("", |s| s.letter.as_str());
        let (this_day, time) = match take.started.as_deref().and_then(|s| s.split_once(' ')) {
            Some((day, time)) => (Some(day), time),
            None => (None, "clock unset"),
        };
        let new_day = if this_day.is_some() && this_day != day {
            day = this_day;
            format!("<span class=\"small\">{}</span><br>", markup(this_day.unwrap_or("")))
        } else {
            String::new()
        };
        let bad = if take.mark.as_deref() == Some("bad") { " class=\"bad\"" } else { "" };
        let nudged = if take.nudged { "<br><span class=\"small\">nudged</span>" } else { "" };
        let _ = writeln!(
            out,
            "<tr{bad}><td class=\"take\">{}</td><td class=\"nowrap\">{}</td><td>{}{nudged}</td>\
             <td data-label=\"set-up\"><b>{letter}</b></td><td class=\"nowrap\">{new_day}{}</td>\
             <td class=\"num\" data-label=\"length\">{}</td><td class=\"long\">{}</td><td>{}</td><td class=\"long\">{}</td></tr>",
            markup(&take.name),
            markup(&take.number),
            markup(&take.look),
            markup(time),
            take.lasted_s.map_or_else(String::new, words::lasted),
            verdict(take),
            take.mark.as_ref().map_or_else(String::new, |m| format!("<b class=\"mark\">{}</b>", markup(m))),
            take.notes.iter().map(|n| markup(n)).collect::<Vec<_>>().join("<br>"),
        );
    }
    out.push_str("</tbody></table></div>\n");
}

fn verdict(take: &Take) -> String {
    let word = words::verdict(take);
    match take.why.as_deref() {
        None | Some([]) => word.to_owned(),
        Some(why) => {
            let why: Vec<_> = why.iter().map(|w| markup(w)).collect();
            format!("<span class=\"not\">{word}</span><br><span class=\"small\">{}</span>", why.join("<br>"))
        }
    }
}

/// One set-up: its camera, its drawing, its lamps and what was read in its takes.
fn section(out: &mut String, sheet: &Sheet, set_up: &SetUp<'_>) {
    let first = set_up.takes[0];
    let names: Vec<_> = set_up.takes.iter().map(|t| markup(&t.name)).collect();
    let _ = writeln!(
        out,
        "<section><div class=\"head\"><span class=\"letter\">{}</span><h2>{}</h2><span class=\"takes\">{} {}</span></div>",
        set_up.letter,
        markup(&first.look),
        if names.len() == 1 { "take" } else { "takes" },
        names.join(", "),
    );
    out.push_str("<div class=\"pair\"><div class=\"facts\">\n");
    cameras(out, set_up);
    if !first.also.is_empty() {
        out.push_str("<h3>Boards and daylight</h3>\n");
        for line in &first.also {
            let _ = writeln!(out, "<div>{}</div>", markup(line));
        }
    }
    readings(out, set_up);
    out.push_str("</div>\n");
    if let Some(drawn) = first.drawing.and_then(|index| sheet.drawings.get(index)) {
        drawing(out, drawn);
    }
    out.push_str("</div>\n");
    lamps(out, set_up);
    let _ = writeln!(
        out,
        "<p class=\"small\">0 stops = {:.0} lx · frame {} · plan {}</p></section>",
        first.zero_stops_lux,
        markup(first.frame_hash.get(..16).unwrap_or(&first.frame_hash)),
        markup(&first.plan_hash),
    );
}

/// The set from above, and how to read it.
fn drawing(out: &mut String, drawn: &DrawnSet) {
    let said = match drawn.of {
        DrawnFrom::Plan => {
            "Planned places, to scale, from the plan as it was then. Under each name: distance to its aim and height of its front, where it was lit. \
             Numbers are those of the list, dark where the lamp was lit."
        }
        DrawnFrom::Record => {
            "Planned places, to scale, from the take’s record: the log has no plan that could be read, so walls, flags and \
             beams are missing. A black disc is a lamp that was lit."
        }
    };
    let _ = writeln!(
        out,
        "<figure class=\"drawing\">{}<figcaption class=\"small\">{said}</figcaption></figure>",
        drawn.svg
    );
}

/// The cameras of a set-up, a line each: told once where all its takes agree, else with the takes that have their own.
fn cameras(out: &mut String, set_up: &SetUp<'_>) {
    let mut told: Vec<(&Camera, Vec<&str>)> = Vec::new();
    for take in &set_up.takes {
        for camera in &take.cameras {
            match told.iter_mut().find(|(known, _)| *known == camera) {
                Some((_, takes)) => takes.push(&take.name),
                None => told.push((camera, vec![&take.name])),
            }
        }
    }
    out.push_str("<h3>Cameras</h3>\n<dl>");
    for (camera, takes) in told {
        let some = takes.len() < set_up.takes.len();
        let of = if some { format!(", take {}", markup(&takes.join(", "))) } else { String::new() };
        let typed = if camera.typed { "typed" } else { "as planned" };
        let settings: Vec<_> = camera
            .settings
            .iter()
            .map(|(name, value)| format!("{} <b>{}</b>", markup(name), markup(value)))
            .collect();
        let _ = writeln!(
            out,
            "<dt>{}</dt><dd>{} <span class=\"small\">({typed}{of})</span></dd>",
            markup(&camera.id),
            settings.join(" · ")
        );
    }
    out.push_str("</dl>\n");
}

fn readings(out: &mut String, set_up: &SetUp<'_>) {
    out.push_str("<h3>Readings</h3>\n");
    let mut told: Vec<&super::Reading> = Vec::new();
    for reading in set_up.takes.iter().flat_map(|t| &t.readings) {
        if !told.contains(&reading) {
            told.push(reading);
        }
    }
    if told.is_empty() {
        out.push_str("<div>none: the light was sent, not measured</div>\n");
        return;
    }
    out.push_str("<table><thead><tr><th>Point</th><th>Read</th></tr></thead><tbody>\n");
    for r in told {
        let at = r.at.as_deref().map_or("", |at| at.split(' ').next_back().unwrap_or(at));
        let _ = writeln!(
            out,
            "<tr><td><b>{}</b><br><span class=\"small\">lit: {}</span></td><td>{}<br><span class=\"small\">{}</span></td></tr>",
            markup(&r.point),
            markup(&r.lit),
            markup(&r.read),
            markup(at)
        );
    }
    out.push_str("</tbody></table>\n");
}

fn lamps(out: &mut String, set_up: &SetUp<'_>) {
    let first = set_up.takes[0];
    let (lit, dark): (Vec<_>, Vec<_>) = first.lamps.iter().enumerate().partition(|(_, l)| l.lit());
    out.push_str(
        "<h3>Lamps <span style=\"text-transform:none;font-weight:400\">camera right = subject’s left</span></h3>\n\
         <div class=\"wide\"><table><thead><tr><th>Job · lamp</th><th>Place</th><th>Modifier</th>\
         <th class=\"num\">Level</th><th class=\"num\">White</th><th>Slots</th></tr></thead><tbody>\n",
    );
    for (index, lamp) in lit {
        lamp_row(out, index, lamp);
    }
    out.push_str("</tbody></table></div>\n");
    if !dark.is_empty() {
        let named = |(index, l): &(usize, &Lamp)| {
            let why = l.absent.as_ref().map_or(String::new(), |why| format!(" (absent: {})", markup(why)));
            format!("<span class=\"nowrap\">{} {}</span>{why}", number(*index), markup(&l.id))
        };
        let names: Vec<_> = dark.iter().map(named).collect();
        let _ = writeln!(out, "<p class=\"dark\"><b>Dark:</b> {}</p>", names.join(", "));
    }
}

/// A lamp's number as in the drawing: its place in the plan, from 1.
fn number(index: usize) -> String {
    format!("<span class=\"no\">{}</span>", index + 1)
}

fn lamp_row(out: &mut String, index: usize, lamp: &Lamp) {
    let sticker = lamp.sticker.as_ref().map_or(String::new(), |s| markup(s));
    let body = if lamp.body == lamp.id { String::new() } else { format!(" · {}", markup(&lamp.body)) };
    let loss = if lamp.loss_stops == 0.0 {
        String::new()
    } else {
        format!("{} st", words::signed(-lamp.loss_stops, 2))
    };
    let shift = if lamp.shift_mired == 0.0 {
        String::new()
    } else {
        format!(", {} mired", words::signed(lamp.shift_mired, 0))
    };
    let modifiers = if lamp.modifiers.is_empty() {
        "none".to_owned()
    } else {
        let names: Vec<_> = lamp.modifiers.iter().map(|m| markup(m)).collect();
        format!("{}<br><span class=\"small\">{loss}{shift}</span>", names.join(" + "))
    };
    let (white, tint) = words::colour(lamp);
    let tint = if tint.is_empty() { tint } else { format!("<br><span class=\"small\">{tint} Duv</span>") };
    let tint = if lamp.kelvin.is_some() { tint } else { tint.replace(" Duv", "") };
    let more: Vec<_> = [&lamp.moves, &lamp.trims].into_iter().flatten().map(|t| markup(t)).collect();
    let more = if more.is_empty() { String::new() } else { format!("; {}", more.join("; ")) };
    let _ = writeln!(
        out,
        "<tr><td class=\"nowrap long\">{} <span class=\"job\">{}</span>{body}<br><span class=\"small\">{sticker}</span></td>\
         <td class=\"long\"><b>{}</b> · {} to {}<br><span class=\"small\">height {} · {}</span></td>\
         <td data-label=\"modifier\">{modifiers}</td>\
         <td class=\"num\" data-label=\"level\"><span class=\"level\">{}</span><br><span class=\"small\">{}</span></td>\
         <td class=\"num\" data-label=\"white\">{white}{tint}</td>\
         <td class=\"long\" data-label=\"slots\"><span class=\"slots\">{}</span><br><span class=\"small\">{}, {}{more}</span></td></tr>",
        number(index),
        markup(&lamp.id),
        markup(&lamp.clock),
        words::length(lamp.distance_m),
        markup(&lamp.aim),
        words::length(lamp.height_m),
        words::tilt(lamp.tilt_deg),
        words::level(lamp),
        lux(lamp.lux),
        words::slots(lamp),
        markup(&lamp.profile),
        markup(&lamp.mode),
    );
}

/// Lux with as many digits as a meter shows.
fn lux(lux: f64) -> String {
    if lux < 9.95 { format!("{lux:.1} lx") } else { format!("{lux:.0} lx") }
}

fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{sheet, take};
    use super::*;

    #[test]
    fn the_page_needs_nothing_from_elsewhere_and_what_was_typed_is_text() {
        let mut noted = take(12, "4/3", "quay-dusk");
        noted.notes = vec!["<script>alert(1)</script> & \"so\"".into()];
        let page = html(&sheet(vec![noted]));
        for outside in ["http", "<script", "<link", "@import", "url(", "src="] {
            assert!(!page.contains(outside), "{outside}");
        }
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;so&quot;"));
    }

    /// Source: the requirement's list of what a continuity sheet holds.
    #[test]
    fn a_take_has_its_lamps_camera_readings_verdict_and_mark() {
        let mut unsteady = take(13, "4/4", "quay-dusk");
        unsteady.why = Some(vec!["gap on the wire: front-rail, 2.0 s".into()]);
        unsteady.mark = Some("bad".into());
        let page = html(&sheet(vec![take(12, "4/3", "quay-dusk"), unsteady]));
        for held in [
            "4/3",
            "n12",
            "quay-dusk",
            "7:30",
            "1.50 m (4′ 11″)",
            "1.90 m (6′ 3″)",
            "softbox-90",
            "−1.50 st",
            "0.00 st",
            "250 lx",
            "5600 K",
            "+0.0010 Duv",
            "1/21: 10 20 30 40 50 60",
            "ISO",
            "f/2.8",
            "face-lit",
            "246 lx",
            "sent steady",
            "not steady",
            "gap on the wire: front-rail, 2.0 s",
            ">good<",
            ">bad<",
            "camera right = subject’s left",
            "takes 4/3, 4/4",
            "Dark:</b> <span class=\"nowrap\"><span class=\"no\">2</span> fill",
            "hand on the rail",
            "2:10",
        ] {
            assert!(page.contains(held), "{held}\n{page}");
        }
    }

    #[test]
    fn a_protected_sheet_says_so() {
        let page = html(&Sheet { hidden: true, ..sheet(vec![take(1, "1/1", "look-1")]) });
        assert!(page.contains("numbers stand for names"));
    }
}
