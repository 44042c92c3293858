//! Which request from the broker is done, and why another is not. Pure: both times are handed in.
//!
//! A message may come late, twice, from before the daemon's start, or out of the broker's memory. Each
//! request is done at most once and only while it is fresh. Memory has a bound: ids are forgotten after
//! twice `fresh`, and no more are let in than a bucket of permits gives.

use std::collections::{HashMap, VecDeque};
use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

use jiff::Timestamp;

use super::super::{Answer, Failure, FailureKind, Request};
use crate::plan::{FreshBy, Requests};

/// How far a sender's clock may be ahead of this machine's. Source: interface.md part 4.
pub(super) const AHEAD: Duration = Duration::from_secs(2);
/// How long ago the connection must have shown that nothing waits in it, for the broker's count of an
/// expiry to be believed: a ping each 5 s, and 2 s for its answer.
pub(super) const PROVEN: Duration = Duration::from_secs(7);
/// Permits for requests at the start and at most. Judgement: more than a person or a script sends in a hurry.
const PERMITS: f64 = 1000.0;
/// Permits that come back in a second. Judgement: with `fresh` at its longest some 25 000 ids are kept, 4 MB.
const PERMITS_PER_S: f64 = 200.0;
/// Answers kept to be given again, the newest.
const ANSWERS: usize = 256;
/// Longest answer that is kept, in bytes: those to requests that change light are far shorter.
const LONGEST_ANSWER: usize = 8 * 1024;

/// What came with a request beside its fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Delivered {
    /// True if it carries the flag of a message that the broker keeps.
    pub retained: bool,
    /// What the broker says is left of the message expiry that its sender set.
    pub expires_in: Option<Duration>,
}

/// When a message came.
#[derive(Debug, Clone, Copy)]
pub struct Received {
    /// This machine's wall clock.
    pub wall: Timestamp,
    /// Time since the daemon's start; never jumps.
    pub up: Duration,
    /// How long ago a ping was sent that the broker has answered; nothing older can be in the connection.
    pub proven: Duration,
}

/// What its sender wrote into the request for such a door.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Stamp<'a> {
    /// Its id.
    pub id: Option<&'a str>,
    /// `sent`.
    pub sent: Option<&'a str>,
}

/// What is to happen with it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Verdict {
    /// It is to be done now, this once.
    Do,
    /// It was done: this was the answer.
    Answered(Box<Answer>),
    /// It is being done.
    Underway,
    /// It is not to be done.
    Refused(Failure),
}

/// A request that was let in.
#[derive(Debug)]
struct Known {
    /// Tells one request from another under the same id.
    print: u64,
    outcome: Outcome,
}

#[derive(Debug)]
enum Outcome {
    Underway,
    Answered(Box<Answer>),
    /// The answer has made room for newer ones: what became of it is still known.
    Forgotten(Option<FailureKind>),
}

/// Judges requests in the order in which they come.
#[derive(Debug)]
pub(super) struct Judge {
    rules: Requests,
    known: HashMap<String, Known>,
    /// Ids in the order in which they were let in, with when.
    order: VecDeque<(Duration, String)>,
    /// Ids whose answers are kept, oldest first.
    answered: VecDeque<String>,
    permits: f64,
    refilled: Duration,
    hasher: RandomState,
}

impl Judge {
    /// A judge who has seen nothing yet.
    pub(super) fn new(rules: Requests) -> Self {
        Self {
            rules,
            known: HashMap::new(),
            order: VecDeque::new(),
            answered: VecDeque::new(),
            permits: PERMITS,
            refilled: Duration::ZERO,
            hasher: RandomState::new(),
        }
    }

    /// How long ids are kept: past the end of any moment in which the same message could count as fresh.
    fn kept_for(&self) -> Duration {
        (self.rules.fresh * 2).max(self.rules.fresh + AHEAD)
    }

    /// Judges one request. [`Verdict::Do`] is given once for an id, until [`Self::undone`] or until it is forgotten.
    pub(super) fn judge(
        &mut self,
        stamp: Stamp<'_>,
        request: &Request,
        delivered: Delivered,
        at: Received,
    ) -> Verdict {
        self.forget(at.up);
        match self.weigh(stamp, request, delivered, at) {
            Ok(verdict) => verdict,
            Err(failure) => Verdict::Refused(failure),
        }
    }

    fn weigh(
        &mut self,
        stamp: Stamp<'_>,
        request: &Request,
        delivered: Delivered,
        at: Received,
    ) -> Result<Verdict, Failure> {
        if delivered.retained {
            return Err(retained());
        }
        let id = stamp.id.filter(|id| !id.is_empty()).ok_or_else(|| {
            field("a request over MQTT needs an `id`", "give each request an id of its own, such as a UUID")
        })?;
        let sent = stamp.sent.ok_or_else(no_sent)?;
        let sent: Timestamp = sent.parse().map_err(|_| no_sent())?;
        let print = self.print(request);
        if let Some(known) = self.known.get(id) {
            return again(known, print, id);
        }
        self.in_time(sent, delivered, at)?;
        if !self.permit(at.up) {
            return Err(Failure {
                kind: FailureKind::Busy,
                said: format!("more than {PERMITS_PER_S} requests a second came; this one was not done"),
                hint: Some("send fewer, then ask again".to_owned()),
            });
        }
        if !only_reads(request) {
            self.known.insert(id.to_owned(), Known { print, outcome: Outcome::Underway });
            self.order.push_back((at.up, id.to_owned()));
        }
        Ok(Verdict::Do)
    }

