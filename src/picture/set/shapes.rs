//! The shapes that stand for lamps, beams, people, cameras, boards, flags and windows.

use super::facts::Lamp;
use super::inks;
use super::map::{From, Map};
use crate::light::vector::{length, minus, plus, unit};
use crate::picture::drawing::{Anchor, Drawing, Ink, Path, Stroke, Text, Weight};
use crate::picture::labels::Box2;
use crate::plan::{Fixture, Metres, Plan, Subject};

/// Radius of a lamp's numbered circle in page units.
pub const BADGE: f64 = 13.0;
/// From this full angle on a beam is so wide that only its beginning is drawn, in degrees.
const WIDE_DEG: f64 = 75.0;
/// Full angle at half intensity of a matt front, which shines as the cosine: 2 x 60 degrees.
const MATT_DEG: f64 = 120.0;

/// A lamp's lit front on the page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnPage {
    /// The middle of its front.
    pub front: [f64; 2],
    /// Unit vector that it shines along; upwards where it shines at the viewer or away.
    pub way: [f64; 2],
    /// How much of its axis is seen: 1 square on, 0 along the line of sight.
    pub seen: f64,
    /// Half its width.
    pub half: f64,
    /// Where its number goes unless something else is there.
    pub badge: [f64; 2],
}

/// Where a lamp is on the page.
pub fn on_page(map: &Map, fixture: &Fixture) -> OnPage {
    let place = &fixture.place;
    let axis = unit(minus(place.aim_point, place.position)).unwrap_or([0.0, 1.0, 0.0]);
    let [x, y] = map.along(axis);
    let seen = x.hypot(y);
    let way = if seen > 1e-6 { [x / seen, y / seen] } else { [0.0, -1.0] };
    let front = map.at(place.position);
    let half = (fixture.radius_m.unwrap_or(0.0) * map.scale).max(9.0);
    let behind = depth(map, seen) + 0.35 * BADGE;
    OnPage { front, way, seen, half, badge: [front[0] - behind * way[0], front[1] - behind * way[1]] }
}

/// Length of a lamp's body on the page.
fn depth(map: &Map, seen: f64) -> f64 {
    (0.11 * map.scale).max(14.0) * seen.max(0.25)
}

/// A lamp's beam: a wedge to half its intensity, lighter the more light it gives.
pub fn beam(page: &mut Drawing, map: &Map, fixture: &Fixture, lamp: &Lamp) {
    let at = on_page(map, fixture);
    let Some((ink, strength)) = glow(lamp) else { return };
    if at.seen < 0.2 {
        return;
    }
    let full = fixture.beam_deg.unwrap_or(MATT_DEG).min(MATT_DEG);
    let far = fixture.place.distance_m * map.scale * at.seen;
    // A wide beam fills the room: its beginning says as much.
    let (reach, layers) = if full < WIDE_DEG { (far, 1) } else { (far.min(0.55 * map.scale), 5) };
    let spread = (0.5 * full).to_radians().tan();
    let side = [-at.way[1], at.way[0]];
    for layer in 1..=layers {
        let long = reach * f64::from(layer) / f64::from(layers);
        let wide = at.half + long * spread;
        let corner = |along: f64, across: f64| {
            [0, 1].map(|i: usize| at.front[i] + along * at.way[i] + across * side[i])
        };
        let wedge = [corner(0.0, at.half), corner(long, wide), corner(long, -wide), corner(0.0, -at.half)];
        page.shape(Path::along(&wedge, true), Some(ink.faint(strength / f64::from(layers))), None);
    }
}

/// The colour and strength of a beam; `None` for a lamp that is dark.
fn glow(lamp: &Lamp) -> Option<(Ink, f64)> {
    match &lamp.lit {
        None => Some((inks::WHITE, 0.3)),
        Some(lit) if lit.lux > 0.0 => {
            Some((Ink { rgb: lit.tint, opacity: 1.0 }, (0.72 + 0.1 * lit.stops).clamp(0.2, 0.85)))
        }
        Some(_) => None,
    }
}

/// The line from a lamp to what it is aimed at.
pub fn aim(page: &mut Drawing, map: &Map, fixture: &Fixture, lamp: &Lamp) {
    let (from, to) = (map.at(fixture.place.position), map.at(fixture.place.aim_point));
    let lit = lamp.lit.is_none_or(|l| l.lux > 0.0);
    let ink = if lit { inks::SOFT } else { inks::UNLIT };
    page.line(from, to, Stroke::new(ink, 1.1).dashed(7.0, 5.0));
    page.shape(Path::circle(to, 2.6), Some(ink), None);
}

