//! From a plan and a look to what is in front of a camera: fronts, boards, walls, floor, the head, the eye.

use super::field::Field;
use super::head::Head;
use super::light::{Around, Between, Board, Patch, Pose, Source, patches_on};
use super::solid::Solid;
use super::work::Workers;
use crate::light::card::Card;
use crate::light::geometry::{COARSE, Front, Plane, Shape};
use crate::light::reading::LampLight;
use crate::light::room;
use crate::light::vector::{across, dot, length, minus, plus, unit};
use crate::picture::colour::{Balance, Rgb};
use crate::plan::{Camera, Metres, Plan, Subject};

/// Diffuse reflectance of the floor, of which the plan says nothing. Judgement: 20 % is usual in reckoning rooms.
pub const FLOOR_REFLECTANCE: f64 = 0.2;
/// Longest side of a part of a wall or the floor, in metres, and most parts each way.
const PART_M: f64 = 0.4;
const MOST_PARTS: u32 = 16;
/// The same of a board.
const BOARD_PART_M: f64 = 0.3;
/// Where no room is given the floor ends here, in metres from the first subject.
const OPEN_FLOOR_M: f64 = 3.0;
/// Height of the picture at the face, in metres: head and shoulders.
const TALL_M: f64 = 0.5;
/// The middle of the picture lies this far under the face, in metres.
const UNDER_M: f64 = 0.055;
/// And so far behind it.
const BEHIND_M: f64 = 0.06;
/// Points each way at which a wall's light is worked out; straight between.
const NET: usize = 56;

/// Where the picture is taken from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Eye {
    /// The lens.
    pub at: Metres,
    forward: Metres,
    side: Metres,
    up: Metres,
    /// Half the picture's height at unit distance.
    half: f64,
}

impl Eye {
    /// A camera that frames something `tall_m` high round a point, whatever its lens.
    #[must_use]
    pub fn framing(at: Metres, middle: Metres, tall_m: f64) -> Self {
        let way = minus(middle, at);
        let forward = unit(way).unwrap_or([0.0, 1.0, 0.0]);
        // `across` gives a side that is to the left as one looks along the axis.
        let (left, up) = across(forward);
        Self { at, forward, side: left.map(|c| -c), up, half: 0.5 * tall_m / length(way).max(1e-6) }
    }

    /// Where in the picture a point of the set is: -1 to 1 each way, x to the right, y up; `None` behind the eye.
    #[must_use]
    pub fn place(&self, point: Metres) -> Option<[f64; 2]> {
        let way = minus(point, self.at);
        let far = dot(way, self.forward);
        (far > 1e-9).then(|| [self.side, self.up].map(|axis| dot(way, axis) / (far * self.half)))
    }

    /// The direction of a place of the picture: -1 to 1 each way, x to the right, y up; of length 1.
    #[must_use]
    pub fn way(&self, x: f64, y: f64) -> Metres {
        let v = plus(plus(self.forward, x * self.half, self.side), y * self.half, self.up);
        unit(v).unwrap_or(self.forward)
    }
}

/// A wall, the ceiling or the floor, with its light where the picture shows it.
pub struct Surface {
    /// All of it.
    pub card: Card,
    /// Diffuse reflectance.
    pub reflectance: f64,
    net: Option<Net>,
}

/// Light on a net of points of a surface.
struct Net {
    /// Least and greatest of both of the card's own axes (-1 to 1) that the picture shows.
    min: [f64; 2],
    max: [f64; 2],
    /// By the room and the boards.
    bounced: Vec<Rgb>,
    /// For each source, its lux for 1 lx at 1 m, nothing in the way.
    direct: Vec<Vec<f64>>,
}

/// Everything in front of a camera.
pub struct Scene {
    /// The solid in it.
    pub solid: Box<dyn Solid>,
    /// Its grid.
    pub field: Field,
    /// Where it stands.
    pub pose: Pose,
    /// Lit fronts.
    pub sources: Vec<Source>,
    /// Boards.
    pub boards: Vec<Board>,
    /// Walls, ceiling, floor.
    pub surfaces: Vec<Surface>,
    /// Flags.
    pub flags: Vec<Card>,
    /// What the room returns at the solid.
    pub around: Around,
    /// The camera's place and framing.
    pub eye: Eye,
    /// Illuminance that the camera calls 0 stops, in lux, its filters counted.
    pub zero_lux: f64,
}

