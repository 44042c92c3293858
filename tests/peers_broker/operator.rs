//! Somebody who asks over MQTT, whatever happens to the broker, and counts what comes of it.

use std::time::Duration;

use lampkeep::control::{Answer, FailureKind};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, timeout};

use crate::scene::{Daemon, STEPS};

pub const ASK: &str = "lampkeep/pilot-station/ask";
/// A try that has not been answered by then is made again.
const TRY: Duration = Duration::from_millis(700);
/// Tries go on for less than the daemon keeps ids: twice `fresh`, which is 5 s.
const TRIES: Duration = Duration::from_secs(9);

pub fn request(id: &str, what: &str) -> String {
    #[expect(clippy::disallowed_methods, reason = "a sender stamps with the real time")]
    let now = jiff::Timestamp::now();
    format!(r#"{{"id":"{id}","sent":"{now}","do":"{what}"}}"#)
}

/// A client that connects again by itself and sends again what was not acknowledged.
pub struct Operator {
    pub client: AsyncClient,
    answers: mpsc::UnboundedReceiver<Answer>,
}

impl Operator {
    pub fn new(port: u16) -> Self {
        let mut options = MqttOptions::new("operator", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(5));
        let (client, mut events) = AsyncClient::new(options, 1000);
        let (heard, answers) = mpsc::unbounded_channel();
        let subscriber = client.clone();
        tokio::spawn(async move {
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        let _ = subscriber.try_subscribe("lampkeep/pilot-station/answer", QoS::AtLeastOnce);
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        let answer = serde_json::from_slice(&publish.payload).unwrap();
                        let Ok(()) = heard.send(answer) else { return };
                    }
                    Ok(_) => {}
                    Err(_) => sleep(Duration::from_millis(50)).await,
                }
            }
        });
        Self { client, answers }
    }

    /// The answer to a request of this id, if it comes in time.
    pub async fn answer(&mut self, id: &str, within: Duration) -> Option<Answer> {
        let search = async {
            loop {
                let answer = self.answers.recv().await.expect("the operator's client lives");
                if answer.id.as_deref() == Some(id) {
                    return answer;
                }
            }
        };
        timeout(within, search).await.ok()
    }
}

/// What came of a walk.
#[derive(Debug, Default)]
pub struct Walk {
    /// Requests in all, those that were tried more than once, and tries in all.
    pub requests: usize,
    pub retried: usize,
    pub tries: usize,
    /// Refused as too late, and never answered.
    pub refused: usize,
    pub unanswered: usize,
    /// The longest from a try's sending to a first look at what it did.
    pub longest: Duration,
}

/// Walks up and down the order until `over`. Each request moves one step: one that is done twice, or after it was
/// refused or given up, leaves the light on another step than its answers say.
pub async fn walk(operator: &mut Operator, daemon: &Daemon, over: impl Fn() -> bool) -> Walk {
    let mut walk = Walk::default();
    let mut at = daemon.position();
    let mut up = true;
    while !over() {
        if at == STEPS {
            up = false;
        } else if at == 1 {
            up = true;
        }
        let what = if up { "next" } else { "previous" };
        let after = if up { at + 1 } else { at - 1 };
        let id = format!("walk-{}", walk.requests);
        walk.requests += 1;
        let begun = Instant::now();
        let mut sent = Instant::now();
        let mut payload = request(&id, what);
        let mut tries = 0;
        let answer = loop {
            tries += 1;
            // Each second retry is the same to the byte, as a network doubles it; the others are stamped anew.
            if tries % 2 == 1 {
                payload = request(&id, what);
                sent = Instant::now();
            }
            // Each third request comes twice at once.
            for _ in 0..if walk.requests % 3 == 0 { 2 } else { 1 } {
                let _ = operator.client.try_publish(ASK, QoS::AtLeastOnce, false, payload.clone());
            }
            let answer = operator.answer(&id, TRY).await;
            if answer.is_some() || begun.elapsed() > TRIES {
                break answer;
            }
        };
        walk.tries += tries;
        walk.retried += usize::from(tries > 1);
        let found = daemon.position();
        match answer {
            Some(answer) if answer.ok => {
                assert_eq!(found, after, "{what} from {at}, {tries} tries: done once; {answer:?}");
                walk.longest = walk.longest.max(sent.elapsed());
            }
            Some(answer) => {
                walk.refused += 1;
                assert_eq!(answer.error.unwrap().kind, FailureKind::TooLate);
                assert_eq!(found, at, "{what} from {at}: refused, so not done");
            }
            None => {
                walk.unanswered += 1;
                // What still waits may be done while it is fresh, and not later.
                sleep(Duration::from_secs(6)).await;
                let found = daemon.position();
                assert!(found == at || found == after, "{what} from {at}: on {found}");
            }
        }
        at = daemon.position();
    }
    // Whatever waits anywhere has had time to come.
    sleep(Duration::from_secs(1)).await;
    assert_eq!(daemon.position(), at, "nothing came late");
    walk
}
