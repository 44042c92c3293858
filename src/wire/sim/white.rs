//! The simulated lamp's own mixing: the edge of its colours, and its most light at one of them.
//!
//! On purpose not `light::mix`: the greatest light is found from the dual of the linear program, so
//! that a slip in either shows up as a difference between what was asked and what is shown.

use crate::plan::{Emitter, MAX_EMITTERS};
use crate::units::{Uv76, Xy};

/// Lines nearer to parallel than this (sine of the angle between them) are taken as parallel.
const PARALLEL: f64 = 1e-9;
/// An emitter nearer to the wanted chromaticity than this, in x and y, pulls no way: its line would be
/// nothing but rounding.
const AT_IT: f64 = 1e-12;
/// A residual under this share of the brightest emitter's light counts as zero.
const ZERO: f64 = 1e-9;

/// The emitters' chromaticities in u'v', and the polygon they span.
pub struct Gamut {
    /// Corners in order, counter-clockwise; one or two where the emitters span no area.
    corners: Vec<Uv76>,
}

impl Gamut {
    /// Convex hull by gift wrapping, which needs no sorting and gives the corners in order.
    pub fn of(emitters: &[Emitter]) -> Self {
        let mut points: Vec<Uv76> = Vec::new();
        for emitter in emitters {
            let uv = emitter.xy.uv76();
            if points.iter().all(|p| p.distance(uv) > 1e-9) {
                points.push(uv);
            }
        }
        let lowest = (0..points.len()).min_by(|a, b| {
            (points[*a].v, points[*a].u)
                .partial_cmp(&(points[*b].v, points[*b].u))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        let Some(first) = lowest else { return Self { corners: points } };
        let mut corners = Vec::new();
        let mut at = first;
        while corners.len() < points.len() {
            corners.push(points[at]);
            let mut next = usize::from(at == 0).min(points.len() - 1);
            for (i, point) in points.iter().enumerate() {
                let turn = cross(points[at], points[next], *point);
                let further = points[at].distance(*point) > points[at].distance(points[next]);
                if i != at && (turn < -1e-15 || (turn.abs() <= 1e-15 && further)) {
                    next = i;
                }
            }
            at = next;
            if at == first {
                break;
            }
        }
        Self { corners }
    }

    /// The chromaticity itself where the emitters reach it, else the nearest in u'v' that they reach.
    pub fn reach(&self, wanted: Uv76) -> Uv76 {
        if self.holds(wanted) {
            return wanted;
        }
        self.edges()
            .map(|(a, b)| nearest_on(a, b, wanted))
            .min_by(|a, b| a.distance(wanted).total_cmp(&b.distance(wanted)))
            .unwrap_or(wanted)
    }

    /// How far the polygon's edge lies from `from` towards the angle (0 is +u', 90 degrees +v').
    pub fn edge_distance(&self, from: Uv76, angle_rad: f64) -> f64 {
        let (dv, du) = angle_rad.sin_cos();
        self.edges()
            .filter_map(|(a, b)| {
                let (eu, ev) = (b.u - a.u, b.v - a.v);
                let det = eu * dv - ev * du;
                if det.abs() < 1e-15 {
                    return None;
                }
                // from + t d = a + s e
                let (fu, fv) = (a.u - from.u, a.v - from.v);
                let t = (eu * fv - ev * fu) / det;
                let s = (du * fv - dv * fu) / det;
                ((-1e-9..=1.0 + 1e-9).contains(&s) && t > 0.0).then_some(t)
            })
            .fold(0.0, f64::max)
    }

    fn holds(&self, point: Uv76) -> bool {
        self.corners.len() > 2 && self.edges().all(|(a, b)| cross(a, b, point) >= 0.0)
    }

    fn edges(&self) -> impl Iterator<Item = (Uv76, Uv76)> + '_ {
        let n = self.corners.len();
        (0..n).map(move |i| (self.corners[i], self.corners[(i + 1) % n]))
    }
}

/// Twice the area of the triangle, positive when it is counter-clockwise.
fn cross(a: Uv76, b: Uv76, c: Uv76) -> f64 {
    (b.u - a.u) * (c.v - a.v) - (b.v - a.v) * (c.u - a.u)
}

fn nearest_on(a: Uv76, b: Uv76, point: Uv76) -> Uv76 {
    let (eu, ev) = (b.u - a.u, b.v - a.v);
    let length = eu * eu + ev * ev;
    if length == 0.0 {
        return a;
    }
    a.towards(b, (((point.u - a.u) * eu + (point.v - a.v) * ev) / length).clamp(0.0, 1.0))
}

/// One emitter in the program: its light, and how far it pulls the sum off the wanted chromaticity.
#[derive(Clone, Copy)]
struct Pull {
    light: f64,
    a: f64,
    b: f64,
}

/// Drives of the most light at a chromaticity that the emitters reach, each 0 to 1.
///
/// The program: greatest Σ d Y with Σ d a = 0, Σ d b = 0, 0 <= d <= 1, where a = X - x S, b = Y - y S,
/// S = X + Y + Z: then the sum has chromaticity x, y. Its dual is the least over p, q of
/// Σ max(0, Y - p a - q b), convex and piecewise linear, so the least lies where two of the lines
/// Y = p a + q b cross (or, where all lines are parallel, on one of them). Drives follow by
/// complementary slackness: full where Y > p a + q b, none where it is less.
pub fn most_light(emitters: &[Emitter], wanted: Xy) -> Vec<f64> {
    let pulls: Vec<Pull> = emitters
        .iter()
        .map(|e| {
            let sum = e.lux_at_1m / e.xy.y;
            let off = |by: f64| if by.abs() > AT_IT { by * sum } else { 0.0 };
            Pull { light: e.lux_at_1m, a: off(e.xy.x - wanted.x), b: off(e.xy.y - wanted.y) }
        })
        .collect();
    let value =
        |(p, q): (f64, f64)| pulls.iter().map(|e| (e.light - p * e.a - q * e.b).max(0.0)).sum::<f64>();
    let prices = crossings(&pulls).min_by(|one, two| value(*one).total_cmp(&value(*two)));
    drives(&pulls, prices.unwrap_or((0.0, 0.0)))
}

/// Where two of the lines cross; without any crossing, the foot of each line.
fn crossings(pulls: &[Pull]) -> impl Iterator<Item = (f64, f64)> + '_ {
    let pairs = (0..pulls.len()).flat_map(move |i| (0..i).map(move |j| (pulls[i], pulls[j])));
    let crossing = pairs.filter_map(|(one, two)| solve(one, two, (one.light, two.light)));
    let any = crossing.clone().next().is_some();
    let feet = pulls.iter().filter_map(|e| {
        let square = e.a * e.a + e.b * e.b;
        (square > 0.0).then(|| (e.light * e.a / square, e.light * e.b / square))
    });
    crossing.chain(feet.filter(move |_| !any))
}

