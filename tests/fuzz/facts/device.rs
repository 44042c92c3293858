//! What holds of the decoders of what comes over a wire: framed messages, raw packets, and the keys of a terminal.
//!
//! The first byte chooses the decoder, the second how the rest is cut; bytes and cuts are otherwise free.

use std::time::Duration;

use lampkeep::chair::keys::Splitter;
use lampkeep::units::Moment;
use lampkeep::wire::device::decode::{Decoder, Speaks};
use lampkeep::wire::encode::framed;

/// Feeds `input` to a decoder and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let [kind, cut, rest @ ..] = input else { return };
    let cut = usize::from(*cut) + 1;
    match kind % 4 {
        0 => packets(Decoder::new(Speaks::Framed), rest, cut),
        1 => packets(Decoder::new(Speaks::Raw), rest, cut),
        2 => packets(Decoder::new(Speaks::Raw).expecting(cut), rest, 7),
        _ => keys(rest, cut),
    }
    messages(rest, cut);
}

fn packets(mut decoder: Decoder, bytes: &[u8], cut: usize) {
    let mut at = Duration::ZERO;
    let mut found = 0;
    for (index, part) in bytes.chunks(cut).enumerate() {
        // Now close together, now apart.
        at += Duration::from_micros([100, 6_000, 900][index % 3]);
        let now = Moment::since_start(at);
        decoder.feed(part, now);
        decoder.quiet(now + Duration::from_millis(u64::from(part[0]) % 8));
        while let Some(packet) = decoder.next_packet() {
            assert!(packet.slots.len() <= 512, "{} slots", packet.slots.len());
            found += 1;
        }
    }
    decoder.quiet(Moment::since_start(at + Duration::from_secs(1)));
    found += std::iter::from_fn(|| decoder.next_packet()).count() as u64;
    let figures = decoder.take_figures();
    assert_eq!(figures.whole, found);
    assert!(figures.slots.is_none_or(|(least, most)| least <= most && most <= 512));
    assert!(figures.gaps().is_none_or(|[least, middle, most]| least <= middle && middle <= most));
}

/// Whatever the cuts, the same messages are found.
fn messages(bytes: &[u8], cut: usize) {
    let all = |parts: &mut dyn Iterator<Item = &[u8]>| {
        let mut decoder = framed::Decoder::new();
        let mut found = Vec::new();
        for part in parts {
            decoder.feed(part);
            found.extend(std::iter::from_fn(|| decoder.next_message()));
        }
        assert!(found.iter().all(|m| m.data.len() <= framed::DATA_MAX));
        (found, decoder.skipped())
    };
    assert_eq!(all(&mut bytes.chunks(cut)), all(&mut std::iter::once(bytes)));
}

/// No byte is lost between keys, and none is made up.
fn keys(bytes: &[u8], cut: usize) {
    let mut splitter = Splitter::default();
    let mut found = Vec::new();
    let mut at = Duration::ZERO;
    for part in bytes.chunks(cut) {
        at += Duration::from_millis(u64::from(part[0]) % 80);
        let passed = splitter.pass(at);
        let taken = splitter.take(part, at);
        for key in passed.into_iter().chain(taken) {
            assert!(key.bytes().len() <= 32 && !key.name().chars().any(char::is_control), "{key:?}");
            found.extend_from_slice(key.bytes());
        }
    }
    let last = splitter.pass(at + Duration::from_secs(1));
    found.extend(last.iter().flat_map(|k| k.bytes().to_vec()));
    assert_eq!(found, bytes);
}
