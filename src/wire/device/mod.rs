//! A simulated interface: a pseudo-terminal that lampkeep opens as if it were a serial port, and the
//! far side of it, which reads what an interface would and fails when it is told to.
//!
//! A pseudo-terminal neither paces bytes nor carries a break, and accepts every break without a word: what
//! can be measured there is said in [`decode`]; that a driver refuses breaks can't be shown (docs/wire.md).

pub mod copy;
pub mod decode;

use std::ffi::OsString;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{ControlModes, tcgetattr};

use crate::clock::{Clock, SystemClock};
use crate::units::Moment;

/// Most bytes taken by one read.
const READ_MOST: usize = 4096;

/// How the far side takes what it is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reads {
    /// At once.
    All,
    /// So many bytes at a time, with so long between: slow. The pseudo-terminal's buffer (12 to 14 kB,
    /// docs/wire.md) fills up, and then takes only a part of what is written to it, or nothing.
    Pieces {
        /// Most bytes taken at a time.
        bytes: usize,
        /// From one piece to the next.
        every: Duration,
    },
    /// Nothing: stuck.
    Nothing,
}

/// How the port is set, as its user left it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineSettings {
    /// Bits a second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// True with a parity bit.
    pub parity: bool,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl std::fmt::Display for LineSettings {
    /// Such as `250000 bit/s 8N2`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let parity = if self.parity { "with parity " } else { "" };
        let none = if self.parity { "" } else { "N" };
        write!(f, "{} bit/s {parity}{}{none}{}", self.baud, self.data_bits, self.stop_bits)
    }
}

/// A simulated interface that is plugged in. Dropping it pulls the plug: its name goes, then its port.
#[derive(Debug)]
pub struct Device {
    far: OwnedFd,
    port: PathBuf,
    name: Option<PathBuf>,
    clock: SystemClock,
    reads: Reads,
    /// When the next piece may be taken.
    next_piece: Moment,
}

impl Device {
    /// Plugs one in. `name`: also make it known under this name, as a symbolic link; a link that has the
    /// name already is replaced in one step, anything else is left alone.
    ///
    /// Errors: those of the system; `AlreadyExists` if something other than a link has the name.
    pub fn plug_in(name: Option<&Path>, clock: SystemClock) -> io::Result<Self> {
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&far)?;
        unlockpt(&far)?;
        let port = PathBuf::from(OsString::from_vec(ptsname(&far, Vec::new())?.into_bytes()));
        let mut device = Self { far, port, name: None, clock, reads: Reads::All, next_piece: Moment::START };
        if let Some(name) = name {
            device.take_name(name)?;
        }
        Ok(device)
    }

    fn take_name(&mut self, name: &Path) -> io::Result<()> {
        if std::fs::symlink_metadata(name).is_ok_and(|there| !there.is_symlink()) {
            let said = format!("{} is there and no link; give another name", name.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, said));
        }
        let mut beside = name.as_os_str().to_owned();
        beside.push(".new");
        // Left by one that was killed between the two steps.
        let _ = std::fs::remove_file(&beside);
        std::os::unix::fs::symlink(&self.port, &beside)?;
        std::fs::rename(&beside, name)?;
        self.name = Some(name.to_owned());
        Ok(())
    }

    /// The port's own name, such as `/dev/pts/5`: what its name in the plan leads to.
    #[must_use]
    pub fn port(&self) -> &Path {
        &self.port
    }

    /// Takes on another way of reading.
    pub fn set_reads(&mut self, reads: Reads) {
        self.reads = reads;
        self.next_piece = self.clock.now();
    }

    /// Adds what comes within `wait` to `bytes`, as far as it reads at all; false if nothing did. Ends as
    /// soon as something came.
    ///
    /// Errors: those of the system.
    pub fn read(&mut self, wait: Duration, bytes: &mut Vec<u8>) -> io::Result<bool> {
        let until = self.clock.now() + wait;
        let most = match self.reads {
            Reads::All => READ_MOST,
            Reads::Pieces { bytes, every } => {
                if self.next_piece > until {
                    self.clock.sleep_until(until);
                    return Ok(false);
                }
                self.clock.sleep_until(self.next_piece);
                self.next_piece = self.next_piece.max(self.clock.now()) + every;
                bytes.min(READ_MOST)
            }
            Reads::Nothing => {
                self.clock.sleep_until(until);
                return Ok(false);
            }
        };
        loop {
            let left = until.after(self.clock.now());
            let timeout = Timespec {
                tv_sec: i64::try_from(left.as_secs()).unwrap_or(i64::MAX),
                tv_nsec: left.subsec_nanos().into(),
            };
            let mut fds = [PollFd::new(&self.far, PollFlags::IN)];
            match poll(&mut fds, Some(&timeout)) {
                Ok(_) | Err(Errno::INTR) => {}
                Err(errno) => return Err(errno.into()),
            }
            let seen = fds[0].revents();
            if seen.contains(PollFlags::IN) {
                let mut part = [0; READ_MOST];
                match rustix::io::read(&self.far, &mut part[..most]) {
                    Ok(n) if n > 0 => {
                        bytes.extend_from_slice(&part[..n]);
                        return Ok(true);
                    }
                    // The port's user threw it away meanwhile, or closed the port.
                    Ok(_) | Err(Errno::IO | Errno::AGAIN | Errno::INTR) => {}
                    Err(errno) => return Err(errno.into()),
                }
            }
            if seen.contains(PollFlags::HUP) {
                // Nobody has the port open: it says so at once, so the wait is ours.
                let soon = self.clock.now() + Duration::from_millis(1);
                self.clock.sleep_until(soon.min(until));
            }
            if self.clock.now() >= until {
                return Ok(false);
            }
        }
    }

    /// How the port is set: on Linux the far side of a pseudo-terminal sees its settings.
    ///
    /// Errors: those of the system.
    pub fn settings(&self) -> io::Result<LineSettings> {
        let set = tcgetattr(&self.far)?;
        let bits = set.control_modes & ControlModes::CSIZE;
        let data_bits = [(ControlModes::CS5, 5), (ControlModes::CS6, 6), (ControlModes::CS7, 7)]
            .into_iter()
            .find_map(|(mode, n)| (bits == mode).then_some(n))
            .unwrap_or(8);
        Ok(LineSettings {
            baud: set.output_speed(),
            data_bits,
            parity: set.control_modes.contains(ControlModes::PARENB),
            stop_bits: if set.control_modes.contains(ControlModes::CSTOPB) { 2 } else { 1 },
        })
    }

    /// The far side's file, for a test that looks at what [`Self::settings`] leaves out.
    #[must_use]
    pub fn far(&self) -> &OwnedFd {
        &self.far
    }
}

