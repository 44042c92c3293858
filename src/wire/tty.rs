//! A serial port held exclusively, raw 8N2, on which every wait has a deadline.
//!
//! Not the `serialport` crate: its time-out does not bound a write and its errors hide errno
//! (docs/wire.md).

use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::io::Errno;
use rustix::termios::{
    ControlModes, OptionalActions, QueueSelector, Termios, ioctl_tiocexcl, tcflush, tcgetattr, tcsetattr,
};

use super::error::WireError;
use super::os;
use crate::clock::{Clock, SystemClock};
use crate::units::Moment;

/// Longest wait for a port to take or to pass on one frame. Chosen: four frames at 40 a second; a
/// port that works needs 23 ms for the longest packet, and E1.11 lets a second pass from break to break.
pub const STALLED_AFTER: Duration = Duration::from_millis(STALLED_MS);
const STALLED_MS: u64 = 100;
/// Between looks at the output queue, and between tries of a port that is ready but takes nothing.
const LOOK_AGAIN: Duration = Duration::from_micros(500);

/// An open port.
pub struct Tty {
    port: OwnedFd,
    path: PathBuf,
    clock: SystemClock,
    settings: Termios,
    /// Bytes may be left in the output queue that nobody will take.
    stuck: bool,
}

impl Tty {
    /// Opens `path` without waiting for the far side, takes it for this program alone, and sets it
    /// raw at `baud`, 8 data bits, no parity, two stop bits, no flow control.
    ///
    /// Errors: [`WireError::opening`]'s kinds, `SpeedRefused` where the driver set another speed.
    pub fn open(path: &Path, baud: u32, clock: SystemClock) -> Result<Self, WireError> {
        let failed = |errno| WireError::opening(path, errno);
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let port = rustix::fs::open(path, flags, Mode::empty()).map_err(failed)?;
        // First of all that it is a terminal: a lock on some other file would be worth nothing.
        let mut settings = tcgetattr(&port).map_err(failed)?;
        // Both: the lock keeps out programs that lock too, even root's; TIOCEXCL all others.
        flock(&port, FlockOperation::NonBlockingLockExclusive).map_err(failed)?;
        ioctl_tiocexcl(&port).map_err(failed)?;

        settings.make_raw();
        settings.control_modes |= ControlModes::CLOCAL | ControlModes::CREAD | ControlModes::CSTOPB;
        // HUPCL off: DTR stays as it is when the port is closed, so that an interface which makes
        // its own DMX goes on with the last frame.
        settings.control_modes -= ControlModes::CRTSCTS | ControlModes::HUPCL;
        let mut tty = Self { port, path: path.to_owned(), clock, settings, stuck: false };
        tty.set_speed(baud)?;
        Ok(tty)
    }

    /// Sets another speed at once.
    pub fn set_speed(&mut self, baud: u32) -> Result<(), WireError> {
        let failed = |errno| WireError::using(&self.path, "set its speed", errno);
        self.settings.set_speed(baud).map_err(failed)?;
        tcsetattr(&self.port, OptionalActions::Now, &self.settings).map_err(failed)?;
        let got = tcgetattr(&self.port).map_err(failed)?.output_speed();
        // 2 %: E1.11 allows bits of 3.92 to 4.08 µs (from memory).
        if got.abs_diff(baud) > baud / 50 {
            return Err(WireError::SpeedRefused { port: self.path.display().to_string(), asked: baud, got });
        }
        Ok(())
    }

    /// Pulls the line to break. Errors: errno, for the caller to find another way.
    pub fn set_break(&self) -> Result<(), Errno> {
        os::set_break(self.port.as_fd())
    }

    /// Ends the break.
    pub fn clear_break(&self) -> Result<(), WireError> {
        os::clear_break(self.port.as_fd()).map_err(|errno| self.failed("end the break", errno))
    }

