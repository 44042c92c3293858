//! What holds of what a broker sends, whatever it sends: bytes to packets by the client's own decoder, and messages by
//! the very code that the daemon hands them to.
//!
//! An input that begins with the byte of a packet (`PUBLISH` and those above it, 0x20 to 0xff but letters) is bytes;
//! any other is text: messages parted by a line `===`, each with its head, an empty line and the payload. In the head:
//! `topic`, `retain`, `response`, `correlation`, `expires`, `wait`, `proven`, one a line.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;

use lampkeep::control::mqtt::{Desk, MAX_PACKET, Received};
use lampkeep::control::{Answer, Doors, Inbound, Request, Status};
use lampkeep::engine::{Engine, Options};
use lampkeep::plan::{FreshBy, Requests, load};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, Publish, PublishProperties};

use crate::said;

/// The desk's own topic, and the one for every set.
const TOPICS: [&str; 2] = ["lampkeep/pilot-station/ask", "lampkeep/all/ask"];
/// Longest response topic that is answered to, in bytes (docs/interface.md, part 4).
const LONGEST_TOPIC: usize = 512;

thread_local! {
    static STATUS: Arc<Status> = {
        let options = Options { simulate: true, boot_id: "fuzz".to_owned(), ..Options::default() };
        Arc::new(Engine::new(Arc::new(load::demo()), options).status())
    };
    static RUNTIME: tokio::runtime::Runtime =
        tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
}

/// Takes `input` as a broker's and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let mut broker = Broker::new();
    match input.first() {
        Some(first) if *first >= 0x20 && !first.is_ascii_graphic() || *first == b'0' || *first == b'2' => {
            packets(input, &mut broker);
        }
        Some(_) => texts(input, &mut broker),
        None => {}
    }
    assert!(broker.done <= broker.sent, "something was done that nobody asked for");
}

/// Bytes as they come over the wire, cut into packets as the client cuts them.
fn packets(input: &[u8], broker: &mut Broker) {
    let mut rest = input;
    while let Some(length) = frame_length(rest) {
        let (frame, after) = rest.split_at(length.min(rest.len()));
        rest = after;
        // Whatever it says of itself, it is read or refused.
        match Packet::read(&mut frame.into(), Some(MAX_PACKET)) {
            Ok(Packet::Publish(publish)) => {
                broker.message(&publish, Duration::from_millis(10), Duration::ZERO)
            }
            Ok(_) => {}
            Err(_) => return,
        }
    }
}

/// Bytes of the first packet by its own account. Source: OASIS MQTT 5.0, 1.5.5 and 2.1.4.
fn frame_length(bytes: &[u8]) -> Option<usize> {
    let mut length = 0;
    for (at, byte) in bytes.iter().skip(1).take(4).enumerate() {
        length |= usize::from(byte & 0x7f) << (7 * at);
        if byte & 0x80 == 0 {
            return Some(length + at + 2);
        }
    }
    (!bytes.is_empty()).then_some(bytes.len())
}

fn texts(input: &[u8], broker: &mut Broker) {
    let text = input;
    for message in parted(text, b"\n===\n") {
        let (head, payload) = match message.windows(2).position(|w| w == b"\n\n") {
            Some(at) => (&message[..at], &message[at + 2..]),
            None => (message, &b""[..]),
        };
        let mut publish = Publish::new(TOPICS[0], QoS::ExactlyOnce, payload.to_vec(), None);
        let mut properties = PublishProperties::default();
        let (mut wait, mut proven) = (Duration::from_millis(10), Duration::ZERO);
        let mut any = false;
        for line in String::from_utf8_lossy(head).lines() {
            let (name, value) = line.split_once(": ").unwrap_or((line, ""));
            any |= matches!(name, "response" | "correlation" | "expires");
            match name {
                "topic" => publish.topic = value.to_owned().into(),
                "retain" => publish.retain = true,
                "response" => properties.response_topic = Some(value.to_owned()),
                "correlation" => properties.correlation_data = Some(value.as_bytes().to_vec().into()),
                "expires" => properties.message_expiry_interval = value.parse().ok(),
                "wait" => wait = Duration::from_millis(value.parse::<u32>().unwrap_or(0).into()),
                "proven" => proven = Duration::from_millis(value.parse::<u32>().unwrap_or(0).into()),
                _ => {}
            }
        }
        publish.properties = any.then_some(properties);
        broker.message(&publish, wait, proven);
    }
}

