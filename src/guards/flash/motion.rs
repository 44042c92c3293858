//! What a moving look would do to the flash guard, worked out before it is ever lit.

use super::count::{self, FULL};
use super::{Flash, Held, PointLight};
use crate::units::FrameClock;

/// What a moving look does at one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verdict {
    /// Flashes in the worst second, by the rule of [`count`].
    pub worst_flashes: usize,
    /// The first frame that the guard would hold, and why; `None`: the motion passes untouched.
    pub held: Option<(usize, Held)>,
}

/// Runs a motion past the guard.
///
/// `light`: what it makes at a point frame by frame, from its start; a period that repeats should be given
/// twice, so that its end is followed by its beginning. `full_lux` (above 0): 0 stops there. A look with
/// `held` is an error in the plan. The work grows with the frames and with the seconds they last.
#[must_use]
pub fn verdict(clock: FrameClock, full_lux: f64, light: &[PointLight]) -> Verdict {
    let mut guard = Flash::new(clock, &[full_lux]);
    let mut held = None;
    let mut last = None;
    for (frame, &wanted) in light.iter().enumerate() {
        // The motion begins where the recall brought it: its first frame is no change of its own.
        let lowered = wanted.lower_of(last.unwrap_or(wanted));
        let passed = guard.pass(&[lowered], &[wanted]);
        if held.is_none() {
            held = passed.held.map(|why| (frame, why));
        }
        guard.sent(&[wanted]);
        last = Some(wanted);
    }
    let lux: Vec<f64> = light.iter().map(|l| l.y).collect();
    Verdict { worst_flashes: worst_flashes(clock, full_lux, &lux), held }
}

/// Flashes in the worst second of a course of illuminance in lux, one value a frame, by the rule of
/// [`count`]: each second is counted at the level 1.0 that holds at its end.
#[must_use]
pub fn worst_flashes(clock: FrameClock, full_lux: f64, lux: &[f64]) -> usize {
    let second = clock.rate() as usize;
    let mut worst = 0;
    let mut levels = Vec::with_capacity(second * 10);
    for end in 0..lux.len() {
        let course = &lux[(end + 1).saturating_sub(second * 10)..=end];
        let most = course.iter().copied().fold(0.0, f64::max).min(full_lux);
        if most <= 0.0 {
            continue;
        }
        levels.clear();
        levels.extend(course.iter().map(|lux| (lux / most * f64::from(FULL)).round() as u32));
        worst = worst.max(count::changes_in_the_last(&levels, second));
    }
    worst / 2
}
