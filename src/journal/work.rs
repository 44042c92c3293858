//! The log's thread: writes what comes, holds it in memory while nothing can be written, and flushes it in order
//! when that heals. A file that is no log any more is set aside under a name of its own, never deleted.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::Duration;

use super::ask::{Found, Wanted};
use super::entry::{Entry, LostRecord, Stamp, What};
use super::queue::Job;
use super::store::{NAME, Store, StoreError};
use super::{prune, read};
use crate::clock::{Clock, SystemClock};
use crate::control::{Failure, FailureKind, Inbound, JournalState, JournalStatus};
use crate::engine::Ticket;
use crate::units::Moment;

/// Records that are held in memory while nothing can be written, beside the queue's own. Judgement: minutes of the
/// busiest set, hours of a quiet one, and some 16 MB at most.
pub const RING: usize = 4096;
/// Places of the ring that only what nobody can bring back may take: takes and what people typed.
const RESERVED: usize = 512;
/// Most records of one transaction.
const BATCH: usize = 256;
/// Time between two tries while the disk is full.
const RETRY: Duration = Duration::from_secs(1);
/// Time between two tries to open it.
const REOPEN: Duration = Duration::from_secs(3);
/// Time between two words of counters that move.
const COUNTERS: Duration = Duration::from_secs(1);
/// Time between two looks whether the file is still there, and between two words of how the log does.
const LOOK: Duration = Duration::from_secs(5);
/// Time between two prunings.
const PRUNE_EVERY: Duration = Duration::from_secs(24 * 3600);
/// Most files that are set aside in one folder.
const MOST_ASIDE: u32 = 999;

/// Where a log is kept, and whose it is.
#[derive(Debug, Clone)]
pub struct Place {
    /// The set's state folder.
    pub folder: PathBuf,
    /// Changes with the machine.
    pub machine: String,
    /// For the name of a new log.
    pub random: u64,
}

/// Where the thread writes. A log's file outside of tests.
pub trait Disk {
    /// Opens it, or begins a new log; says what was found, where that is worth a word.
    ///
    /// Errors: it cannot be opened now.
    fn open(&mut self) -> Result<Option<String>, StoreError>;

    /// The open log, if it is open.
    fn store(&mut self) -> Option<&mut Store>;

    /// Lets it go, after a failure: the next try opens it anew.
    fn close(&mut self, why: &StoreError);
}

/// A log's file in a folder.
#[derive(Debug)]
pub struct File {
    place: Place,
    store: Option<Store>,
    /// Why what is there cannot be used, until it is set aside.
    spoilt: Option<String>,
    /// The file was removed: what is still open is to be written anew.
    vanished: Option<Store>,
}

impl File {
    /// A log's file that was not opened yet.
    #[must_use]
    pub fn new(place: Place) -> Self {
        Self { place, store: None, spoilt: None, vanished: None }
    }

    fn path(&self) -> PathBuf {
        self.place.folder.join(NAME)
    }

    /// Moves a file that is no use away, with what belongs to it. Gives its new name.
    fn set_aside(&self) -> std::io::Result<String> {
        let aside = |n: u32| format!("journal.set-aside-{n}.db");
        let free = |n: &u32| !self.place.folder.join(aside(*n)).exists();
        let Some(name) = (1..=MOST_ASIDE).find(free).map(aside) else {
            return Err(std::io::Error::other("too many files were set aside already; remove some"));
        };
        let to = self.place.folder.join(&name);
        std::fs::rename(self.path(), &to)?;
        // Its write-ahead log belongs to it: SQLite finds it under the same name.
        let with = |path: &Path, end: &str| PathBuf::from(format!("{}{end}", path.display()));
        match std::fs::rename(with(&self.path(), "-wal"), with(&to, "-wal")) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(e),
            _ => Ok(name),
        }
    }
}

