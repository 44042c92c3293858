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
use crate::plan::{Channel, Emitter, MAX_EMITTERS};
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
/// Rounds of the search after which it stops. A handful is the rule; where channels of 8 and 16 bits
/// stand in one lamp, the finer ones walk far.
const MOST_ROUNDS: usize = 200;
/// Rounds from which a good move is tried again at twice its length.
const LEAP_FROM: usize = 2;

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
            if value > high { f64::INFINITY } else { curve::of_value(channel.curve, channel.bits, value) }
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
        let value = curve::value_at_or_below(self.channel.curve, self.channel.bits, light).min(self.high);
        self.within(value, curve::of_value(self.channel.curve, self.channel.bits, value))
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
}

impl<'a> Lane<'a> {
    /// `range`: the least and the greatest value that it may take.
    pub fn new(channel: &'a Channel, emitter: &Emitter, goal: &Goal, range: (u16, u16)) -> Self {
        Self { channel, full: Part::of(emitter, goal.uv), low: range.0, high: range.1, value: range.0 }
    }

    /// Takes the value of this light or the next below, within its range.
    pub fn round_down(&mut self, light: f64) {
        let value =
            curve::value_at_or_below(self.channel.curve, self.channel.bits, light.min(1.0) * (1.0 + HAIR));
        self.value = value.clamp(self.low, self.high);
    }

    /// Takes a value, within its range.
    pub fn stand_at(&mut self, value: u16) {
        self.value = value.clamp(self.low, self.high);
    }

    /// Its channel.
    pub fn channel(&self) -> &'a Channel {
        self.channel
    }

    fn light(&self, value: u16) -> f64 {
        curve::of_value(self.channel.curve, self.channel.bits, value)
    }

    /// The value `steps` away, if it is within its range.
    fn away(&self, steps: i32) -> Option<u16> {
        u16::try_from(i32::from(self.value) + steps).ok().filter(|v| (self.low..=self.high).contains(v))
    }

    /// True if its value gives no light, so that zero gives the same.
    pub fn is_dark(&self) -> bool {
        self.light(self.value) <= 0.0
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
    let sum = lanes.iter().fold(Part::default(), |sum, l| sum.plus(&l.full.times(l.light(l.value))));
    let (value, light) = match master {
        None => (0, 1.0),
        Some(master) => master.at_most(most_scale(&sum, goal))?,
    };
    let lux = sum.lux * light;
    let over = lux > goal.most_lux * (1.0 + HAIR) || sum.watts * light > goal.watts * (1.0 + HAIR);
    if over || lux < goal.least_lux * (1.0 - HAIR) {
        return None;
    }
    let off = if sum.weight > 0.0 { sum.off[0].hypot(sum.off[1]) / sum.weight } else { 0.0 };
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
        round.offer(lanes, 0..=1);
        round.take_best(lanes, master, count, &mut best);
    }
    let moves = if all { count } else { 2 };
    for n in 0..MOST_ROUNDS {
        round.offer(lanes, -1..=1);
        let Some(steps) = round.take_best(lanes, master, moves, &mut best) else { break };
        let leapt = n >= LEAP_FROM && leap(lanes, goal, master, &steps, &mut best);
        round.tried = (all && !leapt).then_some(steps);
    }
    Some(best)
}

/// Goes on in the same direction, twice as far each time, while that is better.
fn leap(
    lanes: &mut [Lane<'_>],
    goal: &Goal,
    master: Option<&Master<'_>>,
    steps: &[i8; MAX_EMITTERS],
    best: &mut Found,
) -> bool {
    let mut leapt = false;
    let mut by = 2;
    loop {
        let mut further = [lanes[0]; MAX_EMITTERS];
        for (i, lane) in lanes.iter().enumerate() {
            let Some(value) = lane.away(by * i32::from(steps[i])) else { return leapt };
            further[i] = Lane { value, ..*lane };
        }
        match standing(&further[..lanes.len()], goal, master) {
            Some(found) if found.error < best.error => {
                lanes.copy_from_slice(&further[..lanes.len()]);
                *best = found;
                leapt = true;
                by *= 2;
            }
            _ => return leapt,
        }
    }
}

/// One value that a lane may take in a round.
#[derive(Debug, Clone, Copy, Default)]
struct Choice {
    part: Part,
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
    /// Steps that the last round took; its neighbours are not tried again.
    tried: Option<[i8; MAX_EMITTERS]>,
    bar: Bar,
    steps: [i8; MAX_EMITTERS],
    found: Option<([i8; MAX_EMITTERS], Found)>,
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
            tried: None,
            bar: Bar::of(f64::INFINITY, goal),
            steps: [0; MAX_EMITTERS],
            found: None,
        }
    }

    /// Works out what each lane gives at the values within `steps`, in rising light.
    fn offer(&mut self, lanes: &[Lane<'_>], steps: std::ops::RangeInclusive<i32>) {
        for (i, lane) in lanes.iter().enumerate() {
            self.len[i] = 0;
            for by in steps.clone() {
                let Some(value) = lane.away(by) else { continue };
                let fresh = match self.tried {
                    None => true,
                    Some(tried) => tried[i] != 0 && i32::from(tried[i]) == by,
                };
                let part = lane.full.times(lane.light(value));
                self.choices[i][self.len[i]] = Choice { part, steps: by as i8, fresh };
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
        for (lane, by) in lanes.iter_mut().zip(steps) {
            lane.value = lane.away(i32::from(by)).unwrap_or(lane.value);
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
        if master.is_none()
            && (sum.lux + rest.lux[0] > self.goal.most_lux * (1.0 + HAIR)
                || sum.lux + rest.lux[1] <= self.bar.lux)
        {
            return;
        }
        let reach = self.bar.off * (sum.weight + rest.weight);
        for axis in 0..2 {
            if sum.off[axis] + rest.off[axis][0] > reach || sum.off[axis] + rest.off[axis][1] < -reach {
                return;
            }
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

/// Most values that [`search`] judges; each costs a mix, about a microsecond.
const MOST_JUDGED: usize = 400;

/// From `start` (values and what they are found to be) to values of one or two channels of which no
/// neighbour is better: strides that double while they help and halve while they do not, down to one.
///
/// `ranges`: least and greatest value of each channel. After [`MOST_JUDGED`] values it stops with the best
/// of them.
pub(super) fn search(
    start: ([u16; 2], Found),
    ranges: &[(u16, u16)],
    judge: impl Fn([u16; 2]) -> Option<Found>,
) -> ([u16; 2], Found) {
    let mut best = start;
    let mut stride = 1;
    let mut judged = 0;
    while judged < MOST_JUDGED {
        let mut better = best;
        for way in 0..9 {
            let steps = [way % 3 - 1, way / 3 - 1];
            let mut values = best.0;
            let mut inside = steps != [0, 0] && (ranges.len() > 1 || steps[1] == 0);
            for ((value, by), (low, high)) in values.iter_mut().zip(steps).zip(ranges) {
                let moved = (i32::from(*value) + by * stride).clamp(i32::from(*low), i32::from(*high)) as u16;
                // Cut short at the end of its range it is still a move; at the end itself it is none.
                inside &= by == 0 || moved != *value;
                *value = moved;
            }
            if inside {
                judged += 1;
                if let Some(found) = judge(values)
                    && found.error < better.1.error
                {
                    better = (values, found);
                }
            }
        }
        if better.0 != best.0 {
            best = better;
            stride = (stride * 2).min(1 << 14);
        } else if stride == 1 {
            break;
        } else {
            stride /= 2;
        }
    }
    best
}
