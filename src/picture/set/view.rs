//! One view of the set: room, clock, beams, people, lamps, and labels that find their place.

use super::facts::{Lamp, Names};
use super::map::{From, Map, floor_m};
use super::shapes::{self, BADGE};
use super::{Lengths, View, facts, inks};
use crate::picture::drawing::{Anchor, Drawing, Path, Stroke, Text, Weight};
use crate::picture::font;
use crate::picture::labels::{Box2, Wanted, placed};
use crate::plan::Plan;

/// Size of the first line of a label and of the second.
const NAME: f64 = 18.0;
const MORE: f64 = 15.5;

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

pub(super) fn above_of(plan: &Plan, view: &View, lamps: &[Lamp], wide: f64, high: f64) -> Drawing {
    drawn(plan, view, lamps, Map::of(plan, From::Above, wide, high), "The set from above")
}

pub(super) fn side_of(plan: &Plan, view: &View, lamps: &[Lamp], wide: f64, high: f64) -> Drawing {
    drawn(
        plan,
        view,
        lamps,
        Map::of(plan, From::Side, wide, high),
        "The set from the side, as seen from camera right",
    )
}

/// What a label says.
struct Label {
    lines: Vec<String>,
    about: Box2,
    soft: bool,
}

fn drawn(plan: &Plan, view: &View, lamps: &[Lamp], map: Map, title: &str) -> Drawing {
    let [w, h] = map.size();
    let mut page = Drawing::new(w, h, inks::OUTSIDE, title);
    let mut labels = Vec::new();
    let mut taken = room(&mut page, plan, &map, view.lengths);
    for lamp in lamps {
        shapes::beam(&mut page, &map, plan.fixture(lamp.id), lamp);
    }
    if map.from == From::Above {
        clock(&mut page, &map, plan);
    }
    for lamp in lamps {
        shapes::aim(&mut page, &map, plan.fixture(lamp.id), lamp);
    }
    if map.from == From::Side {
        stands(&mut page, plan, &map);
    }
    things(&mut page, plan, view, &map, (&mut labels, &mut taken));
    for lamp in lamps {
        shapes::lamp(&mut page, &map, plan.fixture(lamp.id), lamp);
        // A front as a row of boxes.
        let at = shapes::on_page(&map, plan.fixture(lamp.id));
        for k in -3..=3 {
            let off = f64::from(k) / 3.0 * (at.half - 3.0);
            taken.push(Box2::round(
                [at.front[0] - off * at.way[1], at.front[1] + off * at.way[0]],
                [12.0, 12.0],
            ));
        }
    }
    let mut people = Vec::new();
    for (index, subject) in plan.subjects.iter().enumerate() {
        let about = shapes::subject(&mut page, &map, subject, floor_m(plan));
        taken.push(about);
        people.push(about);
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
        labels.push(lamp_label(plan, view, &map, lamp, about));
    }
    write(&mut page, &map, plan, &labels, &taken);
    for (lamp, badge) in lamps.iter().zip(&badges) {
        let home = shapes::on_page(&map, plan.fixture(lamp.id)).badge;
        shapes::badge(&mut page, *badge, home, lamp);
    }
    page
}

