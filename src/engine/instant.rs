//! Recalls for an instant on the wall clock, which several machines share: each starts by its own.
//!
//! Everything else goes by monotonic time, fades too once they run. A recall that still waits for its
//! instant follows the wall clock: when that is set, by hand or by a time service, it waits anew, so
//! that it comes when the clock shows the instant. It comes once.

use jiff::{SignedDuration, Timestamp};

use super::requests::LONGEST_DELAY_S;
use super::state::{Change, Waiting};
use super::{Action, Engine, say};
use crate::control::{ClockStatus, Failure, FailureKind};
use crate::units::FrameNumber;

/// An instant that lies further back is refused, in seconds. Source: docs/interface.md part 4, `fresh`.
const FRESH_S: f64 = 5.0;
/// Least time in which a late fade joins the one that runs elsewhere, in seconds. Source: the requirement's own figure.
const JOIN_S: f64 = 0.5;
/// Changes of the wall clock against monotonic time under this are reading errors: two clocks are not read at
/// one moment. Judgement: a fifth of what a start may be off, and a hundred times what a reading is.
const STEP: SignedDuration = SignedDuration::from_millis(1);

/// A clock that is set by less is followed without a word. Judgement: nobody sees a tenth of a second of waiting.
const TOLD_FROM: SignedDuration = SignedDuration::from_millis(100);

/// What the wall clock shows, against the engine's time.
#[derive(Debug, Clone, PartialEq)]
pub struct Wall {
    /// What it would have shown at frame 0, had it been then as it is now.
    pub at_start: Timestamp,
    /// What it is worth.
    pub state: ClockStatus,
}

impl Engine {
    /// Takes what the wall clock shows now, and lets what waits for an instant follow it.
    pub(super) fn wall_is(&mut self, wall: Wall) -> Vec<Action> {
        if let Some(was) = &mut self.wall {
            let by = wall.at_start.duration_since(was.at_start);
            let worth = |s: &ClockStatus| (s.unset, s.synchronised);
            let same = worth(&was.state) == worth(&wall.state);
            was.state = wall.state;
            if by.abs() >= TOLD_FROM {
                self.record_clock(Some(by.as_secs_f64()));
            } else if !same {
                self.record_clock(None);
            }
            let Some(was) = &mut self.wall else { return Vec::new() };
            // Held to the first reading, so that the small errors of each do not move a start.
            if by.abs() < STEP {
                return Vec::new();
            }
            was.at_start = wall.at_start;
            self.note_clock(by.as_secs_f64());
            return self.clock_set(by);
        }
        self.wall = Some(wall);
        self.record_clock(None);
        Vec::new()
    }

    /// True while something waits for an instant on the wall clock, which must then be read with each frame.
    #[must_use]
    pub fn waits_for_instant(&self) -> bool {
        self.waiting.as_ref().is_some_and(|w| w.at.is_some())
    }

    /// The wall clock was set forward by so much, or back.
    fn clock_set(&mut self, by: SignedDuration) -> Vec<Action> {
        let n = self.next_frame();
        let Some((instant, what)) = self.waiting.as_ref().and_then(|w| Some((w.at?, w.what.clone()))) else {
            return Vec::new();
        };
        let way = if by.is_negative() { "back" } else { "forward" };
        let set = format!("this machine's clock was set {way} by {}", say::span(by.as_secs_f64().abs()));
        let Some(wait_s) = self.seconds_to(instant, n) else { return Vec::new() };
        if wait_s > LONGEST_DELAY_S {
            self.waiting = None;
            let said = format!("{what}: {set}; {instant} is now more than a day away");
            return vec![self.tell("scheduled-refused", None, said, n)];
        }
        let due = self.due(instant);
        if let Some(waiting) = &mut self.waiting {
            waiting.due = due;
        }
        if by.abs() < TOLD_FROM {
            return Vec::new();
        }
        let when = if wait_s > 0.0 { format!("in {}", say::span(wait_s)) } else { "now".to_owned() };
        let said = format!("{set}; {what} at {instant} comes {when}");
        vec![self.tell("clock-set", None, said, n)]
    }

