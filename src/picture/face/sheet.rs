//! The contact sheet: every look's pictures with their names, ratios and meter values.

use std::sync::Arc;

use super::Lit;
use crate::engine::say;
use crate::guards::identity::names::Names;
use crate::picture::drawing::{Anchor, Drawing, Ink, Item, Path, Pixels, Stroke, Text, Weight};
use crate::picture::font;
use crate::plan::{LookId, MeterPoint, Plan};

const PAPER: Ink = Ink::hex(0x0017_1719);
const BRIGHT: Ink = Ink::hex(0x00f2_f2f0);
const SOFT: Ink = Ink::hex(0x00b4_b4b8);
const RIM: Ink = Ink::hex(0x003a_3a3e);
const MARGIN: f64 = 28.0;
const GAP: f64 = 20.0;
/// Side of a picture on the page.
const SIDE: f64 = 320.0;
/// Widest page, but for a look with more pictures than that.
const WIDEST: f64 = 1400.0;
/// Size of a look's name and of what is said of it.
const NAME: f64 = 26.0;
const SAID: f64 = 19.0;

/// One look of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Which look.
    pub look: LookId,
    /// Its light.
    pub lit: Lit,
    /// A picture for each camera, in the plan's order.
    pub pictures: Vec<Arc<Pixels>>,
    /// One more picture with what it is, such as the shadows lifted, and a verdict.
    pub verdict: Option<(Arc<Pixels>, String)>,
}

/// The sheet. `hidden`: numbers stand for names.
#[must_use]
pub fn contact_sheet(plan: &Plan, cells: &[Cell], hidden: bool) -> Drawing {
    let names = Names::of(plan, hidden);
    let cameras = plan.cameras.len().max(1);
    // No wider than a phone held upright can show with words that are still read.
    let wide = cameras as f64 * (SIDE + 6.0) - 6.0;
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
    for (index, pixels) in cell.pictures.iter().enumerate() {
        let at = [x + index as f64 * (SIDE + 6.0), y];
        let camera = plan.cameras.get(index).map_or("", |c| c.id.as_str());
        picture(page, pixels, at, SIDE, &format!("The face in {name}"));
        if cell.pictures.len() > 1 && !camera.is_empty() && names.free(camera) == camera {
            tag(page, [at[0] + 10.0, y + SIDE - 12.0], camera);
        }
    }
    let mut below = y + SIDE + 32.0;
    write(page, [x, below], &name, NAME, Weight::Bold, BRIGHT);
    let lines = figures(plan, &cell.lit);
    for line in lines.iter().flat_map(|l| font::lines(l, SAID, Weight::Regular, wide)) {
        below += 1.35 * SAID;
        write(page, [x, below], &line, SAID, Weight::Regular, SOFT);
    }
    if let Some((lifted, said)) = &cell.verdict {
        let small = 0.42 * SIDE;
        below += 14.0;
        picture(page, lifted, [x, below], small, "The same with shadows lifted by 4 stops");
        let mut line_y = below;
        let beside = wide - small - 14.0;
        for (i, line) in std::iter::once("shadows lifted 4 stops".to_owned())
            .chain(font::lines(said, 17.0, Weight::Regular, beside))
            .enumerate()
        {
            line_y += 22.0;
            let weight = if i == 0 { Weight::Bold } else { Weight::Regular };
            write(page, [x + small + 14.0, line_y], &line, 17.0, weight, if i == 0 { BRIGHT } else { SOFT });
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
                Some(c) => format!(
                    "key:fill{whose} {:.1}:1, (key + fill):fill {:.1}:1",
                    c.key_to_fill, c.lit_to_shadow
                ),
                None => format!("key{whose} without fill"),
            }
        })
        .collect()
}

/// What a meter reads at the first face and at the wall, in stops.
fn readings(plan: &Plan, lit: &Lit) -> Option<String> {
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
            let point = lit.table.points.iter().find(|p| p.at.point == *at && p.at.subject.0 == 0)?;
            let lux = point.reading.lux();
            Some(if lux > 0.0 {
                format!("{word} {}", say::stops((lux / zero).log2()))
            } else {
                format!("{word} dark")
            })
        })
        .collect();
    (!said.is_empty()).then(|| said.join(" · "))
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
