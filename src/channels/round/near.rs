//! One look at all neighbours of the values that lanes stand at: which of them is best.

use super::{ALL_AT_ONCE, COLOUR_UNIT, Found, Goal, HAIR, LIGHT_UNIT, Lane, Master, Part, most_scale};
use crate::plan::MAX_EMITTERS;

/// One value that a lane may take in a round.
#[derive(Debug, Clone, Copy, Default)]
struct Choice {
    part: Part,
    value: u16,
    light: f64,
    steps: i8,
    /// False if the round before has tried it with whatever else was tried there.
    fresh: bool,
}

/// One look at all neighbours.
pub(super) struct Round<'a> {
    goal: &'a Goal,
    count: usize,
    choices: [[Choice; 3]; MAX_EMITTERS],
    len: [usize; MAX_EMITTERS],
    /// Least and greatest of what the lanes from an index on can add: light, then u' and v'.
    rest: [Rest; MAX_EMITTERS + 1],
    /// Values that a step of a 16-bit channel is.
    pub stride: i32,
    /// Steps that the last round took; its neighbours are not tried again.
    pub tried: Option<[i8; MAX_EMITTERS]>,
    bar: Bar,
    steps: [i8; MAX_EMITTERS],
    found: Option<([i8; MAX_EMITTERS], Found)>,
    /// Index of the first of the two lanes that are looked at together; `count` if none are.
    pair: usize,
    pairs: Pairs,
}

/// What the values of the last two lanes add together, in columns.
#[derive(Debug, Clone, Copy)]
struct Pairs {
    lux: [f64; 9],
    off: [[f64; 9]; 2],
}

impl Pairs {
    const NONE: Self = Self { lux: [f64::NEG_INFINITY; 9], off: [[0.0; 9]; 2] };

