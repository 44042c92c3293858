//! Which deadlines of a universe get a packet. Pure: counts deadlines, knows no time.

use crate::plan::e131::Idle;

/// Repeats of a change before packets become rare. Source: ANSI E1.31, clause 6.6.2, asks for three packets
/// of the same data; a change and three repeats are four, chosen for one to spare.
const REPEATS: u32 = 3;

/// What a universe sends while nothing changes.
#[derive(Debug, Clone)]
pub(super) struct Pacing {
    idle: Idle,
    /// Deadlines since the last change.
    since: u32,
    /// Deadlines from one rare packet to the next.
    every: u32,
}

impl Pacing {
    /// `rate`: deadlines a second, 1 to 44. Rare packets come every 0.8 to 1.0 s (ANSI E1.31, clause 6.6.2), as
    /// near to 0.9 s as the rate allows; at 2 a second and less that is a second or every deadline.
    pub fn new(idle: Idle, rate: u32) -> Self {
        Self { idle, since: 0, every: (rate * 9 + 5).div_euclid(10).max(1) }
    }

    /// One deadline: true if a packet is sent. `changed`: its slots are not those sent last.
    pub fn sends(&mut self, changed: bool) -> bool {
        if self.idle == Idle::Constant {
            return true;
        }
        self.since = if changed { 0 } else { self.since.saturating_add(1) };
        self.since <= REPEATS || (self.since - REPEATS).is_multiple_of(self.every)
    }

    /// As if what is sent now were new: it did not go out, or not to everyone.
    pub fn begin_again(&mut self) {
        self.since = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: ANSI E1.31, clause 6.6.2: three packets of the same data, then one every 800 to 1000 ms.
    #[test]
    fn rare_packets_come_every_800_to_1000_ms_after_three_repeats_at_every_rate() {
        for rate in 1..=44 {
            let mut pacing = Pacing::new(Idle::KeepAlive, rate);
            let sent: Vec<u32> = (0..300).filter(|k| pacing.sends(*k == 0)).collect();
            assert_eq!(sent[..4], [0, 1, 2, 3], "{rate}");
            for pair in sent[3..].windows(2) {
                let ms = f64::from(pair[1] - pair[0]) * 1000.0 / f64::from(rate);
                assert!((800.0..=1000.0).contains(&ms), "{rate} a second: {ms} ms");
            }
        }
    }

    #[test]
    fn a_change_is_sent_at_once_and_what_failed_is_sent_again() {
        let mut pacing = Pacing::new(Idle::KeepAlive, 40);
        let quiet: Vec<bool> = (0..20).map(|k| pacing.sends(k == 0)).collect();
        assert!(!quiet[19]);
        assert!(pacing.sends(true));
        for _ in 0..10 {
            pacing.sends(false);
        }
        assert!(!pacing.sends(false));
        pacing.begin_again();
        assert!(pacing.sends(false));
    }

    #[test]
    fn a_constant_rate_sends_at_every_deadline() {
        let mut pacing = Pacing::new(Idle::Constant, 40);
        assert!((0..1000).all(|_| pacing.sends(false)));
    }
}
