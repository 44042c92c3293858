//! What a long rehearsal costs: ten hours of the demo's order at 40 frames a second.
//!
//! Run with `cargo bench --bench rehearse`. Prints `ten_hours_s` (aim: under 10 s), and for one time through the order
//! `ratio_vs_every_frame`: the time with every frame solved over the time as it is rehearsed, both in the same run, whose
//! frames and findings must be the same. Nothing passes or fails by time.

use std::hint::black_box;
use std::sync::Arc;
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::plan::load;
use lampkeep::rehearse::{Timeline, Watches, Wishes, story};

struct Nobody;

impl Watches for Nobody {}

const ROUNDS: usize = 3;

/// Shortest time of some runs, and what they found.
fn timed(rounds: usize, wishes: &Wishes) -> (Duration, Timeline) {
    let clock = SystemClock::start();
    let mut best: Option<(Duration, Timeline)> = None;
    for _ in 0..rounds {
        let plan = Arc::new(load::demo());
        let start = clock.now();
        let found = black_box(story(plan, wishes, &mut Nobody)).expect("the demo's wishes fit");
        let taken = clock.now().after(start);
        if best.as_ref().is_none_or(|(least, _)| taken < *least) {
            best = Some((taken, found));
        }
    }
    best.expect("at least one run")
}

fn main() {
    // `cargo test --benches` only asks whether it builds.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let whole = Wishes { to_s: Some(36_000.0), takes: true, ..Wishes::default() };
    let (taken, found) = timed(ROUNDS, &whole);
    println!(
        "ten_hours_s {:.2} ({} frames, {} of them solved, hash {})",
        taken.as_secs_f64(),
        found.frames,
        found.solved,
        found.frames_hash
    );
    let once = Wishes { takes: true, ..Wishes::default() };
    let (quick, as_it_is) = timed(ROUNDS, &once);
    let (plain, every) = timed(1, &Wishes { every_frame: true, ..once });
    let same = as_it_is == Timeline { solved: as_it_is.solved, ..every };
    assert!(same, "a rehearsal that skips frames must find what one that solves them all finds");
    println!(
        "once_s {:.3} every_frame_s {:.2} ratio_vs_every_frame {:.0}",
        quick.as_secs_f64(),
        plain.as_secs_f64(),
        plain.as_secs_f64() / quick.as_secs_f64()
    );
}
