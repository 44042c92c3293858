//! The page: one HTML file with its pictures in it.

use std::fmt::Write as _;

use super::faces::{self, LookFaces};
use super::{LampCourse, Samples};
use crate::engine::say;
use crate::rehearse::{Timeline, clock_time};

/// A picture of the page: an SVG as text, without an XML prolog, and what it shows in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// The picture.
    pub svg: String,
    /// Its caption.
    pub said: String,
}

/// Everything that the page looks like; no font, script or picture comes from elsewhere.
const STYLE: &str = "\
:root{color-scheme:light}\
body{font:16px/1.45 'Noto Sans',Helvetica,Arial,sans-serif;color:#1a1a1a;background:#fff;max-width:1100px;margin:0 auto;\
padding:24px 16px}\
h1{font-size:30px;margin:0}h2{font-size:21px;margin:36px 0 8px;border-bottom:2px solid #1a1a1a}\
.verdict{font-size:22px;font-weight:bold;margin:6px 0}.bad{border-left:8px solid #1a1a1a;padding-left:10px}\
p,li{margin:4px 0}.small{color:#555;font-size:14px}\
table{border-collapse:collapse;width:100%;font-size:14px}th,td{text-align:left;padding:4px 8px;border-bottom:1px solid #ccc;\
vertical-align:top}th{border-bottom:2px solid #1a1a1a}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}\
figure{margin:16px 0;break-inside:avoid}figure svg{width:100%;height:auto;border:1px solid #ddd}\
figcaption{color:#555;font-size:14px}pre{font-size:11px;overflow-x:auto;white-space:pre-wrap}tr{break-inside:avoid}\
.scroll{overflow-x:auto}\
.faces{display:grid;grid-template-columns:repeat(auto-fill,minmax(320px,1fr));gap:22px 18px}\
figure.look{margin:0}.shots{display:flex;gap:3px}.shots span{flex:1 1 0;min-width:0;position:relative}\
.shots img{display:block;width:100%;height:auto}.shots i{position:absolute;left:6px;bottom:4px;font:12px/1.3 sans-serif;\
color:#fff;text-shadow:0 0 3px #000,0 0 3px #000}.name{font-size:18px;color:#1a1a1a}.figures{font-variant-numeric:tabular-nums}\
.lift{margin:8px 0 3px;font-size:14px}.found{font-size:14px;border-left:4px solid #bbb;padding-left:8px;margin:6px 0}\
.found.bad{border-left:6px solid #1a1a1a}\
@media screen and (max-width:700px){body{padding:14px 10px}h1{font-size:25px}.verdict{font-size:19px}.plot{overflow-x:auto}\
.plot svg{min-width:640px}}\
@page{margin:14mm}@media print{body{max-width:none;padding:0;font-size:14px}h2{break-after:avoid}\
.faces{grid-template-columns:1fr 1fr}figure svg{max-height:232mm}}";

/// The whole page. `looks` and `figures` come in their order.
#[must_use]
pub fn page(timeline: &Timeline, samples: &Samples, looks: &[LookFaces], figures: &[Figure]) -> String {
    let mut out = String::from("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n");
    let set = text(&timeline.set);
    let _ = writeln!(out, "<title>{set}: rehearsal</title>\n<style>{STYLE}</style>\n</head>\n<body>");
    let _ = writeln!(out, "<h1>{set}</h1>");
    let bad = if timeline.verdict.works { "" } else { " bad" };
    let _ = writeln!(out, "<p class=\"verdict{bad}\">{}</p>", text(&timeline.verdict.said));
    let _ = writeln!(
        out,
        "<p>{} in {} from {}, room {:.0} °C, lamps {} at the start.</p>",
        say::count(timeline.looks.len(), "look"),
        say::span(timeline.length_s),
        clock_time(timeline.from_s),
        timeline.ambient_c,
        match timeline.lamps {
            crate::rehearse::Lamps::Cold => "cold",
            crate::rehearse::Lamps::Warm => "warm",
        }
    );
    out.push_str(
        "<p class=\"small\">Simulated: nothing was driven. Planned light is not measured light, heat is an estimate, and lit \
         lamps are never left unattended. Local code and licensed practice decide about mains and heat.</p>\n",
    );
    attention(&mut out, timeline, looks);
    faces::part(&mut out, looks);
    steps(&mut out, timeline);
    lamps(&mut out, samples);
    out.push_str("<h2>Pictures</h2>\n");
    for figure in figures {
        let _ = writeln!(
            out,
            "<figure>\n<div class=\"plot\">{}</div>\n<figcaption>{}</figcaption>\n</figure>",
            figure.svg,
            text(&figure.said)
        );
    }
    let _ = writeln!(out, "<h2>Timeline</h2>\n<pre>{}</pre>", text(&timeline.text()));
    out.push_str("</body>\n</html>\n");
    out
}

