//! A DMX512 packet: its bytes, and how long it takes on the line.
//!
//! Break and mark are states of the line, not bytes: the port makes them (`wire::serial_raw`).

use crate::channels::SLOTS;

/// Start code of dimmer data, the first byte of every packet. Source: ANSI E1.11, NULL start code.
pub const START_CODE: u8 = 0;
/// Bits a second; 8 data bits, no parity, two stop bits. Source: ANSI E1.11.
pub const BAUD: u32 = 250_000;
/// One slot on the line: 11 bits of 4 µs. Source: ANSI E1.11.
pub const SLOT_US: u32 = 44;
/// Least break a sender may make. Source: ANSI E1.11, transmitter timing.
pub const BREAK_MIN_US: u32 = 92;
/// Least mark after break a sender may make. Source: ANSI E1.11, transmitter timing.
pub const MARK_MIN_US: u32 = 12;
/// Least time from the start of a break to the start of the next. Source: ANSI E1.11.
pub const BREAK_TO_BREAK_MIN_US: u32 = 1204;
/// Bytes of the longest packet: start code and 512 slots.
pub const PACKET_MAX: usize = SLOTS + 1;

/// Break and mark that a sender makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Break in microseconds; made no shorter than [`BREAK_MIN_US`].
    pub break_us: u32,
    /// Mark after break in microseconds; made no shorter than [`MARK_MIN_US`].
    pub mark_us: u32,
}

impl Timing {
    /// These times, raised to the least that E1.11 allows a sender.
    #[must_use]
    pub fn new(break_us: u32, mark_us: u32) -> Self {
        Self { break_us: break_us.max(BREAK_MIN_US), mark_us: mark_us.max(MARK_MIN_US) }
    }

    /// Microseconds that a packet of `slots` slots takes: break, mark, start code and slots.
    #[must_use]
    pub fn packet_us(self, slots: usize) -> u32 {
        // At most 513 slots of 44 µs: the product fits by far.
        let bytes = u32::try_from(slots.min(SLOTS) + 1).unwrap_or(u32::MAX);
        self.break_us + self.mark_us + SLOT_US * bytes
    }

    /// Slots to send when the patch uses `used` of them: as many, at most 512, but no fewer than make
    /// the packet last [`BREAK_TO_BREAK_MIN_US`], so that packets sent back to back are never too close.
    #[must_use]
    pub fn slots_sent(self, used: u16) -> usize {
        let left = BREAK_TO_BREAK_MIN_US.saturating_sub(self.break_us + self.mark_us);
        let bytes = usize::try_from(left.div_ceil(SLOT_US)).unwrap_or(SLOTS);
        usize::from(used).max(bytes.saturating_sub(1)).clamp(1, SLOTS)
    }

    /// Greatest whole number of packets a second with `slots` slots each, when the port takes
    /// `extra_us` of its own for every packet.
    #[must_use]
    pub fn greatest_rate(self, slots: usize, extra_us: u32) -> u32 {
        1_000_000 / (self.packet_us(slots) + extra_us)
    }
}

/// Writes the bytes of a packet: start code, then the slots (512 at most); returns how many.
///
/// ```
/// use lampkeep::wire::encode::dmx;
/// let mut packet = [0; dmx::PACKET_MAX];
/// let n = dmx::encode(&[255, 10], &mut packet);
/// assert_eq!(&packet[..n], [0, 255, 10]);
/// ```
pub fn encode(slots: &[u8], packet: &mut [u8; PACKET_MAX]) -> usize {
    let slots = &slots[..slots.len().min(SLOTS)];
    packet[0] = START_CODE;
    packet[1..=slots.len()].copy_from_slice(slots);
    slots.len() + 1
}

/// The slots of a packet, slot 1 first; `None` if it is no dimmer packet: empty, longer than 513
/// bytes, or under another start code. `packet` is what came between two breaks.
#[must_use]
pub fn decode(packet: &[u8]) -> Option<&[u8]> {
    match packet {
        [START_CODE, slots @ ..] if slots.len() <= SLOTS => Some(slots),
        _ => None,
    }
}
