//! Requests from the broker: each is read, judged, handed to the engine by the way that the socket's take,
//! and answered. Everything here has a bound; what there is no room for is neither done nor kept.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Publish, PublishProperties, RetainForwardRule};
use tokio::task::JoinSet;

use super::super::bridge::{Doors, status_answer, untyped};
use super::super::{Answer, Envelope, Failure, FailureKind, Request, RequestsStatus, Status, decode_sent};
use super::judge::{Delivered, Judge, Received, Stamp, Verdict};
use super::quiet::Quiet;
use crate::plan::Requests;

/// The topic that reaches every set.
const ALL: &str = "lampkeep/all/ask";
/// Answers that may be owed at a time, those that wait to be sent included; twice what the socket has clients.
const OWED: usize = 64;
/// Longest response topic in bytes. MQTT allows 65 535; each owed answer holds one.
const LONGEST_TOPIC: usize = 512;
/// Longest correlation data in bytes, likewise.
const LONGEST_CORRELATION: usize = 1024;
/// What a receiver is told of an answer's form.
const JSON: &str = "application/json";

/// Where an answer goes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Address {
    topic: String,
    correlation: Option<Vec<u8>>,
}

/// An answer to be sent.
#[derive(Debug)]
pub struct Reply {
    address: Address,
    payload: Vec<u8>,
    set: String,
}

impl Reply {
    /// Where it goes.
    #[must_use]
    pub fn topic(&self) -> &str {
        &self.address.topic
    }

    /// What it says, in JSON.
    #[must_use]
    pub fn payload(&self) -> &[u8] {
        &self.payload
    }

    /// Bytes that it takes on the wire, at most.
    #[must_use]
    pub fn size(&self) -> usize {
        let correlation = self.address.correlation.as_ref().map_or(0, Vec::len);
        // Header, packet id, property ids and lengths come to less than 64 bytes.
        self.payload.len() + self.address.topic.len() + correlation + self.set.len() + JSON.len() + 64
    }

    /// Says in its place that it is too long for this broker.
    pub(super) fn cut(&mut self, limit: u32) {
        let id = serde_json::from_slice::<Answer>(&self.payload).ok().and_then(|answer| answer.id);
        let said = format!(
            "the answer has {} bytes, more than the {limit} that the broker takes",
            self.payload.len()
        );
        let hint = Some("raise the broker's limit on packets, or ask over the local socket".to_owned());
        self.payload = json(&Answer::refused(id, Failure { kind: FailureKind::Busy, said, hint }));
    }

    /// What is said of it outside its payload. `expires`: after that nobody is waiting any longer.
    #[must_use]
    pub fn properties(&self, expires: Duration) -> PublishProperties {
        PublishProperties {
            payload_format_indicator: Some(1),
            message_expiry_interval: u32::try_from(expires.as_secs()).ok(),
            content_type: Some(JSON.to_owned()),
            correlation_data: self.address.correlation.clone().map(Into::into),
            // Many sets answer one `lampkeep/all/ask`.
            user_properties: vec![("set".to_owned(), self.set.clone())],
            ..PublishProperties::default()
        }
    }
}

/// A request that the engine has answered.
struct Done {
    id: String,
    answer: Answer,
}

/// Takes requests and owes answers. Public so that tests from outside can hand it whatever a broker may send.
pub struct Desk {
    set: String,
    own: String,
    answer_topic: String,
    doors: Doors,
    judge: Judge,
    at_work: JoinSet<Done>,
    /// Who waits for the answer to an id.
    waiting: HashMap<String, Vec<Address>>,
    replies: VecDeque<Reply>,
    counts: RequestsStatus,
    dropped: u64,
    quiet: Quiet,
}

impl Desk {
    /// Takes requests for `set` by these rules and hands them in at `doors`.
    #[must_use]
    pub fn new(set: &str, rules: Requests, doors: Doors) -> Self {
        Self {
            set: set.to_owned(),
            own: format!("lampkeep/{set}/ask"),
            answer_topic: format!("lampkeep/{set}/answer"),
            doors,
            judge: Judge::new(rules),
            at_work: JoinSet::new(),
            waiting: HashMap::new(),
            replies: VecDeque::new(),
            counts: RequestsStatus::default(),
            dropped: 0,
            quiet: Quiet::default(),
        }
    }

    /// What to subscribe to. A message that is both sent now and kept must show that it is kept.
    #[must_use]
    pub fn filters(&self) -> [Filter; 2] {
        [&*self.own, ALL].map(|topic| Filter {
            preserve_retain: true,
            retain_forward_rule: RetainForwardRule::OnEverySubscribe,
            ..Filter::new(topic, QoS::ExactlyOnce)
        })
    }

