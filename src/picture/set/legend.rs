//! The legend: the set in words on a page, each lamp beside its number.

use super::inks;
use super::said::{Said, bound};
use super::shapes::{self, BADGE};
use crate::picture::drawing::{Anchor, Drawing, Ink, Path, Stroke, Text, Weight};
use crate::picture::font;

/// Size of the text and height of a line.
const SIZE: f64 = 16.5;
const LINE: f64 = 22.0;
/// Where text begins beside a number.
const INDENT: f64 = 40.0;

/// Everything in words, `wide` page units wide.
pub fn legend(words: &Said, wide: f64) -> Drawing {
    let mut page = Drawing::new(wide, 0.0, inks::PAPER, "The set in words");
    let mut y = 0.0;
    for lamp in &words.lamps {
        let (fill, ink) = if lamp.lit { (inks::DARK, inks::WHITE) } else { (inks::WHITE, inks::SOFT) };
        let at = [BADGE + 2.0, y + 0.5 * LINE];
        page.shape(Path::circle(at, BADGE - 1.0), Some(fill), Some(Stroke::new(inks::SOFT, 1.4)));
        shapes::number(&mut page, at, lamp.number, ink);
        let ink = if lamp.lit { inks::DARK } else { inks::SOFT };
        y = named(&mut page, y, &lamp.name, &lamp.said, ink) + 5.0;
    }
    y += 8.0;
    for (name, said) in &words.others {
        y = named(&mut page, y, name, said, inks::DARK) + 3.0;
    }
    y += 14.0;
    for line in &words.how {
        for line in font::lines(line, SIZE - 1.5, Weight::Regular, wide) {
            write(&mut page, [0.0, y], &line, SIZE - 1.5, Weight::Regular, inks::SOFT);
            y += LINE - 2.0;
        }
        y += 3.0;
    }
    page.height = y;
    page
}

/// A name in bold and what there is to say of it, the lines after the first level with the name.
fn named(page: &mut Drawing, y: f64, name: &str, said: &str, ink: Ink) -> f64 {
    let wide = page.width - INDENT;
    write(page, [INDENT, y], name, SIZE, Weight::Bold, ink);
    let begin = font::width(name, SIZE, Weight::Bold) + 10.0;
    // The first line is shorter by the name.
    let said = bound(said);
    let mut words = said.split(' ').filter(|w| !w.is_empty()).peekable();
    let (mut line, mut x, mut y) = (String::new(), begin, y);
    while let Some(word) = words.next() {
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
        let full = words
            .peek()
            .is_none_or(|next| x + font::width(&format!("{line} {next}"), SIZE, Weight::Regular) > wide);
        if full {
            write(page, [INDENT + x, y], &line, SIZE, Weight::Regular, ink);
            line.clear();
            (x, y) = (0.0, y + LINE);
        }
    }
    if said.trim().is_empty() { y + LINE } else { y }
}

fn write(page: &mut Drawing, [x, y]: [f64; 2], said: &str, size: f64, weight: Weight, ink: Ink) {
    let at = [x, y + 0.5 * LINE + 0.36 * size];
    page.text(Text { at, said: said.to_owned(), size, weight, anchor: Anchor::Start, ink, halo: None });
}
