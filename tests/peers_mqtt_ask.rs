//! Requests over MQTT through a real mosquitto: which are done, which are not, and where the answers go.
//! The door is the daemon's; the engine behind it says that everything was done and counts.
//!
//! Source of what is expected: interface.md part 4 and the requirement, unless a test names another.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/broker.rs"]
mod broker;

use std::sync::atomic::Ordering;
use std::time::Duration;

use broker::{Broker, Door, Reader, WITHIN, settings};
use lampkeep::control::{Answer, FailureKind, LinkState, Request};
use lampkeep::plan::{FreshBy, Mqtt, Requests};
use rumqttc::v5::MqttOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use tokio::time::{sleep, timeout};

const ASK: &str = "lampkeep/pilot-station/ask";
const ALL: &str = "lampkeep/all/ask";
const ANSWER: &str = "lampkeep/pilot-station/answer";
/// Long enough for a message that was let through to have come.
const A_WHILE: Duration = Duration::from_millis(300);

fn asking(port: u16, by: FreshBy) -> Mqtt {
    let fresh = Duration::from_secs(5);
    Mqtt { requests: Some(Requests { fresh, by }), ..settings(port) }
}

/// The wall clock, so many seconds from now.
fn at(seconds: f64) -> String {
    #[expect(clippy::disallowed_methods, reason = "a sender stamps with the real time")]
    let now = jiff::Timestamp::now();
    (now + jiff::SignedDuration::from_secs_f64(seconds)).to_string()
}

