//! One output's thread: the newest frame, at absolute deadlines, through every fault.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use super::health::{Health, Meter};
use super::latest::{Reader, Writer, latest};
use super::output::{self, Port, WireError, WireErrorKind, attainable_rate};
use super::sim::SimWatch;
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};
use crate::plan::{Output, OutputKind};
use crate::units::Moment;

/// Longest time between two tries of a port that is gone.
const RETRY_MOST: Duration = Duration::from_secs(1);
/// The first wait that is not none; each further one is twice the one before.
const RETRY_FIRST: Duration = Duration::from_millis(50);
/// A port that has worked for so long counts as working. Until then one that fails again is not
/// retried at once, and one that had stalled is not said to be well: bytes that a port takes may only
/// have filled its buffer again (0.6 s of frames on a pseudo-terminal, measured).
const SETTLED: Duration = Duration::from_secs(1);

/// The engine's hold on an output. Dropping it is [`Sender::stop`].
pub struct Sender {
    frames: Writer,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// What both sides see.
struct Shared {
    stop: AtomicBool,
    meter: Meter,
}

/// Starts an output's thread.
///
/// It sends at the instants `k / rate + phase` of `clock`, k a whole number, always the newest frame,
/// changed or not; before the first published one, nothing. An engine that makes frame n at n / rate
/// of the same clock has it sent `phase` later; an engine that started t0 after the clock adds t0 to
/// the phase. Where the line has no room for the plan's rate, the greatest there is room for is taken.
///
/// `simulate`: the simulator instead of what the plan names. `watch`: what simulators hand their
/// frames to; `None`: kept, but nobody sees it. A port that is not there is no error here: it shows
/// in [`Sender::health`] and is tried again for ever.
///
/// Errors: the thread cannot be started.
pub fn start(
    output: &Output,
    simulate: bool,
    phase: Duration,
    clock: SystemClock,
    watch: Option<SimWatch>,
) -> io::Result<Sender> {
    let mut output = output.clone();
    if simulate {
        output.kind = OutputKind::Simulator;
    }
    let rate = attainable_rate(&output, 0);
    let (frames, newest) = latest();
    let shared = Arc::new(Shared { stop: AtomicBool::new(false), meter: Meter::new(rate) });
    shared.meter.last(clock.now());
    let name = format!("wire-{}", output.name);
    let worker = Worker {
        output,
        clock,
        watch: watch.unwrap_or_else(|| SimWatch::keeping(1)),
        frames: newest,
        shared: Arc::clone(&shared),
        pace: Pace::new(rate, phase, clock.now()),
        used: 0,
        link: Link::Closed { retry_at: Moment::START },
        retry_wait: Duration::ZERO,
        opened_at: None,
        last_start: None,
        fault: None,
    };
    let thread = std::thread::Builder::new().name(name).spawn(move || worker.run())?;
    Ok(Sender { frames, shared, thread: Some(thread) })
}

impl Sender {
    /// Hands on the newest frame. Never blocks, locks or allocates.
    pub fn publish(&mut self, frame: Frame) {
        self.frames.publish(&frame);
    }

    /// How the output is doing. Cheap enough to call every frame.
    #[must_use]
    pub fn health(&self) -> Health {
        self.shared.meter.read()
    }

    /// How long ago the last frame began to be sent, at `now` of the clock that it was started with; before
    /// the first, how long ago the sender was started. Cheap enough to call every frame.
    #[must_use]
    pub fn silent(&self, now: Moment) -> Duration {
        self.shared.meter.silent(now)
    }

    /// Ends the thread and waits for it: one period, or, with a port that is stuck, some tenths of a
    /// second. The newest published frame is sent last, at its usual deadline, and stays standing; the
    /// port is released.
    pub fn stop(self) {
        drop(self);
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        // Release: a frame published before is seen by whoever sees this.
        self.shared.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("an output's thread ended early");
        }
    }
}

/// Makes the calling thread wake as near to its deadlines as it may without anyone's permission: the
/// kernel's slack on sleeps goes from 50 µs to none.
pub(super) fn steady_thread() {
    // Refused, the thread is only somewhat later.
    let _ = rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1));
}

