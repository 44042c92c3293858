//! A measured curve by the simulator's own arithmetic: same data and same definition as the way out,
//! nothing of its code.

/// The monotone cubic through `points` (rising in both) at `at`; dark before the first, the last's after it.
///
/// Slopes: Brodlie's form of the weighted harmonic mean (Fritsch and Butland 1984, equation 5; from
/// memory). Value: Bernstein's form of the cubic, by de Casteljau's steps.
pub(super) fn monotone(points: &[(f64, f64)], at: f64) -> f64 {
    let Some(next) = points.iter().position(|p| p.0 > at) else {
        return points.last().map_or(0.0, |p| p.1);
    };
    if next == 0 {
        return 0.0;
    }
    let (a, b) = (points[next - 1], points[next]);
    let third = (b.0 - a.0) / 3.0;
    let mut row = [a.1, a.1 + third * slope(points, next - 1), b.1 - third * slope(points, next), b.1];
    let t = (at - a.0) / (b.0 - a.0);
    for last in (1..row.len()).rev() {
        for i in 0..last {
            row[i] += t * (row[i + 1] - row[i]);
        }
    }
    row[0]
}

fn slope(points: &[(f64, f64)], i: usize) -> f64 {
    let piece = |i: usize| {
        let (a, b) = (points[i], points[i + 1]);
        (b.0 - a.0, (b.1 - a.1) / (b.0 - a.0))
    };
    let last = points.len() - 1;
    if last == 1 {
        return piece(0).1;
    }
    let edge = |(h0, d0): (f64, f64), (h1, d1): (f64, f64)| (d0 + (d0 - d1) * h0 / (h0 + h1)).max(0.0);
    if i == 0 {
        return edge(piece(0), piece(1));
    }
    if i == last {
        return edge(piece(last - 1), piece(last - 2));
    }
    let ((h0, d0), (h1, d1)) = (piece(i - 1), piece(i));
    let share = (1.0 + h1 / (h0 + h1)) / 3.0;
    d0 * d1 / (share * d1 + (1.0 - share) * d0)
}

/// Straight lines through `points` (rising in both) at `at`; past an end in step with what was asked.
pub(super) fn straight(points: &[(f64, f64)], at: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return at };
    if at <= first.0 {
        return at - first.0 + first.1;
    }
    for pair in points.windows(2) {
        if at <= pair[1].0 {
            let part = (at - pair[0].0) / (pair[1].0 - pair[0].0);
            return pair[0].1 * (1.0 - part) + pair[1].1 * part;
        }
    }
    at - last.0 + last.1
}

/// Straight lines through `points` (rising in the first) at `at`; past an end the end's.
pub(super) fn level_ends(points: &[(f64, f64)], at: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return 0.0 };
    if at <= first.0 {
        return first.1;
    }
    for pair in points.windows(2) {
        if at <= pair[1].0 {
            let part = (at - pair[0].0) / (pair[1].0 - pair[0].0);
            return pair[0].1 * (1.0 - part) + pair[1].1 * part;
        }
    }
    last.1
}
