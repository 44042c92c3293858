//! What all outputs share: the port that a sender drives, how it is opened, and the rate it has room for.

use super::encode::dmx::Timing;
use super::error::WireError;
use super::find::Finder;
use super::serial_framed::Framed;
use super::serial_raw::{DRIVER_US, Raw};
use super::sim::{SimPort, SimWatch};
use crate::channels::Frame;
use crate::clock::SystemClock;
use crate::plan::{Output, OutputKind};
use crate::units::{FrameClock, Moment};

/// Something that carries frames to lamps. Dropping it releases the port at once; what the lamps
/// were sent last is left standing.
pub trait Port: Send {
    /// Sends one frame. Takes bounded time, whatever the far side does.
    ///
    /// Errors: all but [`super::WireErrorKind::WriteDeadline`] mean that the port is of no more use.
    fn send(&mut self, frame: &Frame) -> Result<Sent, WireError>;

    /// Waits, for a bounded time, until all that was sent has left the port.
    ///
    /// Errors: as [`Port::send`].
    fn finish(&mut self) -> Result<(), WireError>;

    /// What a person should know of a port that works, if anything.
    fn note(&self) -> Option<&str>;
}

/// A frame on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sent {
    /// When it started: the start of its break, or of its first byte.
    pub started: Moment,
}

/// Opens what an output of the plan names; the simulator shows its frames to `watch`.
///
/// Errors: every kind that an open can meet; never waits for the far side.
pub fn open(
    output: &Output,
    clock: SystemClock,
    watch: Option<&SimWatch>,
) -> Result<Box<dyn Port>, WireError> {
    open_found(output, clock, watch, finder(output).as_mut())
}

/// What finds an output's interface, again and again; `None` for the simulator and the network, which need none.
#[must_use]
pub fn finder(output: &Output) -> Option<Finder> {
    match &output.kind {
        OutputKind::Raw { port, .. } | OutputKind::Framed { port } => Some(Finder::new(port.clone())),
        OutputKind::E131(_) | OutputKind::Simulator => None,
    }
}

/// As [`open`], by what `finder` knows of the output's interface.
pub(super) fn open_found(
    output: &Output,
    clock: SystemClock,
    watch: Option<&SimWatch>,
    finder: Option<&mut Finder>,
) -> Result<Box<dyn Port>, WireError> {
    // Network outputs have no port: `wire::Outputs` never asks for one.
    let no_port =
        || WireError::NotASerialPort { port: output.name.clone(), source: rustix::io::Errno::NOTTY };
    if matches!(output.kind, OutputKind::E131(_)) {
        return Err(no_port());
    }
    let Some(finder) = finder else { return Ok(Box::new(SimPort::new(watch.cloned(), clock))) };
    let path = finder.find()?;
    let port: Box<dyn Port> = match output.kind {
        OutputKind::Raw { break_us, mark_us, slow, .. } => {
            Box::new(Raw::open(&path, Timing::new(break_us, mark_us).slow(slow), clock)?)
        }
        OutputKind::Framed { .. } => Box::new(Framed::open(&path, clock)?),
        OutputKind::Simulator => Box::new(SimPort::new(watch.cloned(), clock)),
        OutputKind::E131(_) => return Err(no_port()),
    };
    finder.opened(&path)?;
    Ok(port)
}

/// Frames a second that an output can send when the patch uses `used` slots: the plan's rate, or less
/// where a plain serial line has no room for it.
///
/// Framed interfaces, the network and the simulator have no such limit that we could know.
#[must_use]
pub fn attainable_rate(output: &Output, used: u16) -> u32 {
    let asked = output.rate.clamp(1, FrameClock::MAX_RATE);
    match output.kind {
        OutputKind::Raw { break_us, mark_us, slow, .. } => {
            let timing = Timing::new(break_us, mark_us).slow(slow);
            asked.min(timing.greatest_rate(timing.slots_sent(used), DRIVER_US)).max(1)
        }
        OutputKind::Framed { .. } | OutputKind::E131(_) | OutputKind::Simulator => asked,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Wake;

    fn raw(rate: u32) -> Output {
        Output {
            name: "pier".to_owned(),
            kind: OutputKind::Raw { port: "/dev/ttyUSB0".into(), break_us: 176, mark_us: 16, slow: false },
            universe: 1,
            rate,
            wake: Wake::Sleep,
        }
    }

    /// Source: arithmetic. E1.11's 176 + 16 + 513 x 44 = 22 764 µs; 1.2 ms for the driver's break
    /// (measured, docs/wire.md) and 1 ms of USB: 24 964 µs, 40.06 a second.
    #[test]
    fn a_full_universe_leaves_room_for_40_frames_a_second() {
        assert_eq!(attainable_rate(&raw(44), 512), 40);
        assert_eq!(attainable_rate(&raw(30), 512), 30);
        assert_eq!(attainable_rate(&raw(44), 100), 44);
    }

    #[test]
    fn the_other_outputs_take_the_rate_that_was_asked() {
        let output = Output { kind: OutputKind::Simulator, ..raw(44) };
        assert_eq!(attainable_rate(&output, 512), 44);
    }
}
