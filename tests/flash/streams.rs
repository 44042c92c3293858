//! Random streams of requests: the guard's promise for every second at every point.

use crate::counter;
use crate::scene::Stage;
use lampkeep::units::Xy;
use proptest::prelude::*;

/// What one lamp is asked for over a span of frames.
#[derive(Debug, Clone)]
enum Piece {
    Hold(f64),
    Strobe {
        low: f64,
        high: f64,
        on: usize,
        off: usize,
    },
    Ramp {
        from: f64,
        to: f64,
    },
    Saw {
        low: f64,
        high: f64,
        period: usize,
    },
    Wave {
        middle: f64,
        depth: f64,
        period: f64,
    },
    Noise {
        seed: u32,
        low: f64,
        high: f64,
    },
    /// A new level after every so many frames, each a factor of the last: falls that drag level 1.0 along.
    Stairs {
        from: f64,
        factor: f64,
        each: usize,
    },
}

impl Piece {
    fn at(&self, n: usize, of: usize) -> f64 {
        let level = match *self {
            Self::Hold(level) => level,
            Self::Strobe { low, high, on, off } => {
                if n % (on + off) < on {
                    high
                } else {
                    low
                }
            }
            Self::Ramp { from, to } => from + (to - from) * n as f64 / of as f64,
            Self::Saw { low, high, period } => low + (high - low) * (n % period) as f64 / period as f64,
            Self::Wave { middle, depth, period } => {
                middle * (1.0 + depth * (n as f64 / period * std::f64::consts::TAU).sin())
            }
            Self::Noise { seed, low, high } => {
                // SplitMix64 (Steele, Lea and Flood 2014), from memory: any mixing would do.
                let mut x = (u64::from(seed) << 20 | n as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
                low + (high - low) * ((x >> 11) as f64 / (1_u64 << 53) as f64)
            }
            Self::Stairs { from, factor, each } => from * factor.powf((n / each) as f64),
        };
        level.clamp(0.0, 1.0)
    }
}

/// Levels from dark to full, small ones as often as large ones.
fn level() -> impl Strategy<Value = f64> {
    prop_oneof![2 => Just(0.0), 3 => 0.0..=1.0, 3 => (-14.0..0.0_f64).prop_map(f64::exp2), 1 => Just(1.0)]
}

fn piece() -> impl Strategy<Value = Piece> {
    prop_oneof![
        2 => level().prop_map(Piece::Hold),
        3 => (level(), level(), 1..20_usize, 1..20_usize)
            .prop_map(|(low, high, on, off)| Piece::Strobe { low, high, on, off }),
        1 => (level(), level()).prop_map(|(from, to)| Piece::Ramp { from, to }),
        1 => (level(), level(), 2..40_usize).prop_map(|(low, high, period)| Piece::Saw { low, high, period }),
        2 => (level(), 0.0..1.0, 2.0..60.0).prop_map(|(middle, depth, period)| Piece::Wave { middle, depth, period }),
        2 => (any::<u32>(), level(), level()).prop_map(|(seed, low, high)| Piece::Noise { seed, low, high }),
        1 => (level(), 0.3..1.5, 1..20_usize).prop_map(|(from, factor, each)| Piece::Stairs { from, factor, each }),
    ]
}

fn track() -> impl Strategy<Value = Vec<(Piece, usize)>> {
    prop::collection::vec((piece(), prop_oneof![3 => 1..100_usize, 1 => 200..500_usize]), 1..6)
}

fn stage(lamps: usize) -> impl Strategy<Value = Stage> {
    let gain = || prop_oneof![1 => Just(0.0), 4 => (-8.0..3.0_f64).prop_map(|s| 500.0 * s.exp2())];
    let gains = prop::collection::vec(prop::collection::vec(gain(), 2), lamps);
    let colour = prop_oneof![
        3 => Just(Xy { x: 0.34, y: 0.35 }),
        2 => Just(Xy { x: 0.69, y: 0.305 }),
        1 => Just(Xy { x: 0.17, y: 0.70 }),
        1 => Just(Xy { x: 0.14, y: 0.05 }),
        1 => (0.3..0.68, 0.25..0.34).prop_map(|(x, y)| Xy { x, y }),
    ];
    let steps = prop_oneof![2 => Just(0.0), 1 => Just(255.0), 1 => Just(65_535.0)];
    (10..=44_u32, gains, prop::collection::vec(colour, lamps), steps).prop_map(
        |(rate, gains, colours, steps)| Stage { rate, full_lux: vec![500.0, 120.0], gains, colours, steps },
    )
}

/// The tracks side by side as frames of levels; a track that has ended holds its last level.
fn frames(tracks: &[Vec<(Piece, usize)>]) -> Vec<Vec<f64>> {
    let flat: Vec<Vec<f64>> = tracks
        .iter()
        .map(|track| track.iter().flat_map(|(piece, of)| (0..*of).map(|n| piece.at(n, *of))).collect())
        .collect();
    let longest = flat.iter().map(Vec::len).max().unwrap_or(0);
    (0..longest).map(|n| flat.iter().map(|t| *t.get(n).or(t.last()).unwrap_or(&0.0)).collect()).collect()
}

fn any_show() -> impl Strategy<Value = (Stage, Vec<Vec<f64>>)> {
    (1..5_usize).prop_flat_map(|lamps| {
        (stage(lamps), prop::collection::vec(track(), lamps))
            .prop_map(|(stage, tracks)| (stage, frames(&tracks)))
    })
}

/// The number of cases of the everyday run, times `LAMPKEEP_CASES` (1 when it is not set). The count is
/// told, for the long run's log.
fn cases(everyday: u32) -> ProptestConfig {
    let times = std::env::var("LAMPKEEP_CASES").map_or(1, |text| {
        text.parse().expect("LAMPKEEP_CASES is a whole number: how many times the everyday cases")
    });
    println!("{} cases", everyday * times);
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(everyday * times) }
}

