//! Strips over time, one above the other on one axis of time: readable in grey, since what is to be told apart differs by
//! form (whole, dashed, filled) before it differs by colour.

use crate::picture::{Anchor, Drawing, Ink, Path, Step, Stroke, Text, Weight, width};
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

const WIDE: f64 = 1100.0;
const LEFT: f64 = 150.0;
const RIGHT: f64 = 190.0;
const STRIP: f64 = 58.0;
const GAP: f64 = 12.0;
const HEAD: f64 = 104.0;
const FOOT: f64 = 40.0;
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
    /// Its name, at the left.
    pub name: String,
    /// Under that, small.
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
        let high = HEAD + self.strips.len() as f64 * (STRIP + GAP) + FOOT;
        let mut page = Drawing::new(WIDE, high, PAPER, self.title);
        let bottom = high - FOOT - GAP + 4.0;
        self.bands(&mut page, bottom);
        words(&mut page, [20.0, 30.0], self.title, 20.0, Weight::Bold, Anchor::Start, INK);
        for (line, about) in self.about.iter().enumerate() {
            words(
                &mut page,
                [20.0, 50.0 + 16.0 * line as f64],
                about,
                12.5,
                Weight::Regular,
                Anchor::Start,
                FAINT,
            );
        }
        for (index, strip) in self.strips.iter().enumerate() {
            self.strip(&mut page, strip, HEAD + index as f64 * (STRIP + GAP));
        }
        self.hours(&mut page, bottom);
        page
    }

    fn span(&self) -> (f64, f64) {
        let first = self.at_s.first().copied().unwrap_or(0.0);
        (first, self.at_s.last().copied().unwrap_or(0.0).max(first + 1.0))
    }

    fn x(&self, at_s: f64) -> f64 {
        let (first, last) = self.span();
        LEFT + (at_s - first) / (last - first) * (WIDE - LEFT - RIGHT)
    }

    /// Every other look shaded, its name on top where it fits.
    fn bands(&self, page: &mut Drawing, bottom: f64) {
        let (first, last) = self.span();
        for (index, (at_s, name)) in self.looks.iter().enumerate() {
            let end = self.looks.get(index + 1).map_or(last, |l| l.0);
            let (from, to) = (self.x(at_s.max(first)), self.x(end.min(last)));
            let top = HEAD - 16.0;
            if index % 2 == 1 {
                page.shape(Path::rect([from, top], [to - from, bottom - top]), Some(BAND), None);
            }
            let size = 9.5;
            let room = to - from - 4.0;
            let whole = width(name, size, Weight::Regular) <= room;
            let said = if whole { name.clone() } else { shortened(name, size, room) };
            words(page, [0.5 * (from + to), HEAD - 5.0], &said, size, Weight::Regular, Anchor::Middle, INK);
        }
    }

    fn strip(&self, page: &mut Drawing, strip: &Strip<'_>, top: f64) {
        let (low, high) = strip.range;
        let y = |value: f64| top + STRIP - (value.clamp(low, high) - low) / (high - low).max(1e-9) * STRIP;
        for (value, label) in &strip.ticks {
            let at = y(*value);
            page.line([LEFT, at], [WIDE - RIGHT, at], Stroke::new(GRID, 0.7));
            words(page, [LEFT - 6.0, at + 3.0], label, 9.5, Weight::Regular, Anchor::End, FAINT);
        }
        for course in &strip.courses {
            self.course(page, course, &y, top + STRIP);
        }
        if let Some(limit) = strip.limit {
            page.line([LEFT, y(limit)], [WIDE - RIGHT, y(limit)], Stroke::new(LIMIT, 1.6).dashed(7.0, 4.0));
        }
        words(page, [20.0, top + 20.0], &strip.name, 13.0, Weight::Bold, Anchor::Start, INK);
        words(page, [20.0, top + 36.0], &strip.about, 10.0, Weight::Regular, Anchor::Start, FAINT);
        for (line, note) in strip.notes.iter().enumerate() {
            let at = [WIDE - RIGHT + 10.0, top + 18.0 + 14.0 * line as f64];
            words(page, at, note, 11.0, Weight::Regular, Anchor::Start, INK);
        }
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
        let step = steps.into_iter().find(|s| (last - first) / s <= 12.0).unwrap_or(14_400.0);
        page.line([LEFT, bottom], [WIDE - RIGHT, bottom], Stroke::new(INK, 1.0));
        let mut at = (first / step).ceil() * step;
        while at <= last {
            let x = self.x(at);
            page.line([x, bottom], [x, bottom + 5.0], Stroke::new(INK, 1.0));
            words(page, [x, bottom + 18.0], &clock_time(at), 10.0, Weight::Regular, Anchor::Middle, INK);
            at += step;
        }
        let said = "time in the order, h:mm:ss";
        words(page, [WIDE - RIGHT + 10.0, bottom + 18.0], said, 10.0, Weight::Regular, Anchor::Start, FAINT);
    }
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

fn shortened(name: &str, size: f64, room: f64) -> String {
    let mut said: String = name.to_owned();
    while !said.is_empty() && width(&format!("{said}…"), size, Weight::Regular) > room {
        said.pop();
    }
    if said.chars().count() < 2 { String::new() } else { format!("{said}…") }
}

fn words(page: &mut Drawing, at: [f64; 2], said: &str, size: f64, weight: Weight, anchor: Anchor, ink: Ink) {
    if !said.is_empty() {
        page.text(Text { at, said: said.to_owned(), size, weight, anchor, ink, halo: None });
    }
}
