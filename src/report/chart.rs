//! Strips over time, one above the other on one axis of time: readable in grey, since what is to be told apart differs by
//! form (whole, dashed, filled) before it differs by colour.

use crate::picture::{Anchor, Drawing, Ink, Path, Step, Stroke, Text, Weight, lines, width};
use crate::rehearse::clock_time;

/// Colours that people with any common colour blindness tell apart. Source: Okabe and Ito, "Color Universal Design",
/// 2008: blue, vermillion.
pub(super) const LINE: Ink = Ink::hex(0x00_72b2);
/// A limit.
pub(super) const LIMIT: Ink = Ink::hex(0xd5_5e00);
const PAPER: Ink = Ink::hex(0xff_ffff);
const INK: Ink = Ink::hex(0x1a_1a1a);
const FAINT: Ink = Ink::hex(0x6b_6b6b);
const GRID: Ink = Ink::hex(0xd0_d0d0);
const BAND: Ink = Ink::hex(0xf1_f1f1);

const WIDE: f64 = 680.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 20.0;
/// Height of a strip's plot, of the line over it, and what is between two strips.
const STRIP: f64 = 46.0;
const OVER: f64 = 24.0;
const GAP: f64 = 14.0;
const FOOT: f64 = 48.0;
/// Sizes of letters: the title, a strip's name, what is said, ticks and looks.
const TITLE: f64 = 22.0;
const NAME: f64 = 15.0;
const SAID: f64 = 13.0;
const SMALL: f64 = 12.0;
/// Rows for the looks' names: where a name is wider than its look it may go over its neighbours'.
const NAME_ROWS: usize = 3;
const NAME_ROW: f64 = 16.0;
/// Points nearer than this on the page are one, in page units.
const SAME: f64 = 0.6;

/// A course in a strip.
pub(super) struct Course<'a> {
    /// Its values, one for each instant; `None` leaves a gap.
    pub values: Box<dyn Fn(usize) -> Option<f64> + 'a>,
    /// How it is drawn.
    pub stroke: Stroke,
    /// True to fill what is under it.
    pub filled: bool,
}

/// A strip.
pub(super) struct Strip<'a> {
    /// Its name, over it at the left.
    pub name: String,
    /// Beside that, small.
    pub about: String,
    /// What it comes to, at the right.
    pub notes: Vec<String>,
    /// Lowest and highest value.
    pub range: (f64, f64),
    /// Values that have a line, with their words.
    pub ticks: Vec<(f64, String)>,
    /// A limit.
    pub limit: Option<f64>,
    /// What is drawn, first ones below.
    pub courses: Vec<Course<'a>>,
}

/// A page of strips.
pub(super) struct Chart<'a> {
    /// What it is.
    pub title: &'a str,
    /// What its marks mean and its units are, one line each.
    pub about: &'a [&'a str],
    /// Instants in seconds.
    pub at_s: &'a [f64],
    /// When each look begins, and its name.
    pub looks: &'a [(f64, String)],
    /// The strips, top down.
    pub strips: Vec<Strip<'a>>,
}

