//! The way from the engine's loop to the log's thread: bounded, and never waited for.

use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use super::ask::Wanted;
use super::entry::{Entry, Stamp, What};
use crate::control::{Failure, FailureKind};
use crate::engine::Ticket;

/// Records that may wait for the log's thread. It takes them out at once unless a write takes seconds; then what
/// cannot be put in is counted, and the log says that it is missing. Judgement: a busy set makes a few a second.
pub const QUEUE: usize = 4096;

/// Work for the log's thread.
#[derive(Debug)]
pub enum Job {
    /// Write this.
    Record(Box<Entry>),
    /// Answer this, with all that came before it.
    Find(Ticket, Wanted),
}

/// The engine's end: numbers what is recorded.
#[derive(Debug)]
pub struct Queue {
    sender: SyncSender<Job>,
    seq: u64,
}

/// When something is recorded, as far as clocks tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clocks {
    /// Microseconds since the machine's boot, suspension included.
    pub since_boot_us: u64,
    /// Wall time in UTC.
    pub wall: jiff::Timestamp,
    /// The engine's newest frame.
    pub frame: u64,
}

impl Queue {
    /// A queue and the end that the log's thread reads.
    #[must_use]
    pub fn new() -> (Self, Receiver<Job>) {
        let (sender, jobs) = sync_channel(QUEUE);
        (Self { sender, seq: 0 }, jobs)
    }

    /// Takes a record. Never waits: while the queue is full the record's number is missing in the log, which says
    /// so.
    pub fn record(&mut self, what: What, clocks: &Clocks) {
        self.seq += 1;
        let stamp = Stamp {
            seq: self.seq,
            since_boot_us: clocks.since_boot_us,
            wall: clocks.wall.to_string(),
            unset: crate::control::ClockStatus::is_unset(clocks.wall.as_second()),
            frame: clocks.frame,
        };
        // Where the thread is gone there is nothing to write to; the thread has said so.
        let _ = self.sender.try_send(Job::Record(Box::new(Entry { stamp, what })));
    }

    /// Hands a question on. Never waits.
    ///
    /// Errors: the queue is full, or the log's thread is gone.
    pub fn find(&self, ticket: Ticket, wanted: Wanted) -> Result<(), Failure> {
        let failure = |said: &str| Failure {
            kind: FailureKind::Busy,
            said: said.to_owned(),
            hint: Some("ask again in a moment; look at the disk".to_owned()),
        };
        self.sender.try_send(Job::Find(ticket, wanted)).map_err(|e| match e {
            TrySendError::Full(_) => failure("the log does not keep up"),
            TrySendError::Disconnected(_) => failure("the log cannot be read"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::NoteRecord;

    #[test]
    fn a_full_queue_loses_records_by_number_and_never_waits() {
        let (mut queue, jobs) = Queue::new();
        let clocks = Clocks { since_boot_us: 5, wall: jiff::Timestamp::UNIX_EPOCH, frame: 1 };
        let note = || What::Note(NoteRecord { text: "x".to_owned() });
        for _ in 0..QUEUE + 3 {
            queue.record(note(), &clocks);
        }
        let taken: Vec<u64> = jobs
            .try_iter()
            .filter_map(|job| match job {
                Job::Record(entry) => Some(entry.stamp.seq),
                Job::Find(..) => None,
            })
            .collect();
        assert_eq!(taken, (1..=QUEUE as u64).collect::<Vec<_>>());
        queue.record(note(), &clocks);
        let Ok(Job::Record(next)) = jobs.try_recv() else { panic!("it was put in") };
        assert_eq!(next.stamp.seq, QUEUE as u64 + 4, "the three between are missing by number");
        assert!(next.stamp.unset, "1970 is no year that a clock was set to");
    }
}
