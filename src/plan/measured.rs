//! What a meter has found of a channel: a dimming table, and what a colour channel really gives.
//!
//! The constructors check that the data can be turned round (that is what makes an inverse exact) and
//! say which pair of points cannot. What the tables mean in light is worked out in `channels::curve`
//! and `light::asked`.

use crate::units::Kelvin;

/// Most points of a table: far more than a person reads off a meter.
pub const MOST_POINTS: usize = 1024;

/// What is wrong with measured points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableFault {
    /// Fewer than are needed.
    TooFew,
    /// More than [`MOST_POINTS`].
    TooMany,
    /// The first point is not value 0 without light.
    NoDark,
    /// The last point is not full scale with light.
    NoFull,
    /// The first number does not rise from the point of this index to the next.
    FirstFalls(usize),
    /// The second number does not rise from the point of this index to the next.
    SecondFalls(usize),
}

/// Measured light over a channel's value: a monotone cubic through the points.
///
/// Between two points a cubic with given slopes at both; the slopes are chosen so that it rises
/// wherever the data do and never overshoots. Source: Fritsch and Carlson 1980 (SIAM J. Numer. Anal.
/// 17:238, the conditions) with the slopes of Fritsch and Butland 1984 (SIAM J. Sci. Stat. Comput. 5:300,
/// weighted harmonic mean) and a three-point rule at the ends (Moler, Numerical Computing, 3.6); all
/// from memory, checked against an independent library (`tests/reference/monotone_cubic.csv`).
#[derive(Debug, Clone, PartialEq)]
pub struct LightTable {
    knots: Vec<Knot>,
}

/// A point of a [`LightTable`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knot {
    /// The value as a share of full scale, 0 to 1.
    pub q: f64,
    /// Relative light, 0 to 1.
    pub light: f64,
    /// Slope of light over `q`, 0 or more.
    pub slope: f64,
}

impl LightTable {
    /// A table from points of value (0 to `full`, the channel's full scale) and light in any one unit.
    ///
    /// The first point is value 0 with light 0, the last is `full`, whose light all others are divided
    /// by. Values must rise, and so must light, but that several points may be dark at first: the
    /// table then begins at the first lit one. Errors: [`TableFault`] of the first pair that is wrong;
    /// values over `full` and numbers that are not finite count as falling.
    pub fn new(points: &[(u16, f64)], full: u16) -> Result<Self, TableFault> {
        if points.len() > MOST_POINTS {
            return Err(TableFault::TooMany);
        }
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return Err(TableFault::TooFew);
        };
        if *first != (0, 0.0) {
            return Err(TableFault::NoDark);
        }
        if last.0 != full || last.1 <= 0.0 || !last.1.is_finite() {
            return Err(TableFault::NoFull);
        }
        for (index, pair) in points.windows(2).enumerate() {
            if pair[1].0 <= pair[0].0 {
                return Err(TableFault::FirstFalls(index));
            }
            let (a, b) = (pair[0].1, pair[1].1);
            let both_dark = a == 0.0 && b == 0.0;
            // Compared as shares of full: two lights that only differ far behind the point are one.
            if !both_dark && (b / last.1).partial_cmp(&(a / last.1)) != Some(std::cmp::Ordering::Greater) {
                return Err(TableFault::SecondFalls(index));
            }
        }
        let dark = points.iter().take_while(|p| p.1 == 0.0).count();
        // One dark point is the curve's own foot; more of them say that the lamp snaps off.
        let from = if dark > 1 { dark } else { 0 };
        let mut knots: Vec<Knot> = points[from..]
            .iter()
            .map(|(value, light)| Knot {
                q: f64::from(*value) / f64::from(full),
                light: light / last.1,
                slope: 0.0,
            })
            .collect();
        give_slopes(&mut knots);
        Ok(Self { knots })
    }

    /// The points, by rising value and light; at least one, the last is full.
    #[must_use]
    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }
}

fn give_slopes(knots: &mut [Knot]) {
    let n = knots.len();
    let step = |k: &[Knot], i: usize| k[i + 1].q - k[i].q;
    let secant = |k: &[Knot], i: usize| (k[i + 1].light - k[i].light) / step(k, i);
    if n < 2 {
        return;
    }
    if n == 2 {
        let slope = secant(knots, 0);
        knots[0].slope = slope;
        knots[1].slope = slope;
        return;
    }
    for i in 1..n - 1 {
        let (h0, h1) = (step(knots, i - 1), step(knots, i));
        let (d0, d1) = (secant(knots, i - 1), secant(knots, i));
        let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
        knots[i].slope = (w0 + w1) / (w0 / d0 + w1 / d1);
    }
    let end = |h0: f64, h1: f64, d0: f64, d1: f64| {
        let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
        // The secants are all above 0, so only a falling end has to be cut, to a level one.
        slope.max(0.0)
    };
    knots[0].slope = end(step(knots, 0), step(knots, 1), secant(knots, 0), secant(knots, 1));
    knots[n - 1].slope =
        end(step(knots, n - 2), step(knots, n - 3), secant(knots, n - 2), secant(knots, n - 3));
}

