//! The simulator's record file: one line for each change of a universe.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Mutex, PoisonError};
use std::thread::JoinHandle;

use crate::channels::{Frame, SLOTS};
use crate::units::FrameNumber;

/// Frames that may wait for the disk: with two universes at 40 a second, 6 s of it.
const WAITING: usize = 512;

/// What a record holds once it is ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorded {
    /// Lines written.
    pub lines: u64,
    /// Frames that the disk was too slow for; a change among them may be missing.
    pub dropped: u64,
}

/// A line read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordedFrame {
    /// Frame number.
    pub number: FrameNumber,
    /// Universe.
    pub universe: u16,
    /// Slots in use, slot 1 first.
    pub slots: Vec<u8>,
}

/// A frame as a line, without its end: number, universe, and the slots in use in hex.
///
/// ```
/// use lampkeep::{channels::Frame, wire::sim::record_line};
/// let mut frame = Frame::dark(40, 2, 3);
/// frame.slots[..3].copy_from_slice(&[255, 0, 10]);
/// assert_eq!(record_line(&frame), "40 2 ff000a");
/// ```
#[must_use]
pub fn record_line(frame: &Frame) -> String {
    let mut line = format!("{} {} ", frame.number, frame.universe);
    for slot in &frame.slots[..usize::from(frame.used).min(SLOTS)] {
        // Writing to a string cannot fail.
        let _ = write!(line, "{slot:02x}");
    }
    line
}

/// Reads a line of a record back; `None` if it is none.
#[must_use]
pub fn parse_line(line: &str) -> Option<RecordedFrame> {
    let mut fields = line.trim_end().split(' ');
    let (number, universe) = (fields.next()?.parse().ok()?, fields.next()?.parse().ok()?);
    let (pairs, []) = fields.next().unwrap_or("").as_bytes().as_chunks::<2>() else { return None };
    let digit = |b: u8| char::from(b).to_digit(16).and_then(|d| u8::try_from(d).ok());
    let slots =
        pairs.iter().map(|[high, low]| Some(digit(*high)? << 4 | digit(*low)?)).collect::<Option<_>>()?;
    fields.next().is_none().then_some(RecordedFrame { number, universe, slots })
}

/// The thread that writes, and the way to it.
pub struct Recorder {
    /// `None` once ended.
    way: Mutex<Option<Way>>,
    dropped: AtomicU64,
}

struct Way {
    frames: SyncSender<Frame>,
    thread: JoinHandle<io::Result<u64>>,
}

impl Recorder {
    pub fn start(path: &Path) -> io::Result<Self> {
        let file = BufWriter::new(File::create(path)?);
        let (frames, waiting) = sync_channel(WAITING);
        let thread = std::thread::Builder::new()
            .name("record".to_owned())
            .spawn(move || write_changes(file, &waiting))?;
        Ok(Self { way: Mutex::new(Some(Way { frames, thread })), dropped: AtomicU64::new(0) })
    }

    /// Hands a frame on; drops and counts it if the disk is that far behind.
    pub fn put(&self, frame: &Frame) {
        let way = self.way.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(way) = way.as_ref()
            && way.frames.try_send(*frame).is_err()
        {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    pub fn end(&self) -> io::Result<Option<Recorded>> {
        let way = self.way.lock().unwrap_or_else(PoisonError::into_inner).take();
        let Some(Way { frames, thread }) = way else { return Ok(None) };
        drop(frames);
        let lines = thread.join().map_err(|_| io::Error::other("the record's thread ended early"))??;
        Ok(Some(Recorded { lines, dropped: self.dropped.load(Ordering::Relaxed) }))
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        // Whoever wants to know calls `end`; here the record is only brought to its end.
        let _ = self.end();
    }
}

fn write_changes(mut file: impl Write, frames: &Receiver<Frame>) -> io::Result<u64> {
    let mut before = BTreeMap::new();
    let mut lines = 0;
    for frame in frames {
        if before.insert(frame.universe, (frame.slots, frame.used)) != Some((frame.slots, frame.used)) {
            writeln!(file, "{}", record_line(&frame))?;
            lines += 1;
        }
    }
    file.flush()?;
    Ok(lines)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn frame(number: u64, universe: u16, level: u8) -> Frame {
        let mut frame = Frame::dark(number, universe, 2);
        frame.slots[..2].fill(level);
        frame
    }

    #[test]
    fn only_changes_are_recorded_each_universe_by_itself() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("record");
        let recorder = Recorder::start(&path).unwrap();
        for (number, universe, level) in [(1, 1, 9), (1, 2, 9), (2, 1, 9), (2, 2, 9), (3, 1, 0), (3, 2, 9)] {
            recorder.put(&frame(number, universe, level));
        }
        assert_eq!(recorder.end().unwrap(), Some(Recorded { lines: 3, dropped: 0 }));
        assert_eq!(recorder.end().unwrap(), None);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "1 1 0909\n1 2 0909\n3 1 0000\n");
    }

    #[test]
    fn a_full_disk_stops_no_frame_and_is_said_at_the_end() {
        // /dev/full takes no byte: ENOSPC. Source: full(4).
        let recorder = Recorder::start(Path::new("/dev/full")).unwrap();
        recorder.put(&frame(1, 1, 1));
        assert_eq!(recorder.end().unwrap_err().kind(), io::ErrorKind::StorageFull);
    }

    proptest! {
        #[test]
        fn a_line_reads_back_as_the_frame_it_was(
            number: u64, universe: u16, slots in prop::collection::vec(any::<u8>(), 0..=512),
        ) {
            let mut frame = Frame::dark(number, universe, u16::try_from(slots.len()).unwrap());
            frame.slots[..slots.len()].copy_from_slice(&slots);
            let back = parse_line(&record_line(&frame));
            prop_assert_eq!(back, Some(RecordedFrame { number, universe, slots }));
        }

        #[test]
        fn no_text_makes_the_reader_panic(text in ".{0,60}") {
            let _ = parse_line(&text);
        }
    }
}
