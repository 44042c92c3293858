//! From the deadline to the packets the network's thread allocates nothing: counted by the allocator itself, on that
//! thread, while all goes well.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::net::UdpSocket;
use std::sync::Arc;
use std::sync::atomic::{AtomicI32, AtomicU64, Ordering};
use std::time::Duration;

use lampkeep::channels::Frame;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::plan::e131::{E131, Idle, Multicast};
use lampkeep::plan::{Output, OutputKind, Wake};
use lampkeep::wire::e131::{NetSender, Network, Source};

/// Thread whose allocations count; 0: none.
static WATCHED: AtomicI32 = AtomicI32::new(0);
static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);

fn count() {
    let watched = WATCHED.load(Ordering::Relaxed);
    if watched != 0 && rustix::thread::gettid().as_raw_nonzero().get() == watched {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
    }
}

struct Counting;

#[expect(unsafe_code, reason = "hands every call on to the system's allocator as it is")]
// SAFETY: the system's allocator keeps the contract; a counter beside it changes nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        count();
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn thread_named(name: &str) -> i32 {
    let tasks = std::fs::read_dir("/proc/self/task").unwrap().flatten();
    let named = |task: &std::fs::DirEntry| {
        std::fs::read_to_string(task.path().join("comm")).is_ok_and(|comm| comm.trim() == name)
    };
    tasks.into_iter().find(named).unwrap().file_name().to_str().unwrap().parse().unwrap()
}

fn wait_for_frames(senders: &[NetSender], frames: u64) {
    let clock = SystemClock::start();
    let sent = || senders.iter().map(|s| s.health().frames).min().unwrap();
    let until = sent() + frames;
    while sent() < until {
        clock.sleep_until(clock.now() + Duration::from_millis(5));
        assert!(clock.now().elapsed() < Duration::from_secs(20), "{:?}", senders[0].health());
    }
}

/// One test for all, as the allocator is one for all.
#[test]
fn from_the_deadline_to_the_packets_nothing_is_allocated() {
    // The counter sees what it is meant to see.
    WATCHED.store(rustix::thread::gettid().as_raw_nonzero().get(), Ordering::Relaxed);
    drop(std::hint::black_box(vec![0_u8; 100]));
    WATCHED.store(0, Ordering::Relaxed);
    assert_eq!(ALLOCATIONS.load(Ordering::Relaxed), 2);

    let receiver = UdpSocket::bind("127.0.0.1:0").unwrap();
    for (idle, sync_universe) in
        [(Idle::Constant, None), (Idle::KeepAlive, None), (Idle::Constant, Some(900))]
    {
        let universes: Vec<u16> = (1..=100).collect();
        let settings = Arc::new(E131 {
            output: "pier".to_owned(),
            universes: universes.clone(),
            unicast: vec![receiver.local_addr().unwrap()],
            multicast: Multicast::Off,
            interface: None,
            priority: 100,
            source_name: None,
            sync_universe,
            preview: false,
            idle,
        });
        let source = Source { cid: [1; 16], name: "lampkeep pier".to_owned() };
        let network = Network::start(source, SystemClock::start()).unwrap();
        let start = |universe: &u16| {
            let kind = OutputKind::E131(Arc::clone(&settings));
            let output = Output {
                name: format!("pier:{universe}"),
                kind,
                universe: *universe,
                rate: 25,
                wake: Wake::Sleep,
            };
            network.add(&output, Duration::from_millis(1)).unwrap()
        };
        let mut senders: Vec<_> = universes.iter().map(start).collect();
        let mut frame = Frame::dark(1, 1, 512);
        for sender in &mut senders {
            sender.publish(&frame);
        }
        // The first frames are told in the log and in discovery, which comes every 10 s.
        wait_for_frames(&senders, 3);
        ALLOCATIONS.store(0, Ordering::Relaxed);
        WATCHED.store(thread_named("wire-network"), Ordering::Relaxed);
        for number in 2..30 {
            frame.slots.fill(number);
            for sender in &mut senders {
                sender.publish(&frame);
            }
            wait_for_frames(&senders, 1);
        }
        WATCHED.store(0, Ordering::Relaxed);
        assert_eq!(ALLOCATIONS.load(Ordering::Relaxed), 0, "{idle:?} {sync_universe:?}");
        assert_eq!(senders[0].health().said, None);
        drop(senders);
        network.stop();
    }
}
