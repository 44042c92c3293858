//! The linear program of least electrical power for one light at one chromaticity.
//!
//! Minimise sum c_i w_i over 0 <= w_i <= u_i with sum w_i a_i = r, where c_i is an emitter's power and
//! a_i (three numbers) what it adds to light and colour. The dual is a function of three prices p,
//! D(p) = p . r - sum u_i max(0, p . a_i - c_i), concave and piecewise linear, whose greatest value lies where three of its creases cross (or two, or one, where
//! the emitters span no more); with at most 8 emitters that is at most 92 points, all of which are tried.
//! By complementary slackness an emitter cheaper than its price is at its most, a dearer one is dark, and
//! those on a crease share what is left by least squares. No allocation. Source: textbook linear
//! programming (duality).

use super::least_squares::{Column, dot, nearest};
use crate::plan::MAX_EMITTERS;

/// Relative width within which an emitter counts as on a crease.
const TIE: f64 = 1e-9;
/// Creases whose directions span less than this of a unit square or cube do not cross.
const PARALLEL: f64 = 1e-11;

/// The drives of least `watts` that give `wanted`, each 0 to `most`; where several do, those with the
/// least sum of squares.
///
/// All slices have the columns' length, at most [`MAX_EMITTERS`]. `wanted` must be reachable.
pub(super) fn cheapest(
    columns: &[Column],
    wanted: Column,
    watts: &[f64],
    most: &[f64],
) -> [f64; MAX_EMITTERS] {
    let price = best_price(columns, wanted, watts, most);
    let mut drives = [0.0; MAX_EMITTERS];
    let mut rest = wanted;
    let mut tied = [0; MAX_EMITTERS];
    let mut sharing = 0;
    for (i, column) in columns.iter().enumerate() {
        let worth = dot(price, *column) - watts[i];
        let width = TIE * (watts[i] + (0..3).map(|k| (price[k] * column[k]).abs()).sum::<f64>());
        if worth.abs() <= width {
            tied[sharing] = i;
            sharing += 1;
        } else if worth > 0.0 {
            drives[i] = most[i];
            rest = std::array::from_fn(|k| rest[k] - most[i] * column[k]);
        }
    }
    let mut theirs = [[0.0; 3]; MAX_EMITTERS];
    let mut bounds = [0.0; MAX_EMITTERS];
    for place in 0..sharing {
        (theirs[place], bounds[place]) = (columns[tied[place]], most[tied[place]]);
    }
    let shared = nearest(&theirs[..sharing], rest, &[0.0; MAX_EMITTERS][..sharing], &bounds[..sharing]);
    for place in 0..sharing {
        drives[tied[place]] = shared[place];
    }
    drives
}

/// The prices at which the dual is greatest.
fn best_price(columns: &[Column], wanted: Column, watts: &[f64], most: &[f64]) -> Column {
    let mut best = ([0.0; 3], f64::NEG_INFINITY);
    let mut consider = |price: Column| {
        let paid: f64 =
            (0..columns.len()).map(|i| most[i] * (dot(price, columns[i]) - watts[i]).max(0.0)).sum();
        let value = dot(price, wanted) - paid;
        if value > best.1 {
            best = (price, value);
        }
    };
    let n = columns.len();
    for i in 0..n {
        let a = columns[i];
        let aa = dot(a, a);
        if aa == 0.0 {
            continue;
        }
        consider(a.map(|x| x * watts[i] / aa));
        for j in i + 1..n {
            let b = columns[j];
            let (bb, ab) = (dot(b, b), dot(a, b));
            let det = aa * bb - ab * ab;
            if det <= PARALLEL * PARALLEL * aa * bb {
                continue;
            }
            // The shortest prices on both creases; they lie in the plane of the two.
            let (s, t) = ((watts[i] * bb - watts[j] * ab) / det, (watts[j] * aa - watts[i] * ab) / det);
            consider(std::array::from_fn(|k| s * a[k] + t * b[k]));
            for l in j + 1..n {
                let c = columns[l];
                let (bc, ca, ab) = (cross(b, c), cross(c, a), cross(a, b));
                let det = dot(a, bc);
                if det.abs() > PARALLEL * (aa * bb * dot(c, c)).sqrt() {
                    consider(std::array::from_fn(|k| {
                        (watts[i] * bc[k] + watts[j] * ca[k] + watts[l] * ab[k]) / det
                    }));
                }
            }
        }
    }
    best.0
}

fn cross(a: Column, b: Column) -> Column {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The slow plain way: every basic solution (three drives solved for, the others at a bound). Source:
    /// textbook linear programming.
    fn least_of_all_vertices(columns: &[Column], wanted: Column, watts: &[f64], most: &[f64]) -> f64 {
        let n = columns.len();
        let mut least = f64::INFINITY;
        for i in 0..n {
            for j in i + 1..n {
                for l in j + 1..n {
                    let det = dot(columns[i], cross(columns[j], columns[l]));
                    if det.abs() < 1e-6 {
                        continue;
                    }
                    for bits in 0_u32..1 << n {
                        if [i, j, l].iter().any(|k| bits & (1 << k) != 0) {
                            continue;
                        }
                        let mut rest = wanted;
                        let mut cost = 0.0;
                        for k in (0..n).filter(|k| bits & (1 << k) != 0) {
                            rest = std::array::from_fn(|x| rest[x] - most[k] * columns[k][x]);
                            cost += watts[k] * most[k];
                        }
                        let w = [
                            dot(rest, cross(columns[j], columns[l])) / det,
                            dot(rest, cross(columns[l], columns[i])) / det,
                            dot(rest, cross(columns[i], columns[j])) / det,
                        ];
                        let three = [i, j, l];
                        if (0..3).all(|x| (-1e-9..=most[three[x]] + 1e-9).contains(&w[x])) {
                            cost += (0..3).map(|x| w[x] * watts[three[x]]).sum::<f64>();
                            least = least.min(cost);
                        }
                    }
                }
            }
        }
        least
    }

    fn column() -> impl Strategy<Value = Column> {
        prop_oneof![
            (1_u8..4, -2_i8..=2, -2_i8..=2).prop_map(|(a, b, c)| [f64::from(a), f64::from(b), f64::from(c)]),
            (0.1..3.0, -2.0..2.0, -2.0..2.0).prop_map(|(a, b, c)| [a, b, c]),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]
        #[test]
        fn no_basic_solution_draws_less(
            columns in prop::collection::vec(column(), 3..=8),
            some in prop::collection::vec(prop_oneof![Just(0.0), Just(1.0), 0.0..1.0], 8),
            watts in prop::collection::vec(prop_oneof![Just(1.0), 0.2..3.0], 8),
        ) {
            let n = columns.len();
            let most = [1.0; MAX_EMITTERS];
            let mut wanted = [0.0; 3];
            for i in 0..n {
                wanted = std::array::from_fn(|k| wanted[k] + some[i] * columns[i][k]);
            }
            let found = cheapest(&columns, wanted, &watts[..n], &most[..n]);
            let mut left = wanted;
            for i in 0..n {
                prop_assert!((0.0..=1.0).contains(&found[i]), "{found:?}");
                left = std::array::from_fn(|k| left[k] - found[i] * columns[i][k]);
            }
            prop_assert!(dot(left, left).sqrt() < 1e-7, "{found:?} misses by {left:?}");
            let cost: f64 = (0..n).map(|i| found[i] * watts[i]).sum();
            let least = least_of_all_vertices(&columns, wanted, &watts[..n], &most[..n]);
            prop_assert!(cost < least + 1e-6, "{found:?} draws {cost}, the least is {least}");
        }
    }
}
