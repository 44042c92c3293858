//! `reckon --lines` against whatever bytes libFuzzer finds. Run by `tests/long/fuzz.sh`.
#![no_main]

#[path = "../facts/reckon.rs"]
mod facts;
#[path = "../facts/said.rs"]
mod said;

libfuzzer_sys::fuzz_target!(|input: &[u8]| facts::hold(input));
