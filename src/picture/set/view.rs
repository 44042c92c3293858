//! One view of the set: beams, people, lamps, things, and labels that find their place.

use super::facts::{Lamp, Lit, Names};
use super::grid::Grid;
use super::map::{From, Map, floor_m};
use super::shapes::{self, BADGE};
use super::{Lengths, View, facts, inks, room};
use crate::picture::drawing::{Anchor, Drawing, Stroke, Text, Weight};
use crate::picture::font;
use crate::picture::labels::{Box2, Wanted, placed};
use crate::plan::Plan;

/// Size of the first line of a label and of the second.
const NAME: f64 = 18.0;
pub(super) const MORE: f64 = 15.5;

/// The set from above, `PAGE` units wide at most, without a legend.
#[must_use]
pub fn above(plan: &Plan, view: &View) -> Drawing {
    above_of(plan, view, &facts::lamps(plan, view), super::PAGE, super::ABOVE_MOST)
}

/// The set from the side, as seen from camera right, `PAGE` units wide at most, without a legend.
#[must_use]
pub fn side(plan: &Plan, view: &View) -> Drawing {
    side_of(plan, view, &facts::lamps(plan, view), super::PAGE, super::SIDE_MOST)
}

/// The set from above in light that was sent, such as a take's: `lit` has one for each lamp, in the plan's order. Within `wide` by
/// `high` page units; under the name of a lit lamp stand its distance and its height.
#[must_use]
pub fn above_lit(plan: &Plan, view: &View, lit: &[Lit], [wide, high]: [f64; 2]) -> Drawing {
    let lamps = facts::lamps_lit(plan, view.hidden, Some(lit));
    let map = Map::of(plan, From::Above, wide, high);
    drawn(plan, view, &lamps, map, (Says::Place, "The set from above"))
}

pub(super) fn above_of(plan: &Plan, view: &View, lamps: &[Lamp], wide: f64, high: f64) -> Drawing {
    drawn(plan, view, lamps, Map::of(plan, From::Above, wide, high), (Says::Light, "The set from above"))
}

pub(super) fn side_of(plan: &Plan, view: &View, lamps: &[Lamp], wide: f64, high: f64) -> Drawing {
    drawn(
        plan,
        view,
        lamps,
        Map::of(plan, From::Side, wide, high),
        (Says::Light, "The set from the side, as seen from camera right"),
    )
}

/// What stands under the name of a lamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Says {
    /// Its light, or where no look is drawn its distance.
    Light,
    /// Its distance and its height.
    Place,
}

/// What a label says.
struct Label {
    lines: Vec<String>,
    about: Box2,
    soft: bool,
}

fn drawn(plan: &Plan, view: &View, lamps: &[Lamp], map: Map, (says, title): (Says, &str)) -> Drawing {
    let [w, h] = map.size();
    let mut page = Drawing::new(w, h, inks::OUTSIDE, title);
    let mut labels = Vec::new();
    let grid = Grid::of(plan, view.lengths);
    let bar = match (view.lengths, says) {
        // What is kept for months is read by whoever comes.
        (Lengths::Metres, Says::Place) => format!("{} ({})", grid.bar, Lengths::Feet.said(grid.bar_m)),
        _ => grid.bar.to_owned(),
    };
    let mut taken = room::room(&mut page, plan, &map, (grid, &bar));
    for lamp in lamps {
        shapes::beam(&mut page, &map, plan.fixture(lamp.id), lamp);
    }
    if map.from == From::Above {
        room::clock(&mut page, &map, plan, &busy(plan, &map));
    }
    for lamp in lamps {
        shapes::aim(&mut page, &map, plan.fixture(lamp.id), lamp);
    }
    if map.from == From::Side {
        room::stands(&mut page, plan, &map);
    }
    things(&mut page, plan, view, &map, (&mut labels, &mut taken));
    // What is farther away is drawn first.
    let depth =
        |lamp: &Lamp| plan.fixture(lamp.id).place.position[if map.from == From::Above { 2 } else { 0 }];
    let mut by_depth: Vec<&Lamp> = lamps.iter().collect();
    by_depth.sort_by(|a, b| depth(a).total_cmp(&depth(b)));
    for lamp in by_depth {
        shapes::lamp(&mut page, &map, plan.fixture(lamp.id), lamp);
        // A front as rows of boxes, across it and as deep as it is seen.
        let at = shapes::on_page(&map, plan.fixture(lamp.id));
        let deep = at.half * (1.0 - at.seen * at.seen).max(0.0).sqrt();
        for (k, row) in (-3..=3).flat_map(|k| [-0.7, 0.0, 0.7].map(|row| (k, row * deep))) {
            let off = f64::from(k) / 3.0 * (at.half - 3.0);
            let x = at.front[0] - off * at.way[1] + row * at.way[0];
            let y = at.front[1] + off * at.way[0] + row * at.way[1];
            taken.push(Box2::round([x, y], [12.0, 12.0]));
        }
    }
    let mut people = Vec::new();
    for (index, subject) in plan.subjects.iter().enumerate() {
        let (about, body) = shapes::subject(&mut page, &map, subject, floor_m(plan));
        taken.extend([about, body]);
        people.extend([about, body]);
        let name = Names { plan, hidden: view.hidden }.subject(index);
        labels.push(Label { lines: vec![name], about, soft: false });
    }
    for (index, camera) in plan.cameras.iter().enumerate() {
        let about = shapes::camera(&mut page, &map, plan, camera.position);
        taken.push(about);
        let name = Names { plan, hidden: view.hidden }.thing("camera", index, &camera.id);
        labels.push(Label { lines: vec![name], about, soft: false });
    }
    let badges = badges(plan, &map, lamps, &people);
    for (lamp, badge) in lamps.iter().zip(&badges) {
        let about = Box2::round(*badge, [2.0 * BADGE, 2.0 * BADGE]);
        taken.push(about);
        labels.push(lamp_label(plan, view, &map, lamp, (about, says)));
    }
    write(&mut page, &map, plan, &labels, &taken);
    for (lamp, badge) in lamps.iter().zip(&badges) {
        let home = shapes::on_page(&map, plan.fixture(lamp.id)).badge;
        shapes::badge(&mut page, *badge, home, lamp);
    }
    page
}