impl Disk for File {
    fn open(&mut self) -> Result<Option<String>, StoreError> {
        let mut said = None;
        if let Some(why) = self.spoilt.take() {
            match self.set_aside() {
                Ok(name) => {
                    tracing::error!("{} was set aside as {name}: {why}", self.path().display());
                    said = Some(format!("the log was set aside as {name} ({why}); a new one was begun"));
                }
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
                Err(e) => {
                    self.spoilt = Some(why);
                    return Err(e.into());
                }
            }
        }
        if let Some(old) = self.vanished.take() {
            let known =
                if self.path().exists() { Err(StoreError::Vanished) } else { old.write_anew(&self.path()) };
            said = Some(match known {
                Ok(()) => "the log was removed while it was written; it was written anew, whole".to_owned(),
                Err(_) => "the log was removed or replaced while it was written".to_owned(),
            });
        }
        match Store::open(&self.place.folder, &self.place.machine, self.place.random) {
            Ok(store) => {
                let reach = store.reach()?;
                let unbroken = if reach.unbroken { "unbroken" } else { "records before it are missing" };
                tracing::info!(
                    file = %self.path().display(),
                    "the log reaches to record {} of start {} ({}), {unbroken}",
                    reach.seq,
                    reach.start,
                    if reach.wall.is_empty() { "empty" } else { &reach.wall },
                );
                if !reach.unbroken {
                    said.get_or_insert_with(|| {
                        format!("records are missing before record {} of start {}", reach.seq, reach.start)
                    });
                }
                self.store = Some(store);
                Ok(said)
            }
            Err(e) => {
                if e.is_lasting() {
                    self.spoilt = Some(e.to_string());
                }
                Err(e)
            }
        }
    }

    fn store(&mut self) -> Option<&mut Store> {
        self.store.as_mut()
    }

    fn close(&mut self, why: &StoreError) {
        let store = self.store.take();
        match why {
            StoreError::Vanished => self.vanished = store,
            e if e.is_lasting() => self.spoilt = Some(e.to_string()),
            _ => {}
        }
    }
}

