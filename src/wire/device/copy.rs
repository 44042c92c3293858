//! A second port that hands on what a simulated interface was sent, for other programs to read.

use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::{Errno, ioctl_fionread};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

use super::Device;
use crate::clock::SystemClock;
use crate::wire::encode::framed::MESSAGE_MAX;

/// Bytes that may wait unread; more are thrown away, so that a reader that comes late gets new light.
const WAITING_MOST: u64 = 3 * MESSAGE_MAX as u64;

/// The port that others read.
#[derive(Debug)]
pub struct Copy {
    device: Device,
    /// Held open, so that it keeps its settings and what waits in it while nobody reads.
    near: OwnedFd,
    /// What it had no room for.
    rest: Vec<u8>,
}

impl Copy {
    /// Makes one known as `name`. Errors: as [`Device::plug_in`].
    pub fn plug_in(name: &Path, clock: SystemClock) -> io::Result<Self> {
        let device = Device::plug_in(Some(name), clock)?;
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let near = rustix::fs::open(device.port(), flags, Mode::empty())?;
        let mut set = tcgetattr(&near)?;
        // Bytes pass as they are, and nothing comes back.
        set.make_raw();
        tcsetattr(&near, OptionalActions::Now, &set)?;
        fcntl_setfl(device.far(), fcntl_getfl(device.far())? | OFlags::NONBLOCK)?;
        Ok(Self { device, near, rest: Vec::new() })
    }

    /// Hands bytes on; never waits. Where they are not read, older ones are thrown away.
    ///
    /// Errors: those of the system.
    pub fn put(&mut self, bytes: &[u8]) -> io::Result<()> {
        if ioctl_fionread(&self.near)? > WAITING_MOST {
            tcflush(&self.near, QueueSelector::IFlush)?;
            self.rest.clear();
        }
        self.rest.extend_from_slice(bytes);
        match rustix::io::write(self.device.far(), &self.rest) {
            Ok(n) => {
                self.rest.drain(..n);
                Ok(())
            }
            Err(Errno::AGAIN | Errno::INTR) => Ok(()),
            Err(errno) => Err(errno.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::clock::Clock;

    #[test]
    fn another_program_reads_what_was_put_and_no_stale_light() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("copy");
        let mut copy = Copy::plug_in(&name, SystemClock::start()).unwrap();
        let clock = SystemClock::start();
        // Frames that nobody reads, as far apart as the kernel needs to hand each on: it does so in a thread of its own.
        for n in 0..100 {
            copy.put(&[n + 100; 513]).unwrap();
            clock.sleep_until(clock.now() + Duration::from_millis(5));
        }
        let reader =
            rustix::fs::open(&name, OFlags::RDONLY | OFlags::NOCTTY | OFlags::NONBLOCK, Mode::empty());
        let reader = reader.unwrap();
        let mut bytes = vec![0; 100_000];
        let (mut got, clock) = (Vec::new(), SystemClock::start());
        while got.last() != Some(&7) {
            assert!(clock.now().elapsed().as_secs() < 20, "{} bytes", got.len());
            copy.put(&[7; 513]).unwrap();
            let n = rustix::io::read(&reader, &mut bytes[..]).unwrap_or(0);
            got.extend_from_slice(&bytes[..n]);
            clock.sleep_until(clock.now() + Duration::from_millis(5));
        }
        let old = got.iter().filter(|byte| **byte != 7).count();
        assert!(old < 16 * 513, "{old} bytes of old light");
    }
}
