//! Lights that move in the engine: steady from the start, and led to their start for a take.

use super::Engine;
use super::lamp::Lamp;
use crate::guards::course;
use crate::light::{Demand, Moving, fade};
use crate::plan::FixtureId;
use crate::units::{FrameClock, FrameNumber};

/// How long a motion takes to its start when a take begins, in seconds. Source: the requirement's own figure.
pub(super) const GLIDE_S: f64 = 2.0;

/// A motion on its way to another moment of itself: the run that it was in gives way to the one that begins
/// at the end of the glide, both running on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Glide {
    /// The frame in which the run that gives way began.
    pub since: FrameNumber,
    /// How far its motion was then, in seconds.
    pub before_s: f64,
    pub start: FrameNumber,
    /// Frames of it that had passed at `start`: those before a restart.
    pub done: u64,
    /// Frames that it takes in all; at its end the new run begins.
    pub frames: u64,
}

impl Glide {
    /// The frame in which it is over.
    pub fn end(&self) -> FrameNumber {
        self.start + self.frames.saturating_sub(self.done)
    }

    /// How far it is in frame `n`, 0 to 1.
    fn progress(&self, n: FrameNumber) -> f64 {
        ((n.saturating_sub(self.start) + self.done) as f64 / self.frames.max(1) as f64).min(1.0)
    }
}

impl Lamp {
    /// What the target is in frame `n`, fades and overlays apart.
    pub fn base_at(&self, n: FrameNumber, clock: FrameClock) -> Demand {
        let run = |since, before_s| self.target.at(before_s + seconds(clock, n, since));
        match self.glide.filter(|g| n < g.end()) {
            Some(glide) => {
                let p = glide.progress(n);
                // A level start and end, so that neither shows; with both runs moving on nothing stands still.
                let (from, to) =
                    (run(glide.since, glide.before_s), run(self.moving_since, self.moved_before_s));
                fade::between(&from, &to, p * p * (3.0 - 2.0 * p), 0.0)
            }
            None => run(self.moving_since, self.moved_before_s),
        }
    }

    /// Leads a motion to its start, which it reaches `frames` after frame `at`.
    pub fn glide_to_start(&mut self, at: FrameNumber, frames: u64) {
        let (since, before_s) = (self.moving_since, self.moved_before_s);
        self.glide = Some(Glide { since, before_s, start: at, done: 0, frames });
        self.moving_since = at + frames;
        self.moved_before_s = 0.0;
        self.settled = false;
    }
}

impl Lamp {
    /// Its glide as it stands in frame `n`, for the state file.
    pub(super) fn kept_glide(&self, n: FrameNumber, clock: FrameClock) -> Option<KeptGlide> {
        let glide = self.glide.filter(|g| n < g.end())?;
        Some(KeptGlide {
            from_moved_s: glide.before_s + seconds(clock, n, glide.since),
            done: n.saturating_sub(glide.start) + glide.done,
            frames: glide.frames,
        })
    }

    /// Goes on with a glide from before a restart, in frame 0.
    pub(super) fn glide_on(&mut self, kept: &KeptGlide) {
        let KeptGlide { from_moved_s: before_s, done, frames } = *kept;
        let glide = Glide { since: 0, before_s, start: 0, done, frames };
        self.moving_since = glide.end();
        self.moved_before_s = 0.0;
        self.glide = Some(glide);
    }
}

/// A motion on its way to its start, for the state file.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptGlide {
    /// How far the motion that gives way had run, in seconds.
    pub from_moved_s: f64,
    /// Frames of the glide that had passed.
    pub done: u64,
    /// Frames of it in all, at most a minute's.
    pub frames: u64,
}

impl KeptGlide {
    /// True if it can be: a foreign file must not bring figures that the engine cannot reckon with.
    pub(super) fn possible(&self) -> bool {
        (-1e5..=1e9).contains(&self.from_moved_s) && self.done <= self.frames && self.frames <= 60 * 44
    }
}

/// Seconds from frame `since` to frame `n`, below 0 where it is still to come.
fn seconds(clock: FrameClock, n: FrameNumber, since: FrameNumber) -> f64 {
    clock.seconds(n.saturating_sub(since)) - clock.seconds(since.saturating_sub(n))
}

impl Engine {
    /// A target that keeps its level over its whole motion on this lamp as it stands; see [`course::steady`].
    pub(super) fn steady(&self, id: FixtureId, target: Moving) -> Moving {
        course::steady(self.plan.fixture(id), target, &self.conditions(id))
    }

    /// The same for a target of each lamp, in the plan's order.
    pub(super) fn all_steady(&self, mut targets: Vec<Moving>) -> Vec<Moving> {
        for (id, target) in self.plan.fixture_ids().zip(&mut targets) {
            *target = self.steady(id, *target);
        }
        targets
    }

    /// Leads every motion that is lit to its start. Gives the frame in which all are there; `at` itself where
    /// nothing moves.
    pub(super) fn motions_to_start(&mut self, at: FrameNumber) -> FrameNumber {
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(GLIDE_S));
        let mut there = at;
        for lamp in self.lamps.iter_mut().filter(|l| l.target.motion.is_some() && l.target.base.lux > 0.0) {
            lamp.glide_to_start(at, frames);
            there = at + frames;
        }
        there
    }
}
