//! `lampkeep calibrate` on a lamp whose truth it does not know: the test is the lamp and the meter.
//!
//! The truth (how light, floor and colour follow the slots), the room's light and the meter's noise are in
//! this file alone; the program sees only what is typed. All figures are invented.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(60);

const PLAN: &str = r#"
fade = "0 s"

[camera.main]
iso = 800
f-number = 4
shutter = "1/50"

[fixture.key]
lamp = "B3"
clock = "7:30"
distance = "1 m"
floor = "0 %"

[fixture.fill]
lamp = "B2"
clock = "4:30"
distance = "1 m"

[look.both]
kelvin = 5600
key = { stops = -1 }
fill = { stops = -1 }

[look.zero]
kelvin = 4300
key = { stops = 0 }

[look.one]
kelvin = 4300
key = { stops = -1 }

[look.two]
kelvin = 4300
key = { stops = -2 }

[look.three]
kelvin = 4300
key = { stops = -3 }

[look.warm]
kelvin = 3200
key = { stops = -1 }

[look.cool]
kelvin = 5600
key = { stops = -1 }
"#;

const KIT: &str = "# Bodies of the tests.\n[lamp.B3]\nprofile = \"bicolour-mat\"\naddress = 61\n\n\
                   [lamp.B2]\nprofile = \"bicolour-mat\"\naddress = 51\n";

/// The lamp as it really is.
struct Truth;

impl Truth {
    /// Share of full light: dark under 11, then a law of its own.
    fn level(value: f64) -> f64 {
        if value < 11.0 { 0.0 } else { ((value - 3.0) / 252.0).powf(1.83) }
    }

    /// Mired and Duv at a value of the kelvin slot: warmer and flatter than the slot says.
    fn white(value: f64) -> (f64, f64) {
        let nominal = 1e6 / (2700.0 + 3800.0 * value / 255.0);
        let bend = 6.0 * ((nominal - 260.0) / 110.0).powi(2);
        (0.95 * nominal + 19.0 + bend, -0.002 + 0.004 * value / 255.0)
    }

    /// Lux at 1 m at full: two emitters of 400 and 530 lx that mix nearly evenly in mired.
    fn full(mired: f64) -> f64 {
        let (warm, cool) = (Self::white(0.0).0, Self::white(255.0).0);
        let share = ((warm - mired) / (warm - cool)).clamp(1e-9, 1.0 - 1e-9);
        400.0 * ((1.0 - share) / share).min(1.0) + 530.0 * (share / (1.0 - share)).min(1.0)
    }

    fn lux(slots: &[u64]) -> f64 {
        Self::level(slots[0] as f64) * Self::full(Self::white(slots[1] as f64).0)
    }
}

/// Light of the room that no lamp makes, in lux.
const ROOM: f64 = 0.4;

/// A meter with noise of 0.5 % (standard deviation, by four dice) and two decimals.
struct Meter(u64);

