//! What an output reports of itself: counters that the sender's thread only ever adds to.

use std::array;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

use crate::control::{LinkState, RealTimeStatus};
use crate::units::Moment;

/// How an output is doing.
#[derive(Debug, Clone, PartialEq)]
pub struct Health {
    /// Whether it works.
    pub state: LinkState,
    /// Why it does not, with one next step; or, while it works, what a person should know.
    pub said: Option<String>,
    /// Frames a second that it sends: the plan's, or less where the line has no room for that.
    pub rate: u32,
    /// Frames handed to the port since the start.
    pub frames: u64,
    /// Deadlines at which nothing could be sent because the thread was a whole period late.
    pub missed: u64,
    /// Median lateness of frame starts in microseconds, rounded up to the next step of a 32nd of an
    /// octave; `None` before the first frame. Leaves out the first frame after each opening of the port.
    pub late_us_p50: Option<f64>,
    /// 99th percentile of the same.
    pub late_us_p99: Option<f64>,
    /// 99.9th percentile of the same.
    pub late_us_p999: Option<f64>,
    /// The greatest, not rounded.
    pub late_us_max: Option<f64>,
    /// Times the port was opened again after it had gone.
    pub reopened: u64,
    /// From the start of the last frame before the latest fault to the first after it, in seconds.
    pub last_gap_s: Option<f64>,
    /// What the machine grants the sender's thread.
    pub real_time: RealTimeStatus,
    /// True once the first frame was sent or the port was found absent or unusable: the daemon need
    /// wait no longer to be ready.
    pub first_sent: bool,
}

/// State and words, changed only when a fault starts or ends.
struct Words {
    state: LinkState,
    said: Option<String>,
    last_gap: Option<Duration>,
}

/// The counters behind [`Health`]: written by one thread, read by any.
pub struct Meter {
    words: Mutex<Words>,
    rate: AtomicU64,
    frames: AtomicU64,
    missed: AtomicU64,
    reopened: AtomicU64,
    /// Start of the last frame in nanoseconds of the sender's clock; before the first, the sender's own start.
    last_ns: AtomicU64,
    lateness: Histogram,
    real_time: OnceLock<RealTimeStatus>,
}

impl Meter {
    pub fn new(rate: u32) -> Self {
        Self {
            words: Mutex::new(Words { state: LinkState::Starting, said: None, last_gap: None }),
            rate: AtomicU64::new(rate.into()),
            frames: AtomicU64::new(0),
            missed: AtomicU64::new(0),
            reopened: AtomicU64::new(0),
            last_ns: AtomicU64::new(0),
            lateness: Histogram::new(),
            real_time: OnceLock::new(),
        }
    }

    /// A frame went out; `late` is `None` where no deadline was meant for it.
    pub fn sent(&self, late: Option<Duration>) {
        if let Some(late) = late {
            self.lateness.add(late);
        }
        self.frames.fetch_add(1, Ordering::Relaxed);
    }

    /// What the sender's thread was granted; later calls change nothing.
    pub fn granted(&self, real_time: RealTimeStatus) {
        // Set once, by the one thread that sends.
        let _ = self.real_time.set(real_time);
    }

    /// A frame's start, or the sender's.
    pub fn last(&self, at: Moment) {
        let ns = u64::try_from(at.elapsed().as_nanos()).unwrap_or(u64::MAX);
        self.last_ns.store(ns, Ordering::Relaxed);
    }

    /// How long ago that was.
    pub fn silent(&self, now: Moment) -> Duration {
        now.after(Moment::since_start(Duration::from_nanos(self.last_ns.load(Ordering::Relaxed))))
    }

    pub fn missed(&self, deadlines: u64) {
        self.missed.fetch_add(deadlines, Ordering::Relaxed);
    }

    pub fn reopened(&self) {
        self.reopened.fetch_add(1, Ordering::Relaxed);
    }

    pub fn rate(&self, rate: u32) {
        self.rate.store(rate.into(), Ordering::Relaxed);
    }

