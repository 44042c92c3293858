//! The request decoder against whatever bytes libFuzzer finds. Run by `tests/long/fuzz.sh`.
#![no_main]

#[path = "../facts/request.rs"]
mod facts;

libfuzzer_sys::fuzz_target!(|input: &[u8]| facts::hold(input));