/// The connection to the port.
enum Link {
    Open(Box<dyn Port>),
    Closed {
        /// Not before this moment is it tried again.
        retry_at: Moment,
    },
}

/// A fault that has begun and not ended.
struct Fault {
    /// The worded cause.
    said: String,
    /// True if it was that the port took no more.
    stalled: bool,
    /// Start of the last frame before it.
    before: Option<Moment>,
    /// Start of the first frame since the last failure.
    well_since: Option<Moment>,
}

struct Worker {
    output: Output,
    clock: SystemClock,
    watch: SimWatch,
    frames: Reader,
    shared: Arc<Shared>,
    pace: Pace,
    /// Slots in use of the frames sent so far; the rate is for these.
    used: u16,
    link: Link,
    /// Wait before the next try but one.
    retry_wait: Duration,
    /// When the port was opened last.
    opened_at: Option<Moment>,
    /// Start of the last frame that was sent.
    last_start: Option<Moment>,
    fault: Option<Fault>,
}

impl Worker {
    fn run(mut self) {
        steady_thread();
        loop {
            let due = self.pace.next(self.clock.now(), &self.shared.meter);
            self.clock.sleep_until(due);
            // Read before the newest frame is: what was published before the stop goes out.
            let stopping = self.shared.stop.load(Ordering::Acquire);
            self.tick(due, stopping);
            if stopping {
                break;
            }
        }
        if let Link::Open(port) = &mut self.link
            && let Err(error) = port.finish()
        {
            tracing::warn!(output = self.output.name, "{error}; the last frame may not have been sent");
        }
    }

    /// What there is to do at one deadline.
    fn tick(&mut self, due: Moment, last: bool) {
        let now = self.clock.now();
        if let Link::Closed { retry_at } = self.link
            && (now >= retry_at || last)
        {
            self.open(now);
        }
        let Some(frame) = self.frames.newest() else { return };
        if frame.used != self.used {
            self.used = frame.used;
            self.set_rate(attainable_rate(&self.output, frame.used));
        }
        let Link::Open(port) = &mut self.link else { return };
        match port.send(&frame) {
            Ok(sent) => {
                self.shared.meter.sent(sent.started.after(due));
                self.shared.meter.last(sent.started);
                self.well(sent.started);
            }
            Err(error) => {
                if error.kind() != WireErrorKind::WriteDeadline {
                    let now = self.clock.now();
                    if self.opened_at.is_some_and(|opened| now.after(opened) >= SETTLED) {
                        self.retry_wait = Duration::ZERO;
                    }
                    self.close(now);
                }
                self.failed(&error);
            }
        }
    }

    fn open(&mut self, now: Moment) {
        match output::open(&self.output, self.clock, &self.watch) {
            Ok(port) => {
                self.link = Link::Open(port);
                if self.opened_at.replace(now).is_some() {
                    self.shared.meter.reopened();
                }
            }
            Err(error) => {
                self.close(now);
                self.failed(&error);
            }
        }
    }

    /// Lets go of the port, at once: while a dead one is held open, the interface that comes back is
    /// given another name (measured, docs/wire.md).
    fn close(&mut self, now: Moment) {
        self.link = Link::Closed { retry_at: now + self.retry_wait };
        self.retry_wait = (self.retry_wait * 2).clamp(RETRY_FIRST, RETRY_MOST);
    }

    /// A frame went out.
    fn well(&mut self, started: Moment) {
        let first = self.last_start.replace(started).is_none();
        let Some(fault) = &mut self.fault else {
            if first {
                tracing::info!(output = self.output.name, "output works");
                self.shared.meter.up(self.note(), None);
            }
            return;
        };
        let since = *fault.well_since.get_or_insert(started);
        if fault.stalled && started.after(since) < SETTLED {
            return;
        }
        let gap = fault.before.map(|before| since.after(before));
        let gap_s = gap.map(|gap| gap.as_secs_f64());
        self.fault = None;
        let works = if gap.is_some() { "output works again" } else { "output works" };
        tracing::info!(output = self.output.name, gap_s, "{works}");
        self.shared.meter.up(self.note(), gap);
    }