proptest! {
    #![proptest_config(cases(100))]

    /// Source: the rule in tests/reference/flash.csv, counted by `counter`, which shares no code with the
    /// guard. Six is the guard's own promise; more than seven would be a fourth flash.
    #[test]
    fn no_stream_makes_a_fourth_flash_in_any_second((stage, wanted) in any_show()) {
        let sent = stage.run(&wanted);
        let rate = stage.rate as usize;
        for (point, full) in sent.points.iter().zip(&stage.full_lux) {
            let lux: Vec<f64> = point.iter().map(|l| l.y).collect();
            for end in 1..=lux.len() {
                let changes = counter::in_the_last_second(&lux[..end], *full, rate, false);
                prop_assert!(changes <= 6, "{changes} changes in the second that ends with frame {end}");
            }
            let running = counter::worst_with_a_running_reference(&lux, *full, rate, false);
            prop_assert!(running <= 6, "{running} changes with a running reference");
        }
    }

    /// Source: WCAG 2.2 as quoted in guards/flash/red.rs; the chain of changes is found by comparing all.
    /// Changes that lowering makes alone cannot be held and are not counted here.
    #[test]
    fn no_raise_makes_a_fourth_change_to_saturated_red_and_back((stage, wanted) in any_show()) {
        let sent = stage.run(&wanted);
        for point in &sent.points {
            let states: Vec<_> = point
                .iter()
                .map(|l| l.uv76().map(|uv| (uv.u, uv.v, l.red_share().is_some_and(|share| share >= 0.8))))
                .collect();
            let mut stamps = counter::reds(&states);
            stamps.retain(|frame| sent.rose[*frame]);
            let worst = counter::worst(&stamps, stage.rate as usize);
            prop_assert!(worst <= 6, "{worst} changes to or from red in a second by raising");
        }
    }

    /// The two ways to count agree on anything: each is checked by the other.
    #[test]
    fn both_ways_to_count_agree(levels in prop::collection::vec(prop_oneof![0..12_000_u32, 7_000..9_000_u32], 0..80)) {
        prop_assert_eq!(counter::by_walking(&levels, false), counter::by_merging(&levels));
    }
}
