//! The search for the mix of best Rf at one light and one chromaticity.
//!
//! All mixes of one light and chromaticity are a convex body in the drives: n emitters leave n - 3 dimensions.
//! In it Rf falls with the mean length of 99 colour shifts. Shifts are nearly linear in the drives, because light adds
//! and the white stays; with linear shifts the mean is convex and has one valley. So the search goes in
//! rounds: shifts are made linear about the best mix so far, their mean is led to its least value, and
//! the true Rf of what is found decides; a round that does not help goes half the way, then ends. The
//! least value of the linear model is found along the edges' directions (mixes of four emitters or fewer
//! that give no light and no colour): from any point that is not the best one of them leads down
//! (elementary vectors, Rockafellar 1969). Everything is counted: at most [`ROUNDS`] rounds from each of two starts.
//!
//! The method is a choice of ours; tests compare it with a fine grid.

use super::aim::{Aimed, WHOLE};
use super::least_squares::{Column, Rows, nearest};
use crate::light::spectrum::{Judge, Shifts, mean};
use crate::plan::MAX_EMITTERS;

/// Rounds of the linear model from one start.
pub const ROUNDS: usize = 6;
/// Steps along edges' directions in one round.
const STEPS: usize = 40;
/// A mean shift that falls by less than this is taken as found: 0.003 in Rf.
const GAIN: f64 = 5e-4;
/// Share of the light by which a drive is moved to see what it does to the shifts.
const PROBE: f64 = 1e-4;
/// Most directions: four of eight emitters.
const DIRECTIONS: usize = 70;

type Drives = [f64; MAX_EMITTERS];

impl Aimed<'_> {
    /// The mix at a level with the best Rf that the search of this file finds; `judge` is that of the
    /// colour temperature of [`Aimed::xy`], over the same emitters. Above level 1 at level 1.
    /// `full_lux_at_1m`: of [`Aimed::most_light`].
    ///
    /// Bounded: at most 2 x 6 x (8 + 4) looks at Rf.
    #[must_use]
    pub fn best_rendering(&self, full_lux_at_1m: f64, level: f64, judge: &Judge<'_>) -> Drives {
        let n = self.len();
        let (columns, most) = (self.columns(full_lux_at_1m), self.most(full_lux_at_1m, level));
        let body = Body::of(&columns[..n], &most[..n]);
        let shifts = |places: &Drives| judge.shifts(&self.spread(places));
        let brightest = self.gather(&self.most_light().drives);
        let even = nearest(&columns[..n], WHOLE, &[0.0; MAX_EMITTERS][..n], &most[..n]);
        let [a, b] = [even, brightest].map(|start| body.descend(start, &shifts));
        self.spread(if b.1 < a.1 { &b.0 } else { &a.0 })
    }
}

/// The mixes that give the light and the colour.
struct Body<'a> {
    columns: &'a [Column],
    most: &'a [f64],
    directions: [Drives; DIRECTIONS],
    len: usize,
}

impl<'a> Body<'a> {
    fn of(columns: &'a [Column], most: &'a [f64]) -> Self {
        let mut body = Self { columns, most, directions: [[0.0; MAX_EMITTERS]; DIRECTIONS], len: 0 };
        let rows = Rows::of(columns, WHOLE);
        let kept: Vec<usize> =
            (0..3).filter(|k| rows.columns.iter().any(|column| column[*k] != 0.0)).collect();
        let n = columns.len();
        for bits in (0_u32..1 << n).filter(|bits| bits.count_ones() as usize == kept.len() + 1) {
            let picked: Vec<usize> = (0..n).filter(|i| bits & (1 << i) != 0).collect();
            let mut direction = [0.0; MAX_EMITTERS];
            for (place, i) in picked.iter().enumerate() {
                let others: Vec<usize> = picked.iter().copied().filter(|other| other != i).collect();
                let sign = if place % 2 == 0 { 1.0 } else { -1.0 };
                direction[*i] = sign * determinant(&rows, &kept, &others);
            }
            let length = direction.iter().map(|x| x * x).sum::<f64>().sqrt();
            if length > 1e-9 && body.len < DIRECTIONS {
                body.directions[body.len] = direction.map(|x| x / length);
                body.len += 1;
            }
        }
        body
    }

    /// From a mix in the body to the best that the rounds reach, with its mean shift.
    fn descend(&self, start: Drives, shifts: &impl Fn(&Drives) -> Shifts) -> (Drives, f64) {
        let (mut best, mut seen) = (start, shifts(&start));
        let mut value = mean(&seen);
        for _ in 0..ROUNDS {
            let slopes = self.slopes(&best, &seen, shifts);
            let found = self.least_of_model(best, seen, &slopes);
            // The whole way, or half of it, or a quarter.
            let better = [1.0, 0.5, 0.25].into_iter().find_map(|part| {
                let mix: Drives = std::array::from_fn(|i| best[i] + part * (found[i] - best[i]));
                let seen = shifts(&mix);
                (mean(&seen) < value).then_some((mix, seen))
            });
            let Some((mix, there)) = better else { break };
            let gain = value - mean(&there);
            (best, seen, value) = (mix, there, value - gain);
            if gain < GAIN {
                break;
            }
        }
        (best, value)
    }

