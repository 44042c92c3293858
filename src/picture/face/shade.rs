//! One picture: what each ray meets, the light there, and the camera's exposure.

use super::light::{Between, mirrored, open, patches_on, sheen};
use super::scene::{Finish, Scene, crossed};
use super::solid::{meeting, normal};
use super::work::Workers;
use crate::light::geometry::Plane;
use crate::light::vector::{dot, plus};
use crate::picture::colour::{Rgb, coded, toned};
use crate::picture::drawing::Pixels;
use crate::plan::Metres;

/// What a pixel shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    /// Nothing that the plan places.
    Nothing,
    /// A wall, the ceiling or the floor.
    Room,
    /// Skin, lips, eyes.
    Face,
    /// Hair or cloth.
    Other,
}

/// A picture before the screen: linear light.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposed {
    /// Pixels each way.
    pub size: u32,
    /// Linear sRGB of each pixel, rows from the top: reflectance times light, against the light called 0 stops. 18 % grey at 0
    /// stops is 0.18.
    pub rgb: Vec<[f32; 3]>,
    /// The same smoothed at edges.
    pub smooth: Vec<[f32; 3]>,
    /// The same smoothed at edges and toned, 0 to 1: each ray toned by itself, so that a bright edge has no rim.
    pub toned: Vec<[f32; 3]>,
    /// What each pixel shows.
    pub shows: Vec<Shows>,
}

/// What one ray found.
struct Found {
    rgb: Rgb,
    shows: Shows,
    far: f64,
    normal: Metres,
}

/// Numbers that a pixel hands on: linear r, g, b, what it shows, distance, normal.
const WIDE: usize = 8;
/// Neighbours farther apart than this along the ray, in metres, or turned by more than this cosine, are an edge.
const EDGE_M: f64 = 0.012;
const EDGE_COSINE: f64 = 0.72;

/// Takes the picture.
#[must_use]
pub fn expose(scene: &Scene, finish: &Finish, workers: &dyn Workers) -> Exposed {
    let size = finish.size.max(2) as usize;
    let place = |x: f64, y: f64| [2.0 * x / size as f64 - 1.0, 1.0 - 2.0 * y / size as f64];
    let between = scene.between(finish);
    let rows = workers.each(size, &|y| {
        let mut row = Vec::with_capacity(size * WIDE);
        for x in 0..size {
            let [u, v] = place(x as f64 + 0.5, y as f64 + 0.5);
            let found = look(scene, &between, scene.eye.way(u, v), turn(x, y, 0));
            row.extend(found.rgb.map(|c| c as f32));
            row.push(f32::from(found.shows as u8));
            row.push(found.far as f32);
            row.extend(found.normal.map(|c| c as f32));
        }
        row
    });
    let seen: Vec<&[f32]> = rows.iter().flat_map(|row| row.chunks_exact(WIDE)).collect();
    let smooth = workers.each(size, &|y| {
        let mut row = Vec::with_capacity(size * 6);
        for x in 0..size {
            let own = seen[y * size + x];
            let mut light = [0, 1, 2].map(|i: usize| f64::from(own[i]));
            let mut sum = light.map(toned);
            if finish.smooth && edge(&seen, size, x, y) {
                // Three more rays about the pixel's middle, a third of a turn apart.
                for (k, (dx, dy)) in [(0.0, -0.34), (0.31, 0.2), (-0.31, 0.2)].into_iter().enumerate() {
                    let [u, v] = place(x as f64 + 0.5 + dx, y as f64 + 0.5 + dy);
                    let more = look(scene, &between, scene.eye.way(u, v), turn(x, y, k + 1)).rgb;
                    for i in 0..3 {
                        light[i] += more[i];
                        sum[i] += toned(more[i]);
                    }
                }
                (light, sum) = (light.map(|c| 0.25 * c), sum.map(|c| 0.25 * c));
            }
            row.extend(light.into_iter().chain(sum).map(|c| c as f32));
        }
        row
    });
    let shows = |code: f32| match code as u8 {
        1 => Shows::Room,
        2 => Shows::Face,
        3 => Shows::Other,
        _ => Shows::Nothing,
    };
    Exposed {
        size: size as u32,
        rgb: seen.iter().map(|p| [p[0], p[1], p[2]]).collect(),
        smooth: smooth.iter().flat_map(|row| row.chunks_exact(6)).map(|p| [p[0], p[1], p[2]]).collect(),
        toned: smooth.iter().flat_map(|row| row.chunks_exact(6)).map(|p| [p[3], p[4], p[5]]).collect(),
        shows: seen.iter().map(|p| shows(p[3])).collect(),
    }
}

/// A number from 0 to 1 that differs from each of a pixel's neighbours. Source: interleaved gradient noise (Jimenez 2014).
fn turn(x: usize, y: usize, more: usize) -> f64 {
    let inner =
        0.067_110_56 * (x as f64 + 5.588_238 * more as f64) + 0.005_837_15 * (y as f64 + 3.3 * more as f64);
    (52.982_918_9 * inner.fract()).fract()
}

fn edge(seen: &[&[f32]], size: usize, x: usize, y: usize) -> bool {
    let own = seen[y * size + x];
    let near = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
    near.into_iter().filter(|(x, y)| *x < size && *y < size).any(|(x, y)| {
        let other = seen[y * size + x];
        let cosine: f32 = (5..8).map(|i| own[i] * other[i]).sum();
        own[3] != other[3]
            || (f64::from(own[4] - other[4])).abs() > EDGE_M && own[3] > 1.0
            || f64::from(cosine) < EDGE_COSINE && own[3] != 0.0
    })
}

