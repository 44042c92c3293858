//! How late frames start, beside the floor: a bare loop on absolute deadlines of the same priority.
//!
//! `cargo bench --bench wire` measures the built daemon (framed output on a pseudo-terminal, 40 frames a second)
//! and the bare loop by turns, five pairs each (`-- --pairs N`) for every load: idle, two busy
//! processes, a flood of 2000 requests a second over the socket, and idle with the last half
//! millisecond spun away (`wake = "spin"`). In all it measures for five minutes (`-- --minutes N`). While the floor is
//! measured under the flood, a daemon is flooded beside it, so that both bear the same.
//!
//! `lateness_ratio_p999` is the daemon's 99.9th percentile over the floor's, the median of the pairs with their
//! spread. Short pairs have few frames: their p99.9 is nearly their latest frame, and only the pooled
//! figures of a long run mean what they say. Nothing is judged by a maximum: a host that takes the processor
//! away (steal) makes one.

mod daemon;

use std::io::{BufRead, Write};
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use daemon::{Client, Daemon, Wire, lampkeep, option, plan};
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;
use lampkeep::wire::realtime;

const RATE: u32 = 40;
const SPUN: Duration = Duration::from_micros(500);

/// What one window showed, in microseconds.
#[derive(Debug, Clone, Default)]
struct Seen {
    p50: f64,
    p99: f64,
    p999: f64,
    max: f64,
    frames: u64,
    lost: u64,
    /// Of a core, what its thread took.
    cpu: f64,
    priority: Option<u64>,
    requests: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Load {
    Idle,
    Busy,
    Flood,
}

fn main() {
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let pairs: usize = option("pairs", 5);
    let minutes: f64 = option("minutes", 5.0);
    let cases = [
        ("idle", Load::Idle, false),
        ("2 busy processes", Load::Busy, false),
        ("2000 requests a second", Load::Flood, false),
        ("idle, last 0.5 ms spun", Load::Idle, true),
    ];
    let window = Duration::from_secs_f64(minutes * 60.0 / (cases.len() * pairs * 2) as f64);
    println!(
        "{pairs} pairs of {:.1} s for each load, {RATE} frames a second; memory of the floor locked: {:?}",
        window.as_secs_f64(),
        realtime::lock_memory()
    );
    println!("us late                      p50      p99    p99.9      max  frames lost  cpu %  priority");
    for (name, load, spin) in cases {
        let steal = steal();
        let busy = if load == Load::Busy { busy_processes() } else { Vec::new() };
        let (mut ours, mut floors) = (Vec::new(), Vec::new());
        for pair in 0..pairs {
            // By turns, and each of them first in every other pair.
            if pair % 2 == 0 {
                ours.push(daemon_window(window, load, spin));
                floors.push(floor_window(window, load, spin));
            } else {
                floors.push(floor_window(window, load, spin));
                ours.push(daemon_window(window, load, spin));
            }
        }
        drop(busy);
        println!("{name}: steal {:.2} % of the processors' time", steal_since(steal));
        row("  lampkeep", &ours);
        row("  floor", &floors);
        let mut ratios: Vec<f64> = ours.iter().zip(&floors).map(|(o, f)| o.p999 / f.p999).collect();
        ratios.sort_by(f64::total_cmp);
        let mut medians: Vec<f64> = ours.iter().zip(&floors).map(|(o, f)| o.p50 / f.p50).collect();
        medians.sort_by(f64::total_cmp);
        println!(
            "  lateness_ratio_p999 {:.2} (spread {:.2} to {:.2}), of the medians {:.2}",
            ratios[ratios.len() / 2],
            ratios[0],
            ratios[ratios.len() - 1],
            medians[medians.len() / 2]
        );
        if load == Load::Flood {
            let least = ours.iter().map(|o| o.requests).fold(f64::INFINITY, f64::min);
            println!("  answered, least of the windows: {least:.0} requests a second");
        }
    }
}

/// The median of each figure over the windows; the greatest maximum, and all frames.
fn row(name: &str, seen: &[Seen]) {
    let median = |of: fn(&Seen) -> f64| {
        let mut all: Vec<f64> = seen.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let sum = |of: fn(&Seen) -> u64| seen.iter().map(of).sum::<u64>();
    println!(
        "{name:<24} {:8.1} {:8.1} {:8.1} {:8.1} {:7} {:4} {:6.2}  {:?}",
        median(|s| s.p50),
        median(|s| s.p99),
        median(|s| s.p999),
        seen.iter().map(|s| s.max).fold(0.0, f64::max),
        sum(|s| s.frames),
        sum(|s| s.lost),
        median(|s| s.cpu) * 100.0,
        seen.first().and_then(|s| s.priority)
    );
}

/// A daemon that sends, and whoever reads its bytes.
fn with_daemon<T>(load: Load, spin: bool, work: impl FnOnce(&Path, &AtomicU64, u32) -> T) -> (T, f64) {
    let folder = tempfile::tempdir().expect("a folder");
    let wake = if spin { "wake = \"spin\"" } else { "" };
    std::fs::write(folder.path().join("plan.toml"), plan(wake)).expect("written");
    let mut wire = Wire::open(&folder.path().join("port")).expect("a pseudo-terminal");
    let daemon = Daemon(lampkeep(folder.path(), &["run", "plan.toml"]).spawn().expect("it starts"));
    let clock = SystemClock::start();
    wire.until(clock, |_| true).expect("the daemon sends");
    let (ended, received, answered) = (AtomicBool::new(false), AtomicU64::new(1), AtomicU64::new(0));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !ended.load(Ordering::Relaxed) {
                wire.until(clock, |_| {
                    received.fetch_add(1, Ordering::Relaxed);
                    ended.load(Ordering::Relaxed)
                });
            }
        });
        let (ended, answered) = (&ended, &answered);
        if load == Load::Flood {
            let (mut stream, mut answers) = Client::connect(folder.path()).expect("a socket").split();
            scope.spawn(move || {
                let mut line = String::new();
                while answers.read_line(&mut line).is_ok_and(|n| n > 0) {
                    answered.fetch_add(1, Ordering::Relaxed);
                    line.clear();
                }
            });
            scope.spawn(move || {
                let clock = SystemClock::start();
                let mut requests = 0_u64;
                while !ended.load(Ordering::Relaxed) {
                    // Ten every 5 ms.
                    clock.sleep_until(Moment::since_start(Duration::from_micros(requests * 500)));
                    for _ in 0..10 {
                        let look = if requests.is_multiple_of(2) { "near" } else { "one" };
                        let line = format!("{{\"do\":\"recall\",\"look\":\"{look}\",\"over_s\":0}}\n");
                        if stream.write_all(line.as_bytes()).is_err() {
                            return;
                        }
                        requests += 1;
                    }
                }
                let _ = stream.shutdown(std::net::Shutdown::Write);
            });
        }
        let (since, before) = (clock.now(), answered.load(Ordering::Relaxed));
        let done = work(folder.path(), &received, daemon.0.id());
        let span = clock.now().after(since).as_secs_f64();
        let rate = (answered.load(Ordering::Relaxed) - before) as f64 / span;
        ended.store(true, Ordering::Relaxed);
        drop(daemon);
        (done, rate)
    })
}