    /// Something went wrong: said in the log once a fault, in the health always.
    fn failed(&mut self, error: &WireError) {
        let (said, kind) = (error.to_string(), error.kind());
        let fault = self.fault.get_or_insert_with(|| {
            tracing::warn!(output = self.output.name, kind = kind.word(), "{said}");
            Fault { said: String::new(), stalled: false, before: self.last_start, well_since: None }
        });
        fault.stalled = kind == WireErrorKind::WriteDeadline;
        fault.well_since = None;
        if fault.said != said {
            tracing::debug!(output = self.output.name, kind = kind.word(), "{said}");
            fault.said.clone_from(&said);
            self.shared.meter.down(said);
        }
    }

    fn set_rate(&mut self, rate: u32) {
        if rate == self.pace.rate {
            return;
        }
        self.pace = Pace::new(rate, self.pace.phase, self.clock.now());
        self.shared.meter.rate(rate);
        if self.fault.is_none() && self.last_start.is_some() {
            self.shared.meter.up(self.note(), None);
        }
    }

    /// What a person should know while the output works.
    fn note(&self) -> Option<String> {
        let rate = (self.pace.rate < self.output.rate).then(|| {
            format!(
                "{} frames a second instead of the plan's {}: {} slots leave no room for more; set the \
                 output's rate to {} or move the lamps to lower addresses",
                self.pace.rate, self.output.rate, self.used, self.pace.rate
            )
        });
        let port = match &self.link {
            Link::Open(port) => port.note().map(str::to_owned),
            Link::Closed { .. } => None,
        };
        match (rate, port) {
            (Some(rate), Some(port)) => Some(format!("{rate}; {port}")),
            (rate, port) => rate.or(port),
        }
    }
}

/// Deadlines `k / rate + phase`, in order, without drift.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    rate: u32,
    phase: Duration,
    /// `k` of the last deadline given.
    last: u64,
}

impl Pace {
    /// Deadlines after `now`.
    pub(super) fn new(rate: u32, phase: Duration, now: Moment) -> Self {
        let mut pace = Self { rate: rate.max(1), phase, last: 0 };
        pace.last = pace.passed(now);
        pace
    }

    /// `k` of the last deadline at or before `now`; 0 before the first.
    fn passed(&self, now: Moment) -> u64 {
        let since = now.elapsed().saturating_sub(self.phase).as_nanos();
        u64::try_from(since * u128::from(self.rate) / 1_000_000_000).unwrap_or(u64::MAX)
    }

    fn moment(&self, k: u64) -> Moment {
        // Rounded up, so that `passed` of a deadline is that deadline.
        let nanos = (u128::from(k) * 1_000_000_000).div_ceil(u128::from(self.rate));
        Moment::since_start(Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX)) + self.phase)
    }

    /// The deadline after the last one; one that passed less than a period ago is still taken, older
    /// ones are left out, so that lateness never turns into a burst.
    fn next(&mut self, now: Moment, meter: &Meter) -> Moment {
        let (due, missed) = self.next_and_missed(now);
        if missed > 0 {
            meter.missed(missed);
        }
        due
    }

    /// The same, and how many deadlines were left out.
    pub(super) fn next_and_missed(&mut self, now: Moment) -> (Moment, u64) {
        let next = self.last.saturating_add(1);
        let k = next.max(self.passed(now));
        self.last = k;
        (self.moment(k), k - next)
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

    #[test]
    fn deadlines_do_not_drift_in_a_year() {
        let pace = Pace::new(44, Duration::from_millis(1), Moment::START);
        let year = 44 * 86_400 * 365;
        assert_eq!(pace.moment(year).elapsed(), Duration::from_secs(86_400 * 365) + pace.phase);
        assert_eq!(pace.passed(pace.moment(year + 1)), year + 1);
    }
}