    /// Refuses what was meant for another moment.
    fn in_time(&self, sent: Timestamp, delivered: Delivered, at: Received) -> Result<(), Failure> {
        let fresh = self.rules.fresh;
        if delivered.expires_in == Some(Duration::ZERO) {
            return Err(late("its message expiry has passed".to_owned()));
        }
        if self.rules.by == FreshBy::Expiry && delivered.expires_in.is_some_and(|left| left <= fresh) {
            if at.proven > PROVEN {
                return Err(late(
                    "the connection to the broker stood still: how old this is cannot be told".into(),
                ));
            }
            return Ok(());
        }
        let age = seconds(at.wall) - seconds(sent);
        if age < -AHEAD.as_secs_f64() {
            return Err(Failure {
                kind: FailureKind::TooEarly,
                said: format!(
                    "`sent` is {:.1} s ahead of this machine's clock; {} s are allowed: one of the two clocks is wrong",
                    -age,
                    AHEAD.as_secs()
                ),
                hint: Some("set both clocks; `lampkeep status` tells the state of this machine's".to_owned()),
            });
        }
        if age > fresh.as_secs_f64() {
            return Err(late(format!(
                "`sent` is {age:.1} s ago by this machine's clock; {} s are allowed: the message was held up, or one of \
                 the two clocks is wrong",
                fresh.as_secs_f64()
            )));
        }
        // By the present clock: one that was set since the start has moved the start too.
        if age > at.up.as_secs_f64() {
            return Err(late(format!(
                "it was sent {:.1} s before this daemon's start",
                age - at.up.as_secs_f64()
            )));
        }
        Ok(())
    }

    /// Keeps the answer to a request that was let in, for those who ask the same again.
    pub(super) fn answered(&mut self, id: &str, answer: &Answer, bytes: usize) {
        let Some(known) = self.known.get_mut(id) else { return };
        if bytes > LONGEST_ANSWER {
            known.outcome = Outcome::Forgotten(answer.error.as_ref().map(|e| e.kind));
            return;
        }
        known.outcome = Outcome::Answered(Box::new(answer.clone()));
        self.answered.push_back(id.to_owned());
        if self.answered.len() > ANSWERS
            && let Some(oldest) = self.answered.pop_front()
            && let Some(known) = self.known.get_mut(&oldest)
            && let Outcome::Answered(answer) = &known.outcome
        {
            known.outcome = Outcome::Forgotten(answer.error.as_ref().map(|e| e.kind));
        }
    }

    /// A request that was let in could not be taken after all, and may be sent again under its id.
    pub(super) fn undone(&mut self, id: &str) {
        self.known.remove(id);
    }

    /// Forgets ids that have been kept long enough.
    fn forget(&mut self, up: Duration) {
        let kept_for = self.kept_for();
        while self.order.front().is_some_and(|(since, _)| up > *since + kept_for) {
            let Some((_, id)) = self.order.pop_front() else { break };
            self.known.remove(&id);
        }
        while self.answered.front().is_some_and(|id| !self.known.contains_key(id)) {
            self.answered.pop_front();
        }
    }

    fn permit(&mut self, up: Duration) -> bool {
        let since = up.saturating_sub(self.refilled).as_secs_f64();
        self.permits = (self.permits + since * PERMITS_PER_S).min(PERMITS);
        self.refilled = up;
        let there = self.permits >= 1.0;
        if there {
            self.permits -= 1.0;
        }
        there
    }

    /// The same for the same request, whatever its stamp says.
    fn print(&self, request: &Request) -> u64 {
        self.hasher.hash_one(serde_json::to_vec(request).unwrap_or_default())
    }

    #[cfg(test)]
    fn holds(&self) -> usize {
        self.known.len().max(self.order.len())
    }
}

/// True for a request that changes nothing: asked twice, it may be answered twice.
fn only_reads(request: &Request) -> bool {
    matches!(request, Request::Status { .. } | Request::Explain { .. } | Request::Names {})
}

fn again(known: &Known, print: u64, id: &str) -> Result<Verdict, Failure> {
    if known.print != print {
        let said = "this `id` was used for another request a moment ago; this one was not done";
        return Err(field(said, "give each request an id of its own"));
    }
    Ok(match &known.outcome {
        Outcome::Underway => Verdict::Underway,
        Outcome::Answered(answer) => Verdict::Answered(answer.clone()),
        Outcome::Forgotten(None) => Verdict::Answered(Box::new(Answer {
            id: Some(id.to_owned()),
            ok: true,
            said: Some("done before; the words of that answer are no longer kept".to_owned()),
            now: None,
            data: None,
            error: None,
        })),
        Outcome::Forgotten(Some(kind)) => {
            let said = "refused before; the words of that answer are no longer kept".to_owned();
            let hint = Some("ask again under another id".to_owned());
            Verdict::Answered(Box::new(Answer::refused(
                Some(id.to_owned()),
                Failure { kind: *kind, said, hint },
            )))
        }
    })
}

fn seconds(at: Timestamp) -> f64 {
    at.as_second() as f64 + f64::from(at.subsec_nanosecond()) * 1e-9
}

fn retained() -> Failure {
    Failure {
        kind: FailureKind::Retained,
        said: "the broker keeps this request (`retain`): nobody can tell for which moment it was meant"
            .to_owned(),
        hint: Some("clear it with an empty retained message, and send requests without `retain`".to_owned()),
    }
}

fn late(said: String) -> Failure {
    let hint = Some("ask again; `lampkeep status` tells the state of this machine's clock".to_owned());
    Failure { kind: FailureKind::TooLate, said, hint }
}

fn no_sent() -> Failure {
    let hint = "add the moment of sending, such as \"sent\":\"2026-05-04T10:00:00.250Z\"";
    field("a request over MQTT needs `sent`: a moment in UTC by RFC 3339", hint)
}

fn field(said: &str, hint: &str) -> Failure {
    Failure { kind: FailureKind::BadField, said: said.to_owned(), hint: Some(hint.to_owned()) }
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
