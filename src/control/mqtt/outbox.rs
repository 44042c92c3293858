//! What waits to be published: the newest of each topic and a few alerts, never more.
//!
//! Pure: time is the span since the door was opened. Knows nothing of connections.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::super::essence;
use super::super::{
    Alert, CircuitStatus, ClockStatus, JournalStatus, Now, OrderStatus, OutputStatus, ProtectStatus, Status,
};

/// Least time between two messages on one topic: 10 a second.
pub(super) const APART: Duration = Duration::from_millis(100);
/// Most time between two messages on `BASE/now`.
pub(super) const HEARTBEAT: Duration = Duration::from_secs(10);
/// Alerts that may wait; when there are more the oldest go, counted.
const ALERTS: usize = 32;

/// What `BASE/now` carries.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NowMessage {
    /// The light now.
    #[serde(flatten)]
    pub now: Now,
    /// The running order.
    pub order: OrderStatus,
    /// True when every output is the simulator.
    pub simulated: bool,
    /// What carries the frames.
    pub outputs: Vec<OutputStatus>,
    /// The identity guard.
    #[serde(default)]
    pub protect: ProtectStatus,
    /// What the circuits carry.
    pub circuits: Vec<CircuitStatus>,
    /// The latest of what was told once; `None` before the first.
    #[serde(default)]
    pub told: Option<Alert>,
    /// The machine's wall clock, by which a recall for an instant starts; `None` before it was first read.
    #[serde(default)]
    pub clock: Option<ClockStatus>,
    /// The take log; `None` where nothing is kept.
    #[serde(default)]
    pub journal: Option<JournalStatus>,
}

/// One message to hand on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
    source: Source,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Source {
    Online,
    Now,
    Fixture(String),
    Alert,
}

/// The newest of one retained topic.
#[derive(Debug, Default)]
struct Slot {
    /// What the newest says, without what never stands still.
    essence: Vec<u8>,
    /// The newest, until it has been handed on.
    waiting: Option<Vec<u8>>,
    /// When one was last put here.
    offered: Duration,
    /// When one was last handed on.
    handed: Option<Duration>,
}

/// Newest-wins for each retained topic, first-in-first-out for alerts, both bounded.
#[derive(Debug)]
pub(super) struct Outbox {
    base: String,
    slots: BTreeMap<Source, Slot>,
    alerts: VecDeque<Vec<u8>>,
    dropped: u64,
}

impl Outbox {
    pub(super) fn new(set: &str) -> Self {
        Self { base: format!("lampkeep/{set}"), slots: BTreeMap::new(), alerts: VecDeque::new(), dropped: 0 }
    }

    /// The topic that tells whether the daemon is there.
    pub(super) fn online_topic(&self) -> String {
        format!("{}/online", self.base)
    }

    /// Messages lost so far: alerts while there was no connection or no room, and what a broker
    /// would not take.
    pub(super) const fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Counts messages that were lost elsewhere.
    pub(super) const fn lost(&mut self, messages: u64) {
        self.dropped = self.dropped.saturating_add(messages);
    }

    /// A new connection: nothing of the old one waits any longer, everything is to be said afresh.
    pub(super) fn fresh(&mut self) {
        self.lost(self.alerts.len() as u64);
        self.alerts.clear();
        self.slots.clear();
        let online = Slot { waiting: Some(b"true".to_vec()), ..Slot::default() };
        self.slots.insert(Source::Online, online);
    }

