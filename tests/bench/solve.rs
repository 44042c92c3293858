//! What a frame costs: 512 five-emitter lamps in the midst of a fade, solved, guarded and rounded.
//!
//! Run with `cargo bench --bench solve`. One thread; every lamp has another target in every frame, none is
//! cut short by having settled. Prints `solve_us_per_lamp`; its floor, measured in the same run, is
//! copying as many slots; and `ratio_vs_scipy_linprog`, for which `tests/bench/linprog.py` gives the same
//! targets to scipy in the same run (its time against the whole chain, and against `light::solve` alone).
//! Aim: under 2 ms a frame, 500 times scipy or better. Nothing passes or fails by time.

use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use lampkeep::channels::{self, SLOTS, Step};
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::guards::{self, Conditions, Holds, Standing};
use lampkeep::light::{Colour, Demand, fade, solve};
use lampkeep::plan::{Fixture, load};
use lampkeep::units::{Duv, Kelvin};

const LAMPS: usize = 512;
/// Frames of the fade: 2 s at 40 a second.
const FRAMES: usize = 80;
const ROUNDS: usize = 15;
/// Targets that scipy is given; it takes about a millisecond for each.
const FOR_SCIPY: usize = 600;

/// The two ends of a lamp's fade: levels and whites that differ from lamp to lamp.
fn ends(lamp: usize) -> (Demand, Demand) {
    let spread =
        |by: usize, from: f64, to: f64| from + (to - from) * ((lamp * by) % LAMPS) as f64 / LAMPS as f64;
    let white = |kelvin: f64, duv: f64| Colour::white(Kelvin::clamped(kelvin), Duv::clamped(duv));
    let from = Demand {
        lux: spread(37, 2.0, 300.0),
        colour: white(spread(91, 2400.0, 4000.0), spread(53, -0.004, 0.004)),
    };
    let to = Demand {
        lux: spread(71, 5.0, 250.0),
        colour: white(spread(29, 4200.0, 8000.0), spread(17, -0.004, 0.004)),
    };
    (from, to)
}

/// Every lamp's demand in every frame.
fn demands() -> Vec<Vec<Demand>> {
    let between = |frame: usize, lamp: usize| {
        let (from, to) = ends(lamp);
        fade::between(&from, &to, (frame as f64 + 0.5) / FRAMES as f64, 0.0)
    };
    (0..FRAMES).map(|frame| (0..LAMPS).map(|lamp| between(frame, lamp)).collect()).collect()
}

/// Shortest time a lamp of `ROUNDS` runs over all frames: what the machine can do when it is left alone.
fn us_per_lamp(clock: SystemClock, mut run: impl FnMut()) -> (f64, f64) {
    let mut taken: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let start = clock.now();
            run();
            clock.now().after(start)
        })
        .collect();
    taken.sort();
    let each = |d: Duration| d.as_secs_f64() * 1e6 / (LAMPS * FRAMES) as f64;
    (each(taken[ROUNDS / 2]), each(taken[0]))
}

fn scipy(fixture: &Fixture, demands: &[Vec<Demand>]) -> Result<f64, String> {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/peers/venv/bin/python");
    if !python.exists() {
        return Err("target/peers has no Python (tests/setup installs it)".to_owned());
    }
    let emitters: Vec<_> = fixture.emitters.iter().map(|e| [e.xy.x, e.xy.y, e.lux_at_1m]).collect();
    let gain = solve::gain(fixture);
    let all = demands.iter().flatten().step_by(FRAMES * LAMPS / FOR_SCIPY);
    let targets: Vec<_> = all
        .map(|demand| {
            let reach = solve::reach(fixture, demand);
            serde_json::json!({
                "emitters": emitters, "xy": [reach.xy.x, reach.xy.y], "lux": reach.full_lux / gain,
            })
        })
        .collect();
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let file = folder.path().join("targets.json");
    std::fs::write(&file, serde_json::Value::from(targets).to_string()).map_err(|e| e.to_string())?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/linprog.py");
    let out = Command::new(python).arg(script).arg(&file).output().map_err(|e| e.to_string())?;
    if !out.status.success() {
        return Err(String::from_utf8_lossy(&out.stderr).trim().to_owned());
    }
    let told: serde_json::Value = serde_json::from_slice(&out.stdout).map_err(|e| e.to_string())?;
    println!("scipy: {told}");
    told["seconds_per_target"].as_f64().map(|s| s * 1e6).ok_or_else(|| "no figure".to_owned())
}

fn main() {
    // `cargo test --all-targets` runs this file too: it must build, and measures nothing there.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let plan = load::demo();
    let fixture = plan.fixtures.iter().find(|f| f.emitters.len() == 5).expect("a lamp of five emitters");
    let footprint = usize::from(fixture.mode.footprint());
    let demands = demands();
    let clock = SystemClock::start();
    let now = Conditions { real_output: false, period_s: 0.025, absent: false, protected: false };
    let mut slots = vec![0_u8; LAMPS * footprint];
    let mut standing = vec![Standing::default(); LAMPS];

    let chain = us_per_lamp(clock, || {
        for frame in &demands {
            let lamps = frame.iter().zip(&mut standing).zip(slots.chunks_exact_mut(footprint));
            for ((demand, standing), slots) in lamps {
                let reach = solve::reach(fixture, demand);
                let allowed = guards::allow(fixture, &reach, &now, &Holds::default(), standing);
                channels::encode(fixture, &allowed, Step::Free, slots);
            }
            black_box(&mut slots);
        }
    });
    let solved = us_per_lamp(clock, || {
        for demand in demands.iter().flatten() {
            black_box(solve::reach(fixture, demand));
        }
    });
    let source = vec![7_u8; LAMPS * footprint];
    let mut universes = vec![[0_u8; SLOTS]; (LAMPS * footprint).div_ceil(SLOTS)];
    let floor = us_per_lamp(clock, || {
        for _ in 0..FRAMES {
            for (universe, slots) in universes.iter_mut().zip(black_box(&source).chunks(SLOTS)) {
                universe[..slots.len()].copy_from_slice(slots);
            }
            black_box(&mut universes);
        }
    });
    let ms = |us: f64| us * LAMPS as f64 / 1000.0;
    println!("solve_us_per_lamp {:.3} (median of {ROUNDS} runs; least {:.3})", chain.0, chain.1);
    println!("  of it light::solve::reach {:.3} (least {:.3})", solved.0, solved.1);
    println!("  floor, copying the slots {:.4}", floor.0);
    println!("frame of {LAMPS} lamps {:.3} ms (least {:.3}), aim 2 ms", ms(chain.0), ms(chain.1));
    match scipy(fixture, &demands) {
        Ok(us) => {
            println!(
                "ratio_vs_scipy_linprog {:.0} (whole chain; solved alone {:.0})",
                us / chain.0,
                us / solved.0
            );
        }
        Err(why) => println!("ratio_vs_scipy_linprog NOT MEASURED: {why}"),
    }
}