    /// Its only lock, held until the guard is dropped.
    #[cfg(test)]
    pub fn held(&self) -> impl Drop + '_ {
        self.words.lock().unwrap()
    }

    pub fn down(&self, said: String) {
        let mut words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        words.state = LinkState::Down;
        words.said = Some(said);
    }

    pub fn up(&self, note: Option<String>, gap: Option<Duration>) {
        let mut words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        words.state = LinkState::Up;
        words.said = note;
        words.last_gap = gap.or(words.last_gap);
    }

    pub fn read(&self) -> Health {
        let words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        Health {
            state: words.state,
            said: words.said.clone(),
            rate: u32::try_from(self.rate.load(Ordering::Relaxed)).unwrap_or(u32::MAX),
            frames: self.frames.load(Ordering::Relaxed),
            missed: self.missed.load(Ordering::Relaxed),
            late_us_p50: self.lateness.percentile(0.5),
            late_us_p99: self.lateness.percentile(0.99),
            late_us_p999: self.lateness.percentile(0.999),
            late_us_max: self.lateness.max(),
            reopened: self.reopened.load(Ordering::Relaxed),
            last_gap_s: words.last_gap.map(|gap| gap.as_secs_f64()),
            real_time: self.real_time.get().cloned().unwrap_or_default(),
            // One word for both, so that no reader sees a frame sent by an output that is still starting.
            first_sent: words.state != LinkState::Starting,
        }
    }
}

/// Steps an octave: a reading is at most 2^(1/32), or 2.2 %, above the truth.
const STEPS: f64 = 32.0;
/// 1 µs to over 2 s.
const BUCKETS: usize = 32 * 21 + 1;

/// Counts of durations in steps of a 32nd of an octave: bucket `i` ends at 2^(i/32) µs.
struct Histogram {
    counts: [AtomicU64; BUCKETS],
    /// The longest, in nanoseconds.
    max_ns: AtomicU64,
}

impl Histogram {
    fn new() -> Self {
        Self { counts: array::from_fn(|_| AtomicU64::new(0)), max_ns: AtomicU64::new(0) }
    }

    fn add(&self, span: Duration) {
        let us = span.as_secs_f64() * 1e6;
        // At 1 µs and under the logarithm is zero or less: the first bucket. The cast saturates.
        let bucket = (us.max(1.0).log2() * STEPS).ceil() as usize;
        self.counts[bucket.min(BUCKETS - 1)].fetch_add(1, Ordering::Relaxed);
        self.max_ns.fetch_max(u64::try_from(span.as_nanos()).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    /// The longest in microseconds.
    fn max(&self) -> Option<f64> {
        self.percentile(0.0).map(|_| self.max_ns.load(Ordering::Relaxed) as f64 / 1e3)
    }

    /// Upper end, in microseconds, of the bucket under which at least `share` of all counts lie.
    fn percentile(&self, share: f64) -> Option<f64> {
        let counts: [u64; BUCKETS] = array::from_fn(|i| self.counts[i].load(Ordering::Relaxed));
        let total: u64 = counts.iter().sum();
        let wanted = ((total as f64 * share).ceil() as u64).max(1);
        let mut seen = 0;
        counts.iter().enumerate().find_map(|(i, count)| {
            seen += count;
            (seen >= wanted).then(|| (i as f64 / STEPS).exp2())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_lie_within_a_step_of_a_32nd_of_an_octave_above_the_truth() {
        let histogram = Histogram::new();
        assert_eq!((histogram.percentile(0.5), histogram.max()), (None, None));
        for us in 1..=1000 {
            histogram.add(Duration::from_micros(us));
        }
        assert_eq!(histogram.max(), Some(1000.0));
        let step = 2_f64.powf(1.0 / 32.0);
        for (share, truth) in [(0.5, 500.0), (0.99, 990.0), (0.999, 999.0)] {
            let read = histogram.percentile(share).unwrap();
            assert!((truth..=truth * step).contains(&read), "{share}: {read}");
        }
    }

    #[test]
    fn times_beyond_either_end_are_counted_at_that_end() {
        let histogram = Histogram::new();
        histogram.add(Duration::ZERO);
        assert_eq!(histogram.percentile(1.0), Some(1.0));
        histogram.add(Duration::from_secs(3600));
        assert!(histogram.percentile(1.0).unwrap() > 2e6);
    }

    #[test]
    fn an_absent_port_makes_nobody_wait_for_its_first_frame() {
        let meter = Meter::new(40);
        assert!(!meter.read().first_sent);
        meter.down("gone".to_owned());
        assert!(meter.read().first_sent);
        assert_eq!(meter.read().state, LinkState::Down);
    }

    /// A sender counts its frames under this very lock held: only a fault's start and end take it.
    #[test]
    fn counting_a_frame_waits_for_nobody() {
        let meter = Meter::new(40);
        let held = meter.words.lock().unwrap();
        meter.sent(Some(Duration::from_micros(100)));
        meter.last(Moment::START);
        meter.missed(1);
        drop(held);
        assert_eq!((meter.read().frames, meter.read().missed), (1, 1));
    }
}
