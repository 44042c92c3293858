//! A drawing as SVG 1.1: text stays text, so that it can be searched, read aloud and edited.

use std::fmt::Write;

use super::drawing::{Anchor, Drawing, Ink, Item, Path, Step, Stroke, Text, Weight};
use super::font;
use crate::words::markup;

impl Drawing {
    /// The page as an SVG file, self-contained.
    ///
    /// Each text states its length, so that it keeps its place with whatever font a viewer has.
    #[must_use]
    pub fn svg(&self) -> String {
        let (w, h) = (number(self.width), number(self.height));
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" \
             font-family=\"{}\" role=\"img\">\n<title>{}</title>\n<rect width=\"{w}\" height=\"{h}\"{}/>\n",
            font::FAMILIES,
            markup(&self.title),
            fill(Some(self.paper)),
        );
        for item in &self.items {
            match item {
                Item::Shape { path, fill: inside, stroke } => {
                    let _ =
                        writeln!(out, "<path d=\"{}\"{}{}/>", outline(path), fill(*inside), line(*stroke));
                }
                Item::Words(text) => words(&mut out, text),
                Item::Picture { pixels, at, size, said } => {
                    let _ = writeln!(
                        out,
                        "<image x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" \
                         href=\"data:image/png;base64,{}\"><title>{}</title></image>",
                        number(at[0]),
                        number(at[1]),
                        number(size[0]),
                        number(size[1]),
                        base64(&pixels.png()),
                        markup(said)
                    );
                }
            }
        }
        out.push_str("</svg>\n");
        out
    }
}

/// A number to a hundredth of a page unit, no more digits than it needs.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn outline(path: &Path) -> String {
    let mut out = String::new();
    let point = |out: &mut String, letter: char, points: &[[f64; 2]]| {
        out.push(letter);
        let list: Vec<_> = points.iter().map(|p| format!("{} {}", number(p[0]), number(p[1]))).collect();
        out.push_str(&list.join(" "));
    };
    for step in &path.0 {
        match *step {
            Step::Move(p) => point(&mut out, 'M', &[p]),
            Step::Line(p) => point(&mut out, 'L', &[p]),
            Step::Curve(a, b, c) => point(&mut out, 'C', &[a, b, c]),
            Step::Close => out.push('Z'),
        }
    }
    out
}

fn hex(ink: Ink) -> String {
    let [r, g, b] = ink.rgb;
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn fill(ink: Option<Ink>) -> String {
    match ink {
        None => " fill=\"none\"".to_owned(),
        Some(ink) if ink.opacity < 1.0 => {
            format!(" fill=\"{}\" fill-opacity=\"{}\"", hex(ink), number(ink.opacity))
        }
        Some(ink) => format!(" fill=\"{}\"", hex(ink)),
    }
}

fn line(stroke: Option<Stroke>) -> String {
    let Some(stroke) = stroke else { return String::new() };
    let mut out = format!(
        " stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\" stroke-linecap=\"{}\"",
        hex(stroke.ink),
        number(stroke.width),
        if stroke.dash.is_some() { "butt" } else { "round" }
    );
    if stroke.ink.opacity < 1.0 {
        let _ = write!(out, " stroke-opacity=\"{}\"", number(stroke.ink.opacity));
    }
    if let Some((dash, gap)) = stroke.dash {
        let _ = write!(out, " stroke-dasharray=\"{} {}\"", number(dash), number(gap));
    }
    out
}

fn words(out: &mut String, text: &Text) {
    let anchor = match text.anchor {
        Anchor::Start => "",
        Anchor::Middle => " text-anchor=\"middle\"",
        Anchor::End => " text-anchor=\"end\"",
    };
    let weight = if text.weight == Weight::Bold { " font-weight=\"bold\"" } else { "" };
    let mut put = |look: &str| {
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{weight}{anchor} textLength=\"{}\" \
             lengthAdjust=\"spacingAndGlyphs\"{look}>{}</text>",
            number(text.at[0]),
            number(text.at[1]),
            number(text.size),
            number(font::width(&text.said, text.size, text.weight)),
            markup(&text.said)
        );
    };
    if let Some((ink, width)) = text.halo {
        // A text of its own: not every viewer draws a stroke under the letters that it belongs to.
        let rim = line(Some(Stroke::new(ink, 2.0 * width)));
        put(&format!("{}{rim} aria-hidden=\"true\"", fill(None)));
    }
    put(&fill(Some(text.ink)));
}

/// Bytes as text. Source: RFC 4648, section 4.
pub(crate) fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for part in bytes.chunks(3) {
        let word = part.iter().fold(0_u32, |w, b| (w << 8) | u32::from(*b)) << (8 * (3 - part.len()));
        for i in 0..4 {
            let sign = SIGNS[(word >> (18 - 6 * i)) as usize & 63];
            out.push(if i > part.len() { '=' } else { char::from(sign) });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: RFC 4648, section 10.
    #[test]
    fn base64_is_as_its_test_vectors() {
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn numbers_have_no_more_digits_than_they_need() {
        assert_eq!([0.0, -0.001, 1.5, 12.3456, 100.0].map(number), ["0", "0", "1.5", "12.35", "100"]);
    }

    /// Viewers that know no `paint-order` would draw the rim over the letters.
    #[test]
    fn the_rim_of_a_text_is_under_it_in_every_viewer() {
        let ink = Ink::hex(0);
        let mut page = Drawing::new(90.0, 20.0, Ink::hex(0x00ff_ffff), "a test");
        let (at, size, weight, anchor) = ([0.0, 15.0], 15.0, Weight::Regular, Anchor::Start);
        let halo = Some((Ink::hex(0x00ff_ffff), 2.0));
        page.text(Text { at, said: "key".to_owned(), size, weight, anchor, ink, halo });
        let svg = page.svg();
        let texts: Vec<&str> = svg.lines().filter(|l| l.starts_with("<text ")).collect();
        assert!(texts.len() == 2 && !svg.contains("paint-order"), "{svg}");
        assert!(texts[0].contains("stroke=") && texts[0].contains("aria-hidden"), "{svg}");
        assert!(!texts[1].contains("stroke=") && texts[1].ends_with(">key</text>"), "{svg}");
    }
}
