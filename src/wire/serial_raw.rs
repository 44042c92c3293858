//! DMX on a plain serial port: break and mark held by us, slots at 250 kbit/s.

use std::path::Path;
use std::time::Duration;

use rustix::io::Errno;

use super::encode::dmx::{self, GROUP, PACKET_MAX, SLOT_US, Timing};
use super::error::WireError;
use super::line::Line;
use super::output::{Port, Sent};
use super::tty::{STALLED_AFTER, Tty};
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};
use crate::units::Moment;

/// What setting and ending break costs through a USB driver beyond the break itself, in
/// microseconds. Measured: 1.2 to 1.3 ms a break in all, on an emulated interface (docs/wire.md).
const BREAK_COST_US: u32 = 1200;
/// How much later than its write the first slot may be on the line, in microseconds: a USB frame is
/// 1 ms (USB 2.0, full speed; that interfaces are no slower is from memory). A break any earlier could
/// cut off the last slots, as a driver's queue is empty long before the interface's own buffer.
const START_COST_US: u32 = 1000;
/// What a packet costs beyond its time on the line, in microseconds.
pub const DRIVER_US: u32 = BREAK_COST_US + START_COST_US;
/// Below this a wait is spun: a sleep would end some 60 to 140 µs late (measured, docs/wire.md).
const SPIN_UNDER: Duration = Duration::from_micros(100);
/// Bits that hold the line low in a zero byte: the start bit and eight data bits.
const LOW_BITS: u32 = 9;
/// Bits of a byte on the line, 8N2.
const BYTE_BITS: u32 = 11;

/// How the break is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Break {
    /// By the driver: break on, wait, break off.
    Line,
    /// The driver refuses: a zero byte at a speed so low that its low bits last as long as a break.
    /// Its stop bits are the mark.
    SlowByte,
}

/// A plain serial port that carries one universe.
pub struct Raw<L = Tty> {
    tty: L,
    clock: SystemClock,
    timing: Timing,
    breaks: Break,
    packet: [u8; PACKET_MAX],
    /// When the last packet's last bit has left the line, at the earliest.
    line_free: Moment,
}

impl Raw {
    /// Opens a port. Errors: as [`super::output::open`].
    pub fn open(path: &Path, timing: Timing, clock: SystemClock) -> Result<Self, WireError> {
        Ok(Self::over(Tty::open(path, dmx::BAUD, clock)?, timing, clock))
    }
}

impl<L: Line> Raw<L> {
    /// On a line that is open and set.
    fn over(tty: L, timing: Timing, clock: SystemClock) -> Self {
        Self { tty, clock, timing, breaks: Break::Line, packet: [0; PACKET_MAX], line_free: clock.now() }
    }

    /// Returns when the line is quiet: the driver's queue is empty and the last packet's time is over.
    /// Both, as a driver may call its queue empty while the port's own buffer still holds bytes.
    fn quiet(&mut self) -> Result<(), WireError> {
        let since = self.clock.now();
        if !self.tty.drained(since + STALLED_AFTER)? {
            self.tty.discard_output()?;
            return Err(self.tty.stalled());
        }
        self.clock.sleep_until(self.line_free);
        Ok(())
    }

    /// Waits this long, never less.
    fn hold(&self, span: Duration) {
        let until = self.clock.now() + span;
        if span >= SPIN_UNDER {
            self.clock.sleep_until(until);
        }
        while self.clock.now() < until {
            std::hint::spin_loop();
        }
    }

    /// Makes break and mark.
    fn mark_start(&mut self) -> Result<(), WireError> {
        if self.breaks == Break::Line {
            match self.tty.set_break() {
                Ok(()) => {
                    self.hold(Duration::from_micros(self.timing.break_us.into()));
                    self.tty.clear_break()?;
                    self.hold(Duration::from_micros(self.timing.mark_us.into()));
                    return Ok(());
                }
                Err(Errno::NOTTY | Errno::OPNOTSUPP | Errno::INVAL | Errno::NOSYS) => {
                    self.breaks = Break::SlowByte;
                }
                Err(errno) => return Err(self.tty.failed("make a break", errno)),
            }
        }
        self.slow_byte()
    }

    /// Makes break and mark out of a slow zero byte.
    fn slow_byte(&mut self) -> Result<(), WireError> {
        let baud = slow_baud(self.timing.break_us);
        let refused = |error, port| match error {
            WireError::Gone { .. } => error,
            WireError::Other { source, .. } => WireError::BreakRefused { port, source },
            _ => WireError::BreakRefused { port, source: Errno::INVAL },
        };
        if let Err(error) = self.tty.set_speed(baud) {
            return Err(refused(error, self.tty.name()));
        }
        let since = self.clock.now();
        let sent = self.tty.write(&[0], since + STALLED_AFTER)? == 1;
        // The whole byte must be out before the speed changes under it.
        if !sent || !self.tty.drained(since + STALLED_AFTER)? {
            self.tty.discard_output()?;
            self.tty.set_speed(dmx::BAUD)?;
            return Err(self.tty.stalled());
        }
        self.hold(Duration::from_micros(u64::from(BYTE_BITS * 1_000_000 / baud) + 1));
        self.tty.set_speed(dmx::BAUD)?;
        self.hold(Duration::from_micros(self.timing.mark_us.into()));
        Ok(())
    }
}

