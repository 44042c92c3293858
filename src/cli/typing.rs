//! What a person types into a command that lights lamps one by one, and what is said to them.

use std::fmt::Arguments;
use std::io::{BufRead, IsTerminal, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;

use super::listen::signals;

/// Longest line that is taken as one answer, in bytes: no reading has a hundredth of it.
const LONGEST_LINE: u64 = 4096;

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
        let (lines, received) = mpsc::channel();
        let (left, wake) = (Arc::new(AtomicBool::new(false)), lines.clone());
        let leave = Arc::clone(&left);
        signals(move || {
            leave.store(true, Ordering::SeqCst);
            drop(wake.send(None));
        })?;
        std::thread::Builder::new().name("typed".into()).spawn(move || {
            loop {
                let line = typed(&mut std::io::stdin().lock());
                let line = line.inspect_err(|e| tell(format_args!("  that was no text: {e}"))).ok().flatten();
                let over = line.is_none();
                if lines.send(line).is_err() || over {
                    return;
                }
            }
        })?;
        Ok(Self { lines: received, left })
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

/// The next line; `None` at the end of them. One without end comes in parts. Errors: that was no text.
pub(super) fn typed(input: &mut impl BufRead) -> std::io::Result<Option<String>> {
    let mut line = String::new();
    let read = input.by_ref().take(LONGEST_LINE).read_line(&mut line)?;
    Ok((read > 0).then_some(line))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_end_is_taken_in_parts_and_the_end_is_told() {
        let endless = "x".repeat(10_000);
        let mut input = endless.as_bytes();
        let mut parts = Vec::new();
        while let Some(part) = typed(&mut input).unwrap() {
            parts.push(part.len());
        }
        assert_eq!(parts, [4096, 4096, 1808]);
        assert!(typed(&mut &b"\xff\n"[..]).is_err());
        assert_eq!(typed(&mut &b"250lx\nskip"[..]).unwrap().as_deref(), Some("250lx\n"));
    }
}
