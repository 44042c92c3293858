//! Pieces of a picture on every core, and how far they are on the terminal.

use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use crate::picture::face::Workers;

/// A thread for each core.
pub struct Threads {
    count: usize,
    terminal: bool,
    done: AtomicUsize,
    now: Mutex<Now>,
}

#[derive(Default)]
struct Now {
    what: String,
    expected: usize,
    percent: usize,
}

impl Threads {
    /// All cores, with progress on standard error where that is a terminal.
    pub(in crate::cli) fn new() -> Self {
        Self { terminal: std::io::stderr().is_terminal(), ..Self::quiet() }
    }

    /// All cores, without a word.
    #[must_use]
    pub fn quiet() -> Self {
        Self {
            count: std::thread::available_parallelism().map_or(1, usize::from),
            terminal: false,
            done: AtomicUsize::new(0),
            now: Mutex::new(Now::default()),
        }
    }

    /// A new picture begins. `expected`: about so many pieces of work.
    pub(super) fn begin(&self, what: &str, expected: usize) {
        self.done.store(0, Ordering::Relaxed);
        *self.now.lock().unwrap_or_else(PoisonError::into_inner) =
            Now { what: what.to_owned(), expected, percent: 0 };
        self.show(0);
    }

    /// Clears the line of the terminal.
    pub(super) fn clear(&self) {
        if self.terminal {
            let _ = write!(std::io::stderr(), "\r\x1b[K");
        }
    }

    fn show(&self, done: usize) {
        if !self.terminal {
            return;
        }
        let mut now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
        let percent = (100 * done / now.expected.max(1)).min(99);
        if percent >= now.percent + 5 || done == 0 {
            now.percent = percent;
            let _ = write!(std::io::stderr(), "\r\x1b[Kdrawing {}: {percent} %", now.what);
        }
    }
}

impl Workers for Threads {
    fn each(&self, jobs: usize, work: &(dyn Fn(usize) -> Vec<f32> + Sync)) -> Vec<Vec<f32>> {
        let next = AtomicUsize::new(0);
        let take = || {
            let mut own = Vec::new();
            loop {
                let job = next.fetch_add(1, Ordering::Relaxed);
                if job >= jobs {
                    return own;
                }
                own.push((job, work(job)));
                self.show(self.done.fetch_add(1, Ordering::Relaxed) + 1);
            }
        };
        let mut found: Vec<(usize, Vec<f32>)> = std::thread::scope(|scope| {
            let others: Vec<_> = (1..self.count).map(|_| scope.spawn(take)).collect();
            let mut all = take();
            // A panic aborts the process: nothing is lost here.
            all.extend(others.into_iter().flat_map(|t| t.join().unwrap_or_default()));
            all
        });
        found.sort_by_key(|(job, _)| *job);
        found.into_iter().map(|(_, made)| made).collect()
    }
}
