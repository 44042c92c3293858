//! The drives nearest to given ones among all that make one light: a small quadratic program.
//!
//! Minimise sum (w_i - b_i)² over 0 <= w_i <= c_i with sum w_i a_i = r, where a_i (three numbers) is what
//! an emitter adds to light and colour. At the solution w_i = clamp(b_i + m . a_i, 0, c_i) for three
//! multipliers m, which are where the dual, a concave and piecewise quadratic function, is greatest: its slope is what
//! is still missing from r. Newton steps, each taken to the greatest value on its way, get there exactly
//! after a few pieces. No allocation. Source: textbook quadratic programming (duality).

use crate::plan::MAX_EMITTERS;

/// What one emitter adds at full drive: light, and its pull away from the target in two directions.
pub(super) type Column = [f64; 3];

/// Part of the whole added to the free columns' matrix, so that a direction which they leave open has a
/// way too; small, so that steps stay Newton's.
const OPEN: f64 = 1e-6;
/// What may be missing in the end, relative to the greatest drives: rounding.
const MET: f64 = 1e-15;
/// A row of which less than this is left beside the others repeats them.
const REPEATED: f64 = 1e-10;
/// Steps after which the search stops; a handful is the rule.
const MOST_STEPS: usize = 60;

/// The drives nearest to `towards` that give `wanted` exactly, each 0 to `most`.
///
/// All slices have the columns' length, at most [`MAX_EMITTERS`]. `wanted` must be reachable; where it is
/// not, the drives come as near as bounded steps lead, inside their bounds in any case.
pub(super) fn nearest(
    columns: &[Column],
    wanted: Column,
    towards: &[f64],
    most: &[f64],
) -> [f64; MAX_EMITTERS] {
    let rows = Rows::of(columns, wanted);
    let drive = |i: usize, m: Column| (towards[i] + dot(m, rows.columns[i])).clamp(0.0, most[i]);
    let missing = |m: Column| {
        (0..rows.len).fold(rows.wanted, |left, i| {
            let w = drive(i, m);
            std::array::from_fn(|k| left[k] - w * rows.columns[i][k])
        })
    };
    // With the rows of unit length and square to each other this is the answer if no bound is met.
    let mut m = rows.wanted;
    for (column, b) in rows.columns.iter().zip(towards) {
        m = along(m, *column, -b);
    }
    // Drives that are wanted at all are about 1; what is under their rounding is as good as none.
    let greatest =
        towards.iter().fold(dot(rows.wanted, rows.wanted).sqrt().max(1.0), |most, b| most.max(b.abs()));
    let mut left = missing(m);
    let mut nearest = (m, dot(left, left));
    for _ in 0..MOST_STEPS {
        if nearest.1 <= (MET * greatest).powi(2) {
            break;
        }
        let free = (0..rows.len).filter(|i| {
            let raw = towards[*i] + dot(m, rows.columns[*i]);
            (0.0..=most[*i]).contains(&raw)
        });
        let way = solve(free.map(|i| rows.columns[i]), left);
        let step = best_step(&rows, towards, most, m, way, &missing);
        if step == 0.0 {
            break;
        }
        m = along(m, way, step);
        left = missing(m);
        if dot(left, left) < nearest.1 {
            nearest = (m, dot(left, left));
        }
    }
    // Where the last bit of `wanted` is out of reach the multipliers run away: the best are kept.
    let m = nearest.0;
    let mut drives = [0.0; MAX_EMITTERS];
    for (i, out) in drives.iter_mut().enumerate().take(rows.len) {
        *out = drive(i, m);
    }
    finish(&rows, most, &mut drives);
    drives
}

/// Takes up the rounding that great multipliers leave: the drives off their bounds share it.
fn finish(rows: &Rows, most: &[f64], drives: &mut [f64; MAX_EMITTERS]) {
    for _ in 0..2 {
        let left = (0..rows.len).fold(rows.wanted, |left, i| along(left, rows.columns[i], -drives[i]));
        let inside = |i: &usize| drives[*i] > 0.0 && drives[*i] < most[*i];
        let m = solve((0..rows.len).filter(inside).map(|i| rows.columns[i]), left);
        for i in 0..rows.len {
            if drives[i] > 0.0 && drives[i] < most[i] {
                drives[i] = (drives[i] + dot(m, rows.columns[i])).clamp(0.0, most[i]);
            }
        }
    }
}

