//! The built binary's `chair` on a pseudo-terminal, with a simulated daemon. Source: issue 6, part 8.

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use lampkeep::chair::buttons::{Button, Buttons};
use lampkeep::chair::keys::Key;
use rustix::fs::{Mode, OFlags};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Termios, Winsize, tcgetattr, tcsetwinsize};
use serde_json::Value;
use tempfile::TempDir;

const PLAN: &str = r#"
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
const APART: u64 = 750;

fn wait(ms: u64) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(ms));
}

struct Set {
    dir: TempDir,
}

impl Set {
    fn new() -> Self {
        let set = Self { dir: tempfile::tempdir().expect("a folder") };
        std::fs::write(set.path("pier.toml"), PLAN).expect("written");
        set
    }

    /// One whose buttons are learned: n next, p previous, t take start and end, r retake, d dark.
    fn taught() -> Self {
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

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn file(&self) -> PathBuf {
        self.path("config/lampkeep/chair.json")
    }

    fn command(&self, args: &[&str]) -> Command {
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

    fn daemon(&self) -> Daemon {
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

    fn says(&self, args: &[&str]) -> String {
        let out = self.command(args).output().expect("it runs");
        assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("text")
    }

    /// Waits until the status is so.
    fn until(&self, why: &str, what: impl Fn(&Value) -> bool) -> Value {
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

    fn chair(&self, args: &[&str]) -> Chair {
        let mut all = vec!["chair"];
        all.extend(args);
        Chair::start(self.command(&all))
    }
}

struct Daemon(Child);

impl Daemon {
    fn kill(&mut self) {
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
struct Chair {
    child: Child,
    far: Option<File>,
    /// Held, so that the terminal can be looked at after the chair has gone.
    near: OwnedFd,
    before: Termios,
    shown: Arc<Mutex<Vec<u8>>>,
}

impl Chair {
    fn start(mut command: Command) -> Self {
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
        grantpt(&far).expect("granted");
        unlockpt(&far).expect("unlocked");
        let name = ptsname(&far, Vec::new()).expect("its name");
        let near = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).expect("its end");
        tcsetwinsize(&far, Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 }).expect("sized");
        let before = tcgetattr(&near).expect("its modes");
        let end = || Stdio::from(near.try_clone().expect("its end"));
        command.stdin(end()).stdout(end()).stderr(end());
        let child = command.spawn().expect("it starts");
        let far = File::from(far);
        let shown = Arc::new(Mutex::new(Vec::new()));
        let (mut reader, into) = (far.try_clone().expect("its end"), Arc::clone(&shown));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = reader.read(&mut buffer) {
                into.lock().expect("not poisoned").extend_from_slice(&buffer[..count]);
            }
        });
        Self { child, far: Some(far), near, before, shown }
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.shown.lock().expect("not poisoned")).into_owned()
    }

    /// Everything shown so far is forgotten.
    fn forget(&self) {
        self.shown.lock().expect("not poisoned").clear();
    }

    fn bells(&self) -> usize {
        self.text().matches('\x07').count()
    }

    /// Waits until this is on the screen.
    fn shows(&self, what: &str) {
        for _ in 0..500 {
            if self.text().contains(what) {
                return;
            }
            wait(20);
        }
        panic!("never shown: {what}\n{}", self.text());
    }

    fn press(&mut self, keys: &str) {
        self.far.as_mut().expect("there").write_all(keys.as_bytes()).expect("written");
    }

    /// Waits for its end; gives its exit code.
    fn ends(&mut self) -> Option<i32> {
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
    fn is_restored(&self) {
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

#[test]
fn it_learns_its_buttons_at_first_use_keeps_them_and_learns_them_again_when_told() {
    let set = Set::new();
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("Button 1 of 6: press the one for the next look");
    let before = tcgetattr(&chair.near).expect("its modes");
    assert!(
        !before.local_modes.contains(LocalModes::ECHO) && !before.local_modes.contains(LocalModes::ICANON)
    );
    // A remote's keys, one of them twice, one held.
    chair.press("\x1b[6~");
    chair.shows("Button 2 of 6");
    wait(APART);
    chair.press("\x1b[6~\x1b[6~\x1b[6~");
    chair.shows("Page Down is the button for next already: press another one");
    for (key, shows) in [("\x1b[5~", "3"), ("b", "4"), ("\t", "5"), ("\x1b[15~", "6")] {
        wait(APART);
        chair.press(key);
        chair.shows(&format!("Button {shows} of 6"));
    }
    wait(APART);
    chair.press("\x1b");
    chair.shows("next Page Down · previous Page Up · take start and end b · retake F5 · dark Esc");
    wait(APART);
    chair.press("\x1b[6~");
    set.until("next was pressed", |s| s["now"]["look"] == "bright");
    chair.press("\x03");
    assert_eq!(chair.ends(), Some(0));
    chair.is_restored();
    assert!(chair.text().ends_with("left; the light stays as it is\r\n"), "{}", chair.text());

    // The second time it asks for nothing.
    let mut chair = set.chair(&[]);
    chair.shows("lit: bright");
    assert!(!chair.text().contains("Button 1 of 6"));
    chair.press("\x1b[6~");
    set.until("next was pressed", |s| s["now"]["look"] == "half");
    chair.press("\x03");
    chair.ends();
    let kept = std::fs::read_to_string(set.file()).expect("kept");

    // Told to learn and left: what was kept stays.
    let mut chair = set.chair(&["--learn"]);
    chair.shows("Button 1 of 6");
    chair.press("\x03");
    assert_eq!(chair.ends(), Some(0));
    chair.is_restored();
    assert_eq!(std::fs::read_to_string(set.file()).expect("kept"), kept);

    // Spoilt: it says so and asks.
    std::fs::write(set.file(), &kept[..kept.len() / 2]).expect("written");
    let chair = set.chair(&[]);
    chair.shows("are of no use");
    chair.shows("Button 1 of 6");
}

#[test]
fn a_take_from_the_chair_is_silent_while_it_rolls_and_next_in_it_is_refused() {
    let set = Set::taught();
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    chair.press("n");
    set.until("next was pressed", |s| s["now"]["look"] == "bright" && s["now"]["fading"] == false);
    chair.shows("lit: bright · next: half");
    wait(400);
    assert_eq!(chair.bells(), 1, "accepted");
    wait(APART);
    // A key that is held is one press.
    for _ in 0..20 {
        chair.press("n");
        wait(33);
    }
    let status = set.until("held", |s| s["now"]["fading"] == false);
    assert_eq!(status["now"]["look"], "half");
    wait(400);
    assert_eq!(chair.bells(), 2);

    chair.forget();
    chair.press("t");
    set.until("it rolls", |s| s["now"]["take"] == "1/1");
    chair.shows("take 1/1 rolls");
    wait(APART);
    chair.press("n");
    chair.shows("next: take 1/1 rolls: light and plan stay as they are");
    let status = set.until("it still rolls", |s| s["now"]["take"] == "1/1");
    assert_eq!(status["now"]["look"], "half");
    // `REFUSED` and `TAKE ROLLS`, five rows each.
    let large =
        lampkeep::cli::big::letters("REFUSED", 100) + "\n" + &lampkeep::cli::big::letters("TAKE ROLLS", 100);
    let rows: Vec<_> = large.lines().filter(|l| !l.is_empty()).map(str::to_owned).collect();
    assert_eq!(rows.len(), 10);
    for row in &rows {
        chair.shows(row);
    }
    chair.press("r");
    set.until("the next take rolls", |s| s["now"]["take"] == "1/2");
    wait(400);
    assert_eq!(chair.bells(), 0, "the microphone hears nothing");
    chair.press("t");
    set.until("it is over", |s| s["now"]["take"].is_null());
    chair.shows("take 1/2 over after");
    wait(400);
    assert_eq!(chair.bells(), 1);
    chair.forget();
    // None rolls: retake is refused, twice the bell.
    chair.press("r");
    chair.shows("retake: no take rolls");
    wait(600);
    assert_eq!(chair.bells(), 2);
    chair.press("d");
    set.until("dark", |s| s["now"]["look"] == "dark");
}

#[test]
fn with_a_delay_next_and_take_start_count_down_and_take_end_and_dark_do_not() {
    let set = Set::taught();
    let _daemon = set.daemon();
    let mut chair = set.chair(&["--in", "2s"]);
    chair.shows("lit: dark");
    chair.press("n");
    let status = set.until("it waits", |s| s["now"]["scheduled"]["what"] == "next (bright)");
    assert_eq!(status["now"]["look"], "dark");
    for row in lampkeep::cli::big::letters("IN 2", 100)
        .lines()
        .chain(lampkeep::cli::big::letters("IN 1", 100).lines())
    {
        chair.shows(row);
    }
    set.until("it came", |s| s["now"]["look"] == "bright" && s["now"]["fading"] == false);
    wait(300);
    chair.press("t");
    set.until("it waits", |s| s["now"]["scheduled"]["what"] == "take start");
    // The same button again: what has not begun does not begin.
    wait(APART);
    chair.press("t");
    set.until("it was cancelled", |s| s["now"]["scheduled"].is_null());
    chair.shows("cancelled: take start");
    wait(APART);
    chair.press("t");
    set.until("it rolls", |s| s["now"]["take"] == "1/1");
    wait(300);
    chair.forget();
    chair.press("t");
    set.until("it is over", |s| s["now"]["take"].is_null());
    chair.press("n");
    set.until("it waits", |s| !s["now"]["scheduled"].is_null());
    chair.press("d");
    let status = set.until("dark", |s| s["now"]["look"] == "dark");
    assert!(status["now"]["scheduled"].is_null());
    chair.shows("forgotten: next (half)");
}

#[test]
fn the_terminal_is_as_it_was_after_every_signal_that_can_be_heard() {
    let set = Set::taught();
    let _daemon = set.daemon();
    for signal in [Signal::TERM, Signal::HUP, Signal::INT, Signal::QUIT] {
        let mut chair = set.chair(&[]);
        chair.shows("Ctrl-C leaves");
        kill_process(Pid::from_child(&chair.child), signal).expect("signalled");
        assert_eq!(chair.ends(), Some(0), "{signal:?}");
        chair.is_restored();
    }
    // While it learns, too.
    std::fs::remove_file(set.file()).expect("removed");
    let mut chair = set.chair(&[]);
    chair.shows("Button 1 of 6");
    kill_process(Pid::from_child(&chair.child), Signal::TERM).expect("signalled");
    chair.ends();
    chair.is_restored();
}

/// Not a check by itself: what the next one runs in a process of its own.
#[test]
#[ignore = "panics; run by the test of panics"]
fn a_panic_in_the_chair() {
    if std::env::var_os("LAMPKEEP_CHAIR_PANICS").is_some() {
        let _terminal = lampkeep::chair::terminal::Terminal::take().expect("a terminal");
        panic!("the chair falls over");
    }
}

#[test]
fn the_terminal_is_as_it_was_after_a_panic() {
    let mut command = Command::new(std::env::current_exe().expect("this test"));
    command.args(["--ignored", "--exact", "--nocapture", "a_panic_in_the_chair"]);
    command.env("LAMPKEEP_CHAIR_PANICS", "1");
    let mut chair = Chair::start(command);
    assert_ne!(chair.ends(), Some(0));
    wait(100);
    chair.is_restored();
    let text = chair.text();
    assert!(text.find("the chair falls over") > text.find("\x1b[?1049l"), "it can be read: {text}");
}

#[test]
fn without_a_terminal_or_a_daemon_it_says_so_at_once() {
    let set = Set::taught();
    let out = set.command(&["chair"]).output().expect("it runs");
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("a chair needs a terminal"));
    assert!(out.stdout.is_empty());
    let mut chair = set.chair(&[]);
    assert_eq!(chair.ends(), Some(4));
    wait(100);
    assert!(chair.text().contains("no daemon answers") && !chair.text().contains('\x1b'), "{}", chair.text());
    // Its terminal goes: it ends.
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    kill_process(Pid::from_child(&chair.child), Signal::HUP).expect("signalled");
    chair.ends();
}

#[test]
fn a_daemon_that_is_killed_is_told_and_the_chair_goes_on_when_it_is_back() {
    let set = Set::taught();
    let mut daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    chair.forget();
    daemon.kill();
    chair.shows("trying again each second");
    let gone = lampkeep::cli::big::letters("NO DAEMON", 100);
    gone.lines().for_each(|row| chair.shows(row));
    chair.forget();
    chair.press("n");
    chair.shows("next was not done");
    wait(600);
    assert_eq!(chair.bells(), 2);
    let _daemon = set.daemon();
    chair.shows("the daemon is back");
    let status = set.until("it answers", |_| true);
    assert_eq!(status["now"]["look"], "dark", "a press is not kept for later");
    wait(APART);
    chair.press("n");
    set.until("next was pressed", |s| s["now"]["look"] == "bright");
}
