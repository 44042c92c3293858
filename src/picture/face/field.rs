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
/// Most steps of a ray.
const MOST_STEPS: u32 = 80;

/// Distances at the points of one grid.
#[derive(Debug, Clone, PartialEq)]
struct Grid {
    min: [f32; 3],
    step: f32,
    size: [usize; 3],
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
        Self { min: min.map(|c| c as f32), step: step as f32, size, values: layers.concat() }
    }

    /// Distance at a point, straight between the grid's; `None` outside of the grid.
    #[inline]
    fn at(&self, p: [f32; 3]) -> Option<f32> {
        let per_step = 1.0 / self.step;
        let g = [0, 1, 2].map(|k: usize| (p[k] - self.min[k]) * per_step);
        let inside = (0..3).all(|k| g[k] >= 0.0 && g[k] < (self.size[k] - 1) as f32);
        if !inside {
            return None;
        }
        let i = g.map(|c| c as u32 as usize);
        let f = [0, 1, 2].map(|k: usize| g[k] - i[k] as f32);
        let (row, slab) = (self.size[0], self.size[0] * self.size[1]);
        let base = i[0] + row * i[1] + slab * i[2];
        let low = self.values.get(base..base + row + 2)?;
        let high = self.values.get(base + slab..base + slab + row + 2)?;
        let along = |v: &[f32], at: usize| v[at] + f[0] * (v[at + 1] - v[at]);
        let face = |v: &[f32]| {
            let first = along(v, 0);
            first + f[1] * (along(v, row) - first)
        };
        let first = face(low);
        Some(first + f[2] * (face(high) - first))
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

    /// Distance at a point; `None` outside.
    #[inline]
    fn at(&self, p: [f32; 3]) -> Option<f32> {
        let about = self.coarse.at(p)?;
        match &self.fine {
            // Where the surface is a few points away, the coarse grid does.
            Some(fine) if about < 3.0 * self.coarse.step => Some(fine.at(p).unwrap_or(about)),
            _ => Some(about),
        }
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
        for _ in 0..MOST_STEPS {
            if t >= far {
                return None;
            }
            let d = self.at([0, 1, 2].map(|i: usize| from[i] + t * way[i]))?;
            if d < MET_M && t < under {
                t += LEAST_M;
                continue;
            }
            under = 0.0;
            if d < MET_M {
                return Some(f64::from(t));
            }
            t += d.max(LEAST_M);
        }
        None
    }
}
