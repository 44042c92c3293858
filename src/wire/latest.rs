//! The newest frame, handed from the engine to a sender without locks, waits or allocations.
//!
//! A triple buffer: the writer owns one cell, the reader one, and the third changes hands by one
//! atomic swap. The cells are atomics, so that this needs no unsafe code and no crate.

use std::array;
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};

use crate::channels::{Frame, SLOTS};

const WORDS: usize = SLOTS / 8;
/// Set in `middle` when its cell is newer than the reader's.
const FRESH: u8 = 0b100;

struct Cell {
    number: AtomicU64,
    /// Universe in the upper, slots used in the lower 16 bits.
    head: AtomicU64,
    slots: [AtomicU64; WORDS],
}

impl Cell {
    fn new() -> Self {
        Self {
            number: AtomicU64::new(0),
            head: AtomicU64::new(0),
            slots: array::from_fn(|_| AtomicU64::new(0)),
        }
    }

    // Relaxed is enough: a cell has one owner at a time, and the swap of `middle` orders the owners.
    fn set(&self, frame: &Frame) {
        self.number.store(frame.number, Ordering::Relaxed);
        self.head.store(u64::from(frame.universe) << 16 | u64::from(frame.used), Ordering::Relaxed);
        for (word, bytes) in self.slots.iter().zip(frame.slots.as_chunks::<8>().0) {
            word.store(u64::from_le_bytes(*bytes), Ordering::Relaxed);
        }
    }

    fn get(&self) -> Frame {
        let [used_low, used_high, low, high, ..] = self.head.load(Ordering::Relaxed).to_le_bytes();
        let mut frame = Frame::dark(
            self.number.load(Ordering::Relaxed),
            u16::from_le_bytes([low, high]),
            u16::from_le_bytes([used_low, used_high]),
        );
        for (bytes, word) in frame.slots.as_chunks_mut::<8>().0.iter_mut().zip(&self.slots) {
            *bytes = word.load(Ordering::Relaxed).to_le_bytes();
        }
        frame
    }
}

struct Shared {
    cells: [Cell; 3],
    /// Index of the cell between the two ends, with [`FRESH`].
    middle: AtomicU8,
}

/// The engine's end.
pub struct Writer {
    shared: Arc<Shared>,
    own: u8,
}

/// The sender's end.
pub struct Reader {
    shared: Arc<Shared>,
    own: u8,
    any: bool,
}

/// Both ends of a buffer that holds no frame yet.
pub fn latest() -> (Writer, Reader) {
    let shared = Arc::new(Shared { cells: array::from_fn(|_| Cell::new()), middle: AtomicU8::new(1) });
    (Writer { shared: Arc::clone(&shared), own: 0 }, Reader { shared, own: 2, any: false })
}

impl Writer {
    /// Makes `frame` the newest; what was not read yet is lost.
    pub fn publish(&mut self, frame: &Frame) {
        self.shared.cells[usize::from(self.own)].set(frame);
        self.own = self.shared.middle.swap(self.own | FRESH, Ordering::AcqRel) & !FRESH;
    }
}

impl Reader {
    /// The newest frame published, again and again until there is a newer one; `None` before the first.
    pub fn newest(&mut self) -> Option<Frame> {
        self.turn();
        self.any.then(|| self.shared.cells[usize::from(self.own)].get())
    }

    /// The newest frame published, each once; `None` while there is no newer one than the last.
    pub fn newer(&mut self) -> Option<Frame> {
        self.turn().then(|| self.shared.cells[usize::from(self.own)].get())
    }

    /// Takes over the middle cell if it is newer; true if it was.
    fn turn(&mut self) -> bool {
        if self.shared.middle.load(Ordering::Relaxed) & FRESH != 0 {
            self.own = self.shared.middle.swap(self.own, Ordering::AcqRel) & !FRESH;
            self.any = true;
            return true;
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(number: u64) -> Frame {
        let mut frame = Frame::dark(number, (number % 63_999) as u16 + 1, (number % 513) as u16);
        frame.slots.fill(number as u8);
        frame
    }

    #[test]
    fn the_newest_frame_is_read_until_there_is_a_newer_one() {
        let (mut writer, mut reader) = latest();
        assert_eq!(reader.newest(), None);
        writer.publish(&frame(1));
        assert_eq!(reader.newest(), Some(frame(1)));
        assert_eq!(reader.newest(), Some(frame(1)));
        writer.publish(&frame(2));
        writer.publish(&frame(3));
        assert_eq!(reader.newest(), Some(frame(3)));
        assert_eq!(reader.newer(), None);
        writer.publish(&frame(4));
        assert_eq!(reader.newer(), Some(frame(4)));
        assert_eq!(reader.newer(), None);
        assert_eq!(reader.newest(), Some(frame(4)));
    }

    #[test]
    fn frames_read_while_others_are_written_are_whole_and_never_older() {
        const LAST: u64 = 50_000;
        let (mut writer, mut reader) = latest();
        let thread = std::thread::spawn(move || {
            for number in 1..=LAST {
                writer.publish(&frame(number));
            }
        });
        let mut before = 0;
        while before < LAST {
            if let Some(read) = reader.newest() {
                assert_eq!(read, frame(read.number), "torn");
                assert!(read.number >= before, "{} after {before}", read.number);
                before = read.number;
            }
        }
        thread.join().unwrap();
    }
}
