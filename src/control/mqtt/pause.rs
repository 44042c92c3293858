//! How long to wait between connections. Pure but for the seed of its jitter.

use std::hash::{BuildHasher, Hasher};
use std::time::Duration;

use super::GOOD_FOR;

/// First and greatest pause between connections. The greatest is such that everything is said within 5 s of a
/// broker's return (the requirement on control): an attempt that the return met under way may take some seconds more.
const SPAN: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(2));

/// Growing pauses between connections, with jitter so that many daemons do not come at once.
pub(super) struct Pause {
    next: Duration,
    seed: std::hash::RandomState,
    draws: u64,
}

impl Pause {
    pub(super) fn new() -> Self {
        Self { next: SPAN.0, seed: std::hash::RandomState::new(), draws: 0 }
    }

    /// The pause after a connection that lasted this long: half to the whole of the present length.
    pub(super) fn after(&mut self, lasted: Duration) -> Duration {
        if lasted >= GOOD_FOR {
            self.next = SPAN.0;
        }
        let whole = self.next;
        self.next = (whole * 2).min(SPAN.1);
        self.draws += 1;
        let mut hasher = self.seed.build_hasher();
        hasher.write_u64(self.draws);
        let share = (hasher.finish() >> 11) as f64 / (1_u64 << 53) as f64;
        whole.mul_f64(0.5 + share / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_from_a_fifth_of_a_second_to_two_and_start_again_after_a_good_connection() {
        let mut pause = Pause::new();
        for whole in [0.2, 0.4, 0.8, 1.6, 2.0, 2.0] {
            let drawn = pause.after(Duration::ZERO).as_secs_f64();
            assert!((whole / 2.0..=whole).contains(&drawn), "{drawn} of {whole}");
        }
        assert!(pause.after(Duration::from_secs(1)) >= Duration::from_secs(1));
        assert!(pause.after(GOOD_FOR) <= SPAN.0);
    }
}
