//! A lamp's fade: how far it is, also one that joins another late, and the side of the lamp's floor that it keeps to.

use super::Lamp;
use crate::guards::{self, Conditions};
use crate::light::{Demand, Reach};
use crate::plan::{Fixture, Prefer};
use crate::units::FrameNumber;

/// A lamp whose colour moves and that was cut at its floor is lit again from this many times its floor on: a
/// tenth of a stop. Judgement, as in `guards`.
const LIT_AGAIN: f64 = 1.071_773_462_536_293_2;

/// A fade under way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::engine) struct Fade {
    pub from: Demand,
    pub start: FrameNumber,
    /// Frames that it takes; at `start + frames` it has landed.
    pub frames: u64,
    /// The lamp's floor at the lit end's colour, in lux.
    pub floor_lux: f64,
    /// Which side of its floor it is on; `None` until its first frame.
    pub course: Option<Course>,
    /// It joins a fade that others have begun.
    pub late: Option<Late>,
}

/// What a fade joins late: one that the same recall began elsewhere, at its instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::engine) struct Late {
    /// Frames that the other has run at this one's start.
    pub ran: u64,
    /// Frames of the other in all.
    pub whole: u64,
    /// Frames in which this one glides into it.
    pub join: u64,
}

impl Fade {
    /// How far it is in frame `n`, 0 to 1. Before its start the light stands, at a cut of no frames too.
    pub(super) fn progress(&self, n: FrameNumber) -> f64 {
        let gone = n.saturating_sub(self.start);
        let Some(late) = self.late else { return gone as f64 / self.frames.max(1) as f64 };
        let theirs = ((gone + late.ran) as f64 / late.whole.max(1) as f64).min(1.0);
        // A level start and end: neither the beginning nor the joining shows.
        let joined = (gone as f64 / late.join.max(1) as f64).min(1.0);
        theirs * joined * joined * (3.0 - 2.0 * joined)
    }
}

/// How a fade meets the lamp's floor: once at most, whatever colours and limits do on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::engine) enum Course {
    /// Lit at its end: from its first lit moment on it does not go under the floor.
    Lit,
    /// Lit at its start and dark at its end: cut where it first comes under the floor.
    GoesDark,
    /// Dark from here on.
    Dark,
}

impl Lamp {
    /// Light in lux that keeps to one side of the floor while it moves: the floor, or none, where what was
    /// asked is under it. `end`: where the fade goes.
    pub(super) fn on_course(
        &mut self,
        fixture: &Fixture,
        now: &Conditions,
        reach: &Reach,
        end: Demand,
    ) -> f64 {
        let floor = fixture.limits.floor.get();
        let (lux, under) = (self.asked.lux, reach.level < floor);
        if floor <= 0.0 || lux <= 0.0 {
            return lux;
        }
        if self.fade.is_none() {
            self.cut = reach.level < if self.cut { floor * LIT_AGAIN } else { floor };
            return if self.cut { 0.0 } else { lux };
        }
        let course = self.fade.and_then(|fade| fade.course).unwrap_or_else(|| {
            let shape = (fixture.prefer == Prefer::Rendering).then_some(self.shape.to);
            let here = Conditions { absent: false, protected: false, ..*now };
            let lit =
                guards::forecast(fixture, &self.reach(fixture, &end, shape.as_ref()), &here).lux() > 0.0;
            match (self.sent.allowed.lux > 0.0, lit) {
                (_, true) => Course::Lit,
                (true, false) => Course::GoesDark,
                (false, false) => Course::Dark,
            }
        });
        let course = if course == Course::GoesDark && under { Course::Dark } else { course };
        if let Some(fade) = &mut self.fade {
            fade.course = Some(course);
        }
        match course {
            Course::Dark => 0.0,
            Course::Lit if under => reach.full_lux * floor,
            Course::Lit | Course::GoesDark => lux,
        }
    }
}