/// The same equations with rows of unit length, square to each other; repeated rows are zero.
pub(super) struct Rows {
    pub(super) columns: [Column; MAX_EMITTERS],
    wanted: Column,
    len: usize,
}

impl Rows {
    pub(super) fn of(given: &[Column], wanted: Column) -> Self {
        let len = given.len().min(MAX_EMITTERS);
        let mut rows = Self { columns: [[0.0; 3]; MAX_EMITTERS], wanted: [0.0; 3], len };
        for k in 0..3 {
            let mut row: [f64; MAX_EMITTERS] = std::array::from_fn(|i| given.get(i).map_or(0.0, |c| c[k]));
            let length = row.iter().map(|x| x * x).sum::<f64>().sqrt();
            if length == 0.0 {
                continue;
            }
            let mut value = wanted[k] / length;
            row = row.map(|x| x / length);
            // Twice: once leaves rounding of what was taken away.
            for _ in 0..2 {
                for before in 0..k {
                    let part: f64 = (0..len).map(|i| row[i] * rows.columns[i][before]).sum();
                    for (i, x) in row.iter_mut().enumerate().take(len) {
                        *x -= part * rows.columns[i][before];
                    }
                    value -= part * rows.wanted[before];
                }
            }
            let rest = row.iter().map(|x| x * x).sum::<f64>().sqrt();
            if rest > REPEATED {
                for (i, x) in row.iter().enumerate().take(len) {
                    rows.columns[i][k] = x / rest;
                }
                rows.wanted[k] = value / rest;
            }
        }
        rows
    }
}

/// The step on `way` from `m` at which what is `missing` no longer points along it.
///
/// That slope falls in straight pieces, which meet where a drive reaches a bound.
fn best_step(
    rows: &Rows,
    towards: &[f64],
    most: &[f64],
    m: Column,
    way: Column,
    missing: &impl Fn(Column) -> Column,
) -> f64 {
    let mut bends = [f64::INFINITY; 2 * MAX_EMITTERS];
    for i in 0..rows.len {
        let (drive, speed) = (towards[i] + dot(m, rows.columns[i]), dot(way, rows.columns[i]));
        if speed != 0.0 {
            (bends[2 * i], bends[2 * i + 1]) = (-drive / speed, (most[i] - drive) / speed);
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

/// s with (sum of a aᵀ over `free`, and a little of everything) times s = `left`: Cholesky.
fn solve(free: impl Iterator<Item = Column>, left: Column) -> Column {
    let mut a = [[OPEN, 0.0, 0.0], [0.0, OPEN, 0.0], [0.0, 0.0, OPEN]];
    for column in free {
        for (i, row) in a.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                *cell += column[i] * column[j];
            }
        }
    }
    let mut l = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            l[i][j] = if i == j { (a[i][i] - sum).max(0.5 * OPEN).sqrt() } else { (a[i][j] - sum) / l[j][j] };
        }
    }
    let mut y = [0.0; 3];
    for i in 0..3 {
        let sum: f64 = (0..i).map(|k| l[i][k] * y[k]).sum();
        y[i] = (left[i] - sum) / l[i][i];
    }
    let mut s = [0.0; 3];
    for i in (0..3).rev() {
        let sum: f64 = (i + 1..3).map(|k| l[k][i] * s[k]).sum();
        s[i] = (y[i] - sum) / l[i][i];
    }
    s
}

fn along(m: Column, way: Column, step: f64) -> Column {
    std::array::from_fn(|k| m[k] + step * way[k])
}