/// How finely a scene is worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finish {
    /// Pixels each way.
    pub size: u32,
    /// Distance of the grid's points in metres.
    pub grid_m: f64,
    /// Looks at a front: at its rim, and at all of it where they disagree.
    pub looks: (u32, u32),
    /// Edges are smoothed.
    pub smooth: bool,
}

impl Finish {
    /// For people.
    pub const FINE: Self = Self { size: 640, grid_m: 0.003, looks: (5, 16), smooth: true };
    /// Small: many on one page, which share the head's grid.
    pub const SMALL: Self = Self { size: 256, looks: (4, 14), ..Self::FINE };
    /// At once.
    pub const DRAFT: Self = Self { size: 240, grid_m: 0.006, looks: (4, 12), smooth: false };
}

/// A head's grid, which every picture of the same finish shares.
#[must_use]
pub fn head_field(finish: &Finish, workers: &dyn Workers) -> Field {
    Field::of(&Head, finish.grid_m, workers)
}

/// A camera as it frames a subject: head and shoulders, whatever its lens.
#[must_use]
pub fn face_eye(subject: &Subject, camera: &Camera) -> Eye {
    // The face is the front of the head: the picture's middle is the head's.
    let head = plus(subject.position, -BEHIND_M, subject.facing);
    Eye::framing(camera.position, plus(head, -UNDER_M, [0.0, 0.0, 1.0]), TALL_M)
}

/// What a plan's lamps give in a look, in the plan's order, as linear sRGB of a camera's balance. `lamps`: see
/// [`crate::light::reading::LampLight`].
#[must_use]
pub fn sources(plan: &Plan, lamps: &[LampLight], balance: &Balance) -> Vec<Source> {
    let mut all = Vec::new();
    for (fixture, lamp) in plan.fixtures.iter().zip(lamps) {
        let lux = lamp.lux_at_1m * (-fixture.loss).ratio();
        if lux > 0.0 {
            all.push(Source { front: Front::of(fixture), rgb: balance.rgb(lamp.xy).map(|c| c * lux) });
        }
    }
    for window in &plan.daylight {
        let (front, lux) = room::window(window.position, window.reading.get());
        let xy = crate::light::colour::xy_of(window.kelvin, crate::units::Duv::ZERO);
        if lux > 0.0 {
            all.push(Source { front, rgb: balance.rgb(xy).map(|c| c * lux) });
        }
    }
    all
}

impl Scene {
    /// A subject's face as a camera sees it, under the given light.
    #[must_use]
    pub fn of(
        plan: &Plan,
        subject: &Subject,
        camera: &Camera,
        lamps: &[LampLight],
        (field, workers): (Field, &dyn Workers),
    ) -> Self {
        let sources = sources(plan, lamps, &Balance::of(camera.white_balance));
        let flags = room::flags(plan);
        let (cards, floor) = cards(plan);
        let boards: Vec<Board> = plan
            .bounces
            .iter()
            .filter_map(|b| {
                let card = room::board_card(plan, b)?;
                let patches = lit(&card, BOARD_PART_M, b.reflectance.get(), &sources, &flags, workers);
                Some(Board { card, patches })
            })
            .collect();
        let mut scene = Self {
            solid: Box::new(Head),
            field,
            pose: Pose { at: subject.position, forward: subject.facing },
            sources,
            boards,
            surfaces: Vec::new(),
            flags,
            around: Around::of(&[], [0.0; 3]),
            eye: face_eye(subject, camera),
            zero_lux: camera.exposure.zero_stops.get(),
        };
        let walls = plan.room.as_ref().map_or(0.0, |r| r.reflectance.get());
        let all = cards.into_iter().map(|c| (c, walls)).chain([(floor, FLOOR_REFLECTANCE)]);
        scene.furnish(all.collect(), workers);
        scene
    }

