//! The way between the doors and the engine: messages in, answers back, nothing shared.
//!
//! The engine runs on a thread of its own and owns all live state. Doors put requests into its
//! bounded inbox and never wait for room: a full inbox is answered `busy` at once. Status comes back
//! by a watch channel that holds the latest snapshot, so that reading it costs the engine nothing.

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, TrySendError};

use tokio::sync::{oneshot, watch};

use super::{Answer, Envelope, Failure, FailureKind, JournalStatus, MqttStatus, Status};
use crate::engine::{NotKept, ProtectFound, Ticket};
use crate::journal::Found;
use crate::plan::Plan;

/// Messages that may wait for the engine. Chosen: eight for each client of the socket.
pub const INBOX: usize = 256;

/// What reaches the engine from outside.
#[derive(Debug)]
pub enum Inbound {
    /// A request that wants an answer.
    Ask(Ask),
    /// The broker's connection changed.
    Mqtt(MqttStatus),
    /// The plan was read again, for the request of this ticket.
    PlanRead(Ticket, Result<Arc<Plan>, Failure>),
    /// The file of a kept look was written, or not.
    LookWritten(Ticket, Result<(), Failure>),
    /// The state file could be written again, or no longer and why.
    StateWritten(Result<(), String>),
    /// The machine's protect file says something else than before.
    Protect(ProtectFound),
    /// The machine's protect file was written, or not, for the engine's action of this number.
    ProtectKept(u64, Result<(), NotKept>),
    /// What the log says to the question of this ticket.
    Found(Ticket, Result<Box<Found>, Failure>),
    /// How the log does.
    Journal(JournalStatus),
    /// The daemon was told to stop.
    Stop,
}

/// A request and the way back to who sent it.
#[derive(Debug)]
pub struct Ask {
    /// The request.
    pub envelope: Envelope,
    /// Takes the answer. Sending fails when nobody waits any longer, which is nobody's fault.
    pub reply: oneshot::Sender<Answer>,
}

/// A door's end of the inbox.
#[derive(Debug, Clone)]
pub struct Doors {
    inbox: SyncSender<Inbound>,
}

impl Doors {
    /// Doors that lead to the engine whose inbox this is.
    #[must_use]
    pub fn new(inbox: SyncSender<Inbound>) -> Self {
        Self { inbox }
    }

    /// Hands a request to the engine and waits for its answer.
    ///
    /// Refused with `busy` at once when the inbox is full or the engine has ended, and as soon as the
    /// engine ends without having answered.
    pub async fn ask(&self, envelope: Envelope) -> Answer {
        let id = envelope.id.clone();
        let (reply, answer) = oneshot::channel();
        match self.inbox.try_send(Inbound::Ask(Ask { envelope, reply })) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => {
                let said = format!("{INBOX} requests wait already; this one was not taken");
                return Answer::refused(id, busy(said, "ask again in a second"));
            }
            Err(TrySendError::Disconnected(_)) => return Answer::refused(id, stopping()),
        }
        match answer.await {
            Ok(answer) => Answer { id, ..answer },
            Err(_) => Answer::refused(id, stopping()),
        }
    }
}

fn stopping() -> Failure {
    busy("the daemon is stopping; this was not done".to_owned(), "start it again with `lampkeep run PLAN`")
}

/// Waits until the daemon is told to stop, or whoever would tell is gone. Holds no lock afterwards.
pub(super) async fn stopped(stopping: &mut watch::Receiver<bool>) {
    let _ = stopping.wait_for(|stop| *stop).await;
}

/// The latest status. Takes the lock only to copy a pointer: the engine never waits for a reader.
pub(super) fn latest(status: &mut watch::Receiver<Arc<Status>>) -> Arc<Status> {
    Arc::clone(&status.borrow_and_update())
}

/// A refusal for want of room or time.
pub(super) fn busy(said: String, hint: &str) -> Failure {
    Failure { kind: FailureKind::Busy, said, hint: Some(hint.to_owned()) }
}

/// The answer to a request for the whole status, which no engine need be asked for.
pub(super) fn status_answer(id: Option<String>, status: &Status) -> Answer {
    let said = format!("{} · {}", status.set, status.now.look);
    match serde_json::to_value(status) {
        Ok(data) => Answer {
            id,
            ok: true,
            said: Some(said),
            now: Some(status.now.clone()),
            data: Some(data),
            error: None,
        },
        Err(e) => Answer::refused(
            id,
            Failure {
                kind: FailureKind::Busy,
                said: format!("the status cannot be put in words: {e}"),
                hint: None,
            },
        ),
    }
}

/// The same without what was typed: names may be in it while a face is protected.
pub(super) fn untyped(failure: Failure) -> Failure {
    let said = "the request is not understood; what was sent is not repeated while a face is protected";
    let hint = Some("see docs/interface.md, part 3".to_owned());
    Failure { kind: failure.kind, said: said.to_owned(), hint }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::sync_channel;

    use super::*;
    use crate::control::Request;

    fn block_on<T>(work: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(work)
    }

    fn envelope() -> Envelope {
        Envelope { id: Some("7".into()), request: Request::Rest {} }
    }

    #[test]
    fn a_full_inbox_is_answered_busy_at_once_with_the_requests_id() {
        let (sender, _kept) = sync_channel(0);
        let answer = block_on(Doors::new(sender).ask(envelope()));
        assert_eq!(answer.id.as_deref(), Some("7"));
        assert_eq!(answer.error.unwrap().kind, FailureKind::Busy);
    }

    #[test]
    fn an_engine_that_ends_without_answering_is_told_as_busy() {
        let (sender, inbox) = sync_channel(1);
        let doors = Doors::new(sender);
        let engine = std::thread::spawn(move || drop(inbox.recv()));
        let answer = block_on(doors.ask(envelope()));
        assert_eq!(answer.error.unwrap().said, "the daemon is stopping; this was not done");
        engine.join().unwrap();
        let answer = block_on(doors.ask(envelope()));
        assert_eq!(answer.error.unwrap().kind, FailureKind::Busy);
    }
}
