//! What a serial interface is, found out without a light changing: can it break, and does it answer.

use std::path::Path;
use std::time::Duration;

use super::encode::framed::{self, Decoder};
use super::error::{WireError, WireErrorKind};
use super::tty::Tty;
use crate::clock::{Clock, SystemClock};

/// DMX's speed. Source: ANSI E1.11, clause 8.
const BAUD: u32 = 250_000;
/// A break this long is one to every receiver; no slot follows it, so no lamp takes anything from it.
const BREAK: Duration = Duration::from_micros(176);
/// How long an answer may take. Chosen: ten times the slowest latency timer of a driver in use.
const ANSWER_WITHIN: Duration = Duration::from_millis(300);
/// Asks a framed interface for its own number: it changes nothing. From memory.
const ASK_NUMBER: [u8; 5] = [framed::START, 0x0A, 0, 0, framed::END];

/// What was found of an interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Probed {
    /// True if the driver makes a break.
    pub breaks: bool,
    /// True if it answered in frames, so it has a processor of its own.
    pub answers: bool,
}

/// Opens an interface for a moment and asks. At most half a second.
///
/// Errors: as a sender's open; a port that refuses break is no error but a finding.
pub fn probe(port: &Path, clock: SystemClock) -> Result<Probed, WireError> {
    let mut tty = Tty::open(port, BAUD, clock)?;
    // The question first: to a framed interface a break on its line is noise in front of it.
    let asked = clock.now();
    tty.discard_input();
    let written = tty.write(&ASK_NUMBER, asked + Duration::from_millis(100))?;
    let mut answers = false;
    if written == ASK_NUMBER.len() {
        let (mut decoder, mut bytes) = (Decoder::new(), [0; 256]);
        while !answers && clock.now().after(asked) < ANSWER_WITHIN {
            let n = tty.read(&mut bytes, asked + ANSWER_WITHIN)?;
            decoder.feed(&bytes[..n]);
            // An echo of what was asked is no answer.
            answers = std::iter::from_fn(|| decoder.next_message()).any(|m| !m.data.is_empty());
        }
    }
    let breaks = match tty.set_break() {
        Ok(()) => {
            clock.sleep_until(clock.now() + BREAK);
            tty.clear_break().map(|()| true).or_else(|e| match e.kind() {
                WireErrorKind::Gone => Err(e),
                _ => Ok(false),
            })?
        }
        Err(_) => false,
    };
    Ok(Probed { breaks, answers })
}
