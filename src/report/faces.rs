//! The faces of a report's page: each look as each camera sees it, and of protected looks what an edit would bring up.

use std::fmt::Write as _;

use super::html::text;
use crate::picture::base64;
use crate::picture::face::Seen;

/// A look's faces.
#[derive(Debug, Clone, PartialEq)]
pub struct LookFaces {
    /// Its name.
    pub look: String,
    /// What the plan says of it.
    pub about: Option<String>,
    /// True if it hides who is speaking.
    pub protect: bool,
    /// Ratios and meter values in words, a line each.
    pub figures: Vec<String>,
    /// A picture by each camera.
    pub shots: Vec<Shot>,
}

/// A face by one camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// The camera in words.
    pub by: String,
    /// The picture, a PNG file.
    pub png: Vec<u8>,
    /// The same with shadows lifted by 4 stops, of a look that hides who is speaking.
    pub lifted: Option<Vec<u8>>,
    /// What is seen of the face in it.
    pub seen: Option<Seen>,
}

/// What of protected faces would be seen, a line each.
pub(super) fn attention(faces: &[LookFaces]) -> Vec<String> {
    let mut lines = Vec::new();
    for look in faces {
        for shot in &look.shots {
            let Some(seen) = shot.seen.filter(Seen::seen_lifted) else { continue };
            let how = if seen.seen() { "as it stands" } else { "with shadows lifted by 4 stops" };
            lines.push(format!(
                "{}: the face that it hides would be seen by {} {how} (estimated from the plan)",
                look.look, shot.by
            ));
        }
    }
    lines
}

/// The part of the page; nothing without faces.
pub(super) fn part(out: &mut String, faces: &[LookFaces]) {
    if faces.is_empty() {
        return;
    }
    out.push_str(
        "<h2>Each look’s face</h2>\n<p class=\"small\">Drawn from the plan as each camera would see it, with its exposure, filters and \
         white balance; the head is nobody’s. Stops are what a meter reads with all lamps lit. Planned, not measured.</p>\n\
         <div class=\"faces\">\n",
    );
    for look in faces {
        one(out, look);
    }
    out.push_str("</div>\n");
}

fn one(out: &mut String, look: &LookFaces) {
    let name = text(&look.look);
    out.push_str("<figure class=\"look\">\n");
    row(out, look.shots.iter().map(|s| (format!("The face in {} by {}", look.look, s.by), s, &s.png)));
    let _ = write!(out, "<figcaption><b class=\"name\">{name}</b>");
    if let Some(about) = &look.about {
        let _ = write!(out, "<br>{}", text(about));
    }
    for line in &look.figures {
        // A figure stays with its name.
        let parts: Vec<String> = line.split(" · ").map(|part| text(part).replace(' ', "\u{a0}")).collect();
        let _ = write!(out, "<br><span class=\"figures\">{}</span>", parts.join(" · "));
    }
    out.push_str("</figcaption>\n");
    if look.protect {
        let lifted = look.shots.iter().filter_map(|s| {
            Some((format!("{} by {}, shadows lifted by 4 stops", look.look, s.by), s, s.lifted.as_ref()?))
        });
        out.push_str("<p class=\"lift\"><b>The same with shadows lifted by 4 stops</b></p>\n");
        row(out, lifted);
        for shot in &look.shots {
            let Some(seen) = &shot.seen else { continue };
            let bad = if seen.seen_lifted() { " bad" } else { "" };
            let _ = writeln!(
                out,
                "<p class=\"found{bad}\"><b>{}:</b> {}</p>",
                text(&shot.by),
                text(&seen.said())
            );
        }
    }
    out.push_str("</figure>\n");
}

/// Pictures side by side, each with its camera on it where there are several.
fn row<'s>(out: &mut String, shots: impl Iterator<Item = (String, &'s Shot, &'s Vec<u8>)>) {
    out.push_str("<div class=\"shots\">");
    for (alt, shot, png) in shots {
        let _ = write!(
            out,
            "<span><img alt=\"{}\" src=\"data:image/png;base64,{}\"><i>{}</i></span>",
            text(&alt),
            base64(png),
            text(&shot.by)
        );
    }
    out.push_str("</div>\n");
}