/// The lamp itself: a body behind a lit front of true width, seen as an ellipse.
pub fn lamp(page: &mut Drawing, map: &Map, fixture: &Fixture, lamp: &Lamp) {
    let at = on_page(map, fixture);
    let (on, tint) = match &lamp.lit {
        None => (true, inks::WHITE),
        Some(lit) if lit.lux > 0.0 => (true, Ink { rgb: lit.tint, opacity: 1.0 }),
        Some(_) => (false, inks::UNLIT),
    };
    let side = [-at.way[1], at.way[0]];
    let minor = (at.half * (1.0 - at.seen * at.seen).max(0.0).sqrt()).max(3.2);
    let back = (0.34 * at.half).clamp(6.0, 16.0);
    let deep = depth(map, at.seen);
    let corner =
        |along: f64, across: f64| [0, 1].map(|i: usize| at.front[i] - along * at.way[i] + across * side[i]);
    let outline = Stroke::new(if on { inks::DARK } else { inks::SOFT }, 1.6);
    let body = [corner(0.0, at.half), corner(deep, back), corner(deep, -back), corner(0.0, -at.half)];
    page.shape(Path::along(&body, true), Some(if on { inks::CLOTH } else { inks::UNLIT }), Some(outline));
    let ellipse = Path::ellipse(at.front, side.map(|c| c * at.half), at.way.map(|c| c * minor));
    page.shape(ellipse, Some(tint), Some(outline));
}

/// A lamp's number in its circle, and the line to it where the circle had to give way.
pub fn badge(page: &mut Drawing, at: [f64; 2], home: [f64; 2], lamp: &Lamp) {
    if (at[0] - home[0]).hypot(at[1] - home[1]) > 1.0 {
        page.line(at, home, Stroke::new(inks::DARK, 1.2));
    }
    let on = lamp.lit.is_none_or(|l| l.lux > 0.0);
    let (fill, ink) = if on { (inks::DARK, inks::WHITE) } else { (inks::WHITE, inks::SOFT) };
    page.shape(
        Path::circle(at, BADGE),
        Some(fill),
        Some(Stroke::new(if on { inks::WHITE } else { inks::SOFT }, 1.6)),
    );
    number(page, at, lamp.number, ink);
}

/// A lamp's number about a point.
pub fn number(page: &mut Drawing, at: [f64; 2], number: usize, ink: Ink) {
    let size = if number < 100 { 15.5 } else { 12.0 };
    let at = [at[0], at[1] + 0.36 * size];
    let said = number.to_string();
    page.text(Text { at, said, size, weight: Weight::Bold, anchor: Anchor::Middle, ink, halo: None });
}

/// A person: head and nose, shoulders from above, a seated body from the side. Returns the boxes of head and body.
pub fn subject(page: &mut Drawing, map: &Map, subject: &Subject, floor_m: f64) -> (Box2, Box2) {
    let m = |metres: f64| metres * map.scale;
    let line = Stroke::new(inks::DARK, 1.6);
    // The face is the front of the head, which lies behind it.
    let back = |by: f64, up: f64| -> Metres {
        let [x, y, z] = subject.position;
        [x - by * subject.facing[0], y - by * subject.facing[1], z + up]
    };
    let [fx, fy] = map.along(subject.facing);
    let seen = fx.hypot(fy);
    let nose = if seen > 1e-6 { [fx / seen, fy / seen] } else { [0.0, 0.0] };
    let across = [-nose[1], nose[0]];
    let head = map.at(back(0.1, -0.01));
    let (long, wide) = (m(0.1).max(13.0), m(0.08).max(11.0));
    let torso = match map.from {
        From::Above => {
            let shoulders = map.at(back(0.13, 0.0));
            let path = Path::ellipse(
                shoulders,
                across.map(|c| c * m(0.23).max(26.0)),
                nose.map(|c| c * m(0.12).max(13.0)),
            );
            page.shape(path, Some(inks::CLOTH), Some(line));
            Box2::round(
                shoulders,
                [0, 1].map(|i: usize| 1.7 * (across[i] * m(0.23).max(26.0)).abs().max(13.0)),
            )
        }
        From::Side => {
            let chest = map.at(back(0.1, -0.45));
            let seat = map.at(back(0.1, -0.75_f64.min(floor_m)));
            let (half, base) = (m(0.11).max(9.0), m(0.15).max(12.0));
            let neck = map.at(back(0.1, -0.17));
            let body = [
                [neck[0] - 0.5 * half, neck[1]],
                [neck[0] + 0.5 * half, neck[1]],
                [chest[0] + half, chest[1]],
                [seat[0] + base, seat[1]],
                [seat[0] - base, seat[1]],
                [chest[0] - half, chest[1]],
            ];
            page.shape(Path::along(&body, true), Some(inks::CLOTH), Some(line));
            Box2::of(&body)
        }
    };
    // From the side the head is as long as high.
    let (a, b) = match map.from {
        From::Above => (nose.map(|c| c * long), across.map(|c| c * wide)),
        From::Side => ([wide + (long - wide) * seen, 0.0], [0.0, m(0.12).max(14.0)]),
    };
    if seen > 0.3 {
        let tip = [0, 1].map(|i: usize| head[i] + nose[i] * (long + 0.6 * wide) * seen.max(0.8));
        let root = |side: f64| {
            [0, 1].map(|i: usize| head[i] + nose[i] * 0.86 * long + side * across[i] * 0.5 * wide)
        };
        page.shape(Path::along(&[root(1.0), tip, root(-1.0)], true), Some(inks::SKIN), Some(line));
    }
    page.shape(Path::ellipse(head, a, b), Some(inks::SKIN), Some(line));
    (Box2::round(head, [2.6 * long, 2.6 * long]), torso)
}

