//! The command line's end of the socket: finds the daemon, asks, reads one line back.
//!
//! Blocking, since a command does one thing. Exit codes are `cli::exit`'s.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::places::{Places, answers, connect};
use super::{Answer, Failure, Request, Status};
use crate::cli::exit::Exit;
use crate::plan::is_set_name;
use crate::words::short;

/// Longest answer that is read, in bytes: a status of hundreds of fixtures stays far under it.
const MAX_ANSWER_BYTES: u64 = 4 * 1024 * 1024;
/// Longest silence of a followed status: the daemon sends a line at least each second.
const FOLLOW_WITHIN: Duration = Duration::from_secs(5);

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// Nobody listens at any of the places.
    #[error("no daemon answers at {looked}: start it with `lampkeep run PLAN`")]
    NoDaemon {
        /// The places looked at, separated by commas.
        looked: String,
    },
    /// Daemons run, but none of this set.
    #[error("no daemon of set `{set}` answers; running: {running}. Choose one with `--set NAME`")]
    OtherSets {
        /// The set asked for.
        set: String,
        /// The sets that run, separated by commas.
        running: String,
    },
    /// Several daemons run and none was chosen.
    #[error("several sets run: {running}. Choose one with `--set NAME`")]
    Several {
        /// The sets, separated by commas.
        running: String,
    },
    /// No set can have this name.
    #[error("`{0}` cannot be a set's name: use letters, digits and `-`, not `all`")]
    BadSet(String),
    /// The socket is another user's.
    #[error(
        "the daemon at {path} is not for this user: run the command as a user of its group, or as its owner"
    )]
    NotAllowed {
        /// The socket.
        path: PathBuf,
    },
    /// It listens but says nothing.
    #[error(
        "the daemon at {path} took the request but did not answer within {within_s} s: look at its log before \
         asking again, it may still do it"
    )]
    Silent {
        /// The socket.
        path: PathBuf,
        /// How long was waited, in seconds.
        within_s: f64,
    },
    /// What came back is no answer.
    #[error(
        "what answers at {path} does not talk as lampkeep does ({found}): is it another version? Restart the daemon"
    )]
    Garbled {
        /// The socket.
        path: PathBuf,
        /// What is wrong with it.
        found: String,
    },
    /// The connection broke.
    #[error(
        "the connection to the daemon at {path} broke: {source}. Ask again; `lampkeep status` tells what was done"
    )]
    Broken {
        /// The socket.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// The daemon refuses to be followed.
    #[error("{0}")]
    Refused(Failure),
}

impl ClientError {
    /// Stable word for programs.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::NoDaemon { .. } | Self::OtherSets { .. } => "no-daemon",
            Self::Several { .. } => "several-sets",
            Self::BadSet(_) => "bad-set",
            Self::NotAllowed { .. } => "not-allowed",
            Self::Silent { .. } => "silent",
            Self::Garbled { .. } => "garbled",
            Self::Broken { .. } => "broken",
            Self::Refused(_) => "refused",
        }
    }

    /// What the command exits with.
    #[must_use]
    pub fn exit(&self) -> Exit {
        match self {
            Self::Several { .. } | Self::BadSet(_) => Exit::Usage,
            Self::Refused(failure) => failure.kind.into(),
            _ => Exit::NoDaemon,
        }
    }
}

/// The socket of the daemon that is meant, by the environment of this process.
///
/// `set`: as given with `--set`; without it, the one daemon that runs. Errors: see [`ClientError`].
pub fn find(set: Option<&str>) -> Result<PathBuf, ClientError> {
    find_in(&Places::from_env(), set)
}

/// As [`find`], in a given environment.
pub fn find_in(places: &Places, set: Option<&str>) -> Result<PathBuf, ClientError> {
    if let Some(set) = set.filter(|s| !is_set_name(s)) {
        return Err(ClientError::BadSet(short(set)));
    }
    if let Some(path) = places.named() {
        return Ok(path.to_owned());
    }
    let running = || -> Vec<(String, PathBuf)> {
        // One that refuses this user is there all the same: asking it says so.
        let there = |p: &Path| answers(p) || refuses(p);
        places.sets().into_iter().filter(|(_, path)| there(path)).collect()
    };
    let mut found = running();
    if let Some(set) = set {
        if let Some((_, path)) = found.iter().find(|(name, _)| name == set) {
            return Ok(path.clone());
        }
        if !found.is_empty() {
            return Err(ClientError::OtherSets { set: set.to_owned(), running: names(&found) });
        }
        return Err(no_daemon(&places.of_set(set)));
    }
    match found.len() {
        0 => Err(no_daemon(&places.of_set("SET"))),
        1 => Ok(found.remove(0).1),
        _ => Err(ClientError::Several { running: names(&found) }),
    }
}

