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

#[cfg(test)]
mod tests {
    use std::os::fd::OwnedFd;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::Duration;

    use rustix::pty::{OpenptFlags, openpt, ptsname, unlockpt};

    use super::*;
    use crate::wire::WireErrorKind;
    use crate::wire::encode::framed::Decoder;

    fn far_side() -> (OwnedFd, String) {
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        unlockpt(&far).unwrap();
        rustix::fs::fcntl_setfl(&far, rustix::fs::OFlags::NONBLOCK).unwrap();
        let name = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        (far, name)
    }

    fn numbered(number: u64) -> Frame {
        let mut frame = Frame::dark(number, 1, 512);
        frame.slots.fill(number as u8);
        frame
    }

    /// Every byte belongs to a whole message, and each message to one frame; returns the frames' numbers.
    fn whole(bytes: &[u8]) -> Vec<u8> {
        let mut decoder = Decoder::new();
        decoder.feed(bytes);
        let messages: Vec<_> = std::iter::from_fn(|| decoder.next_message()).collect();
        assert_eq!(decoder.skipped(), 0);
        assert_eq!(messages.iter().map(|m| m.data.len() + 5).sum::<usize>(), bytes.len());
        let number = |data: &[u8]| {
            assert!(data.len() == 513 && data[2..].iter().all(|slot| *slot == data[1]), "{data:?}");
            data[1]
        };
        messages.iter().map(|m| number(&m.data)).collect()
    }

    /// A pseudo-terminal with hardly any room takes some of what it is given, again and again.
    #[test]
    fn writes_that_come_short_are_gone_on_with_until_the_message_is_whole() {
        let (far, name) = far_side();
        let clock = SystemClock::start();
        let mut port = Framed::open(Path::new(&name), clock).unwrap();
        let ended = AtomicBool::new(false);
        let bytes = std::thread::scope(|scope| {
            let reader = scope.spawn(|| {
                let (mut bytes, mut part) = (Vec::new(), [0; 97]);
                loop {
                    match rustix::io::read(&far, &mut part) {
                        Ok(n) => bytes.extend_from_slice(&part[..n]),
                        Err(_) if ended.load(Ordering::Relaxed) => return bytes,
                        Err(_) => {}
                    }
                    // 97 bytes each 2 ms at most: more comes in, so the queue fills up.
                    clock.sleep_until(clock.now() + Duration::from_micros(500));
                }
            });
            let mut sent = 0;
            for number in 1..=100 {
                while let Err(error) = port.send(&numbered(number)) {
                    assert_eq!(error.kind(), WireErrorKind::WriteDeadline);
                }
                sent += 1;
            }
            port.finish().unwrap();
            clock.sleep_until(clock.now() + Duration::from_millis(200));
            ended.store(true, Ordering::Relaxed);
            assert_eq!(sent, 100);
            reader.join().unwrap()
        });
        let numbers = whole(&bytes);
        assert!(numbers.windows(2).all(|pair| pair[0] <= pair[1]), "in order: {numbers:?}");
        assert_eq!((numbers.first(), numbers.last()), (Some(&1), Some(&100)));
    }

    #[test]
    fn a_write_that_blocks_ends_at_its_deadline_and_its_message_is_made_whole_later() {
        let (far, name) = far_side();
        let clock = SystemClock::start();
        let mut port = Framed::open(Path::new(&name), clock).unwrap();
        let mut number = 0;
        let error = loop {
            number += 1;
            let since = clock.now();
            if let Err(error) = port.send(&numbered(number)) {
                // Two waits of 100 ms, and a machine that may be busy with other things.
                assert!(clock.now().after(since) < Duration::from_millis(1500));
                break error;
            }
            assert!(number < 200, "a pseudo-terminal takes some 25 frames");
        };
        assert_eq!(error.kind(), WireErrorKind::WriteDeadline);
        let mut bytes = Vec::new();
        let mut read = || {
            let mut part = [0; 4096];
            while let Ok(n) = rustix::io::read(&far, &mut part) {
                bytes.extend_from_slice(&part[..n]);
            }
        };
        read();
        while let Err(error) = port.send(&numbered(201)) {
            assert_eq!(error.kind(), WireErrorKind::WriteDeadline);
            read();
        }
        clock.sleep_until(clock.now() + Duration::from_millis(50));
        read();
        let numbers = whole(&bytes);
        assert_eq!(numbers.last(), Some(&201));
    }
}
