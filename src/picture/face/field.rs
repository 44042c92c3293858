//! Distances of a solid on two grids that rays go through fast: a coarse one of all of it, a fine one where it matters.

use super::solid::Solid;
use super::work::Workers;
use crate::light::vector::{length, minus};
use crate::plan::Metres;

/// The coarse grid's points are so many times farther apart than the fine one's.
const COARSE: f64 = 2.0;
/// Points of a block each way.
const BLOCK: usize = 4;
/// A ray that comes nearer than this to a surface has met it, in metres.
const MET_M: f32 = 2e-4;
/// Least step of a ray, in metres: under the least feature.
const LEAST_M: f32 = 1.6e-3;
/// A ray steps so much farther than what is free for sure, as long as it finds that nothing stood between. Source: Keinert et
/// al. 2014, "Enhanced Sphere Tracing", over-relaxation.
const LONGER: f32 = 1.6;
/// Least step of a cone that may still come free, in metres.
const OPEN_M: f32 = 4e-4;
/// Most steps of a ray.
const MOST_STEPS: u32 = 80;

/// Distances at the points of one grid.
#[derive(Debug, Clone, PartialEq)]
struct Grid {
    min: [f32; 3],
    step: f32,
    /// Points in a metre.
    per_step: f32,
    size: [usize; 3],
    /// The last point's number each way.
    last: [f32; 3],
    values: Vec<f32>,
}

/// Distance sampled on grids: rays for shadows take straight lines between their points.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    coarse: Grid,
    fine: Option<Grid>,
}

/// Every point of a block.
fn block(high: usize, deep: usize, wide: usize) -> impl Iterator<Item = (usize, usize, usize)> {
    (0..high).flat_map(move |c| (0..deep).flat_map(move |b| (0..wide).map(move |a| (c, b, a))))
}

impl Grid {
    fn of(solid: &dyn Solid, (low, high): (Metres, Metres), step: f64, workers: &dyn Workers) -> Self {
        let min = low.map(|c| c - 2.0 * step);
        let size = [0, 1, 2].map(|i: usize| ((high[i] - low[i]) / step).ceil() as usize + 5);
        let point = |i: [usize; 3]| [0, 1, 2].map(|k: usize| min[k] + i[k] as f64 * step);
        // Blocks of points: where the surface is far from a block's middle, that tells enough of all its points.
        let far = 3.0 * step * BLOCK as f64;
        let layers = workers.each(size[2].div_ceil(BLOCK), &|layer| {
            let high = BLOCK.min(size[2] - layer * BLOCK);
            let mut values = vec![0.0_f32; size[0] * size[1] * high];
            for j in (0..size[1]).step_by(BLOCK) {
                for i in (0..size[0]).step_by(BLOCK) {
                    let first = [i, j, layer * BLOCK];
                    let middle = point(first.map(|c| c + BLOCK / 2));
                    let about = solid.distance(middle);
                    for (c, b, a) in block(high, (size[1] - j).min(BLOCK), (size[0] - i).min(BLOCK)) {
                        let at = point([i + a, j + b, first[2] + c]);
                        let d = if about.abs() > far {
                            about - length(minus(at, middle)).copysign(about)
                        } else {
                            solid.distance(at)
                        };
                        values[(c * size[1] + j + b) * size[0] + i + a] = d as f32;
                    }
                }
            }
            values
        });
        let step = step as f32;
        Self {
            min: min.map(|c| c as f32),
            step,
            per_step: 1.0 / step,
            size,
            last: size.map(|n| (n - 1) as f32),
            values: layers.concat(),
        }
    }

    /// Distance at a point, straight between the grid's; `None` outside of the grid.
    ///
    /// A third of a picture's time is spent here, so each axis is written out: the compiler keeps what goes through an
    /// array's `map` in memory.
    #[inline]
    fn at(&self, p: [f32; 3]) -> Option<f32> {
        let x = (p[0] - self.min[0]) * self.per_step;
        let y = (p[1] - self.min[1]) * self.per_step;
        let z = (p[2] - self.min[2]) * self.per_step;
        let [wide, deep, high] = self.last;
        if !(x >= 0.0 && x < wide && y >= 0.0 && y < deep && z >= 0.0 && z < high) {
            return None;
        }
        let (i, j, k) = (x as u32, y as u32, z as u32);
        let (u, v, w) = (x - i as f32, y - j as f32, z - k as f32);
        let (row, slab) = (self.size[0], self.size[0] * self.size[1]);
        let base = i as usize + row * j as usize + slab * k as usize;
        let along = |from: usize| {
            let [a, b] = self.values.get(from..)?.first_chunk::<2>()?;
            Some(a + u * (b - a))
        };
        let (a, b, c, d) = (along(base)?, along(base + row)?, along(base + slab)?, along(base + slab + row)?);
        let first = a + v * (b - a);
        Some(first + w * (c + v * (d - c) - first))
    }
}

