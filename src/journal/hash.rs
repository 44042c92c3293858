//! SHA-256 of texts and frames, so that anyone can check them with tools at hand.

use ring::digest;

use crate::channels::Frame;

/// SHA-256 as 64 hex digits. Source: FIPS 180-4.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    written(&digest::digest(&digest::SHA256, bytes))
}

/// SHA-256 over all outputs' frames in the plan's order: of each the universe (two bytes, the higher first), then
/// all 512 slots.
#[must_use]
pub fn frame_hash(frames: &[Frame]) -> String {
    let mut hash = digest::Context::new(&digest::SHA256);
    for frame in frames {
        hash.update(&frame.universe.to_be_bytes());
        hash.update(&frame.slots);
    }
    written(&hash.finish())
}

fn written(digest: &digest::Digest) -> String {
    digest.as_ref().iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: NIST, FIPS 180-4 example computations, SHA256.pdf: the one-block message "abc".
    #[test]
    fn the_hash_of_abc_is_the_one_that_nist_prints() {
        let printed = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256(b"abc"), printed);
    }

    #[test]
    fn a_frame_hash_covers_all_slots_and_the_universe_but_not_the_frame_number() {
        let one = Frame::dark(1, 7, 10);
        let hash = frame_hash(&[one]);
        assert_eq!(hash, frame_hash(&[Frame { number: 2, ..one }]));
        assert_ne!(hash, frame_hash(&[Frame { universe: 8, ..one }]));
        let mut other = one;
        other.slots[511] = 1;
        assert_ne!(hash, frame_hash(&[other]));
        let mut bytes = vec![0, 7];
        bytes.extend([0; 512]);
        assert_eq!(hash, sha256(&bytes));
    }
}