fn attention(out: &mut String, timeline: &Timeline, looks: &[LookFaces]) {
    let mut lines = timeline.attention();
    lines.extend(faces::attention(looks));
    if lines.is_empty() && timeline.faults.is_empty() {
        return;
    }
    out.push_str("<h2>What needs attention</h2>\n<ul>\n");
    for line in lines {
        let _ = writeln!(out, "<li>{}</li>", text(&line));
    }
    for fault in &timeline.faults {
        let _ = writeln!(out, "<li>{} injected: {}</li>", clock_time(fault.at_s), text(&fault.said));
    }
    out.push_str("</ul>\n");
}

fn steps(out: &mut String, timeline: &Timeline) {
    out.push_str(
        "<h2>The order</h2>\n<div class=\"scroll\"><table>\n<tr><th class=\"n\">at</th><th>look</th><th class=\"n\">on</th>\
         <th>takes</th><th class=\"n\">power</th><th>warmest at its end</th></tr>\n",
    );
    for row in &timeline.looks {
        let takes: Vec<String> = row
            .takes
            .iter()
            .map(|t| format!("{} {}", t.take, if t.steady { "steady" } else { "not steady" }))
            .collect();
        let warmest = row
            .warmest
            .as_ref()
            .map_or(String::new(), |b| format!("{} {:.0} of {:.0} °C", b.fixture, b.celsius, b.limit_c));
        let power = if row.refused.is_some() { "refused".to_owned() } else { format!("{:.0} W", row.watts) };
        let _ = writeln!(
            out,
            "<tr><td class=\"n\">{}</td><td>{}</td><td class=\"n\">{}</td><td>{}</td><td class=\"n\">{power}</td><td>{}</td></tr>",
            clock_time(row.at_s),
            text(&row.look),
            say::span(row.on_s),
            text(&takes.join(", ")),
            text(&warmest)
        );
    }
    out.push_str("</table></div>\n");
}

fn lamps(out: &mut String, samples: &Samples) {
    out.push_str(
        "<h2>Lamps</h2>\n<div class=\"scroll\"><table>\n<tr><th>job</th><th>lamp</th><th class=\"n\">hottest</th>\
         <th class=\"n\">limit</th><th>to spare</th></tr>\n",
    );
    for lamp in &samples.lamps {
        let hottest = lamp.hottest().map_or("unknown".to_owned(), |(c, _)| format!("{c:.0} °C"));
        let limit = lamp.limit_c.map_or(String::new(), |c| format!("{c:.0} °C"));
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td>{}</td><td class=\"n\">{hottest}</td><td class=\"n\">{limit}</td><td>{}</td></tr>",
            text(&lamp.id),
            text(&lamp.lamp),
            spare(lamp)
        );
    }
    out.push_str("</table></div>\n");
}

/// Minutes to spare, in words.
fn spare(lamp: &LampCourse) -> String {
    match (lamp.limit_c, lamp.spare_min) {
        (None, _) => "no figure of heat: `lampkeep check` tells what that means".to_owned(),
        (_, Some(m)) if m <= 0.0 && lamp.at_limit() => "none: held".to_owned(),
        (_, Some(m)) if m <= 0.0 => "held with the others".to_owned(),
        (_, Some(m)) => format!("{} at least", say::span((m * 60.0).floor())),
        (_, None) => "never has to come down".to_owned(),
    }
}

/// Text for HTML.
pub(super) fn text(said: &str) -> String {
    let mut out = String::with_capacity(said.len());
    for c in said.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push('\n'),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_breaks_the_page() {
        assert_eq!(text("<script>\u{1b}&\"\n"), "&lt;script&gt;&amp;&quot;\n");
    }
}