/// Where the clock's hours would not be read.
fn busy(plan: &Plan, map: &Map) -> Vec<Box2> {
    let small = |at: [f64; 2]| Box2::round(at, [2.0 * BADGE, 2.0 * BADGE]);
    let lamps = plan.fixtures.iter().flat_map(|f| {
        let at = shapes::on_page(map, f);
        [Box2::round(at.front, [1.6 * at.half, 1.6 * at.half]), small(at.badge)]
    });
    let things = plan.bounces.iter().map(|b| b.position).chain(plan.flags.iter().map(|f| f.position));
    let things = things.chain(plan.daylight.iter().map(|d| d.position));
    let things = things.chain(plan.cameras.iter().map(|c| c.position)).map(|p| small(map.at(p)));
    lamps.chain(things).collect()
}

fn lamp_label(plan: &Plan, view: &View, map: &Map, lamp: &Lamp, (about, says): (Box2, Says)) -> Label {
    let place = &plan.fixture(lamp.id).place;
    let height = || view.lengths.said(place.position[2] + floor_m(plan));
    let dark = lamp.lit.is_some_and(|l| l.lux <= 0.0);
    let lines = match (map.from, &lamp.lit) {
        // Names are in the view from above; here the height is what is new.
        (From::Side, _) => vec![height()],
        (From::Above, _) if says == Says::Place && !dark => {
            vec![lamp.name.clone(), format!("{}, {} up", view.lengths.said(place.distance_m), height())]
        }
        (From::Above, Some(lit)) if lit.lux > 0.0 => vec![lamp.name.clone(), lit.said()],
        (From::Above, Some(lit)) if lit.held => {
            // No slot reaches a lamp that a person sets.
            let said = if facts::by_hand(plan, lamp.id) { "unplug it" } else { "held dark" };
            vec![lamp.name.clone(), said.to_owned()]
        }
        (From::Above, Some(_)) => vec![lamp.name.clone()],
        (From::Above, None) => vec![lamp.name.clone(), view.lengths.said(place.distance_m)],
    };
    Label { lines, about, soft: dark || map.from == From::Side }
}

/// Where the numbers go: behind their lamps, and where one is taken, the nearest free spot beside it.
fn badges(plan: &Plan, map: &Map, lamps: &[Lamp], people: &[Box2]) -> Vec<[f64; 2]> {
    let mut placed: Vec<[f64; 2]> = Vec::new();
    let [w, h] = map.size();
    for lamp in lamps {
        let home = shapes::on_page(map, plan.fixture(lamp.id)).badge;
        let free = |at: &[f64; 2]| {
            let on_page = at[0] > BADGE && at[0] < w - BADGE && at[1] > BADGE && at[1] < h - BADGE;
            let own = Box2::round(*at, [2.0 * BADGE, 2.0 * BADGE]);
            on_page
                && people.iter().all(|p| p.shared(&own) == 0.0)
                && placed.iter().all(|p| (p[0] - at[0]).hypot(p[1] - at[1]) > 2.0 * BADGE + 3.0)
        };
        let ring = (0..12_u32).flat_map(|ring| {
            (0..12_u32).map(move |way| {
                let (sin, cos) = (f64::from(way) * std::f64::consts::TAU / 12.0).sin_cos();
                let far = f64::from(ring) * 9.0;
                [home[0] + far * cos, home[1] + far * sin]
            })
        });
        placed.push(ring.into_iter().find(free).unwrap_or(home));
    }
    placed
}