/// Speed at which a zero byte holds the line low for `break_us` or a little longer.
fn slow_baud(break_us: u32) -> u32 {
    LOW_BITS * 1_000_000 / break_us.max(1)
}

impl<L: Line> Port for Raw<L> {
    fn send(&mut self, frame: &Frame) -> Result<Sent, WireError> {
        let slots = self.timing.slots_sent(frame.used);
        let length = dmx::encode(&frame.slots[..slots], &mut self.packet);
        self.quiet()?;
        let started = self.clock.now();
        self.mark_start()?;
        let first_slot = self.clock.now();
        let group = if self.timing.pause_us > 0 { GROUP } else { length };
        let mut taken = 0;
        while taken < length {
            let begin = first_slot + Duration::from_micros(self.timing.byte_us(taken).into());
            if taken > 0 {
                self.clock.sleep_until(begin);
            }
            let end = (taken + group).min(length);
            let written = self.tty.write(&self.packet[taken..end], begin + STALLED_AFTER)?;
            taken += written;
            // The interface's own buffer may hold all of it: a break before that is out would cut it off,
            // and what is left over would pass for slots of the next packet.
            let now = if group == length { first_slot } else { self.clock.now() };
            let on_the_line = u64::from(START_COST_US) + written as u64 * u64::from(SLOT_US);
            self.line_free = now + Duration::from_micros(on_the_line);
            if taken < end {
                // The next break starts a new packet for the lamps; old bytes must not follow it.
                self.tty.discard_output()?;
                return Err(self.tty.stalled());
            }
        }
        Ok(Sent { started })
    }

    fn finish(&mut self) -> Result<(), WireError> {
        self.quiet()
    }

