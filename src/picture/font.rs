//! The letters: an embedded free font, how wide words are, and where lines break.

use std::sync::LazyLock;

use ttf_parser::{Face, GlyphId, OutlineBuilder};

use super::drawing::{Path, Step, Weight};

/// Families that an SVG names, nearest to the embedded one first; a viewer takes what it has.
pub(super) const FAMILIES: &str = "Noto Sans, Helvetica, Arial, sans-serif";

/// The embedded fonts: Noto Sans, regular and bold (SIL Open Font License 1.1).
static REGULAR: LazyLock<Option<Face<'static>>> =
    LazyLock::new(|| Face::parse(notosans::REGULAR_TTF, 0).ok());
static BOLD: LazyLock<Option<Face<'static>>> = LazyLock::new(|| Face::parse(notosans::BOLD_TTF, 0).ok());

fn face(weight: Weight) -> Option<&'static Face<'static>> {
    match weight {
        Weight::Regular => REGULAR.as_ref(),
        Weight::Bold => BOLD.as_ref(),
    }
}

/// The glyph of a character; the font's own "missing" box for one that it does not have.
fn glyph(face: &Face<'_>, c: char) -> GlyphId {
    face.glyph_index(c).unwrap_or(GlyphId(0))
}

/// Width of a line of text in page units; `size`: height of its em.
#[must_use]
pub fn width(said: &str, size: f64, weight: Weight) -> f64 {
    let Some(face) = face(weight) else { return 0.0 };
    let units: u32 =
        said.chars().map(|c| u32::from(face.glyph_hor_advance(glyph(face, c)).unwrap_or(0))).sum();
    size * f64::from(units) / f64::from(face.units_per_em())
}

/// Text broken between words into lines no wider than `most`; a longer word stands alone on its line.
#[must_use]
pub fn lines(said: &str, size: f64, weight: Weight, most: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    // A space that must not break is no place between words.
    for word in said.split([' ', '\n', '\t']).filter(|word| !word.is_empty()) {
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), size, weight) <= most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// The outlines of a line of text that begins at `x`, `y` (its base line), in page units.
#[must_use]
pub(super) fn outlines(said: &str, [x, y]: [f64; 2], size: f64, weight: Weight) -> Path {
    let Some(face) = face(weight) else { return Path::default() };
    let scale = size / f64::from(face.units_per_em());
    let mut pen = Pen { steps: Vec::new(), at: [x, y], scale, last: [0.0; 2] };
    for c in said.chars() {
        let id = glyph(face, c);
        face.outline_glyph(id, &mut pen);
        pen.at[0] += scale * f64::from(face.glyph_hor_advance(id).unwrap_or(0));
    }
    Path(pen.steps)
}

struct Pen {
    steps: Vec<Step>,
    at: [f64; 2],
    scale: f64,
    last: [f64; 2],
}

impl Pen {
    /// From the font's units, y up, to the page's, y down.
    fn page(&self, x: f32, y: f32) -> [f64; 2] {
        [self.at[0] + self.scale * f64::from(x), self.at[1] - self.scale * f64::from(y)]
    }
}

impl OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.last = self.page(x, y);
        self.steps.push(Step::Move(self.last));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.last = self.page(x, y);
        self.steps.push(Step::Line(self.last));
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        // The same curve as a cubic: control points two thirds of the way to the one of the quadratic.
        let (from, by, to) = (self.last, self.page(x1, y1), self.page(x, y));
        let third = |end: [f64; 2]| [0, 1].map(|i| end[i] + (by[i] - end[i]) * 2.0 / 3.0);
        self.steps.push(Step::Curve(third(from), third(to), to));
        self.last = to;
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let to = self.page(x, y);
        self.steps.push(Step::Curve(self.page(x1, y1), self.page(x2, y2), to));
        self.last = to;
    }

    fn close(&mut self) {
        self.steps.push(Step::Close);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_fonts_are_there_with_every_sign_that_pictures_use() {
        for weight in [Weight::Regular, Weight::Bold] {
            let face = face(weight).expect("the embedded font");
            for c in "aZ09 .,:;()/+-−–·°′″×%½…äéñßøŁžΩЖ".chars() {
                assert!(face.glyph_index(c).is_some(), "no {c:?}");
            }
        }
    }

    #[test]
    fn text_breaks_between_words_and_no_line_is_too_wide() {
        let said = "a bar is a lamp's lit front, to scale; the wedge before it is its beam";
        let broken = lines(said, 20.0, Weight::Regular, 200.0);
        assert!(broken.len() > 2 && broken.iter().all(|l| width(l, 20.0, Weight::Regular) <= 200.0));
        assert_eq!(broken.join(" "), said);
        assert_eq!(lines("Donaudampfschifffahrt", 20.0, Weight::Bold, 10.0), ["Donaudampfschifffahrt"]);
    }
}
