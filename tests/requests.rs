//! The request decoder, every day: what the fuzz target knows (`tests/long/fuzz.sh`), on the same seeds changed at
//! random. LAMPKEEP_CASES is how many times the everyday number of cases.

#[path = "fuzz/facts/request.rs"]
mod facts;

use proptest::prelude::*;
use proptest::sample::Index;

const SEEDS: &str = include_str!("fuzz/seeds/request.txt");

fn cases(each: u32) -> ProptestConfig {
    let times = std::env::var("LAMPKEEP_CASES").ok().map_or(1, |t| t.parse().expect("a number"));
    ProptestConfig { cases: each * times, failure_persistence: None, ..ProptestConfig::default() }
}

/// A seed with parts cut out, doubled, put in from another, and bytes set to anything.
fn changed() -> impl Strategy<Value = Vec<u8>> {
    let lines: Vec<&'static str> = SEEDS.lines().collect();
    let seed = prop::sample::select(lines);
    let part = (any::<Index>(), any::<Index>());
    let change = (0..4_u8, part.clone(), seed.clone(), part, any::<u8>());
    (seed, prop::collection::vec(change, 0..6)).prop_map(|(seed, changes)| {
        let mut text = seed.as_bytes().to_vec();
        for (kind, at, other, from, byte) in changes {
            let range = |len: usize, (a, b): (Index, Index)| {
                let (a, b) = (a.index(len + 1), b.index(len + 1));
                a.min(b)..a.max(b)
            };
            let here = range(text.len(), at);
            match kind {
                0 => drop(text.drain(here)),
                1 => {
                    let part = text[here.clone()].to_vec();
                    text.splice(here.start..here.start, part);
                }
                2 => {
                    let other = other.as_bytes();
                    drop(text.splice(here.start..here.start, other[range(other.len(), from)].to_vec()));
                }
                _ if !text.is_empty() => {
                    let at = here.start.min(text.len() - 1);
                    text[at] = byte;
                }
                _ => {}
            }
        }
        text
    })
}

proptest! {
    #![proptest_config(cases(4000))]

    #[test]
    fn whatever_comes_is_a_request_or_refused_in_one_short_line(text in changed()) {
        facts::hold(&text);
    }

    #[test]
    fn bytes_at_random_are_refused_in_one_short_line(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        facts::hold(&bytes);
    }
}

#[test]
fn every_seed_and_the_extremes_hold() {
    let deep = |open: &str, close: &str, times: usize| {
        format!("{{\"do\":\"rest\",\"a\":{}1{}}}", open.repeat(times), close.repeat(times))
    };
    let long = |what: &str| format!("{{\"do\":\"{}\"}}", what.repeat(16_000 / what.len()));
    let extremes = [
        deep("[", "]", 100),
        deep("[", "]", 8_000),
        deep("{\"a\":", "}", 100),
        deep("{\"a\":", "}", 2_500),
        "[".repeat(16_384),
        long("r"),
        long("\\u0007"),
        long("é"),
        format!("{{\"do\":\"rest\",\"id\":\"{}\"}}", "i".repeat(128)),
        format!("{{\"do\":\"rest\",\"id\":\"{}\"}}", "i".repeat(129)),
        format!("{{\"do\":\"rest\",\"{}\":1}}", "\\n".repeat(8_000)),
        format!("{{\"do\":\"recall\",\"look\":\"a\",\"over_s\":{}}}", "9".repeat(16_000)),
        format!("{{\"do\":\"rest\"{}}}", " ".repeat(20_000)),
        String::new(),
    ];
    for text in SEEDS.lines().map(str::to_owned).chain(extremes) {
        facts::hold(text.as_bytes());
    }
}