/// What a colour channel really gives for what it is asked: straight lines between measured points.
///
/// In kelvin channels both are kept in mired, where equal steps look alike.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueTable {
    in_mired: bool,
    points: Vec<TruePoint>,
}

/// A point of a [`TrueTable`], by rising `asked` in the table's own scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TruePoint {
    /// What the slot says, in the table's scale: mired, Duv, degrees, or a share from 0 to 1.
    pub asked: f64,
    /// What a meter reads, in the same scale.
    pub given: f64,
    /// Tint that the meter reads with it, in Duv; kelvin channels alone, 0 where it was not read.
    pub duv: f64,
    /// Light there at full as a share of the most that the lamp's emitters could mix of that colour, above
    /// 0 to 1; kelvin channels alone, 1 where nobody has read it.
    pub light: f64,
}

impl TrueTable {
    /// A table of a kelvin channel: asked kelvin, kelvin read, Duv read (0 where it was not), and light at
    /// full as a share of what the emitters could mix (1 where it was not read).
    ///
    /// Errors: no point, too many, or the first pair that does not rise in both.
    pub fn of_kelvin(points: &[(Kelvin, Kelvin, f64, f64)]) -> Result<Self, TableFault> {
        let plain: Vec<_> = points.iter().map(|(a, g, d, l)| (a.get(), g.get(), *d, *l)).collect();
        Self::check(&plain)?;
        let mired = |k: f64| 1e6 / k;
        let turned = |p: &(f64, f64, f64, f64)| TruePoint {
            asked: mired(p.0),
            given: mired(p.1),
            duv: p.2,
            light: p.3,
        };
        Ok(Self { in_mired: true, points: plain.iter().rev().map(turned).collect() })
    }

    /// A table of any other colour channel: asked and read.
    ///
    /// Errors: no point, too many, or the first pair that does not rise in both.
    pub fn linear(points: &[(f64, f64)]) -> Result<Self, TableFault> {
        let plain: Vec<_> = points.iter().map(|(a, g)| (*a, *g, 0.0, 1.0)).collect();
        Self::check(&plain)?;
        let of = |p: &(f64, f64, f64, f64)| TruePoint { asked: p.0, given: p.1, duv: p.2, light: p.3 };
        Ok(Self { in_mired: false, points: plain.iter().map(of).collect() })
    }

    fn check(points: &[(f64, f64, f64, f64)]) -> Result<(), TableFault> {
        let rises = |a: f64, b: f64| b.partial_cmp(&a) == Some(std::cmp::Ordering::Greater);
        match points.len() {
            0 => return Err(TableFault::TooFew),
            n if n > MOST_POINTS => return Err(TableFault::TooMany),
            _ => {}
        }
        for (index, pair) in points.windows(2).enumerate() {
            if !rises(pair[0].0, pair[1].0) {
                return Err(TableFault::FirstFalls(index));
            }
            if !rises(pair[0].1, pair[1].1) {
                return Err(TableFault::SecondFalls(index));
            }
        }
        Ok(())
    }

    /// True for a table of kelvin, whose points are in mired.
    #[must_use]
    pub fn in_mired(&self) -> bool {
        self.in_mired
    }

    /// The points, by rising `asked` in the table's scale; at least one.
    #[must_use]
    pub fn points(&self) -> &[TruePoint] {
        &self.points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_pair_that_does_not_rise_is_named() {
        let light = |points: &[(u16, f64)]| LightTable::new(points, 255).map(|_| ());
        assert_eq!(light(&[]), Err(TableFault::TooFew));
        assert_eq!(light(&[(1, 0.0), (255, 1.0)]), Err(TableFault::NoDark));
        assert_eq!(light(&[(0, 0.0), (254, 1.0)]), Err(TableFault::NoFull));
        assert_eq!(light(&[(0, 0.0), (255, 0.0)]), Err(TableFault::NoFull));
        assert_eq!(light(&[(0, 0.0), (9, 0.1), (9, 0.2), (255, 1.0)]), Err(TableFault::FirstFalls(1)));
        assert_eq!(light(&[(0, 0.0), (9, 0.1), (20, 0.1), (255, 1.0)]), Err(TableFault::SecondFalls(1)));
        assert_eq!(light(&[(0, 0.0), (9, f64::NAN), (20, 0.1), (255, 1.0)]), Err(TableFault::SecondFalls(0)));
        assert_eq!(light(&[(0, 0.0), (9, 0.1), (255, 1.0), (300, 2.0)]), Err(TableFault::NoFull));
        let turned = TrueTable::linear(&[(0.0, 1.0), (1.0, 1.0)]);
        assert_eq!(turned.map(|_| ()), Err(TableFault::SecondFalls(0)));
    }

    #[test]
    fn points_dark_at_first_make_the_table_begin_at_the_first_lit_one() {
        let table = LightTable::new(&[(0, 0.0), (8, 0.0), (12, 5.0), (255, 500.0)], 255).unwrap();
        let first = table.knots()[0];
        assert_eq!((first.q, first.light), (12.0 / 255.0, 0.01));
        let plain = LightTable::new(&[(0, 0.0), (12, 5.0), (255, 500.0)], 255).unwrap();
        assert_eq!(plain.knots()[0].q, 0.0);
    }
}
