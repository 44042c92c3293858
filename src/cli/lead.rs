//! What leading a person through readings takes of the daemon: requests, and the wait until a light stands. Which
//! readings they are, and what they mean, is not known here.

use std::path::PathBuf;
use std::time::Duration;

use super::exit::Exit;
use super::run::{answered, unanswered};
use super::typing::{Typing, tell};
use crate::clock::{Clock, SystemClock};
use crate::control::client::{self, ClientError};
use crate::control::{Answer, Request, Status};
use crate::words::shown;

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// How long a light may take to stand; a lamp with a slow rise needs a while.
pub(super) const SETTLED_WITHIN: Duration = Duration::from_secs(120);

/// Why it stops before the end: what the command ends with, after saying so.
pub(super) struct Stopped(pub Exit);

impl Stopped {
    /// Says it, also to a terminal that is gone: the light is still to be led back.
    pub fn said(exit: Exit, said: &str) -> Self {
        tell(format_args!("lampkeep: {}", shown(said)));
        Self(exit)
    }

    /// Says that nobody can listen to what is typed.
    pub fn no_thread(error: &std::io::Error) -> Self {
        Self::said(Exit::NotMet, &format!("a thread cannot be started: {error}"))
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

    /// Waits until the light stands, at most [`SETTLED_WITHIN`] and no longer than the person stays; true if it does.
    pub fn settled(&self, typing: &Typing, stands: impl Fn(&Status) -> bool) -> Result<bool, Stopped> {
        let until = self.clock.now() + SETTLED_WITHIN;
        let mut settled = false;
        let followed = client::follow(&self.socket, |status| {
            settled = stands(&status);
            !settled && self.clock.now() < until && !typing.left()
        });
        followed.map_err(|e| Stopped(unanswered(&e, self.json)))?;
        Ok(settled)
    }
}

/// The daemon's data are not what this version reads.
pub(super) fn other_version() -> Stopped {
    Stopped::said(Exit::NotMet, "the daemon's answer is of another version: restart it")
}
