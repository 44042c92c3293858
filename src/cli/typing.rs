//! What a person types into a command that lights lamps one by one, and what is said to them.

use std::fmt::Arguments;
use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;

use super::listen::signals;

/// What a person types, line by line, until the end of it or a signal: Ctrl-C and a terminal that is gone leave no lamp
/// alone lit.
pub(super) struct Typing {
    lines: mpsc::Receiver<Option<String>>,
    left: Arc<AtomicBool>,
}

impl Typing {
    /// Begins to listen.
    ///
    /// Errors: a thread or a signal's handler cannot be made.
    pub fn start() -> std::io::Result<Self> {
        let (lines, typed) = mpsc::channel();
        let (left, wake) = (Arc::new(AtomicBool::new(false)), lines.clone());
        let leave = Arc::clone(&left);
        signals(move || {
            leave.store(true, Ordering::SeqCst);
            drop(wake.send(None));
        })?;
        std::thread::Builder::new().name("typed".into()).spawn(move || {
            for line in std::io::stdin().lines() {
                let line = line.inspect_err(|e| tell(format_args!("  that was no text: {e}"))).ok();
                let over = line.is_none();
                if lines.send(line).is_err() || over {
                    return;
                }
            }
            drop(lines.send(None));
        })?;
        Ok(Self { lines: typed, left })
    }

    /// The next line; `None`: nobody types any more.
    pub fn line(&self) -> Option<String> {
        let line = self.lines.recv().ok().flatten();
        line.filter(|_| !self.left())
    }

    /// True once a signal came.
    pub fn left(&self) -> bool {
        self.left.load(Ordering::SeqCst)
    }
}

/// Asks; on a terminal the answer stands behind it.
pub(super) fn prompt(text: &str) {
    if std::io::stdin().is_terminal() {
        let _ = write!(std::io::stderr(), "{text}: ");
    } else {
        tell(format_args!("{text}:"));
    }
}

/// A line beside what is printed. A terminal that is gone is no reason to leave a lamp alone lit.
pub(super) fn tell(line: Arguments<'_>) {
    let _ = writeln!(std::io::stderr(), "{line}");
}
