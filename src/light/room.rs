//! What every lamp sends to every meter point: straight, by the boards it feeds, by the room.
//!
//! A pure function of the places in a plan; levels come later and only multiply. `docs/light.md` has the
//! model with its limits.

use std::collections::BTreeSet;

use super::card::Card;
use super::geometry::{COARSE, FINE, Front, Plane, Shape};
use super::points;
use super::solve;
use super::vector::{length, minus, unit};
use crate::plan::{
    Aim, Aimed, Bounce, FixtureId, MeterAt, MeterPoint, Metres, Placement, Plan, Receptor, Sent, Spill,
    SubjectId, Surface, Wall as Side,
};

/// Where the room does not say how far it goes, it ends here, in metres from the first subject (judgement).
const OPEN_END_M: f64 = 3.0;
/// Height of walls where no ceiling is given, in metres (judgement).
const WALL_HEIGHT_M: f64 = 2.5;
/// Longest side of a part of a wall or ceiling, in metres, as far as [`MOST_PARTS`] allow.
const PART_M: f64 = 0.25;
/// Most parts of a surface each way.
const MOST_PARTS: u32 = 24;
/// Nearer than this, in metres, a part is lit by the mean over its own parts, [`NEAR_PARTS`] each way.
const NEAR_M: f64 = 1.5;
/// Parts of a part each way.
const NEAR_PARTS: u32 = 4;
/// Longest side of a part of a board, in metres.
const BOARD_PART_M: f64 = 0.15;
/// Most parts of a board each way.
const MOST_BOARD_PARTS: u32 = 10;
/// Radius in metres of the disc that stands for a window: 1 m² of it (judgement; the plan has no size).
const WINDOW_RADIUS_M: f64 = 0.564;

/// What every lamp of `plan` sends to every meter point of every subject, for each key that a look has.
#[must_use]
pub fn spill(plan: &Plan) -> Spill {
    let scene = Scene::of(plan);
    let keys: BTreeSet<FixtureId> = plan.looks.iter().filter_map(|l| l.key).collect();
    let mut receptors = Vec::new();
    for subject in (0..plan.subjects.len()).map(SubjectId) {
        for point in MeterPoint::ALL {
            let at = MeterAt { point, subject };
            let turned: Vec<_> =
                if point.needs_key() { keys.iter().copied().map(Some).collect() } else { vec![None] };
            for key in turned {
                if let Some(plane) = points::plane(plan, at, key) {
                    receptors.push(scene.receptor(at, key, &plane));
                }
            }
        }
    }
    let aims = scene.aims(plan, &receptors);
    let own = (0..plan.fixtures.len()).map(|index| scene.own(plan, index)).collect();
    Spill { receptors, aims, own }
}

/// How many steps [`spill`] takes for a plan, about; each takes some nanoseconds. What a set comes to grows with the
/// product of its lamps, points, flags and parts of walls.
#[must_use]
pub fn steps(plan: &Plan) -> f64 {
    let (lamps, flags) = (plan.fixtures.len() as f64, 1.0 + plan.flags.len() as f64);
    let keys = plan.looks.iter().filter_map(|l| l.key).collect::<BTreeSet<FixtureId>>().len();
    let turned = MeterPoint::ALL.iter().filter(|p| p.needs_key()).count();
    let points = plan.subjects.len() as f64 * (MeterPoint::ALL.len() - turned + turned * keys) as f64;
    let parts = surfaces(plan).len() as f64 * f64::from(MOST_PARTS * MOST_PARTS);
    let boards = plan.bounces.len() as f64 * f64::from(MOST_BOARD_PARTS * MOST_BOARD_PARTS);
    let straight = lamps + boards + plan.daylight.len() as f64;
    parts * lamps * flags + points * (straight * flags + parts * lamps) + lamps * (flags + parts)
}

/// Fronts, cards and lit surfaces of a plan.
struct Scene {
    lamps: Vec<Front>,
    losses: Vec<f64>,
    flags: Vec<Card>,
    boards: Vec<Board>,
    walls: Vec<Wall>,
    windows: Vec<(Front, f64)>,
}

/// A fed board: its parts and what each sends out for 1 lx at 1 m of its lamp, in lm/m².
struct Board {
    fed_by: FixtureId,
    parts: Vec<(Card, f64)>,
}

/// One surface of the room: its parts, each with what it sends out of every lamp's light.
struct Wall {
    surface: usize,
    parts: Vec<(Card, Vec<f64>)>,
}

