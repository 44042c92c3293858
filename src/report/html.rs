//! The page: one HTML file with its pictures in it.

use std::fmt::Write as _;

use super::faces::{self, LookFaces};
use super::{LampCourse, Samples};
use crate::engine::say;
use crate::picture::set::Said;
use crate::rehearse::{Timeline, clock_time};
use crate::words::markup;

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
vertical-align:top}th{border-bottom:2px solid #1a1a1a}td.n,th.n{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}\
figure{margin:16px 0;break-inside:avoid}figure svg{width:100%;height:auto;border:1px solid #ddd}\
figcaption{color:#555;font-size:14px}pre{font-size:12px;line-height:1.35;overflow-x:auto}tr{break-inside:avoid}\
.words{font-size:14px}.words ol,.words ul{list-style:none;margin:0 0 12px;padding:0}.words li{position:relative;padding-left:34px;\
margin:5px 0;break-inside:avoid}.words ol{counter-reset:lamp}.words ol li::before{counter-increment:lamp;content:counter(lamp);\
position:absolute;left:0;min-width:22px;border-radius:11px;background:#1a1a1a;color:#fff;text-align:center;font-weight:bold;\
font-size:12px;line-height:22px}.how{color:#555}\
.scroll{overflow-x:auto}\
.faces{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(320px,100%),1fr));gap:22px 18px}\
figure.look{margin:0}.shots{display:grid;grid-template-columns:repeat(auto-fit,minmax(140px,1fr));gap:3px}.shots span{position:relative}\
.shots img{display:block;width:100%;height:auto}.shots i{position:absolute;left:6px;bottom:4px;font:12px/1.3 sans-serif;\
color:#fff;text-shadow:0 0 3px #000,0 0 3px #000}.name{font-size:18px;color:#1a1a1a}.figures{font-variant-numeric:tabular-nums}\
.lift{margin:8px 0 3px;font-size:14px}.found{font-size:14px;border-left:4px solid #bbb;padding-left:8px;margin:6px 0}\
.found.bad{border-left:6px solid #1a1a1a}\
@media screen and (max-width:700px){body{padding:14px 10px}h1{font-size:25px}.verdict{font-size:19px}.plot{overflow-x:auto}\
.plot.time svg{min-width:560px}}\
@page{margin:14mm}@media print{body{max-width:none;padding:0;font-size:14px}h2{break-after:avoid}\
.faces{grid-template-columns:1fr 1fr}figure svg{max-height:232mm}pre{font-size:8.5px;white-space:pre-wrap}\
.words ol li::before{background:#fff;color:#1a1a1a;border:1px solid #1a1a1a;line-height:20px}}";

/// The whole page. `looks` and `figures` come in their order, `words` after the first figure, which is the set.
#[must_use]
pub fn page(
    timeline: &Timeline,
    samples: &Samples,
    looks: &[LookFaces],
    (figures, words): (&[Figure], &Said),
) -> String {
    let mut out = String::from("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n");
    let set = markup(&timeline.set);
    let _ = writeln!(out, "<title>{set}: rehearsal</title>\n<style>{STYLE}</style>\n</head>\n<body>");
    let _ = writeln!(out, "<h1>{set}</h1>");
    let bad = if timeline.verdict.works { "" } else { " bad" };
    let _ = writeln!(out, "<p class=\"verdict{bad}\">{}</p>", markup(&timeline.verdict.said));
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
    for (index, figure) in figures.iter().enumerate() {
        let _ = writeln!(
            out,
            "<figure>\n<div class=\"plot{}\">{}</div>\n<figcaption>{}</figcaption>\n</figure>",
            // Courses over time are scrolled on a telephone, the set is seen whole.
            if index == 0 { "" } else { " time" },
            figure.svg,
            markup(&figure.said)
        );
        if index == 0 {
            // As text, not as a picture: it breaks its lines as a telephone needs them.
            let _ = writeln!(out, "<div class=\"words\">\n{}</div>", words.html());
        }
    }
    let _ = writeln!(out, "<h2>Timeline</h2>\n<pre>{}</pre>", markup(&timeline.text()));
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
        let _ = writeln!(out, "<li>{}</li>", markup(&line));
    }
    for fault in &timeline.faults {
        let _ = writeln!(out, "<li>{} injected: {}</li>", clock_time(fault.at_s), markup(&fault.said));
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
            markup(&row.look),
            say::span(row.on_s),
            markup(&takes.join(", ")),
            markup(&warmest)
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
            markup(&lamp.id),
            markup(&lamp.lamp),
            spare(lamp)
        );
    }
    out.push_str("</table></div>\n");
    if samples.lamps.iter().any(|l| l.limit_c.is_none()) {
        out.push_str(
            "<p class=\"small\">No figure of heat: <code>lampkeep check</code> tells what that means.</p>\n",
        );
    }
}

/// Minutes to spare, in words.
fn spare(lamp: &LampCourse) -> String {
    match (lamp.limit_c, lamp.spare_min) {
        (None, _) => "no figure of heat".to_owned(),
        (_, Some(m)) if m <= 0.0 && lamp.at_limit() => "none: held".to_owned(),
        (_, Some(m)) if m <= 0.0 => "held with the others".to_owned(),
        (_, Some(m)) => format!("{} at least", say::span((m * 60.0).floor())),
        (_, None) => "never has to come down".to_owned(),
    }
}