fn lamp_label(plan: &Plan, view: &View, map: &Map, lamp: &Lamp, about: Box2) -> Label {
    let place = &plan.fixture(lamp.id).place;
    let height = || view.lengths.said(place.position[2] + floor_m(plan));
    let dark = lamp.lit.is_some_and(|l| l.lux <= 0.0);
    let lines = match (map.from, &lamp.lit) {
        // Names are in the view from above; here the height is what is new.
        (From::Side, _) => vec![height()],
        (From::Above, Some(lit)) if lit.lux > 0.0 => vec![lamp.name.clone(), lit.said()],
        (From::Above, Some(lit)) if lit.held => vec![lamp.name.clone(), "held dark".to_owned()],
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

/// The floor, the walls that the plan places, the ceiling, a grid, and what a length on the page is. Returns the boxes of walls.
fn room(page: &mut Drawing, plan: &Plan, map: &Map, lengths: Lengths) -> Vec<Box2> {
    let room = plan.room.as_ref();
    let (low, top) = (-floor_m(plan), room.and_then(|r| r.ceiling_m).map(|m| m - floor_m(plan)));
    let (mut min, mut max) = (map.min, map.max);
    match map.from {
        From::Above => {
            min[0] = room.and_then(|r| r.left_m).map_or(min[0], |m| (-m).max(min[0]));
            max[0] = room.and_then(|r| r.right_m).map_or(max[0], |m| m.min(max[0]));
            max[1] = room.and_then(|r| r.back_m).map_or(max[1], |m| m.min(max[1]));
        }
        From::Side => {
            min[1] = low;
            max[0] = room.and_then(|r| r.back_m).map_or(max[0], |m| m.min(max[0]));
            max[1] = top.map_or(max[1], |m| m.min(max[1]));
        }
    }
    let (a, b) = (map.page([min[0], max[1]]), map.page([max[0], min[1]]));
    page.shape(Path::rect(a, [b[0] - a[0], b[1] - a[1]]), Some(inks::FLOOR), None);
    // A dot every half metre, or every two feet.
    let step = if lengths == Lengths::Metres { 0.5 } else { 2.0 * 0.3048 };
    let first = |low: f64| (low / step).ceil() as i64;
    let last = |high: f64| (high / step).floor() as i64;
    for i in first(min[0])..=last(max[0]) {
        for j in first(min[1])..=last(max[1]) {
            let at = map.page([i as f64 * step, j as f64 * step]);
            page.shape(Path::circle(at, 1.3), Some(inks::GRID), None);
        }
    }
    let wall = Stroke::new(inks::WALL, 7.0);
    let mut walls = Vec::new();
    let mut draw = |from: [f64; 2], to: [f64; 2], stroke: Stroke| {
        let ends = [map.page(from), map.page(to)];
        let line = Box2::of(&ends);
        walls.push(Box2 { min: line.min.map(|c| c - 4.0), max: line.max.map(|c| c + 4.0) });
        page.line(ends[0], ends[1], stroke);
    };
    match map.from {
        From::Above => {
            if room.is_some_and(|r| r.back_m.is_some_and(|m| m < map.max[1])) {
                draw([min[0], max[1]], [max[0], max[1]], wall);
            }
            if room.is_some_and(|r| r.left_m.is_some_and(|m| -m > map.min[0])) {
                draw([min[0], min[1]], [min[0], max[1]], wall);
            }
            if room.is_some_and(|r| r.right_m.is_some_and(|m| m < map.max[0])) {
                draw([max[0], min[1]], [max[0], max[1]], wall);
            }
        }
        From::Side => {
            draw([min[0], low], [max[0], low], wall);
            if room.is_some_and(|r| r.back_m.is_some_and(|m| m < map.max[0])) {
                draw([max[0], low], [max[0], max[1]], wall);
            }
            if top.is_some_and(|m| m < map.max[1]) {
                draw([min[0], max[1]], [max[0], max[1]], Stroke::new(inks::WALL, 4.0));
            }
        }
    }
    walls.push(scale_bar(page, map, lengths));
    walls
}

/// A bar as long as one metre, or three feet, at the lower edge. Returns its box.
fn scale_bar(page: &mut Drawing, map: &Map, lengths: Lengths) -> Box2 {
    let metres = if lengths == Lengths::Metres { 1.0 } else { 3.0 * 0.3048 };
    let [w, h] = map.size();
    let (long, y) = (metres * map.scale, h - if map.from == From::Above { 20.0 } else { 34.0 });
    // From the side the wall's lamps stand at the right.
    let x = if map.from == From::Above { w - 20.0 - long } else { 20.0 };
    let (from, to) = ([x, y], [x + long, y]);
    let line = Stroke::new(inks::DARK, 2.4);
    page.line(from, to, line);
    for end in [from, to] {
        page.line([end[0], y - 5.0], [end[0], y + 5.0], line);
    }
    let said = if lengths == Lengths::Metres { "1 m" } else { "3 ft" };
    let at = [0.5 * (from[0] + to[0]), y - 8.0];
    let halo = Some((inks::FLOOR, 2.5));
    let (weight, anchor, ink) = (Weight::Regular, Anchor::Middle, inks::DARK);
    page.text(Text { at, said: said.to_owned(), size: MORE, weight, anchor, ink, halo });
    Box2 { min: [from[0] - 4.0, y - 26.0], max: [to[0] + 4.0, y + 6.0] }
}

/// The clock about the first subject: twelve marks, every third with its hour.
fn clock(page: &mut Drawing, map: &Map, plan: &Plan) {
    let Some(subject) = plan.subjects.first() else { return };
    let farthest =
        plan.fixtures.iter().map(|f| shapes::apart(f.place.position, subject.position)).fold(1.0, f64::max);
    let radius = (0.5 * farthest).clamp(0.7, 3.0);
    let at = |hour: u32, radius: f64| {
        let (sin, cos) = (f64::from(hour) * 30.0_f64).to_radians().sin_cos();
        map.at([subject.position[0] + radius * sin, subject.position[1] + radius * cos, 0.0])
    };
    page.shape(
        Path::circle(map.at(subject.position), radius * map.scale),
        None,
        Some(Stroke::new(inks::SOFT.faint(0.45), 1.0)),
    );
    let tick = 6.0 / map.scale;
    for hour in 1..=12 {
        page.line(at(hour, radius - tick), at(hour, radius + tick), Stroke::new(inks::SOFT.faint(0.7), 1.2));
        if hour % 3 == 0 {
            let [x, y] = at(hour, radius + 20.0 / map.scale);
            let (weight, anchor, ink) = (Weight::Regular, Anchor::Middle, inks::SOFT);
            let halo = Some((inks::FLOOR, 2.5));
            page.text(Text {
                at: [x, y + 5.5],
                said: hour.to_string(),
                size: MORE,
                weight,
                anchor,
                ink,
                halo,
            });
        }
    }
}

/// From the side: what each lamp and camera stands on, as a thin line to the floor.
fn stands(page: &mut Drawing, plan: &Plan, map: &Map) {
    let low = -floor_m(plan);
    let places =
        plan.fixtures.iter().map(|f| f.place.position).chain(plan.cameras.iter().map(|c| c.position));
    for [x, y, z] in places {
        page.line(map.at([x, y, z]), map.at([x, y, low]), Stroke::new(inks::SOFT.faint(0.5), 1.0));
    }
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
        let (about, own) =
            shapes::flat(page, map, d.position, (1.0, 1.0), [0.0; 3], (inks::WHITE.faint(clear), frame));
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