pub(super) fn dot(a: Column, b: Column) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The slow plain way: every choice of drives at 0, at their most and free; the free ones by least
    /// squares; the nearest feasible kept. Source: textbook (an optimum has some such pattern).
    fn nearest_of_all_patterns(
        columns: &[Column],
        wanted: Column,
        towards: &[f64],
        most: &[f64],
    ) -> Option<(f64, Vec<f64>)> {
        let n = columns.len();
        let mut best: Option<(f64, Vec<f64>)> = None;
        for pattern in 0..3_usize.pow(n as u32) {
            let state = |i: usize| pattern / 3_usize.pow(i as u32) % 3;
            let fixed = |i: usize| if state(i) == 1 { most[i] } else { 0.0 };
            let free: Vec<usize> = (0..n).filter(|i| state(*i) == 2).collect();
            let mut rest = wanted;
            for i in (0..n).filter(|i| state(*i) != 2) {
                rest = along(rest, columns[i], -fixed(i));
            }
            for i in &free {
                rest = along(rest, columns[*i], -towards[*i]);
            }
            // Gauss on the 3 x 3 normal matrix, with whatever rank it has.
            let mut a = [[0.0; 4]; 3];
            for (r, row) in a.iter_mut().enumerate() {
                for (c, cell) in row.iter_mut().take(3).enumerate() {
                    *cell = free.iter().map(|i| columns[*i][r] * columns[*i][c]).sum();
                }
                row[3] = rest[r];
            }
            let mut used = [false; 3];
            let mut pivot_of = [None; 3];
            for col in 0..3 {
                let pick =
                    (0..3).filter(|r| !used[*r]).max_by(|x, y| a[*x][col].abs().total_cmp(&a[*y][col].abs()));
                let Some(pick) = pick.filter(|r| a[*r][col].abs() > 1e-9) else { continue };
                used[pick] = true;
                pivot_of[col] = Some(pick);
                let lead = a[pick];
                for (r, row) in a.iter_mut().enumerate().filter(|(r, _)| *r != pick) {
                    let by = row[col] / lead[col];
                    let _ = r;
                    for c in 0..4 {
                        row[c] -= by * lead[c];
                    }
                }
            }
            let m: Column = std::array::from_fn(|c| pivot_of[c].map_or(0.0, |r| a[r][3] / a[r][c]));
            let w: Vec<f64> = (0..n)
                .map(|i| if state(i) == 2 { towards[i] + dot(m, columns[i]) } else { fixed(i) })
                .collect();
            let inside = (0..n).all(|i| (-1e-9..=most[i] + 1e-9).contains(&w[i]));
            let mut left = wanted;
            for i in 0..n {
                left = along(left, columns[i], -w[i]);
            }
            if inside && dot(left, left).sqrt() < 1e-8 {
                let cost: f64 = w.iter().zip(towards).map(|(a, b)| (a - b).powi(2)).sum();
                if best.as_ref().is_none_or(|b| cost < b.0) {
                    best = Some((cost, w));
                }
            }
        }
        best
    }

    fn column() -> impl Strategy<Value = Column> {
        // Few values, so that equal columns and columns in one plane are common.
        prop_oneof![
            (1_u8..4, -2_i8..=2, -2_i8..=2).prop_map(|(a, b, c)| [f64::from(a), f64::from(b), f64::from(c)]),
            (0.1..3.0, -2.0..2.0, -2.0..2.0).prop_map(|(a, b, c)| [a, b, c]),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]
        #[test]
        fn no_feasible_drives_are_nearer(
            columns in prop::collection::vec(column(), 1..=6),
            some in prop::collection::vec(prop_oneof![Just(0.0), Just(1.0), 0.0..1.0], 6),
            towards in prop::collection::vec(-0.5..1.5, 6),
            cap in prop::collection::vec(1.0..3.0, 6),
        ) {
            let n = columns.len();
            let mut wanted = [0.0; 3];
            for i in 0..n {
                wanted = along(wanted, columns[i], some[i]);
            }
            let found = nearest(&columns, wanted, &towards[..n], &cap[..n]);
            let mut left = wanted;
            for i in 0..n {
                prop_assert!((0.0..=cap[i]).contains(&found[i]), "{found:?}");
                left = along(left, columns[i], -found[i]);
            }
            prop_assert!(dot(left, left).sqrt() < 1e-9, "{found:?} misses by {left:?}");
            let cost: f64 = (0..n).map(|i| (found[i] - towards[i]).powi(2)).sum();
            // Nearly singular patterns may hide the only feasible one from the plain way.
            let Some((best, w)) = nearest_of_all_patterns(&columns, wanted, &towards[..n], &cap[..n]) else {
                return Ok(());
            };
            prop_assert!(cost < best + 1e-7, "{found:?} {cost} against {w:?} {best}");
        }
    }
}
