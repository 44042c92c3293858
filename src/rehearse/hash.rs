//! One number for every frame of a rehearsal.

use crate::channels::Frame;

/// FNV-1a, 64 bits: to tell runs apart, not against anybody. Source: IETF draft-eastlake-fnv, from memory.
pub(super) struct Fnv(u64);

impl Default for Fnv {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Fnv {
    /// In hex.
    pub fn said(&self) -> String {
        format!("{:016x}", self.0)
    }

    /// Goes on over the universes of a frame.
    pub fn frames(&mut self, frames: &[Frame]) {
        for frame in frames {
            self.bytes(&frame.number.to_be_bytes());
            self.bytes(&frame.universe.to_be_bytes());
            self.bytes(&frame.slots);
        }
    }

    fn bytes(&mut self, bytes: &[u8]) {
        const PRIME: u64 = 0x0000_0100_0000_01b3;
        // Most slots of a universe are zero, and a zero byte only multiplies: 32 at once.
        for part in bytes.chunks(32) {
            if part.len() == 32 && part.iter().all(|b| *b == 0) {
                self.0 = self.0.wrapping_mul(PRIME.wrapping_pow(32));
                continue;
            }
            for byte in part {
                self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(PRIME);
            }
        }
    }
}
