//! The flash counter's second opinion: the light of every watched point, frame by frame, counted by the rule that `reckon
//! flash` counts with and the guard does not.

use std::collections::VecDeque;

use crate::guards::flash::count::{FULL, worst_in_the_last};

/// Seconds of light that level 1.0 is taken from, one more than the guard's ten: seconds that begin before the last one are
/// counted too.
const KEPT_S: usize = 11;
/// Light under this share of 0 stops is dark: 23 stops under it.
const DARK: f64 = 1e-7;

/// Counts changes apart from the guard.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Apart {
    rate: usize,
    zero_lux: f64,
    /// Lux at each point, the newest last.
    points: Vec<VecDeque<f64>>,
    /// Frames since any of it differed from the one before.
    still: usize,
}

impl Apart {
    /// Nothing yet, at `rate` frames a second; `zero_lux` is 0 stops.
    pub fn new(rate: u32, zero_lux: f64) -> Self {
        Self { rate: rate.max(1) as usize, zero_lux, points: Vec::new(), still: usize::MAX }
    }

    /// One frame's light at every point, in lux.
    pub fn frame(&mut self, light: impl Iterator<Item = f64>) {
        self.still = self.still.saturating_add(1);
        for (index, lux) in light.enumerate() {
            if index == self.points.len() {
                self.points.push(VecDeque::with_capacity(KEPT_S * self.rate + 1));
            }
            let point = &mut self.points[index];
            if point.back().is_some_and(|last| *last != lux) {
                self.still = 0;
            }
            point.push_back(lux);
            if point.len() > KEPT_S * self.rate {
                point.pop_front();
            }
        }
    }

    /// Most changes at one point in any second that ends in the last second.
    pub fn second(&self) -> usize {
        if self.still > 2 * self.rate {
            return 0;
        }
        self.points.iter().map(|point| self.at(point)).max().unwrap_or(0)
    }

    fn at(&self, point: &VecDeque<f64>) -> usize {
        let most = point.iter().copied().fold(0.0, f64::max).min(self.zero_lux);
        if most < DARK * self.zero_lux {
            return 0;
        }
        let levels: Vec<u32> =
            point.iter().map(|lux| (lux / most * f64::from(FULL)).round() as u32).collect();
        worst_in_the_last(&levels, self.rate, self.rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(seconds: &[&[f64]]) -> Vec<usize> {
        let mut apart = Apart::new(10, 100.0);
        let each = seconds.iter().map(|second| {
            second.iter().for_each(|lux| apart.frame([*lux, 0.0].into_iter()));
            apart.second()
        });
        each.collect()
    }

    /// Source: WCAG 2.x, general flash: opposing changes of 10 % of the most light; by hand.
    #[test]
    fn changes_are_those_of_the_second_that_has_most() {
        let still = [50.0; 10];
        let one = [50.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0, 80.0, 80.0];
        let back = [50.0, 80.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0];
        // Up at the end of a second, then down, up, down: four within ten frames; the last two are in the next ten as well.
        assert_eq!(counted(&[&still, &one, &back, &still]), [0, 1, 4, 2]);
        // Under a tenth of the most light, and in the dark.
        assert_eq!(counted(&[&[50.0, 54.0, 50.0, 54.0], &[1e-6, 0.0, 1e-6, 0.0]]), [0, 1]);
    }
}
