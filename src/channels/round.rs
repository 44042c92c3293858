//! Rounding to slots: the channel values nearest to what is allowed, and never over it.
//!
//! Error of some values: the greater of their light's distance from the allowed light over
//! [`LIGHT_UNIT`] and their colour's from the allowed colour over [`COLOUR_UNIT`]. The search starts
//! from the exact drives rounded down, which is always allowed, and moves to the best of all values
//! within one step of every channel until none of them is better. Above [`ALL_AT_ONCE`] emitters,
//! where all combinations are too many, singles and pairs are tried. A combination is judged by five
//! sums that are linear in the channels' light, so that a neighbour costs a few additions and most of
//! them fall to a comparison. No allocation. This module knows no modes and no slots.

mod near;
mod whole;

use super::curve;
use crate::plan::{Bits, Channel, Emitter, MAX_EMITTERS};
use crate::units::Uv76;
use near::Round;
pub(super) use whole::{Parts, of_whole, search};

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

/// Of a vector whose square neither over- nor underflows: `hypot` guards against that, at many times the
/// cost.
fn length([u, v]: [f64; 2]) -> f64 {
    (u * u + v * v).sqrt()
}