/// What a ray meets, and its linear colour.
fn look(scene: &Scene, between: &Between<'_>, way: Metres, turn: f64) -> Found {
    let wall = scene
        .surfaces
        .iter()
        .enumerate()
        .filter_map(|(index, s)| crossed(&s.card, scene.eye.at, way).map(|(far, uv)| (far, index, uv)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let (from, along) = (scene.pose.inside(scene.eye.at), scene.pose.turned(way));
    if let Some(far) = meeting(scene.solid.as_ref(), &scene.field, from, along)
        && wall.is_none_or(|w| far < w.0)
    {
        return body(scene, between, (from, along, way), far, turn);
    }
    let Some((far, index, uv)) = wall else {
        return Found { rgb: [0.0; 3], shows: Shows::Nothing, far: f64::INFINITY, normal: [0.0; 3] };
    };
    let surface = &scene.surfaces[index];
    let plane = Plane { position: plus(scene.eye.at, far, way), normal: surface.card.facing };
    let mut sum = [0.0; 3];
    let bounced = surface.light(uv, |index, lux| {
        let source = &scene.sources[index];
        if lux > 0.0 {
            let lux = lux * between.seen(&source.front, &plane, turn);
            for (to, from) in sum.iter_mut().zip(source.rgb) {
                *to += lux * from;
            }
        }
    });
    let scale = surface.reflectance / scene.zero_lux;
    let rgb = [0, 1, 2].map(|i: usize| scale * (sum[i] + bounced[i]));
    Found { rgb, shows: Shows::Room, far, normal: surface.card.facing }
}

/// A point of the solid: lamps with their shadows, boards, what the room returns, and sheen.
fn body(
    scene: &Scene,
    between: &Between<'_>,
    (from, along, way): (Metres, Metres, Metres),
    far: f64,
    turn: f64,
) -> Found {
    let solid = scene.solid.as_ref();
    let inside = plus(from, far, along);
    let own = normal(solid, inside);
    let material = solid.material(inside);
    let plane = Plane { position: scene.pose.place(inside), normal: scene.pose.outside(own) };
    let eye = way.map(|c| -c);
    let (mut sum, mut shine) = ([0.0; 3], [0.0; 3]);
    for source in &scene.sources {
        let lux = source.front.lux_on(&plane);
        if lux <= 0.0 {
            continue;
        }
        let seen = between.seen(&source.front, &plane, turn);
        let mut glint = 0.0;
        if material.gloss > 0.0 {
            glint += lux * sheen(&source.front, &plane, eye, material.gloss);
        }
        if material.mirror > 0.0 {
            glint += mirrored(&source.front, &plane, eye, material.mirror);
        }
        for ((sum, shine), rgb) in sum.iter_mut().zip(&mut shine).zip(source.rgb) {
            *sum += seen * lux * rgb;
            *shine += seen * glint * rgb;
        }
    }
    for board in &scene.boards {
        let light = patches_on(&board.patches, &plane);
        if light.iter().any(|c| *c > 0.0) {
            let seen = between.seen_card(&board.card, &plane, turn);
            for (to, from) in sum.iter_mut().zip(light) {
                *to += seen * from;
            }
        }
    }
    let room = scene.around.on(plane.normal);
    if room.iter().any(|c| *c > 0.0) {
        let open = open(&|p| solid.distance(p), inside, own);
        for (to, from) in sum.iter_mut().zip(room) {
            *to += open * from;
        }
    }
    let rgb = [0, 1, 2].map(|i: usize| (material.reflectance * sum[i] + shine[i]) / scene.zero_lux);
    let shows = if material.is_face { Shows::Face } else { Shows::Other };
    debug_assert!(dot(own, own) > 0.9);
    Found { rgb, shows, far, normal: plane.normal }
}

impl Exposed {
    /// Linear light at a place of the picture, -1 to 1 each way, y up; `None` outside.
    #[must_use]
    pub fn at(&self, [x, y]: [f64; 2]) -> Option<([f32; 3], Shows)> {
        let size = f64::from(self.size);
        let (column, row) = (((x + 1.0) * 0.5 * size).floor(), ((1.0 - y) * 0.5 * size).floor());
        if !(0.0..size).contains(&column) || !(0.0..size).contains(&row) {
            return None;
        }
        let index = row as usize * self.size as usize + column as usize;
        Some((*self.rgb.get(index)?, *self.shows.get(index)?))
    }

    /// The picture for a screen.
    #[must_use]
    pub fn pixels(&self) -> Pixels {
        self.bytes(self.toned.iter().copied())
    }

    /// The picture with its shadows lifted by so many stops, as one would in an edit.
    #[must_use]
    pub fn lifted(&self, stops: f64) -> Pixels {
        let gain = stops.exp2();
        self.bytes(self.smooth.iter().map(|p| p.map(|c| toned(gain * f64::from(c)) as f32)))
    }

    /// Bytes, rounded up or down by a pattern: even walls would show steps.
    fn bytes(&self, toned: impl Iterator<Item = [f32; 3]>) -> Pixels {
        let size = self.size.max(1) as usize;
        let byte = |index: usize, c: f32| {
            let off = turn(index % size, index / size, 7);
            (255.0 * coded(f64::from(c)) + off).floor().clamp(0.0, 255.0) as u8
        };
        let rgb = toned.enumerate().flat_map(|(index, p)| p.map(|c| byte(index, c))).collect();
        Pixels { width: self.size, height: self.size, rgb }
    }
}
