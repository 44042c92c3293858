//! The daemon, built and started as people start it, and what it says of itself over its socket.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::control::mqtt::NowMessage;
use lampkeep::control::{Answer, FixtureStatus, LinkState, OutputStatus, Status};
use tokio::time::{Instant, sleep, timeout};

use crate::broker::{Reader, WITHIN};

/// Source: the requirement: all is said again within this time of the broker's return.
pub const BACK: Duration = Duration::from_secs(5);
/// The shortest keep-alive that a plan may ask for.
pub const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// Steps of the plan's order.
pub const STEPS: usize = 8;

fn plan(host: &str, port: u16, keep_alive: Duration) -> String {
    format!(
        r#"
name = "pilot-station"
fade = "1 s"
order = ["high", "low", "high", "low", "high", "low", "high", "low"]
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[mqtt]
host = "{host}"
port = {port}
keep-alive = "{} s"
requests = true
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[fixture.fill]
profile = "bicolour-mat"
address = 101
clock = "4:30"
distance = "2 m"
[look.high]
key = {{ stops = -1 }}
fill = {{ stops = -2 }}
[look.low]
key = {{ stops = -4 }}
fill = {{ stops = -5 }}
"#,
        keep_alive.as_secs()
    )
}

/// The daemon, ended with the test.
pub struct Daemon {
    child: Child,
    folder: tempfile::TempDir,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Daemon {
    /// Starts it, behind these words if there are any, with the first step of its order.
    pub async fn start(before: &[&str], host: &str, port: u16, keep_alive: Duration) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pilot-station.toml");
        std::fs::write(&path, plan(host, port, keep_alive)).unwrap();
        let words: Vec<&str> = before
            .iter()
            .copied()
            .chain([env!("CARGO_BIN_EXE_lampkeep"), "run", path.to_str().unwrap()])
            .collect();
        let child = Command::new(words[0])
            .args(&words[1..])
            .arg("--simulate")
            .env("LAMPKEEP_SOCKET", folder.path().join("socket"))
            .env("LAMPKEEP_STATE", folder.path().join("state"))
            .stderr(Stdio::from(std::fs::File::create(folder.path().join("log")).unwrap()))
            .spawn()
            .unwrap();
        let daemon = Self { child, folder };
        let there = async {
            while UnixStream::connect(daemon.socket()).is_err() {
                sleep(Duration::from_millis(10)).await;
            }
        };
        timeout(WITHIN, there).await.unwrap_or_else(|_| panic!("no socket: {}", daemon.log()));
        daemon.ask(r#"{"do":"next"}"#);
        daemon
    }

    fn socket(&self) -> PathBuf {
        self.folder.path().join("socket")
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap()
    }

    /// Asks over the local socket.
    pub fn ask(&self, request: &str) -> Answer {
        let mut stream = UnixStream::connect(self.socket()).unwrap();
        stream.set_read_timeout(Some(WITHIN)).unwrap();
        writeln!(stream, "{request}").unwrap();
        let mut line = String::new();
        BufReader::new(stream).read_line(&mut line).unwrap();
        let answer: Answer = serde_json::from_str(&line).unwrap();
        assert!(answer.ok, "{request}: {answer:?}");
        answer
    }

    pub fn status(&self) -> Status {
        serde_json::from_value(self.ask(r#"{"do":"status"}"#).data.unwrap()).unwrap()
    }

    /// The step of the order that is on.
    pub fn position(&self) -> usize {
        self.status().order.position.unwrap()
    }

    /// What its one output says.
    pub fn output(&self) -> OutputStatus {
        self.status().outputs.remove(0)
    }

    /// Waits until the daemon says this of its broker; how long it took.
    pub async fn link(&self, wanted: LinkState) -> Duration {
        let begun = Instant::now();
        let there = async {
            while self.status().mqtt.unwrap().state != wanted {
                sleep(Duration::from_millis(20)).await;
            }
        };
        timeout(WITHIN, there).await.unwrap_or_else(|_| panic!("never {wanted:?}: {}", self.log()));
        begun.elapsed()
    }
}

/// Waits until a new reader has been told everything: `online`, the light, every fixture.
///
/// `still`: the daemon, where its light stands still: then all has to be as it says itself, so that what the broker kept
/// from before does not count.
pub async fn all_told(port: u16, still: Option<&Daemon>) {
    let status = still.map(Daemon::status);
    let same = |n: usize, payload: &[u8]| {
        let told: FixtureStatus = serde_json::from_slice(payload).unwrap();
        status.as_ref().is_none_or(|s| s.fixtures[n].id == told.id && s.fixtures[n].slots == told.slots)
    };
    let mut reader = Reader::of(port, "harbour-office").await;
    let (mut online, mut now, mut key, mut fill) = (false, false, false, false);
    while !(online && now && key && fill) {
        let publish = reader.any().await;
        let topic = std::str::from_utf8(&publish.topic).unwrap();
        match topic.trim_start_matches("lampkeep/pilot-station/") {
            "online" => online = publish.payload == "true",
            "now" => {
                let told: NowMessage = serde_json::from_slice(&publish.payload).unwrap();
                now = status.as_ref().is_none_or(|s| told.now.look == s.now.look && !told.now.fading);
            }
            "fixture/key" => key = same(0, &publish.payload),
            "fixture/fill" => fill = same(1, &publish.payload),
            _ => {}
        }
    }
}

/// What the broker tells a new reader of whether the daemon is there.
pub async fn online(port: u16) -> bool {
    let mut reader = Reader::of(port, "mole-light").await;
    reader.next("online", |_| true).await.payload == "true"
}

/// Says how late frames were before and after, and that none is missing.
pub fn light_untouched(what: &str, before: &OutputStatus, after: &OutputStatus) {
    let figure = |f: Option<f64>| f.unwrap_or(f64::NAN) / 1000.0;
    let said = |o: &OutputStatus| {
        format!(
            "{} frames, p50 {:.2} ms, p99.9 {:.2} ms late, {} lost",
            o.frames,
            figure(o.late_us_p50),
            figure(o.late_us_p999),
            o.missed
        )
    };
    println!("{what}: light before: {}; at the end: {}", said(before), said(after));
    assert!(after.frames > before.frames, "frames go on");
    let lost = after.missed - before.missed;
    if after.real_time.priority.is_some() {
        assert_eq!(lost, 0, "frames lost");
    } else {
        // Other tests run beside this one.
        println!("{what}: no real-time priority here: one frame in fifty may be lost");
        assert!(lost * 50 <= after.frames - before.frames, "{lost} frames lost");
    }
}
