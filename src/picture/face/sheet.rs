//! The contact sheet: every look's pictures with their names, ratios and meter values.

use std::sync::Arc;

use super::Lit;
use crate::engine::say;
use crate::guards::identity::names::Names;
use crate::picture::drawing::{Anchor, Drawing, Ink, Item, Path, Pixels, Stroke, Text, Weight};
use crate::picture::font;
use crate::plan::{LookId, MeterPoint, Plan, SubjectId};

const PAPER: Ink = Ink::hex(0x0017_1719);
const BRIGHT: Ink = Ink::hex(0x00f2_f2f0);
const SOFT: Ink = Ink::hex(0x00b4_b4b8);
const RIM: Ink = Ink::hex(0x003a_3a3e);
const MARGIN: f64 = 28.0;
const GAP: f64 = 20.0;
/// Side of a picture on the page.
const SIDE: f64 = 320.0;
/// Side of the other cameras' pictures, two of which are as high as the first one's, and the gap between pictures.
const SMALL: f64 = 0.5 * (SIDE - BETWEEN);
const BETWEEN: f64 = 6.0;
/// Widest page, but for a look with more pictures than that: a phone held upright shows its words at a third of their size.
const WIDEST: f64 = 1064.0;
/// Size of a look's name and of what is said of it.
const NAME: f64 = 28.0;
const SAID: f64 = 22.0;
const VERDICT: f64 = 19.0;
/// Words stand beside a picture in a column no narrower than this.
const LEAST_COLUMN: f64 = 220.0;
/// Ratios beyond this say no more than that there is hardly any fill. Judgement: 6.6 stops, under what a picture shows.
const MOST_RATIO: f64 = 100.0;

/// One look of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Which look.
    pub look: LookId,
    /// Its light.
    pub lit: Lit,
    /// A picture of each person by each camera, person by person, each with who and by which.
    pub pictures: Vec<(String, Arc<Pixels>)>,
    /// One more picture with what it is, such as the shadows lifted, and a verdict.
    pub verdict: Option<(Arc<Pixels>, String)>,
}

/// The sheet. `hidden`: numbers stand for names.
#[must_use]
pub fn contact_sheet(plan: &Plan, cells: &[Cell], hidden: bool) -> Drawing {
    let names = Names::of(plan, hidden);
    let cameras = plan.cameras.len().max(1);
    let wide = SIDE + (cameras - 1).div_ceil(2) as f64 * (BETWEEN + SMALL);
    let columns = (((WIDEST - 2.0 * MARGIN + GAP) / (wide + GAP)) as usize).clamp(1, cells.len().max(1));
    let width = (2.0 * MARGIN + columns as f64 * (wide + GAP) - GAP).max(420.0);
    let mut page = Drawing::new(width, 0.0, PAPER, &format!("The looks of {}", names.set()));
    write(&mut page, [MARGIN, MARGIN + 30.0], &names.set(), 32.0, Weight::Bold, BRIGHT);
    let zero = plan.exposure.zero_stops.get();
    let about = format!(
        "Every look as {} would see it. Planned, not measured. 0 stops is {zero:.0} lx; stops are what a meter reads with all lamps lit.",
        if cameras == 1 { "the camera".to_owned() } else { format!("{cameras} cameras") }
    );
    let mut y = MARGIN + 44.0;
    for line in font::lines(&about, SAID, Weight::Regular, width - 2.0 * MARGIN) {
        y += 1.35 * SAID;
        write(&mut page, [MARGIN, y], &line, SAID, Weight::Regular, SOFT);
    }
    y += 26.0;
    for row in cells.chunks(columns) {
        let mut tallest: f64 = 0.0;
        for (column, cell) in row.iter().enumerate() {
            let x = MARGIN + column as f64 * (wide + GAP);
            tallest = tallest.max(one(&mut page, plan, &names, cell, [x, y], wide));
        }
        y += tallest + GAP;
    }
    page.height = (y + MARGIN - GAP).ceil();
    page
}

