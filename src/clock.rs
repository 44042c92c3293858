//! The only reader of real time: monotonic moments, absolute sleeps, wall time, the boot's id.
//!
//! Everything else takes `now` as an argument. No timers and no async here.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rustix::io::Errno;
use rustix::thread::clock_nanosleep_absolute;
use rustix::time::{ClockId, Timespec, clock_gettime};

use crate::units::Moment;

/// Tries to read two clocks at one moment.
const WALL_TRIES: usize = 8;
/// Two readings this near together are one moment: a clock is read in some tens of nanoseconds.
const WALL_NEAR: Duration = Duration::from_micros(5);

/// What systemd's time service touches whenever it has set the wall clock right. Source: systemd-timesyncd.service(8).
const SET_RIGHT: &str = "/run/systemd/timesync/synchronized";
/// How long that holds: twice its longest pause between two looks at a server, `PollIntervalMaxSec`, which is 2048 s by
/// default. Source: timesyncd.conf(5); twice, since one answer may be lost.
const HOLDS_S: i64 = 2 * 2048;

/// Reads time and waits for it.
pub trait Clock {
    /// Time since the clock was started; never goes back.
    fn now(&self) -> Moment;

    /// Returns at `moment` or later, never earlier; at once if it has passed.
    fn sleep_until(&self, moment: Moment);

    /// Wall time in UTC, for stamps only; `Display` gives RFC 3339. It may jump.
    fn wall(&self) -> jiff::Timestamp;
}

/// The machine's monotonic clock, counted from when this value was made.
///
/// Copies share the start, so moments of all copies agree. `CLOCK_MONOTONIC` stands still while the
/// machine is suspended.
#[derive(Debug, Clone, Copy)]
pub struct SystemClock {
    origin: Duration,
}

impl SystemClock {
    /// A clock that starts now.
    #[must_use]
    pub fn start() -> Self {
        Self { origin: monotonic() }
    }

    /// Random id of this boot of the machine, from the kernel; `None` where it cannot be read.
    #[must_use]
    pub fn boot_id(self) -> Option<String> {
        let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
        let id = text.trim();
        (!id.is_empty()).then(|| id.to_owned())
    }
}

impl SystemClock {
    /// Time since the machine's boot, suspension included: tells lengths between two starts of a program.
    #[must_use]
    pub fn since_boot(self) -> Duration {
        let now = clock_gettime(ClockId::Boottime);
        Duration::new(u64::try_from(now.tv_sec).unwrap_or(0), u32::try_from(now.tv_nsec).unwrap_or(0))
    }
}

/// What the kernel says of the wall clock, raw. Source: adjtimex(2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KernelClock {
    /// What the call returned: 5 is a clock that is not synchronised.
    pub state: i32,
    /// Bits `STA_…`.
    pub status: i32,
    /// What the kernel's loop is still to correct, in microseconds or nanoseconds as a bit of `status` says.
    pub offset: f64,
    /// Greatest error in microseconds.
    pub max_error_us: f64,
}

impl SystemClock {
    /// Wall time and the moment at which it was read, as near together as a few tries bring them.
    ///
    /// The two differ by a constant until someone sets the wall clock: what slews it slews both.
    #[must_use]
    pub fn wall_and_moment(self) -> (jiff::Timestamp, Moment) {
        let mut best: Option<(Duration, jiff::Timestamp, Moment)> = None;
        for _ in 0..WALL_TRIES {
            let before = self.now();
            let wall = self.wall();
            let between = self.now().after(before);
            if best.is_none_or(|(least, ..)| between < least) {
                best = Some((between, wall, before + between / 2));
            }
            if between <= WALL_NEAR {
                break;
            }
        }
        best.map_or_else(|| (self.wall(), self.now()), |(_, wall, moment)| (wall, moment))
    }

    /// True if systemd's time service has lately set the wall clock right, by its own word. For where the kernel does
    /// not tell; false where another service or none does it.
    #[must_use]
    pub fn set_right_lately(self) -> bool {
        let touched = std::fs::metadata(SET_RIGHT).and_then(|file| file.modified());
        let touched = touched.ok().and_then(|at| jiff::Timestamp::try_from(at).ok());
        touched.is_some_and(|at| (0..=HOLDS_S).contains(&(self.wall().as_second() - at.as_second())))
    }

