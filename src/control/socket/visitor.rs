//! One client of the socket: a line in, a line out, in order, none of it without a limit.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::sync::{Notify, Semaphore, watch};
use tokio::time::{Instant, timeout, timeout_at};

use super::super::bridge::{Doors, busy, latest, status_answer, stopped, untyped};
use super::super::essence;
use super::super::{
    Answer, Envelope, Failure, FailureKind, MAX_REQUEST_BYTES, Request, Status, decode_request,
};

/// How long a client may take to finish a line that it has begun.
pub const LINE_WITHIN: Duration = Duration::from_secs(10);
/// How long a client may take to read an answer.
pub const READ_WITHIN: Duration = Duration::from_secs(2);
/// How long a client may say nothing before its place is given to others.
pub const IDLE_WITHIN: Duration = Duration::from_secs(300);
/// Least time between two status lines to a follower: 10 a second.
const FOLLOW_APART: Duration = Duration::from_millis(100);
/// Most time between them.
const FOLLOW_AT_LEAST: Duration = Duration::from_secs(1);

/// A client and what it may reach.
pub(super) struct Visitor {
    stream: UnixStream,
    doors: Doors,
    status: watch::Receiver<Arc<Status>>,
    stopping: watch::Receiver<bool>,
    followers: Arc<Semaphore>,
    /// Bytes read; those before `used` have been taken as lines already.
    kept: Vec<u8>,
    used: usize,
    /// When the first of those not yet used came.
    begun: Option<Instant>,
    seat: Arc<Seat>,
}

/// A client's place, as others see it: one that says nothing gives its place to one that comes.
#[derive(Debug)]
pub(super) struct Seat {
    /// Since when it is this client's turn to send a line; `None` while it is served or follows.
    waits: Mutex<Option<Instant>>,
    asked_to_go: Notify,
}

impl Seat {
    pub(super) fn new() -> Arc<Self> {
        Arc::new(Self { waits: Mutex::new(Some(Instant::now())), asked_to_go: Notify::new() })
    }

    /// Since when nothing whole has come from this client, where it could have sent something.
    pub(super) fn waits_since(&self) -> Option<Instant> {
        *self.waits.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set(&self, waits: Option<Instant>) {
        *self.waits.lock().unwrap_or_else(PoisonError::into_inner) = waits;
    }

    /// Has it leave, told why, at its next chance.
    pub(super) fn ask_to_go(&self) {
        self.set(None);
        self.asked_to_go.notify_one();
    }
}

/// What came of waiting for a line.
enum Line {
    Whole(Vec<u8>),
    TooLong,
    TooSlow,
    /// Its place is wanted.
    Wanted,
    Gone,
}

impl Visitor {
    pub(super) fn new(
        stream: UnixStream,
        doors: Doors,
        status: watch::Receiver<Arc<Status>>,
        stopping: watch::Receiver<bool>,
        followers: Arc<Semaphore>,
        seat: Arc<Seat>,
    ) -> Self {
        Self { stream, doors, status, stopping, followers, kept: Vec::new(), used: 0, begun: None, seat }
    }

    /// Serves it until it leaves, breaks a limit, or the daemon stops.
    pub(super) async fn serve(mut self) {
        // An error means that the client has gone or does not read: nobody is left to tell.
        if let Err(e) = self.converse().await {
            tracing::debug!("a client of the socket was let go: {e}");
        }
    }

    async fn converse(&mut self) -> io::Result<()> {
        loop {
            self.seat.set(Some(Instant::now()));
            let line = self.next_line().await;
            self.seat.set(None);
            let text = match line? {
                Line::Whole(text) => text,
                Line::Gone => return Ok(()),
                Line::TooLong => {
                    let said = format!("a line has more than {MAX_REQUEST_BYTES} bytes, the most allowed");
                    return self.say(&refused_line(said)).await;
                }
                Line::TooSlow => {
                    let said = format!("a line was not finished within {} s", LINE_WITHIN.as_secs());
                    return self.say(&refused_line(said)).await;
                }
                Line::Wanted => {
                    let said = "your place is given to another client: you said nothing for a while";
                    let answer = Answer::refused(None, busy(said.to_owned(), "connect again to go on"));
                    return self.say(&answer).await;
                }
            };
            if text.trim_ascii().is_empty() {
                continue;
            }
            match decode_request(text.trim_ascii()) {
                Err((id, failure)) => {
                    let hidden = latest(&mut self.status).protect.on;
                    let failure = if hidden { untyped(failure) } else { failure };
                    self.say(&Answer::refused(id, failure)).await?;
                }
                Ok(Envelope { id, request: Request::Status { follow: false } }) => {
                    let status = latest(&mut self.status);
                    self.say(&status_answer(id, &status)).await?;
                }
                Ok(Envelope { id, request: Request::Status { follow: true } }) => self.follow(id).await?,
                Ok(envelope) => {
                    let answer = self.doors.ask(envelope).await;
                    self.say(&answer).await?;
                }
            }
        }
    }