impl Meter {
    fn die(&mut self) -> f64 {
        // Source: the multiplier of Knuth's MMIX generator.
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn noise(&mut self) -> f64 {
        // Twelve even dice less six have a standard deviation of 1.
        (0..12).map(|_| self.die()).sum::<f64>() - 6.0
    }

    fn lux(&mut self, truth: f64) -> String {
        let seen = (truth + ROOM) * (1.0 + 0.005 * self.noise());
        if seen < 0.05 { "under0.05lx".to_owned() } else { format!("{seen:.2}lx") }
    }

    fn colour(&mut self, (mired, duv): (f64, f64)) -> String {
        let kelvin = 1e6 / (mired + 0.4 * self.noise());
        format!("{kelvin:.0}K {:+.4}duv", duv + 0.0001 * self.noise())
    }
}

struct Set {
    dir: TempDir,
    daemon: Option<Child>,
}

impl Drop for Set {
    fn drop(&mut self) {
        if let Some(child) = &mut self.daemon {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Set {
    fn new() -> Self {
        let set = Self { dir: tempfile::tempdir().expect("the test sees to it"), daemon: None };
        std::fs::create_dir(set.path("set")).expect("the test sees to it");
        std::fs::write(set.path("set/interview.toml"), PLAN).expect("the test sees to it");
        std::fs::write(set.path("set/kit.toml"), KIT).expect("the test sees to it");
        set
    }

    fn running() -> Self {
        let mut set = Self::new();
        let mut command = set.command(&["run", "interview.toml", "--simulate"]);
        set.daemon =
            Some(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the test sees to it"));
        for _ in 0..1000 {
            if UnixStream::connect(set.path("s.sock")).is_ok() {
                return set;
            }
            pause();
        }
        panic!("the daemon never answered");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command
            .args(args)
            .current_dir(self.path("set"))
            .env_remove("NOTIFY_SOCKET")
            .env("LAMPKEEP_SOCKET", self.path("s.sock"))
            .env("LAMPKEEP_STATE", self.path("state"))
            .stdin(Stdio::null());
        command
    }

    fn exits(&self, code: i32, args: &[&str]) -> String {
        let out = self.command(args).output().expect("the test sees to it");
        let said =
            format!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
        assert_eq!(out.status.code(), Some(code), "{args:?}\n{said}");
        said
    }

    fn status(&self) -> Value {
        serde_json::from_str(&self.exits(0, &["status", "--json"])).expect("the test sees to it")
    }

    fn kept(&self) -> PathBuf {
        self.path("state/interview.simulated/calibrate-B3.toml")
    }

    /// Every file of the set with its text.
    fn files(&self) -> Vec<(PathBuf, String)> {
        fn walk(folder: &Path, into: &mut Vec<(PathBuf, String)>) {
            for entry in std::fs::read_dir(folder).expect("the test sees to it") {
                let path = entry.expect("the test sees to it").path();
                if path.is_dir() {
                    walk(&path, into);
                } else {
                    into.push((path.clone(), std::fs::read_to_string(&path).expect("the test sees to it")));
                }
            }
        }
        let mut all = Vec::new();
        walk(&self.path("set"), &mut all);
        all.sort();
        all
    }
}

fn pause() {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(20));
}

fn slots(status: &Value, id: &str) -> Vec<u64> {
    let all = status["fixtures"].as_array().expect("the test sees to it");
    let fixture = all.iter().find(|f| f["id"] == id).expect("the test sees to it");
    fixture["slots"]
        .as_array()
        .expect("the test sees to it")
        .iter()
        .map(|s| s.as_u64().expect("the test sees to it"))
        .collect()
}

/// A calibration that is being typed into.
struct Typing {
    child: Child,
    input: Option<ChildStdin>,
    lines: mpsc::Receiver<String>,
    seen: Vec<String>,
}

impl Typing {
    fn start(set: &Set, args: &[&str]) -> Self {
        let mut command = set.command(args);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the test sees to it");
        let (send, lines) = mpsc::channel();
        let stderr = child.stderr.take().expect("the test sees to it");
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        let input = child.stdin.take();
        Self { child, input, lines, seen: Vec::new() }
    }

    /// The next question; `None` when it has ended.
    fn question(&mut self) -> Option<String> {
        loop {
            match self.lines.recv_timeout(PATIENCE) {
                Ok(line) if line.starts_with('[') => {
                    self.seen.push(line.clone());
                    return Some(line);
                }
                Ok(line) => self.seen.push(line),
                Err(mpsc::RecvTimeoutError::Disconnected) => return None,
                Err(mpsc::RecvTimeoutError::Timeout) => panic!("no question: {:#?}", self.seen),
            }
        }
    }

    fn type_line(&mut self, line: &str) {
        writeln!(self.input.as_mut().expect("the test sees to it"), "{line}").expect("the test sees to it");
    }

    fn ended(mut self) -> (i32, String) {
        drop(self.input.take());
        let out = self.child.wait_with_output().expect("the test sees to it");
        (out.status.code().expect("the test sees to it"), String::from_utf8_lossy(&out.stdout).into_owned())
    }
}

/// What the meter shows for a question, by the slots that are on the wire.
fn answer(set: &Set, question: &str, meter: &mut Meter) -> String {
    let status = set.status();
    let key = slots(&status, "key");
    assert_eq!(slots(&status, "fill")[0], 0, "every other lamp is dark: {question}");
    assert_eq!(status["now"]["look"], "calibrate");
    if question.contains("the room without any lamp") {
        assert_eq!(key[0], 0, "{question}");
    }
    let lux = meter.lux(Truth::lux(&key));
    if question.contains("colour at") {
        format!("{} {lux}", meter.colour(Truth::white(key[1] as f64)))
    } else {
        lux
    }
}

/// Source of the limits: practice.md, "Calibrating one lamp", step 7 (asked -1, -2, -3 stops read back within
/// 0.1 stop), and pain 8 (5 mired).
#[test]
fn a_lamp_of_unknown_truth_reads_back_what_is_asked_once_it_is_calibrated() {
    let set = Set::running();
    let before = set.files();
    set.exits(0, &["recall", "both"]);
    settled(&set, "both");
    let standing = set.status();
    let mut meter = Meter(7);

    // The first sitting: a slip of the tongue, a wrong number, a step back, and then the power goes.
    let mut typing = Typing::start(&set, &["calibrate", "B3", "--meter", "of the tests"]);
    let mut answered = 0;
    while answered < 13 {
        let question = typing.question().expect("a question");
        if answered == 4 {
            typing.type_line("rather bright");
            assert_eq!(typing.question().as_deref(), Some(question.as_str()), "asked once more");
        }
        if answered == 6 {
            // One back, and that one again.
            typing.type_line("redo");
            let again = typing.question().expect("the test sees to it");
            assert_ne!(again, question);
            typing.type_line(&answer(&set, &again, &mut meter));
            assert_eq!(typing.question().as_deref(), Some(question.as_str()));
        }
        // A wrong number: 64 of 255 reads as much as 128.
        let wrong = question.contains("intensity 64 of");
        typing.type_line(&if wrong { "250lx".to_owned() } else { answer(&set, &question, &mut meter) });
        answered += 1;
    }
    let _waiting = typing.question().expect("the test sees to it");
    let text = std::fs::read_to_string(set.kept()).expect("the test sees to it");
    assert_eq!(text.matches("[[reading]]").count(), 13, "{text}");
    typing.child.kill().expect("the test sees to it");
    assert!(!typing.ended_by_kill().success());

    // The lamp stays as it was left, like one that is lit alone.
    assert_eq!(set.status()["now"]["look"], "calibrate");

    // The second goes on where the first ended, and has the wrong number out.
    let mut typing = Typing::start(&set, &["calibrate", "key"]);
    let mut questions = Vec::new();
    while let Some(question) = typing.question() {
        let typed = answer(&set, &question, &mut meter);
        typing.type_line(&typed);
        questions.push(question);
    }
    let said = typing.seen.join("\n");
    assert!(said.contains("Going on: 13 of 31 readings are there."), "{said}");
    assert!(said.contains("intensity does not rise: value 64 gives"), "{said}");
    assert!(said.contains("Read again: intensity 64 down"), "{said}");
    assert!(questions.iter().filter(|q| q.contains("intensity 64 of")).count() == 1, "{questions:#?}");
    let (code, told) = typing.ended();
    assert_eq!(code, 0, "{said}\n{told}");
    assert!(told.contains("B3 calibrated: ") && told.contains("worst error"), "{told}");
    println!("{told}");

    // The light from before the second sitting is not that from before the first: it was left.
    let files = set.files();
    let new: Vec<_> = files.iter().filter(|f| !before.contains(f)).map(|f| f.0.clone()).collect();
    assert_eq!(new, [set.path("set/kit.calibrations/B3.toml")], "nothing else is touched");
    assert_eq!(files.len(), before.len() + 1);
    assert!(!set.kept().exists(), "the readings are in the calibration now");
    let calibration = std::fs::read_to_string(&new[0]).expect("the test sees to it");
    assert!(calibration.contains("meter = \"of the tests\""), "{calibration}");
    assert!(calibration.contains("intensity 255 down: "), "every reading is kept as it was typed");

    set.exits(0, &["reload"]);
    set.exits(0, &["again"]);
    settled(&set, "both");
    assert_eq!(slots(&set.status(), "fill"), slots(&standing, "fill"));

    // Asked, and what the lamp then really gives.
    let mut given = Vec::new();
    for (look, stops) in [("zero", 0.0), ("one", -1.0), ("two", -2.0), ("three", -3.0)] {
        set.exits(0, &["recall", look]);
        let key = settled(&set, look);
        let lux = Truth::lux(&key);
        let off = (lux / (250.0 * f64::exp2(stops))).log2();
        println!("{look}: slots {key:?}, {lux:.2} lx, {off:+.3} stop off");
        given.push((lux, stops));
        assert!(off.abs() < 0.15, "{look}: {off} stop off what a meter at 1 m was asked to read");
    }
    for (lux, stops) in &given[1..] {
        let read = (lux / given[0].0).log2();
        assert!((read - stops).abs() < 0.1, "asked {stops}, reads {read}");
    }
    for (look, kelvin) in [("warm", 3200.0), ("one", 4300.0), ("cool", 5600.0)] {
        set.exits(0, &["recall", look]);
        let key = settled(&set, look);
        let off = Truth::white(key[1] as f64).0 - 1e6 / kelvin;
        println!("{look}: kelvin slot {}, {off:+.2} mired off", key[1]);
        assert!(off.abs() < 5.0, "{look}: {off} mired off");
    }
    // Under what gives light at all, it is sent zero and said to be dark.
    let said = set.exits(0, &["nudge", "key", "-8"]);
    let key = settled(&set, "cool");
    assert_eq!(key[0], 0, "{said}");
}

impl Typing {
    fn ended_by_kill(mut self) -> std::process::ExitStatus {
        self.child.wait().expect("the test sees to it")
    }
}

/// The slots of the key once a look stands, some frames after it was asked for.
fn settled(set: &Set, look: &str) -> Vec<u64> {
    let frame = |status: &Value| status["now"]["frame"].as_u64().expect("the test sees to it");
    let from = frame(&set.status());
    for _ in 0..1000 {
        let status = set.status();
        let stands = status["now"]["look"] == look && status["now"]["fading"] == false;
        if stands && frame(&status) > from + 30 {
            return slots(&status, "key");
        }
        pause();
    }
    panic!("{look} never stands: {:#}", set.status());
}

#[test]
fn without_a_daemon_a_body_or_readings_it_says_what_to_do() {
    let mut set = Set::new();
    let said = set.exits(4, &["calibrate", "B3"]);
    assert!(said.contains("lampkeep run PLAN"), "{said}");
    drop(set.daemon.take());

    let set = Set::running();
    let said = set.exits(1, &["calibrate", "nobody"]);
    assert!(said.contains("no lamp `nobody`"), "{said}");
    // The end of input: what was read is kept, the light from before is back.
    set.exits(0, &["recall", "both"]);
    let standing = settled(&set, "both");
    let said = set.exits(1, &["calibrate", "B3"]);
    assert!(said.contains("stopped after 0 of 31 readings; they are kept"), "{said}");
    assert_eq!(settled(&set, "both"), standing);
    let said = set.exits(2, &["calibrate", "B3", "--distance", "5cm"]);
    assert!(said.contains("between 0.1m and 100m"), "{said}");
}

/// Ctrl-C at a question, a disk that does not take a reading, and readings of no use each left the lamp at full and every
/// other one dark.
#[test]
fn a_calibration_that_is_broken_off_leads_the_light_back() {
    let set = Set::running();
    set.exits(0, &["recall", "both"]);
    settled(&set, "both");
    let mut typing = Typing::start(&set, &["calibrate", "B3"]);
    let question = typing.question().expect("a question");
    typing.type_line(&answer(&set, &question, &mut Meter(7)));
    typing.question().expect("the next");
    let pid = Pid::from_raw(i32::try_from(typing.child.id()).expect("a process")).expect("not zero");
    kill_process(pid, Signal::INT).expect("sent");
    assert_eq!(typing.question(), None);
    assert!(typing.seen.iter().any(|line| line.contains("stopped after 1 of")), "{:#?}", typing.seen);
    assert_eq!(typing.ended().0, 1, "its own end, not a signal's");
    settled(&set, "both");

    let mut typing = Typing::start(&set, &["calibrate", "B3"]);
    let question = typing.question().expect("a question");
    std::fs::remove_file(set.kept()).expect("there");
    std::fs::create_dir(set.kept()).expect("in the way");
    typing.type_line(&answer(&set, &question, &mut Meter(7)));
    assert_eq!(typing.question(), None);
    assert!(typing.seen.iter().any(|line| line.contains("was not written")), "{:#?}", typing.seen);
    assert_eq!(typing.ended().0, 1);
    settled(&set, "both");
    assert!(set.exits(1, &["calibrate", "B3"]).contains("it is a folder, not a file"));
    settled(&set, "both");
}
