//! The renderer's second opinion: writes the head as a mesh of triangles and what the renderer says of it, for `tests/long/rays.py` to
//! trace with a general-purpose ray library. Not run every day.

use std::collections::HashMap;
use std::path::Path;

use lampkeep::picture::face::field::Field;
use lampkeep::picture::face::head::Head;
use lampkeep::picture::face::light::{Around, Pose};
use lampkeep::picture::face::scene::{Eye, Scene, plain_source};
use lampkeep::picture::face::solid::{Material, Solid, meeting};
use lampkeep::picture::face::{Finish, InOrder, Shows, expose};
use lampkeep::plan::Metres;

/// The head in matt white: its light is its illuminance.
struct Matt;

impl Solid for Matt {
    fn bounds(&self) -> (Metres, Metres) {
        Head.bounds()
    }

    fn fine(&self) -> Option<(Metres, Metres)> {
        Head.fine()
    }

    fn balls(&self) -> Vec<(Metres, f64)> {
        Head.balls()
    }

    fn distance(&self, p: Metres) -> f64 {
        Head.distance(p)
    }

    fn material(&self, _: Metres) -> Material {
        Material { reflectance: 1.0, is_face: true, gloss: 0.0, mirror: 0.0 }
    }
}

/// Distance of the mesh's grid points in metres.
const STEP: f64 = 0.002;
/// Cells of a block each way.
const BLOCK: i32 = 8;
/// A cell's six tetrahedra about its diagonal, as numbers of its corners (bits: x, y, z).
const TETRAHEDRA: [[usize; 4]; 6] =
    [[0, 1, 3, 7], [0, 3, 2, 7], [0, 2, 6, 7], [0, 6, 4, 7], [0, 4, 5, 7], [0, 5, 1, 7]];

#[derive(Default)]
struct Mesh {
    points: Vec<[f32; 3]>,
    triangles: Vec<[u32; 3]>,
    known: HashMap<[[i32; 3]; 2], u32>,
}

impl Mesh {
    /// The head by marching tetrahedra: signs at grid points, straight between.
    fn of(solid: &dyn Solid) -> Self {
        let (low, high) = solid.bounds();
        let cells = [0, 1, 2].map(|i: usize| ((high[i] - low[i]) / STEP).ceil() as i32);
        let point = |i: [i32; 3]| [0, 1, 2].map(|k: usize| low[k] + f64::from(i[k]) * STEP);
        let mut mesh = Self::default();
        // Half a block's diagonal, and room for distances that are only bounds.
        let far = 1.4 * 0.5 * f64::from(BLOCK) * STEP * 3.0_f64.sqrt();
        for z in (0..cells[2]).step_by(BLOCK as usize) {
            for y in (0..cells[1]).step_by(BLOCK as usize) {
                for x in (0..cells[0]).step_by(BLOCK as usize) {
                    let middle = [x, y, z].map(|c| c + BLOCK / 2);
                    if solid.distance(point(middle)).abs() < far {
                        mesh.block(solid, [x, y, z], &point);
                    }
                }
            }
        }
        mesh
    }

    fn block(&mut self, solid: &dyn Solid, first: [i32; 3], point: &dyn Fn([i32; 3]) -> Metres) {
        let side = (BLOCK + 1) as usize;
        let mut values = Vec::with_capacity(side * side * side);
        for z in 0..=BLOCK {
            for y in 0..=BLOCK {
                for x in 0..=BLOCK {
                    values.push(solid.distance(point([first[0] + x, first[1] + y, first[2] + z])));
                }
            }
        }
        let value = |c: [i32; 3]| {
            let [x, y, z] = [0, 1, 2].map(|i: usize| (c[i] - first[i]) as usize);
            values[(z * side + y) * side + x]
        };
        for z in 0..BLOCK {
            for y in 0..BLOCK {
                for x in 0..BLOCK {
                    let corner = |bits: usize| {
                        let bit = |k: usize| i32::from(bits >> k & 1 == 1);
                        [first[0] + x + bit(0), first[1] + y + bit(1), first[2] + z + bit(2)]
                    };
                    for four in TETRAHEDRA {
                        self.cut(four.map(corner), &value, point);
                    }
                }
            }
        }
    }

