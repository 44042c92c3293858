//! The faces of a report's page: each look as each camera sees it, and of protected looks what an edit would bring up.

use std::fmt::Write as _;

use crate::picture::base64;
use crate::picture::face::Seen;
use crate::words::markup;

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
    /// Whose face it is, where the plan has several.
    pub of: Option<String>,
    /// The picture, a PNG file.
    pub png: Vec<u8>,
    /// The same with shadows lifted by 4 stops, of a look that hides who is speaking.
    pub lifted: Option<Vec<u8>>,
    /// What is seen of the face in it.
    pub seen: Option<Seen>,
}

impl Shot {
    /// Whose face by which camera: `camera main`, `guest, camera main`.
    fn label(&self) -> String {
        self.of.as_ref().map_or_else(|| self.by.clone(), |of| format!("{of}, {}", self.by))
    }

    /// ` of guest`, where there are several.
    fn whose(&self) -> String {
        self.of.as_ref().map_or_else(String::new, |of| format!(" of {of}"))
    }
}

/// What of protected faces would be seen, a line each.
pub(super) fn attention(faces: &[LookFaces]) -> Vec<String> {
    let mut lines = Vec::new();
    for look in faces {
        for shot in &look.shots {
            let Some(seen) = shot.seen.filter(Seen::seen_lifted) else { continue };
            let how = if seen.seen() { "as it stands" } else { "with shadows lifted by 4 stops" };
            lines.push(format!(
                "{}: the face{} that it hides would be seen by {} {how} (estimated from the plan)",
                look.look,
                shot.whose(),
                shot.by
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
    let name = markup(&look.look);
    out.push_str("<figure class=\"look\">\n");
    let shown = |s: &Shot| format!("The face{} in {} by {}", s.whose(), look.look, s.by);
    row(out, look.shots.iter().map(|s| (shown(s), s, &s.png)));
    let _ = write!(out, "<figcaption><b class=\"name\">{name}</b>");
    if let Some(about) = &look.about {
        let _ = write!(out, "<br>{}", markup(about));
    }
    for line in &look.figures {
        // A figure stays with its name.
        let parts: Vec<String> = line.split(" · ").map(|part| markup(part).replace(' ', "\u{a0}")).collect();
        let _ = write!(out, "<br><span class=\"figures\">{}</span>", parts.join("\u{a0}· "));
    }
    out.push_str("</figcaption>\n");
    if look.protect {
        let lifted = look.shots.iter().filter_map(|s| {
            Some((format!("{}, shadows lifted by 4 stops", shown(s)), s, s.lifted.as_ref()?))
        });
        out.push_str("<p class=\"lift\"><b>The same with shadows lifted by 4 stops</b></p>\n");
        row(out, lifted);
        for shot in &look.shots {
            let Some(seen) = &shot.seen else { continue };
            let bad = if seen.seen_lifted() { " bad" } else { "" };
            let _ = writeln!(
                out,
                "<p class=\"found{bad}\"><b>{}:</b> {}</p>",
                markup(&shot.label()),
                markup(&seen.said())
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
            markup(&alt),
            base64(png),
            markup(&shot.label())
        );
    }
    out.push_str("</div>\n");
}
