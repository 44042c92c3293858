//! Changes of one size, frame by frame.

use super::stamps::Stamps;
use crate::units::FrameNumber;

/// Changes of one counter in any second after which no raise may turn the light upwards. The raise is
/// then the fifth and the fall that may follow it at once, which is never held, the sixth: three flashes.
/// The rule would let a seventh change pass; six is the more careful reading of the two.
pub(super) const BEFORE_A_RAISE: usize = 4;

/// Share of level 1.0 that counts as a change. The rule says 0.1 of levels rounded to 1/10 000, which
/// 0.0999 may reach; the rest is for rounding in our own sums.
pub(super) const CHANGE: f64 = 0.099;

/// Counts changes of one size: the direction turns when the light has come back by `size` from its
/// extreme; a change is stamped with the frame at which its end was reached.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Counter {
    /// In the unit of what is counted, above 0.
    size: f64,
    way: Way,
    /// The lowest since the light turned downwards (or since the start).
    low: f64,
    /// The highest since it turned upwards (or since the start).
    high: f64,
    stamps: Stamps<{ BEFORE_A_RAISE + 1 }>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// No change yet.
    Open,
    Up,
    Down,
}

impl Counter {
    /// A counter of changes of `size` and more, without a past.
    pub fn new(size: f64) -> Self {
        Self { size, way: Way::Open, low: f64::INFINITY, high: 0.0, stamps: Stamps::NONE }
    }

    /// One whose past is not known, with this light now: as many changes as may be, the last downwards.
    pub fn after(size: f64, light: f64, now: FrameNumber) -> Self {
        Self { size, way: Way::Down, low: light, high: light, stamps: Stamps::full(now) }
    }

    /// What makes a change.
    pub fn size(&self) -> f64 {
        self.size
    }

    /// Changes in the `window` frames that end with `now`, five at most.
    pub fn changes(&self, now: FrameNumber, window: u64) -> usize {
        self.stamps.within(now, window)
    }

    /// Takes the light of frame `now`.
    pub fn take(&mut self, light: f64, now: FrameNumber) {
        match self.way {
            Way::Open => {
                self.low = self.low.min(light);
                self.high = self.high.max(light);
                if light - self.low >= self.size {
                    self.turn(Way::Up, light, now);
                } else if self.high - light >= self.size {
                    self.turn(Way::Down, light, now);
                }
            }
            Way::Up if light > self.high => {
                self.high = light;
                self.stamps.extend(now);
            }
            Way::Up if self.high - light >= self.size => self.turn(Way::Down, light, now),
            Way::Down if light < self.low => {
                self.low = light;
                self.stamps.extend(now);
            }
            Way::Down if light - self.low >= self.size => self.turn(Way::Up, light, now),
            Way::Up | Way::Down => {}
        }
    }

    fn turn(&mut self, way: Way, light: f64, now: FrameNumber) {
        self.way = way;
        (self.low, self.high) = (light, light);
        self.stamps.push(now);
    }

    /// While the light may not turn upwards, since more than `before` changes (0 to [`BEFORE_A_RAISE`]) lie
    /// in this second: the most that is no turn, and the frame from which it may. A light on its way up may
    /// always go on.
    pub fn cap(&self, before: usize, now: FrameNumber, window: u64) -> Option<(f64, FrameNumber)> {
        let until = self.stamps.full_until(before + 1, now, window).filter(|_| self.way == Way::Down)?;
        // A hundredth of the size is left for rounding.
        Some((self.low + 0.99 * self.size, until))
    }
}
