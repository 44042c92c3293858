//! Time inside the engine: frames counted from its start, and moments derived from them.

use std::time::Duration;

/// Number of a frame since the engine started; frame `n` stands for the instant `n` periods in.
pub type FrameNumber = u64;

/// An instant as the time since the engine started. Has nothing to do with the wall clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Moment(Duration);

impl Moment {
    /// The engine's start.
    pub const START: Self = Self(Duration::ZERO);

    /// The instant this long after the engine's start.
    #[must_use]
    pub const fn since_start(elapsed: Duration) -> Self {
        Self(elapsed)
    }

    /// Time since the engine's start.
    #[must_use]
    pub const fn elapsed(self) -> Duration {
        self.0
    }

    /// Time from `earlier` to this moment, zero if `earlier` is later.
    #[must_use]
    pub fn after(self, earlier: Self) -> Duration {
        self.0.saturating_sub(earlier.0)
    }
}

impl std::ops::Add<Duration> for Moment {
    type Output = Self;
    fn add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(span))
    }
}

/// Frames against time: the one place where a number of frames becomes a duration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FrameClock {
    per_second: u32,
}

impl FrameClock {
    /// Least frames a second: E1.11 allows one break a second, but a fade would show steps.
    pub const MIN_RATE: u32 = 10;
    /// Most frames a second that a full universe leaves room for (E1.11: 22.7 ms a packet).
    pub const MAX_RATE: u32 = 44;

    /// A clock of `per_second` frames, 10 to 44.
    #[must_use]
    pub fn new(per_second: u32) -> Option<Self> {
        (Self::MIN_RATE..=Self::MAX_RATE).contains(&per_second).then_some(Self { per_second })
    }

    /// Frames a second.
    #[must_use]
    pub const fn rate(self) -> u32 {
        self.per_second
    }

    /// One frame's time, rounded down to whole nanoseconds.
    #[must_use]
    pub const fn period(self) -> Duration {
        Duration::from_nanos(1_000_000_000 / self.per_second as u64)
    }

    /// The instant that frame `n` stands for: exact, whatever the rate, so nothing drifts.
    #[must_use]
    pub fn moment_of(self, n: FrameNumber) -> Moment {
        let nanos = u128::from(n) * 1_000_000_000 / u128::from(self.per_second);
        Moment(Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX)))
    }

    /// The first frame at or after `moment`.
    #[must_use]
    pub fn frame_at(self, moment: Moment) -> FrameNumber {
        let scaled = moment.0.as_nanos() * u128::from(self.per_second);
        u64::try_from(scaled.div_ceil(1_000_000_000)).unwrap_or(u64::MAX)
    }

    /// Whole frames that `span` takes, rounded up: a fade of any length but zero has at least one.
    #[must_use]
    pub fn frames_in(self, span: Duration) -> u64 {
        self.frame_at(Moment(span))
    }

    /// Seconds that `frames` take.
    #[must_use]
    pub fn seconds(self, frames: u64) -> f64 {
        frames as f64 / f64::from(self.per_second)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_and_moments_agree_at_every_rate_and_never_drift() {
        for rate in FrameClock::MIN_RATE..=FrameClock::MAX_RATE {
            let clock = FrameClock::new(rate).unwrap();
            for n in (0..100_000_000).step_by(999_983) {
                assert_eq!(clock.frame_at(clock.moment_of(n)), n, "rate {rate}");
            }
        }
    }

    #[test]
    fn a_span_between_frames_takes_the_next_whole_frame() {
        let clock = FrameClock::new(40).unwrap();
        assert_eq!(clock.frames_in(Duration::ZERO), 0);
        assert_eq!(clock.frames_in(Duration::from_nanos(1)), 1);
        assert_eq!(clock.frames_in(Duration::from_millis(25)), 1);
        assert_eq!(clock.frames_in(Duration::from_secs(2)), 80);
    }
}
