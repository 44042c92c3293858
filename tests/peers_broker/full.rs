//! The broker's disk full: it cannot keep what it is told.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use lampkeep::control::LinkState;
use tokio::time::sleep;

use crate::broker::{Broker, WITHIN, free_port, mosquitto};
use crate::operator::{Operator, walk};
use crate::scene::{Daemon, KEEP_ALIVE, all_told, light_untouched};

/// A file system of 64 kB, unmounted with the test.
struct Small(tempfile::TempDir);

impl Small {
    fn new() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=64k,mode=0777", "tmpfs"])
            .arg(folder.path())
            .output();
        match mounted {
            Ok(done) if done.status.success() => Some(Self(folder)),
            Ok(done) => {
                let why = String::from_utf8_lossy(&done.stderr);
                eprintln!("NOT RUN: mounting a small file system needs root: {}", why.trim());
                None
            }
            Err(e) => {
                eprintln!("NOT RUN: mount: {e}");
                None
            }
        }
    }

    /// Takes all the room there is.
    fn fill(&self) {
        let full = std::fs::write(self.0.path().join("ballast"), vec![7; 1 << 20]);
        assert_eq!(full.unwrap_err().kind(), std::io::ErrorKind::StorageFull);
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").args(["-l"]).arg(self.0.path()).status();
    }
}

async fn full(seconds: u64) {
    if mosquitto().is_none() {
        return;
    }
    let Some(small) = Small::new() else { return };
    let logs = tempfile::tempdir().unwrap();
    let log = logs.path().join("log");
    let port = free_port();
    let text = format!(
        "listener {port} 127.0.0.1\nuser root\nallow_anonymous true\nset_tcp_nodelay true\npersistence true\n\
         persistence_location {}/\nautosave_interval 1\nautosave_on_changes true\nlog_dest file {}\n",
        small.0.path().display(),
        log.display()
    );
    let Some(_broker) = Broker::with(port, &text).await else { return };
    let daemon = Daemon::start(&[], "127.0.0.1", port, KEEP_ALIVE).await;
    daemon.link(LinkState::Up).await;
    all_told(port, None).await;
    sleep(Duration::from_secs(2)).await;
    let before = daemon.output();
    small.fill();
    let mut operator = Operator::new(port);
    let begun = tokio::time::Instant::now();
    let met = || begun.elapsed() > WITHIN || complaints(&log) > 1;
    let walked = walk(&mut operator, &daemon, || begun.elapsed().as_secs() >= seconds && met()).await;
    let complaints = complaints(&log);
    println!(
        "full disk: the broker complained {complaints} times; {walked:?}; {:?}",
        daemon.status().mqtt.unwrap()
    );
    assert!(complaints > 0, "the broker met the full disk: {}", std::fs::read_to_string(&log).unwrap());
    light_untouched("full disk", &before, &daemon.output());
    // It lives on and hands on as before.
    assert_eq!(walked.unanswered, 0, "{walked:?}");
    daemon.link(LinkState::Up).await;
}

fn complaints(log: &Path) -> usize {
    std::fs::read_to_string(log).unwrap().lines().filter(|line| line.contains("No space left")).count()
}

#[tokio::test]
async fn a_broker_with_a_full_disk_touches_no_light() {
    full(4).await;
}

#[tokio::test]
#[ignore = "a minute: tests/long/broker.sh"]
async fn a_broker_with_a_full_disk_for_a_minute_touches_no_light() {
    full(60).await;
}