    /// Puts walls, ceiling and floor round what is there: their light, and what they return.
    pub fn furnish(&mut self, surfaces: Vec<(Card, f64)>, workers: &dyn Workers) {
        let patches: Vec<Vec<Patch>> = surfaces
            .iter()
            .map(|(card, reflectance)| lit(card, PART_M, *reflectance, &self.sources, &self.flags, workers))
            .collect();
        // Between the face and the middle of the head.
        let middle = self.pose.place([0.0, -0.045, 0.0]);
        self.around = Around::of(&patches.concat(), middle);
        let found = surfaces.into_iter().enumerate().map(|(index, (card, reflectance))| {
            let others: Vec<Patch> = patches
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != index)
                .flat_map(|(_, p)| p.iter().copied())
                .chain(self.boards.iter().flat_map(|b| b.patches.iter().copied()))
                .collect();
            let net = self.net(&card, &others, workers);
            Surface { card, reflectance, net }
        });
        self.surfaces = found.collect();
    }

    /// Light on the part of a card that the picture shows; `None` if it shows none.
    fn net(&self, card: &Card, others: &[Patch], workers: &dyn Workers) -> Option<Net> {
        let (mut min, mut max) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for i in 0..=24 {
            for j in 0..=24 {
                let way = self.eye.way(f64::from(i) / 12.0 - 1.0, f64::from(j) / 12.0 - 1.0);
                let Some((_, uv)) = crossed(card, self.eye.at, way) else { continue };
                for k in 0..2 {
                    min[k] = min[k].min(uv[k]);
                    max[k] = max[k].max(uv[k]);
                }
            }
        }
        if min[0] > max[0] {
            return None;
        }
        // The grid of rays may miss a rim of the card.
        for k in 0..2 {
            let rim = 0.06 * (max[k] - min[k]) + 1e-3;
            (min[k], max[k]) = ((min[k] - rim).max(-1.0), (max[k] + rim).min(1.0));
        }
        let sources = self.sources.len();
        let rows = workers.each(NET, &|row| {
            let mut values = Vec::with_capacity(NET * (3 + sources));
            for column in 0..NET {
                let along = |k: usize, i: usize| min[k] + (max[k] - min[k]) * i as f64 / (NET - 1) as f64;
                let at =
                    plus(plus(card.middle, along(0, column), card.half_side), along(1, row), card.half_up);
                let plane = Plane { position: at, normal: card.facing };
                values.extend(patches_on(others, &plane).map(|c| c as f32));
                values.extend(self.sources.iter().map(|s| s.front.lux_on(&plane) as f32));
            }
            values
        });
        let (mut bounced, mut direct) = (Vec::new(), vec![Vec::new(); sources]);
        for point in rows.iter().flat_map(|row| row.chunks_exact(3 + sources)) {
            bounced.push([0, 1, 2].map(|i: usize| f64::from(point[i])));
            for (all, lux) in direct.iter_mut().zip(&point[3..]) {
                all.push(f64::from(*lux));
            }
        }
        Some(Net { min, max, bounced, direct })
    }

    /// What may stand in light's way.
    #[must_use]
    pub fn between(&self, finish: &Finish) -> Between<'_> {
        let balls = self.solid.balls().into_iter().map(|(middle, r)| (self.pose.place(middle), r)).collect();
        Between { field: &self.field, pose: self.pose, balls, flags: &self.flags, looks: finish.looks }
    }
}

impl Surface {
    /// Light at a point of it (its own axes, as [`crossed`] gives them): by the room, and by each source.
    pub fn light(&self, uv: [f64; 2], mut each: impl FnMut(usize, f64)) -> Rgb {
        let Some(net) = &self.net else { return [0.0; 3] };
        let at = [0, 1].map(|k: usize| {
            let span = (net.max[k] - net.min[k]).max(1e-12);
            ((uv[k] - net.min[k]) / span * (NET - 1) as f64).clamp(0.0, (NET - 1) as f64 - 1e-9)
        });
        let (i, j) = (at[0] as usize, at[1] as usize);
        let (u, v) = (at[0] - i as f64, at[1] - j as f64);
        let weights =
            [(0, (1.0 - u) * (1.0 - v)), (1, u * (1.0 - v)), (NET, (1.0 - u) * v), (NET + 1, u * v)];
        let base = j * NET + i;
        for (source, lux) in net.direct.iter().enumerate() {
            each(source, weights.iter().map(|(off, w)| w * lux[base + off]).sum());
        }
        let mut sum = [0.0; 3];
        for (off, w) in weights {
            for (to, from) in sum.iter_mut().zip(net.bounced[base + off]) {
                *to += w * from;
            }
        }
        sum
    }
}

