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
            let mut input = std::io::stdin().lock();
            while let Some(line) = typed(&mut input) {
                if lines.send(Some(line)).is_err() {
                    return;
                }
            }
            drop(lines.send(None));
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

/// The next line, what is no text in it replaced: whoever reads it refuses it by name and asks again. `None` at the end.
pub(super) fn typed(input: &mut impl BufRead) -> Option<String> {
    let mut line = Vec::new();
    let read = input.by_ref().take(LONGEST_LINE).read_until(b'\n', &mut line);
    let read = read.inspect_err(|e| tell(format_args!("  what is typed cannot be read: {e}"))).ok()?;
    (read > 0).then(|| String::from_utf8_lossy(&line).trim_end_matches(['\r', '\n']).to_owned())
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_end_is_taken_in_parts_and_the_end_is_told() {
        let endless = "x".repeat(10_000);
        let mut input = endless.as_bytes();
        let parts: Vec<usize> = std::iter::from_fn(|| typed(&mut input)).map(|part| part.len()).collect();
        assert_eq!(parts, [4096, 4096, 1808]);
        assert_eq!(typed(&mut &b"250lx\r\nskip"[..]).as_deref(), Some("250lx"));
        assert_eq!(typed(&mut &b"\xff\n"[..]).as_deref(), Some("\u{fffd}"));
        assert_eq!(typed(&mut &b"\n"[..]).as_deref(), Some(""));
        assert_eq!(typed(&mut &b""[..]), None);
    }
}
