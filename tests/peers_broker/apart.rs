//! The daemon in a network namespace of its own, and every packet between it and the broker dropped both ways.

use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Duration;

use lampkeep::control::LinkState;
use tokio::time::{Instant, sleep, timeout};

use crate::broker::{Broker, Reader, WITHIN, free_port, is, mosquitto};
use crate::scene::{BACK, Daemon, all_told, light_untouched};

/// The daemon looks ten times a second, and a status is read fifty times.
const LOOKS: Duration = Duration::from_millis(200);
/// What a plan has that says nothing. With the shortest one, 5 s, a broker that looks at its clients' silence every 5 s
/// tells 9.8 s after the cut: there is no room to make up for that.
const KEEP_ALIVE: Duration = Duration::from_secs(10);

/// A network namespace that is joined to this one by a cable of the kernel's.
struct Apart {
    name: String,
    near: String,
}

fn run(words: &str, input: &str) -> Result<(), String> {
    let mut split = words.split_whitespace();
    let mut child = Command::new(split.next().unwrap())
        .args(split)
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| format!("{words}: {e}"))?;
    child.stdin.take().unwrap().write_all(input.as_bytes()).map_err(|e| format!("{words}: {e}"))?;
    let done = child.wait_with_output().map_err(|e| format!("{words}: {e}"))?;
    if done.status.success() {
        return Ok(());
    }
    Err(format!("{words}: {}", String::from_utf8_lossy(&done.stderr).trim()))
}

impl Apart {
    /// `None` where this machine does not permit it, which is told.
    fn new() -> Option<Self> {
        let pid = std::process::id();
        // RFC 2544: 198.18.0.0/15 is for tests.
        let net = format!("198.18.{}", pid % 250);
        let apart = Self { name: format!("pier{pid}"), near: format!("{net}.1") };
        match apart.join(&net) {
            Ok(()) => Some(apart),
            Err(why) => {
                eprintln!("NOT RUN: a network namespace with nftables needs root and the tools: {why}");
                None
            }
        }
    }

    fn join(&self, net: &str) -> Result<(), String> {
        let name = &self.name;
        run(&format!("ip netns add {name}"), "")?;
        run(&format!("ip link add {name} type veth peer name far netns {name}"), "")?;
        run(&format!("ip addr add {net}.1/30 dev {name}"), "")?;
        run(&format!("ip link set {name} up"), "")?;
        run(&format!("ip -n {name} addr add {net}.2/30 dev far"), "")?;
        run(&format!("ip -n {name} link set far up"), "")?;
        self.nft("add table inet cut")
    }

    fn nft(&self, rules: &str) -> Result<(), String> {
        run(&format!("ip netns exec {} nft -f -", self.name), &format!("{rules}\n"))
    }

    fn cut(&self) {
        let chain = |hook: &str| {
            format!("add chain inet cut {hook} {{ type filter hook {hook} priority 0; policy drop; }}")
        };
        self.nft(&format!("add table inet cut\n{}\n{}", chain("input"), chain("output"))).unwrap();
    }

    fn mend(&self) {
        self.nft("delete table inet cut").unwrap();
    }
}

impl Drop for Apart {
    fn drop(&mut self) {
        let _ = run(&format!("ip link del {}", self.name), "");
        let _ = run(&format!("ip netns del {}", self.name), "");
    }
}

async fn cut_off(rest: Duration) {
    if mosquitto().is_none() {
        return;
    }
    let Some(apart) = Apart::new() else { return };
    let port = free_port();
    let text = format!(
        "listener {port} 127.0.0.1\nlistener {port} {}\npersistence false\nset_tcp_nodelay true\nallow_anonymous true\n",
        apart.near
    );
    let Some(_broker) = Broker::with(port, &text).await else { return };
    let daemon = Daemon::start(&["ip", "netns", "exec", &apart.name], &apart.near, port, KEEP_ALIVE).await;
    daemon.link(LinkState::Up).await;
    all_told(port, None).await;
    let mut reader = Reader::of(port, "pilot").await;
    reader.next("online", is("true")).await;
    sleep(Duration::from_secs(2)).await;
    let before = daemon.output();

    apart.cut();
    let begun = Instant::now();
    let gone = async {
        reader.next("online", is("false")).await;
        begun.elapsed()
    };
    let (known, gone) = tokio::join!(daemon.link(LinkState::Down), gone);
    println!("cut off: the daemon knows after {known:.2?}, the broker's readers after {gone:.2?}");
    assert!(known <= KEEP_ALIVE * 3 / 2 + LOOKS, "known after {known:?}");
    assert!(gone <= KEEP_ALIVE * 3 / 2, "readers know after {gone:?}");
    daemon.ask(r#"{"do":"recall","look":"low","over_s":0.5}"#);
    sleep(rest).await;

    apart.mend();
    let returned = Instant::now();
    timeout(WITHIN, all_told(port, Some("low"))).await.expect("all is told");
    let back = returned.elapsed();
    daemon.link(LinkState::Up).await;
    println!("cut off: all told again {back:.2?} after the network's return");
    assert!(back <= BACK, "{back:?}");
    light_untouched("cut off", &before, &daemon.output());
}

#[tokio::test]
async fn a_network_that_drops_every_packet_is_known_in_time_on_both_sides() {
    cut_off(Duration::from_secs(2)).await;
}

#[tokio::test]
#[ignore = "minutes: tests/long/broker.sh"]
async fn a_network_that_drops_every_packet_for_long_is_known_in_time_on_both_sides() {
    for rest in [7.0, 11.3, 23.7, 40.9] {
        cut_off(Duration::from_secs_f64(rest)).await;
    }
}