    /// Takes what is new in a status. A fixture that is no longer there has its topic cleared.
    pub(super) fn offer(&mut self, status: &Status, at: Duration) {
        let simulated = status.simulated;
        let plain = NowMessage {
            now: essence::now(&status.now),
            order: essence::order(&status.order),
            simulated,
            outputs: status.outputs.iter().map(essence::output).collect(),
            circuits: status.circuits.iter().map(essence::circuit).collect(),
            protect: status.protect.clone(),
            told: status.told.clone(),
            clock: status.clock.as_ref().map(essence::clock),
            journal: status.journal.as_ref().map(essence::journal),
        };
        let full = || NowMessage {
            now: status.now.clone(),
            order: status.order.clone(),
            simulated,
            outputs: status.outputs.clone(),
            circuits: status.circuits.clone(),
            protect: status.protect.clone(),
            told: status.told.clone(),
            clock: status.clock.clone(),
            journal: status.journal.clone(),
        };
        self.put(Source::Now, json(&plain), || json(&full()), at, Some(HEARTBEAT));
        for fixture in &status.fixtures {
            let source = Source::Fixture(topic_word(&fixture.id));
            self.put(source, json(&essence::fixture(fixture)), || json(fixture), at, None);
        }
        // Kept from before a face was protected, or from while it was, maybe by another run: once a connection.
        for id in &status.other_ids {
            let source = Source::Fixture(topic_word(id));
            self.slots.entry(source).or_insert_with(|| Slot {
                waiting: Some(Vec::new()),
                offered: at,
                ..Slot::default()
            });
        }
        let here = |id: &str| status.fixtures.iter().any(|f| topic_word(&f.id) == id);
        for (source, slot) in &mut self.slots {
            if matches!(source, Source::Fixture(id) if !here(id)) && !slot.essence.is_empty() {
                // An empty retained message is how MQTT forgets one.
                *slot =
                    Slot { waiting: Some(Vec::new()), offered: at, handed: slot.handed, ..Slot::default() };
            }
        }
    }

    fn put(
        &mut self,
        source: Source,
        essence: Vec<u8>,
        payload: impl FnOnce() -> Vec<u8>,
        at: Duration,
        beat: Option<Duration>,
    ) {
        let slot = self.slots.entry(source).or_default();
        let due = beat.is_some_and(|beat| at >= slot.offered + beat);
        if due || slot.essence != essence {
            *slot = Slot { essence, waiting: Some(payload()), offered: at, handed: slot.handed };
        }
    }

    /// Takes an alert; the oldest one goes when there are too many.
    pub(super) fn alert(&mut self, alert: &Alert) {
        if self.alerts.len() == ALERTS {
            self.alerts.pop_front();
            self.lost(1);
        }
        self.alerts.push_back(json(alert));
    }

    /// The next message that may go now.
    pub(super) fn take(&mut self, at: Duration) -> Option<Message> {
        let may = |slot: &Slot| slot.waiting.is_some() && slot.handed.is_none_or(|last| at >= last + APART);
        // `online` sorts first: it opens every connection.
        let due = self.slots.iter().find(|(_, slot)| may(slot)).map(|(source, _)| source.clone());
        let alert_first = due != Some(Source::Online) && !self.alerts.is_empty();
        if alert_first {
            let payload = self.alerts.pop_front()?;
            let topic = format!("{}/alert", self.base);
            return Some(Message { topic, payload, retain: false, source: Source::Alert });
        }
        let source = due?;
        let slot = self.slots.get_mut(&source)?;
        let payload = slot.waiting.take()?;
        slot.handed = Some(at);
        let topic = match &source {
            Source::Fixture(id) => format!("{}/fixture/{id}", self.base),
            Source::Now => format!("{}/now", self.base),
            Source::Online | Source::Alert => self.online_topic(),
        };
        Some(Message { topic, payload, retain: true, source })
    }

    /// Puts a message back that could not be handed on, unless a newer one waits already.
    pub(super) fn give_back(&mut self, message: Message) {
        if message.source == Source::Alert {
            self.alerts.push_front(message.payload);
        } else {
            let slot = self.slots.entry(message.source).or_default();
            slot.waiting.get_or_insert(message.payload);
            slot.handed = None;
        }
    }
}

/// A fixture's id as one level of a topic.
fn topic_word(id: &str) -> String {
    id.chars().map(|c| if c.is_control() || "/+#".contains(c) { '_' } else { c }).collect()
}

fn json(value: &impl Serialize) -> Vec<u8> {
    serde_json::to_vec(value).expect("plain structs with string keys serialize into memory")
}

#[cfg(test)]
#[path = "../../../tests/common/status.rs"]
mod invented;

#[cfg(test)]
mod tests {
    use super::*;

    const START: Duration = Duration::ZERO;

    fn topics(outbox: &mut Outbox, at: Duration) -> Vec<String> {
        std::iter::from_fn(|| outbox.take(at)).map(|m| m.topic).collect()
    }

    fn opened() -> (Outbox, Status) {
        let mut outbox = Outbox::new("pilot-station");
        let status = invented::status("quay-dusk");
        outbox.fresh();
        outbox.offer(&status, START);
        (outbox, status)
    }