    /// What came so far.
    #[must_use]
    pub const fn counts(&self) -> RequestsStatus {
        self.counts
    }

    /// Answers and requests that were let fall for want of room, since this was last asked.
    pub(super) fn take_dropped(&mut self) -> u64 {
        std::mem::take(&mut self.dropped)
    }

    /// A new connection: whoever waited for an answer on the old one asks again, and gets the same.
    pub(super) fn fresh(&mut self) {
        self.dropped += (self.replies.len() + self.waiting.values().map(Vec::len).sum::<usize>()) as u64;
        self.replies.clear();
        self.waiting.clear();
    }

    /// Takes a message. Nothing of it is logged but which kind of refusal it met.
    pub fn take(&mut self, publish: &Publish, at: Received, status: &Arc<Status>) {
        if publish.topic != self.own && publish.topic != ALL {
            return;
        }
        // That is how a broker is told to forget what it keeps.
        if publish.retain && publish.payload.is_empty() {
            return;
        }
        // Before anything is done: what cannot be answered is not done either.
        if self.owed() >= OWED {
            self.dropped += 1;
            self.counts.refused += 1;
            return self.told("busy", "more came than can be answered", at.up);
        }
        let properties = publish.properties.as_ref();
        let (address, request) = match self.address(properties) {
            Ok(address) => (address, decode_sent(&publish.payload)),
            Err(failure) => {
                let id = decode_sent(&publish.payload).map_or_else(|e| e.0, |(envelope, _)| envelope.id);
                return self.refuse(self.usual(), id, failure, at.up);
            }
        };
        let (Envelope { id, request }, sent) = match request {
            Ok(request) => request,
            Err((id, failure)) => {
                let failure = if status.protect.on { untyped(failure) } else { failure };
                return self.refuse(address, id, failure, at.up);
            }
        };
        let delivered = Delivered {
            retained: publish.retain,
            expires_in: properties
                .and_then(|p| p.message_expiry_interval)
                .map(|s| Duration::from_secs(u64::from(s))),
        };
        let stamp = Stamp { id: id.as_deref(), sent: sent.as_deref() };
        match self.judge.judge(stamp, &request, delivered, at) {
            Verdict::Refused(failure) => self.refuse(address, id, failure, at.up),
            Verdict::Answered(answer) => {
                self.counts.repeated += 1;
                self.reply(address, &answer);
            }
            Verdict::Underway => {
                self.counts.repeated += 1;
                self.waiting.entry(id.unwrap_or_default()).or_default().push(address);
            }
            Verdict::Do => self.act(address, Envelope { id, request }, status, at.up),
        }
    }

    fn act(&mut self, address: Address, envelope: Envelope, status: &Arc<Status>, up: Duration) {
        match envelope.request {
            Request::Status { follow: false } => {
                self.counts.taken += 1;
                self.reply(address, &status_answer(envelope.id, status));
            }
            Request::Status { follow: true } => {
                let said = "`follow` is for the local socket".to_owned();
                let hint = Some(format!("subscribe to lampkeep/{}/now and lampkeep/{0}/fixture/+", self.set));
                self.refuse(address, envelope.id, Failure { kind: FailureKind::BadField, said, hint }, up);
            }
            _ => {
                self.counts.taken += 1;
                let id = envelope.id.clone().unwrap_or_default();
                self.waiting.entry(id.clone()).or_default().push(address);
                let doors = self.doors.clone();
                self.at_work.spawn(async move { Done { id, answer: doors.ask(envelope).await } });
            }
        }
    }

    /// Waits for the engine's next answer; for ever while none is owed. Loses nothing when dropped midway.
    pub async fn answered(&mut self) {
        let Some(done) = self.at_work.join_next().await else { return std::future::pending().await };
        // A task that panicked has no answer to give; none of them can.
        let Ok(Done { id, answer }) = done else { return };
        if answer.error.as_ref().is_some_and(|e| e.kind == FailureKind::Busy) {
            self.judge.undone(&id);
        } else {
            self.judge.answered(&id, &answer, json(&answer).len());
        }
        for address in self.waiting.remove(&id).unwrap_or_default() {
            self.reply(address, &answer);
        }
    }

    /// The next answer to send.
    pub fn next_reply(&mut self) -> Option<Reply> {
        self.replies.pop_front()
    }

    /// Takes one back that could not be sent now.
    pub(super) fn give_back(&mut self, reply: Reply) {
        self.replies.push_front(reply);
    }

    fn owed(&self) -> usize {
        self.replies.len() + self.waiting.values().map(Vec::len).sum::<usize>().max(self.at_work.len())
    }

    fn refuse(&mut self, address: Address, id: Option<String>, failure: Failure, up: Duration) {
        self.counts.refused += 1;
        self.told(word(failure.kind), "its answer says why", up);
        self.reply(address, &Answer::refused(id, failure));
    }