    /// Writes all of `bytes`, waiting for room until `deadline`; returns how many the port took, fewer
    /// only when the deadline passed.
    pub fn write(&mut self, bytes: &[u8], deadline: Moment) -> Result<usize, WireError> {
        let mut written = 0;
        while written < bytes.len() {
            match rustix::io::write(&self.port, &bytes[written..]) {
                Ok(n) if n > 0 => written += n,
                Err(Errno::INTR) => {}
                Ok(_) | Err(Errno::AGAIN) => {
                    if !self.wait_for_room(deadline)? {
                        break;
                    }
                }
                Err(errno) => return Err(self.failed("write to it", errno)),
            }
        }
        self.stuck = written < bytes.len();
        Ok(written)
    }

    /// True once the port may take more; false when the deadline passed.
    fn wait_for_room(&self, deadline: Moment) -> Result<bool, WireError> {
        let now = self.clock.now();
        let left = deadline.after(now);
        if left.is_zero() {
            return Ok(false);
        }
        let timeout = Timespec {
            tv_sec: i64::try_from(left.as_secs()).unwrap_or(i64::MAX),
            tv_nsec: left.subsec_nanos().into(),
        };
        let mut fds = [PollFd::new(&self.port, PollFlags::OUT)];
        match poll(&mut fds, Some(&timeout)) {
            Ok(_) | Err(Errno::INTR) => {}
            Err(errno) => return Err(self.failed("wait for it", errno)),
        }
        let seen = fds[0].revents();
        if seen.intersects(PollFlags::ERR | PollFlags::HUP | PollFlags::NVAL) {
            return Err(self.failed("write to it", Errno::IO));
        }
        // A port may call itself ready and still take nothing: never spin on that.
        self.clock.sleep_until(deadline.min(now + LOOK_AGAIN));
        Ok(true)
    }

    /// What has come in, into `bytes`: at least one byte, or none once the deadline has passed.
    pub fn read(&mut self, bytes: &mut [u8], deadline: Moment) -> Result<usize, WireError> {
        loop {
            match rustix::io::read(&self.port, &mut *bytes) {
                Ok(n) if n > 0 => return Ok(n),
                Ok(_) | Err(Errno::AGAIN | Errno::INTR) => {}
                Err(errno) => return Err(self.failed("read from it", errno)),
            }
            let now = self.clock.now();
            if now >= deadline {
                return Ok(0);
            }
            self.clock.sleep_until(deadline.min(now + LOOK_AGAIN));
        }
    }

    /// Throws away what has come in so far.
    pub fn discard_input(&self) {
        // One that cannot be emptied gives old bytes, which are no whole message.
        let _ = tcflush(&self.port, QueueSelector::IFlush);
    }

    /// Waits until nothing is left in the output queue; false when the deadline passed.
    pub fn drained(&mut self, deadline: Moment) -> Result<bool, WireError> {
        loop {
            let queued = os::output_queued(self.port.as_fd())
                .map_err(|errno| self.failed("look at its output queue", errno))?;
            self.stuck &= queued > 0;
            let now = self.clock.now();
            if queued == 0 {
                return Ok(true);
            }
            if now >= deadline {
                self.stuck = true;
                return Ok(false);
            }
            self.clock.sleep_until(deadline.min(now + LOOK_AGAIN));
        }
    }

    /// Throws away what waits in the output queue.
    pub fn discard_output(&mut self) -> Result<(), WireError> {
        tcflush(&self.port, QueueSelector::OFlush)
            .map_err(|errno| self.failed("empty its output queue", errno))?;
        self.stuck = false;
        Ok(())
    }

    /// The error that says the port took no more for [`STALLED_AFTER`].
    pub fn stalled(&self) -> WireError {
        WireError::WriteDeadline { port: self.name(), waited_ms: STALLED_MS }
    }

    /// The error that an errno of this port means.
    pub fn failed(&self, doing: &'static str, errno: Errno) -> WireError {
        WireError::using(&self.path, doing, errno)
    }

    /// As the plan names it.
    pub fn name(&self) -> String {
        self.path.display().to_string()
    }
}

impl Drop for Tty {
    /// A close waits for queued output, up to 30 s by default (from memory): not when nobody takes it.
    fn drop(&mut self) {
        if self.stuck {
            // The port is being given up; there is nobody left to tell.
            let _ = self.discard_output();
        }
    }
}