    #[test]
    fn a_connection_opens_with_online_and_then_says_everything_once() {
        let (mut outbox, status) = opened();
        let all =
            ["online", "now", "fixture/fill", "fixture/key"].map(|t| format!("lampkeep/pilot-station/{t}"));
        assert_eq!(topics(&mut outbox, START), all);
        outbox.offer(&status, Duration::from_secs(1));
        assert!(topics(&mut outbox, Duration::from_secs(1)).is_empty());
        outbox.fresh();
        outbox.offer(&status, Duration::from_secs(2));
        assert_eq!(topics(&mut outbox, Duration::from_secs(2)), all);
    }

    #[test]
    fn counters_alone_are_no_news_and_now_beats_every_ten_seconds() {
        let (mut outbox, mut status) = opened();
        topics(&mut outbox, START);
        let mut beats = 0;
        for tenth in 1..=300 {
            let at = Duration::from_millis(tenth * 100);
            status.now.frame += 4;
            status.now.uptime_s += 0.1;
            status.now.sequence += 1;
            status.outputs[0].frames += 4;
            outbox.offer(&status, at);
            beats += topics(&mut outbox, at).len();
        }
        assert_eq!(beats, 3);
    }

    #[test]
    fn a_fade_is_told_ten_times_a_second_at_most_and_its_end_always() {
        let (mut outbox, mut status) = opened();
        topics(&mut outbox, START);
        let mut said = Vec::new();
        for frame in 1_u32..=80 {
            let at = Duration::from_millis(u64::from(frame) * 25);
            status.now.progress = f64::from(frame) / 80.0;
            outbox.offer(&status, at);
            said.extend(std::iter::from_fn(|| outbox.take(at)));
        }
        assert_eq!(said.len(), 20);
        let last: NowMessage = serde_json::from_slice(&said.last().unwrap().payload).unwrap();
        assert_eq!(last.now, status.now);
    }

    #[test]
    fn what_waits_is_the_newest_and_never_more_than_one_a_topic() {
        let (mut outbox, mut status) = opened();
        for n in 0..10_000 {
            status.now.look = format!("look-{n}");
            status.fixtures[0].watts = f64::from(n);
            outbox.offer(&status, Duration::from_secs(n as u64));
            outbox.alert(&Alert { kind: "test".into(), fixture: None, said: n.to_string(), since: 0.0 });
        }
        let waiting: Vec<_> = std::iter::from_fn(|| outbox.take(Duration::from_secs(20_000))).collect();
        assert_eq!(waiting.len(), ALERTS + 4);
        let now = waiting.iter().find(|m| m.source == Source::Now).unwrap();
        assert_eq!(serde_json::from_slice::<NowMessage>(&now.payload).unwrap().now.look, "look-9999");
        assert_eq!(outbox.dropped(), 10_000 - ALERTS as u64);
    }

    #[test]
    fn a_message_given_back_goes_later_unless_a_newer_one_waits() {
        let (mut outbox, mut status) = opened();
        let online = outbox.take(START).unwrap();
        outbox.give_back(online.clone());
        assert_eq!(outbox.take(START).unwrap(), online);
        let now = outbox.take(START).unwrap();
        status.now.look = "split".into();
        outbox.offer(&status, START);
        outbox.give_back(now);
        let newer = outbox.take(START).unwrap();
        assert_eq!(serde_json::from_slice::<NowMessage>(&newer.payload).unwrap().now.look, "split");
    }

    #[test]
    fn a_fixture_that_left_the_plan_has_its_topic_cleared_once() {
        let (mut outbox, mut status) = opened();
        topics(&mut outbox, START);
        status.fixtures.pop();
        let later = Duration::from_secs(1);
        outbox.offer(&status, later);
        let cleared = outbox.take(later).unwrap();
        assert_eq!(
            (cleared.topic.as_str(), cleared.payload.len()),
            ("lampkeep/pilot-station/fixture/fill", 0)
        );
        outbox.offer(&status, Duration::from_secs(2));
        assert_eq!(outbox.take(Duration::from_secs(2)), None);
    }

    #[test]
    fn an_id_can_not_leave_its_level_of_the_topic() {
        assert_eq!(topic_word("a/+#\u{0}b"), "a____b");
    }
}
