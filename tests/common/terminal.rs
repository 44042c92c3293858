//! A built binary on a pseudo-terminal, beside a simulated daemon of its own.
#![allow(dead_code, reason = "each file of tests uses its own part")]

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use lampkeep::chair::buttons::{Button, Buttons};
use lampkeep::chair::keys::Key;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Termios, Winsize, tcgetattr, tcsetwinsize};
use serde_json::Value;
use tempfile::TempDir;

pub const PLAN: &str = r#"
name = "pier"
fade = "0.2 s"
order = ["bright", "half", "low"]
on-stop = "hold"
[camera.main]
iso = 800
f-number = 2.8
fps = 25
shutter = "180 deg"
[subject.pilot]
[output.desk]
kind = "simulator"
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[look.bright]
kelvin = 5600
key = { stops = 0 }
[look.half]
kelvin = 4400
key = { stops = -1 }
[look.low]
key = { stops = -3 }
"#;

/// Longer than a repeat is ignored for.
pub const APART: u64 = 750;

pub fn wait(ms: u64) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(ms));
}

pub struct Set {
    pub dir: TempDir,
}

impl Set {
    pub fn new() -> Self {
        let set = Self { dir: tempfile::tempdir().expect("a folder") };
        std::fs::write(set.path("pier.toml"), PLAN).expect("written");
        set
    }

    /// One whose buttons are learned: n next, p previous, t take start and end, r retake, d dark.
    pub fn taught() -> Self {
        let set = Self::new();
        let mut buttons = Buttons::default();
        for (button, key) in [
            (Button::Next, "n"),
            (Button::Previous, "p"),
            (Button::TakeStart, "t"),
            (Button::TakeEnd, "t"),
            (Button::Retake, "r"),
            (Button::Dark, "d"),
        ] {
            buttons.teach(button, Key::of(key.as_bytes()).expect("a key")).expect("no other");
        }
        std::fs::create_dir_all(set.path("config/lampkeep")).expect("made");
        std::fs::write(set.file(), buttons.text()).expect("written");
        set
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn file(&self) -> PathBuf {
        self.path("config/lampkeep/chair.json")
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command
            .args(args)
            .current_dir(self.dir.path())
            .env("LAMPKEEP_SOCKET", self.path("s.sock"))
            .env("LAMPKEEP_STATE", self.path("state"))
            .env("XDG_CONFIG_HOME", self.path("config"))
            .env("TERM", "xterm")
            .stdin(Stdio::null());
        command
    }

    pub fn daemon(&self) -> Daemon {
        let mut command = self.command(&["run", "pier.toml", "--simulate"]);
        let daemon = Daemon(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts"));
        for _ in 0..600 {
            if UnixStream::connect(self.path("s.sock")).is_ok() {
                return daemon;
            }
            wait(20);
        }
        panic!("the daemon never answered");
    }

    pub fn says(&self, args: &[&str]) -> String {
        let out = self.command(args).output().expect("it runs");
        assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("text")
    }

    /// Waits until the status is so.
    pub fn until(&self, why: &str, what: impl Fn(&Value) -> bool) -> Value {
        let mut last = Value::Null;
        for _ in 0..300 {
            last = serde_json::from_str(&self.says(&["status", "--json"])).expect("JSON");
            if what(&last) {
                return last;
            }
            wait(20);
        }
        panic!("{why}: {:#}", last["now"]);
    }

    pub fn chair(&self, args: &[&str]) -> Chair {
        let mut all = vec!["chair"];
        all.extend(args);
        Chair::start(self.command(&all))
    }
}

pub struct Daemon(pub Child);

impl Daemon {
    pub fn kill(&mut self) {
        self.0.kill().expect("killed");
        self.0.wait().expect("gone");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A chair on a pseudo-terminal of 100 columns and 30 lines.
pub struct Chair {
    pub child: Child,
    pub far: Option<File>,
    /// Held, so that the terminal can be looked at after the chair has gone.
    pub near: OwnedFd,
    pub before: Termios,
    pub shown: Arc<Mutex<Vec<u8>>>,
    hung_up: Arc<AtomicBool>,
}

impl Chair {
    pub fn start(mut command: Command) -> Self {
        // Not in the hands of what is started: with it the terminal would never be gone.
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let far = openpt(flags).expect("a pseudo-terminal");
        grantpt(&far).expect("granted");
        unlockpt(&far).expect("unlocked");
        let name = ptsname(&far, Vec::new()).expect("its name");
        let near = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
            .expect("its end");
        tcsetwinsize(&far, Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 }).expect("sized");
        let before = tcgetattr(&near).expect("its modes");
        let end = || Stdio::from(near.try_clone().expect("its end"));
        command.stdin(end()).stdout(end()).stderr(end());
        let child = command.spawn().expect("it starts");
        let far = File::from(far);
        let shown = Arc::new(Mutex::new(Vec::new()));
        let (mut reader, into) = (far.try_clone().expect("its end"), Arc::clone(&shown));
        let hung_up = Arc::new(AtomicBool::new(false));
        let gone = Arc::clone(&hung_up);
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            let wait = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
            while !gone.load(Ordering::SeqCst) {
                let mut fds = [PollFd::new(&reader, PollFlags::IN)];
                if matches!(poll(&mut fds, Some(&wait)), Ok(0)) {
                    continue;
                }
                let Ok(count @ 1..) = reader.read(&mut buffer) else { return };
                into.lock().expect("not poisoned").extend_from_slice(&buffer[..count]);
            }
        });
        Self { child, far: Some(far), near, before, shown, hung_up }
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.shown.lock().expect("not poisoned")).into_owned()
    }

    /// Everything shown so far is forgotten.
    pub fn forget(&self) {
        self.shown.lock().expect("not poisoned").clear();
    }

    pub fn bells(&self) -> usize {
        self.text().matches('\x07').count()
    }

    /// Waits until this is on the screen.
    pub fn shows(&self, what: &str) {
        for _ in 0..500 {
            if self.text().contains(what) {
                return;
            }
            wait(20);
        }
        panic!("never shown: {what}\n{}", self.text());
    }

    pub fn press(&mut self, keys: &str) {
        self.far.as_mut().expect("there").write_all(keys.as_bytes()).expect("written");
    }

    /// The terminal is gone, as when a connection breaks: nobody holds its far end any more.
    pub fn hang_up(&mut self) {
        self.far = None;
        self.hung_up.store(true, Ordering::SeqCst);
    }

    /// Waits for its end; gives its exit code.
    pub fn ends(&mut self) -> Option<i32> {
        for _ in 0..500 {
            if let Some(status) = self.child.try_wait().expect("waitable") {
                return status.code();
            }
            wait(20);
        }
        panic!("it does not end: {}", self.text());
    }

    /// The terminal is as it was before.
    #[track_caller]
    pub fn is_restored(&self) {
        let now = tcgetattr(&self.near).expect("its modes");
        assert_eq!(format!("{now:?}"), format!("{:?}", self.before));
        let text = self.text();
        let (opens, closes) = (text.rfind("\x1b[?1049h"), text.rfind("\x1b[?1049l"));
        assert!(closes > opens, "the screen is given back");
        assert!(text.rfind("\x1b[?25h") > text.rfind("\x1b[?25l"), "the cursor is back");
    }
}

impl Drop for Chair {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