/// Where a ray meets a card from the side that it faces to: distance, and the place in its own axes, -1 to 1.
#[must_use]
pub fn crossed(card: &Card, from: Metres, way: Metres) -> Option<(f64, [f64; 2])> {
    let against = dot(way, card.facing);
    if against >= -1e-9 {
        return None;
    }
    let far = dot(minus(card.middle, from), card.facing) / against;
    if far <= 1e-6 {
        return None;
    }
    let off = minus(plus(from, far, way), card.middle);
    let uv = [card.half_side, card.half_up].map(|half| dot(off, half) / dot(half, half));
    uv.iter().all(|c| c.abs() <= 1.0).then_some((far, uv))
}

/// The room's walls and ceiling, and the floor, which is always there.
fn cards(plan: &Plan) -> (Vec<Card>, Card) {
    let walls: Vec<Card> = room::surfaces(plan).into_iter().map(|(_, card)| card).collect();
    let low = -plan.subjects.first().map_or(0.0, |s| s.eye_height_m);
    let span = |m: Option<f64>| m.unwrap_or(OPEN_FLOOR_M);
    let room = plan.room.as_ref();
    let (left, right) = (-span(room.and_then(|r| r.left_m)), span(room.and_then(|r| r.right_m)));
    let (front, back) = (-OPEN_FLOOR_M, span(room.and_then(|r| r.back_m)));
    let middle = [0.5 * (left + right), 0.5 * (front + back), low];
    (walls, Card::new(middle, [0.0, 0.0, 1.0], (right - left, back - front)))
}

/// A card's parts with what they send out.
fn lit(
    card: &Card,
    longest_m: f64,
    reflectance: f64,
    sources: &[Source],
    flags: &[Card],
    workers: &dyn Workers,
) -> Vec<Patch> {
    let parts = card.parts(longest_m, MOST_PARTS);
    let sent = workers.each(parts.len(), &|index| {
        let mut rgb = [0.0; 3];
        for source in sources {
            // Near by a beam lights a part of a part: the mean over sixteen.
            let near = length(minus(source.front.position, parts[index].middle)) < 4.0 * longest_m;
            let points = if near { parts[index].parts(0.25 * longest_m, 4) } else { vec![parts[index]] };
            let lux: f64 = points
                .iter()
                .map(|p| {
                    let plane = p.plane();
                    let lux = source.front.lux_on(&plane);
                    if lux > 0.0 { lux * source.front.seen_past(&plane, flags, COARSE) } else { 0.0 }
                })
                .sum();
            let lux = reflectance * lux / points.len() as f64;
            for (to, from) in rgb.iter_mut().zip(source.rgb) {
                *to += lux * from;
            }
        }
        rgb.map(|c| c as f32).to_vec()
    });
    let patch = |(card, rgb): (&Card, &Vec<f32>)| Patch {
        card: *card,
        rgb: [0, 1, 2].map(|i: usize| f64::from(rgb[i])),
    };
    parts.iter().zip(&sent).map(patch).collect()
}

/// A point-like or round matt front for checks: `lux_at_1m` on its axis, grey.
#[must_use]
pub fn plain_source(position: Metres, aim: Metres, radius_m: f64, lux_at_1m: f64) -> Source {
    let axis = unit(minus(aim, position)).unwrap_or([0.0, 1.0, 0.0]);
    let shape = if radius_m > 0.0 { Shape::Cosine(1.0) } else { Shape::Even };
    Source { front: Front { position, axis, radius_m, shape }, rgb: [lux_at_1m; 3] }
}
