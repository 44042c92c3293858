//! Rounding to slots: the channel values nearest to what is allowed, and never over it.
//!
//! Error of some values: the greater of their light's distance from the allowed light over
//! [`LIGHT_UNIT`] and their colour's from the allowed colour over [`COLOUR_UNIT`]. The search starts
//! from the exact drives rounded down, which is always allowed, and moves to the best of all values
//! within one step of every channel until none of them is better. Above [`ALL_AT_ONCE`] emitters,
//! where all combinations are too many, singles and pairs are tried. A combination is judged by five
//! sums that are linear in the channels' light, so that a neighbour costs a few additions and most of
//! them fall to a comparison. No allocation. This module knows no modes and no slots.

use super::curve;
use crate::plan::{Bits, Channel, Emitter, MAX_EMITTERS};
use crate::units::Uv76;

/// Light error that counts as 1, in stops. Source: the product's own definition; a tenth of what an
/// incident meter shows.
pub const LIGHT_UNIT: f64 = 0.01;
/// Colour error that counts as 1, in u'v'. Source: the product's own definition; about half of what can
/// be seen side by side (0.001; from memory).
pub const COLOUR_UNIT: f64 = 0.0005;
/// Emitters up to which every combination of one step of each is tried: 3^5 = 243.
pub const ALL_AT_ONCE: usize = 5;

/// Relative slack of "not over": rounding of the sums, far under every tolerance. Without it a lamp that
/// is allowed its full would be sent a step less.
pub(super) const HAIR: f64 = 1e-12;
/// Strides of 16-bit channels where they have far to walk: beside 8-bit ones, whose misses they make good,
/// or along a ridge.
const STRIDES: [i32; 5] = [256, 64, 16, 4, 1];
/// Rounds at one stride; a handful is the rule.
const MOST_ROUNDS: usize = 16;
/// Sweeps over all strides after which the search stops where it is. One is the rule; only where 8- and
/// 16-bit emitters stand in one lamp may a neighbour still be better then, by less than 0.005 of error.
const MOST_SWEEPS: usize = 24;
/// Rounds after which the way come since the last such moment is gone again, ever further.
const LEAP_AFTER: usize = 3;

/// What is to be met, in light at 1 m.
#[derive(Debug, Clone, Copy)]
pub(super) struct Goal {
    /// Light to come near to, in lux, above 0.
    pub lux: f64,
    /// Colour to come near to.
    pub uv: Uv76,
    /// Never more light than this, in lux: `lux` or less.
    pub most_lux: f64,
    /// Never less light than this, in lux.
    pub least_lux: f64,
    /// Never more electrical power than this, in watts, standby not included.
    pub watts: f64,
}

impl Goal {
    /// The error of this light and this distance in u'v'; infinite for a dark lamp.
    pub fn error(&self, lux: f64, off_uv76: f64) -> f64 {
        if lux > 0.0 {
            ((self.lux / lux).log2().abs() / LIGHT_UNIT).max(off_uv76 / COLOUR_UNIT)
        } else {
            f64::INFINITY
        }
    }
}

/// The intensity channel of a lamp: it multiplies all emitters.
#[derive(Debug, Clone, Copy)]
pub(super) struct Master<'a> {
    channel: &'a Channel,
    low: u16,
    high: u16,
    /// First value of the window, and the light of it and the next ones: those in use over and over.
    first: u16,
    window: [f64; 5],
}

impl<'a> Master<'a> {
    pub fn new(channel: &'a Channel, (low, high): (u16, u16), near: u16) -> Self {
        let first = near.saturating_sub(2);
        let light = |i: usize| {
            let value = first.saturating_add(i as u16);
            if value > high { f64::INFINITY } else { curve::of_value(&channel.curve, channel.bits, value) }
        };
        Self { channel, low, high, first, window: std::array::from_fn(light) }
    }

    /// The greatest value within its range whose light is at most `light`, and that light.
    pub fn at_most(&self, light: f64) -> Option<(u16, f64)> {
        let light = light * (1.0 + HAIR);
        if light >= self.window[0] && light < self.window[4] {
            let above = self.window.iter().position(|w| *w > light)?;
            return self.within(self.first + above as u16 - 1, self.window[above - 1]);
        }
        let value = curve::value_at_or_below(&self.channel.curve, self.channel.bits, light).min(self.high);
        self.within(value, curve::of_value(&self.channel.curve, self.channel.bits, value))
    }