impl Scene {
    fn of(plan: &Plan) -> Self {
        let lamps: Vec<Front> = plan.fixtures.iter().map(Front::of).collect();
        let losses = plan.fixtures.iter().map(|f| (-f.loss).ratio()).collect();
        let flags = flags(plan);
        let boards = plan.bounces.iter().filter_map(|b| board(plan, b, &lamps, &flags)).collect();
        let reflectance = plan.room.as_ref().map_or(0.0, |r| r.reflectance.get());
        let lit = |card: Card| {
            let fine = card.parts(PART_M / f64::from(NEAR_PARTS), NEAR_PARTS);
            let sent = lamps.iter().map(|lamp| {
                // A narrow beam near by lights a part of a part.
                let near = length(minus(lamp.position, card.middle)) < NEAR_M;
                let parts = if near { fine.as_slice() } else { std::slice::from_ref(&card) };
                let sum: f64 = parts
                    .iter()
                    .map(|part| {
                        let (plane, n) = (part.plane(), parts.len() as f64);
                        lamp.lux_on(&plane) * lamp.seen_past(&plane, &flags, COARSE) / n
                    })
                    .sum();
                reflectance * sum
            });
            let sent = sent.collect();
            (card, sent)
        };
        let walls = surfaces(plan)
            .into_iter()
            .map(|(surface, card)| Wall {
                surface,
                parts: card.parts(PART_M, MOST_PARTS).into_iter().map(lit).collect(),
            })
            .collect();
        let windows = plan.daylight.iter().map(|d| window(d.position, d.reading.get())).collect();
        Self { lamps, losses, flags, boards, walls, windows }
    }

    /// The aims of lamps that shine past every receptor, each place once.
    fn aims(&self, plan: &Plan, receptors: &[Receptor]) -> Vec<Aimed> {
        let mut planes: Vec<Plane> = Vec::new();
        let mut aims = Vec::new();
        for (index, fixture) in plan.fixtures.iter().enumerate() {
            let most = receptors.iter().map(|r| r.lamps[index].total()).fold(0.0, f64::max);
            if most >= 0.5 * solve::gain(fixture) {
                continue;
            }
            let plane = aim_plane(&fixture.place);
            if planes.contains(&plane) {
                continue;
            }
            planes.push(plane);
            let lamps = self.lamps.iter().zip(&self.losses).map(|(front, loss)| front.lux_on(&plane) * loss);
            aims.push(Aimed { fixture: FixtureId(index), lamps: lamps.collect() });
        }
        aims
    }

    /// What one lamp sends to its own aim: straight, by its boards and by the room.
    fn own(&self, plan: &Plan, index: usize) -> f64 {
        let plane = aim_plane(&plan.fixtures[index].place);
        let front = &self.lamps[index];
        let straight = front.lux_on(&plane) * front.seen_past(&plane, &self.flags, COARSE);
        let boards = self.boards.iter().filter(|b| b.fed_by.0 == index).flat_map(|b| &b.parts);
        let boards: f64 = boards.map(|(card, out)| card.lux_on(&plane) * out).sum();
        let walls = self.walls.iter().flat_map(|wall| &wall.parts);
        let room: f64 = walls.map(|(card, sent)| card.lux_on(&plane) * sent[index]).sum();
        (straight + boards + room) * self.losses[index]
    }

    fn receptor(&self, at: MeterAt, key: Option<FixtureId>, plane: &Plane) -> Receptor {
        let past = |front: &Front| {
            let lux = front.lux_on(plane);
            if lux > 0.0 { lux * front.seen_past(plane, &self.flags, FINE) } else { 0.0 }
        };
        let mut lamps: Vec<Sent> =
            self.lamps.iter().map(|lamp| Sent { direct: past(lamp), ..Sent::default() }).collect();
        for board in &self.boards {
            let open = |card: &Card| self.flags.iter().all(|f| !f.stops(card.middle, plane.position));
            let sent =
                board.parts.iter().filter(|(card, _)| open(card)).map(|(c, out)| c.lux_on(plane) * out);
            lamps[board.fed_by.0].board += sent.sum::<f64>();
        }
        for wall in &self.walls {
            for (card, sent) in &wall.parts {
                let seen = card.lux_on(plane);
                if seen > 0.0 {
                    for (lamp, out) in lamps.iter_mut().zip(sent) {
                        lamp.room[wall.surface] += seen * out;
                    }
                }
            }
        }
        for (lamp, loss) in lamps.iter_mut().zip(&self.losses) {
            lamp.direct *= loss;
            lamp.board *= loss;
            lamp.room = lamp.room.map(|r| r * loss);
        }
        let daylight = self.windows.iter().map(|(front, reading)| past(front) * reading).collect();
        Receptor { at, key, position: plane.position, normal: plane.normal, lamps, daylight }
    }
}

