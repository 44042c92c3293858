//! An output's thread: the newest frame, at absolute deadlines, through every fault.
//!
//! From the tick to the write it allocates nothing and takes no lock (tests/steady.rs); where a fault begins
//! or ends, or a port is opened, it may.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::error::{WireError, WireErrorKind};
use super::find::Finder;
use super::latency::LatencyTimer;
use super::latest::Reader;
use super::output::{self, Port, attainable_rate};
use super::pace::{Pace, Reach};
use super::realtime::{self, steady_thread};
use super::sender::Shared;
use super::sim::SimWatch;
use crate::clock::{Clock, SystemClock};
use crate::plan::{Output, OutputKind, Wake};
use crate::units::Moment;

/// How much of a wait is spun away where the plan asks for it: sleeps end under 0.1 ms late under real-time
/// priority in 99 of 100 cases, some 0.6 ms in 999 of 1000 (measured, docs/wire.md).
pub(super) const SPUN: Duration = Duration::from_micros(500);
/// Longest time between two tries of a port that is gone.
const RETRY_MOST: Duration = Duration::from_secs(1);
/// The first wait that is not none; each further one is twice the one before.
const RETRY_FIRST: Duration = Duration::from_millis(50);
/// A port that has worked for so long counts as working. Until then one that fails again is not
/// retried at once, and one that had stalled is not said to be well: bytes that a port takes may only
/// have filled its buffer again (0.6 s of frames on a pseudo-terminal, measured).
const SETTLED: Duration = Duration::from_secs(1);

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

/// The thread's own state.
pub(super) struct Worker {
    output: Output,
    clock: SystemClock,
    watch: Option<SimWatch>,
    /// Where its interface is; `None` for the simulator.
    finder: Option<Finder>,
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
    /// True until the first frame after an opening: it is late by that opening, which the gap tells.
    fresh: bool,
    /// Start of the last frame that was sent.
    last_start: Option<Moment>,
    fault: Option<Fault>,
    /// Its real-time priority, where it has one.
    priority: Option<u8>,
    reach: Reach,
}

impl Worker {
    /// One whose port is opened at the first deadline.
    pub fn new(
        output: Output,
        clock: SystemClock,
        watch: Option<SimWatch>,
        frames: Reader,
        shared: Arc<Shared>,
        pace: Pace,
    ) -> Self {
        Self {
            finder: output::finder(&output),
            output,
            clock,
            watch,
            frames,
            shared,
            pace,
            used: 0,
            link: Link::Closed { retry_at: Moment::START },
            retry_wait: Duration::ZERO,
            opened_at: None,
            fresh: true,
            last_start: None,
            fault: None,
            priority: None,
            reach: Reach::default(),
        }
    }