    /// What each emitter's drive does to each sample's shift.
    fn slopes(
        &self,
        at: &Drives,
        seen: &Shifts,
        shifts: &impl Fn(&Drives) -> Shifts,
    ) -> Vec<[[f64; 3]; MAX_EMITTERS]> {
        let mut slopes = vec![[[0.0; 3]; MAX_EMITTERS]; seen.len()];
        for (i, column) in self.columns.iter().enumerate() {
            let step = PROBE / column.iter().map(|x| x * x).sum::<f64>().sqrt();
            let mut probed = *at;
            probed[i] += step;
            for (sample, (to, from)) in shifts(&probed).iter().zip(seen).enumerate() {
                slopes[sample][i] = std::array::from_fn(|k| (to[k] - from[k]) / step);
            }
        }
        slopes
    }

    /// Leads a mix down the linear model of its shifts.
    fn least_of_model(&self, start: Drives, seen: Shifts, slopes: &[[[f64; 3]; MAX_EMITTERS]]) -> Drives {
        let (mut mix, mut seen) = (start, seen);
        let n = self.columns.len();
        for _ in 0..STEPS {
            let mut gradient = [0.0; MAX_EMITTERS];
            for (shift, slope) in seen.iter().zip(slopes) {
                let length = dot(*shift, *shift).sqrt().max(1e-12);
                for i in 0..n {
                    gradient[i] += dot(*shift, slope[i]) / length;
                }
            }
            // The direction, either way along it, that falls the most over the room it has.
            let mut chosen = (0.0, [0.0; MAX_EMITTERS], 0.0);
            for direction in &self.directions[..self.len] {
                let fall: f64 = (0..n).map(|i| gradient[i] * direction[i]).sum();
                let way = if fall > 0.0 { direction.map(|x| -x) } else { *direction };
                let room = self.room(&mix, &way);
                if room > 1e-9 && fall.abs() > chosen.0 {
                    chosen = (fall.abs(), way, room);
                }
            }
            let (fall, way, room) = chosen;
            if fall * room.min(1.0) < GAIN * seen.len() as f64 * 0.1 {
                break;
            }
            let moved: Vec<[f64; 3]> = slopes
                .iter()
                .map(|slope| std::array::from_fn(|k| (0..n).map(|i| way[i] * slope[i][k]).sum()))
                .collect();
            let step = lowest(&seen, &moved, room);
            for i in 0..n {
                mix[i] = (mix[i] + step * way[i]).clamp(0.0, self.most[i]);
            }
            for (shift, moved) in seen.iter_mut().zip(&moved) {
                *shift = std::array::from_fn(|k| shift[k] + step * moved[k]);
            }
        }
        mix
    }

    /// How far a mix can go along a direction before a drive meets a bound.
    fn room(&self, mix: &Drives, way: &Drives) -> f64 {
        let mut room = f64::INFINITY;
        for i in 0..self.columns.len() {
            if way[i] > 0.0 {
                room = room.min((self.most[i] - mix[i]) / way[i]);
            } else if way[i] < 0.0 {
                room = room.min(-mix[i] / way[i]);
            }
        }
        if room.is_finite() { room.max(0.0) } else { 0.0 }
    }
}

/// Where, between 0 and `room`, the mean length of `seen` + t `moved` is least: it is convex in t.
fn lowest(seen: &Shifts, moved: &[[f64; 3]], room: f64) -> f64 {
    let slope = |t: f64| -> f64 {
        let at = |(shift, moved): (&[f64; 3], &[f64; 3])| {
            let there: [f64; 3] = std::array::from_fn(|k| shift[k] + t * moved[k]);
            dot(there, *moved) / dot(there, there).sqrt().max(1e-12)
        };
        seen.iter().zip(moved).map(at).sum()
    };
    let (mut low, mut high) = (0.0, room);
    if slope(high) <= 0.0 {
        return high;
    }
    for _ in 0..10 {
        let middle = 0.5 * (low + high);
        if slope(middle) > 0.0 { high = middle } else { low = middle }
    }
    low
}

/// Determinant of the picked columns over the kept rows; as many of one as of the other, at most 3.
fn determinant(rows: &Rows, kept: &[usize], picked: &[usize]) -> f64 {
    let at = |r: usize, c: usize| rows.columns[picked[c]][kept[r]];
    match picked.len() {
        1 => at(0, 0),
        2 => at(0, 0) * at(1, 1) - at(0, 1) * at(1, 0),
        3 => {
            at(0, 0) * (at(1, 1) * at(2, 2) - at(1, 2) * at(2, 1))
                - at(0, 1) * (at(1, 0) * at(2, 2) - at(1, 2) * at(2, 0))
                + at(0, 2) * (at(1, 0) * at(2, 1) - at(1, 1) * at(2, 0))
        }
        _ => 0.0,
    }
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}