impl Drop for Device {
    /// The name goes first: a pseudo-terminal's number is given to someone else as soon as it is closed.
    fn drop(&mut self) {
        if let Some(name) = &self.name
            && std::fs::read_link(name).is_ok_and(|to| to == self.port)
        {
            // Nobody is left to tell; a link that leads nowhere does no harm.
            let _ = std::fs::remove_file(name);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::fs::{Mode, OFlags};

    fn open(port: &Path) -> OwnedFd {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let port = rustix::fs::open(port, flags, Mode::empty()).unwrap();
        let mut set = tcgetattr(&port).unwrap();
        set.make_raw();
        rustix::termios::tcsetattr(&port, rustix::termios::OptionalActions::Now, &set).unwrap();
        port
    }

    #[test]
    fn the_name_leads_to_the_port_while_it_is_plugged_in() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("interface");
        let clock = SystemClock::start();
        let one = Device::plug_in(Some(&name), clock).unwrap();
        assert_eq!(std::fs::read_link(&name).unwrap(), one.port());
        // Another takes the name over; the first, pulled later, leaves it alone.
        let two = Device::plug_in(Some(&name), clock).unwrap();
        drop(one);
        assert_eq!(std::fs::read_link(&name).unwrap(), two.port());
        drop(two);
        assert!(std::fs::symlink_metadata(&name).is_err());
    }

    #[test]
    fn what_is_no_link_keeps_its_name() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("notes.txt");
        std::fs::write(&name, "tide tables").unwrap();
        let error = Device::plug_in(Some(&name), SystemClock::start()).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read_to_string(&name).unwrap(), "tide tables");
    }

    #[test]
    fn a_far_side_that_reads_in_pieces_makes_a_write_come_short() {
        let clock = SystemClock::start();
        let mut device = Device::plug_in(None, clock).unwrap();
        device.set_reads(Reads::Pieces { bytes: 100, every: Duration::from_millis(20) });
        let port = open(device.port());
        let sent: Vec<u8> = (0..60_000_u32).map(|i| (i % 251) as u8).collect();
        let mut written = rustix::io::write(&port, &sent).unwrap();
        assert!(written < sent.len(), "a part of it");
        let (mut bytes, from) = (Vec::new(), clock.now());
        while bytes.len() < 500 {
            device.read(Duration::from_millis(50), &mut bytes).unwrap();
        }
        assert!(clock.now().after(from) >= Duration::from_millis(80), "five pieces");
        device.set_reads(Reads::All);
        while bytes.len() < sent.len() {
            device.read(Duration::from_millis(50), &mut bytes).unwrap();
            written += rustix::io::write(&port, &sent[written..]).unwrap_or(0);
            assert!(clock.now().elapsed() < Duration::from_secs(20));
        }
        assert_eq!(bytes, sent);
    }

    #[test]
    fn a_stuck_far_side_reads_nothing_and_a_pulled_one_is_an_error_to_its_user() {
        let clock = SystemClock::start();
        let mut device = Device::plug_in(None, clock).unwrap();
        let port = open(device.port());
        rustix::io::write(&port, b"frame").unwrap();
        let mut bytes = Vec::new();
        device.set_reads(Reads::Nothing);
        assert!(!device.read(Duration::from_millis(30), &mut bytes).unwrap());
        device.set_reads(Reads::All);
        assert!(device.read(Duration::from_secs(5), &mut bytes).unwrap());
        assert_eq!(bytes, b"frame");
        drop(device);
        assert_eq!(rustix::io::write(&port, b"frame"), Err(Errno::IO));
    }

    #[test]
    fn the_settings_are_those_that_the_user_made() {
        let device = Device::plug_in(None, SystemClock::start()).unwrap();
        let port = open(device.port());
        let mut set = tcgetattr(&port).unwrap();
        set.control_modes |= ControlModes::CSTOPB;
        set.set_speed(250_000).unwrap();
        rustix::termios::tcsetattr(&port, rustix::termios::OptionalActions::Now, &set).unwrap();
        assert_eq!(device.settings().unwrap().to_string(), "250000 bit/s 8N2");
    }
}
