//! Messages to an interface that has a processor of its own and makes break and timing itself.
//!
//! ```text
//! 7E | 06 | length, low byte first | start code 00, slots | E7
//! ```
//!
//! The length counts the start code and the slots. Layout and least length are from memory: no
//! published standard describes them.

use crate::channels::SLOTS;
use crate::wire::encode::dmx::START_CODE;

/// First byte of a message. From memory.
pub const START: u8 = 0x7E;
/// Last byte of a message. From memory.
pub const END: u8 = 0xE7;
/// Label of "send this DMX packet". From memory.
pub const SEND_DMX: u8 = 0x06;
/// Fewest data bytes that interfaces take for a packet: start code and 24 slots. From memory; 24
/// slots are also the fewest that E1.11's least break-to-break time leaves room for.
pub const DATA_MIN: usize = 25;
/// Most data bytes of any message. From memory.
pub const DATA_MAX: usize = 600;
/// Bytes of the longest message that [`encode`] makes.
pub const MESSAGE_MAX: usize = 4 + 1 + SLOTS + 1;

/// Slots to send when the patch uses `used` of them: as many, between 24 and 512.
#[must_use]
pub fn slots_sent(used: u16) -> usize {
    usize::from(used).clamp(DATA_MIN - 1, SLOTS)
}

/// Writes one message with these slots (512 at most; under 24, zeros follow); returns its bytes.
///
/// ```
/// use lampkeep::wire::encode::framed;
/// let mut message = [0; framed::MESSAGE_MAX];
/// let n = framed::encode(&[255], &mut message);
/// assert_eq!((n, &message[..6], message[n - 1]), (30, &[0x7E, 6, 25, 0, 0, 255][..], 0xE7));
/// ```
pub fn encode(slots: &[u8], message: &mut [u8; MESSAGE_MAX]) -> usize {
    let given = &slots[..slots.len().min(SLOTS)];
    let data = (given.len() + 1).max(DATA_MIN);
    let [low, high, ..] = data.to_le_bytes();
    message[..5].copy_from_slice(&[START, SEND_DMX, low, high, START_CODE]);
    message[5..4 + data].fill(0);
    message[5..5 + given.len()].copy_from_slice(given);
    message[4 + data] = END;
    data + 5
}

/// One message as decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// What it is.
    pub label: u8,
    /// Its data; under [`SEND_DMX`] the start code and the slots.
    pub data: Vec<u8>,
}

/// Takes bytes as they come, gives whole messages back; what is no message is passed over.
#[derive(Debug, Clone, Default)]
pub struct Decoder {
    bytes: Vec<u8>,
    skipped: u64,
}

impl Decoder {
    /// A decoder that has seen nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the next bytes of the stream, cut anywhere.
    pub fn feed(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
    }

    /// The next whole message; `None` until more bytes have come.
    ///
    /// After a wrong length or a missing end byte the search goes on one byte further, so a message
    /// that follows a broken one is still found.
    pub fn next_message(&mut self) -> Option<Message> {
        let mut at = 0;
        let found = loop {
            let rest = &self.bytes[at..];
            let Some(start) = rest.iter().position(|b| *b == START) else {
                at = self.bytes.len();
                self.skipped += rest.len() as u64;
                break None;
            };
            at += start;
            self.skipped += start as u64;
            let [_, label, low, high, rest @ ..] = &self.bytes[at..] else { break None };
            let length = usize::from(u16::from_le_bytes([*low, *high]));
            match rest.get(length) {
                _ if length > DATA_MAX => {}
                None => break None,
                Some(&END) => {
                    let message = Message { label: *label, data: rest[..length].to_vec() };
                    at += length + 5;
                    break Some(message);
                }
                Some(_) => {}
            }
            at += 1;
            self.skipped += 1;
        };
        self.bytes.drain(..at);
        found
    }

    /// Bytes passed over so far because they belonged to no message.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.skipped
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn message(slots: &[u8]) -> Vec<u8> {
        let mut bytes = [0; MESSAGE_MAX];
        let n = encode(slots, &mut bytes);
        bytes[..n].to_vec()
    }

    fn all(decoder: &mut Decoder) -> Vec<Message> {
        std::iter::from_fn(|| decoder.next_message()).collect()
    }

    #[test]
    fn a_message_after_a_broken_one_is_found() {
        let mut decoder = Decoder::new();
        let mut stream = message(&[1; 30]);
        stream.truncate(20);
        stream.extend(message(&[2; 30]));
        stream.extend(message(&[3; 30]));
        decoder.feed(&stream);
        let found = all(&mut decoder);
        assert_eq!(found.last().unwrap().data[1..], [3; 30]);
    }

    proptest! {
        #[test]
        fn a_message_survives_the_way_there_and_back_cut_anywhere(
            slots in prop::collection::vec(any::<u8>(), 0..=512), cut in 1_usize..40,
        ) {
            let mut decoder = Decoder::new();
            let mut found = Vec::new();
            for part in message(&slots).chunks(cut) {
                decoder.feed(part);
                found.extend(all(&mut decoder));
            }
            prop_assert_eq!(found.len(), 1);
            prop_assert_eq!(found[0].label, SEND_DMX);
            prop_assert_eq!(&found[0].data[1..=slots.len()], &slots[..]);
            prop_assert!(found[0].data[slots.len() + 1..].iter().all(|b| *b == 0));
            prop_assert_eq!(decoder.skipped(), 0);
        }

        #[test]
        fn no_bytes_make_the_decoder_panic_or_hoard(
            parts in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..700), 0..8),
        ) {
            let mut decoder = Decoder::new();
            for mut part in parts {
                // Many bytes that mean something, so that much of it looks like messages.
                for byte in &mut part {
                    *byte = match *byte { 0..60 => START, 60..100 => END, 100..150 => 0, other => other };
                }
                decoder.feed(&part);
                for found in all(&mut decoder) {
                    prop_assert!(found.data.len() <= DATA_MAX);
                }
                prop_assert!(decoder.bytes.len() < DATA_MAX + 5);
            }
        }
    }
}
