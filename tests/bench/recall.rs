//! From asking for a look to the first changed frame handed to the output.
//!
//! `cargo bench --bench recall` starts the built daemon with a framed output on a pseudo-terminal and reads the
//! real bytes at its other end. First over the socket, 10 000 times (`-- --count N`): from the request's
//! write to the changed frame. A request acts on the next frame, and a frame is held ready for a millisecond: so it
//! should take a frame period (25 ms) and that millisecond at most. Then typed, `lampkeep recall X --over 0s`,
//! 60 times (`-- --typed N`), beside the floor: the time that the same process takes to start and to be
//! answered without any change of light (`lampkeep status`).

#[expect(dead_code, reason = "shared with the bench of the wire, which uses all of it")]
mod daemon;

use std::path::Path;
use std::time::Duration;

use daemon::{Client, Daemon, Wire, lampkeep, option, plan};
use lampkeep::clock::{Clock, SystemClock};

const PERIOD: Duration = Duration::from_millis(25);

fn main() {
    // `cargo test --all-targets` runs this file too: it must build, and measures nothing there.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("plan.toml"), plan("")).expect("written");
    let mut wire = Wire::open(&folder.path().join("port")).expect("a pseudo-terminal");
    let _daemon = Daemon(lampkeep(folder.path(), &["run", "plan.toml"]).spawn().expect("it starts"));
    let clock = SystemClock::start();
    wire.until(clock, |data| data.get(1) == Some(&0)).expect("the daemon sends");
    over_the_socket(folder.path(), &mut wire, clock, option("count", 10_000));
    typed(folder.path(), &mut wire, clock, option("typed", 60));
}

/// From the write of a request to the changed frame.
fn over_the_socket(folder: &Path, wire: &mut Wire, clock: SystemClock, count: usize) {
    let mut client = Client::connect(folder).expect("a socket");
    client.send(r#"{"do":"recall","look":"one","over_s":0}"#).expect("sent");
    client.answer();
    // The soft start of a lamp of which nothing is known comes to its end.
    let settled = clock.now() + Duration::from_secs(8);
    let mut standing = Vec::new();
    while clock.now() < settled {
        wire.until(clock, |data| {
            standing = data.to_vec();
            true
        });
    }
    // This thread only reads the clock and the bytes: it must not be the one that is late.
    let priority = lampkeep::wire::realtime::take_priority().ok();
    let (mut spans, mut unchanged) = (Vec::new(), 0);
    for round in 0..count {
        let look = if round % 2 == 0 { "near" } else { "one" };
        // Out of step with the frames, so that every phase is met (multiples of the golden ratio).
        let phase = (round as f64 * 0.618_033_988_749_895).fract();
        clock.sleep_until(clock.now() + PERIOD.mul_f64(phase));
        let start = clock.now();
        client.send(&format!(r#"{{"do":"recall","look":"{look}","over_s":0}}"#)).expect("sent");
        let at = wire.until(clock, |data| {
            let is = data != standing;
            if is {
                standing = data.to_vec();
            }
            is
        });
        match at {
            Some(at) => spans.push(at.after(start)),
            None => unchanged += 1,
        }
        let answer = client.answer();
        assert_eq!(answer["ok"], true, "{answer}");
    }
    if spans.is_empty() {
        return;
    }
    spans.sort();
    let ms = |part: f64| spans[((spans.len() - 1) as f64 * part) as usize].as_secs_f64() * 1e3;
    println!(
        "request to wire over the socket, {} times (this thread's priority: {priority:?}, unchanged: {unchanged}): \
         p50 {:.2} ms, p99 {:.2} ms, p99.9 {:.2} ms, most {:.2} ms; frame period 25 ms; \
         request_to_wire_ratio_p999 {:.3} (of a period and 1 ms)",
        spans.len(),
        ms(0.5),
        ms(0.99),
        ms(0.999),
        ms(1.0),
        ms(0.999) / 26.0
    );
}

/// From typing the command to the changed frame, beside the floor.
fn typed(folder: &Path, wire: &mut Wire, clock: SystemClock, rounds: usize) {
    if rounds == 0 {
        return;
    }
    let (mut changed, mut floor) = (Vec::new(), Vec::new());
    let mut standing = None;
    for round in 0..rounds {
        let look = if round % 2 == 0 { "two" } else { "one" };
        // Out of step with the frames, so that every phase is met.
        let pause = clock.now() + Duration::from_millis(150);
        while clock.now() < pause {
            wire.until(clock, |data| {
                standing = data.get(1).copied();
                true
            })
            .expect("frames come");
        }
        clock.sleep_until(clock.now() + Duration::from_micros(400 * round as u64));
        let start = clock.now();
        let mut typed = lampkeep(folder, &["recall", look, "--over", "0s"]).spawn().expect("it starts");
        let at = wire.until(clock, |data| data.get(1).copied() != standing);
        changed.push(at.expect("the light changes").after(start));
        typed.wait().expect("it ends");

        let start = clock.now();
        lampkeep(folder, &["status"]).status().expect("it runs");
        floor.push(clock.now().after(start));
    }
    changed.sort();
    floor.sort();
    let ms = |sorted: &[Duration], part: f64| {
        sorted[((sorted.len() - 1) as f64 * part) as usize].as_secs_f64() * 1e3
    };
    for part in [0.5, 0.9, 1.0] {
        let (changed, floor) = (ms(&changed, part), ms(&floor, part));
        println!(
            "p{:<3.0} typed to changed {changed:6.2} ms, floor (process and answer) {floor:6.2} ms, \
             ratio_to_floor_plus_one_period {:.2}",
            part * 100.0,
            changed / (floor + 25.0)
        );
    }
}
