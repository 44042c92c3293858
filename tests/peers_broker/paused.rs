//! The broker stopped in its tracks: its connections stand and nothing moves in them.

use std::time::Duration;

use lampkeep::control::LinkState;
use rumqttc::v5::mqttbytes::QoS;
use rustix::process::Signal;
use tokio::time::{Instant, sleep, timeout};

use crate::broker::{Broker, WITHIN};
use crate::operator::{ASK, Operator, request, walk};
use crate::scene::{BACK, Daemon, KEEP_ALIVE, all_told, light_untouched};

/// The daemon looks ten times a second, and a status is read fifty times.
const LOOKS: Duration = Duration::from_millis(200);

async fn paused(length: Duration) {
    let Some(broker) = Broker::start("allow_anonymous true").await else { return };
    let daemon = Daemon::start(&[], "127.0.0.1", broker.port, KEEP_ALIVE).await;
    daemon.link(LinkState::Up).await;
    all_told(broker.port, None).await;
    let mut operator = Operator::new(broker.port);
    let asked = AtMost::new(3);
    walk(&mut operator, &daemon, || asked.reached()).await;
    let before = daemon.output();
    let reconnects = daemon.status().mqtt.unwrap().reconnects;

    broker.signal(Signal::STOP);
    let begun = Instant::now();
    // It waits in the broker's socket.
    let early = request("in-the-pause", "dark");
    operator.client.try_publish(ASK, QoS::AtLeastOnce, false, early).unwrap();
    let known = daemon.link(LinkState::Down).await;
    assert!(known <= KEEP_ALIVE * 3 / 2 + LOOKS, "known after {known:?}");
    // The light changes meanwhile: what the broker kept is old.
    daemon.ask(r#"{"do":"recall","look":"high","over_s":0}"#);
    daemon.ask(r#"{"do":"recall","look":"low","over_s":0.5}"#);
    sleep(length.saturating_sub(begun.elapsed())).await;
    broker.signal(Signal::CONT);
    let returned = Instant::now();
    timeout(WITHIN, all_told(broker.port, Some("low"))).await.expect("all is told");
    let back = returned.elapsed();
    let up = daemon.link(LinkState::Up).await;
    println!("paused {length:?}: known after {known:.2?}, all told again {back:.2?} after, {up:.2?}");
    assert!(back <= BACK, "{back:?}");
    sleep(Duration::from_secs(2)).await;
    assert_eq!(daemon.status().now.look, "low", "the request of the pause is not done late");
    assert!(daemon.status().mqtt.unwrap().reconnects > reconnects);
    light_untouched("paused", &before, &daemon.output());
    let asked = AtMost::new(3);
    let walked = walk(&mut operator, &daemon, || asked.reached()).await;
    assert!(walked.unanswered == 0, "{walked:?}");
}

/// Counts how often it was looked at.
struct AtMost(std::cell::Cell<usize>);

impl AtMost {
    const fn new(times: usize) -> Self {
        Self(std::cell::Cell::new(times))
    }

    fn reached(&self) -> bool {
        let left = self.0.get();
        self.0.set(left.saturating_sub(1));
        left == 0
    }
}

#[tokio::test]
async fn a_broker_that_stands_still_is_known_in_time_and_told_all_when_it_goes_on() {
    paused(Duration::from_secs(12)).await;
}

#[tokio::test]
#[ignore = "a minute: tests/long/broker.sh"]
async fn a_broker_that_stands_still_for_a_minute_is_told_all_when_it_goes_on() {
    paused(Duration::from_secs(60)).await;
}
