//! Changes of illuminance at a point, frame by frame: one size of change, and a row of sizes.

use super::stamps::Stamps;
use crate::units::FrameNumber;

/// Changes of one counter in any second after which no raise may turn the light upwards. The raise is
/// then the fifth and the fall that may follow it at once, which is never held, the sixth: three flashes.
/// The rule would let a seventh change pass; six is the more careful reading of the two.
const BEFORE_A_RAISE: usize = 4;

/// Share of level 1.0 that counts as a change. The rule says 0.1 of levels rounded to 1/10 000, which
/// 0.0999 may reach; the rest is for rounding in our own sums.
const CHANGE: f64 = 0.099;

/// Sizes in the row: each is the last one over the square root of 2, so the smallest is for light 24
/// stops under level 1.0, where there is none to see.
const SIZES: i32 = 48;

/// Counts changes of one size: the direction turns when the light has come back by `size` from its
/// extreme; a change is stamped with the frame at which its end was reached.
#[derive(Debug, Clone, PartialEq)]
struct Counter {
    /// In lux.
    size: f64,
    way: Way,
    /// The lowest since the light turned downwards (or since the start), in lux.
    low: f64,
    /// The highest since it turned upwards (or since the start), in lux.
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
    fn take(&mut self, lux: f64, now: FrameNumber) {
        match self.way {
            Way::Open => {
                self.low = self.low.min(lux);
                self.high = self.high.max(lux);
                if lux - self.low >= self.size {
                    self.turn(Way::Up, lux, now);
                } else if self.high - lux >= self.size {
                    self.turn(Way::Down, lux, now);
                }
            }
            Way::Up if lux > self.high => {
                self.high = lux;
                self.stamps.extend(now);
            }
            Way::Up if self.high - lux >= self.size => self.turn(Way::Down, lux, now),
            Way::Down if lux < self.low => {
                self.low = lux;
                self.stamps.extend(now);
            }
            Way::Down if lux - self.low >= self.size => self.turn(Way::Up, lux, now),
            Way::Up | Way::Down => {}
        }
    }

    fn turn(&mut self, way: Way, lux: f64, now: FrameNumber) {
        self.way = way;
        (self.low, self.high) = (lux, lux);
        self.stamps.push(now);
    }

    /// While the light may not turn upwards: the most that is no turn, in lux, and the frame from which
    /// it may. A light on its way up may always go on.
    fn cap(&self, now: FrameNumber, window: u64) -> Option<(f64, FrameNumber)> {
        let until = self.stamps.full_until(now, window).filter(|_| self.way == Way::Down)?;
        // A hundredth of the size is left for rounding.
        Some((self.low + 0.99 * self.size, until))
    }
}

/// All changes at a point, of every size that may count.
///
/// What size counts depends on the most light in 10 s, which is known only afterwards; so a row of
/// counters runs side by side. A counter of a smaller size counts every change that one of a larger size
/// does, at the same frame, so holding the smallest that may count holds all.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Swings {
    /// Largest size first.
    counters: Vec<Counter>,
    most: Recent,
}

impl Swings {
    /// A point where `full_lux` (above 0) is level 1.0, dark as far as anyone remembers.
    pub fn new(full_lux: f64) -> Self {
        let counter = |n: i32| Counter {
            size: CHANGE * full_lux * (-0.5 * f64::from(n)).exp2(),
            way: Way::Open,
            low: f64::INFINITY,
            high: 0.0,
            stamps: Stamps::NONE,
        };
        Self { counters: (0..SIZES).map(counter).collect(), most: Recent::default() }
    }

    /// Such a point with a past that is not known: `lux` stands there, and a second passes before any
    /// raise may turn the light.
    pub fn after(full_lux: f64, lux: f64, now: FrameNumber) -> Self {
        let mut swings = Self::new(full_lux);
        for counter in &mut swings.counters {
            counter.way = Way::Down;
            (counter.low, counter.high) = (lux, lux);
            counter.stamps = Stamps::full(now);
        }
        swings.most.seconds = [lux; Recent::SECONDS];
        swings
    }

    /// This much light was sent at frame `now`. `window`: frames in a second.
    pub fn take(&mut self, lux: f64, now: FrameNumber, window: u64) {
        for counter in &mut self.counters {
            counter.take(lux, now);
        }
        self.most.take(lux, window);
    }

    /// The most light in lux that may be sent at `now`, and the frame from which that may change; `None`
    /// without a limit.
    pub fn cap(&self, now: FrameNumber, window: u64) -> Option<(f64, FrameNumber)> {
        let counts = CHANGE * self.most.lux();
        let mut least: Option<(f64, FrameNumber)> = None;
        for counter in &self.counters {
            if let Some((lux, until)) = counter.cap(now, window) {
                least = Some(least.map_or((lux, until), |(l, u)| (l.min(lux), u.max(until))));
            }
            // The largest size that the most recent light can call for is the last that has to be held.
            if counter.size <= counts {
                break;
            }
        }
        least
    }
}

/// The most light of at least the last 8 and at most the last 9 seconds. Any second that holds this frame
/// ends before the tenth, so its level 1.0 is this or more.
#[derive(Debug, Clone, PartialEq, Default)]
struct Recent {
    /// The most of each second, the running one first.
    seconds: [f64; Self::SECONDS],
    /// Frames in the running second.
    frames: u64,
}

impl Recent {
    const SECONDS: usize = 9;

    fn take(&mut self, lux: f64, window: u64) {
        if self.frames >= window {
            self.seconds.rotate_right(1);
            self.seconds[0] = 0.0;
            self.frames = 0;
        }
        self.seconds[0] = self.seconds[0].max(lux);
        self.frames += 1;
    }

    fn lux(&self) -> f64 {
        self.seconds.iter().copied().fold(0.0, f64::max)
    }
}