    /// A bit for each pair (3 times the first's index and the second's) that with `sum` may be better:
    /// more light than `least_lux` and no more than `most_lux`, and no further off than `reach`.
    fn within(&self, sum: &Part, reach: f64, least_lux: f64, most_lux: f64) -> u16 {
        let mut hits = 0;
        // The first bar is infinite, and so may be nothing times infinity.
        let square = if reach.is_nan() { f64::INFINITY } else { reach * reach };
        for k in 0..9 {
            let (u, v) = (sum.off[0] + self.off[0][k], sum.off[1] + self.off[1][k]);
            let lux = sum.lux + self.lux[k];
            let hit = (u * u + v * v <= square) & (lux > least_lux) & (lux <= most_lux);
            hits |= u16::from(hit) << k;
        }
        hits
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Rest {
    lux: [f64; 2],
    off: [[f64; 2]; 2],
    weight: f64,
    fresh: bool,
}

/// What values must beat to be better than an error, without a logarithm or a division.
#[derive(Debug, Clone, Copy)]
struct Bar {
    error: f64,
    /// Light that must be exceeded, in lux.
    lux: f64,
    /// Distance in u'v' that must not be reached, and its square.
    off: f64,
    off_squared: f64,
}

impl Bar {
    fn of(error: f64, goal: &Goal) -> Self {
        let off = error * COLOUR_UNIT;
        let lux = if error.is_finite() { goal.lux * (-error * LIGHT_UNIT).exp2() } else { 0.0 };
        Self { error, lux, off, off_squared: off * off }
    }
}

impl<'a> Round<'a> {
    /// Nothing offered yet, for so many lanes.
    pub fn new(goal: &'a Goal, count: usize) -> Self {
        Self {
            goal,
            count,
            choices: [[Choice::default(); 3]; MAX_EMITTERS],
            len: [0; MAX_EMITTERS],
            rest: [Rest::default(); MAX_EMITTERS + 1],
            stride: 1,
            tried: None,
            bar: Bar::of(f64::INFINITY, goal),
            steps: [0; MAX_EMITTERS],
            found: None,
            pair: if (2..=ALL_AT_ONCE).contains(&count) { count - 2 } else { count },
            pairs: Pairs::NONE,
        }
    }

    /// Works out what each lane gives at the values of `steps`: the likeliest first, so that the bar is
    /// high soon.
    pub fn offer(&mut self, lanes: &[Lane<'_>], steps: &[i32]) {
        for (i, lane) in lanes.iter().enumerate() {
            // A lane that has moved by a step has two of the last round's values before it still.
            let known = self.choices[i];
            let known = &known[..self.len[i]];
            self.len[i] = 0;
            for &by in steps {
                let Some(value) = lane.away(by, self.stride) else { continue };
                let fresh = match self.tried {
                    None => true,
                    Some(tried) => tried[i] != 0 && i32::from(tried[i]) == by,
                };
                let choice = match known.iter().find(|c| c.value == value) {
                    Some(known) => Choice { steps: by as i8, fresh, ..*known },
                    None => {
                        let light = if by == 0 { lane.light } else { lane.at(value).light };
                        Choice { part: lane.full.times(light), value, light, steps: by as i8, fresh }
                    }
                };
                self.choices[i][self.len[i]] = choice;
                self.len[i] += 1;
            }
        }
        for i in (0..self.count).rev() {
            let after = self.rest[i + 1];
            let choices = &self.choices[i][..self.len[i]];
            let span = |value: fn(&Part) -> f64, after: [f64; 2]| {
                let ends = choices.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], c| {
                    [low.min(value(&c.part)), high.max(value(&c.part))]
                });
                [ends[0] + after[0], ends[1] + after[1]]
            };
            self.rest[i] = Rest {
                lux: span(|p| p.lux, after.lux),
                off: [span(|p| p.off[0], after.off[0]), span(|p| p.off[1], after.off[1])],
                weight: span(|p| p.weight, [after.weight; 2])[1],
                fresh: after.fresh || choices.iter().any(|c| c.fresh),
            };
        }
        if self.pair < self.count {
            self.pairs = Pairs::NONE;
            for (a, first) in self.choices[self.pair][..self.len[self.pair]].iter().enumerate() {
                for (b, second) in self.choices[self.pair + 1][..self.len[self.pair + 1]].iter().enumerate() {
                    let part = first.part.plus(&second.part);
                    self.pairs.lux[3 * a + b] = part.lux;
                    self.pairs.off[0][3 * a + b] = part.off[0];
                    self.pairs.off[1][3 * a + b] = part.off[1];
                }
            }
        }
    }

    /// Moves the lanes to the best of the offered values that changes at most `moves` of them, if that
    /// is better than `best`; gives the steps taken.
    pub fn take_best(
        &mut self,
        lanes: &mut [Lane<'_>],
        master: Option<&Master<'_>>,
        moves: usize,
        best: &mut Found,
    ) -> Option<[i8; MAX_EMITTERS]> {
        self.bar = Bar::of(best.error, self.goal);
        self.found = None;
        self.walk(0, &Part::default(), false, moves, master);
        let (steps, found) = self.found?;
        for (i, lane) in lanes.iter_mut().enumerate() {
            if let Some(choice) = self.choices[i][..self.len[i]].iter().find(|c| c.steps == steps[i]) {
                (lane.value, lane.light) = (choice.value, choice.light);
            }
        }
        *best = found;
        Some(steps)
    }

    fn walk(&mut self, at: usize, sum: &Part, fresh: bool, moves: usize, master: Option<&Master<'_>>) {
        if at == self.count {
            self.judge(sum, master);
            return;
        }
        let rest = &self.rest[at];
        if !fresh && !rest.fresh {
            return;
        }
        // A master only dims.
        let most_lux = if master.is_none() { self.goal.most_lux * (1.0 + HAIR) } else { f64::INFINITY };
        if sum.lux + rest.lux[0] > most_lux || sum.lux + rest.lux[1] <= self.bar.lux {
            return;
        }
        let reach = self.bar.off * (sum.weight + rest.weight);
        for axis in 0..2 {
            if sum.off[axis] + rest.off[axis][0] > reach || sum.off[axis] + rest.off[axis][1] < -reach {
                return;
            }
        }
        if at == self.pair {
            self.judge_pairs(sum, reach, most_lux, master);
            return;
        }
        for index in 0..self.len[at] {
            let choice = self.choices[at][index];
            let left = if choice.steps == 0 {
                moves
            } else if moves > 0 {
                moves - 1
            } else {
                continue;
            };
            self.steps[at] = choice.steps;
            self.walk(at + 1, &sum.plus(&choice.part), fresh || choice.fresh, left, master);
        }
    }

    /// Judges `sum` with those values of the last two lanes that may be better with it.
    fn judge_pairs(&mut self, sum: &Part, reach: f64, most_lux: f64, master: Option<&Master<'_>>) {
        let mut hits = self.pairs.within(sum, reach, self.bar.lux, most_lux);
        while hits != 0 {
            let hit = hits.trailing_zeros() as usize;
            hits &= hits - 1;
            let (first, second) = (&self.choices[self.pair][hit / 3], &self.choices[self.pair + 1][hit % 3]);
            let sum = sum.plus(&first.part).plus(&second.part);
            (self.steps[self.pair], self.steps[self.pair + 1]) = (first.steps, second.steps);
            self.judge(&sum, master);
        }
    }

    fn judge(&mut self, sum: &Part, master: Option<&Master<'_>>) {
        let off_squared = sum.off[0] * sum.off[0] + sum.off[1] * sum.off[1];
        if off_squared >= self.bar.off_squared * sum.weight * sum.weight || sum.lux <= 0.0 {
            return;
        }
        let (value, light) = match master {
            None => (0, 1.0),
            Some(master) => match master.at_most(most_scale(sum, self.goal)) {
                Some(found) => found,
                None => return,
            },
        };
        let lux = sum.lux * light;
        if lux <= self.bar.lux
            || lux > self.goal.most_lux * (1.0 + HAIR)
            || lux < self.goal.least_lux * (1.0 - HAIR)
            || sum.watts * light > self.goal.watts * (1.0 + HAIR)
        {
            return;
        }
        let error = self.goal.error(lux, off_squared.sqrt() / sum.weight);
        if error < self.bar.error {
            self.bar = Bar::of(error, self.goal);
            self.found = Some((self.steps, Found { error, master: value }));
        }
    }
}
