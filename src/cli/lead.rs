//! What leading a person through readings takes: questions at the terminal, requests to the daemon, and the wait until
//! a light stands. Which readings they are, and what they mean, is not known here.

use std::io::{BufRead, IsTerminal, Read};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::exit::Exit;
use super::run::{answered, fault, unanswered};
use crate::clock::{Clock, SystemClock};
use crate::control::client::{self, ClientError};
use crate::control::{Answer, Request, Status};

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// How long a light may take to stand; a lamp with a slow rise needs a while.
pub(super) const SETTLED_WITHIN: Duration = Duration::from_secs(120);
/// Longest line that is taken as one answer, in bytes: no reading has a hundredth of it.
const LONGEST_LINE: u64 = 4096;

/// Why it stops before the end: what the command ends with, after saying so.
pub(super) struct Stopped(pub Exit);

impl Stopped {
    /// Says it.
    pub fn said(exit: Exit, said: &str) -> Self {
        Self(fault(exit, said))
    }
}

/// The daemon that lights the lamps.
pub(super) struct Daemon {
    socket: PathBuf,
    json: bool,
    clock: SystemClock,
}

impl Daemon {
    /// The daemon of the set.
    pub fn of(set: Option<&str>, json: bool) -> Result<Self, Stopped> {
        let socket = client::find(set).map_err(|e| Stopped(unanswered(&e, json)))?;
        Ok(Self { socket, json, clock: SystemClock::start() })
    }

    /// Asks; a refusal is an answer too.
    pub fn answer(&self, request: &Request) -> Result<Answer, Stopped> {
        self.quietly(request).map_err(|e| Stopped(unanswered(&e, self.json)))
    }

    /// Asks, and stops where it is refused.
    pub fn ask(&self, request: &Request) -> Result<Answer, Stopped> {
        let answer = self.answer(request)?;
        if answer.error.is_some() { Err(self.refused(&answer, request)) } else { Ok(answer) }
    }

    /// Asks without a word of what goes wrong.
    pub fn quietly(&self, request: &Request) -> Result<Answer, ClientError> {
        client::ask(&self.socket, request, ANSWER_WITHIN)
    }

    /// Tells what the daemon says, and stops.
    pub fn refused(&self, answer: &Answer, request: &Request) -> Stopped {
        Stopped(answered(answer, request, self.json))
    }

    /// How things are.
    pub fn status(&self) -> Result<Status, Stopped> {
        client::read_status(self.ask(&Request::Status { follow: false })?).map_err(|_| other_version())
    }

    /// Waits until the light stands, at most [`SETTLED_WITHIN`]; true if it does.
    pub fn settled(&self, stands: impl Fn(&Status) -> bool) -> Result<bool, Stopped> {
        let until = self.clock.now() + SETTLED_WITHIN;
        let mut settled = false;
        let followed = client::follow(Path::new(&self.socket), |status| {
            settled = stands(&status);
            !settled && self.clock.now() < until
        });
        followed.map_err(|e| Stopped(unanswered(&e, self.json)))?;
        Ok(settled)
    }
}

/// The daemon's data are not what this version reads.
pub(super) fn other_version() -> Stopped {
    Stopped::said(Exit::NotMet, "the daemon's answer is of another version: restart it")
}

/// Asks for a line; where nobody sits at a terminal the question has a line of its own.
pub(super) fn prompt(text: &str) {
    if std::io::stdin().is_terminal() {
        eprint!("{text}: ");
    } else {
        eprintln!("{text}:");
    }
}

/// The next line; `None` at the end of them. Errors: that was no text.
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
