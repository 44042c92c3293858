//! What a view of the set stands on: floor, walls, ceiling, a grid, a scale, the clock, stands.

use super::grid::Grid;
use super::map::{From, Map, floor_m};
use super::view::MORE;
use super::{inks, shapes};
use crate::picture::drawing::{Anchor, Drawing, Path, Stroke, Text, Weight};
use crate::picture::font;
use crate::picture::labels::Box2;
use crate::plan::{Metres, Plan, Room};

/// A window nearer to a wall than this is in it, in metres. Judgement: the depth of a reveal and what a tape misses.
const AT_WALL_M: f64 = 0.35;

/// The floor, the walls that the plan places, the ceiling, a grid, and what a length on the page is, in the words `bar`. Returns the
/// boxes of walls.
pub fn room(page: &mut Drawing, plan: &Plan, map: &Map, (grid, bar): (Grid, &str)) -> Vec<Box2> {
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
    let step = grid.dots_m;
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
    walls.push(scale_bar(page, plan, map, (grid.bar_m, bar)));
    walls
}

/// A bar of a known length at the lower edge. Returns its box.
fn scale_bar(page: &mut Drawing, plan: &Plan, map: &Map, (metres, said): (f64, &str)) -> Box2 {
    let [w, h] = map.size();
    let (long, y) = (metres * map.scale, h - if map.from == From::Above { 20.0 } else { 34.0 });
    // From the side the wall's lamps stand at the right.
    let over = (0.5 * (font::width(said, MORE, Weight::Regular) - long)).max(0.0);
    // Within the walls.
    let right = plan.room.as_ref().and_then(|r| r.right_m).map_or(w, |m| map.page([m, 0.0])[0].min(w));
    let x = if map.from == From::Above { right - 24.0 - over - long } else { 20.0 + over };
    let (from, to) = ([x, y], [x + long, y]);
    let line = Stroke::new(inks::DARK, 2.4);
    page.line(from, to, line);
    for end in [from, to] {
        page.line([end[0], y - 5.0], [end[0], y + 5.0], line);
    }
    let at = [0.5 * (from[0] + to[0]), y - 8.0];
    let halo = Some((inks::FLOOR, 2.5));
    let (weight, anchor, ink) = (Weight::Regular, Anchor::Middle, inks::DARK);
    page.text(Text { at, said: said.to_owned(), size: MORE, weight, anchor, ink, halo });
    let wide = (0.5 * (font::width(said, MORE, weight) - long)).max(0.0) + 4.0;
    Box2 { min: [from[0] - wide, y - 26.0], max: [to[0] + wide, y + 6.0] }
}

/// The clock about the first subject: twelve marks, every third with its hour where nothing of `busy` is. Of some sizes it has the
/// one whose hours are free.
pub fn clock(page: &mut Drawing, map: &Map, plan: &Plan, busy: &[Box2]) {
    let Some(subject) = plan.subjects.first() else { return };
    let farthest =
        plan.fixtures.iter().map(|f| shapes::apart(f.place.position, subject.position)).fold(1.0, f64::max);
    let at = |hour: u32, radius: f64| {
        let (sin, cos) = (f64::from(hour) * 30.0_f64).to_radians().sin_cos();
        map.at([subject.position[0] + radius * sin, subject.position[1] + radius * cos, 0.0])
    };
    let named = |hour: u32, radius: f64| at(hour, radius + 20.0 / map.scale);
    let free = |hour: u32, radius: f64| {
        let own = Box2::round(named(hour, radius), [20.0, 18.0]);
        busy.iter().all(|b| b.shared(&own) == 0.0)
    };
    let sizes = [0.5, 0.45, 0.55, 0.4, 0.6, 0.65].map(|share: f64| (share * farthest).clamp(0.7, 3.0));
    let hours = |radius: f64| [3, 6, 9, 12].into_iter().filter(|hour| free(*hour, radius)).count();
    // The first of those that are best.
    let radius = sizes.into_iter().rev().max_by_key(|radius| hours(*radius)).unwrap_or(0.7);
    page.shape(
        Path::circle(map.at(subject.position), radius * map.scale),
        None,
        Some(Stroke::new(inks::SOFT.faint(0.45), 1.0)),
    );
    let tick = 6.0 / map.scale;
    for hour in 1..=12 {
        page.line(at(hour, radius - tick), at(hour, radius + tick), Stroke::new(inks::SOFT.faint(0.7), 1.2));
        if hour % 3 == 0 && free(hour, radius) {
            let [x, y] = named(hour, radius);
            let (at, said, size) = ([x, y + 5.5], hour.to_string(), MORE);
            let (weight, anchor, ink) = (Weight::Regular, Anchor::Middle, inks::SOFT);
            let halo = Some((inks::FLOOR, 2.5));
            page.text(Text { at, said, size, weight, anchor, ink, halo });
        }
    }
}

/// What a window faces: into the room where it lies at a wall, else the first subject. The plan says no more of it.
pub fn window_faces(plan: &Plan, [x, y, z]: Metres) -> Metres {
    let near = |wall: Option<f64>, at: f64| wall.filter(|wall| (wall - at).abs() < AT_WALL_M);
    let room = plan.room.as_ref();
    let side = |pick: fn(&Room) -> Option<f64>| room.and_then(pick);
    if near(side(|r| r.left_m), -x).is_some() {
        [x + 1.0, y, z]
    } else if near(side(|r| r.right_m), x).is_some() {
        [x - 1.0, y, z]
    } else if near(side(|r| r.back_m), y).is_some() {
        [x, y - 1.0, z]
    } else {
        [0.0; 3]
    }
}

/// From the side: what each lamp and camera stands on, as a thin line to the floor.
pub fn stands(page: &mut Drawing, plan: &Plan, map: &Map) {
    let low = -floor_m(plan);
    let places =
        plan.fixtures.iter().map(|f| f.place.position).chain(plan.cameras.iter().map(|c| c.position));
    for [x, y, z] in places {
        page.line(map.at([x, y, z]), map.at([x, y, low]), Stroke::new(inks::SOFT.faint(0.5), 1.0));
    }
}
