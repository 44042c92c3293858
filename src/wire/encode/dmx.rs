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
/// Bytes that go out together for lamps that lose packets; then comes [`PAUSE_US`]. Chosen: what a USB
/// packet of full speed carries at most (USB 2.0, 5.8.3), so that one is as good as any.
pub const GROUP: usize = 64;
/// Mark between two such groups, at least, in microseconds. Chosen: a frame of USB, the shortest pause that
/// passes through it. E1.11 lets a mark between slots last up to a second.
pub const PAUSE_US: u32 = 1000;
/// Bytes of the longest packet: start code and 512 slots.
pub const PACKET_MAX: usize = SLOTS + 1;

/// Break and mark that a sender makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Break in microseconds; made no shorter than [`BREAK_MIN_US`].
    pub break_us: u32,
    /// Mark after break in microseconds; made no shorter than [`MARK_MIN_US`].
    pub mark_us: u32,
    /// Mark between two groups of [`GROUP`] bytes in microseconds, 0 usually.
    pub pause_us: u32,
}

impl Timing {
    /// These times, raised to the least that E1.11 allows a sender.
    #[must_use]
    pub fn new(break_us: u32, mark_us: u32) -> Self {
        Self { break_us: break_us.max(BREAK_MIN_US), mark_us: mark_us.max(MARK_MIN_US), pause_us: 0 }
    }

    /// The same for lamps that lose packets, if `slow`: all 512 slots in every packet, as some take no fewer,
    /// and [`PAUSE_US`] after each [`GROUP`].
    #[must_use]
    pub fn slow(self, slow: bool) -> Self {
        Self { pause_us: if slow { PAUSE_US } else { 0 }, ..self }
    }

    /// When the byte at `index` of a packet may start, in microseconds after the first.
    #[must_use]
    pub fn byte_us(self, index: usize) -> u32 {
        let whole = |n: usize| u32::try_from(n.min(PACKET_MAX)).unwrap_or(u32::MAX);
        SLOT_US * whole(index) + self.pause_us * whole(index / GROUP)
    }

    /// Microseconds that a packet of `slots` slots takes: break, mark, start code, slots and pauses.
    #[must_use]
    pub fn packet_us(self, slots: usize) -> u32 {
        // Start code and slots: the last byte has the index of the last slot.
        self.break_us + self.mark_us + self.byte_us(slots.min(SLOTS)) + SLOT_US
    }

    /// Slots to send when the patch uses `used` of them: as many, at most 512, but no fewer than make
    /// the packet last [`BREAK_TO_BREAK_MIN_US`], so that packets sent back to back are never too close; all
    /// 512 where there are pauses.
    #[must_use]
    pub fn slots_sent(self, used: u16) -> usize {
        if self.pause_us > 0 {
            return SLOTS;
        }
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