    /// The part of the surface in one tetrahedron.
    fn cut(
        &mut self,
        corners: [[i32; 3]; 4],
        value: &dyn Fn([i32; 3]) -> f64,
        point: &dyn Fn([i32; 3]) -> Metres,
    ) {
        let (inside, outside): (Vec<_>, Vec<_>) = corners.into_iter().partition(|c| value(*c) < 0.0);
        let mut edge = |a: [i32; 3], b: [i32; 3]| self.edge(a, b, value, point);
        let three = match (&inside[..], &outside[..]) {
            ([a], [b, c, d]) | ([b, c, d], [a]) => vec![[edge(*a, *b), edge(*a, *c), edge(*a, *d)]],
            ([a, b], [c, d]) => {
                let [ac, ad, bd, bc] = [edge(*a, *c), edge(*a, *d), edge(*b, *d), edge(*b, *c)];
                vec![[ac, ad, bd], [ac, bd, bc]]
            }
            _ => Vec::new(),
        };
        // Turned so that they look from the corners inside to those outside.
        let middle = |of: &[[i32; 3]]| {
            let sum = of.iter().fold([0.0; 3], |s, c| [0, 1, 2].map(|i: usize| s[i] + f64::from(c[i])));
            sum.map(|c| c / of.len().max(1) as f64)
        };
        let (from, to) = (middle(&inside), middle(&outside));
        for [a, b, c] in three {
            let at = |i: u32| self.points[i as usize].map(f64::from);
            let way = |i: u32, j: u32| [0, 1, 2].map(|k: usize| at(j)[k] - at(i)[k]);
            let (u, v) = (way(a, b), way(a, c));
            let cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
            let out: f64 = (0..3).map(|k| cross[k] * (to[k] - from[k])).sum();
            self.triangles.push(if out < 0.0 { [a, c, b] } else { [a, b, c] });
        }
    }

    fn edge(
        &mut self,
        a: [i32; 3],
        b: [i32; 3],
        value: &dyn Fn([i32; 3]) -> f64,
        point: &dyn Fn([i32; 3]) -> Metres,
    ) -> u32 {
        let (a, b) = (a.min(b), a.max(b));
        *self.known.entry([a, b]).or_insert_with(|| {
            let (u, v) = (value(a), value(b));
            let (p, q) = (point(a), point(b));
            let share = u / (u - v);
            self.points.push([0, 1, 2].map(|i: usize| (p[i] + share * (q[i] - p[i])) as f32));
            (self.points.len() - 1) as u32
        })
    }
}

fn write(folder: &Path, name: &str, values: impl IntoIterator<Item = f32>) {
    let bytes: Vec<u8> = values.into_iter().flat_map(f32::to_le_bytes).collect();
    std::fs::write(folder.join(name), bytes).expect("written");
}

#[test]
#[ignore = "tests/long/rays.sh runs it and reads what it writes"]
fn a_mesh_of_the_head_and_its_light_for_another_tracer() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/rays");
    std::fs::create_dir_all(&folder).expect("a folder");
    let mesh = Mesh::of(&Matt);
    write(&folder, "points.f32", mesh.points.iter().flatten().copied());
    let triangles: Vec<u8> = mesh.triangles.iter().flatten().flat_map(|i| i.to_le_bytes()).collect();
    std::fs::write(folder.join("triangles.u32"), triangles).expect("written");
    let finish = Finish { size: 160, smooth: false, ..Finish::FINE };
    // Each: lamp, radius, eye; all aimed at the face, 1000 lx at 1 m.
    let views: [(Metres, f64, Metres); 3] = [
        ([0.8, 0.9, 1.0], 0.3, [0.0, 2.0, 0.1]),
        ([-1.5, 0.1, 0.2], 0.05, [0.4, 1.8, 0.0]),
        ([0.0, 1.2, 1.2], 0.5, [-1.2, 1.2, 0.2]),
    ];
    let mut about = Vec::new();
    for (index, (lamp, radius, eye)) in views.into_iter().enumerate() {
        let scene = Scene {
            field: Field::of(&Matt, finish.grid_m, &InOrder),
            solid: Box::new(Matt),
            pose: Pose { at: [0.0; 3], forward: [0.0, 1.0, 0.0] },
            sources: vec![plain_source(lamp, [0.0; 3], radius, 1000.0)],
            boards: Vec::new(),
            surfaces: Vec::new(),
            flags: Vec::new(),
            around: Around::of(&[], [0.0; 3]),
            eye: Eye::framing(eye, [0.0, -0.06, -0.03], 0.36),
            zero_lux: 1.0,
        };
        let picture = expose(&scene, &finish, &InOrder);
        let size = finish.size as usize;
        let mut rows = Vec::new();
        for y in 0..size {
            for x in 0..size {
                let at = |i: usize| 2.0 * (i as f64 + 0.5) / size as f64 - 1.0;
                let way = scene.eye.way(at(x), -at(y));
                // Their order: the ray, how far the head is (0: it is missed), its light in lux.
                let far = meeting(&Matt, &scene.field, eye, way).unwrap_or(0.0);
                let met = picture.shows[y * size + x] == Shows::Face;
                assert_eq!(met, far > 0.0);
                rows.extend(way.map(|c| c as f32));
                rows.extend([far as f32, picture.rgb[y * size + x][1]]);
            }
        }
        write(&folder, &format!("view-{index}.f32"), rows);
        about.extend(lamp.into_iter().chain([radius]).chain(eye).map(|c| c as f32));
    }
    write(&folder, "views.f32", about);
    println!("{} triangles", mesh.triangles.len());
}