/// Does jobs until nobody can hand any in. Gives how many records it could not write.
pub fn work(jobs: &Receiver<Job>, engine: &SyncSender<Inbound>, disk: impl Disk) -> u64 {
    let clock = SystemClock::start();
    let mut worker = Worker {
        disk,
        engine,
        clock,
        started: None,
        texts: None,
        ring: VecDeque::new(),
        expected: 1,
        status: JournalStatus::default(),
        told: None,
        retry: Moment::START,
        look: Moment::START,
        prune: Moment::START,
        counted: Moment::START,
    };
    // Before the first record: the engine learns which log numbers are taken.
    worker.open();
    worker.tell();
    let mut done = false;
    while !done {
        let wait = worker.wait();
        let mut finds = Vec::new();
        match jobs.recv_timeout(wait) {
            Ok(job) => {
                worker.take(job, &mut finds);
                // What waits goes into the same transaction.
                while worker.ring.len() < BATCH
                    && let Ok(job) = jobs.try_recv()
                {
                    worker.take(job, &mut finds);
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => done = true,
        }
        if done {
            worker.retry = Moment::START;
        }
        worker.flush();
        for (ticket, wanted) in finds {
            let found = worker.find(&wanted).map(Box::new);
            let _ = worker.engine.send(Inbound::Found(ticket, found));
        }
        worker.keep_house();
        worker.tell();
    }
    worker.ring.len() as u64 + worker.status.lost
}

struct Worker<'e, D> {
    disk: D,
    engine: &'e SyncSender<Inbound>,
    clock: SystemClock,
    /// This start's first record: a new file begins with it too.
    started: Option<Box<Entry>>,
    /// The texts of the plan in force, for the same reason.
    texts: Option<Box<Entry>>,
    /// What is not on the disk yet, in order.
    ring: VecDeque<Box<Entry>>,
    /// The number of the next record that should come.
    expected: u64,
    status: JournalStatus,
    told: Option<JournalStatus>,
    retry: Moment,
    look: Moment,
    prune: Moment,
    counted: Moment,
}

/// A word of records that are in another file: from one number to the one before another.
fn elsewhere(from_seq: u64, next: u64, stamp: &Stamp) -> Option<Box<Entry>> {
    let to_seq = next.checked_sub(1).filter(|to| *to >= from_seq)?;
    let lost = LostRecord { records: to_seq - from_seq + 1, from_seq, to_seq, elsewhere: true };
    Some(Box::new(Entry { stamp: Stamp { seq: from_seq, ..stamp.clone() }, what: What::Lost(lost) }))
}

impl<D: Disk> Worker<'_, D> {
    fn wait(&self) -> Duration {
        let due = if self.ring.is_empty() { self.look } else { self.retry.min(self.look) };
        due.after(self.clock.now()).max(Duration::from_millis(1))
    }

    fn take(&mut self, job: Job, finds: &mut Vec<(Ticket, Wanted)>) {
        let entry = match job {
            Job::Record(entry) => entry,
            Job::Find(ticket, wanted) => return finds.push((ticket, wanted)),
        };
        let seq = entry.stamp.seq;
        if seq > self.expected {
            // They were too many for the queue.
            self.lose(self.expected, seq - 1, &entry.stamp);
        }
        self.expected = seq + 1;
        match entry.what {
            What::Started(_) => self.started = Some(entry.clone()),
            What::Texts(_) => self.texts = Some(entry.clone()),
            _ => {}
        }
        let room = if entry.what.is_vital() { RING } else { RING - RESERVED };
        if self.ring.len() >= room {
            self.lose(seq, seq, &entry.stamp);
            return;
        }
        self.ring.push_back(entry);
    }

    /// Notes records that are lost, in their place: one note for those that follow each other.
    fn lose(&mut self, from_seq: u64, to_seq: u64, stamp: &Stamp) {
        self.status.lost += to_seq - from_seq + 1;
        if let Some(last) = self.ring.back_mut()
            && let What::Lost(lost) = &mut last.what
            && lost.to_seq + 1 == from_seq
            && !lost.elsewhere
        {
            lost.to_seq = to_seq;
            lost.records += to_seq - from_seq + 1;
            return;
        }
        let lost = LostRecord { records: to_seq - from_seq + 1, from_seq, to_seq, elsewhere: false };
        let stamp = Stamp { seq: from_seq, ..stamp.clone() };
        self.ring.push_back(Box::new(Entry { stamp, what: What::Lost(lost) }));
    }

    fn open(&mut self) {
        match self.disk.open() {
            Ok(said) => {
                if said.is_some() {
                    self.status.said = said;
                } else if self.status.state == JournalState::Degraded {
                    self.status.said = None;
                }
                self.status.state = JournalState::Up;
                self.begin_new_file();
                if let Some(Ok(last)) = self.disk.store().map(|s| s.last_take()) {
                    self.status.last_take = self.status.last_take.max(last);
                }
            }
            Err(e) => self.failed(&e),
        }
    }

    /// A file that was opened in the middle of a start goes on with that start, or begins with it.
    fn begin_new_file(&mut self) {
        let Some(started) = self.started.clone() else { return };
        if self.ring.front().is_some_and(|e| matches!(e.what, What::Started(_))) {
            return;
        }
        let known = self.disk.store().is_some_and(|s| s.knows(&started).unwrap_or(false));
        let next = self.ring.front().map_or(self.expected, |e| e.stamp.seq);
        let mut head = vec![started];
        // A new file needs the plan's texts too, and a word of what is not in it.
        if !known {
            let texts = self.texts.clone().filter(|t| t.stamp.seq < next);
            let here = texts.as_ref().map_or(next, |t| t.stamp.seq);
            head.extend(elsewhere(2, here, &head[0].stamp));
            if let Some(texts) = texts {
                let stamp = texts.stamp.clone();
                head.push(texts);
                head.extend(elsewhere(here + 1, next, &stamp));
            }
        }
        for entry in head.into_iter().rev() {
            self.ring.push_front(entry);
        }
    }

    fn failed(&mut self, e: &StoreError) {
        if self.status.state != JournalState::Degraded {
            tracing::warn!("the log is not written: {e}");
        }
        self.status.state = JournalState::Degraded;
        self.status.said = Some(e.to_string());
        if e.is_full() {
            // Opening it anew would need room too.
            self.retry = self.clock.now() + RETRY;
            return;
        }
        self.disk.close(e);
        // Waiting mends nothing where it is no log any more: it is set aside at once, and a removed one written anew.
        let wait = if e.is_lasting() || matches!(e, StoreError::Vanished) { Duration::ZERO } else { REOPEN };
        self.retry = self.clock.now() + wait;
    }

    /// Writes what waits, in order, as long as the disk takes it.
    fn flush(&mut self) {
        if self.status.state == JournalState::Degraded && self.clock.now() < self.retry {
            return;
        }
        if self.disk.store().is_none() {
            self.open();
        }
        while !self.ring.is_empty() {
            let batch: Vec<Entry> = self.ring.iter().take(BATCH).map(|e| (**e).clone()).collect();
            let Some(store) = self.disk.store() else { return };
            match store.append(&batch).and_then(|()| store.checkpoint_if_long()) {
                Ok(()) => {
                    self.ring.drain(..batch.len());
                    self.wrote(&batch);
                    if self.status.state == JournalState::Degraded {
                        (self.status.state, self.status.said) = (JournalState::Up, None);
                    }
                }
                Err(e) => return self.failed(&e),
            }
        }
    }

    fn wrote(&mut self, batch: &[Entry]) {
        for entry in batch {
            self.status.written = self.status.written.max(entry.stamp.seq);
            if let What::TakeStarted(take) = &entry.what {
                self.status.last_take = self.status.last_take.max(take.number);
            }
        }
    }

    /// Answers with what is on the disk and what waits.
    fn find(&mut self, wanted: &Wanted) -> Result<Found, Failure> {
        if self.ring.is_empty()
            && let Some(store) = self.disk.store()
        {
            return read::find(store.db(), store.origin(), wanted);
        }
        let failure = |e: StoreError| Failure {
            kind: FailureKind::Files,
            said: format!("the log cannot be read: {e}"),
            hint: Some("look at `journal` in `lampkeep status --json`".to_owned()),
        };
        let stored = self.disk.store();
        let mut all = Store::in_memory(stored.as_deref()).map_err(failure)?;
        let started = self.started.as_deref().cloned();
        let waiting: Vec<Entry> =
            started.into_iter().chain(self.ring.iter().map(|e| (**e).clone())).collect();
        all.append(&waiting).map_err(failure)?;
        read::find(all.db(), all.origin(), wanted)
    }

    /// Now and then: whether the file is still there, and what is too old.
    fn keep_house(&mut self) {
        let now = self.clock.now();
        if now < self.look {
            return;
        }
        self.look = now + LOOK;
        let Some(store) = self.disk.store() else { return };
        // Nothing to write; looks only whether it could be.
        let mut done = store.append(&[]);
        if done.is_ok() && now >= self.prune && self.ring.is_empty() {
            self.prune = now + PRUNE_EVERY;
            done = prune::prune(store);
        }
        if let Err(e) = done {
            self.failed(&e);
        }
    }

    /// Tells the engine how the log does, when that has changed.
    fn tell(&mut self) {
        self.status.waiting = self.ring.len() as u64;
        let differs = |told: &JournalStatus| {
            let essence = |s: &JournalStatus| (s.state, s.said.clone(), s.lost, s.last_take);
            essence(told) != essence(&self.status)
        };
        let moved = self.told.as_ref().is_none_or(|told| *told != self.status);
        let news = self.told.as_ref().is_none_or(differs);
        let now = self.clock.now();
        if !(news || moved && now >= self.counted) {
            return;
        }
        self.counted = now + COUNTERS;
        // A flooded engine is told later: nothing here may wait for it.
        if self.engine.try_send(Inbound::Journal(self.status.clone())).is_ok() {
            self.told = Some(self.status.clone());
        }
    }
}