    fn reply(&mut self, address: Address, answer: &Answer) {
        self.replies.push_back(Reply { address, payload: json(answer), set: self.set.clone() });
    }

    fn told(&mut self, kind: &'static str, why: &str, up: Duration) {
        if let Some(more) = self.quiet.tells(kind, up) {
            let more =
                if more == 0 { String::new() } else { format!("; {more} more since it was last told") };
            let clear = if kind == "retained" {
                format!("; clear it with an empty retained message to {} or {ALL}", self.own)
            } else {
                String::new()
            };
            tracing::warn!("a request over MQTT was refused ({kind}): {why}{clear}{more}");
        }
    }

    fn usual(&self) -> Address {
        Address { topic: self.answer_topic.clone(), correlation: None }
    }

    /// Where the answer is to go.
    fn address(&self, properties: Option<&PublishProperties>) -> Result<Address, Failure> {
        let Some(properties) = properties else { return Ok(self.usual()) };
        let correlation = properties.correlation_data.as_ref().map(|data| data.to_vec());
        if correlation.as_ref().is_some_and(|data| data.len() > LONGEST_CORRELATION) {
            let said =
                format!("the correlation data has more than {LONGEST_CORRELATION} bytes, the most allowed");
            return Err(unanswerable(said));
        }
        let topic = match &properties.response_topic {
            None => self.answer_topic.clone(),
            Some(topic) => response_topic(topic).map_err(|why| unanswerable(why.to_owned()))?.to_owned(),
        };
        Ok(Address { topic, correlation })
    }
}

/// A topic to which an answer may be sent: one topic, and none on which it could be taken for anything else.
///
/// Errors: why not.
fn response_topic(topic: &str) -> Result<&str, &'static str> {
    if topic.is_empty() || topic.contains(['+', '#', '\0']) || topic.chars().any(char::is_control) {
        return Err("the response topic is no topic to publish to");
    }
    if topic.len() > LONGEST_TOPIC {
        return Err("the response topic is longer than 512 bytes, the most allowed");
    }
    if topic.starts_with('$') {
        return Err("the response topic is one of the broker's own");
    }
    let mut levels = topic.split('/');
    if levels.next() == Some("lampkeep") && levels.nth(1) != Some("answer") {
        return Err("the response topic is one on which lampkeep tells its state or is asked");
    }
    Ok(topic)
}

fn unanswerable(said: String) -> Failure {
    let hint = "give a topic of your own, `lampkeep/SET/answer/NAME`, or none: answers then go to `lampkeep/SET/answer`";
    Failure { kind: FailureKind::BadRequest, said, hint: Some(hint.to_owned()) }
}

/// The stable word for a kind, as answers have it.
const fn word(kind: FailureKind) -> &'static str {
    match kind {
        FailureKind::BadRequest => "bad-request",
        FailureKind::UnknownRequest => "unknown-request",
        FailureKind::BadField => "bad-field",
        FailureKind::TooLate => "too-late",
        FailureKind::TooEarly => "too-early",
        FailureKind::Retained => "retained",
        FailureKind::Busy => "busy",
        // The engine's own refusals are answered, and no news for the log.
        _ => "refused",
    }
}

fn json(answer: &Answer) -> Vec<u8> {
    serde_json::to_vec(answer).expect("a plain struct with string keys serializes into memory")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: OASIS MQTT 5.0, 4.7.1 (wildcards), 4.7.2 (`$`), 4.7.3 (empty, NUL).
    #[test]
    fn an_answer_goes_to_a_plain_topic_that_means_nothing_else() {
        for good in [
            "chair/1",
            "lampkeep/pilot-station/answer",
            "lampkeep/pilot-station/answer/chair-1",
            "lampkeep/all/answer",
            "lampkeeper/now",
            "/",
            "a$b",
        ] {
            assert_eq!(response_topic(good), Ok(good));
        }
        let long = "x".repeat(513);
        for bad in [
            "",
            "#",
            "chair/+",
            "chair/#",
            "$SYS/broker",
            "$share/a/b",
            "a\0b",
            "a\nb",
            "lampkeep",
            "lampkeep/x",
            "lampkeep/pilot-station/now",
            "lampkeep/pilot-station/online",
            "lampkeep/other/fixture/key",
            "lampkeep/other/ask",
            "lampkeep/all/ask",
            "lampkeep//answer/../ask",
            &long,
        ] {
            let found = response_topic(bad);
            if bad == "lampkeep//answer/../ask" {
                // Topics know no `..`: this is a topic under an answer, of a set without a name.
                assert!(found.is_ok());
            } else {
                assert!(found.is_err(), "{bad}");
            }
        }
    }
}
