//! The linear program of a mix: most light with a given chromaticity, drives in 0..1.
//!
//! Maximise sum y_i w_i over 0 <= w_i <= 1 with sum w_i a_i = 0, where y_i is an emitter's light and
//! a_i (two numbers) its pull away from the target. Its dual is a function of two prices p alone,
//! D(p) = sum max(0, y_i - p . a_i), convex and piecewise linear, whose least value lies where two of
//! its creases cross; with at most 8 emitters that is at most 28 points, all of which are tried. By
//! complementary slackness an emitter worth more than its price is full, one worth less is dark,
//! and those on a crease share what is left; where that leaves a choice, the least sum of squares
//! is taken. No allocation. Source: textbook linear programming (duality).

use crate::plan::MAX_EMITTERS;

/// Relative width within which an emitter counts as on a crease.
const TIE: f64 = 1e-9;
/// Two creases whose directions differ by less than this (sine of the angle) do not cross.
const PARALLEL: f64 = 1e-11;
/// Determinant over squared trace under which pulls count as lying in one line.
const FLAT: f64 = 1e-20;
/// Part of all pulls' slope added to the free ones'; small, so that steps stay Newton's.
const OPEN: f64 = 1e-6;
/// What may be missing in the end, relative to all pulls: rounding.
const MET: f64 = 1e-15;
/// Steps after which sharing stops; a handful is the rule.
const MOST_STEPS: usize = 50;

pub(super) type Pull = [f64; 2];

/// The emitters that take part, in the order they were added.
#[derive(Debug, Default)]
pub(super) struct Problem {
    light: [f64; MAX_EMITTERS],
    pull: [Pull; MAX_EMITTERS],
    len: usize,
}

impl Problem {
    /// Adds an emitter of this light (above 0) and pull; its place is returned. At most
    /// [`MAX_EMITTERS`] can be added.
    pub(super) fn add(&mut self, light: f64, pull_u: f64, pull_v: f64) -> usize {
        let place = self.len;
        self.light[place] = light;
        self.pull[place] = [pull_u, pull_v];
        self.len += 1;
        place
    }

    pub(super) const fn len(&self) -> usize {
        self.len
    }

    /// Light and pull of the emitter in a place; none after the last.
    pub(super) const fn member(&self, place: usize) -> (f64, Pull) {
        (self.light[place], self.pull[place])
    }

    /// The drives of most light, each 0 to 1.
    pub(super) fn most_light(&self) -> [f64; MAX_EMITTERS] {
        let price = self.best_price();
        let mut drives = [0.0; MAX_EMITTERS];
        let mut tied = [false; MAX_EMITTERS];
        let mut rest = [0.0; 2];
        for i in 0..self.len {
            let cost = dot(price, self.pull[i]);
            let worth = self.light[i] - cost;
            let [u, v] = self.pull[i];
            let width = TIE * (self.light[i] + (price[0] * u).abs() + (price[1] * v).abs());
            if worth.abs() <= width {
                tied[i] = true;
            } else if worth > 0.0 {
                drives[i] = 1.0;
                rest = [rest[0] - self.pull[i][0], rest[1] - self.pull[i][1]];
            }
        }
        self.share(rest, &tied, &mut drives);
        drives
    }

    /// The prices at which the dual is least.
    fn best_price(&self) -> Pull {
        let mut best = ([0.0; 2], f64::INFINITY);
        let mut consider = |price: Pull| {
            let value: f64 = (0..self.len).map(|i| (self.light[i] - dot(price, self.pull[i])).max(0.0)).sum();
            if value < best.1 {
                best = (price, value);
            }
        };
        for i in 0..self.len {
            let a = self.pull[i];
            let length = dot(a, a);
            if length == 0.0 {
                continue;
            }
            // With all pulls in one line there are no crossings; any point of a crease will do.
            consider([a[0] * self.light[i] / length, a[1] * self.light[i] / length]);
            for j in i + 1..self.len {
                let b = self.pull[j];
                let det = a[0] * b[1] - a[1] * b[0];
                if det.abs() > PARALLEL * (length * dot(b, b)).sqrt() {
                    let (yi, yj) = (self.light[i], self.light[j]);
                    consider([(yi * b[1] - yj * a[1]) / det, (yj * a[0] - yi * b[0]) / det]);
                }
            }
        }
        best.0
    }