/// The receptor at what a lamp is aimed at: turned to the lamp, or lying in the wall.
fn aim_plane(place: &Placement) -> Plane {
    let normal = match place.aim {
        Aim::Wall(Side::Back) => [0.0, -1.0, 0.0],
        Aim::Wall(Side::Left) => [1.0, 0.0, 0.0],
        Aim::Wall(Side::Right) => [-1.0, 0.0, 0.0],
        Aim::Face(_) | Aim::Hair(_) | Aim::Point => {
            unit(minus(place.position, place.aim_point)).unwrap_or([0.0, -1.0, 0.0])
        }
    };
    Plane { position: place.aim_point, normal }
}

/// Every flag: it faces the lamp that it cuts, else the first subject, and stops any lamp's light.
pub fn flags(plan: &Plan) -> Vec<Card> {
    let card = |flag: &crate::plan::Flag| {
        let faced = flag.cuts.map_or([0.0; 3], |id| plan.fixture(id).place.position);
        Some(Card::new(flag.position, unit(minus(faced, flag.position))?, flag.size_m))
    };
    plan.flags.iter().filter_map(card).collect()
}

/// What a board faces: the face of the subject that the lamp which feeds it is aimed at, else the first one's.
pub fn board_faces(plan: &Plan, bounce: &Bounce) -> Metres {
    let fed = bounce.fed_by.map(|id| plan.fixture(id).place.aim);
    let subject = match fed {
        Some(Aim::Face(subject) | Aim::Hair(subject)) => plan.subjects.get(subject.0),
        _ => plan.subjects.first(),
    };
    subject.map_or([0.0; 3], |s| s.position)
}

/// A board as a card; `None` for one that stands in the very face.
pub fn board_card(plan: &Plan, bounce: &Bounce) -> Option<Card> {
    let facing = unit(minus(board_faces(plan, bounce), bounce.position))?;
    Some(Card::new(bounce.position, facing, bounce.size_m))
}

/// A board that a lamp feeds.
fn board(plan: &Plan, bounce: &Bounce, lamps: &[Front], flags: &[Card]) -> Option<Board> {
    let fed_by = bounce.fed_by?;
    let card = board_card(plan, bounce)?;
    let lamp = lamps.get(fed_by.0)?;
    let lit = |part: Card| {
        let plane = part.plane();
        (part, bounce.reflectance.get() * lamp.lux_on(&plane) * lamp.seen_past(&plane, flags, COARSE))
    };
    Some(Board { fed_by, parts: card.parts(BOARD_PART_M, MOST_BOARD_PARTS).into_iter().map(lit).collect() })
}

/// The walls and the ceiling that the room places, each with its index in [`Surface::ALL`].
pub fn surfaces(plan: &Plan) -> Vec<(usize, Card)> {
    let Some(room) = &plan.room else { return Vec::new() };
    let floor = -plan.subjects.first().map_or(0.0, |s| s.eye_height_m);
    let top = floor + room.ceiling_m.unwrap_or(WALL_HEIGHT_M);
    let (left, right) = (-room.left_m.unwrap_or(OPEN_END_M), room.right_m.unwrap_or(OPEN_END_M));
    let (front, back) = (-OPEN_END_M, room.back_m.unwrap_or(OPEN_END_M));
    let middle = [0.5 * (left + right), 0.5 * (front + back), 0.5 * (floor + top)];
    let (wide, deep, high) = (right - left, back - front, top - floor);
    let at = |axis: usize, value: f64| {
        let mut point = middle;
        point[axis] = value;
        point
    };
    let mut all = Vec::new();
    let mut add = |surface: Surface, there: bool, point: Metres, facing: Metres, size: (f64, f64)| {
        if there && let Some(index) = Surface::ALL.iter().position(|s| *s == surface) {
            all.push((index, Card::new(point, facing, size)));
        }
    };
    add(Surface::Back, room.back_m.is_some(), at(1, back), [0.0, -1.0, 0.0], (wide, high));
    add(Surface::Left, room.left_m.is_some(), at(0, left), [1.0, 0.0, 0.0], (deep, high));
    add(Surface::Right, room.right_m.is_some(), at(0, right), [-1.0, 0.0, 0.0], (deep, high));
    // `Card` takes x as the side of a level card.
    add(Surface::Ceiling, room.ceiling_m.is_some(), at(2, top), [0.0, 0.0, -1.0], (wide, deep));
    all
}

/// A window by its reading at the first subject's face, turned to it: a disc that faces every point, with
/// the lux at 1 m that give this reading there.
pub fn window(position: Metres, reading_lux: f64) -> (Front, f64) {
    let axis = unit(minus([0.0; 3], position)).unwrap_or([0.0, 1.0, 0.0]);
    let front = Front { position, axis, radius_m: WINDOW_RADIUS_M, shape: Shape::Even };
    let at_face = front.lux_on(&Plane { position: [0.0; 3], normal: axis.map(|c| -c) });
    (front, if at_face > 0.0 { reading_lux / at_face } else { 0.0 })
}
