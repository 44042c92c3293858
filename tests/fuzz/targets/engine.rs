//! The engine with whatever it is asked against whatever bytes libFuzzer finds. Run by `tests/long/fuzz.sh`.
#![no_main]

#[path = "../facts/engine.rs"]
mod facts;
#[path = "../facts/said.rs"]
mod said;

libfuzzer_sys::fuzz_target!(|input: &[u8]| facts::hold(input));
