//! The broker killed and started again at random instants, while the light fades and requests come.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use lampkeep::control::LinkState;
use tokio::time::{Instant, sleep, timeout};

use crate::broker::{Broker, Reader, WITHIN, is};
use crate::operator::{Operator, walk};
use crate::scene::{BACK, Daemon, KEEP_ALIVE, all_told, light_untouched};

/// Pseudo-random numbers from 0 to 1. Source: Steele, Lea, Flood 2014, SplitMix64 (from memory).
struct Random(u64);

impl Random {
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

async fn killed(times: usize) {
    let Some(mut broker) = Broker::start("allow_anonymous true").await else { return };
    let daemon = Daemon::start(&[], "127.0.0.1", broker.port, KEEP_ALIVE).await;
    daemon.link(LinkState::Up).await;
    all_told(broker.port, None).await;
    sleep(Duration::from_secs(2)).await;
    let before = daemon.output();
    let port = broker.port;
    let seed = u64::from(std::process::id());
    let mut random = Random(seed);
    let over = AtomicBool::new(false);
    let mut operator = Operator::new(port);
    let kills = async {
        let mut backs = Vec::new();
        for _ in 0..times {
            sleep(Duration::from_secs_f64(2.0 * random.share())).await;
            broker.kill();
            sleep(Duration::from_secs_f64(1.5 * random.share())).await;
            broker.restart().await;
            let returned = Instant::now();
            timeout(WITHIN, all_told(port, None)).await.expect("all is told");
            backs.push(returned.elapsed());
        }
        over.store(true, Ordering::Release);
        backs
    };
    let walked = walk(&mut operator, &daemon, || over.load(Ordering::Acquire));
    let (mut backs, walked) = tokio::join!(kills, walked);
    backs.sort();
    println!(
        "killed {times} times (seed {seed}): all told again after {:.2?} half of them, {:.2?} at most; {walked:?}; {:?}",
        backs[backs.len() / 2],
        backs[backs.len() - 1],
        daemon.status().mqtt.unwrap()
    );
    light_untouched("killed", &before, &daemon.output());
    assert!(backs.iter().all(|back| *back <= BACK), "{backs:?}");
    assert!(walked.requests > walked.refused + walked.unanswered, "{walked:?}");
    assert_eq!(daemon.status().mqtt.unwrap().reconnects, times as u64);
    let mut reader = Reader::of(port, "harbour-office").await;
    reader.next("online", is("true")).await;
    drop(daemon);
    reader.next("online", is("false")).await;
}

#[tokio::test]
async fn a_broker_that_is_killed_touches_no_light_and_no_request_is_done_twice_or_late() {
    killed(3).await;
}

#[tokio::test]
#[ignore = "minutes: tests/long/broker.sh"]
async fn a_broker_that_is_killed_fifty_times_touches_no_light_and_no_request_is_done_twice_or_late() {
    killed(50).await;
}
