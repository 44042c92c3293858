//! DMX through an interface with a processor of its own: one message a frame, no break by us.

use std::path::Path;

use super::encode::framed::{self, MESSAGE_MAX};
use super::error::WireError;
use super::output::{Port, Sent};
use super::tty::{STALLED_AFTER, Tty};
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};

/// Speed that the port is set to. Over USB it means nothing to interfaces of this kind (from memory);
/// 250 kbit/s is chosen so that one which does heed it can follow: 518 bytes at 115 200 bit/s would
/// take 49 ms, two frame periods, and at 250 kbit/s 23 ms.
pub const BAUD: u32 = 250_000;

/// An interface that carries one universe.
pub struct Framed {
    tty: Tty,
    clock: SystemClock,
    message: [u8; MESSAGE_MAX],
    /// What the port has not yet taken of `message`: from here to the end of the used part.
    rest: std::ops::Range<usize>,
}

impl Framed {
    /// Opens a port. Errors: as [`super::output::open`].
    pub fn open(path: &Path, clock: SystemClock) -> Result<Self, WireError> {
        Ok(Self { tty: Tty::open(path, BAUD, clock)?, clock, message: [0; MESSAGE_MAX], rest: 0..0 })
    }

    /// Hands on what is left of the message. Bytes once begun are always finished, never thrown away:
    /// an interface that is given half a message takes the next one's start for slots.
    fn hand_on(&mut self) -> Result<(), WireError> {
        let since = self.clock.now();
        self.rest.start += self.tty.write(&self.message[self.rest.clone()], since + STALLED_AFTER)?;
        if self.rest.is_empty() { Ok(()) } else { Err(self.tty.stalled()) }
    }

    /// Returns when the interface has taken all that it was sent, so that no old light queues up.
    fn taken(&mut self) -> Result<(), WireError> {
        self.hand_on()?;
        let since = self.clock.now();
        if self.tty.drained(since + STALLED_AFTER)? { Ok(()) } else { Err(self.tty.stalled()) }
    }
}

impl Port for Framed {
    fn send(&mut self, frame: &Frame) -> Result<Sent, WireError> {
        self.taken()?;
        let started = self.clock.now();
        let slots = framed::slots_sent(frame.used);
        self.rest = 0..framed::encode(&frame.slots[..slots], &mut self.message);
        self.hand_on()?;
        Ok(Sent { started })
    }

    fn finish(&mut self) -> Result<(), WireError> {
        self.taken()
    }

    fn note(&self) -> Option<&str> {
        None
    }
}