impl Chart<'_> {
    /// The page.
    pub fn drawing(&self) -> Drawing {
        let said: Vec<String> = self
            .about
            .iter()
            .flat_map(|about| lines(about, SAID, Weight::Regular, WIDE - 2.0 * RIGHT))
            .collect();
        if self.strips.is_empty() {
            return self.nothing(&said);
        }
        let names = self.names();
        let rows = names.iter().map(|n| n.row + 1).max().unwrap_or(0);
        let head = 46.0 + 18.0 * said.len() as f64 + 8.0 + NAME_ROW * rows as f64 + 6.0;
        let high = head + self.strips.len() as f64 * (OVER + STRIP + GAP) - GAP + FOOT;
        let mut page = Drawing::new(WIDE, high, PAPER, self.title);
        let bottom = high - FOOT + 6.0;
        self.bands(&mut page, (head, bottom), &names);
        self.head(&mut page, &said);
        for (index, strip) in self.strips.iter().enumerate() {
            self.strip(&mut page, strip, head + index as f64 * (OVER + STRIP + GAP));
        }
        self.hours(&mut page, bottom);
        page
    }

    /// A page without a strip: an axis without anything on it would look like a fault.
    fn nothing(&self, said: &[String]) -> Drawing {
        let y = 60.0 + 18.0 * said.len() as f64;
        let mut page = Drawing::new(WIDE, y + 24.0, PAPER, self.title);
        self.head(&mut page, said);
        words(&mut page, [RIGHT, y], "none in this plan", NAME, Weight::Bold, Anchor::Start, INK);
        page
    }

    /// The title, and under it what the marks mean.
    fn head(&self, page: &mut Drawing, said: &[String]) {
        words(page, [RIGHT, 32.0], self.title, TITLE, Weight::Bold, Anchor::Start, INK);
        for (line, said) in said.iter().enumerate() {
            let at = [RIGHT, 54.0 + 18.0 * line as f64];
            words(page, at, said, SAID, Weight::Regular, Anchor::Start, FAINT);
        }
    }

    fn span(&self) -> (f64, f64) {
        let first = self.at_s.first().copied().unwrap_or(0.0);
        (first, self.at_s.last().copied().unwrap_or(0.0).max(first + 1.0))
    }

    fn x(&self, at_s: f64) -> f64 {
        let (first, last) = self.span();
        LEFT + (at_s - first) / (last - first) * (WIDE - LEFT - RIGHT)
    }

    /// Where the looks' names go: each in the lowest row that has room, about the middle of its look. One for which none has is not
    /// written: the page's table has all.
    fn names(&self) -> Vec<Named<'_>> {
        let (first, last) = self.span();
        let mut ends = [f64::NEG_INFINITY; NAME_ROWS];
        let mut found = Vec::new();
        for (index, (at_s, name)) in self.looks.iter().enumerate() {
            let end = self.looks.get(index + 1).map_or(last, |l| l.0);
            let (from, to) = (self.x(at_s.max(first)), self.x(end.min(last)));
            let half = 0.5 * width(name, SMALL, Weight::Regular);
            let x = (0.5 * (from + to)).clamp(RIGHT + half, (WIDE - RIGHT - half).max(RIGHT + half));
            let Some(row) = (0..NAME_ROWS).find(|row| x - half > ends[*row] + 8.0) else { continue };
            ends[row] = x + half;
            found.push(Named { said: name, x, middle: 0.5 * (from + to), row });
        }
        found
    }

    /// Every other look shaded, its name on top where there is room.
    fn bands(&self, page: &mut Drawing, (top, bottom): (f64, f64), names: &[Named<'_>]) {
        let (first, last) = self.span();
        for (index, (at_s, _)) in self.looks.iter().enumerate() {
            let end = self.looks.get(index + 1).map_or(last, |l| l.0);
            let (from, to) = (self.x(at_s.max(first)), self.x(end.min(last)));
            if index % 2 == 1 {
                page.shape(Path::rect([from, top], [to - from, bottom - top]), Some(BAND), None);
            }
        }
        for name in names {
            let y = top - 6.0 - NAME_ROW * name.row as f64;
            if name.row > 0 {
                page.line([name.middle, top], [name.middle, y + 3.0], Stroke::new(GRID, 1.0));
            }
            words(page, [name.x, y], name.said, SMALL, Weight::Regular, Anchor::Middle, INK);
        }
    }

    /// One strip, the line over it first, from `top` down.
    fn strip(&self, page: &mut Drawing, strip: &Strip<'_>, top: f64) {
        let (low, high) = strip.range;
        let begin = top + OVER;
        let y = |value: f64| begin + STRIP - (value.clamp(low, high) - low) / (high - low).max(1e-9) * STRIP;
        for (value, label) in &strip.ticks {
            let at = y(*value);
            page.line([LEFT, at], [WIDE - RIGHT, at], Stroke::new(GRID, 0.8));
            words(page, [LEFT - 6.0, at + 4.0], label, SMALL, Weight::Regular, Anchor::End, FAINT);
        }
        for course in &strip.courses {
            self.course(page, course, &y, begin + STRIP);
        }
        if let Some(limit) = strip.limit {
            page.line([LEFT, y(limit)], [WIDE - RIGHT, y(limit)], Stroke::new(LIMIT, 1.8).dashed(7.0, 4.0));
        }
        let base = top + 16.0;
        words(page, [RIGHT, base], &strip.name, NAME, Weight::Bold, Anchor::Start, INK);
        let beside = RIGHT + width(&strip.name, NAME, Weight::Bold) + 10.0;
        words(page, [beside, base], &strip.about, SMALL, Weight::Regular, Anchor::Start, FAINT);
        let notes = strip.notes.join(" · ");
        words(page, [WIDE - RIGHT, base], &notes, SAID, Weight::Regular, Anchor::End, INK);
    }

    /// Each unbroken part of a course as a line, without points that nobody could see.
    fn course(&self, page: &mut Drawing, course: &Course<'_>, y: &dyn Fn(f64) -> f64, base: f64) {
        let mut part: Vec<[f64; 2]> = Vec::new();
        let mut held: Option<[f64; 2]> = None;
        for index in 0..=self.at_s.len() {
            let value = if index < self.at_s.len() { (course.values)(index) } else { None };
            let Some(value) = value else {
                part.extend(held.take());
                draw_part(page, course, &part, base);
                part.clear();
                continue;
            };
            let point = [self.x(self.at_s[index]), y(value)];
            let far = |p: &[f64; 2]| (point[0] - p[0]).abs() >= SAME || (point[1] - p[1]).abs() >= SAME;
            if part.last().is_none_or(far) {
                // A level stretch ends where it ended, not where the next point is.
                if let Some(held) = held.take().filter(|h| (h[1] - point[1]).abs() >= SAME) {
                    part.push(held);
                }
                part.push(point);
            } else {
                held = Some(point);
            }
        }
    }

    fn hours(&self, page: &mut Drawing, bottom: f64) {
        let (first, last) = self.span();
        let steps = [60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];
        let step = steps.into_iter().find(|s| (last - first) / s <= 11.0).unwrap_or(14_400.0);
        page.line([LEFT, bottom], [WIDE - RIGHT, bottom], Stroke::new(INK, 1.0));
        let mut at = (first / step).ceil() * step;
        while at <= last {
            let x = self.x(at);
            page.line([x, bottom], [x, bottom + 5.0], Stroke::new(INK, 1.0));
            words(page, [x, bottom + 19.0], &clock_time(at), SMALL, Weight::Regular, Anchor::Middle, INK);
            at += step;
        }
        let said = "time in the order, h:mm:ss";
        words(page, [WIDE - RIGHT, bottom + 36.0], said, SMALL, Weight::Regular, Anchor::End, FAINT);
    }
}