/// One look; returns its height.
fn one(page: &mut Drawing, plan: &Plan, names: &Names<'_>, cell: &Cell, [x, y]: [f64; 2], wide: f64) -> f64 {
    let name = names.look(cell.look);
    // A row for each person: the first camera's picture, the others' beside it.
    let cameras = plan.cameras.len().max(1);
    for (index, (label, pixels)) in cell.pictures.iter().enumerate() {
        let top = y + (index / cameras) as f64 * (SIDE + BETWEEN);
        let (at, side) = match index % cameras {
            0 => ([x, top], SIDE),
            other => {
                let [column, row] = [(other - 1) / 2, (other - 1) % 2].map(|i| i as f64 * (SMALL + BETWEEN));
                ([x + SIDE + BETWEEN + column, top + row], SMALL)
            }
        };
        picture(page, pixels, at, side, &format!("The face in {name}: {label}"));
        if cell.pictures.len() > 1 {
            tag(page, [at[0] + 8.0, at[1] + side - 10.0], label);
        }
    }
    let rows = cell.pictures.len().div_ceil(cameras).max(1) as f64;
    let mut below = y + rows * (SIDE + BETWEEN) - BETWEEN + 34.0;
    write(page, [x, below], &name, NAME, Weight::Bold, BRIGHT);
    // A figure stays with its name.
    let bound = |line: &String| {
        line.split(" · ").map(|part| part.replace(' ', "\u{a0}")).collect::<Vec<_>>().join("\u{a0}· ")
    };
    let lines: Vec<String> = figures(plan, &cell.lit).iter().map(bound).collect();
    for line in lines.iter().flat_map(|l| font::lines(l, SAID, Weight::Regular, wide)) {
        below += 1.35 * SAID;
        write(page, [x, below], &line, SAID, Weight::Regular, SOFT);
    }
    if let Some((lifted, said)) = &cell.verdict {
        let small = 0.42 * SIDE;
        below += 14.0;
        picture(page, lifted, [x, below], small, "The same with shadows lifted by 4 stops");
        // Beside it where there is room for a column of words, else under it.
        let beside = wide - small - 14.0;
        let (left, most, mut line_y) = if beside > LEAST_COLUMN {
            (x + small + 14.0, beside, below)
        } else {
            (x, wide, below + small + 4.0)
        };
        for (said, weight, ink) in
            [("shadows lifted 4 stops", Weight::Bold, BRIGHT), (said.as_str(), Weight::Regular, SOFT)]
        {
            for line in font::lines(said, VERDICT, weight, most) {
                line_y += 1.25 * VERDICT;
                write(page, [left, line_y], &line, VERDICT, weight, ink);
            }
        }
        below = (below + small).max(line_y);
    }
    below - y + 16.0
}

/// What stands under a look's pictures: its ratios, and what a meter reads.
#[must_use]
pub fn figures(plan: &Plan, lit: &Lit) -> Vec<String> {
    ratio(plan, lit).into_iter().chain(readings(plan, lit)).collect()
}

/// Key against fill, both ways of counting, of each subject.
fn ratio(plan: &Plan, lit: &Lit) -> Vec<String> {
    let several = plan.subjects.len() > 1;
    lit.table
        .ratios
        .iter()
        .map(|r| {
            let whose = if several { format!(" at face {}", r.subject.0 + 1) } else { String::new() };
            match r.contrast {
                Some(c) if c.key_to_fill > MOST_RATIO => format!("key:fill{whose} over {MOST_RATIO:.0}:1"),
                Some(c) => format!(
                    "key:fill{whose} {:.1}:1 · (key + fill):fill {:.1}:1",
                    c.key_to_fill, c.lit_to_shadow
                ),
                None => format!("key{whose} without fill"),
            }
        })
        .collect()
}

/// What a meter reads at each face, and at the wall, in stops: a line for each person.
fn readings(plan: &Plan, lit: &Lit) -> Vec<String> {
    (0..plan.subjects.len()).filter_map(|subject| readings_at(plan, lit, SubjectId(subject))).collect()
}

fn readings_at(plan: &Plan, lit: &Lit, subject: SubjectId) -> Option<String> {
    let zero = plan.exposure.zero_stops.get();
    let shown = [
        (MeterPoint::FaceLit, "lit side"),
        (MeterPoint::FaceShadow, "shadow side"),
        (MeterPoint::FaceCamera, "to camera"),
        (MeterPoint::Hair, "hair"),
        (MeterPoint::Wall, "wall"),
    ];
    let said: Vec<String> = shown
        .iter()
        .filter_map(|(at, word)| {
            let point = lit.table.points.iter().find(|p| p.at.point == *at && p.at.subject == subject)?;
            let lux = point.reading.lux();
            Some(if lux > 0.0 {
                format!("{word} {}", say::stops((lux / zero).log2()))
            } else {
                format!("{word} dark")
            })
        })
        .collect();
    let whose = if plan.subjects.len() > 1 { format!("face {}: ", subject.0 + 1) } else { String::new() };
    (!said.is_empty()).then(|| format!("{whose}{}", said.join(" · ")))
}

fn picture(page: &mut Drawing, pixels: &Arc<Pixels>, at: [f64; 2], side: f64, said: &str) {
    page.items.push(Item::Picture {
        pixels: Arc::clone(pixels),
        at,
        size: [side, side],
        said: said.to_owned(),
    });
    page.shape(Path::rect(at, [side, side]), None, Some(Stroke::new(RIM, 1.0)));
}

/// A word on a picture.
fn tag(page: &mut Drawing, at: [f64; 2], said: &str) {
    let halo = Some((PAPER.faint(0.6), 2.5));
    let (size, weight, anchor, ink) = (15.0, Weight::Regular, Anchor::Start, BRIGHT);
    page.text(Text { at, said: said.to_owned(), size, weight, anchor, ink, halo });
}

fn write(page: &mut Drawing, at: [f64; 2], said: &str, size: f64, weight: Weight, ink: Ink) {
    page.text(Text { at, said: said.to_owned(), size, weight, anchor: Anchor::Start, ink, halo: None });
}