    /// Gives the tied emitters the drives of least sum of squares with sum w_i a_i = `rest`.
    ///
    /// Such drives have the form clamp(m . a_i, 0, 1), with m where a concave, piecewise quadratic
    /// function is greatest: its slope is what is still missing from `rest`. Newton steps, each taken to
    /// the greatest value on its way, get there exactly after a few pieces.
    fn share(&self, rest: Pull, tied: &[bool; MAX_EMITTERS], drives: &mut [f64; MAX_EMITTERS]) {
        let members = || (0..self.len).filter(|i| tied[*i]).map(|i| self.pull[i]);
        let missing = |m: Pull| {
            members().fold(rest, |left, a| {
                let w = dot(m, a).clamp(0.0, 1.0);
                [left[0] - w * a[0], left[1] - w * a[1]]
            })
        };
        let all = Slope::of(members());
        // All are free at first: that solves the usual case of two tied emitters.
        let mut m = all.solve(rest);
        let mut left = missing(m);
        for _ in 0..MOST_STEPS {
            if dot(left, left) <= MET * MET * all.trace() {
                break;
            }
            // A trace of all pulls shows the way where the free ones alone leave a direction open.
            let free = Slope::of(members().filter(|a| (0.0..=1.0).contains(&dot(m, *a))));
            let way = free.plus(&all, OPEN).solve(left);
            m = along(m, way, greatest(m, way, members(), &missing));
            left = missing(m);
        }
        for i in (0..self.len).filter(|i| tied[*i]) {
            drives[i] = dot(m, self.pull[i]).clamp(0.0, 1.0);
        }
    }
}

fn along(m: Pull, way: Pull, step: f64) -> Pull {
    [m[0] + step * way[0], m[1] + step * way[1]]
}

/// The step on `way` from `m` at which what is `missing` no longer points along it.
///
/// That slope falls in straight pieces, which meet where a drive reaches 0 or 1.
fn greatest(m: Pull, way: Pull, pulls: impl Iterator<Item = Pull>, missing: &impl Fn(Pull) -> Pull) -> f64 {
    let mut bends = [f64::INFINITY; 2 * MAX_EMITTERS];
    for (i, a) in pulls.enumerate() {
        let (drive, speed) = (dot(m, a), dot(way, a));
        if speed != 0.0 {
            (bends[2 * i], bends[2 * i + 1]) = (-drive / speed, (1.0 - drive) / speed);
        }
    }
    bends.sort_unstable_by(f64::total_cmp);
    let slope = |step: f64| dot(missing(along(m, way, step)), way);
    let (mut from, mut at_from) = (0.0, slope(0.0));
    for bend in bends.into_iter().filter(|bend| *bend > 0.0 && bend.is_finite()) {
        let at_bend = slope(bend);
        if at_bend <= 0.0 {
            let fall = at_from - at_bend;
            return if fall > 0.0 { from + (bend - from) * at_from / fall } else { from };
        }
        (from, at_from) = (bend, at_bend);
    }
    from
}

/// A symmetric 2 by 2 matrix, the sum of a aᵀ over some pulls.
struct Slope {
    uu: f64,
    uv: f64,
    vv: f64,
}

impl Slope {
    fn of(pulls: impl Iterator<Item = Pull>) -> Self {
        pulls.fold(Self { uu: 0.0, uv: 0.0, vv: 0.0 }, |s, [u, v]| Self {
            uu: s.uu + u * u,
            uv: s.uv + u * v,
            vv: s.vv + v * v,
        })
    }

    /// Sum of the squared lengths of the pulls.
    fn trace(&self) -> f64 {
        self.uu + self.vv
    }

    /// This matrix plus a small part of another.
    fn plus(&self, other: &Self, part: f64) -> Self {
        Self { uu: self.uu + part * other.uu, uv: self.uv + part * other.uv, vv: self.vv + part * other.vv }
    }

    /// The shortest s with this matrix times s = `left`, as near as can be.
    fn solve(&self, left: Pull) -> Pull {
        let (trace, det) = (self.trace(), self.uu * self.vv - self.uv * self.uv);
        if trace <= 0.0 {
            [0.0; 2]
        } else if det > FLAT * trace * trace {
            [(self.vv * left[0] - self.uv * left[1]) / det, (self.uu * left[1] - self.uv * left[0]) / det]
        } else {
            // Pulls in one line: the matrix is its trace times the projection on that line.
            let scale = 1.0 / (trace * trace);
            [(self.uu * left[0] + self.uv * left[1]) * scale, (self.uv * left[0] + self.vv * left[1]) * scale]
        }
    }
}

fn dot(a: Pull, b: Pull) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}
