//! What reads the outside, every day: all that the fuzz targets hold (`tests/fuzz/facts`), on their seeds and on some
//! thousand changes of them, the same each time. The long form looks for changes by coverage (`tests/long/fuzz.sh`).
//!
//! LAMPKEEP_CASES is how many times the everyday number of changes; LAMPKEEP_FUZZ_SEED makes other ones.

use std::path::Path;

#[path = "fuzz/seeds.rs"]
mod seeds;

#[path = "fuzz/facts/device.rs"]
mod device;
#[path = "fuzz/facts/engine.rs"]
mod engine;
#[path = "fuzz/facts/ies.rs"]
mod ies;
#[path = "fuzz/facts/import.rs"]
mod import;
#[path = "fuzz/facts/mqtt.rs"]
mod mqtt;
#[path = "fuzz/facts/plan.rs"]
mod plan;
#[path = "fuzz/facts/reckon.rs"]
mod reckon;
#[path = "fuzz/facts/request.rs"]
mod request;
#[path = "fuzz/facts/said.rs"]
mod said;
#[path = "fuzz/facts/spectrum.rs"]
mod spectrum;
#[path = "fuzz/facts/state.rs"]
mod state;
#[path = "fuzz/facts/status.rs"]
mod status;
#[path = "fuzz/facts/typed.rs"]
mod typed;

/// Numbers and pieces of text that readers stumble over.
const PIECES: [&str; 30] = [
    "0",
    "-1",
    "-0.0",
    "1e308",
    "-1e308",
    "1e-320",
    "1e999",
    "NaN",
    "inf",
    "65536",
    "4294967296",
    "9007199254740993",
    "18446744073709551615",
    "-9223372036854775809",
    "null",
    "true",
    "[]",
    "{}",
    "\"\"",
    "\"\\u0000\"",
    "\u{1b}[31m",
    "\u{feff}",
    "\r\n",
    "\n\n",
    "\u{202e}é",
    "\0",
    "\u{fffd}",
    "=== kit.toml\n",
    ",",
    " ",
];

/// Changes at random that are the same each time. Source: Marsaglia, "Xorshift RNGs", 2003, the 64-bit triple 13, 7, 17.
struct Random(u64);

impl Random {
    fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % most.max(1)
    }

    fn range(&mut self, length: usize) -> std::ops::Range<usize> {
        let from = self.below(length + 1);
        // Short mostly: long ones leave little of the seed.
        let most = if self.below(4) == 0 { length - from } else { (length - from).min(12) };
        from..from + self.below(most + 1)
    }

    fn change(&mut self, text: &mut Vec<u8>, other: &[u8]) {
        let here = self.range(text.len());
        match self.below(8) {
            0 => drop(text.drain(here)),
            1 => {
                let part = text[here.clone()].to_vec();
                text.splice(here.start..here.start, part);
            }
            2 => {
                let part = other[self.range(other.len())].to_vec();
                text.splice(here, part);
            }
            3 if !text.is_empty() => {
                let at = self.below(text.len());
                text[at] = self.below(256) as u8;
            }
            4 if !text.is_empty() => {
                let at = self.below(text.len());
                text[at] ^= 1 << self.below(8);
            }
            // A number becomes another.
            5 | 6 => {
                let from = self.below(text.len() + 1);
                let digit = |b: &u8| b.is_ascii_digit() || *b == b'.';
                let Some(at) = text[from..].iter().position(digit).map(|at| from + at) else { return };
                let end = text[at..].iter().position(|b| !digit(b)).map_or(text.len(), |n| at + n);
                let piece = PIECES[self.below(15)];
                text.splice(at..end, piece.bytes());
            }
            _ => {
                let piece = PIECES[self.below(PIECES.len())];
                text.splice(here.start..here.start, piece.bytes());
            }
        }
    }
}

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|text| text.parse().expect("a number"))
}

/// Holds the seeds of a target and so many changes of them.
fn held(target: &str, changes: u64, hold: impl Fn(&[u8])) {
    let seeds = seeds::of(target, Path::new(env!("CARGO_MANIFEST_DIR")));
    for seed in &seeds {
        hold(seed);
    }
    let mut random = Random(number("LAMPKEEP_FUZZ_SEED").unwrap_or(0x2545_f491_4f6c_dd1d).max(1));
    for _ in 0..changes * number("LAMPKEEP_CASES").unwrap_or(1) {
        let mut text = seeds[random.below(seeds.len())].clone();
        for _ in 0..=random.below(5) {
            let other = random.below(seeds.len());
            random.change(&mut text, &seeds[other]);
        }
        // What fails is told in full: it belongs into the seeds.
        let told = Told(&text);
        hold(&text);
        std::mem::forget(told);
    }
}

/// Tells an input that failed.
struct Told<'a>(&'a [u8]);

impl Drop for Told<'_> {
    fn drop(&mut self) {
        eprintln!("it failed with: \"{}\"", self.0.escape_ascii());
    }
}

#[test]
fn every_target_has_its_seeds() {
    for target in seeds::TARGETS {
        assert!(!seeds::of(target, Path::new(env!("CARGO_MANIFEST_DIR"))).is_empty(), "{target}");
    }
}

#[test]
fn whatever_a_wire_or_a_terminal_sends_is_told_apart() {
    held("device", 20_000, device::hold);
}

#[test]
fn whatever_the_engine_is_asked_it_answers_and_sends_on() {
    held("engine", 250, engine::hold);
}

#[test]
fn whatever_a_beam_file_holds_is_light_or_an_error() {
    held("ies", 20_000, ies::hold);
}

#[test]
fn whatever_a_file_of_takes_holds_is_taken_whole_or_not_at_all() {
    held("import", 400, import::hold);
}

#[test]
fn whatever_a_broker_sends_is_answered_or_left_and_done_once() {
    held("mqtt", 5_000, mqtt::hold);
}

#[test]
fn whatever_stands_in_a_plan_it_runs_or_every_slip_is_told() {
    held("plan", 500, plan::hold);
}

#[test]
fn whatever_is_reckoned_each_line_has_its_answer() {
    held("reckon", 10_000, reckon::hold);
}

#[test]
fn whatever_is_asked_is_a_request_or_refused() {
    held("request", 10_000, request::hold);
}

#[test]
fn whatever_a_spectrum_file_holds_has_figures_or_an_error() {
    held("spectrum", 2_000, spectrum::hold);
}

#[test]
fn whatever_was_kept_the_engine_starts() {
    held("state", 500, state::hold);
}

#[test]
fn whatever_a_daemon_answers_can_be_shown() {
    held("status", 1_500, status::hold);
}

#[test]
fn whatever_is_typed_is_read_or_refused() {
    held("typed", 20_000, typed::hold);
}
