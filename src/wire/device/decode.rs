//! What came over a simulated interface, told apart into packets, and measured.
//!
//! Framed messages carry their own bounds. Raw packets are bounded by breaks, which a pseudo-terminal does
//! not pass on; there a packet is what came between two silences. A reader that is late may find several in
//! one: they are told apart by the length that packets had before. Pure: bytes and moments come in.

use std::collections::VecDeque;
use std::time::Duration;

use crate::units::Moment;
use crate::wire::encode::dmx::{self, PACKET_MAX};
use crate::wire::encode::framed::{self, DATA_MIN, SEND_DMX};

/// A raw packet is over once nothing has come for so long. Chosen: between the 0.1 ms that a packet
/// takes through a pseudo-terminal and the 22.7 ms from packet to packet at 44 a second.
pub const SILENCE: Duration = Duration::from_millis(5);
/// Times between packets kept for the figures: 100 s at 40 a second.
const GAPS_KEPT: usize = 4096;

/// What the interface takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speaks {
    /// Start code and slots, bounded by breaks.
    Raw,
    /// `7E 06 …  E7`.
    Framed,
}

/// One packet of slots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packet {
    /// When its first byte was read.
    pub at: Moment,
    /// Its slots, slot 1 first.
    pub slots: Vec<u8>,
}

/// What was measured.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Figures {
    /// Whole packets of slots.
    pub whole: u64,
    /// Raw: pieces that were no packet: cut, too long, or under another start code. Framed: whole messages that
    /// were no packet of slots.
    pub broken: u64,
    /// Framed: bytes that belonged to no message.
    pub stray: u64,
    /// Fewest and most slots of a packet; `None` before the first.
    pub slots: Option<(usize, usize)>,
    /// From the start of a packet to the start of the next, the newest 4096.
    gaps: VecDeque<Duration>,
}

impl Figures {
    /// The least, the middle and the longest time from packet to packet; `None` before the second packet.
    #[must_use]
    pub fn gaps(&self) -> Option<[Duration; 3]> {
        let mut gaps: Vec<Duration> = self.gaps.iter().copied().collect();
        gaps.sort_unstable();
        Some([*gaps.first()?, *gaps.get(gaps.len() / 2)?, *gaps.last()?])
    }
}

/// Takes bytes as they are read, gives packets back.
#[derive(Debug)]
pub struct Decoder {
    speaks: Speaks,
    /// Raw: bytes since the last silence.
    run: Vec<u8>,
    /// When the first and the last of them were read.
    run_at: Moment,
    last_at: Moment,
    /// Raw: bytes of the packets so far.
    usual: Option<usize>,
    messages: framed::Decoder,
    packets: VecDeque<Packet>,
    before: Option<Moment>,
    figures: Figures,
}

impl Decoder {
    /// One that has seen nothing.
    #[must_use]
    pub fn new(speaks: Speaks) -> Self {
        Self {
            speaks,
            run: Vec::new(),
            run_at: Moment::START,
            last_at: Moment::START,
            usual: None,
            messages: framed::Decoder::new(),
            packets: VecDeque::new(),
            before: None,
            figures: Figures::default(),
        }
    }

    /// One that knows how many slots a raw packet has, so that it parts several even if they are the first.
    #[must_use]
    pub fn expecting(mut self, slots: usize) -> Self {
        self.usual = Some(slots + 1);
        self
    }

    /// Takes bytes that were read at `now`.
    pub fn feed(&mut self, bytes: &[u8], now: Moment) {
        match self.speaks {
            Speaks::Raw => {
                self.quiet(now);
                if self.run.is_empty() {
                    self.run_at = now;
                }
                self.run.extend_from_slice(bytes);
                self.last_at = now;
                // Without a silence in a whole second there is none to come; never more is kept.
                if self.run.len() > 64 * PACKET_MAX {
                    self.end_run();
                }
            }
            Speaks::Framed => {
                self.messages.feed(bytes);
                while let Some(message) = self.messages.next_message() {
                    let data = message.data;
                    let whole = message.label == SEND_DMX && data.len() >= DATA_MIN;
                    self.packet(dmx::decode(&data).filter(|_| whole), now);
                }
                self.figures.stray = self.messages.skipped();
            }
        }
    }

    /// Nothing had come until `now`: a raw packet may be over.
    pub fn quiet(&mut self, now: Moment) {
        if !self.run.is_empty() && now.after(self.last_at) >= SILENCE {
            self.end_run();
        }
    }

    /// The oldest packet that was not fetched yet.
    pub fn next_packet(&mut self) -> Option<Packet> {
        self.packets.pop_front()
    }

    /// What was measured so far.
    #[must_use]
    pub fn figures(&self) -> &Figures {
        &self.figures
    }

    /// What was measured since the last time, and begins anew.
    pub fn take_figures(&mut self) -> Figures {
        let stray = self.figures.stray;
        std::mem::replace(&mut self.figures, Figures { stray, ..Figures::default() })
    }

