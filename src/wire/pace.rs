//! When frames are due: absolute instants of the clock, so that nothing drifts.

use std::time::Duration;

use super::health::Meter;
use crate::units::Moment;

/// Deadlines `k / rate + phase`, in order, without drift.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    pub rate: u32,
    pub phase: Duration,
    /// `k` of the last deadline given.
    last: u64,
}

impl Pace {
    /// Deadlines after `now`.
    pub fn new(rate: u32, phase: Duration, now: Moment) -> Self {
        let mut pace = Self { rate: rate.max(1), phase, last: 0 };
        pace.last = pace.passed(now);
        pace
    }

    /// `k` of the last deadline at or before `now`; 0 before the first.
    fn passed(&self, now: Moment) -> u64 {
        let since = now.elapsed().saturating_sub(self.phase).as_nanos();
        u64::try_from(since * u128::from(self.rate) / 1_000_000_000).unwrap_or(u64::MAX)
    }

    pub fn moment(&self, k: u64) -> Moment {
        // Rounded up, so that `passed` of a deadline is that deadline.
        let nanos = (u128::from(k) * 1_000_000_000).div_ceil(u128::from(self.rate));
        Moment::since_start(Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX)) + self.phase)
    }

    /// The deadline after the last one; one that passed less than a period ago is still taken, older
    /// ones are left out, so that lateness never turns into a burst.
    pub fn next(&mut self, now: Moment, meter: &Meter) -> Moment {
        let (due, missed) = self.next_and_missed(now);
        if missed > 0 {
            meter.missed(missed);
        }
        due
    }

    /// The same, and how many deadlines were left out.
    pub fn next_and_missed(&mut self, now: Moment) -> (Moment, u64) {
        let next = self.last.saturating_add(1);
        let k = next.max(self.passed(now));
        self.last = k;
        (self.moment(k), k - next)
    }
}

/// Over how long it is judged whether an output keeps its rate.
const JUDGED_OVER: Duration = Duration::from_secs(10);

/// Whether as many frames go out as the rate says: a port that takes longer for each than was reckoned
/// with makes deadlines pass.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Reach {
    /// Start of the first frame of this count, and the frames after it.
    count: Option<(Moment, u32)>,
    /// Frames a second of the last whole count, if clearly under the rate.
    short: Option<u32>,
}

impl Reach {
    /// A frame went out; true if what [`Self::short`] says has changed.
    pub fn frame(&mut self, started: Moment, rate: u32) -> bool {
        let Some((since, frames)) = &mut self.count else {
            self.count = Some((started, 0));
            return false;
        };
        *frames += 1;
        let span = started.after(*since);
        if span < JUDGED_OVER {
            return false;
        }
        let reached = f64::from(*frames) / span.as_secs_f64();
        self.count = Some((started, 0));
        // A twentieth less: more than a busy machine costs now and then.
        let short = (reached < 0.95 * f64::from(rate)).then_some((reached as u32).max(1));
        std::mem::replace(&mut self.short, short) != short
    }

    /// Frames a second that go out, where they are clearly fewer than the rate.
    pub fn short(&self) -> Option<u32> {
        self.short
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(us: u64) -> Moment {
        Moment::since_start(Duration::from_micros(us))
    }

    #[test]
    fn deadlines_follow_the_engines_frames_by_the_phase_at_every_rate() {
        for rate in 1..=44 {
            let meter = Meter::new(rate);
            let phase = Duration::from_millis(1);
            let mut pace = Pace::new(rate, phase, Moment::START);
            for n in 1_u64..2000 {
                let made = Duration::from_nanos(n * 1_000_000_000 / u64::from(rate));
                let due = pace.next(Moment::since_start(made), &meter).elapsed();
                // Within a nanosecond: the engine rounds its moments down, deadlines are rounded up.
                assert!((made + phase..=made + phase + Duration::from_nanos(1)).contains(&due), "{rate} {n}");
            }
            assert_eq!(meter.read().missed, 0);
        }
    }

    #[test]
    fn a_late_wake_takes_the_deadline_just_passed_and_counts_those_before() {
        let meter = Meter::new(40);
        let mut pace = Pace::new(40, Duration::ZERO, at(10_000));
        assert_eq!(pace.next(at(10_000), &meter), at(25_000));
        assert_eq!(pace.next(at(49_000), &meter), at(50_000));
        assert_eq!(pace.next(at(76_000), &meter), at(75_000), "1 ms late: still sent");
        assert_eq!(meter.read().missed, 0);
        assert_eq!(pace.next(at(190_000), &meter), at(175_000));
        assert_eq!(meter.read().missed, 3, "100, 125 and 150 ms");
        assert_eq!(pace.next(at(190_100), &meter), at(200_000), "no burst");
    }

    /// Source: arithmetic: a frame every 30 ms is 33.3 a second.
    #[test]
    fn a_port_too_slow_for_its_rate_is_told_after_some_seconds_and_once() {
        let mut reach = Reach::default();
        let mut told = Vec::new();
        for n in 0..2000_u64 {
            // Slow for 30 s, then as it should be.
            let us = if n < 1000 { n * 30_000 } else { 30_000_000 + (n - 1000) * 25_000 };
            if reach.frame(at(us), 40) {
                told.push((us / 1_000_000, reach.short()));
            }
        }
        assert_eq!(told.len(), 2, "{told:?}");
        assert_eq!(told[0], (10, Some(33)));
        assert!(told[1].0 >= 40 && told[1].1.is_none(), "{told:?}");
    }

    #[test]
    fn deadlines_do_not_drift_in_a_year() {
        let pace = Pace::new(44, Duration::from_millis(1), Moment::START);
        let year = 44 * 86_400 * 365;
        assert_eq!(pace.moment(year).elapsed(), Duration::from_secs(86_400 * 365) + pace.phase);
        assert_eq!(pace.passed(pace.moment(year + 1)), year + 1);
    }
}