/// p, q with p a + q b = right for both; `None` for lines that are as good as parallel.
fn solve(one: Pull, two: Pull, right: (f64, f64)) -> Option<(f64, f64)> {
    let det = one.a * two.b - one.b * two.a;
    let size = one.a.hypot(one.b) * two.a.hypot(two.b);
    (size > 0.0 && det.abs() > PARALLEL * size)
        .then(|| ((right.0 * two.b - one.b * right.1) / det, (one.a * right.1 - right.0 * two.a) / det))
}

/// Drives that fit these prices. Emitters whose residual is zero may take any drive: of them at most
/// two need to lie between none and full, so every choice of those two is tried.
fn drives(pulls: &[Pull], (p, q): (f64, f64)) -> Vec<f64> {
    let scale = pulls.iter().fold(0.0, |most, e| f64::max(most, e.light));
    let residual = |e: &Pull| e.light - p * e.a - q * e.b;
    let mut drives: Vec<f64> = pulls.iter().map(|e| f64::from(residual(e) > ZERO * scale)).collect();
    let free: Vec<usize> =
        (0..pulls.len()).filter(|i| residual(&pulls[*i]).abs() <= ZERO * scale).take(MAX_EMITTERS).collect();
    let mut best = (f64::INFINITY, drives.clone());
    for bits in 0..1_u32 << free.len() {
        for (nth, i) in free.iter().enumerate() {
            drives[*i] = f64::from(bits >> nth & 1);
        }
        consider(pulls, &drives, &mut best);
        for (nth, i) in free.iter().enumerate() {
            if bits >> nth & 1 == 1 {
                continue;
            }
            let before = drives.clone();
            balance_one(pulls, &mut drives, *i);
            consider(pulls, &drives, &mut best);
            drives.clone_from(&before);
            for j in free.iter().skip(nth + 1).filter(|j| before[**j] == 0.0) {
                if balance_two(pulls, &mut drives, *i, *j) {
                    consider(pulls, &drives, &mut best);
                }
                drives.clone_from(&before);
            }
        }
    }
    best.1
}