/// Boards, flags and windows, with their labels.
fn things(
    page: &mut Drawing,
    plan: &Plan,
    view: &View,
    map: &Map,
    (labels, taken): (&mut Vec<Label>, &mut Vec<Box2>),
) {
    let names = Names { plan, hidden: view.hidden };
    let line = Stroke::new(inks::DARK, 1.6);
    // From the side they hang before one another: what is behind shows through.
    let clear = if map.from == From::Side { 0.35 } else { 1.0 };
    for (index, b) in plan.bounces.iter().enumerate() {
        let faces = crate::light::room::board_faces(plan, b);
        let (about, own) =
            shapes::flat(page, map, b.position, b.size_m, faces, (inks::WHITE.faint(clear), line));
        taken.extend(own);
        let lines = vec![names.thing("board", index, &b.id)];
        labels.push(Label { lines, about, soft: false });
    }
    for (index, f) in plan.flags.iter().enumerate() {
        let faces = f.cuts.map_or([0.0; 3], |id| plan.fixture(id).place.position);
        let (about, own) =
            shapes::flat(page, map, f.position, f.size_m, faces, (inks::DARK.faint(0.5 + 0.5 * clear), line));
        taken.extend(own);
        labels.push(Label { lines: vec![names.thing("flag", index, &f.id)], about, soft: false });
    }
    for (index, d) in plan.daylight.iter().enumerate() {
        let frame = Stroke::new(inks::DARK, 3.0);
        let faces = room::window_faces(plan, d.position);
        let (about, own) =
            shapes::flat(page, map, d.position, (1.0, 1.0), faces, (inks::WHITE.faint(clear), frame));
        taken.extend(own);
        let mut lines = vec![names.thing("window", index, &d.id)];
        if map.from == From::Above {
            lines.push(format!("{:.0} K", d.kelvin.get()));
        }
        labels.push(Label { lines, about, soft: false });
    }
}

/// Finds a place for every label and writes it, with a line to what it names where that is not beside it.
fn write(page: &mut Drawing, map: &Map, plan: &Plan, labels: &[Label], taken: &[Box2]) {
    let [w, h] = map.size();
    let inside = Box2 { min: [4.0, 4.0], max: [w - 4.0, h - 4.0] };
    let away_from = map.at(plan.subjects.first().map_or([0.0; 3], |s| s.position));
    let sizes = |index: usize| if index == 0 { NAME } else { MORE };
    let weight = |label: &Label, index: usize| {
        if index == 0 && !label.soft { Weight::Bold } else { Weight::Regular }
    };
    let wanted: Vec<Wanted> = labels
        .iter()
        .map(|label| {
            let wide =
                label.lines.iter().enumerate().map(|(i, l)| font::width(l, sizes(i), weight(label, i)));
            let high: f64 = (0..label.lines.len()).map(|i| 1.12 * sizes(i)).sum();
            Wanted { about: label.about, size: [wide.fold(0.0, f64::max) + 4.0, high + 2.0], away_from }
        })
        .collect();
    for (label, place) in labels.iter().zip(placed(&wanted, taken, &inside)) {
        let near = label.about.nearest(place.middle());
        let from = place.nearest(near);
        if (from[0] - near[0]).hypot(from[1] - near[1]) > 16.0 {
            page.line(from, near, Stroke::new(inks::SOFT, 1.0));
        }
        let ink = if label.soft { inks::SOFT } else { inks::DARK };
        let mut y = place.min[1];
        // Towards what it names.
        let middle = label.about.middle()[0];
        let (anchor, x) = if place.min[0] >= middle - 2.0 {
            (Anchor::Start, place.min[0] + 2.0)
        } else if place.max[0] <= middle + 2.0 {
            (Anchor::End, place.max[0] - 2.0)
        } else {
            (Anchor::Middle, place.middle()[0])
        };
        for (i, line) in label.lines.iter().enumerate() {
            y += 1.12 * sizes(i);
            let at = [x, y - 0.2 * sizes(i)];
            let halo = Some((inks::FLOOR, 2.5));
            page.text(Text {
                at,
                said: line.clone(),
                size: sizes(i),
                weight: weight(label, i),
                anchor,
                ink,
                halo,
            });
        }
    }
}