    /// The value and its light, if it is in range; zero for one without light, whatever the curve's dark
    /// start.
    fn within(&self, value: u16, light: f64) -> Option<(u16, f64)> {
        if light <= 0.0 && self.low == 0 {
            return Some((0, 0.0));
        }
        (value >= self.low).then_some((value, light))
    }
}

/// What an emitter, or a sum of some, contributes. All are linear in its light.
#[derive(Debug, Clone, Copy, Default)]
struct Part {
    /// Light in lux at 1 m.
    lux: f64,
    /// Weight in u'v': X + 15Y + 3Z.
    weight: f64,
    /// Weight times the distance from the goal's u' and v'.
    off: [f64; 2],
    watts: f64,
}

impl Part {
    fn of(emitter: &Emitter, goal: Uv76) -> Self {
        let uv = emitter.xy.uv76();
        let weight = 9.0 * emitter.lux_at_1m / uv.v;
        let off = [weight * (uv.u - goal.u), weight * (uv.v - goal.v)];
        Self { lux: emitter.lux_at_1m, weight, off, watts: emitter.watts.get() }
    }

    fn plus(self, more: &Self) -> Self {
        Self {
            lux: self.lux + more.lux,
            weight: self.weight + more.weight,
            off: [self.off[0] + more.off[0], self.off[1] + more.off[1]],
            watts: self.watts + more.watts,
        }
    }

    fn times(&self, light: f64) -> Self {
        Self {
            lux: self.lux * light,
            weight: self.weight * light,
            off: [self.off[0] * light, self.off[1] * light],
            watts: self.watts * light,
        }
    }
}

/// An emitter's channel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lane<'a> {
    channel: &'a Channel,
    full: Part,
    low: u16,
    high: u16,
    /// Its value now.
    pub value: u16,
    /// The light of that.
    light: f64,
}

impl<'a> Lane<'a> {
    /// `range`: the least and the greatest value that it may take.
    pub fn new(channel: &'a Channel, emitter: &Emitter, goal: &Goal, range: (u16, u16)) -> Self {
        let full = Part::of(emitter, goal.uv);
        Self { channel, full, low: range.0, high: range.1, value: range.0, light: 0.0 }.at(range.0)
    }

    /// This lane at the value of this light or the next below, within its range.
    pub fn down_to(self, light: f64) -> Self {
        let light = light.min(1.0) * (1.0 + HAIR);
        let (value, light) = curve::at_or_below(&self.channel.curve, self.channel.bits, light);
        if (self.low..=self.high).contains(&value) { Self { value, light, ..self } } else { self.at(value) }
    }

    /// This lane at a value, within its range.
    pub fn at(self, value: u16) -> Self {
        let value = value.clamp(self.low, self.high);
        Self { value, light: curve::of_value(&self.channel.curve, self.channel.bits, value), ..self }
    }

    /// The light of its value.
    pub fn light_now(&self) -> f64 {
        self.light
    }

    /// Its channel.
    pub fn channel(&self) -> &'a Channel {
        self.channel
    }

    /// The value `steps` away, if it is within its range; of `stride` each where it has 16 bits.
    fn away(&self, steps: i32, stride: i32) -> Option<u16> {
        let stride = if self.channel.bits == Bits::Sixteen { stride } else { 1 };
        u16::try_from(i32::from(self.value) + steps * stride)
            .ok()
            .filter(|v| (self.low..=self.high).contains(v))
    }
}

/// Values found: their error and the master's value (0 without a master).
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub error: f64,
    pub master: u16,
}