/// Keeps `drives`, clamped, if it is nearer to balance than the best so far, or as near and brighter.
fn consider(pulls: &[Pull], drives: &[f64], best: &mut (f64, Vec<f64>)) {
    let clamped: Vec<f64> = drives.iter().map(|d| d.clamp(0.0, 1.0)).collect();
    let (a, b, light) = sums(pulls, &clamped);
    let scale = pulls.iter().map(|e| e.a.hypot(e.b) + e.light).sum::<f64>().max(f64::MIN_POSITIVE);
    // Off balance costs far more than light gains.
    let cost = a.hypot(b) / scale * 1e9 - light / scale;
    if cost < best.0 {
        *best = (cost, clamped);
    }
}

fn sums(pulls: &[Pull], drives: &[f64]) -> (f64, f64, f64) {
    pulls
        .iter()
        .zip(drives)
        .fold((0.0, 0.0, 0.0), |(a, b, light), (e, d)| (a + d * e.a, b + d * e.b, light + d * e.light))
}

/// Sets drive `i` so that the rest is balanced along its own pull.
fn balance_one(pulls: &[Pull], drives: &mut [f64], i: usize) {
    let e = pulls[i];
    let (a, b, _) = sums(pulls, drives);
    let square = e.a * e.a + e.b * e.b;
    // No pull at all: it is at the wanted colour, and light is free.
    drives[i] = if square > 0.0 { -(a * e.a + b * e.b) / square } else { 1.0 };
}

