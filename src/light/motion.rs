//! Light that moves by itself: where a motion is after so many seconds, and the whole of its way.
//!
//! A motion gives a colour and a share of the target's light, 1 at most. Everything is a pure function of
//! the time since its start, so a motion is the same each time it runs.

use super::{Colour, colour};
use crate::plan::{Flicker, FlickerLike, Motion};

/// Where a motion is: a colour, and a share of the target's light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Colour.
    pub colour: Colour,
    /// Light as a share of the target's, above 0 and at most 1.
    pub share: f64,
}

/// Where `motion` about the colour `base` is `seconds` after its start; before it, below 0, where it would
/// have been.
#[must_use]
pub fn pose(motion: &Motion, base: Colour, seconds: f64) -> Pose {
    let turn = (seconds / motion.period().as_secs_f64()).rem_euclid(1.0);
    let steady = |colour| Pose { colour, share: 1.0 };
    match motion {
        Motion::HueCircle { depth, start_deg, .. } => {
            let hue_deg = (start_deg + 360.0 * turn).rem_euclid(360.0);
            steady(Colour::Uv(colour::xy_of_hue(base.xy(), hue_deg, depth.get()).uv76()))
        }
        Motion::Breath { depth, phase, .. } => {
            let down = 0.5 - 0.5 * ((turn + phase.get()) * std::f64::consts::TAU).cos();
            Pose { colour: base, share: (-depth.get() * down).exp2() }
        }
        Motion::Wander { through, phase, .. } => {
            steady(wandered(base, through.as_slice(), turn + phase.get()))
        }
        Motion::Flicker(flicker) => flickered(flicker, base, turn + flicker.phase.get()),
    }
}

/// The way of a motion from end to end, `along` from 0 to 1: every colour that it comes through, each with the
/// most light that it has there. Not in the order of time for a flicker.
#[must_use]
pub fn along(motion: &Motion, base: Colour, along: f64) -> Pose {
    match motion {
        Motion::Breath { .. } => Pose { colour: base, share: 1.0 },
        Motion::Flicker(f) => match f.like {
            FlickerLike::Fire => fire_at(f, base, along),
            // Level and colour go their own ways: any colour may come at full.
            FlickerLike::Screen => {
                Pose { colour: drifted(base, f.drift_mired * (2.0 * along - 1.0)), share: 1.0 }
            }
        },
        Motion::HueCircle { .. } => pose(motion, base, motion.period().as_secs_f64() * along),
        // From the target's own colour, whatever the phase.
        Motion::Wander { through, .. } => {
            Pose { colour: wandered(base, through.as_slice(), along), share: 1.0 }
        }
    }
}

/// Parts of equal length of which the way of `motion` is made ([`along`]), 1 or more: between them it may bend sharply.
#[must_use]
pub fn corners(motion: &Motion) -> u32 {
    match motion {
        Motion::Wander { through, .. } => through.as_slice().len() as u32 + 1,
        Motion::HueCircle { .. } | Motion::Breath { .. } | Motion::Flicker(_) => 1,
    }
}

/// How far the light of `motion` goes down at most, in stops.
#[must_use]
pub fn depth(motion: &Motion) -> f64 {
    match motion {
        Motion::HueCircle { .. } | Motion::Wander { .. } => 0.0,
        Motion::Breath { depth, .. } | Motion::Flicker(Flicker { depth, .. }) => depth.get(),
    }
}

/// The greatest rate at which the light of `motion` changes, in stops a second; 0 where it stands.
///
/// Derived in the text of each kind: a bound, met or nearly met.
#[must_use]
pub fn greatest_rate(motion: &Motion) -> f64 {
    match motion {
        Motion::HueCircle { .. } | Motion::Wander { .. } => 0.0,
        // The slope of (1 - cos 2 pi t) / 2 is pi at most.
        Motion::Breath { period, depth, .. } => depth.get() * std::f64::consts::PI / period.as_secs_f64(),
        Motion::Flicker(f) => {
            let slope = match f.like {
                FlickerLike::Fire => STRETCHED * (SLOW + (1.0 - SLOW) * FINER),
                FlickerLike::Screen => EASED / CHANGE,
            };
            f.depth.get() * slope * changes(f) / f.period.as_secs_f64()
        }
    }
}

