//! Least squares in a box, for a few variables: Levenberg and Marquardt's method on the variables that
//! are not held by a bound.

/// Most steps; a handful is usual.
const MOST_STEPS: u32 = 60;
/// Most tries of a step with ever more damping.
const MOST_TRIES: u32 = 30;
/// Step of the central differences.
const DIFFERENCE: f64 = 1e-5;
/// A gradient under this is none: a change of 1e-4 of a stop would gain less than 1e-12.
const FLAT: f64 = 1e-9;

/// The point in the box from `low` to `high` where the sum of the squares of `residuals` is least, as
/// found downhill from `start`. All three have one number for each variable, `low` at most `high`.
///
/// Deterministic, at most 60 steps of 30 tries. Source: Marquardt 1963 for the damping, projected
/// gradients for the bounds (textbook numerics); the tests check the conditions of Karush, Kuhn and Tucker.
#[must_use]
pub fn least(residuals: &dyn Fn(&[f64]) -> Vec<f64>, start: &[f64], low: &[f64], high: &[f64]) -> Vec<f64> {
    let boxed = |x: &[f64]| -> Vec<f64> {
        x.iter().zip(low.iter().zip(high)).map(|(x, (l, h))| x.max(*l).min(*h)).collect()
    };
    let mut x = boxed(start);
    let mut r = residuals(&x);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let columns: Vec<Vec<f64>> = (0..x.len()).map(|i| column(residuals, &x, i)).collect();
        let gradient: Vec<f64> = columns.iter().map(|c| product(c, &r)).collect();
        let free: Vec<usize> = (0..x.len())
            .filter(|i| {
                let (x, g) = (x[*i], gradient[*i]);
                g.abs() > FLAT && !(x <= low[*i] && g > 0.0) && !(x >= high[*i] && g < 0.0)
            })
            .collect();
        if free.is_empty() {
            break;
        }
        let cost = product(&r, &r);
        let mut moved = false;
        for _ in 0..MOST_TRIES {
            let step = damped_step(&columns, &gradient, &free, damping);
            let mut tried = x.clone();
            for (i, s) in free.iter().zip(&step) {
                tried[*i] += s;
            }
            let tried = boxed(&tried);
            let there = residuals(&tried);
            if product(&there, &there) < cost {
                (x, r) = (tried, there);
                damping = (damping / 5.0).max(1e-12);
                moved = true;
                break;
            }
            damping = (damping * 4.0).min(1e12);
        }
        if !moved {
            break;
        }
    }
    x
}

/// The change of every residual with variable `i`.
fn column(residuals: &dyn Fn(&[f64]) -> Vec<f64>, x: &[f64], i: usize) -> Vec<f64> {
    let at = |by: f64| {
        let mut there = x.to_vec();
        there[i] += by;
        residuals(&there)
    };
    let (up, down) = (at(DIFFERENCE), at(-DIFFERENCE));
    up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * DIFFERENCE)).collect()
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Solves (JᵀJ + damping · diag) step = -gradient for the free variables, by Cholesky's method.
fn damped_step(columns: &[Vec<f64>], gradient: &[f64], free: &[usize], damping: f64) -> Vec<f64> {
    let n = free.len();
    let mut m = vec![vec![0.0; n]; n];
    for (a, i) in free.iter().enumerate() {
        for (b, j) in free.iter().enumerate().take(a + 1) {
            m[a][b] = product(&columns[*i], &columns[*j]);
        }
        m[a][a] += damping * m[a][a].max(1e-12);
    }
    for a in 0..n {
        for b in 0..=a {
            let sum: f64 = (0..b).map(|k| m[a][k] * m[b][k]).sum();
            m[a][b] = if a == b { (m[a][a] - sum).max(1e-300).sqrt() } else { (m[a][b] - sum) / m[b][b] };
        }
    }
    let mut step: Vec<f64> = free.iter().map(|i| -gradient[*i]).collect();
    for a in 0..n {
        let sum: f64 = (0..a).map(|k| m[a][k] * step[k]).sum();
        step[a] = (step[a] - sum) / m[a][a];
    }
    for a in (0..n).rev() {
        let sum: f64 = (a + 1..n).map(|k| m[k][a] * step[k]).sum();
        step[a] = (step[a] - sum) / m[a][a];
    }
    step
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Source: a linear problem in a box is convex; its least point is where the conditions of
        /// Karush, Kuhn and Tucker hold: no free variable has a slope, none at a bound wants to go inside.
        #[test]
        fn a_linear_problem_ends_where_no_variable_can_gain(
            rows in prop::collection::vec(prop::collection::vec(-1.0..1.0_f64, 5), 4..9),
            start in prop::collection::vec(-2.0..2.0_f64, 4),
            wide in prop::collection::vec((-2.0..0.5_f64, 0.0..2.0_f64), 4),
        ) {
            let residuals = |x: &[f64]| -> Vec<f64> {
                let weak = x.iter().map(|x| 0.02 * x);
                rows.iter().map(|r| product(&r[..4], x) - 3.0 * r[4]).chain(weak).collect()
            };
            let low: Vec<f64> = wide.iter().map(|w| w.0).collect();
            let high: Vec<f64> = wide.iter().map(|w| w.0 + w.1).collect();
            let x = least(&residuals, &start, &low, &high);
            let r = residuals(&x);
            for i in 0..4 {
                let slope = product(&column(&residuals, &x, i), &r);
                prop_assert!(x[i] >= low[i] && x[i] <= high[i]);
                prop_assert!(slope.abs() < 1e-6 || (x[i] == low[i] && slope > 0.0) || (x[i] == high[i] && slope < 0.0),
                    "variable {i} at {} of {}..{} has the slope {slope}", x[i], low[i], high[i]);
            }
        }
    }

    /// Source: Rosenbrock's function, whose least point is (1, 1); in a box that ends at 0.5 it is
    /// (0.5, 0.25), where its first residual vanishes (arithmetic).
    #[test]
    fn a_curved_valley_is_followed_to_its_end_or_to_the_bound() {
        let valley = |x: &[f64]| vec![10.0 * (x[1] - x[0] * x[0]), 1.0 - x[0]];
        let free = least(&valley, &[-1.2, 1.0], &[-5.0; 2], &[5.0; 2]);
        assert!(free.iter().all(|x| (x - 1.0).abs() < 1e-6), "{free:?}");
        let held = least(&valley, &[-1.2, 1.0], &[-5.0; 2], &[0.5, 5.0]);
        assert!(held[0] == 0.5 && (held[1] - 0.25).abs() < 1e-6, "{held:?}");
    }
}
