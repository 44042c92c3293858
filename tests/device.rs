//! `lampkeep device` as people use it: a daemon's plan names it, and it is pulled by a word.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::wire::encode::framed::Decoder;
use rustix::fs::{Mode, OFlags};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};

const PATIENCE: Duration = Duration::from_secs(30);

const PLAN: &str = r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "framed"
port = "pier"
[profile.holds]
cooling = "fan"
heat = "no limit"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity" }, { drives = "fixed", value = 77 }] }
[fixture.key]
profile = "holds"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[look.work]
key = { of-full = "80 %" }
"#;

fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
    command
        .args(args)
        .current_dir(folder)
        .env_remove("NOTIFY_SOCKET")
        .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .env("NO_COLOR", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // Nothing is left of it if it has ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

struct Interface {
    child: Running,
    typing: ChildStdin,
    lines: Receiver<Value>,
}

impl Interface {
    fn start(folder: &Path, args: &[&str]) -> Self {
        let mut child = command(folder, args).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (typing, out) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        let (send, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let _ = send.send(serde_json::from_str(&line).unwrap_or(Value::String(line)));
            }
        });
        Self { child: Running(child), typing, lines }
    }

    fn types(&mut self, word: &str) {
        writeln!(self.typing, "{word}").unwrap();
    }

    fn until(&self, what: &str, is_so: impl Fn(&Value) -> bool) -> Value {
        let clock = SystemClock::start();
        while clock.now().elapsed() < PATIENCE {
            let line = self.lines.recv_timeout(PATIENCE).unwrap_or_else(|e| panic!("{what}: {e}"));
            if is_so(&line) {
                return line;
            }
        }
        panic!("{what} did not come");
    }
}

/// Source: the plan by hand: 80 % of 255 is 204; a framed message has 24 slots or more; 40 frames a second are
/// 25 ms apart; 250 kbit/s, 8N2.
#[test]
fn a_plan_that_names_it_is_measured_pulled_and_back_at_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    std::fs::write(folder.join("quay.toml"), PLAN).unwrap();
    let mut interface =
        Interface::start(folder, &["device", "pier", "--framed", "--copy", "pier-copy", "--json"]);
    let plugged = interface.until("its name", |line| line["plugged-in"] == "pier");
    assert_eq!(plugged["kind"], "framed");
    let _daemon = Running(command(folder, &["run", "quay.toml"]).spawn().unwrap());
    let clock = SystemClock::start();
    while !command(folder, &["recall", "work", "--over", "0s"]).status().unwrap().success() {
        assert!(clock.now().elapsed() < PATIENCE, "no daemon");
        clock.sleep_until(clock.now() + Duration::from_millis(50));
    }

    let standing = |line: &Value| line["newest"][0] == 204 && line["frames"].as_u64() > Some(4);
    interface.until("the light", standing);
    let line = interface.until("a whole second of it", standing);
    assert_eq!((&line["broken"], &line["stray"], &line["slots"]), (&json!(0), &json!(0), &json!([24, 24])));
    assert_eq!(line["newest"].as_array().unwrap()[..3], [json!(204), json!(77), json!(0)]);
    assert_eq!(line["line"], "250000 bit/s 8N2");
    // Loosely, for a machine that is busy with other things.
    let middle = line["apart_ms"][1].as_f64().unwrap();
    assert!((15.0..60.0).contains(&middle), "{line}");

    // Another program reads the same from the second port.
    let flags = OFlags::RDONLY | OFlags::NOCTTY | OFlags::NONBLOCK;
    let copy = rustix::fs::open(folder.join("pier-copy"), flags, Mode::empty()).unwrap();
    let (mut decoder, mut bytes, clock) = (Decoder::new(), [0; 4096], SystemClock::start());
    let message = loop {
        let n = rustix::io::read(&copy, &mut bytes).unwrap_or(0);
        decoder.feed(&bytes[..n]);
        match decoder.next_message() {
            Some(message) if message.data[1] == 204 => break message,
            _ => assert!(clock.now().elapsed() < PATIENCE, "nothing in the copy"),
        }
        clock.sleep_until(clock.now() + Duration::from_millis(5));
    };
    assert_eq!((message.data.len(), message.data[2]), (25, 77));

    interface.types("gone");
    interface.until("the pull", |line| line["pulled"] == "pier");
    interface.until("the silence", |line| line["frames"] == 0);
    interface.types("back");
    interface.until("the return", |line| line["plugged-in"] == "pier");
    interface.until("the light again", standing);
    interface.types("quit");
    assert_eq!(interface.child.0.wait().unwrap().code(), Some(0));
    assert!(std::fs::symlink_metadata(folder.join("pier")).is_err(), "the name is gone");
}

#[test]
fn told_to_end_it_takes_its_name_along() {
    let folder = tempfile::tempdir().unwrap();
    for signal in [Signal::INT, Signal::TERM] {
        let mut interface = Interface::start(folder.path(), &["device", "pier", "--json"]);
        interface.until("its name", |line| line["plugged-in"] == "pier");
        kill_process(Pid::from_child(&interface.child.0), signal).unwrap();
        assert_eq!(interface.child.0.wait().unwrap().code(), Some(0));
        assert!(std::fs::symlink_metadata(folder.path().join("pier")).is_err(), "{signal:?}");
    }
}

#[test]
fn a_name_that_something_else_has_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("pier"), "tide tables").unwrap();
    let out = command(folder.path(), &["device", "pier"]).stderr(Stdio::piped()).output().unwrap();
    assert_eq!(out.status.code(), Some(1));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(said.contains("pier is there and no link; give another name"), "{said}");
}