/// Steepest slope of [`eased`].
const EASED: f64 = 1.5;

/// 0 to 1 with a level start and end.
fn eased(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// From colour to colour and back to the first, at rest for a moment in each. Even in mired between
/// whites where all are whites; else straight in u'v' throughout, so that it is one kind of colour all the way.
fn wandered(base: Colour, through: &[crate::plan::ColourTarget], turn: f64) -> Colour {
    let count = through.len() + 1;
    let stop = |i: usize| match i % count {
        0 => base,
        i => Colour::of(&through[i - 1]),
    };
    let at = turn.rem_euclid(1.0) * count as f64;
    // A turn a hair under 1 may round to the count itself.
    let leg = (at.floor() as usize).min(count - 1);
    let progress = eased(at - leg as f64);
    let white = |colour: Colour| matches!(colour, Colour::White { .. });
    if (0..count).all(|i| white(stop(i))) {
        return stop(leg).towards(stop(leg + 1), progress);
    }
    let uv = |i| stop(i).xy().uv76();
    Colour::Uv(uv(leg).towards(uv(leg + 1), progress))
}

/// Part of a fire's noise that is slow; the rest is [`FINER`] times as fast.
const SLOW: f64 = 0.65;
/// See [`SLOW`].
const FINER: f64 = 3.0;
/// A sum of noise seldom comes near its ends: this middle part of it is stretched over all of the depth.
const MIDDLE: (f64, f64) = (0.2, 0.8);
/// Steepest slope of that.
const STRETCHED: f64 = EASED / (MIDDLE.1 - MIDDLE.0);
/// Part of the time from one picture of a screen to the next in which its light changes.
const CHANGE: f64 = 0.3;

/// Changes in a period.
fn changes(f: &Flicker) -> f64 {
    (f.period.as_secs_f64() / f.every.as_secs_f64()).round().max(1.0)
}

fn flickered(f: &Flicker, base: Colour, turn: f64) -> Pose {
    let turn = turn.rem_euclid(1.0);
    let count = changes(f);
    match f.like {
        FlickerLike::Fire => {
            let noise = Noise { seed: f.seed, stream: 0, count: count as u64 };
            let fine = Noise { stream: 1, count: (count * FINER) as u64, ..noise };
            let sum = SLOW * noise.smooth(turn) + (1.0 - SLOW) * fine.smooth(turn);
            fire_at(f, base, 1.0 - eased((sum - MIDDLE.0) / (MIDDLE.1 - MIDDLE.0)))
        }
        FlickerLike::Screen => {
            let light = Noise { seed: f.seed, stream: 2, count: count as u64 };
            let cut = Noise { stream: 3, ..light };
            let white = Noise { stream: 4, ..light };
            let share = (-f.depth.get() * light.stepped(&cut, turn)).exp2();
            let drift = f.drift_mired * (2.0 * white.stepped(&cut, turn) - 1.0);
            Pose { colour: drifted(base, drift), share }
        }
    }
}

/// A fire that is `down` of its depth down, 0 to 1, and so much of its drift warmer.
fn fire_at(f: &Flicker, base: Colour, down: f64) -> Pose {
    Pose { colour: drifted(base, f.drift_mired * down), share: (-f.depth.get() * down).exp2() }
}

/// A white that is so many mired warmer; any other colour stands.
fn drifted(base: Colour, by_mired: f64) -> Colour {
    match base {
        Colour::White { mired, duv } => {
            Colour::White { mired: (mired + by_mired).clamp(LEAST_MIRED, MOST_MIRED), duv }
        }
        Colour::Uv(_) => base,
    }
}

/// The range of whites, 20 000 to 1000 K.
const LEAST_MIRED: f64 = 50.0;
/// See [`LEAST_MIRED`].
const MOST_MIRED: f64 = 1000.0;

/// Random values on a closed row of `count` places, and smooth ways between them.
#[derive(Debug, Clone, Copy)]
struct Noise {
    seed: u32,
    stream: u32,
    count: u64,
}

impl Noise {
    /// The value at a place of the row, taken round it: 0 to 1.
    fn value(&self, place: u64) -> f64 {
        let place = place % self.count.max(1);
        let key = (u64::from(self.seed) << 32) ^ (u64::from(self.stream) << 28) ^ place;
        // The top 53 bits, exact in a double.
        (scrambled(key) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// The place before `turn` (0 to 1) and how far it is past it.
    fn split(&self, turn: f64) -> (u64, f64) {
        let at = turn * self.count as f64;
        let place = (at.floor() as u64).min(self.count.saturating_sub(1));
        (place, at - place as f64)
    }

    /// Smooth in value, slope and bend: a uniform cubic B-spline over the row. It stays within 0 to 1, and
    /// its slope is at most 1 from place to place, since that is a mean of differences of neighbours.
    fn smooth(&self, turn: f64) -> f64 {
        let (place, x) = self.split(turn);
        let v = |i: u64| self.value(place + self.count + i - 1);
        let (x2, x3) = (x * x, x * x * x);
        let weights =
            [(1.0 - x).powi(3), 3.0 * x3 - 6.0 * x2 + 4.0, -3.0 * x3 + 3.0 * x2 + 3.0 * x + 1.0, x3];
        (0..4).map(|i| weights[i as usize] * v(i)).sum::<f64>() / 6.0
    }

    /// Stands at each value, then goes to the next within [`CHANGE`] of the time, at the moment that `cut`
    /// chooses.
    fn stepped(&self, cut: &Self, turn: f64) -> f64 {
        let (place, x) = self.split(turn);
        let start = (1.0 - CHANGE) * cut.value(place);
        let (from, to) = (self.value(place), self.value(place + 1));
        from + (to - from) * eased((x - start) / CHANGE)
    }
}

/// A number whose bits all hang on all bits of `key`. Source: the output function of SplitMix64 (Steele,
/// Lea, Flood, OOPSLA 2014; constants from memory).
fn scrambled(key: u64) -> u64 {
    let mut z = key.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::plan::{ColourTarget, Colours};
    use crate::units::{Duv, Kelvin, Share, Stops, Xy};
    use proptest::prelude::*;

    const BASE: Colour = Colour::White { mired: 250.0, duv: 0.0 };

    fn flicker(like: FlickerLike, seed: u32, every_s: f64, period_s: f64, depth: f64) -> Motion {
        Motion::Flicker(Flicker {
            like,
            seed,
            every: Duration::from_secs_f64(every_s),
            period: Duration::from_secs_f64(period_s),
            depth: Stops::clamped(depth),
            drift_mired: 40.0,
            phase: Share::NONE,
        })
    }

    /// Source: the published first outputs of SplitMix64 for the seed 1234567 (from memory, as many
    /// implementations test it).
    #[test]
    fn the_scrambler_is_the_published_one() {
        assert_eq!(scrambled(1_234_567), 6_457_827_717_110_365_317);
        let next = 1_234_567_u64.wrapping_add(0x9e37_79b9_7f4a_7c15);
        assert_eq!(scrambled(next), 3_203_168_211_198_807_973);
    }

    /// Source: the definition; half a breath in it is the whole depth down, a quarter in half of it.
    #[test]
    fn a_breath_goes_down_by_its_depth_and_up_again() {
        let depth = Stops::clamped(2.0);
        let breath = Motion::Breath { period: Duration::from_secs(8), depth, phase: Share::NONE };
        for (seconds, stops) in [(0.0, 0.0), (2.0, -1.0), (4.0, -2.0), (6.0, -1.0), (8.0, 0.0), (-4.0, -2.0)]
        {
            assert!((pose(&breath, BASE, seconds).share.log2() - stops).abs() < 1e-12, "{seconds}");
        }
    }

    #[test]
    fn a_wander_stops_at_each_colour_and_comes_back_to_its_own() {
        let through = [2000.0, 10_000.0].map(|k| ColourTarget::White(Kelvin::clamped(k), Duv::ZERO));
        let mut motion = Motion::Wander {
            period: Duration::from_secs(30),
            through: Colours::new(&through).expect("two"),
            phase: Share::NONE,
        };
        let mired = |motion: &Motion, seconds| match pose(motion, BASE, seconds).colour {
            Colour::White { mired, .. } => mired,
            Colour::Uv(_) => panic!("whites all the way"),
        };
        for (seconds, expected) in [(0.0, 250.0), (10.0, 500.0), (15.0, 300.0), (20.0, 100.0), (30.0, 250.0)]
        {
            assert!((mired(&motion, seconds) - expected).abs() < 1e-9, "{seconds}");
        }
        // With one colour that is no white it is no white anywhere.
        let mixed = [through[0], ColourTarget::Xy(Xy { x: 0.3, y: 0.5 })];
        if let Motion::Wander { through, .. } = &mut motion {
            *through = Colours::new(&mixed).expect("two");
        }
        assert!((0..300).all(|n| matches!(pose(&motion, BASE, 0.1 * f64::from(n)).colour, Colour::Uv(_))));
    }

    proptest! {
        /// Source: the definition of a bound, and that of a period.
        #[test]
        fn a_flicker_repeats_stays_within_its_depth_and_is_no_faster_than_its_bound(
            fire in any::<bool>(), seed in any::<u32>(), every_s in 0.1..10.0, period_s in 40.0..300.0,
            depth in 0.0..6.0, start in 0.0..1000.0,
        ) {
            let like = if fire { FlickerLike::Fire } else { FlickerLike::Screen };
            let motion = flicker(like, seed, every_s, period_s, depth);
            let step_s = 0.005 * every_s;
            let most = greatest_rate(&motion) * step_s * (1.0 + 1e-6) + 1e-9;
            let mut last = pose(&motion, BASE, start).share.log2();
            for n in 1..600 {
                let seconds = start + f64::from(n) * step_s;
                let stops = pose(&motion, BASE, seconds).share.log2();
                prop_assert!((-depth - 1e-12..=1e-12).contains(&stops));
                prop_assert!((stops - last).abs() <= most, "{stops} after {last}: over {most}");
                let again = pose(&motion, BASE, seconds + period_s).share.log2();
                prop_assert!((stops - again).abs() < 1e-6);
                last = stops;
            }
        }
    }

    /// Judgement on what a flicker is for: it uses its depth, and another seed is another light.
    #[test]
    fn a_flicker_uses_most_of_its_depth_and_seeds_differ() {
        for like in [FlickerLike::Fire, FlickerLike::Screen] {
            let course = |seed| -> Vec<f64> {
                let motion = flicker(like, seed, 1.0, 60.0, 1.0);
                (0..2400).map(|n| pose(&motion, BASE, f64::from(n) / 40.0).share.log2()).collect()
            };
            let (one, other) = (course(1), course(2));
            let span = |c: &[f64]| {
                c.iter().copied().fold(f64::MIN, f64::max) - c.iter().copied().fold(f64::MAX, f64::min)
            };
            assert!(span(&one) > 0.8 && span(&other) > 0.8, "{like:?}");
            let apart = one.iter().zip(&other).map(|(a, b)| (a - b).abs()).sum::<f64>() / 2400.0;
            assert!(apart > 0.1, "{like:?}: {apart}");
            assert_eq!(one, course(1), "the same each time");
        }
    }
}