    fn note(&self) -> Option<&str> {
        match self.breaks {
            Break::Line => None,
            Break::SlowByte => Some(
                "the driver refuses break; a slow zero byte stands for it, which a picky lamp may not take",
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::WireErrorKind;
    use crate::wire::device::Device;
    use crate::wire::encode::dmx::{BREAK_MIN_US, MARK_MIN_US};
    use crate::wire::line::scripted::{Did, Faults, Scripted};

    fn scripted(faults: Faults) -> (Scripted, Raw<Scripted>) {
        let clock = SystemClock::start();
        let line = Scripted::new(clock, faults);
        (line.clone(), Raw::over(line, Timing::new(176, 16), clock))
    }

    /// Start code and 30 slots, all zero.
    fn dark() -> Did {
        Did::Wrote(vec![0; 31])
    }

    /// Source: ANSI E1.11: break of 92 µs, mark of 12 µs or more; 176 and 16 were asked. A break that is refused:
    /// a zero byte of nine low bits that last 176 µs, 51 136 bit/s.
    #[test]
    fn before_each_packet_goes_a_break_and_a_mark_of_the_length_asked() {
        let (line, mut port) = scripted(Faults::default());
        port.send(&Frame::dark(1, 1, 30)).unwrap();
        port.send(&Frame::dark(2, 1, 30)).unwrap();
        let did = line.did.lock().unwrap().clone();
        let order: Vec<Did> = did.iter().map(|(_, did)| did.clone()).collect();
        assert_eq!(order, [Did::BreakOn, Did::BreakOff, dark(), Did::BreakOn, Did::BreakOff, dark()]);
        for packet in did.chunks(3) {
            assert!(packet[1].0.after(packet[0].0) >= Duration::from_micros(176), "{packet:?}");
            assert!(packet[2].0.after(packet[1].0) >= Duration::from_micros(16), "{packet:?}");
        }
    }

    #[test]
    fn where_the_driver_refuses_break_a_slow_zero_byte_goes_before_each_packet() {
        for errno in [Errno::NOTTY, Errno::OPNOTSUPP, Errno::INVAL, Errno::NOSYS] {
            let (line, mut port) = scripted(Faults { no_break: Some(errno), ..Faults::default() });
            assert_eq!(port.note(), None);
            for number in 1..=2 {
                port.send(&Frame::dark(number, 1, 30)).unwrap();
                let slow = [Did::Speed(51_136), Did::Wrote(vec![0]), Did::Speed(250_000), dark()];
                assert_eq!(line.take(), slow, "{errno:?}");
            }
            assert!(port.note().unwrap().contains("refuses break"));
        }
    }

    #[test]
    fn where_it_refuses_the_slow_byte_too_the_output_says_that_it_makes_no_break() {
        let faults = Faults { no_break: Some(Errno::NOTTY), no_slow_speed: true, ..Faults::default() };
        let (line, mut port) = scripted(faults);
        let error = port.send(&Frame::dark(1, 1, 30)).unwrap_err();
        assert_eq!(error.kind(), WireErrorKind::BreakRefused, "{error}");
        assert_eq!(line.take(), [], "no slots without a break before them");
    }

    #[test]
    fn a_break_on_a_port_that_has_gone_is_no_refusal() {
        for errno in [Errno::IO, Errno::NODEV] {
            let (_, mut port) = scripted(Faults { no_break: Some(errno), ..Faults::default() });
            let error = port.send(&Frame::dark(1, 1, 30)).unwrap_err();
            assert_eq!(error.kind(), WireErrorKind::Gone, "{error}");
        }
    }

    #[test]
    fn a_packet_that_is_taken_in_part_is_thrown_away_and_the_next_begins_with_a_break() {
        let (line, mut port) = scripted(Faults { takes: Some(20), ..Faults::default() });
        let error = port.send(&Frame::dark(1, 1, 30)).unwrap_err();
        assert_eq!(error.kind(), WireErrorKind::WriteDeadline);
        assert_eq!(line.take(), [Did::BreakOn, Did::BreakOff, Did::Wrote(vec![0; 20]), Did::Discarded]);
        port.send(&Frame::dark(2, 1, 30)).unwrap();
        assert_eq!(line.take(), [Did::BreakOn, Did::BreakOff, dark()]);
    }

    /// The line's speed for real: a pseudo-terminal takes every break, so the refusal is put in by hand.
    #[test]
    fn after_a_slow_byte_the_port_is_back_at_full_speed() {
        let device = Device::plug_in(None, SystemClock::start()).unwrap();
        let mut port = Raw::open(device.port(), Timing::new(176, 16), SystemClock::start()).unwrap();
        port.breaks = Break::SlowByte;
        port.send(&Frame::dark(1, 1, 30)).unwrap();
        port.finish().unwrap();
        let mut bytes = [0xAA; 100];
        assert_eq!(rustix::io::read(device.far(), &mut bytes).unwrap(), 1 + 31);
        assert_eq!(bytes[..32], [0; 32]);
        assert_eq!(device.settings().unwrap().baud, dmx::BAUD);
    }

    #[test]
    fn a_packet_never_takes_less_than_its_break_and_mark_and_the_next_waits_for_the_line() {
        let clock = SystemClock::start();
        let device = Device::plug_in(None, clock).unwrap();
        let mut port = Raw::open(device.port(), Timing::new(300, 20), clock).unwrap();
        let one = port.send(&Frame::dark(1, 1, 100)).unwrap().started;
        assert!(clock.now().after(one) >= Duration::from_micros(320));
        let two = port.send(&Frame::dark(2, 1, 100)).unwrap().started;
        assert!(two.after(one) >= Duration::from_micros(320 + 101 * 44));
    }

    /// What the port took before it stalled may still be on its way: a break must not cut it off.
    #[test]
    fn after_a_short_write_the_next_break_waits_for_what_was_taken() {
        let clock = SystemClock::start();
        let device = Device::plug_in(None, clock).unwrap();
        let mut port = Raw::open(device.port(), Timing::new(176, 16), clock).unwrap();
        // Nobody reads: a pseudo-terminal takes some 25 packets, and of the last one a part.
        let frame = Frame::dark(1, 1, 512);
        let (before, error) = (0..200)
            .find_map(|_| {
                let begun = clock.now();
                port.send(&frame).err().map(|error| (begun, error))
            })
            .unwrap();
        assert!(matches!(error, WireError::WriteDeadline { .. }), "{error}");
        assert!(port.line_free >= before);
    }

    /// Source: E1.11 allows marks between slots; the figures are those of docs/wire.md: 513 bytes are nine
    /// groups of 64, so eight pauses of 1 ms.
    #[test]
    fn for_lamps_that_lose_packets_all_slots_go_out_in_groups_with_pauses() {
        let clock = SystemClock::start();
        let device = Device::plug_in(None, clock).unwrap();
        let timing = Timing::new(400, 100).slow(true);
        let mut port = Raw::open(device.port(), timing, clock).unwrap();
        let started = port.send(&Frame::dark(1, 1, 30)).unwrap().started;
        port.finish().unwrap();
        // A pseudo-terminal takes it all at once; the last group is written no sooner than its turn comes.
        assert!(clock.now().after(started) >= Duration::from_micros(500 + 512 * 44 + 8 * 1000));
        let mut bytes = [0xAA; 1000];
        assert_eq!(rustix::io::read(device.far(), &mut bytes).unwrap(), 513);
        assert_eq!(timing.packet_us(512), 400 + 100 + 513 * 44 + 8 * 1000);
        assert_eq!(timing.greatest_rate(512, DRIVER_US), 30);
    }

    /// Source: ANSI E1.11 break and mark minima for senders; a byte of 8N2 holds the line low for at
    /// most 9 bits and high for at least 2.
    #[test]
    fn a_slow_zero_byte_is_a_lawful_break_and_mark() {
        for break_us in [92, 120, 176, 500, 1000] {
            let bit_us = 1e6 / f64::from(slow_baud(break_us));
            assert!(9.0 * bit_us >= f64::from(break_us) && break_us >= BREAK_MIN_US);
            assert!(9.0 * bit_us < f64::from(break_us) * 1.001);
            assert!(2.0 * bit_us >= f64::from(MARK_MIN_US));
        }
    }
}