    /// Sends until it is told to stop.
    pub fn run(mut self) {
        let granted = steady_thread(self.output.wake == Wake::Spin);
        let spun = if granted.spins { SPUN } else { Duration::ZERO };
        self.priority = granted.priority;
        self.shared.meter.granted(granted);
        loop {
            let due = self.pace.next(self.clock.now(), &self.shared.meter);
            self.clock.sleep_until(Moment::since_start(due.elapsed().saturating_sub(spun)));
            while self.clock.now() < due {
                std::hint::spin_loop();
            }
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
                let fresh = std::mem::replace(&mut self.fresh, false);
                self.shared.meter.sent((!fresh).then(|| sent.started.after(due)));
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
        let (output, clock) = (&self.output, self.clock);
        let (watch, finder) = (self.watch.as_ref(), self.finder.as_mut());
        // It reads folders of the system, and where another program holds the port, all processes.
        match realtime::plainly(self.priority, || output::open_found(output, clock, watch, finder)) {
            Ok(port) => {
                self.link = Link::Open(port);
                self.fresh = true;
                self.say_where();
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

    /// Says in the log which interface was opened, where its name in the plan does not.
    fn say_where(&mut self) {
        let Some(found) = self.finder.as_mut().and_then(Finder::news) else { return };
        tracing::info!(output = self.output.name, "opened {found}");
        if let Some(timer) = LatencyTimer::of(&found.device).filter(LatencyTimer::is_slow) {
            tracing::info!(output = self.output.name, "{timer}");
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
            if self.reach.frame(started, self.pace.rate) {
                self.shared.meter.up(self.note(), None);
            }
            return;
        };
        self.reach = Reach::default();
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
        self.reach = Reach::default();
        self.shared.meter.rate(rate);
        if self.fault.is_none() && self.last_start.is_some() {
            self.shared.meter.up(self.note(), None);
        }
    }

    /// What a person should know while the output works.
    fn note(&self) -> Option<String> {
        let rate = (self.pace.rate < self.output.rate).then(|| {
            let (asked, rate) = (self.output.rate, self.pace.rate);
            match self.output.kind {
                OutputKind::Raw { slow: true, .. } => format!(
                    "{rate} frames a second instead of the plan's {asked}: `timing = \"slow\"` leaves no room for \
                     more; set the output's rate to {rate}"
                ),
                _ => format!(
                    "{rate} frames a second instead of the plan's {asked}: {} slots leave no room for more; set \
                     the output's rate to {rate} or move the lamps to lower addresses",
                    self.used
                ),
            }
        });
        let reach = self.reach.short().map(|reached| {
            format!(
                "{reached} of {} frames a second go out: the port takes longer for each; set the output's rate \
                 to {reached}",
                self.pace.rate
            )
        });
        let port = match &self.link {
            Link::Open(port) => port.note().map(str::to_owned),
            Link::Closed { .. } => None,
        };
        let notes: Vec<String> = [rate, reach, port].into_iter().flatten().collect();
        (!notes.is_empty()).then(|| notes.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use std::os::fd::OwnedFd;
    use std::os::unix::fs::symlink;
    use std::path::Path;
    use std::sync::atomic::AtomicBool;

    use rustix::pty::{OpenptFlags, openpt, ptsname, unlockpt};

    use super::super::health::Meter;
    use super::super::latest::latest;
    use super::*;
    use crate::channels::Frame;
    use crate::plan::PortName;

    /// Plugs an interface with this serial number into a folder that stands for the machine.
    fn plug(root: &Path, tty: &str, serial: &str) -> OwnedFd {
        let usb = root.join("sys/devices/1-1");
        let class = usb.join("1-1:1.0").join(tty).join("tty").join(tty);
        std::fs::create_dir_all(&class).unwrap();
        for (file, text) in [("idVendor", "0403"), ("idProduct", "6001"), ("serial", serial)] {
            std::fs::write(usb.join(file), text).unwrap();
        }
        symlink(usb.join("1-1:1.0").join(tty), class.join("device")).unwrap();
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        unlockpt(&far).unwrap();
        let name = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        symlink(name, root.join("dev").join(tty)).unwrap();
        symlink(class, root.join("sys/class/tty").join(tty)).unwrap();
        far
    }

    fn pull(root: &Path, tty: &str, far: OwnedFd) {
        std::fs::remove_file(root.join("sys/class/tty").join(tty)).unwrap();
        std::fs::remove_file(root.join("dev").join(tty)).unwrap();
        std::fs::remove_dir_all(root.join("sys/devices/1-1")).unwrap();
        drop(far);
    }

    /// The first bytes of a packet of 30 slots that come to the far side, however long they take.
    fn first_packet(far: &OwnedFd) -> [u8; 31] {
        let mut packet = [0; 31];
        let mut taken = 0;
        while taken < packet.len() {
            taken += rustix::io::read(far, &mut packet[taken..]).unwrap_or(0);
        }
        packet
    }

    #[test]
    fn an_interface_that_comes_back_under_a_new_name_gets_the_standing_frame_and_another_does_not() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        for part in ["sys/class/tty", "dev"] {
            std::fs::create_dir_all(root.join(part)).unwrap();
        }
        let far = plug(root, "ttyUSB0", "A1");
        let port = PortName::Path(root.join("dev/ttyUSB0"));
        // A second output that wants a port: so no spare one is taken.
        let _second = Finder::new(port.clone());
        let kind = OutputKind::Raw { port: port.clone(), break_us: 176, mark_us: 16, slow: false };
        let output = Output { name: "pier".to_owned(), kind, universe: 1, rate: 40, wake: Wake::Sleep };
        let clock = SystemClock::start();
        let (mut frames, newest) = latest();
        let shared = Arc::new(Shared { stop: AtomicBool::new(false), meter: Meter::new(40) });
        let pace = Pace::new(40, Duration::ZERO, clock.now());
        let mut worker = Worker::new(output, clock, None, newest, Arc::clone(&shared), pace);
        worker.finder = Some(Finder::under(port, &root.join("sys"), &root.join("dev")));
        let thread = std::thread::spawn(move || worker.run());
        let mut lit = Frame::dark(1, 1, 30);
        lit.slots[..30].fill(7);
        frames.publish(&lit);
        assert_eq!(first_packet(&far)[1..], [7; 30]);

        pull(root, "ttyUSB0", far);
        let wait = |what: &str, is_so: &dyn Fn() -> bool| {
            let end = clock.now() + Duration::from_secs(20);
            while !is_so() {
                assert!(clock.now() < end, "{what}: {:?}", shared.meter.read());
                clock.sleep_until(clock.now() + Duration::from_millis(5));
            }
        };
        let says = |text: &str| shared.meter.read().said.is_some_and(|said| said.contains(text));
        wait("the loss", &|| says("there is no serial port"));
        // Another interface takes its name.
        let other = plug(root, "ttyUSB0", "B2");
        wait("the other one", &|| says("is not the interface that this output had"));
        pull(root, "ttyUSB0", other);
        lit.slots[..30].fill(9);
        frames.publish(&lit);
        let far = plug(root, "ttyUSB1", "A1");
        assert_eq!(first_packet(&far)[1..], [9; 30], "the newest frame first");
        wait("the return", &|| shared.meter.read().said.is_none());
        let health = shared.meter.read();
        assert_eq!(health.reopened, 1);
        assert!(health.last_gap_s.unwrap() > 0.0);
        shared.stop.store(true, Ordering::Release);
        thread.join().unwrap();
    }
}
