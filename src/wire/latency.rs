//! How long a USB serial driver lets what an interface answers wait.

use std::fmt;
use std::path::{Path, PathBuf};

/// A driver's latency timer, where it has one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LatencyTimer {
    /// The interface collects what it received for so many milliseconds, 1 to 255; 16 is usual.
    pub ms: u32,
    /// The file that holds it, for root to write.
    pub file: PathBuf,
}

impl LatencyTimer {
    /// The timer of a port; `None` where its driver has none, or the port is not there.
    #[must_use]
    pub fn of(port: &Path) -> Option<Self> {
        Self::under(Path::new("/sys"), port)
    }

    fn under(sys: &Path, port: &Path) -> Option<Self> {
        let port = std::fs::canonicalize(port).ok()?;
        let file = sys.join("bus/usb-serial/devices").join(port.file_name()?).join("latency_timer");
        let ms = std::fs::read_to_string(&file).ok()?.trim().parse().ok()?;
        Some(Self { ms, file })
    }

    /// True if there is something to gain: 1 ms is the least, and what USB itself takes.
    #[must_use]
    pub fn is_slow(&self) -> bool {
        self.ms > 1
    }
}

impl fmt::Display for LatencyTimer {
    /// What it means and the cure. It holds up what comes from the interface, never the light.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "its driver hands on what the interface says every {} ms", self.ms)?;
        if self.is_slow() {
            write!(
                f,
                "; frames do not wait for that, answers do: as root, `echo 1 > {}`",
                self.file.display()
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Linux, drivers/usb/serial/ftdi_sio.c: `latency_timer` in the port's own folder, in milliseconds.
    #[test]
    fn the_drivers_latency_timer_is_read_and_advised_on() {
        let folder = tempfile::tempdir().unwrap();
        let (sys, port) = (folder.path().join("sys"), folder.path().join("ttyUSB3"));
        std::fs::write(&port, "").unwrap();
        assert_eq!(LatencyTimer::under(&sys, &port), None);
        let own = sys.join("bus/usb-serial/devices/ttyUSB3");
        std::fs::create_dir_all(&own).unwrap();
        let link = folder.path().join("by-id");
        std::os::unix::fs::symlink(&port, &link).unwrap();
        for (text, ms, slow) in [("16\n", 16, true), ("1\n", 1, false)] {
            std::fs::write(own.join("latency_timer"), text).unwrap();
            let timer = LatencyTimer::under(&sys, &link).unwrap();
            assert_eq!((timer.ms, timer.is_slow()), (ms, slow));
            assert_eq!(timer.to_string().contains("`echo 1 > "), slow, "{timer}");
        }
    }
}