/// A camera: a box with a lens, looking at the first subject. Returns its box.
pub fn camera(page: &mut Drawing, map: &Map, plan: &Plan, position: Metres) -> Box2 {
    let at = map.at(position);
    let target = plan.subjects.first().map_or([0.0; 3], |s| s.position);
    let [x, y] = map.along(minus(target, position));
    let long = x.hypot(y).max(1e-9);
    let (way, side) = ([x / long, y / long], [-y / long, x / long]);
    let corner = |along: f64, across: f64| [0, 1].map(|i: usize| at[i] + along * way[i] + across * side[i]);
    let line = Stroke::new(inks::DARK, 1.6);
    let lens = [corner(-4.0, 5.0), corner(9.0, 9.0), corner(9.0, -9.0), corner(-4.0, -5.0)];
    page.shape(Path::along(&lens, true), Some(inks::WHITE), Some(line));
    let body = [corner(-30.0, 11.0), corner(-4.0, 11.0), corner(-4.0, -11.0), corner(-30.0, -11.0)];
    page.shape(Path::along(&body, true), Some(inks::DARK), Some(line));
    Box2::round(corner(-10.0, 0.0), [46.0, 46.0])
}

/// A flat thing of some width that faces a point: a board, a flag, a window. Returns the box of its middle, which a label stands beside,
/// and boxes all along it.
pub fn flat(
    page: &mut Drawing,
    map: &Map,
    position: Metres,
    size_m: (f64, f64),
    faces: Metres,
    (fill, line): (Ink, Stroke),
) -> (Box2, Vec<Box2>) {
    let facing = unit(minus(faces, position)).unwrap_or([0.0, -1.0, 0.0]);
    let card = crate::light::card::Card::new(position, facing, size_m);
    let corners = card.corners().map(|c| map.at(c));
    let seen = Box2::of(&corners);
    // Edge on it would be a line: then it is a bar.
    let [x, y] = map.along(facing);
    let long = x.hypot(y);
    let thick = 2.5;
    let path = if long > 1e-6 {
        let off = [x / long * thick, y / long * thick];
        let moved = |c: [f64; 2], k: f64| [c[0] + k * off[0], c[1] + k * off[1]];
        let mut points: Vec<[f64; 2]> =
            corners.iter().flat_map(|c| [moved(*c, 1.0), moved(*c, -1.0)]).collect();
        points = hull(points);
        Path::along(&points, true)
    } else {
        Path::along(&corners, true)
    };
    page.shape(path, Some(fill), Some(line));
    let along = |k: f64, up: f64| map.at(plus(plus(position, k, card.half_side), up, card.half_up));
    let rows = |k: i32| [-0.8, 0.0, 0.8].map(|up| Box2::round(along(f64::from(k) / 4.0, up), [12.0, 12.0]));
    let own = (-4..=4).flat_map(rows).collect();
    (Box2::round(map.at(position), [0, 1].map(|i: usize| 0.4 * (seen.max[i] - seen.min[i]).max(20.0))), own)
}

/// The outline round some points, by Andrew's monotone chain.
fn hull(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let left =
        |a: [f64; 2], b: [f64; 2], c: [f64; 2]| (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    let chain = |points: &[[f64; 2]]| {
        let mut kept: Vec<[f64; 2]> = Vec::new();
        for p in points {
            while kept.len() > 1 && left(kept[kept.len() - 2], kept[kept.len() - 1], *p) <= 0.0 {
                kept.pop();
            }
            kept.push(*p);
        }
        kept.pop();
        kept
    };
    let mut outline = chain(&points);
    points.reverse();
    outline.extend(chain(&points));
    outline
}

/// How far apart two places are.
pub fn apart(a: Metres, b: Metres) -> f64 {
    length(minus(a, b))
}