fn refuses(path: &Path) -> bool {
    connect(path).is_err_and(|e| e.kind() == io::ErrorKind::PermissionDenied)
}

fn names(found: &[(String, PathBuf)]) -> String {
    let mut names: Vec<&str> = found.iter().map(|(set, _)| set.as_str()).collect();
    names.dedup();
    names.join(", ")
}

fn no_daemon(paths: &[PathBuf]) -> ClientError {
    let looked = paths.iter().map(|p| p.display().to_string()).collect::<Vec<_>>().join(", ");
    ClientError::NoDaemon { looked }
}

/// Asks once and reads the answer, which may be a refusal.
///
/// `within`: longest silence borne, above zero. Errors: see [`ClientError`].
pub fn ask(path: &Path, request: &Request, within: Duration) -> Result<Answer, ClientError> {
    Line::open(path, request, within)?.answer()
}

/// Hands every status that the daemon sends to `each` until it returns false or the daemon stops.
///
/// Errors: see [`ClientError`]; the daemon's regular end is none.
pub fn follow(path: &Path, mut each: impl FnMut(Status) -> bool) -> Result<(), ClientError> {
    let mut line = Line::open(path, &Request::Status { follow: true }, FOLLOW_WITHIN)?;
    let mut begun = false;
    loop {
        let answer = match line.answer() {
            Err(ClientError::Broken { source, .. })
                if begun && source.kind() == io::ErrorKind::UnexpectedEof =>
            {
                return Ok(());
            }
            answer => answer?,
        };
        begun = true;
        if let Some(failure) = answer.error {
            return Err(ClientError::Refused(failure));
        }
        let status = read_status(answer).map_err(|said| line.garbled(said))?;
        if !each(status) {
            return Ok(());
        }
    }
}

/// Reads a line from the daemon. Errors: why it is no answer.
pub fn read_answer(line: &[u8]) -> Result<Answer, String> {
    serde_json::from_slice(line).map_err(|e| e.to_string())
}

/// The status in an answer. Errors: why there is none.
pub fn read_status(answer: Answer) -> Result<Status, String> {
    serde_json::from_value(answer.data.unwrap_or_default()).map_err(|e| format!("status: {e}"))
}

/// A connection on which a request has been sent.
struct Line {
    path: PathBuf,
    within: Duration,
    reader: BufReader<UnixStream>,
}

impl Line {
    fn open(path: &Path, request: &Request, within: Duration) -> Result<Self, ClientError> {
        let broken = |source| ClientError::Broken { path: path.to_owned(), source };
        let mut stream = connect(path).map_err(|e| match e.kind() {
            io::ErrorKind::PermissionDenied => ClientError::NotAllowed { path: path.to_owned() },
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory | io::ErrorKind::ConnectionRefused => {
                no_daemon(&[path.to_owned()])
            }
            _ => broken(e),
        })?;
        let mut text = serde_json::to_vec(request).map_err(|e| broken(e.into()))?;
        text.push(b'\n');
        stream.set_read_timeout(Some(within)).map_err(broken)?;
        stream.set_write_timeout(Some(within)).map_err(broken)?;
        // A daemon that has no room says so and hangs up, perhaps before this is written: its word
        // is read all the same.
        match stream.write_all(&text) {
            Err(e) if e.kind() != io::ErrorKind::BrokenPipe => return Err(broken(e)),
            _ => {}
        }
        Ok(Self { path: path.to_owned(), within, reader: BufReader::new(stream) })
    }

    fn answer(&mut self) -> Result<Answer, ClientError> {
        let mut text = Vec::new();
        let read = self.reader.by_ref().take(MAX_ANSWER_BYTES).read_until(b'\n', &mut text);
        match read {
            Ok(0) => {
                let source = io::Error::new(io::ErrorKind::UnexpectedEof, "it hung up without an answer");
                Err(ClientError::Broken { path: self.path.clone(), source })
            }
            Ok(_) => read_answer(&text).map_err(|said| self.garbled(said)),
            Err(e) if matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => {
                Err(ClientError::Silent { path: self.path.clone(), within_s: self.within.as_secs_f64() })
            }
            Err(source) => Err(ClientError::Broken { path: self.path.clone(), source }),
        }
    }

    fn garbled(&self, found: String) -> ClientError {
        ClientError::Garbled { path: self.path.clone(), found: short(&found) }
    }
}