/// The error of the lanes' values as they stand with the best master for them; `None` if they may not
/// be sent.
pub(super) fn standing(lanes: &[Lane<'_>], goal: &Goal, master: Option<&Master<'_>>) -> Option<Found> {
    let sum = lanes.iter().fold(Part::default(), |sum, l| sum.plus(&l.full.times(l.light)));
    let (value, light) = match master {
        None => (0, 1.0),
        Some(master) => master.at_most(most_scale(&sum, goal))?,
    };
    let lux = sum.lux * light;
    let over = lux > goal.most_lux * (1.0 + HAIR) || sum.watts * light > goal.watts * (1.0 + HAIR);
    if over || lux < goal.least_lux * (1.0 - HAIR) {
        return None;
    }
    let off = if sum.weight > 0.0 { length(sum.off) / sum.weight } else { 0.0 };
    Some(Found { error: goal.error(lux, off), master: value })
}

/// The share of `sum` that may be sent.
fn most_scale(sum: &Part, goal: &Goal) -> f64 {
    let by_light = if sum.lux > 0.0 { goal.most_lux / sum.lux } else { 0.0 };
    if sum.watts > 0.0 { by_light.min(goal.watts / sum.watts) } else { by_light }
}

/// Moves the lanes from where they stand to the best values near by, until no neighbour is better.
/// `None` if where they stand may not be sent.
pub(super) fn settle(lanes: &mut [Lane<'_>], goal: &Goal, master: Option<&Master<'_>>) -> Option<Found> {
    let mut best = standing(lanes, goal, master)?;
    let count = lanes.len();
    let all = count <= ALL_AT_ONCE;
    let mut round = Round::new(goal, count);
    if !all {
        // Up to 2^8 corners of the box that holds the exact drives: a far better start than its lowest.
        round.offer(lanes, &[0, 1]);
        round.take_best(lanes, master, count, &mut best);
    }
    let moves = if all { count } else { 2 };
    let mixed = lanes.iter().any(|l| l.channel.bits != lanes[0].channel.bits);
    let mut strides = if mixed { &STRIDES[..] } else { &STRIDES[4..] };
    for _ in 0..MOST_SWEEPS {
        let mut done = false;
        for stride in strides {
            (round.tried, round.stride) = (None, *stride);
            let mut mark = values_of(lanes);
            for n in 1..=MOST_ROUNDS {
                round.offer(lanes, &[0, 1, -1]);
                let steps = round.take_best(lanes, master, moves, &mut best);
                done = steps.is_none();
                if done {
                    break;
                }
                round.tried = steps.filter(|_| all);
                if n % LEAP_AFTER == 0 {
                    if leap(lanes, goal, master, &mark, &mut best) {
                        round.tried = None;
                    }
                    mark = values_of(lanes);
                }
            }
        }
        if done {
            break;
        }
        strides = &STRIDES;
    }
    Some(best)
}

fn values_of(lanes: &[Lane<'_>]) -> [u16; MAX_EMITTERS] {
    let mut values = [0; MAX_EMITTERS];
    for (value, lane) in values.iter_mut().zip(lanes) {
        *value = lane.value;
    }
    values
}

/// Goes on in the direction come from `mark`, twice as far each time, while that is better.
fn leap(
    lanes: &mut [Lane<'_>],
    goal: &Goal,
    master: Option<&Master<'_>>,
    mark: &[u16; MAX_EMITTERS],
    best: &mut Found,
) -> bool {
    let mut way = [0; MAX_EMITTERS];
    for (way, (lane, mark)) in way.iter_mut().zip(lanes.iter().zip(mark)) {
        *way = i32::from(lane.value) - i32::from(*mark);
    }
    let mut leapt = false;
    // A value has 16 bits, so no way can be doubled more often than this.
    for doubled in 0..16 {
        let mut further = [lanes[0]; MAX_EMITTERS];
        for (i, lane) in lanes.iter().enumerate() {
            let value = i32::from(lane.value).saturating_add(way[i] << doubled);
            let value = u16::try_from(value).ok().filter(|v| (lane.low..=lane.high).contains(v));
            let Some(value) = value else { return leapt };
            further[i] = lane.at(value);
        }
        match standing(&further[..lanes.len()], goal, master) {
            Some(found) if found.error < best.error => {
                lanes.copy_from_slice(&further[..lanes.len()]);
                *best = found;
                leapt = true;
            }
            _ => return leapt,
        }
    }
    leapt
}

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
struct Round<'a> {
    goal: &'a Goal,
    count: usize,
    choices: [[Choice; 3]; MAX_EMITTERS],
    len: [usize; MAX_EMITTERS],
    /// Least and greatest of what the lanes from an index on can add: light, then u' and v'.
    rest: [Rest; MAX_EMITTERS + 1],
    /// Values that a step of a 16-bit channel is.
    stride: i32,
    /// Steps that the last round took; its neighbours are not tried again.
    tried: Option<[i8; MAX_EMITTERS]>,
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
    fn new(goal: &'a Goal, count: usize) -> Self {
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
    fn offer(&mut self, lanes: &[Lane<'_>], steps: &[i32]) {
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
    fn take_best(
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

/// The error of a lamp that gives `lux` and draws `watts` at full intensity, `off_uv76` from the goal's
/// colour, at the best value of its intensity; `None` if none may be sent.
pub(super) fn of_whole(
    goal: &Goal,
    master: &Master<'_>,
    lux: f64,
    off_uv76: f64,
    watts: f64,
) -> Option<Found> {
    let sum = Part { lux, watts, ..Part::default() };
    let (value, light) = master.at_most(most_scale(&sum, goal))?;
    let lux = lux * light;
    let over = lux > goal.most_lux * (1.0 + HAIR) || watts * light > goal.watts * (1.0 + HAIR);
    (!over && lux >= goal.least_lux * (1.0 - HAIR))
        .then(|| Found { error: goal.error(lux, off_uv76), master: value })
}

/// What the emitters of a lamp that mixes by itself add, as `goal` counts it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Parts([Part; MAX_EMITTERS]);

impl Parts {
    pub fn of(emitters: &[Emitter], goal: &Goal) -> Self {
        let mut parts = [Part::default(); MAX_EMITTERS];
        for (part, emitter) in parts.iter_mut().zip(emitters) {
            *part = Part::of(emitter, goal.uv);
        }
        Self(parts)
    }

    /// As [`of_whole`], of what these drives give at full intensity.
    pub fn judge(&self, drives: &[f64; MAX_EMITTERS], goal: &Goal, master: &Master<'_>) -> Option<Found> {
        let sum = self.0.iter().zip(drives).fold(Part::default(), |sum, (p, d)| sum.plus(&p.times(*d)));
        let off = if sum.weight > 0.0 { length(sum.off) / sum.weight } else { 0.0 };
        of_whole(goal, master, sum.lux, off, sum.watts)
    }
}

/// Of a vector whose square neither over- nor underflows: `hypot` guards against that, at many times the
/// cost.
fn length([u, v]: [f64; 2]) -> f64 {
    (u * u + v * v).sqrt()
}

/// Values after which [`search`] stops; each costs a mix, about a microsecond. Some tens are the rule; where
/// a level of 8 bits stands beside colour channels of 16, it may stop short, by less than 0.02 of error.
const MOST_JUDGED: usize = 400;

/// From `start` (values and what they are found to be) to values of one or two channels of which no
/// neighbour is better: strides that double while they help and halve while they do not, down to one,
/// and the way come gone again while that helps.
///
/// `ranges`: least and greatest value of each channel. After [`MOST_JUDGED`] values it stops with the best
/// of them.
pub(super) fn search(
    start: ([u16; 2], Found),
    ranges: &[(u16, u16)],
    judge: impl Fn([u16; 2]) -> Option<Found>,
) -> ([u16; 2], Found) {
    let mut best = start;
    let (mut stride, mut judged, mut mark) = (1, 0, start.0);
    while judged < MOST_JUDGED {
        let mut better = best;
        for way in (0..9).filter(|way| *way != 4 && (ranges.len() > 1 || way / 3 == 1)) {
            if let Some(values) = moved(best.0, [(way % 3 - 1) * stride, (way / 3 - 1) * stride], ranges) {
                judged += 1;
                better = judge(values).filter(|f| f.error < better.1.error).map_or(better, |f| (values, f));
            }
        }
        if better.0 != best.0 {
            best = better;
            stride = (stride * 2).min(1 << 14);
            continue;
        }
        let way = [0, 1].map(|i| i32::from(best.0[i]) - i32::from(mark[i]));
        mark = best.0;
        // A value has 16 bits, so no way can be doubled more often than this.
        for doubled in 0..16 {
            let Some(values) = moved(best.0, way.map(|w| w << doubled), ranges) else { break };
            judged += 1;
            let Some(found) = judge(values).filter(|f| f.error < best.1.error) else { break };
            best = (values, found);
        }
        if stride == 1 && best.0 == mark {
            break;
        }
        stride = (stride / 2).max(1);
    }
    best
}

/// The values `steps` away, cut short at the end of a range; `None` where that is no move, or where one of
/// two steps is none.
fn moved(from: [u16; 2], steps: [i32; 2], ranges: &[(u16, u16)]) -> Option<[u16; 2]> {
    let mut values = from;
    for ((value, by), (low, high)) in values.iter_mut().zip(steps).zip(ranges) {
        let to = i32::from(*value).saturating_add(by).clamp(i32::from(*low), i32::from(*high)) as u16;
        if by != 0 && to == *value {
            return None;
        }
        *value = to;
    }
    (values != from).then_some(values)
}