fn daemon_window(window: Duration, load: Load, spin: bool) -> Seen {
    let (seen, requests) = with_daemon(load, spin, |folder, received, process| {
        let clock = SystemClock::start();
        let thread = sender_of(process);
        let (before, first) = (ran(process, thread), received.load(Ordering::Relaxed));
        clock.sleep_until(Moment::since_start(window));
        let cpu = (ran(process, thread) - before).as_secs_f64() / window.as_secs_f64();
        let frames = received.load(Ordering::Relaxed) - first;
        // Status is made anew each second when nothing but counters change.
        clock.sleep_until(clock.now() + Duration::from_millis(1100));
        let mut client = Client::connect(folder).expect("a socket");
        client.send(r#"{"do":"status"}"#).expect("sent");
        let answer = client.answer();
        let output = &answer["data"]["outputs"][0];
        let us = |field: &str| output[field].as_f64().unwrap_or(f64::NAN);
        let count = |field: &str| output[field].as_u64().unwrap_or(u64::MAX / 2);
        Seen {
            p50: us("late_us_p50"),
            p99: us("late_us_p99"),
            p999: us("late_us_p999"),
            max: us("late_us_max"),
            frames,
            // Deadlines that passed without a frame, and frames that were sent and did not come.
            lost: count("missed") + count("frames").saturating_sub(received.load(Ordering::Relaxed)),
            cpu,
            priority: output["real_time"]["priority"].as_u64(),
            requests: 0.0,
        }
    });
    Seen { requests, ..seen }
}

fn floor_window(window: Duration, load: Load, spin: bool) -> Seen {
    if load == Load::Flood {
        return with_daemon(load, spin, |_, _, _| bare_loop(window, spin)).0;
    }
    bare_loop(window, spin)
}

/// Wakes at absolute deadlines and does nothing else.
fn bare_loop(window: Duration, spin: bool) -> Seen {
    let loops = move || {
        let priority = realtime::take_priority().ok().map(u64::from);
        let _ = rustix::thread::set_current_timer_slack(Some(std::num::NonZeroU64::MIN));
        let clock = SystemClock::start();
        let frames = (window.as_secs_f64() * f64::from(RATE)) as u64;
        let mut late = Vec::with_capacity(frames as usize);
        let (process, thread) = (std::process::id(), rustix::thread::gettid().as_raw_nonzero().get());
        let before = ran(process, thread);
        let spun = if spin && priority.is_some() { SPUN } else { Duration::ZERO };
        for k in 1..=frames {
            let due = Duration::from_nanos(k * 1_000_000_000 / u64::from(RATE));
            clock.sleep_until(Moment::since_start(due - spun));
            while clock.now().elapsed() < due {
                std::hint::spin_loop();
            }
            late.push((clock.now().elapsed() - due).as_secs_f64() * 1e6);
        }
        let cpu = (ran(process, thread) - before).as_secs_f64() / window.as_secs_f64();
        late.sort_by(f64::total_cmp);
        let at = |part: f64| late[((late.len() as f64 * part).ceil() as usize).clamp(1, late.len()) - 1];
        Seen {
            p50: at(0.5),
            p99: at(0.99),
            p999: at(0.999),
            max: at(1.0),
            frames,
            lost: 0,
            cpu,
            priority,
            requests: 0.0,
        }
    };
    std::thread::spawn(loops).join().expect("the loop ends")
}

/// Two processes that take all they are given.
fn busy_processes() -> Vec<Daemon> {
    let busy = || Command::new("sh").args(["-c", "while :; do :; done"]).spawn().expect("a shell");
    vec![Daemon(busy()), Daemon(busy())]
}

/// The thread of the daemon's output. Source: proc(5), `task/TID/comm`.
fn sender_of(process: u32) -> i32 {
    let tasks = std::fs::read_dir(format!("/proc/{process}/task")).expect("a process");
    let is = |task: &std::fs::DirEntry| {
        std::fs::read_to_string(task.path().join("comm")).is_ok_and(|c| c.trim() == "wire-desk")
    };
    let task = tasks.flatten().find(is).expect("a sender");
    task.file_name().to_string_lossy().parse().expect("a number")
}

/// Time that a thread has run. Source: Linux, Documentation/scheduler/sched-stats.rst: nanoseconds first.
fn ran(process: u32, thread: i32) -> Duration {
    let text =
        std::fs::read_to_string(format!("/proc/{process}/task/{thread}/schedstat")).unwrap_or_default();
    Duration::from_nanos(text.split(' ').next().and_then(|ns| ns.parse().ok()).unwrap_or(0))
}

/// Steal and all time of the processors, in ticks. Source: proc(5), `/proc/stat`, eighth figure.
fn steal() -> (u64, u64) {
    let text = std::fs::read_to_string("/proc/stat").unwrap_or_default();
    let ticks = text.lines().next().unwrap_or_default().split_whitespace().skip(1);
    let ticks: Vec<u64> = ticks.filter_map(|t| t.parse().ok()).take(8).collect();
    (ticks.get(7).copied().unwrap_or(0), ticks.iter().sum())
}

fn steal_since(before: (u64, u64)) -> f64 {
    let now = steal();
    100.0 * (now.0 - before.0) as f64 / (now.1 - before.1).max(1) as f64
}