    /// What the kernel says of the wall clock; `None` where it does not tell (a sandbox).
    #[must_use]
    pub fn kernel(self) -> Option<KernelClock> {
        // SAFETY: all zero is a valid `timex`, plain numbers; `modes` 0 changes nothing.
        #[expect(
            unsafe_code,
            reason = "neither std nor rustix has adjtimex; libc is in the tree for such calls"
        )]
        let (state, read) = unsafe {
            let mut timex: libc::timex = std::mem::zeroed();
            (libc::adjtimex(&raw mut timex), timex)
        };
        (state >= 0).then_some(KernelClock {
            state,
            status: read.status,
            // Longs, which are not the same on every machine; their figures fit many times over.
            offset: read.offset as f64,
            max_error_us: read.maxerror as f64,
        })
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Moment {
        Moment::since_start(monotonic().saturating_sub(self.origin))
    }

    fn sleep_until(&self, moment: Moment) {
        let until = self.origin.saturating_add(moment.elapsed());
        let request = Timespec {
            tv_sec: i64::try_from(until.as_secs()).unwrap_or(i64::MAX),
            tv_nsec: until.subsec_nanos().into(),
        };
        // A signal may cut the wait short; an absolute deadline loses nothing by waiting again.
        while clock_nanosleep_absolute(ClockId::Monotonic, &request) == Err(Errno::INTR) {}
    }

    fn wall(&self) -> jiff::Timestamp {
        #[expect(clippy::disallowed_methods, reason = "the one place that reads the wall clock")]
        jiff::Timestamp::now()
    }
}

/// Time since some fixed instant before the program's start.
fn monotonic() -> Duration {
    let now = clock_gettime(ClockId::Monotonic);
    Duration::new(u64::try_from(now.tv_sec).unwrap_or(0), u32::try_from(now.tv_nsec).unwrap_or(0))
}

/// A clock that moves only when told, or when someone sleeps on it: rehearsals and tests.
///
/// Clones share the time.
#[derive(Debug, Clone, Default)]
pub struct VirtualClock {
    nanos: Arc<AtomicU64>,
}

impl VirtualClock {
    /// A clock at its start.
    #[must_use]
    pub fn start() -> Self {
        Self::default()
    }

    /// Moves on by `span`.
    pub fn advance(&self, span: Duration) {
        let nanos = u64::try_from(span.as_nanos()).unwrap_or(u64::MAX);
        // The closure never refuses, so there is no failure to handle.
        let _ =
            self.nanos.fetch_update(Ordering::AcqRel, Ordering::Acquire, |t| Some(t.saturating_add(nanos)));
    }
}

impl Clock for VirtualClock {
    fn now(&self) -> Moment {
        Moment::since_start(Duration::from_nanos(self.nanos.load(Ordering::Acquire)))
    }

    /// Jumps there, without waiting.
    fn sleep_until(&self, moment: Moment) {
        let nanos = u64::try_from(moment.elapsed().as_nanos()).unwrap_or(u64::MAX);
        self.nanos.fetch_max(nanos, Ordering::AcqRel);
    }

    /// The Unix epoch plus the virtual time: the same in every run.
    fn wall(&self) -> jiff::Timestamp {
        let since =
            jiff::SignedDuration::try_from(self.now().elapsed()).unwrap_or(jiff::SignedDuration::ZERO);
        jiff::Timestamp::UNIX_EPOCH.checked_add(since).unwrap_or(jiff::Timestamp::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sleep_never_ends_before_its_moment() {
        let clock = SystemClock::start();
        for us in [0, 50, 500, 2000] {
            let until = clock.now() + Duration::from_micros(us);
            clock.sleep_until(until);
            assert!(clock.now() >= until);
        }
    }

    #[test]
    fn copies_of_a_clock_agree() {
        let one = SystemClock::start();
        let two = one;
        let first = one.now();
        assert!(two.now() >= first);
    }

    /// Source: RFC 3339, 5.6: date, `T`, time, offset or `Z`.
    #[test]
    fn wall_time_prints_as_rfc_3339_in_utc() {
        let text = SystemClock::start().wall().to_string();
        assert!(text.ends_with('Z') && text.as_bytes()[10] == b'T', "{text}");
    }

    #[test]
    fn virtual_time_moves_only_when_told() {
        let clock = VirtualClock::start();
        let other = clock.clone();
        clock.advance(Duration::from_secs(2));
        assert_eq!(other.now(), Moment::since_start(Duration::from_secs(2)));
        other.sleep_until(Moment::since_start(Duration::from_secs(1)));
        assert_eq!(clock.now(), Moment::since_start(Duration::from_secs(2)), "never back");
        other.sleep_until(Moment::since_start(Duration::from_secs(5)));
        assert_eq!(clock.now(), Moment::since_start(Duration::from_secs(5)));
        assert_eq!(clock.wall().to_string(), "1970-01-01T00:00:05Z");
    }

    #[test]
    fn the_boot_id_is_the_kernels_uuid() {
        if let Some(id) = SystemClock::start().boot_id() {
            assert_eq!(id.len(), 36, "{id}");
        }
    }
}