/// Sets drives `i` and `j` so that the rest is balanced; false if their pulls are parallel.
fn balance_two(pulls: &[Pull], drives: &mut [f64], i: usize, j: usize) -> bool {
    let (a, b, _) = sums(pulls, drives);
    let (one, two) = (pulls[i], pulls[j]);
    // The transposed system: d_i a_i + d_j a_j = -a, d_i b_i + d_j b_j = -b.
    let rows = (Pull { a: one.a, b: two.a, ..one }, Pull { a: one.b, b: two.b, ..two });
    let Some((di, dj)) = solve(rows.0, rows.1, (-a, -b)) else { return false };
    drives[i] = di;
    drives[j] = dj;
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Watts;

    fn emitter(x: f64, y: f64, lux_at_1m: f64) -> Emitter {
        Emitter {
            name: String::new(),
            xy: Xy { x, y },
            lux_at_1m,
            watts: Watts::new(10.0).unwrap(),
            spectrum: None,
        }
    }

    /// Rows of a CSV of check values, as (column name, text) look-ups.
    fn rows(text: &'static str) -> impl Iterator<Item = impl Fn(&str) -> &'static str> {
        let mut lines = text.lines().filter(|l| !l.starts_with('#'));
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        lines.map(move |line| {
            let cells: Vec<&'static str> = line.split(',').collect();
            let names = names.clone();
            move |name: &str| cells[names.iter().position(|n| *n == name).unwrap()]
        })
    }

    fn fixture(name: &str) -> Vec<Emitter> {
        rows(include_str!("../../../tests/reference/mix_fixtures.csv"))
            .filter(|row| row("fixture") == name)
            .map(|row| {
                emitter(row("x").parse().unwrap(), row("y").parse().unwrap(), row("Y").parse().unwrap())
            })
            .collect()
    }

    /// Source: tests/reference/mix_targets.csv, 300 targets, every basic solution of the program listed
    /// (scipy agrees to 1.3e-14). Tolerances as its header says: x,y 1e-6; light 1e-5 relative.
    #[test]
    fn the_most_light_and_the_nearest_colour_are_those_of_the_check_values() {
        let mut seen = 0;
        for row in rows(include_str!("../../../tests/reference/mix_targets.csv")) {
            let number = |name: &str| row(name).parse::<f64>().unwrap();
            let emitters = fixture(row("fixture"));
            let near = Gamut::of(&emitters).reach(Xy { x: number("x"), y: number("y") }.uv76()).xy();
            let id = row("id");
            assert!((near.x - number("x_near")).abs() < 1e-6, "{id} x {near:?}");
            assert!((near.y - number("y_near")).abs() < 1e-6, "{id} y {near:?}");
            let drives = most_light(&emitters, near);
            assert!(drives.iter().all(|d| (0.0..=1.0).contains(d)), "{id} {drives:?}");
            let light: f64 = emitters.iter().zip(&drives).map(|(e, d)| e.lux_at_1m * d).sum();
            let wanted = number("y_max_lux");
            assert!((light - wanted).abs() <= 1e-5 * wanted, "{id} {light} lx, not {wanted}; {drives:?}");
            let sum: f64 = emitters.iter().zip(&drives).map(|(e, d)| e.lux_at_1m / e.xy.y * d).sum();
            let x = emitters.iter().zip(&drives).map(|(e, d)| e.lux_at_1m / e.xy.y * d * e.xy.x).sum::<f64>()
                / sum;
            assert!((x - near.x).abs() < 1e-6, "{id} shown x {x}, not {}", near.x);
            seen += 1;
        }
        assert_eq!(seen, 300);
    }

    #[test]
    fn emitters_of_one_colour_are_all_driven_full_at_that_colour() {
        let two = [emitter(0.31, 0.33, 500.0), emitter(0.31, 0.33, 300.0)];
        assert_eq!(most_light(&two, Xy { x: 0.31, y: 0.33 }), [1.0, 1.0]);
        let alone = [emitter(0.31, 0.33, 500.0)];
        assert_eq!(most_light(&alone, Xy { x: 0.31, y: 0.33 }), [1.0]);
        assert!(most_light(&[], Xy { x: 0.31, y: 0.33 }).is_empty());
    }

    #[test]
    fn twins_among_the_emitters_add_their_light() {
        let two = [emitter(0.46, 0.41, 1000.0), emitter(0.31, 0.33, 1200.0)];
        let four = [two[0].clone(), two[1].clone(), two[0].clone(), two[1].clone()];
        let wanted = two[0].xy.uv76().towards(two[1].xy.uv76(), 0.4).xy();
        let light = |e: &[Emitter]| -> f64 {
            e.iter().zip(most_light(e, wanted)).map(|(e, d)| e.lux_at_1m * d).sum()
        };
        assert!((light(&four) - 2.0 * light(&two)).abs() < 1e-6);
    }

    /// Source: geometry; the square of side 0.2 about (0.2, 0.4) has its edges 0.1 and its corners
    /// 0.1 x sqrt 2 away.
    #[test]
    fn the_edge_is_as_far_as_geometry_says() {
        let corners = [(0.1, 0.3), (0.3, 0.3), (0.3, 0.5), (0.1, 0.5), (0.2, 0.4)];
        let emitters: Vec<Emitter> =
            corners.map(|(u, v)| Uv76 { u, v }.xy()).iter().map(|xy| emitter(xy.x, xy.y, 100.0)).collect();
        let gamut = Gamut::of(&emitters);
        let middle = Uv76 { u: 0.2, v: 0.4 };
        for (deg, distance) in
            [(0.0_f64, 0.1), (90.0, 0.1), (180.0, 0.1), (270.0, 0.1), (45.0, 0.02_f64.sqrt())]
        {
            let found = gamut.edge_distance(middle, deg.to_radians());
            assert!((found - distance).abs() < 1e-6, "{deg}: {found}");
        }
        assert_eq!(gamut.reach(middle), middle);
        assert!(gamut.reach(Uv76 { u: 0.5, v: 0.4 }).distance(Uv76 { u: 0.3, v: 0.4 }) < 1e-9);
    }
}