fn parted<'a>(mut rest: &'a [u8], by: &[u8]) -> Vec<&'a [u8]> {
    let mut parts = Vec::new();
    while let Some(at) = rest.windows(by.len()).position(|w| w == by) {
        parts.push(&rest[..at]);
        rest = &rest[at + by.len()..];
    }
    parts.push(rest);
    parts
}

/// A broker's end: what it sends, and what comes of it.
struct Broker {
    desk: Desk,
    inbox: Receiver<Inbound>,
    up: Duration,
    sent: u64,
    done: u64,
}

impl Broker {
    fn new() -> Self {
        let (to_engine, inbox) = sync_channel(64);
        let rules = Requests { fresh: Duration::from_secs(5), by: FreshBy::Expiry };
        let desk = Desk::new("pilot-station", rules, Doors::new(to_engine));
        Self { desk, inbox, up: Duration::from_secs(100), sent: 0, done: 0 }
    }

    fn message(&mut self, publish: &Publish, wait: Duration, proven: Duration) {
        self.up += wait;
        let start: jiff::Timestamp = "2026-05-04T10:00:00Z".parse().expect("a moment");
        let up = jiff::SignedDuration::try_from(self.up).unwrap_or(jiff::SignedDuration::ZERO);
        let wall = start.checked_add(up).unwrap_or(start);
        let at = Received { wall, up: self.up, proven };
        let before = self.desk.counts();
        STATUS.with(|status| {
            // Within a runtime, as in the daemon: requests wait for the engine in tasks of it.
            RUNTIME.with(|runtime| runtime.block_on(async { self.desk.take(publish, at, status) }));
        });
        let (before, after) = (sum(before), sum(self.desk.counts()));
        self.sent += 1;
        let ours = TOPICS.iter().any(|t| publish.topic == t.as_bytes());
        assert!(after - before <= 1 && (ours || after == before), "{} to {}", before, after);
        let done_before = self.done;
        RUNTIME.with(|runtime| runtime.block_on(self.engine()));
        assert!(!publish.retain || self.done == done_before, "a kept message was done");
        while let Some(reply) = self.desk.next_reply() {
            let topic = reply.topic();
            assert!(!topic.is_empty() && topic.len() <= LONGEST_TOPIC && !topic.contains(['+', '#', '\0']));
            assert!(!topic.starts_with('$') && !TOPICS.contains(&topic));
            let mut levels = topic.split('/');
            let of_lampkeep = levels.next() == Some("lampkeep");
            assert!(!of_lampkeep || levels.nth(1) == Some("answer"), "an answer on {topic}");
            let answer: Answer = serde_json::from_slice(reply.payload()).expect("an answer is one");
            for text in answer.error.iter().flat_map(|e| [Some(&e.said), e.hint.as_ref()]).flatten() {
                said::is_fit(text, 400, false);
            }
            assert!(reply.size() >= reply.payload().len() + topic.len());
            let sent = publish.properties.as_ref().and_then(|p| p.correlation_data.as_ref());
            let back = reply.properties(Duration::from_secs(60)).correlation_data;
            assert!(back.is_none() || back.as_ref() == sent || self.sent > 1, "another's correlation data");
        }
    }

    /// The engine does what it is handed, and says so.
    async fn engine(&mut self) {
        loop {
            tokio::task::yield_now().await;
            let Ok(inbound) = self.inbox.try_recv() else { return };
            let Inbound::Ask(ask) = inbound else { panic!("{inbound:?} from the broker") };
            assert!(!matches!(ask.envelope.request, Request::Status { .. }), "answered by the desk itself");
            self.done += 1;
            let id = ask.envelope.id.clone();
            assert!(id.as_deref().is_some_and(|id| !id.is_empty()), "done without an id");
            let answer =
                Answer { id, ok: true, said: Some("done".to_owned()), now: None, data: None, error: None };
            ask.reply.send(answer).expect("somebody waits");
            self.desk.answered().await;
        }
    }
}

fn sum(counts: lampkeep::control::RequestsStatus) -> u64 {
    counts.taken + counts.refused + counts.repeated
}