    fn end_run(&mut self) {
        let run = std::mem::take(&mut self.run);
        let at = self.run_at;
        match self.usual {
            Some(usual) if run.len() > usual && run.len().is_multiple_of(usual) => {
                for packet in run.chunks_exact(usual) {
                    self.packet(dmx::decode(packet), at);
                }
            }
            _ => {
                let slots = dmx::decode(&run);
                if slots.is_some() {
                    self.usual = Some(run.len());
                }
                self.packet(slots, at);
            }
        }
    }

    fn packet(&mut self, slots: Option<&[u8]>, at: Moment) {
        let Some(slots) = slots else {
            self.figures.broken += 1;
            return;
        };
        self.figures.whole += 1;
        let n = slots.len();
        self.figures.slots =
            Some(self.figures.slots.map_or((n, n), |(least, most)| (least.min(n), most.max(n))));
        if let Some(before) = self.before.replace(at) {
            if self.figures.gaps.len() == GAPS_KEPT {
                self.figures.gaps.pop_front();
            }
            self.figures.gaps.push_back(at.after(before));
        }
        if self.packets.len() == GAPS_KEPT {
            self.packets.pop_front();
        }
        self.packets.push_back(Packet { at, slots: slots.to_vec() });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: u64) -> Moment {
        Moment::since_start(Duration::from_millis(ms))
    }

    fn slots(decoder: &mut Decoder) -> Vec<Vec<u8>> {
        std::iter::from_fn(|| decoder.next_packet()).map(|p| p.slots).collect()
    }

    #[test]
    fn a_raw_packet_is_what_came_between_two_silences() {
        let mut decoder = Decoder::new(Speaks::Raw);
        decoder.feed(&[0, 1, 2], at(0));
        decoder.feed(&[3], at(1));
        decoder.quiet(at(4));
        assert_eq!(slots(&mut decoder), [[]; 0] as [[u8; 0]; 0], "it may go on");
        decoder.feed(&[0, 4, 5, 6], at(25));
        assert_eq!(slots(&mut decoder), [[1, 2, 3]]);
        decoder.quiet(at(30));
        assert_eq!(slots(&mut decoder), [[4, 5, 6]]);
        let figures = decoder.figures();
        assert_eq!((figures.whole, figures.broken, figures.slots), (2, 0, Some((3, 3))));
        assert_eq!(figures.gaps(), Some([Duration::from_millis(25); 3]));
    }

    #[test]
    fn packets_that_a_late_reader_found_together_are_told_apart_by_their_length() {
        let mut decoder = Decoder::new(Speaks::Raw);
        decoder.feed(&[0, 1, 2], at(0));
        decoder.feed(&[0, 3, 4, 0, 5, 6], at(75));
        decoder.quiet(at(90));
        assert_eq!(slots(&mut decoder), [[1, 2], [3, 4], [5, 6]]);
        let mut decoder = Decoder::new(Speaks::Raw).expecting(2);
        decoder.feed(&[0, 1, 2, 0, 3, 4], at(0));
        decoder.quiet(at(25));
        assert_eq!(slots(&mut decoder), [[1, 2], [3, 4]]);
    }

    #[test]
    fn a_cut_a_foreign_or_an_endless_packet_is_broken() {
        let mut decoder = Decoder::new(Speaks::Raw);
        decoder.feed(&[0xCC, 1, 2], at(0));
        decoder.feed(&[0; 600], at(25));
        decoder.quiet(at(50));
        for ms in 0..100 {
            decoder.feed(&[1; 4096], at(50 + ms));
        }
        assert_eq!(decoder.figures().whole, 0);
        assert!(decoder.figures().broken > 2);
        assert!(decoder.run.len() <= 64 * PACKET_MAX + 4096);
    }

    /// Source: the layout as the requirement states it: 7E, 06, length low byte first, start code, slots, E7.
    #[test]
    fn framed_messages_are_told_apart_by_their_own_bounds() {
        let message = |slots: &[u8]| [&[0x7E, 6, slots.len() as u8 + 1, 0, 0], slots, &[0xE7]].concat();
        let mut decoder = Decoder::new(Speaks::Framed);
        let both = [message(&[7; 30]), message(&[8; 30])].concat();
        decoder.feed(&both[..50], at(0));
        decoder.feed(&both[50..], at(1));
        decoder.feed(&[1, 2, 3], at(2));
        decoder.feed(&message(&[9; 30]), at(3));
        decoder.feed(&[0x7E, 3, 0, 0, 0xE7], at(4));
        assert_eq!(slots(&mut decoder), [[7; 30], [8; 30], [9; 30]]);
        let figures = decoder.figures();
        assert_eq!((figures.whole, figures.broken, figures.stray), (3, 1, 3));
    }
}
