//! A universe of slots, numbered.

use crate::units::FrameNumber;

/// Slots in a universe. Source: ANSI E1.11, clause 8.6.
pub const SLOTS: usize = 512;

/// What one universe carries in one frame. The start code (0) is added by the wire's encoders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// Which frame of the engine this is.
    pub number: FrameNumber,
    /// Universe, 1 to 63 999.
    pub universe: u16,
    /// Slots 1 to 512 at indexes 0 to 511.
    pub slots: [u8; SLOTS],
    /// Highest slot in use by the patch, 0 to 512; outputs may send just these.
    pub used: u16,
}

impl Frame {
    /// A frame with every slot at zero.
    #[must_use]
    pub const fn dark(number: FrameNumber, universe: u16, used: u16) -> Self {
        Self { number, universe, slots: [0; SLOTS], used }
    }
}