    /// Waits for a line within the limits. The rest of a closed stream counts as a line.
    async fn next_line(&mut self) -> io::Result<Line> {
        let mut searched = self.used;
        loop {
            if let Some(at) = self.kept[searched..].iter().position(|b| *b == b'\n') {
                let end = searched + at + 1;
                let line = self.kept[self.used..end].to_vec();
                self.used = end;
                self.begun = (self.used < self.kept.len()).then(Instant::now);
                return Ok(if line.len() > MAX_REQUEST_BYTES + 1 {
                    Line::TooLong
                } else {
                    Line::Whole(line)
                });
            }
            // Once for each time that something is read, not for each line: short ones come by the thousand.
            self.kept.drain(..self.used);
            self.used = 0;
            searched = self.kept.len();
            if searched > MAX_REQUEST_BYTES {
                return Ok(Line::TooLong);
            }
            let (until, late) = match self.begun {
                Some(begun) => (begun + LINE_WITHIN, Line::TooSlow),
                None => (Instant::now() + IDLE_WITHIN, Line::Gone),
            };
            let mut stopping = self.stopping.clone();
            let read = tokio::select! {
                // A line that is here goes before the stop, so that it gets its answer.
                biased;
                read = timeout_at(until, fill(&mut self.stream, &mut self.kept)) => read,
                () = stopped(&mut stopping) => return Ok(Line::Gone),
                () = self.seat.asked_to_go.notified() => return Ok(Line::Wanted),
            };
            match read {
                Err(_) => return Ok(late),
                Ok(Err(e)) => return Err(e),
                Ok(Ok(0)) if self.kept.is_empty() => return Ok(Line::Gone),
                Ok(Ok(0)) => return Ok(Line::Whole(std::mem::take(&mut self.kept))),
                Ok(Ok(_)) => {
                    self.begun.get_or_insert_with(Instant::now);
                }
            }
        }
    }

    /// Sends the status as it changes until the client sends something, leaves, or the daemon stops.
    async fn follow(&mut self, id: Option<String>) -> io::Result<()> {
        let followers = Arc::clone(&self.followers);
        let Ok(_place) = followers.try_acquire() else {
            let said =
                format!("{} clients follow the status already, the most allowed", super::MAX_FOLLOWERS);
            return self
                .say(&Answer::refused(id, busy(said, "ask for the status once, without `follow`")))
                .await;
        };
        loop {
            let sent = latest(&mut self.status);
            self.say(&status_answer(id.clone(), &sent)).await?;
            let at = Instant::now();
            if self.used < self.kept.len() {
                return Ok(());
            }
            let mut status = self.status.clone();
            let mut stopping = self.stopping.clone();
            let news = async {
                tokio::time::sleep_until(at + FOLLOW_APART).await;
                while !essence::differs(&sent, &latest(&mut status)) {
                    if status.changed().await.is_err() {
                        // The engine has ended: nothing new will come.
                        std::future::pending::<()>().await;
                    }
                }
            };
            tokio::select! {
                _ = timeout_at(at + FOLLOW_AT_LEAST, news) => {}
                read = fill(&mut self.stream, &mut self.kept) => {
                    if read? > 0 {
                        self.begun = Some(Instant::now());
                    }
                    return Ok(());
                }
                () = stopped(&mut stopping) => return Ok(()),
            }
        }
    }

    async fn say(&mut self, answer: &Answer) -> io::Result<()> {
        match timeout(READ_WITHIN, self.stream.write_all(&line(answer))).await {
            Ok(written) => written,
            Err(_) => Err(io::Error::new(io::ErrorKind::TimedOut, "it does not read its answers")),
        }
    }
}

/// Reads what is there, a little over one request at most. Loses nothing when dropped midway.
async fn fill(stream: &mut UnixStream, kept: &mut Vec<u8>) -> io::Result<usize> {
    let mut limited = stream.take(MAX_REQUEST_BYTES as u64 + 1);
    limited.read_buf(kept).await
}

fn refused_line(said: String) -> Answer {
    let hint = Some("send one JSON object a line; connect again to go on".to_owned());
    Answer::refused(None, Failure { kind: FailureKind::BadRequest, said, hint })
}

/// An answer as the line that is sent.
pub(super) fn line(answer: &Answer) -> Vec<u8> {
    let mut line = serde_json::to_vec(answer).unwrap_or_else(|_| b"{\"ok\":false}".to_vec());
    line.push(b'\n');
    line
}
