//! The simulator: keeps what it was sent, and reads it back as light with arithmetic of its own.

mod curve;
mod decode;
mod record;
mod white;

use std::collections::VecDeque;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

pub use decode::{Shown, WhiteScience, shown};
pub use record::{Recorded, RecordedFrame, parse_line, record_line};

use super::error::WireError;
use super::output::{Port, Sent};
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};

use record::Recorder;

/// Frames kept where nothing else is asked: six seconds at 40 a second, 140 kB.
const KEPT: usize = 256;

/// What simulators were sent, for whoever watches: the newest frames, and if asked a record file.
/// Clones share it; one may serve many outputs.
#[derive(Clone)]
pub struct SimWatch {
    inner: Arc<Inner>,
}

struct Inner {
    kept: Mutex<Kept>,
    recorder: Option<Recorder>,
}

struct Kept {
    frames: VecDeque<Frame>,
    most: usize,
    lost: u64,
}

impl Default for SimWatch {
    fn default() -> Self {
        Self::keeping(KEPT)
    }
}

impl SimWatch {
    /// Keeps the newest `most` frames.
    #[must_use]
    pub fn keeping(most: usize) -> Self {
        Self::with(most, None)
    }

    /// Also writes every change to a file: a line `FRAME UNIVERSE SLOTS` (numbers in decimal, slots
    /// in hex from slot 1) for each frame whose slots differ from those before in its universe.
    ///
    /// A thread of its own writes; frames never wait for the disk. Errors: the file cannot be made, or
    /// the thread not started.
    pub fn recording(most: usize, file: &Path) -> io::Result<Self> {
        Ok(Self::with(most, Some(Recorder::start(file)?)))
    }

    fn with(most: usize, recorder: Option<Recorder>) -> Self {
        let kept = Kept { frames: VecDeque::with_capacity(most.clamp(1, KEPT)), most: most.max(1), lost: 0 };
        Self { inner: Arc::new(Inner { kept: Mutex::new(kept), recorder }) }
    }

    /// Takes out what was kept, oldest first.
    #[must_use]
    pub fn take(&self) -> Vec<Frame> {
        // Only the queue changes hands under the lock, so that a sender hardly ever waits here.
        std::mem::take(&mut self.kept().frames).into()
    }

    /// Frames that were pushed out by newer ones before anyone took them.
    #[must_use]
    pub fn lost(&self) -> u64 {
        self.kept().lost
    }

    /// The newest frame kept of a universe.
    #[must_use]
    pub fn newest(&self, universe: u16) -> Option<Frame> {
        self.kept().frames.iter().rev().find(|f| f.universe == universe).copied()
    }

    /// Ends the record and waits until it is on its way to the disk; later frames are not recorded.
    ///
    /// Returns what was recorded, `None` where no record was asked or it has been ended before.
    /// Errors: those of writing.
    pub fn end_record(&self) -> io::Result<Option<Recorded>> {
        self.inner.recorder.as_ref().map_or(Ok(None), Recorder::end)
    }

    fn put(&self, frame: &Frame) {
        if let Some(recorder) = &self.inner.recorder {
            recorder.put(frame);
        }
        let mut kept = self.kept();
        if kept.frames.len() == kept.most {
            kept.frames.pop_front();
            kept.lost += 1;
        }
        kept.frames.push_back(*frame);
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.inner.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A simulated interface.
pub struct SimPort {
    watch: Option<SimWatch>,
    clock: SystemClock,
}

impl SimPort {
    /// One that hands its frames to `watch`, under a lock that a watcher holds for some moments; without one
    /// it keeps none, and waits for nobody.
    #[must_use]
    pub fn new(watch: Option<SimWatch>, clock: SystemClock) -> Self {
        Self { watch, clock }
    }
}

impl Port for SimPort {
    fn send(&mut self, frame: &Frame) -> Result<Sent, WireError> {
        let started = self.clock.now();
        if let Some(watch) = &self.watch {
            watch.put(frame);
        }
        Ok(Sent { started })
    }

    fn finish(&mut self) -> Result<(), WireError> {
        Ok(())
    }

    fn note(&self) -> Option<&str> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_frames_are_kept_and_the_lost_ones_counted() {
        let watch = SimWatch::keeping(2);
        for number in 1..=3 {
            watch.put(&Frame::dark(number, 1, 8));
        }
        assert_eq!(watch.newest(1).map(|f| f.number), Some(3));
        assert_eq!(watch.newest(2), None);
        assert_eq!(watch.take().iter().map(|f| f.number).collect::<Vec<_>>(), [2, 3]);
        assert_eq!(watch.lost(), 1);
        assert!(watch.take().is_empty());
    }
}
