//! What a raw output asks of a serial line: the seam at which tests put in a driver that refuses, since a
//! pseudo-terminal accepts every break (docs/wire.md).

use rustix::io::Errno;

use super::WireError;
use super::tty::Tty;
use crate::units::Moment;

/// An open serial line; what each means is said at [`Tty`].
pub trait Line: Send {
    fn set_speed(&mut self, baud: u32) -> Result<(), WireError>;
    fn set_break(&self) -> Result<(), Errno>;
    fn clear_break(&self) -> Result<(), WireError>;
    fn write(&mut self, bytes: &[u8], deadline: Moment) -> Result<usize, WireError>;
    fn drained(&mut self, deadline: Moment) -> Result<bool, WireError>;
    fn discard_output(&mut self) -> Result<(), WireError>;
    fn stalled(&self) -> WireError;
    fn failed(&self, doing: &'static str, errno: Errno) -> WireError;
    fn name(&self) -> String;
}

impl Line for Tty {
    fn set_speed(&mut self, baud: u32) -> Result<(), WireError> {
        Self::set_speed(self, baud)
    }

    fn set_break(&self) -> Result<(), Errno> {
        Self::set_break(self)
    }

    fn clear_break(&self) -> Result<(), WireError> {
        Self::clear_break(self)
    }

    fn write(&mut self, bytes: &[u8], deadline: Moment) -> Result<usize, WireError> {
        Self::write(self, bytes, deadline)
    }

    fn drained(&mut self, deadline: Moment) -> Result<bool, WireError> {
        Self::drained(self, deadline)
    }

    fn discard_output(&mut self) -> Result<(), WireError> {
        Self::discard_output(self)
    }

    fn stalled(&self) -> WireError {
        Self::stalled(self)
    }

    fn failed(&self, doing: &'static str, errno: Errno) -> WireError {
        Self::failed(self, doing, errno)
    }

    fn name(&self) -> String {
        Self::name(self)
    }
}

/// A line that does as it is told and writes down what was asked of it.
#[cfg(test)]
pub mod scripted {
    use std::path::Path;
    use std::sync::{Arc, Mutex};

    use super::*;
    use crate::clock::{Clock, SystemClock};
    use crate::wire::tty::STALLED_AFTER;

    /// What was asked.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub enum Did {
        Speed(u32),
        BreakOn,
        BreakOff,
        Wrote(Vec<u8>),
        Discarded,
    }

    /// How it fails.
    #[derive(Debug, Clone, Default)]
    pub struct Faults {
        /// What the driver answers to a break.
        pub no_break: Option<Errno>,
        /// What it answers to any speed but DMX's.
        pub no_slow_speed: bool,
        /// So many bytes of the next write are taken; of later ones, all.
        pub takes: Option<usize>,
    }

    /// A scripted line; clones share what they wrote down.
    #[derive(Clone)]
    pub struct Scripted {
        pub faults: Arc<Mutex<Faults>>,
        pub did: Arc<Mutex<Vec<(Moment, Did)>>>,
        clock: SystemClock,
    }

    impl Scripted {
        pub fn new(clock: SystemClock, faults: Faults) -> Self {
            Self { faults: Arc::new(Mutex::new(faults)), did: Arc::default(), clock }
        }

        fn note(&self, did: Did) {
            self.did.lock().unwrap().push((self.clock.now(), did));
        }

        /// All that was done, without the moments; begins anew.
        pub fn take(&self) -> Vec<Did> {
            self.did.lock().unwrap().drain(..).map(|(_, did)| did).collect()
        }
    }

    impl Line for Scripted {
        fn set_speed(&mut self, baud: u32) -> Result<(), WireError> {
            if self.faults.lock().unwrap().no_slow_speed && baud != 250_000 {
                return Err(WireError::SpeedRefused { port: self.name(), asked: baud, got: 250_000 });
            }
            self.note(Did::Speed(baud));
            Ok(())
        }

        fn set_break(&self) -> Result<(), Errno> {
            self.faults.lock().unwrap().no_break.map_or(Ok(()), Err)?;
            self.note(Did::BreakOn);
            Ok(())
        }

        fn clear_break(&self) -> Result<(), WireError> {
            self.note(Did::BreakOff);
            Ok(())
        }

        fn write(&mut self, bytes: &[u8], _: Moment) -> Result<usize, WireError> {
            let taken = self.faults.lock().unwrap().takes.take().unwrap_or(bytes.len()).min(bytes.len());
            self.note(Did::Wrote(bytes[..taken].to_vec()));
            Ok(taken)
        }

        fn drained(&mut self, _: Moment) -> Result<bool, WireError> {
            Ok(true)
        }

        fn discard_output(&mut self) -> Result<(), WireError> {
            self.note(Did::Discarded);
            Ok(())
        }

        fn stalled(&self) -> WireError {
            let waited_ms = u64::try_from(STALLED_AFTER.as_millis()).unwrap();
            WireError::WriteDeadline { port: self.name(), waited_ms }
        }

        fn failed(&self, doing: &'static str, errno: Errno) -> WireError {
            WireError::using(Path::new(&self.name()), doing, errno)
        }

        fn name(&self) -> String {
            "/dev/ttyUSB0".to_owned()
        }
    }
}
