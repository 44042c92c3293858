//! From the tick to the write a sender allocates nothing and logs nothing: counted by the allocator and by
//! the log themselves, on the sender's own thread.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::os::unix::ffi::OsStringExt;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicI32, AtomicU64, Ordering};
use std::time::Duration;

use lampkeep::channels::Frame;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::plan::{Output, OutputKind, Wake};
use lampkeep::wire::{Sender, start};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

/// Thread whose allocations count; 0: none.
static WATCHED: AtomicI32 = AtomicI32::new(0);
static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);
static EVENTS: AtomicU64 = AtomicU64::new(0);

fn is_watched() -> bool {
    let watched = WATCHED.load(Ordering::Relaxed);
    watched != 0 && rustix::thread::gettid().as_raw_nonzero().get() == watched
}

struct Counting;

#[expect(unsafe_code, reason = "hands every call on to the system's allocator as it is")]
// SAFETY: the system's allocator keeps the contract; a counter beside it changes nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(is_watched().into(), Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        ALLOCATIONS.fetch_add(is_watched().into(), Ordering::Relaxed);
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// A log that takes every level and keeps nothing.
struct Log;

impl tracing::Subscriber for Log {
    fn enabled(&self, _: &tracing::Metadata<'_>) -> bool {
        true
    }

    fn new_span(&self, _: &tracing::span::Attributes<'_>) -> tracing::span::Id {
        tracing::span::Id::from_u64(1)
    }

    fn record(&self, _: &tracing::span::Id, _: &tracing::span::Record<'_>) {}

    fn record_follows_from(&self, _: &tracing::span::Id, _: &tracing::span::Id) {}

    fn event(&self, _: &tracing::Event<'_>) {
        EVENTS.fetch_add(is_watched().into(), Ordering::Relaxed);
    }

    fn enter(&self, _: &tracing::span::Id) {}

    fn exit(&self, _: &tracing::span::Id) {}
}

fn thread_named(name: &str) -> i32 {
    let tasks = std::fs::read_dir("/proc/self/task").unwrap().flatten();
    let id = |task: std::fs::DirEntry| task.file_name().to_str().unwrap().parse::<i32>().unwrap();
    let is = |task: &std::fs::DirEntry| {
        std::fs::read_to_string(task.path().join("comm")).is_ok_and(|comm| comm.trim() == name)
    };
    tasks.into_iter().find(is).map(id).unwrap()
}

fn wait_for_frames(sender: &Sender, frames: u64) {
    let clock = SystemClock::start();
    let until = sender.health().frames + frames;
    while sender.health().frames < until {
        clock.sleep_until(clock.now() + Duration::from_millis(5));
        assert!(clock.now().elapsed() < Duration::from_secs(20), "{:?}", sender.health());
    }
}

/// One test for all, as the allocator is one for all.
#[test]
fn from_the_tick_to_the_write_nothing_is_allocated_and_nothing_logged() {
    tracing::subscriber::set_global_default(Log).unwrap();
    // The counters see what they are meant to see.
    WATCHED.store(rustix::thread::gettid().as_raw_nonzero().get(), Ordering::Relaxed);
    drop(std::hint::black_box(vec![0_u8; 100]));
    tracing::trace!("seen");
    WATCHED.store(0, Ordering::Relaxed);
    assert_eq!((ALLOCATIONS.load(Ordering::Relaxed), EVENTS.load(Ordering::Relaxed)), (2, 1));

    let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&far).unwrap();
    unlockpt(&far).unwrap();
    let path = PathBuf::from(std::ffi::OsString::from_vec(ptsname(&far, Vec::new()).unwrap().into_bytes()));
    let reads = AtomicBool::new(true);
    /// Ends the reader, also when a check fails.
    struct Ends<'a>(&'a AtomicBool);
    impl Drop for Ends<'_> {
        fn drop(&mut self) {
            self.0.store(false, Ordering::Relaxed);
        }
    }
    std::thread::scope(|scope| {
        let _ends = Ends(&reads);
        // The interface: takes what comes.
        scope.spawn(|| {
            let (mut bytes, clock) = ([0; 4096], SystemClock::start());
            while reads.load(Ordering::Relaxed) {
                let wait = rustix::event::Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
                let mut fds = [rustix::event::PollFd::new(&far, rustix::event::PollFlags::IN)];
                rustix::event::poll(&mut fds, Some(&wait)).unwrap();
                // Between two senders nobody has the port open, and reading fails.
                if !fds[0].revents().contains(rustix::event::PollFlags::IN)
                    || rustix::io::read(&far, &mut bytes).is_err()
                {
                    clock.sleep_until(clock.now() + Duration::from_millis(2));
                }
            }
        });
        let port = || path.clone().into();
        let raw = |slow| OutputKind::Raw { port: port(), break_us: 176, mark_us: 16, slow };
        let kinds = [
            (raw(false), Wake::Sleep),
            (raw(false), Wake::Spin),
            (raw(true), Wake::Sleep),
            (OutputKind::Framed { port: port() }, Wake::Sleep),
            (OutputKind::Simulator, Wake::Sleep),
        ];
        for (kind, wake) in kinds {
            let what = format!("{kind:?} {wake:?}");
            let output = Output { name: "pier".to_owned(), kind, universe: 1, rate: 25, wake };
            let mut sender =
                start(&output, false, Duration::from_millis(1), SystemClock::start(), None).unwrap();
            let mut frame = Frame::dark(1, 1, 512);
            sender.publish(frame);
            // The first frame is told in the log.
            wait_for_frames(&sender, 5);
            ALLOCATIONS.store(0, Ordering::Relaxed);
            EVENTS.store(0, Ordering::Relaxed);
            WATCHED.store(thread_named("wire-pier"), Ordering::Relaxed);
            for number in 2..40 {
                frame.number = number;
                frame.slots.fill(number as u8);
                sender.publish(frame);
                wait_for_frames(&sender, 1);
            }
            WATCHED.store(0, Ordering::Relaxed);
            assert_eq!(ALLOCATIONS.load(Ordering::Relaxed), 0, "{what}");
            assert_eq!(EVENTS.load(Ordering::Relaxed), 0, "{what}");
            assert_eq!(sender.health().said, None, "{what}");
            sender.stop();
        }
    });
}