/// Where a look's name is written.
struct Named<'a> {
    /// What it says.
    said: &'a str,
    /// The middle of the name, and of its look.
    x: f64,
    middle: f64,
    /// Counted upwards from the strips.
    row: usize,
}

fn draw_part(page: &mut Drawing, course: &Course<'_>, part: &[[f64; 2]], base: f64) {
    let (Some(first), Some(last)) = (part.first(), part.last()) else { return };
    if course.filled {
        let mut steps = vec![Step::Move([first[0], base])];
        steps.extend(part.iter().map(|p| Step::Line(*p)));
        steps.extend([Step::Line([last[0], base]), Step::Close]);
        page.shape(Path(steps), Some(course.stroke.ink.faint(0.18)), None);
    }
    if part.len() == 1 {
        page.line([first[0] - 0.5, first[1]], [first[0] + 0.5, first[1]], course.stroke);
    } else {
        page.shape(Path::along(part, false), None, Some(course.stroke));
    }
}

fn words(page: &mut Drawing, at: [f64; 2], said: &str, size: f64, weight: Weight, anchor: Anchor, ink: Ink) {
    if !said.is_empty() {
        page.text(Text { at, said: said.to_owned(), size, weight, anchor, ink, halo: None });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Item;

    #[test]
    fn a_chart_of_nothing_says_so_and_has_no_axis() {
        let looks = [(0.0, "talk".to_owned())];
        let chart =
            Chart { title: "Power", about: &["watts"], at_s: &[0.0, 60.0], looks: &looks, strips: vec![] };
        let page = chart.drawing();
        let said: Vec<&str> = page
            .items
            .iter()
            .filter_map(|i| if let Item::Words(t) = i { Some(t.said.as_str()) } else { None })
            .collect();
        assert_eq!(said, ["Power", "watts", "none in this plan"]);
    }
}