    /// A recall for an instant: waits for it, or acts at once where it is here or has just passed.
    pub(super) fn recall_at(
        &mut self,
        look: String,
        over_s: Option<f64>,
        text: &str,
        at: FrameNumber,
    ) -> Result<String, Failure> {
        let refuse =
            |kind, said: String, hint: &str| Err(Failure { kind, said, hint: Some(hint.to_owned()) });
        let shown = crate::words::short(text);
        let Ok(instant) = text.parse::<Timestamp>() else {
            let said = format!("`{shown}` is no instant");
            return refuse(FailureKind::BadField, said, "write it as 2026-05-04T10:00:00Z");
        };
        let Some(wait_s) = self.seconds_to(instant, at) else {
            let said = "the wall clock has not been read yet".to_owned();
            return refuse(FailureKind::Busy, said, "ask again in a second");
        };
        if wait_s < -FRESH_S {
            return Err(too_late(&shown, -wait_s));
        }
        if wait_s > LONGEST_DELAY_S {
            let said = format!("{shown} is {} away, more than a day", say::span(wait_s));
            return refuse(FailureKind::BadField, said, "recall it for an instant within a day");
        }
        let doubt = self.wall.as_ref().and_then(|w| w.state.doubt());
        let doubt =
            doubt.map_or(String::new(), |d| format!(" · 1 warning: {d}, others may start before or after"));
        let due = self.due(instant);
        let said = if due > at {
            let (what, when) = (format!("recall {look}"), format!("at {instant}, in {}", say::span(wait_s)));
            self.wait_for(
                Waiting { due, at: Some(instant), change: Change::Recall { look, over_s }, what },
                &when,
            )
        } else {
            self.recall_for(&look, over_s, instant, at)?
        };
        Ok(format!("{said}{doubt}"))
    }

    /// A recall whose instant is here in frame `at`, or has passed by at most [`FRESH_S`].
    ///
    /// On time, `at` is the first frame of the fade that differs, so that the fade begins within a frame of
    /// the instant, on every machine. Late, it glides into the fade that runs elsewhere, and ends with it.
    pub(super) fn recall_for(
        &mut self,
        look: &str,
        over_s: Option<f64>,
        instant: Timestamp,
        at: FrameNumber,
    ) -> Result<String, Failure> {
        let late_s = -self.seconds_to(instant, at).unwrap_or(0.0);
        if late_s > FRESH_S {
            return Err(too_late(&instant.to_string(), late_s));
        }
        let period_s = 1.0 / f64::from(self.clock().rate());
        // Its own frame begins less than a period after it; the frame before stands for the fade's beginning.
        if late_s < period_s {
            return self.recall_by_name(look, over_s, at.saturating_sub(1));
        }
        let frames = |s: f64| self.clock().frames_in(std::time::Duration::from_secs_f64(s));
        let (ran, join) = (frames(late_s), frames(JOIN_S));
        let said = self.recall_late(look, over_s, ran, join, at)?;
        Ok(format!("{said} · {} late, it joins the fade that began at {instant}", say::span(late_s)))
    }

    /// Seconds from frame `n` to an instant, below 0 where it has passed; `None`: no wall clock was read.
    fn seconds_to(&self, instant: Timestamp, n: FrameNumber) -> Option<f64> {
        let since_start = instant.duration_since(self.wall.as_ref()?.at_start);
        let here =
            SignedDuration::try_from(self.clock().moment_of(n).elapsed()).unwrap_or(SignedDuration::MAX);
        Some(since_start.saturating_sub(here).as_secs_f64())
    }

    /// The first frame at or after an instant; 0 where that was before the engine's start.
    fn due(&self, instant: Timestamp) -> FrameNumber {
        let Some(wall) = &self.wall else { return 0 };
        let since_start = instant.duration_since(wall.at_start);
        // Below 0: before the start.
        let since_start = std::time::Duration::try_from(since_start).unwrap_or_default();
        self.clock().frames_in(since_start)
    }
}

fn too_late(shown: &str, late_s: f64) -> Failure {
    Failure {
        kind: FailureKind::TooLate,
        said: format!("{shown} was {} ago", say::span(late_s)),
        hint: Some("recall it without --at, or give an instant to come".to_owned()),
    }
}