fn recall(id: &str, sent: &str) -> String {
    format!(r#"{{"id":"{id}","sent":"{sent}","do":"recall","look":"split"}}"#)
}

/// Where answers are wanted, with what.
fn to(topic: &str, correlation: &[u8]) -> PublishProperties {
    PublishProperties {
        response_topic: Some(topic.into()),
        correlation_data: Some(correlation.to_vec().into()),
        ..PublishProperties::default()
    }
}

fn expiring(seconds: u32) -> PublishProperties {
    PublishProperties { message_expiry_interval: Some(seconds), ..PublishProperties::default() }
}

fn answer(publish: &Publish) -> Answer {
    serde_json::from_slice(&publish.payload).unwrap()
}

fn kind(publish: &Publish) -> Option<FailureKind> {
    answer(publish).error.map(|e| e.kind)
}

/// A sender that hears answers and nothing else.
struct Sender {
    reader: Reader,
}

impl Sender {
    async fn of(port: u16) -> Self {
        let options = MqttOptions::new("chair", "127.0.0.1", port);
        Self { reader: Reader::on(options, &["lampkeep/+/answer/#", "chair/#"]).await }
    }

    fn send(&self, topic: &str, payload: impl Into<Vec<u8>>, properties: PublishProperties) {
        self.send_as(topic, payload, properties, QoS::AtLeastOnce, false);
    }

    fn send_as(
        &self,
        topic: &str,
        payload: impl Into<Vec<u8>>,
        properties: PublishProperties,
        qos: QoS,
        retain: bool,
    ) {
        let payload: Vec<u8> = payload.into();
        self.reader.client.try_publish_with_properties(topic, qos, retain, payload, properties).unwrap();
    }

    async fn hears(&mut self) -> Publish {
        self.reader.any().await
    }

    /// Sends to the set's own topic and gives the answer.
    async fn asks(&mut self, payload: impl Into<Vec<u8>>) -> Publish {
        self.send(ASK, payload, PublishProperties::default());
        self.hears().await
    }

    async fn hears_nothing_more(&mut self) {
        let more = timeout(A_WHILE, self.reader.heard.recv()).await;
        assert!(more.is_err(), "{more:?}");
    }
}

/// A broker, the door with requests turned on and subscribed, and a sender.
async fn scene(by: FreshBy) -> Option<(Broker, Door, Sender)> {
    let broker = Broker::start("allow_anonymous true").await?;
    let door = Door::open(asking(broker.port, by));
    let mut sender = Sender::of(broker.port).await;
    sender.knock().await;
    Some((broker, door, sender))
}

impl Sender {
    /// Asks for the status until the door answers, so that it is known to have subscribed.
    async fn knock(&mut self) {
        let knocks = async {
            for number in 0.. {
                let payload = format!(r#"{{"id":"knock-{number}","sent":"{}","do":"status"}}"#, at(0.0));
                self.send_as(ASK, payload, PublishProperties::default(), QoS::AtMostOnce, false);
                if timeout(A_WHILE, self.reader.heard.recv()).await.is_ok() {
                    break;
                }
            }
            while timeout(A_WHILE, self.reader.heard.recv()).await.is_ok() {}
        };
        timeout(WITHIN, knocks).await.expect("the door answers");
    }
}

#[tokio::test]
async fn a_request_is_done_and_answered_where_its_sender_asked_with_its_correlation_data() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let data = [0, 255, 7, b'"'];
    for (number, qos) in [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce].into_iter().enumerate() {
        let id = format!("q{number}");
        sender.send_as(ASK, recall(&id, &at(0.0)), to("chair/answers", &data), qos, false);
        let heard = sender.hears().await;
        assert_eq!(heard.topic, "chair/answers");
        assert!(!heard.retain);
        let properties = heard.properties.clone().unwrap();
        assert_eq!(properties.correlation_data.unwrap(), data[..]);
        assert_eq!(properties.content_type.as_deref(), Some("application/json"));
        assert_eq!(properties.payload_format_indicator, Some(1));
        assert!((1..=60).contains(&properties.message_expiry_interval.unwrap()));
        assert!(properties.user_properties.contains(&("set".into(), "pilot-station".into())));
        let told = answer(&heard);
        assert!(told.ok && told.id.as_deref() == Some(&*id), "{told:?}");
    }
    // Without a response topic: BASE/answer.
    let heard = sender.asks(recall("plain", &at(0.0))).await;
    assert_eq!(heard.topic, ANSWER);
    assert_eq!(door.asked().len(), 4);
    let wanted =
        Request::Recall { look: Some("split".into()), take: None, over_s: None, in_s: None, at: None };
    assert!(door.asked().iter().all(|request| *request == wanted));
    // The topic of all sets reaches this one; its answer tells which set it is.
    sender.send(ALL, recall("all", &at(0.0)), PublishProperties::default());
    assert_eq!(sender.hears().await.topic, ANSWER);
    assert_eq!(door.asked().len(), 5);
    let counts = door.reported(|r| r.requests.is_some_and(|r| r.taken >= 5)).await;
    assert_eq!(counts.requests.unwrap().refused, 0);
    door.stop().await;
}

#[tokio::test]
async fn without_the_plans_word_nothing_is_subscribed_and_nothing_done() {
    let Some(broker) = Broker::start("allow_anonymous true").await else { return };
    let door = Door::open(settings(broker.port));
    let told = door.reported(|r| r.state == LinkState::Up).await;
    assert_eq!(told.requests, None);
    let mut sender = Sender::of(broker.port).await;
    sender.send(ASK, recall("a", &at(0.0)), PublishProperties::default());
    sender.send(ALL, recall("b", &at(0.0)), PublishProperties::default());
    sender.hears_nothing_more().await;
    assert!(door.asked().is_empty());
    door.stop().await;
}

#[tokio::test]
async fn old_early_and_unstamped_requests_are_refused_and_change_nothing() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    for (payload, wanted) in [
        (recall("old", &at(-5.5)), FailureKind::TooLate),
        (recall("very-old", &at(-86_400.0)), FailureKind::TooLate),
        // Fresh by the plan, but sent before this daemon's start.
        (recall("before", &at(-4.9)), FailureKind::TooLate),
        (recall("early", &at(2.5)), FailureKind::TooEarly),
        (recall("no-moment", "soon"), FailureKind::BadField),
        (r#"{"id":"x","do":"dark"}"#.to_owned(), FailureKind::BadField),
        (format!(r#"{{"sent":"{}","do":"dark"}}"#, at(0.0)), FailureKind::BadField),
        (format!(r#"{{"id":"f","sent":"{}","do":"status","follow":true}}"#, at(0.0)), FailureKind::BadField),
    ] {
        let heard = sender.asks(payload.clone()).await;
        assert_eq!(kind(&heard), Some(wanted), "{payload}: {:?}", heard.payload);
        assert!(answer(&heard).error.unwrap().hint.is_some());
    }
    assert!(door.asked().is_empty());
    let heard = sender.asks(recall("ahead-a-little", &at(1.5))).await;
    assert_eq!(kind(&heard), None);
    assert_eq!(door.asked().len(), 1);
    door.stop().await;
}

#[tokio::test]
async fn a_request_that_the_broker_keeps_is_refused_when_it_comes_and_at_each_connection() {
    let Some((broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    sender.send_as(ASK, recall("kept", &at(0.0)), PublishProperties::default(), QoS::AtLeastOnce, true);
    assert_eq!(kind(&sender.hears().await), Some(FailureKind::Retained));
    door.stop().await;
    let again = Door::open(asking(broker.port, FreshBy::Clock));
    assert_eq!(kind(&sender.hears().await), Some(FailureKind::Retained));
    assert!(again.asked().is_empty());
    again.stop().await;
}

#[tokio::test]
async fn the_same_id_is_answered_again_with_the_same_words_and_done_once() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let first = sender.asks(recall("twice", &at(0.0))).await;
    for sent in [at(0.0), at(-1.0), at(0.5)] {
        sender.send(ASK, recall("twice", &sent), to("chair/elsewhere", b"2"));
        let again = sender.hears().await;
        assert_eq!(again.topic, "chair/elsewhere");
        assert_eq!(again.payload, first.payload);
    }
    // Through the topic of all sets too.
    sender.send(ALL, recall("twice", &at(0.0)), PublishProperties::default());
    assert_eq!(sender.hears().await.payload, first.payload);
    assert_eq!(door.asked().len(), 1);
    // The same id for something else is a slip, and not done.
    let other = format!(r#"{{"id":"twice","sent":"{}","do":"dark"}}"#, at(0.0));
    assert_eq!(kind(&sender.asks(other).await), Some(FailureKind::BadField));
    assert_eq!(door.asked().len(), 1);
    door.stop().await;
}

#[tokio::test]
async fn a_double_that_comes_while_the_first_is_being_done_waits_for_its_answer() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    door.hold.store(true, Ordering::Release);
    let payload = recall("slow", &at(0.0));
    sender.send(ASK, payload.clone(), to("chair/1", b"1"));
    sender.send(ASK, payload, to("chair/2", b"2"));
    sleep(A_WHILE).await;
    door.hold.store(false, Ordering::Release);
    let (first, second) = (sender.hears().await, sender.hears().await);
    assert_eq!((&first.topic[..], &second.topic[..]), (&b"chair/1"[..], &b"chair/2"[..]));
    assert_eq!(first.payload, second.payload);
    assert_eq!(door.asked().len(), 1);
    door.stop().await;
}

#[tokio::test]
async fn what_the_engine_had_no_room_for_may_be_asked_again_under_its_id() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    for tries in 1..=2 {
        let keep = format!(r#"{{"id":"k","sent":"{}","do":"keep"}}"#, at(0.0));
        assert_eq!(kind(&sender.asks(keep).await), Some(FailureKind::Busy));
        assert_eq!(door.asked().len(), tries);
    }
    door.stop().await;
}

/// Source of the topics: OASIS MQTT 5.0, 4.7.
#[tokio::test]
async fn an_answer_is_never_sent_where_it_could_be_taken_for_something_else() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let bad = [
        "lampkeep/pilot-station/online",
        "lampkeep/pilot-station/now",
        "lampkeep/other/fixture/key",
        "lampkeep/pilot-station/ask",
        "lampkeep/all/ask",
        "$SYS/broker/log",
    ];
    for (number, topic) in bad.iter().enumerate() {
        sender.send(ASK, recall(&format!("b{number}"), &at(0.0)), to(topic, b"1"));
        let heard = sender.hears().await;
        assert_eq!(
            (&heard.topic[..], kind(&heard)),
            (ANSWER.as_bytes(), Some(FailureKind::BadRequest)),
            "{topic}"
        );
    }
    sender.send(ASK, recall("long", &at(0.0)), to("chair/1", &[7; 2000]));
    assert_eq!(kind(&sender.hears().await), Some(FailureKind::BadRequest));
    assert!(door.asked().is_empty());
    // A name of one's own under the set's answers is fine.
    sender.send(ASK, recall("own", &at(0.0)), to("lampkeep/pilot-station/answer/chair", b"1"));
    assert_eq!(sender.hears().await.topic, "lampkeep/pilot-station/answer/chair");
    door.stop().await;
}

#[tokio::test]
async fn what_is_no_request_is_refused_and_the_next_one_is_taken_at_once() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let now = at(0.0);
    let deep = "[".repeat(10_000);
    let bad: Vec<Vec<u8>> = vec![
        b"".to_vec(),
        b"{".to_vec(),
        b"null".to_vec(),
        b"[1,2]".to_vec(),
        b"\xff\xfe\x00".to_vec(),
        b"{\"id\":\"\xc3\x28\",\"do\":\"dark\"}".to_vec(),
        deep.into_bytes(),
        vec![b'x'; 20_000],
        format!(r#"{{"id":7,"sent":"{now}","do":"dark"}}"#).into_bytes(),
        br#"{"id":"a","sent":7,"do":"dark"}"#.to_vec(),
        format!(r#"{{"id":"a","sent":"{now}","do":7}}"#).into_bytes(),
        format!(r#"{{"id":"a","sent":"{now}","do":"recall","look":7}}"#).into_bytes(),
        format!(r#"{{"id":"a","sent":"{now}","do":"drak"}}"#).into_bytes(),
        format!(r#"{{"id":"a","sent":"{now}","do":"dark","hard":true}}"#).into_bytes(),
        format!(r#"{{"id":"{}","sent":"{now}","do":"dark"}}"#, "x".repeat(129)).into_bytes(),
    ];
    for payload in bad {
        let heard = sender.asks(payload.clone()).await;
        let found = kind(&heard);
        let fine = [FailureKind::BadRequest, FailureKind::UnknownRequest, FailureKind::BadField];
        assert!(
            found.is_some_and(|k| fine.contains(&k)),
            "{:?}: {found:?}",
            String::from_utf8_lossy(&payload)
        );
        assert!(heard.payload.len() < 1000);
    }
    assert!(door.asked().is_empty());
    assert_eq!(kind(&sender.asks(recall("good", &at(0.0))).await), None);
    door.stop().await;
}

#[tokio::test]
async fn where_the_plan_trusts_expiry_a_wrong_clock_does_not_matter_and_without_one_it_does() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Expiry).await else { return };
    for sent in [at(-3600.0), at(3600.0)] {
        sender.send(ASK, recall(&format!("with-{sent}"), &sent), expiring(4));
        assert_eq!(kind(&sender.hears().await), None);
        for (name, properties) in [("none", PublishProperties::default()), ("long", expiring(600))] {
            sender.send(ASK, recall(&format!("{name}-{sent}"), &sent), properties);
            assert!(kind(&sender.hears().await).is_some(), "{name}");
        }
    }
    assert_eq!(door.asked().len(), 2);
    door.stop().await;
}

#[tokio::test]
async fn by_the_clock_an_expiry_makes_nothing_fresh() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    sender.send(ASK, recall("queued-by-its-sender", &at(-60.0)), expiring(4));
    assert_eq!(kind(&sender.hears().await), Some(FailureKind::TooLate));
    assert!(door.asked().is_empty());
    door.stop().await;
}

#[tokio::test]
async fn a_request_sent_while_the_daemon_is_away_is_never_done() {
    let Some((broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    // Cut off, not stopped: a session would be kept if there were one.
    door.task.abort();
    let _ = door.task.await;
    let away = sender.reader.client.clone();
    for qos in [QoS::AtLeastOnce, QoS::ExactlyOnce] {
        let id = format!("away-{qos:?}");
        away.try_publish(ASK, qos, false, recall(&id, &at(0.0))).unwrap();
    }
    sleep(A_WHILE).await;
    let again = Door::open(asking(broker.port, FreshBy::Clock));
    again.reported(|r| r.state == LinkState::Up).await;
    sender.hears_nothing_more().await;
    assert!(again.asked().is_empty());
    // The new one takes requests at once, and again after the broker itself was restarted.
    sender.knock().await;
    again.stop().await;
}

#[tokio::test]
async fn requests_are_taken_again_after_the_broker_was_killed_and_an_id_is_still_known() {
    let Some((mut broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let first = sender.asks(recall("across", &at(0.0))).await;
    broker.kill();
    door.reported(|r| r.state == LinkState::Down).await;
    broker.restart().await;
    let mut sender = Sender::of(broker.port).await;
    sender.knock().await;
    let again = sender.asks(recall("across", &at(0.0))).await;
    assert_eq!(again.payload, first.payload);
    assert_eq!(door.asked().len(), 1);
    door.stop().await;
}

#[tokio::test]
async fn a_flood_is_bounded_answers_what_it_can_and_is_over_at_once() {
    let Some((broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let options = MqttOptions::new("flood", "127.0.0.1", broker.port);
    let flood = Reader::on(options, &["nothing"]).await;
    door.hold.store(true, Ordering::Release);
    // More than can be owed while the engine does nothing.
    for n in 0..500 {
        flood.client.publish(ASK, QoS::AtMostOnce, false, recall(&format!("f{n}"), &at(0.0))).await.unwrap();
    }
    sleep(A_WHILE).await;
    door.hold.store(false, Ordering::Release);
    let full = door.reported(|r| r.dropped > 0).await;
    assert!(full.requests.unwrap().taken <= 65, "{full:?}");
    let mut answers = 0;
    while timeout(A_WHILE, sender.reader.heard.recv()).await.is_ok() {
        answers += 1;
    }
    assert!((1..=500).contains(&answers));
    assert_eq!(kind(&sender.asks(recall("after", &at(0.0))).await), None);
    door.stop().await;
}

/// Source: OASIS MQTT 5.0, 3.3.2.3.5: a server that takes short packets only is not sent longer ones.
#[tokio::test]
async fn an_answer_longer_than_the_broker_takes_says_so() {
    let Some(broker) = Broker::start("allow_anonymous true\nmax_packet_size 900").await else { return };
    let door = Door::open(asking(broker.port, FreshBy::Clock));
    let mut sender = Sender::of(broker.port).await;
    sender.knock().await;
    let heard = sender.asks(format!(r#"{{"id":"s","sent":"{}","do":"status"}}"#, at(0.0))).await;
    let told = answer(&heard);
    assert_eq!((told.id.as_deref(), kind(&heard)), (Some("s"), Some(FailureKind::Busy)));
    door.stop().await;
}

#[tokio::test]
async fn while_a_face_is_protected_a_refusal_repeats_nothing_that_was_typed() {
    let Some((_broker, door, mut sender)) = scene(FreshBy::Clock).await else { return };
    let mut hidden = broker::status::status("look-1");
    hidden.protect.on = true;
    door.status.send_replace(std::sync::Arc::new(hidden));
    for typed in [
        format!(r#"{{"id":"1","sent":"{}","do":"anna"}}"#, at(0.0)),
        format!(r#"{{"id":"1","sent":"{}","do":"recall","anna":1}}"#, at(0.0)),
        r#"{"id":"1","sent":"anna","do":"dark"}"#.to_owned(),
    ] {
        let heard = sender.asks(typed).await;
        assert!(!String::from_utf8_lossy(&heard.payload).contains("anna"), "{:?}", heard.payload);
    }
    door.stop().await;
}
