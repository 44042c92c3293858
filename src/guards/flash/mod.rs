//! The flash guard: no stream of requests and no moving look makes the light at a face or a wall flash
//! more than three times in any second.
//!
//! The rule is that of [`count`], on illuminance: level 1.0 is the 0-stops illuminance, or the most that
//! the point had in the last 10 s where that is less (`swing.rs` says how a level 1.0 that moves is read).
//! Beyond the rule, on the careful side: changes
//! between two bright states count too (the rule lets them pass for screens; a lamp has no such end), and
//! six changes a second is the most, not seven. Saturated red counts at any luminance (`red.rs`).
//!
//! Only raising is ever held. At one point all lamps' light adds up and is linear in their levels, so one
//! share for every raise of a frame is enough. A raise that would turn the light upwards once too often
//! goes on to just under the smallest change and waits there, a second at most, until the oldest change
//! has left the second. A light already on its way up may always go on: a lone change is never held.
//!
//! Why it holds: a change that ends in a second is a turn upwards or downwards. Upwards turns pass only
//! while at most four changes lie in the second before, so right after the last one there are five at
//! most; after it at most one turn downwards can follow. What lowering can do alone is not held: light
//! that only falls never flashes, but its colour may cross into red and out again.
//!
//! It was written for screens and stands in here: some people react to less, the room is not the whole of
//! what they see, and nobody can count what a lamp does by itself. Not here: where the points are and what
//! light the lamps give there, which is the engine's work (`engine/flash.rs`).

pub mod count;
mod counter;
mod light;
pub mod motion;
mod red;
mod stamps;
mod swing;

pub use light::PointLight;

use crate::units::{FrameClock, FrameNumber};
use red::Reds;
use swing::Swings;

/// The guard for every face and wall point of a set.
///
/// Each frame: ask [`Flash::pass`] which share of the raise may go out, send that, and tell
/// [`Flash::sent`] what light the frame really made.
#[derive(Debug, Clone, PartialEq)]
pub struct Flash {
    window: u64,
    now: FrameNumber,
    points: Vec<Point>,
}

#[derive(Debug, Clone, PartialEq)]
struct Point {
    swings: Swings,
    reds: Reds,
    /// The light last sent.
    last: Option<PointLight>,
}

/// How much of a frame's raise may pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passed {
    /// Share of the raise, 0 to 1, the same for every lamp that rises.
    pub share: f64,
    /// What holds the rest; `None` at 1.
    pub held: Option<Held>,
}

/// Why a raise is held, and for how long.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// The point that holds it, by its place in the list; the one that holds it most.
    pub point: usize,
    /// What would be too many.
    pub cause: Cause,
    /// Frames until one more may pass, unless the light falls again before: 1 to a second's.
    pub frames: u64,
}

/// What there would be too many of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// Flashes of light.
    General,
    /// Changes to and from saturated red.
    Red,
}

impl Flash {
    /// A guard for points where `full_lux` (each above 0) is 0 stops, with no light so far.
    #[must_use]
    pub fn new(clock: FrameClock, full_lux: &[f64]) -> Self {
        let point = |lux: &f64| Point { swings: Swings::new(*lux), reds: Reds::new(), last: None };
        Self { window: u64::from(clock.rate()), now: 0, points: full_lux.iter().map(point).collect() }
    }

    /// A guard for points whose past is not known: after a start into standing light, or when a reload
    /// moves points. Every raise that would turn the light upwards waits a second.
    ///
    /// `standing`: the light there now, in the same order.
    #[must_use]
    pub fn after(clock: FrameClock, full_lux: &[f64], standing: &[PointLight]) -> Self {
        let lights = standing.iter().copied().chain(std::iter::repeat(PointLight::DARK));
        let point = |(lux, light): (&f64, PointLight)| Point {
            swings: Swings::after(*lux, light.y, 0),
            reds: Reds::after(light, 0),
            last: Some(light),
        };
        let points = full_lux.iter().zip(lights).map(point).collect();
        Self { window: u64::from(clock.rate()), now: 1, points }
    }

    /// How much of the raise of the next frame may pass.
    ///
    /// `lowered`: the light at each point once every lamp that falls has fallen and none has risen;
    /// `wanted`: with every raise too. Both in the order of the points; if either is of another length
    /// nothing passes. Any light from `lowered` up to `share` of the way is safe. Lamps that are rounded each by
    /// itself make a colour that is not on that way: what will be sent has to be asked for again, and no lamp
    /// may rise where that is held. Source of the thresholds: [`count`].
    #[must_use]
    pub fn pass(&self, lowered: &[PointLight], wanted: &[PointLight]) -> Passed {
        let mut passed = Passed { share: 1.0, held: None };
        if lowered.len() != self.points.len() || wanted.len() != self.points.len() {
            return Passed { share: 0.0, held: None };
        }
        for (index, point) in self.points.iter().enumerate() {
            let (low, rise) = (lowered[index].y, wanted[index].y - lowered[index].y);
            if let Some((cap, until)) = point.swings.cap(self.now, self.window).filter(|_| rise > 0.0)
                && low + rise * passed.share > cap
            {
                let held = Held { point: index, cause: Cause::General, frames: until - self.now };
                passed = Passed { share: ((cap - low) / rise).clamp(0.0, passed.share), held: Some(held) };
            }
        }
        for (index, point) in self.points.iter().enumerate() {
            if !wanted[index].raises(lowered[index]) || passed.share <= 0.0 {
                continue;
            }
            let light = lowered[index].towards(wanted[index], passed.share);
            if let Some(until) = point.reds.holds(light, self.now, self.window) {
                let held = Held { point: index, cause: Cause::Red, frames: until - self.now };
                passed = Passed { share: 0.0, held: Some(held) };
            }
        }
        passed
    }

    /// The light that the next frame really made at each point, after rounding; the frame after it is then
    /// the next. To be told of every frame, also when nothing was held.
    pub fn sent(&mut self, light: &[PointLight]) {
        for (point, light) in self.points.iter_mut().zip(light) {
            // Light that stands is no change in any counter.
            let stands = point.last == Some(*light);
            point.swings.take(light.y, self.now, self.window, stands);
            if !stands {
                point.reds.take(*light, self.now, self.window);
                point.last = Some(*light);
            }
        }
        self.now += 1;
    }

    /// Changes of brightness in the second that ends with the frame last sent, at the point that had most; counted
    /// up to five, the most that a raise leaves.
    #[must_use]
    pub fn changes(&self) -> usize {
        let last = self.now.saturating_sub(1);
        self.points.iter().map(|point| point.swings.changes(last, self.window)).max().unwrap_or(0)
    }

    /// Points that are watched.
    #[must_use]
    pub fn points(&self) -> usize {
        self.points.len()
    }
}
