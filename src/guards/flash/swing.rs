//! Changes of illuminance at a point, frame by frame, of every size that may count.

use std::collections::VecDeque;

use super::counter::{BEFORE_A_RAISE, CHANGE, Counter};
use crate::units::FrameNumber;

/// Sizes in the row: each is the last one over the square root of 2, so the smallest is for light 24
/// stops under level 1.0, where there is none to see.
const SIZES: i32 = 48;

/// Changes in a second after which no raise may turn the light upwards while level 1.0 may fall within a
/// second. A level that rises since its reference falls cannot be held; room for two such turns is left.
const BEFORE_A_RAISE_ON_FALLING_GROUND: usize = 2;

/// The span in seconds whose most light is level 1.0, where that is under 0 stops.
const MEMORY_S: u64 = 10;

/// All changes at a point.
///
/// Level 1.0 may fall: it is the most light in 10 s. There are two ways to read the rule then, and both
/// hold here. Either each second is counted at the level 1.0 that holds at its end: what size counts is
/// then known only afterwards, so a row of counters runs side by side; a counter of a smaller size counts
/// every change that one of a larger size does, at the same frame, so the smallest that may count is the
/// one that binds. Or each frame's level is taken at its own level 1.0, which then moves under the light.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Swings {
    full_lux: f64,
    /// In lux, largest size first.
    row: Vec<Counter>,
    /// Of levels, each at its own frame's level 1.0.
    running: Counter,
    most: Most,
}

impl Swings {
    /// A point where `full_lux` (above 0) is level 1.0, dark as far as anyone remembers.
    pub fn new(full_lux: f64) -> Self {
        let row = sizes(full_lux).map(Counter::new).collect();
        Self { full_lux, row, running: Counter::new(CHANGE), most: Most::default() }
    }

    /// Such a point with a past that is not known: `lux` stands there at frame `now`, and a second passes
    /// before any raise may turn the light.
    pub fn after(full_lux: f64, lux: f64, now: FrameNumber) -> Self {
        let row = sizes(full_lux).map(|size| Counter::after(size, lux, now)).collect();
        let mut most = Most::default();
        most.take(lux, now, 1);
        let level = level(lux, full_lux, most.since(0));
        Self { full_lux, row, running: Counter::after(CHANGE, level, now), most }
    }

    /// This much light was sent at frame `now`. `window`: frames in a second; `stands`: the frame before had
    /// the same.
    pub fn take(&mut self, lux: f64, now: FrameNumber, window: u64, stands: bool) {
        if !stands {
            for counter in &mut self.row {
                counter.take(lux, now);
            }
        }
        self.most.take(lux, now, MEMORY_S * window);
        self.running.take(level(lux, self.full_lux, self.most.since(0)), now);
    }

    /// Changes in the `window` frames that end with `now`, five at most, each frame at its own level 1.0.
    pub fn changes(&self, now: FrameNumber, window: u64) -> usize {
        self.running.changes(now, window)
    }

    /// The most light in lux that may be sent at `now`, and the frame from which that may change; `None`
    /// without a limit.
    pub fn cap(&self, now: FrameNumber, window: u64) -> Option<(f64, FrameNumber)> {
        // Any second that holds this frame ends before the most light of the last nine is forgotten.
        let lasting = self.most.since((now + 1).saturating_sub((MEMORY_S - 1) * window)).min(self.full_lux);
        let mut least: Option<(f64, FrameNumber)> = None;
        let mut hold = |cap: Option<(f64, FrameNumber)>| {
            if let Some((lux, until)) = cap {
                least = Some(least.map_or((lux, until), |(l, u)| (l.min(lux), u.max(until))));
            }
        };
        for counter in &self.row {
            hold(counter.cap(BEFORE_A_RAISE, now, window));
            // The largest size that the lasting light can call for is the last that has to be held.
            if counter.size() <= CHANGE * lasting {
                break;
            }
        }
        let known = self.most.since((now + 1).saturating_sub(MEMORY_S * window)).min(self.full_lux);
        let before = if lasting < known { BEFORE_A_RAISE_ON_FALLING_GROUND } else { BEFORE_A_RAISE };
        let running = self.running.cap(before, now, window);
        hold(running.map(|(level, until)| (lux_at(level, self.full_lux, known), until)));
        least
    }
}

/// What counts as a change at level 1.0 and under it, in lux.
fn sizes(full_lux: f64) -> impl Iterator<Item = f64> {
    (0..SIZES).map(move |n| CHANGE * full_lux * (-0.5 * f64::from(n)).exp2())
}

/// Level of `lux` where the most light, it included, was `most`.
fn level(lux: f64, full_lux: f64, most: f64) -> f64 {
    let reference = most.min(full_lux);
    if reference > 0.0 { lux / reference } else { 0.0 }
}

/// The most light whose level is not over `level` (above 0), where the most light before it was `known`, at
/// most `full_lux`.
fn lux_at(level: f64, full_lux: f64, known: f64) -> f64 {
    // Light over all that was known is level 1.0 itself, up to 0 stops.
    if level < 1.0 { level * known } else { level * full_lux }
}

/// The most light of the last seconds, exactly: the values that none after them has reached, oldest and
/// brightest first.
#[derive(Debug, Clone, PartialEq, Default)]
struct Most(VecDeque<(FrameNumber, f64)>);

impl Most {
    /// Takes the light of frame `now` and forgets what is `span` frames old.
    fn take(&mut self, lux: f64, now: FrameNumber, span: u64) {
        while self.0.back().is_some_and(|(_, l)| *l <= lux) {
            self.0.pop_back();
        }
        self.0.push_back((now, lux));
        while self.0.front().is_some_and(|(n, _)| n + span <= now) {
            self.0.pop_front();
        }
    }

    /// The most light from frame `first` on; 0 if there was none.
    fn since(&self, first: FrameNumber) -> f64 {
        self.0.get(self.0.partition_point(|(n, _)| *n < first)).map_or(0.0, |(_, lux)| *lux)
    }
}