impl Field {
    /// Samples a solid, points of the fine grid `step` metres apart.
    #[must_use]
    pub fn of(solid: &dyn Solid, step: f64, workers: &dyn Workers) -> Self {
        let fine = solid.fine().map(|part| Grid::of(solid, part, step, workers));
        let coarse = if fine.is_some() { COARSE * step } else { step };
        Self { coarse: Grid::of(solid, solid.bounds(), coarse, workers), fine }
    }

    /// Distance at a point, by the finest grid there; `None` outside.
    #[inline]
    fn at(&self, p: [f32; 3]) -> Option<f32> {
        self.fine.as_ref().and_then(|fine| fine.at(p)).or_else(|| self.coarse.at(p))
    }

    /// How far along a ray the grid begins and ends, in metres; `None` if it is missed.
    fn span(&self, from: [f32; 3], way: [f32; 3]) -> Option<(f32, f32)> {
        let (mut near, mut far) = (0.0_f32, f32::INFINITY);
        for i in 0..3 {
            let low = self.coarse.min[i];
            let high = low + (self.coarse.size[i] - 1) as f32 * self.coarse.step;
            if way[i].abs() < 1e-9 {
                if from[i] < low || from[i] > high {
                    return None;
                }
                continue;
            }
            let (a, b) = ((low - from[i]) / way[i], (high - from[i]) / way[i]);
            near = near.max(a.min(b));
            far = far.min(a.max(b));
        }
        // A hair inside.
        (near + 2e-4 < far).then_some((near + 1e-4, far - 1e-4))
    }

    /// How far along a ray (unit vector `way`) its surface is, at most `most` metres; `None` if the ray is free.
    #[must_use]
    pub fn met(&self, from: Metres, way: Metres, most: f64) -> Option<f64> {
        // In single precision: this is where a picture's time goes.
        let (from, way) = (from.map(|c| c as f32), way.map(|c| c as f32));
        let (mut t, far) = self.span(from, way)?;
        let far = far.min(most as f32);
        // A ray that leaves a fold may begin under the grid's surface, which is less sharp than the solid's: it may come out first.
        let mut under = 1.5 * self.coarse.step;
        let (mut longer, mut before, mut step) = (LONGER, 0.0_f32, 0.0_f32);
        for _ in 0..MOST_STEPS {
            if t >= far {
                return None;
            }
            let d = self.at([from[0] + t * way[0], from[1] + t * way[1], from[2] + t * way[2]])?;
            // Between two balls that do not touch something may stand: back to the rim of the first, and on with care.
            if step > before.max(0.0) + d.max(0.0) && step > before.max(LEAST_M) {
                t += before.max(LEAST_M) - step;
                (longer, step) = (1.0, before.max(LEAST_M));
                continue;
            }
            if d < MET_M && t < under {
                t += LEAST_M;
                (before, step) = (d, LEAST_M);
                continue;
            }
            under = 0.0;
            if d < MET_M {
                return Some(f64::from(t));
            }
            (before, step) = (d, (longer * d).max(LEAST_M));
            if t + step >= far {
                step = d.max(LEAST_M);
            }
            t += step;
        }
        None
    }

    /// True if no line from a point to a ball of `radius`, whose middle is `long` metres along the unit vector `way`,
    /// meets the surface; false if that cannot be told.
    #[must_use]
    pub fn open(&self, from: Metres, way: Metres, long: f64, radius: f64) -> bool {
        if long <= radius {
            return false;
        }
        let (from, way, long) = (from.map(|c| c as f32), way.map(|c| c as f32), long as f32);
        // The lines fill a cone, so wide at a metre.
        let wide = (radius / (f64::from(long).powi(2) - radius * radius).sqrt()) as f32;
        let mut t = 0.0_f32;
        for _ in 0..MOST_STEPS {
            if t >= long {
                return true;
            }
            let d = self.beyond([from[0] + t * way[0], from[1] + t * way[1], from[2] + t * way[2]]);
            // The free ball round this point holds all of the cone for so long.
            let step = (d - t * wide) / (1.0 + wide);
            if step < OPEN_M {
                return false;
            }
            t += step;
        }
        false
    }

    /// Distance at any point, outside of the grid never more than the true one: all of the solid is in the grid's box, so
    /// the nearest of it lies behind the box's nearest point, at a right angle or more.
    fn beyond(&self, p: [f32; 3]) -> f32 {
        if let Some(d) = self.at(p) {
            return d;
        }
        let grid = &self.coarse;
        let within = [0, 1, 2].map(|i: usize| {
            let last = (grid.last[i] - 0.01) * grid.step;
            p[i].clamp(grid.min[i] + 0.01 * grid.step, grid.min[i] + last)
        });
        let off = [0, 1, 2].map(|i: usize| p[i] - within[i]);
        let square = off[0] * off[0] + off[1] * off[1] + off[2] * off[2];
        let d = grid.at(within).unwrap_or(0.0).max(0.0);
        (square + d * d).sqrt()
    }
}
