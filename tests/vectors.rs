//! Frames to bytes and back, against the layout of the standard.

use lampkeep::channels::{Frame, SLOTS};
use lampkeep::wire::encode::dmx::{self, PACKET_MAX, Timing};
use lampkeep::wire::encode::framed::{self, Decoder, MESSAGE_MAX};
use proptest::prelude::*;

const LEAST: Timing = Timing { break_us: 92, mark_us: 12, pause_us: 0 };

fn packet(slots: &[u8]) -> Vec<u8> {
    let mut bytes = [0xAA; PACKET_MAX];
    let length = dmx::encode(slots, &mut bytes);
    bytes[..length].to_vec()
}

fn message(slots: &[u8]) -> Vec<u8> {
    let mut bytes = [0xAA; MESSAGE_MAX];
    let length = framed::encode(slots, &mut bytes);
    bytes[..length].to_vec()
}

/// Source: ANSI E1.11: NULL start code first, then slot 1; at most 512 slots.
#[test]
fn a_packet_is_the_null_start_code_and_then_slot_1() {
    assert_eq!(packet(&[7, 8, 9]), [0, 7, 8, 9]);
    let mut frame = Frame::dark(0, 1, 512);
    frame.slots[0] = 1;
    frame.slots[511] = 2;
    let bytes = packet(&frame.slots);
    assert_eq!((bytes.len(), bytes[0], bytes[1], bytes[512]), (513, 0, 1, 2));
    assert_eq!(packet(&[5; 600]).len(), 513, "what is beyond slot 512 is left out");
}

/// Source: ANSI E1.11 transmitter timing: 92 µs break, 12 µs mark, 44 µs a slot; a full packet at
/// the minimum takes 22 676 µs, 44.1 a second.
#[test]
fn a_full_packet_at_the_minimum_takes_22_676_us() {
    assert_eq!(LEAST.packet_us(512), 22_676);
    assert_eq!(LEAST.greatest_rate(512, 0), 44);
}

/// Source: ANSI E1.11: 24 slots at the minimum take 1204 µs, the least time from break to break.
#[test]
fn twenty_four_slots_at_the_minimum_take_1204_us() {
    assert_eq!(LEAST.packet_us(24), 1204);
    assert_eq!(LEAST.slots_sent(0), 24);
    assert_eq!(LEAST.slots_sent(24), 24);
    assert_eq!(LEAST.slots_sent(25), 25);
    assert_eq!(LEAST.slots_sent(512), 512);
    assert_eq!(LEAST.slots_sent(u16::MAX), 512);
}

/// Source: arithmetic. 176 + 16 + 513 x 44 = 22 764 µs.
#[test]
fn a_full_packet_with_the_usual_break_takes_22_764_us() {
    assert_eq!(Timing::new(176, 16).packet_us(512), 22_764);
}

#[test]
fn a_break_or_mark_too_short_for_the_standard_is_raised_to_it() {
    assert_eq!(Timing::new(0, 0), LEAST);
    assert_eq!(Timing::new(500, 100), Timing { break_us: 500, mark_us: 100, pause_us: 0 });
}

/// Source: ANSI E1.11: other start codes carry other things than levels.
#[test]
fn what_is_no_dimmer_packet_has_no_slots() {
    assert_eq!(dmx::decode(&[]), None);
    assert_eq!(dmx::decode(&[0xCC, 1, 2]), None);
    assert_eq!(dmx::decode(&[0; 514]), None);
    assert_eq!(dmx::decode(&[0]), Some(&[][..]));
}

/// Source: the layout as the requirement states it: 7E, 06, length low byte first, start code and slots,
/// E7. That the length counts the start code, and its least value of 25, is from memory.
#[test]
fn a_framed_message_has_its_length_low_byte_first() {
    let bytes = message(&[0x11; 512]);
    assert_eq!(bytes.len(), 518);
    assert_eq!(bytes[..5], [0x7E, 0x06, 0x01, 0x02, 0x00], "513 = 0x0201");
    assert_eq!(bytes[5..517], [0x11; 512]);
    assert_eq!(bytes[517], 0xE7);

    let bytes = message(&[1, 2, 3]);
    assert_eq!(bytes[..8], [0x7E, 0x06, 25, 0, 0, 1, 2, 3]);
    assert_eq!(bytes[8..29], [0; 21]);
    assert_eq!(bytes[29..], [0xE7]);
}

proptest! {
    #[test]
    fn a_packet_decodes_to_its_slots_and_encodes_to_the_same_bytes(
        slots in prop::collection::vec(any::<u8>(), 0..=SLOTS),
    ) {
        let bytes = packet(&slots);
        let decoded = dmx::decode(&bytes).unwrap();
        prop_assert_eq!(decoded, &slots[..]);
        prop_assert_eq!(packet(decoded), bytes);
    }

    #[test]
    fn a_framed_message_decodes_to_a_packet_and_encodes_to_the_same_bytes(
        slots in prop::collection::vec(any::<u8>(), 24..=SLOTS),
    ) {
        let bytes = message(&slots);
        let mut decoder = Decoder::new();
        decoder.feed(&bytes);
        let found = decoder.next_message().unwrap();
        let decoded = dmx::decode(&found.data).unwrap();
        prop_assert_eq!(decoded, &slots[..]);
        prop_assert_eq!(message(decoded), bytes);
    }

    #[test]
    fn no_packet_lasts_less_than_the_least_break_to_break_time(
        break_us in 0_u32..2000, mark_us in 0_u32..2000, used in 0_u16..600,
    ) {
        let timing = Timing::new(break_us, mark_us);
        let slots = timing.slots_sent(used);
        prop_assert!((1..=512).contains(&slots) && slots >= usize::from(used.min(512)));
        prop_assert!(timing.packet_us(slots) >= 1204);
    }
}
