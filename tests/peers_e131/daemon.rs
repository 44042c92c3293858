//! The built program on the network: its identifier, its status, its end.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};

use super::decode::{Data, Packet};
use super::receiver::{PATIENCE, Receiver, data_of};

const PLAN: &str = r#"
on-stop = "hold"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.stage]
kind = "e131"
universes = [1, 2]
unicast = "RECEIVER"
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.one]
key = { stops = 0 }
[look.two]
key = { stops = -1 }
"#;

struct Daemon {
    child: Child,
    folder: std::path::PathBuf,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn lampkeep(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
    command
        .args(args)
        .current_dir(folder)
        .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped());
    command
}

impl Daemon {
    fn start(folder: &Path, args: &[&str]) -> Self {
        let child = lampkeep(folder, args).spawn().unwrap();
        let daemon = Self { child, folder: folder.to_owned() };
        let clock = SystemClock::start();
        while !lampkeep(folder, &["status"]).status().unwrap().success() {
            assert!(clock.now().elapsed() < PATIENCE, "it does not run");
            clock.sleep_until(clock.now() + Duration::from_millis(20));
        }
        daemon
    }

    fn status(&self) -> serde_json::Value {
        let out = lampkeep(&self.folder, &["status", "--json"]).stdout(Stdio::piped()).output().unwrap();
        serde_json::from_slice(&out.stdout).unwrap()
    }

    fn recall(&self, look: &str) {
        assert!(lampkeep(&self.folder, &["recall", look, "--over", "0s"]).status().unwrap().success());
    }

    /// Stops it by a signal; gives what it wrote to its log.
    fn stop(mut self) -> String {
        use std::io::Read;
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        self.child.wait().unwrap();
        let mut log = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut log).unwrap();
        log
    }
}

fn plan(receiver: &Receiver) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let text = PLAN.replace("RECEIVER", &receiver.address().to_string());
    std::fs::write(folder.path().join("quay.toml"), text).unwrap();
    folder
}

#[test]
fn levels_identifier_and_end_are_those_of_the_set_in_every_run() {
    let receiver = Receiver::new();
    let folder = plan(&receiver);
    let mut identifiers = Vec::new();
    for _ in 0..2 {
        let daemon = Daemon::start(folder.path(), &["run", "quay.toml"]);
        daemon.recall("one");
        let slots = |daemon: &Daemon| daemon.status()["fixtures"][0]["slots"].clone();
        let mut last = None;
        receiver.until("the look", |p| {
            if let Packet::Data(data) = p
                && data.universe == 1
            {
                last = Some(data.clone());
            }
            last.as_ref().is_some_and(|d| serde_json::json!(d.slots[..2]) == slots(&daemon) && d.slots[0] > 0)
        });
        let data = last.unwrap();
        assert_eq!((data.name.as_str(), data.priority), ("lampkeep quay", 100));
        identifiers.push(data.cid);
        // The outputs' figures are read four times a second.
        let mut status = daemon.status();
        while status["outputs"][1]["state"] == "starting" || status["outputs"][0]["state"] == "starting" {
            status = daemon.status();
        }
        for (index, universe) in [1, 2].into_iter().enumerate() {
            let output = &status["outputs"][index];
            assert_eq!((&output["kind"], &output["state"]), (&"e131".into(), &"up".into()));
            assert_eq!(output["name"], format!("stage:{universe}"));
            assert_eq!(output["universe"], universe);
            assert!(output["frames"].as_u64().unwrap() > 0 && output["late_us_p999"].is_number());
        }
        let log = daemon.stop();
        assert!(log.contains("what lamps show now is up to them"), "{log}");
        assert!(log.contains("`on-stop = \"hold\"` cannot be promised on the network"), "{log}");
        let rest: Vec<Data> = receiver.rest().into_iter().filter_map(data_of).collect();
        for universe in [1, 2] {
            let ended = rest.iter().filter(|d| d.universe == universe && d.terminated).count();
            assert_eq!(ended, 3);
        }
    }
    assert_eq!(identifiers[0], identifiers[1], "kept over a restart");
}

#[test]
fn a_simulated_run_sends_nothing_to_the_network() {
    let receiver = Receiver::new();
    let folder = plan(&receiver);
    let daemon = Daemon::start(folder.path(), &["run", "--simulate", "quay.toml"]);
    daemon.recall("one");
    // The first status may be told before the outputs have been asked for theirs.
    let mut kind = serde_json::Value::Null;
    for _ in 0..200 {
        kind = daemon.status()["outputs"][0]["kind"].clone();
        if !kind.is_null() {
            break;
        }
    }
    assert_eq!(kind, "simulator");
    assert!(receiver.rest().is_empty());
    daemon.stop();
    assert!(!folder.path().join("state/quay/cid").exists());
}

#[test]
fn a_reload_with_another_priority_leaves_no_gap_and_no_end() {
    let receiver = Receiver::new();
    let folder = plan(&receiver);
    let daemon = Daemon::start(folder.path(), &["run", "quay.toml"]);
    daemon.recall("one");
    receiver.data(20);
    let text = std::fs::read_to_string(folder.path().join("quay.toml")).unwrap();
    let new = text.replace("universes = [1, 2]", "universes = [1, 2]\npriority = 120");
    std::fs::write(folder.path().join("quay.toml"), new).unwrap();
    assert!(lampkeep(folder.path(), &["reload"]).status().unwrap().success());
    let mut after = 0;
    let mut before: Option<u8> = None;
    for (_, packet) in receiver.until("the new priority", |p| {
        after += usize::from(matches!(p, Packet::Data(d) if d.priority == 120 && d.universe == 1));
        after == 40
    }) {
        let Some(data) = data_of(packet).filter(|d| d.universe == 1) else { continue };
        assert!(!data.terminated && data.slots[0] > 0, "the light stands");
        assert!(before.is_none_or(|b| data.sequence == b.wrapping_add(1)));
        before = Some(data.sequence);
    }
    daemon.stop();
}
