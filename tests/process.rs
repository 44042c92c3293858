//! The built binary as a process: commands, exit codes, signals, sockets. Folders are made per test;
//! every wait is bounded and ends as soon as what it waits for has come.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

/// Long enough for a machine under load; nothing takes this long that works.
const PATIENCE: Duration = Duration::from_secs(30);

const PLAN: &str = r#"
fade = "1 s"
rest = "low"
order = ["bright", "half", "low"]
on-stop = "hold"

[camera.main]
iso = 800
f-number = 2.8
fps = 25
shutter = "180 deg"
white-balance = 5600

[subject.pilot]

[output.desk]
kind = "simulator"

[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"

[fixture.fill]
profile = "bicolour-mat"
address = 11
clock = "4:30"
height = "1.5 m"
distance = "2 m"

[look.bright]
kelvin = 5600
key = { stops = 0 }
fill = { to-key = -2 }

[look.half]
kelvin = 4400
key = { stops = -1 }

[look.low]
key = { stops = -3 }
"#;

struct Set {
    dir: TempDir,
}

impl Set {
    fn new() -> Self {
        let set = Self { dir: tempfile::tempdir().expect("a folder") };
        set.write("interview.toml", PLAN);
        set
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("written");
    }

    fn socket(&self) -> PathBuf {
        self.path("s.sock")
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command
            .args(args)
            .current_dir(self.dir.path())
            .env_remove("NOTIFY_SOCKET")
            .env("LAMPKEEP_SOCKET", self.socket())
            .env("LAMPKEEP_STATE", self.path("state"))
            .env("NO_COLOR", "1")
            .stdin(Stdio::null());
        command
    }

    fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().expect("it runs")
    }

    /// Runs a command and checks its exit code; gives its standard output.
    fn exits(&self, code: i32, args: &[&str]) -> String {
        let out = self.run(args);
        let (text, err) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
        assert_eq!(out.status.code(), Some(code), "{args:?}\n{text}\n{err}");
        assert!(code == 0 || !err.is_empty(), "{args:?} fails without a word");
        if code == 0 { text.into_owned() } else { format!("{text}{err}") }
    }

    fn status(&self) -> Value {
        serde_json::from_str(&self.exits(0, &["status", "--json"])).expect("JSON")
    }

    /// Waits until `what` holds of the status.
    fn until(&self, why: &str, what: impl Fn(&Value) -> bool) -> Value {
        let mut last = Value::Null;
        for _ in 0..600 {
            last = self.status();
            if what(&last) {
                return last;
            }
            pause();
        }
        panic!("{why}: {last:#}");
    }

    fn daemon(&self, args: &[&str]) -> Daemon {
        Daemon::start(self.command(args), &self.socket())
    }
}

/// A short wait between two looks at something that will come.
fn pause() {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(20));
}

struct Daemon {
    child: Child,
    log: mpsc::Receiver<String>,
    seen: Vec<String>,
}

impl Daemon {
    fn start(mut command: Command, socket: &Path) -> Self {
        let mut child = command.stderr(Stdio::piped()).stdout(Stdio::null()).spawn().expect("it starts");
        let stderr = child.stderr.take().expect("piped");
        let (send, log) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        let mut daemon = Self { child, log, seen: Vec::new() };
        for _ in 0..600 {
            if UnixStream::connect(socket).is_ok() {
                return daemon;
            }
            if let Some(code) = daemon.child.try_wait().expect("waitable") {
                daemon.drain();
                panic!("the daemon ended with {code}: {:#?}", daemon.seen);
            }
            pause();
        }
        panic!("the daemon never answered");
    }

    fn drain(&mut self) {
        while let Ok(line) = self.log.recv_timeout(Duration::from_millis(200)) {
            self.seen.push(line);
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = Pid::from_child(&self.child);
        kill_process(pid, signal).expect("signalled");
    }

    /// Waits for its end and gives the exit code.
    fn ends(&mut self) -> Option<i32> {
        for _ in 0..600 {
            if let Some(status) = self.child.try_wait().expect("waitable") {
                return status.code();
            }
            pause();
        }
        panic!("the daemon does not end");
    }

    fn logged(&mut self, what: &str) {
        let deadline = PATIENCE;
        while let Ok(line) = self.log.recv_timeout(deadline) {
            let found = line.contains(what);
            self.seen.push(line);
            if found {
                return;
            }
        }
        panic!("`{what}` was not logged: {:#?}", self.seen);
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Already gone in most tests.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn fixture<'a>(status: &'a Value, id: &str) -> &'a Value {
    status["fixtures"].as_array().expect("fixtures").iter().find(|f| f["id"] == id).expect("the fixture")
}

#[test]
fn commands_without_a_daemon_work_and_say_what_they_found() {
    let set = Set::new();
    assert!(set.exits(0, &["rehearse"]).contains("the same in every run"));
    assert!(set.exits(0, &["rehearse", "interview.toml"]).contains("bright"));
    assert!(set.exits(0, &["check", "interview.toml"]).contains("no errors"));
    assert!(set.exits(0, &["sheet", "interview.toml"]).contains("universe 1 slot 1"));
    assert!(set.exits(0, &["profiles"]).contains("mode"));
    assert!(set.exits(0, &["profiles", "interview.toml"]).contains("mode"));
    assert!(set.exits(0, &["explain", "bright", "--plan", "interview.toml"]).contains("slots"));
    assert!(set.exits(0, &["reckon", "mired", "3200K", "5600K"]).contains("mired"));
    for args in [
        &["rehearse", "interview.toml", "--json"][..],
        &["check", "interview.toml", "--json"],
        &["sheet", "interview.toml", "--json"],
        &["profiles", "--json"],
        &["explain", "bright", "--plan", "interview.toml", "--json"],
        &["reckon", "mired", "3200K", "5600K", "--json"],
    ] {
        let text = set.exits(0, args);
        assert!(serde_json::from_str::<Value>(&text).is_ok(), "{args:?} prints no JSON: {text}");
    }
}

#[test]
fn every_fault_has_its_exit_code() {
    let set = Set::new();
    set.exits(4, &["status"]);
    set.exits(4, &["recall", "bright"]);
    set.exits(2, &["recall"]);
    set.exits(2, &["no-such-command"]);
    set.exits(2, &["recall", "bright", "--over", "2"]);
    set.exits(2, &["nudge", "key", "1"]);
    set.write("wrong.toml", "[look.a]\nkelvn = 5600\n");
    assert!(set.exits(3, &["check", "wrong.toml"]).contains("wrong.toml"));
    set.exits(3, &["run", "wrong.toml"]);
    set.exits(3, &["rehearse", "wrong.toml"]);
    set.exits(3, &["check", "not-there.toml"]);
    set.exits(1, &["explain", "brihgt", "--plan", "interview.toml"]);
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    assert!(set.exits(1, &["recall", "brihgt"]).contains("did you mean `bright`"));
    assert!(set.exits(1, &["nudge", "kee", "+1"]).contains("did you mean `key`"));
    set.exits(1, &["cancel"]);
    set.exits(1, &["again"]);
    set.exits(1, &["previous"]);
}

#[test]
fn every_command_of_the_set_changes_the_light_as_it_says() {
    let set = Set::new();
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    let said = set.exits(0, &["recall", "bright", "--over", "0s"]);
    assert!(said.starts_with("bright · cut · 2 lamps"), "{said}");
    let lit = set.until("bright is lit", |s| fixture(s, "key")["sent"]["lux"].as_f64() > Some(100.0));
    assert_eq!(lit["now"]["look"], "bright");
    assert_eq!(lit["outputs"][0]["kind"], "simulator");
    let slots = fixture(&lit, "key")["slots"].clone();

    assert!(set.exits(0, &["nudge", "key", "-1/3"]).contains("dimmer by 0.33 stop"));
    set.until("nudged", |s| fixture(s, "key")["slots"] != slots);
    assert!(set.exits(0, &["keep", "bright-low"]).contains("kept"));
    assert!(set.path("interview.looks/bright-low.toml").exists());
    set.exits(0, &["next", "--over", "0s"]);
    set.until("half is lit", |s| s["now"]["look"] == "half");
    set.exits(0, &["previous"]);
    set.until("bright again", |s| s["now"]["look"] == "bright");
    set.exits(0, &["recall", "bright-low", "--over", "0s"]);
    let kept = set
        .until("the kept look is lit", |s| s["now"]["look"] == "bright-low" && s["now"]["fading"] == false);
    assert_ne!(fixture(&kept, "key")["slots"], slots);
    set.exits(0, &["rest"]);
    set.exits(0, &["again"]);
    set.exits(0, &["only", "key"]);
    set.until("only key", |s| fixture(s, "fill")["sent"]["lux"] == 0.0);
    set.exits(0, &["again"]);
    set.exits(0, &["wink", "key"]);
    let rollcall = set.exits(0, &["rollcall", "--each", "0.5s"]);
    assert!(rollcall.contains("key") && rollcall.contains("rollcall over"), "{rollcall}");
    set.exits(0, &["absent", "fill"]);
    set.until("fill is absent", |s| fixture(s, "fill")["control"] == "absent");
    set.exits(0, &["absent", "fill", "--back"]);
    set.exits(0, &["cold", "all"]);
    assert!(set.exits(0, &["recall", "bright", "--in", "60s"]).contains("lampkeep cancel"));
    assert!(set.exits(0, &["cancel"]).contains("cancelled"));
    set.exits(0, &["recall", "bright"]);
    set.exits(1, &["recall", "bright", "--at", "2020-01-01T00:00:00Z"]);
    assert!(set.exits(0, &["explain", "bright"]).contains("guards"));
    assert!(set.exits(0, &["status"]).contains("bright"));
    set.exits(0, &["dark", "--now"]);
    set.until("dark", |s| fixture(s, "key")["sent"]["lux"] == 0.0);
    assert!(set.exits(0, &["dark"]).contains("hot"));
}

/// Source: docs/interface.md, part 1: a guard's refusal is 5, and names the next step.
#[test]
fn a_take_refuses_a_recall_with_code_5_and_the_way_out() {
    let set = Set::new();
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    set.until("the light stands", |s| {
        s["now"]["fading"] == false && fixture(s, "key")["sent"]["lux"].as_f64() > Some(100.0)
    });
    assert!(set.exits(0, &["take", "start", "4"]).contains("take 4/1 rolls · bright"));
    let lit = set.until("it rolls", |s| s["now"]["take"] == "4/1");
    for refused in [
        &["recall", "half"][..],
        &["nudge", "key", "+1"],
        &["reload"],
        &["take", "start"],
        &["wrap"],
        &["wrap", "--json"],
    ] {
        let said = set.exits(5, refused);
        assert_eq!(said.contains("\"kind\": \"guarded\""), refused.contains(&"--json"), "{said}");
        assert!(said.contains("take 4/1 rolls") && said.contains("end it: `lampkeep take end`"), "{said}");
    }
    daemon.signal(Signal::HUP);
    daemon.logged("take 4/1 rolls");
    assert_eq!(fixture(&set.status(), "key")["slots"], fixture(&lit, "key")["slots"]);
    set.until("the output sends", |s| s["outputs"][0]["state"] == "up");
    set.exits(2, &["take", "end", "fine"]);
    let said = set.exits(0, &["take", "end", "good"]);
    assert!(said.contains("not steady: a lamp cold: ") && said.contains(" · marked good"), "{said}");
    set.exits(1, &["take", "end"]);
    set.exits(0, &["recall", "half"]);
}

/// Source: docs/interface.md, part 1, and practice.md, pain 2: the record alone rebuilds every slot.
#[test]
fn a_take_is_amended_listed_put_on_a_sheet_and_brought_back_and_the_log_outlives_plan_and_daemon() {
    let set = Set::new();
    let record = set.path("record.txt");
    let run = ["run", "interview.toml", "--simulate", "--record", record.to_str().expect("utf-8")];
    let mut daemon = set.daemon(&run);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    let stands = |s: &Value| s["now"]["fading"] == false && !s["fixtures"].to_string().contains("soft-start");
    set.until("the light stands", stands);
    set.exits(0, &["nudge", "key", "-1/3"]);
    set.until("the nudge stands", stands);
    set.exits(0, &["take", "start", "4"]);
    let lit = set.until("it rolls", |s| s["now"]["take"] == "4/1");
    (0..25).for_each(|_| pause());
    set.exits(0, &["take", "end", "bad"]);
    let words = ["take", "amend", "4/1", "good", "iso=800", "note=hand on the rail"];
    let said = set.exits(0, &words);
    assert!(said.contains("take 4/1 (n1) · marked good · iso 800 · note hand on the rail"), "{said}");
    for wrong in [
        &["take", "amend", "4/1", "fine"][..],
        &["take", "amend", "4/1", "iso=many"],
        &["take", "amend", "4/1"],
    ] {
        set.exits(2, wrong);
    }
    set.exits(1, &["take", "amend", "9/9", "good"]);
    let said = set.exits(0, &["recall", "bright", "--over", "0s"]);
    assert!(said.contains("same as take 4/1: no: key +0.3"), "{said}");
    set.until("the light stands", stands);
    let said = set.exits(0, &["recall", "--take", "n1", "--over", "0s"]);
    assert!(said.contains("same as take 4/1: yes"), "{said}");
    let again = set.until("the take's light stands", |s| {
        stands(s) && fixture(s, "key")["slots"] == fixture(&lit, "key")["slots"]
    });
    assert_eq!(fixture(&again, "fill")["slots"], fixture(&lit, "fill")["slots"]);
    set.exits(1, &["recall", "--take", "7/7"]);
    set.exits(2, &["recall", "bright", "--take", "4/1"]);
    let told = |set: &Set| {
        let list = set.exits(0, &["take", "list"]);
        assert!(list.contains("4/1  n1") && list.contains("note: hand on the rail"), "{list}");
        set.exits(0, &["take", "sheet", "--out", "sheet.html"]);
        set.exits(0, &["take", "sheet", "4/1", "--out", "sheet.csv"]);
        let page = std::fs::read_to_string(set.path("sheet.html")).expect("a page");
        for held in ["4/1", "bright", "7:30", "1.50 m (4′ 11″)", "hand on the rail", "camera right"] {
            assert!(page.contains(held), "{held}");
        }
        let csv = std::fs::read_to_string(set.path("sheet.csv")).expect("cells");
        assert_eq!(csv.lines().count(), 3, "{csv}");
        serde_json::from_str::<Value>(&set.exits(0, &["take", "sheet", "n1", "--json"])).expect("JSON")
    };
    let live = told(&set);
    set.exits(2, &["take", "sheet", "--out", "sheet.pdf"]);
    let said = set.exits(0, &["wrap", "--out", "day"]);
    assert!(said.contains("sheet: day/") && said.contains("log: day/"), "{said}");
    assert!(!said.to_lowercase().contains("ok to"), "{said}");
    assert_eq!(std::fs::read_dir(set.path("day")).expect("a folder").count(), 2);
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends(), Some(0));
    drop(daemon);

    // The plan is gone and no daemon runs: the list, the sheet and every slot are there.
    std::fs::remove_file(set.path("interview.toml")).expect("deleted");
    let alone = told(&set);
    assert_eq!(alone["takes"], live["takes"]);
    // The set is drawn from the plan's text in the log, also beside a face that is protected now, and then by numbers.
    assert_eq!(alone["drawings"], live["drawings"]);
    assert_eq!(alone["drawings"][0]["of"], "plan");
    assert!(alone["drawings"][0]["svg"].as_str().is_some_and(|svg| svg.contains(">key</text>")));
    std::fs::write(set.path("state/protect.simulated.json"), "{").expect("damaged counts as on");
    set.exits(0, &["take", "sheet", "--out", "hidden.html"]);
    let hidden = std::fs::read_to_string(set.path("hidden.html")).expect("a page");
    assert!(hidden.contains("from the plan as it was then") && hidden.contains(">lamp-1</text>"), "{hidden}");
    for name in ["key", "fill", "bright", "softbox", "hand on the rail"] {
        assert!(!hidden.contains(&format!(">{name}<")), "{name} is told");
    }
    let lines = std::fs::read_dir(set.path("day")).expect("a folder").map_while(Result::ok);
    let export =
        lines.map(|f| f.path()).find(|p| p.extension().is_some_and(|e| e == "jsonl")).expect("an export");
    let export = std::fs::read_to_string(export).expect("lines");
    let line = export.lines().find(|l| l.contains("frame_hash")).expect("the take's line");
    let take: Value = serde_json::from_str(line).expect("JSON");
    let record_of = take.pointer("/take/record").unwrap_or(&take["take"]);
    let found: lampkeep::journal::TakeRecord = serde_json::from_value(record_of.clone()).expect("a record");
    let frames = found.light.frames().expect("every slot");
    let hex: String = frames[0].1.iter().map(|byte| format!("{byte:02x}")).collect();
    let sent = recorded(&record);
    assert!(
        sent.iter().any(|slots| hex.starts_with(slots.as_str())),
        "the simulator was sent these slots: {hex}"
    );
}

#[test]
fn a_reload_takes_a_good_plan_and_leaves_the_light_alone_with_a_bad_one() {
    let set = Set::new();
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    let lit = set.until("bright is lit", |s| fixture(s, "key")["sent"]["lux"].as_f64() > Some(100.0));
    let slots = fixture(&lit, "key")["slots"].clone();

    set.write("interview.toml", &PLAN.replace("stops = 0", "stops = nought"));
    assert!(set.exits(3, &["reload"]).contains("interview.toml"));
    assert_eq!(fixture(&set.status(), "key")["slots"], slots);
    assert_eq!(set.status()["plan_hash"], lit["plan_hash"]);

    set.write("interview.toml", &PLAN.replace("{ stops = 0 }", "{ stops = -0.5 }"));
    assert!(set.exits(0, &["reload"]).contains("1 look"));
    assert_eq!(fixture(&set.status(), "key")["slots"], slots, "the light stays until it is recalled");
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    set.until("the new version", |s| fixture(s, "key")["slots"] != slots);

    set.write("interview.toml", PLAN);
    daemon.signal(Signal::HUP);
    daemon.logged("reload: took the plan");
}

#[test]
fn sigterm_in_the_middle_of_a_fade_holds_the_light_or_fades_it_out_as_the_plan_says() {
    for (on_stop, word) in [("hold", "hold"), ("dark", "dark")] {
        let set = Set::new();
        set.write("interview.toml", &PLAN.replace("on-stop = \"hold\"", &format!("on-stop = \"{on_stop}\"")));
        let record = set.path("frames.txt");
        let mut daemon =
            set.daemon(&["run", "interview.toml", "--simulate", "--record", record.to_str().expect("utf-8")]);
        set.exits(0, &["recall", "bright", "--over", "5s"]);
        set.until("half way", |s| s["now"]["progress"].as_f64() > Some(0.5) && s["now"]["fading"] == true);
        daemon.signal(Signal::TERM);
        assert_eq!(daemon.ends(), Some(0), "{word}");
        let frames = std::fs::read_to_string(&record).expect("the record");
        let last = frames.lines().last().expect("frames").rsplit(' ').next().expect("slots");
        let lit = last.bytes().any(|b| b != b'0');
        // Bi-colour lamps keep their kelvin value in the dark: look at the intensity alone.
        let intensity = last.get(0..2).expect("slot 1");
        assert!(lit, "{word}: {last}");
        assert_eq!(intensity != "00", on_stop == "hold", "{word}: {last}");
        assert!(!set.socket().exists(), "the socket is taken away at a clean stop");
    }
}

#[test]
fn a_second_daemon_on_one_socket_is_refused_and_a_socket_left_by_a_crash_is_replaced() {
    let set = Set::new();
    let mut first = set.daemon(&["run", "interview.toml", "--simulate"]);
    let said = set.exits(1, &["run", "interview.toml", "--simulate"]);
    assert!(said.contains("runs already") || said.contains("already"), "{said}");
    set.exits(0, &["status"]);
    first.signal(Signal::KILL);
    first.ends();
    assert!(set.socket().exists(), "a crash leaves its socket");
    set.exits(4, &["status"]);
    let _second = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright"]);
}

#[test]
fn two_sets_stand_side_by_side_and_each_command_names_its_own() {
    let set = Set::new();
    let runtime = set.path("run");
    std::fs::create_dir(&runtime).expect("a folder");
    let command = |args: &[&str]| {
        let mut command = set.command(args);
        command
            .env_remove("LAMPKEEP_SOCKET")
            .env("XDG_RUNTIME_DIR", &runtime)
            .env("LAMPKEEP_RUN", set.path("no-run"));
        command
    };
    let place = |name: &str| {
        let run = PathBuf::from("/run/lampkeep").join(format!("{name}.sock"));
        let xdg = runtime.join("lampkeep").join(format!("{name}.sock"));
        move || if run.exists() { run.clone() } else { xdg.clone() }
    };
    // Names of this run alone, since /run/lampkeep is shared where it can be written.
    let tag = std::process::id();
    let (one, two) = (format!("quay-{tag}"), format!("bridge-{tag}"));
    let start = |name: &str| {
        let mut child = command(&["run", "interview.toml", "--simulate", "--set", name])
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        let place = place(name);
        for _ in 0..600 {
            if UnixStream::connect(place()).is_ok() {
                return child;
            }
            assert!(child.try_wait().expect("waitable").is_none(), "{name} ended");
            pause();
        }
        panic!("{name} never answered");
    };
    let mut children = [start(&one), start(&two)];
    let look = |name: &str| {
        let out = command(&["status", "--json", "--set", name]).output().expect("it runs");
        let status: Value = serde_json::from_slice(&out.stdout).expect("JSON");
        (status["set"].clone(), status["now"]["look"].clone())
    };
    assert!(command(&["recall", "bright", "--set", &one]).output().expect("it runs").status.success());
    assert_eq!(look(&one), (one.clone().into(), "bright".into()));
    assert_eq!(look(&two), (two.clone().into(), "dark".into()));
    let vague = command(&["status"]).output().expect("it runs");
    assert_ne!(vague.status.code(), Some(0));
    let said = String::from_utf8_lossy(&vague.stderr);
    assert!(said.contains(&one) && said.contains(&two), "{said}");
    for child in &mut children {
        kill_process(Pid::from_child(child), Signal::TERM).expect("signalled");
        child.wait().expect("ends");
    }
}

/// Source: the requirement on many machines: one instant starts the same fade on both, a late one joins it and ends with it.
#[test]
fn two_daemons_told_one_instant_fade_as_one_also_when_one_hears_of_it_late() {
    let (one, other) = (Set::new(), Set::new());
    let daemons = [&one, &other].map(|set| set.daemon(&["run", "interview.toml", "--simulate"]));
    for set in [&one, &other] {
        set.exits(0, &["recall", "low", "--over", "0s"]);
        set.until("low stands", |s| s["now"]["look"] == "low" && s["now"]["fading"] == false);
    }
    let instant = lampkeep::clock::Clock::wall(&lampkeep::clock::SystemClock::start())
        + jiff::SignedDuration::from_millis(1500);
    let at = instant.to_string();
    let said = one.exits(0, &["recall", "bright", "--over", "6s", "--at", &at]);
    assert!(said.starts_with(&format!("recall bright at {at}, in ")), "{said}");
    let status = one.status();
    assert_eq!(status["now"]["scheduled"]["at"], at.as_str());
    // What the kernel tells of the clock is told on.
    assert!(status["clock"]["unset"] == false && status["clock"].get("synchronised").is_some());
    one.until("it has begun", |s| s["now"]["fading"] == true);
    one.until("it runs", |s| s["now"]["fade_left_s"].as_f64() < Some(4.5));
    let said = other.exits(0, &["recall", "bright", "--over", "6s", "--at", &at]);
    assert!(said.contains(" late, it joins the fade that began at "), "{said}");
    // Both statuses are up to a tenth of a second old, and so is one when the other is read.
    let left = |set: &Set| set.status()["now"]["fade_left_s"].as_f64().expect("seconds");
    let (a, b) = (left(&one), left(&other));
    assert!((a - b).abs() < 0.4 && a > 1.0, "{a} s and {b} s left");
    let landed = |set: &Set| {
        let status = set.until("it lands", |s| s["now"]["fading"] == false);
        (fixture(&status, "key")["slots"].clone(), fixture(&status, "fill")["slots"].clone())
    };
    assert_eq!(landed(&one), landed(&other));
    // More than five seconds after the instant: too late.
    let said = other.exits(1, &["recall", "half", "--at", &at]);
    assert!(said.contains(" ago"), "{said}");
    assert_eq!(other.status()["now"]["look"], "bright");
    drop(daemons);
}

#[test]
fn what_a_real_time_run_sends_is_what_virtual_time_sends_frame_by_frame() {
    let set = Set::new();
    let record = set.path("frames.txt");
    let mut daemon =
        set.daemon(&["run", "interview.toml", "--simulate", "--record", record.to_str().expect("utf-8")]);
    set.until("frames run", |s| s["now"]["frame"].as_u64() > Some(0));
    // Each answer tells the last frame before the one on which the request acts.
    let mut script = Vec::new();
    let mut socket = BufReader::new(UnixStream::connect(set.socket()).expect("connected"));
    for (request, wait_ms) in [
        (r#"{"do":"recall","look":"bright","over_s":0.7}"#, 300),
        (r#"{"do":"recall","look":"half","over_s":1.0}"#, 500),
        (r#"{"do":"nudge","lamp":"key","stops":-0.5}"#, 400),
        (r#"{"do":"dark"}"#, 1500),
    ] {
        writeln!(socket.get_mut(), "{request}").expect("sent");
        let mut line = String::new();
        socket.read_line(&mut line).expect("answered");
        let answer: Value = serde_json::from_str(&line).expect("JSON");
        assert_eq!(answer["ok"], true, "{line}");
        script.push((answer["now"]["frame"].as_u64().expect("a frame") + 1, request));
        let (_keep, never) = mpsc::channel::<()>();
        let _ = never.recv_timeout(Duration::from_millis(wait_ms));
    }
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends(), Some(0));

    let mut real = String::new();
    std::fs::File::open(&record).expect("the record").read_to_string(&mut real).expect("text");
    let recorded: Vec<_> =
        real.lines().map(|l| lampkeep::wire::sim::parse_line(l).expect("a line of the record")).collect();
    let plan = lampkeep::plan::load::load(&set.path("interview.toml")).expect("the plan");
    let virtual_frames = replay(plan, &script, recorded.last().expect("frames").number + 1);
    assert!(recorded.len() > 60, "fades make many changes: {}", recorded.len());
    for frame in &recorded {
        let index = usize::try_from(frame.number).expect("small");
        assert_eq!(
            frame.slots[..],
            virtual_frames[index].slots[..frame.slots.len()],
            "frame {}",
            frame.number
        );
    }
}

/// The same requests on the same frames, on virtual time.
fn replay(plan: lampkeep::plan::Plan, script: &[(u64, &str)], frames: u64) -> Vec<lampkeep::channels::Frame> {
    use lampkeep::engine::{Action, Engine, Event, Options, Ticket};
    let mut engine = Engine::new(plan.into(), Options { simulate: true, ..Options::default() });
    let mut sent = Vec::new();
    for n in 0..frames {
        let now = engine.plan().frames.moment_of(n);
        for (_, request) in script.iter().filter(|(at, _)| *at == n) {
            let envelope = lampkeep::control::decode_request(request.as_bytes()).expect("a request");
            drop(engine.handle(Event::Ask(Ticket(n), envelope), now));
        }
        for action in engine.handle(Event::Frame(n), now) {
            if let Action::Send(frames) = action {
                sent.push(frames[0]);
            }
        }
    }
    sent
}

#[test]
fn the_service_manager_hears_ready_after_the_first_frame_or_an_absent_output_and_stopping_at_the_end() {
    for output in ["kind = \"simulator\"", "kind = \"framed\"\nport = \"not-there\""] {
        let set = Set::new();
        set.write("interview.toml", &PLAN.replace("kind = \"simulator\"", output));
        let manager = std::os::unix::net::UnixDatagram::bind(set.path("notify")).expect("a socket");
        manager.set_read_timeout(Some(PATIENCE)).expect("a limit");
        let mut command = set.command(&["run", "interview.toml"]);
        command.env("NOTIFY_SOCKET", set.path("notify"));
        let mut daemon = Daemon::start(command, &set.socket());
        let hears = |what: &str| {
            let mut told = Vec::new();
            loop {
                let mut bytes = [0; 1024];
                let count = manager.recv(&mut bytes).unwrap_or_else(|e| panic!("no {what}: {e}, {told:?}"));
                let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
                if text.contains(what) {
                    return;
                }
                told.push(text);
            }
        };
        hears("READY=1");
        let outputs = set.until("the output is known", |s| s["outputs"][0]["state"] != "starting");
        let framed = output.contains("framed");
        assert_eq!(outputs["outputs"][0]["state"], if framed { "down" } else { "up" });
        set.exits(0, &["recall", "bright"]);
        daemon.signal(Signal::TERM);
        hears("STOPPING=1");
        assert_eq!(daemon.ends(), Some(0));
    }
}

#[test]
fn a_restart_would_go_unseen_only_while_nothing_is_lit_fades_waits_or_rolls() {
    let set = Set::new();
    set.exits(4, &["status", "--dark"]);
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    assert_eq!(set.exits(0, &["status", "--dark"]), "dark, and nothing waits\n");
    let json: Value = serde_json::from_str(&set.exits(0, &["status", "--dark", "--json"])).expect("JSON");
    assert_eq!(json, serde_json::json!({ "dark": true, "said": null }));
    let why_not = |why: &str| {
        let said = set.exits(1, &["status", "--dark"]);
        assert!(said.contains(why), "{said}");
    };
    set.exits(0, &["recall", "bright", "--in", "60s"]);
    why_not("recall bright waits");
    set.exits(0, &["cancel"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    why_not("`bright` is lit");
    set.exits(0, &["take", "start", "4"]);
    why_not("take 4/1 rolls");
    set.exits(0, &["take", "end"]);
    set.exits(0, &["dark"]);
    why_not("the light is fading to dark");
    set.exits(0, &["dark", "--now"]);
    set.until("it is dark", |s| s["now"]["fading"] == false);
    set.exits(0, &["status", "--dark"]);
}

#[test]
fn a_broker_that_is_not_there_holds_nothing_up() {
    let set = Set::new();
    set.write("interview.toml", &format!("{PLAN}\n[mqtt]\nhost = \"127.0.0.1\"\nport = 1\n"));
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    let status = set.until("the broker is told of", |s| s["mqtt"]["said"].is_string());
    assert_eq!(status["mqtt"]["state"], "down");
    assert_eq!(status["now"]["look"], "bright");
}

/// Sends lines over the socket, one connection, and gives the answers.
fn over_the_socket(set: &Set, lines: &[&str]) -> Vec<Value> {
    let mut stream = UnixStream::connect(set.socket()).expect("connected");
    let mut answers = BufReader::new(stream.try_clone().expect("cloned")).lines();
    let mut one = |line: &&str| {
        writeln!(stream, "{line}").expect("sent");
        let answer = answers.next().expect("an answer").expect("text");
        serde_json::from_str(&answer).expect("JSON")
    };
    lines.iter().map(&mut one).collect()
}

#[test]
fn names_and_numbers_out_of_all_reason_are_refused_in_one_short_line() {
    let set = Set::new();
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    let lines = [
        r#"{"do":"recall","look":"../../x\u0000\u001b[31m\n😀"}"#,
        r#"{"do":"recall","look":"bright","over_s":1e300}"#,
        r#"{"do":"recall","look":"bright","over_s":NaN}"#,
        r#"{"do":"recall","look":"bright","in_s":1,"at":"2126-01-01T00:00:00Z"}"#,
        r#"{"do":"recall","look":"bright","at":"2126-01-01T00:00:00Z"}"#,
        r#"{"do":"nudge","lamp":"key","stops":1e308}"#,
    ];
    let kinds = ["unknown-look", "bad-field", "bad-request", "bad-field", "bad-field", "bad-field"];
    for ((line, answer), kind) in lines.iter().zip(over_the_socket(&set, &lines)).zip(kinds) {
        assert_eq!(answer["error"]["kind"], kind, "{line}: {answer}");
        let said = answer["error"]["said"].as_str().expect("words");
        assert!(said.len() < 200 && !said.contains('\x1b'), "{line}: {said}");
        assert!(answer["error"]["hint"].is_string(), "{line}");
    }
    assert_eq!(set.status()["now"]["look"], "dark", "nothing of it changed light");
}

#[test]
fn a_disk_that_takes_nothing_fails_the_keep_and_leaves_the_light_alone() {
    let set = Set::new();
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    let lit = set.until("it is lit", |s| fixture(s, "key")["sent"]["lux"].as_f64() > Some(100.0));
    set.write("interview.looks", "a file where the folder of kept looks should be");
    assert!(set.exits(1, &["keep", "found"]).contains("was not written"));
    let now = set.status();
    assert_eq!(now["now"]["look"], lit["now"]["look"]);
    // Its estimated heat goes on meanwhile.
    for lamp in ["key", "fill"] {
        assert_eq!(fixture(&now, lamp)["slots"], fixture(&lit, lamp)["slots"], "{lamp}");
    }
    std::fs::remove_file(set.path("interview.looks")).expect("removed");
    set.exits(0, &["keep", "found"]);
}

#[test]
fn a_plan_that_became_a_folder_is_not_taken() {
    let set = Set::new();
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    std::fs::remove_file(set.path("interview.toml")).expect("removed");
    assert!(set.exits(3, &["reload"]).contains("there is no file"));
    std::fs::create_dir(set.path("interview.toml")).expect("made");
    assert!(set.exits(3, &["reload"]).contains("is a folder"));
    set.exits(0, &["recall", "bright", "--over", "0s"]);
}

/// Whoever opens a pipe waits until somebody opens its other end (fifo(7)).
#[test]
fn pipes_in_the_place_of_its_files_hold_up_nothing_and_are_told() {
    let set = Set::new();
    let folder = set.path("state/interview.simulated");
    std::fs::create_dir_all(&folder).expect("made");
    let pipe = |path: &Path| {
        let fifo = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, path, fifo, rustix::fs::Mode::RUSR, 0).expect("made");
    };
    let protect = set.path("state/protect.simulated.json");
    for path in
        [&protect, &folder.join("state.json"), &folder.join(".state.json.part"), &set.path("s.sock.alive")]
    {
        pipe(path);
    }
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    // What cannot be read counts as on.
    let status = set.until("it is told", |s| s["told"]["kind"] == "state-unreadable");
    assert_eq!(status["protect"]["on"], true);
    let damaged =
        status["alerts"].as_array().expect("a list").iter().find(|a| a["kind"] == "protect-damaged");
    let said = damaged.expect("told")["said"].as_str().expect("words");
    assert!(said.contains("it is no plain file"), "{said}");
    assert!(status["told"]["said"].as_str().expect("words").contains("it is no plain file"), "{status:#}");
    // Written anew, whole: from then on it is a file.
    set.exits(0, &["protect", "on"]);
    assert!(std::fs::metadata(&protect).expect("there").is_file());
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends(), Some(0));
    assert!(std::fs::metadata(folder.join("state.json")).expect("there").is_file());
    // Nor do commands wait for one.
    let plan = set.path("pipe.toml");
    pipe(&plan);
    assert!(set.exits(3, &["check", "pipe.toml"]).contains("pipe.toml cannot be read: it is no plain file"));
    assert!(set.exits(2, &["reckon", "spectrum", "pipe.toml"]).contains("it is no plain file"));
}

#[test]
fn a_first_plan_made_of_nonsense_answers_checks_rehearses_and_runs() {
    let feet = "\n\n60\n\n\nft\n\n1\n\n1\n\n1\n\n";
    for answers in ["", "nonsense\n-1\n1e999\n\n\u{1}\n513\n", "\n\n\n\n\n\n\n1\n3\n2\n511\n9\n0\n", feet] {
        let set = Set::new();
        let mut command = set.command(&["new", "first.toml"]);
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        // It may end before it has read everything.
        let _ = child.stdin.take().expect("piped").write_all(answers.as_bytes());
        assert_eq!(child.wait().expect("ends").code(), Some(0), "{answers:?}");
        set.exits(0, &["check", "first.toml"]);
        set.exits(0, &["rehearse", "first.toml"]);
        set.exits(1, &["new", "first.toml"]);
        let _daemon = set.daemon(&["run", "first.toml", "--simulate"]);
        set.exits(0, &["next", "--over", "0s"]);
    }
}

#[test]
fn a_signal_to_stop_is_heard_in_the_middle_of_a_rollcall_and_under_a_flood_of_requests() {
    let set = Set::new();
    set.write("interview.toml", &PLAN.replace("on-stop = \"hold\"", "on-stop = { fade = \"1 s\" }"));
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    assert!(over_the_socket(&set, &[r#"{"do":"rollcall","each_s":30}"#])[0]["ok"] == true);
    std::thread::scope(|scope| {
        for _ in 0..8 {
            let mut stream = UnixStream::connect(set.socket()).expect("connected");
            scope.spawn(move || {
                // Until the daemon is gone; nobody reads the answers in between.
                while stream.write_all(b"{\"do\":\"explain\",\"look\":\"bright\"}\n").is_ok() {}
            });
        }
        daemon.signal(Signal::TERM);
        daemon.signal(Signal::TERM);
        assert_eq!(daemon.ends(), Some(0));
    });
}

#[test]
fn after_a_crash_the_lamps_are_no_cooler_than_before_it() {
    let set = Set::new();
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    // Kept every ten seconds.
    set.until("ten seconds have gone by", |s| s["now"]["uptime_s"].as_f64() > Some(10.5));
    let heat = || fixture(&set.status(), "key")["body_est_c"].as_f64().expect("its figures are known");
    let before = heat();
    assert!(before > 25.0, "{before}");
    daemon.signal(Signal::KILL);
    daemon.ends();
    drop(daemon);
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    // Such a lamp holds the last frame, so it went on at that power: some milliseconds of cooling since.
    assert!(heat() >= before - 0.01, "{} {before}", heat());
    daemon.signal(Signal::KILL);
    daemon.ends();
    drop(daemon);
    let folder = set.path("state/interview.simulated");
    std::fs::write(folder.join("state.json"), "{").expect("written");
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    daemon.logged("heat counts as unknown, it is dark");
}

/// The slots of a record's frames, in order, each change once.
fn recorded(file: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(file).expect("the record");
    text.lines().map(|l| l.rsplit(' ').next().expect("slots").to_owned()).collect()
}

/// Source: docs/interface.md, part 2, *Starting*; practice.md, pain 16.
#[test]
fn killed_while_lit_the_first_frame_after_it_is_the_last_one_before_it() {
    let set = Set::new();
    let record = |name: &str| set.path(name);
    let run = |name: &str| {
        let file = record(name);
        set.daemon(&["run", "interview.toml", "--simulate", "--record", file.to_str().expect("utf-8")])
    };
    let mut daemon = run("before.txt");
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    set.exits(0, &["nudge", "fill", "-1/3"]);
    let soft = |s: &Value| s["fixtures"].to_string().contains("soft-start");
    let lit = set
        .until("the light stands", |s| s["now"]["fading"] == false && s["now"]["nudged"] == true && !soft(s));
    set.exits(0, &["take", "start", "4"]);
    let state = set.path("state/interview.simulated/state.json");
    let kept = |what: &str| {
        for _ in 0..600 {
            if std::fs::read_to_string(&state).is_ok_and(|text| text.contains(what)) {
                return;
            }
            pause();
        }
        panic!("{what} is not kept");
    };
    kept(r#""name":"4/1""#);
    daemon.signal(Signal::KILL);
    daemon.ends();
    drop(daemon);

    let mut daemon = run("after.txt");
    daemon.logged("take 4/1 goes on rolling, not steady");
    daemon.logged("bright as it was: the daemon was away for");
    let status = set.until("frames run", |s| s["now"]["frame"].as_u64() > Some(20));
    assert_eq!((&status["now"]["look"], &status["now"]["take"]), (&"bright".into(), &"4/1".into()));
    set.exits(5, &["recall", "half"]);
    let said = set.exits(0, &["take", "end"]);
    assert!(said.contains("interrupted: the daemon was away for"), "{said}");
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends(), Some(0));
    drop(daemon);
    let after = recorded(&record("after.txt"));
    assert_eq!(after.len(), 1, "one frame from the first to the last: {after:?}");
    for id in ["key", "fill"] {
        let lamp = fixture(&lit, id);
        let slots = lamp["slots"].as_array().expect("slots").iter().map(|s| s.as_u64().expect("a byte"));
        let hex: String = slots.map(|byte| format!("{byte:02x}")).collect();
        let first = lamp["first_slot"].as_u64().expect("a slot") as usize - 1;
        assert_eq!(after[0][2 * first..2 * first + hex.len()], hex, "{id}");
    }

    // The same file of another boot of the machine: dark until asked.
    let text = std::fs::read_to_string(&state).expect("the state");
    let boot =
        text.split(r#""boot_id":""#).nth(1).and_then(|rest| rest.split('"').next()).expect("a boot id");
    std::fs::write(&state, text.replace(boot, "00000000-0000-4000-8000-000000000000")).expect("written");
    let mut daemon = run("reboot.txt");
    daemon.logged("the machine was started anew");
    set.until("frames run", |s| s["now"]["frame"].as_u64() > Some(20) && s["now"]["look"] == "dark");
    assert!(fixture(&set.status(), "key")["sent"]["lux"] == 0.0);
    assert!(set.exits(0, &["again"]).contains("bright"), "the way back is kept");
}

#[test]
fn a_state_folder_that_takes_nothing_is_told_once_and_the_light_goes_on() {
    let set = Set::new();
    // A file stands where the folder should be.
    set.write("state", "no folder");
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.exits(0, &["recall", "bright", "--over", "0s"]);
    daemon.logged("the state is not written");
    let status = set.until("it is in the status", |s| {
        s["alerts"].as_array().is_some_and(|a| a.iter().any(|a| a["kind"] == "state-not-written"))
    });
    assert_eq!(status["now"]["look"], "bright");
    std::fs::remove_file(set.path("state")).expect("removed");
    set.exits(0, &["recall", "half"]);
    daemon.logged("the state is written again");
    set.until("it is over", |s| {
        s["alerts"].as_array().is_some_and(|a| a.iter().all(|a| a["kind"] != "state-not-written"))
    });
}

/// The highest value of each of some slots (from 1) over all that a simulator has recorded.
fn highest(file: &Path, slots: &[usize]) -> Vec<u8> {
    let text = std::fs::read_to_string(file).expect("recorded");
    let frames: Vec<_> = text.lines().map_while(lampkeep::wire::sim::parse_line).collect();
    assert!(!frames.is_empty(), "nothing was sent");
    slots.iter().map(|slot| frames.iter().map(|f| f.slots[slot - 1]).max().unwrap_or(0)).collect()
}

/// Source: the requirement: no frame lights such a lamp between `protect on` and the confirmed off, through `kill -9`
/// and a restart; the state belongs to the machine, another plan included.
#[test]
fn what_protect_on_holds_stays_dark_through_kill_9_and_a_restart_that_lights_a_look() {
    let set = Set::new();
    set.write(
        "interview.toml",
        &PLAN.replace("on-stop = \"hold\"", "on-stop = \"hold\"\non-start = \"bright\""),
    );
    let mut daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.until("bright is lit", |s| fixture(s, "key")["sent"]["lux"].as_f64() > Some(100.0));
    let said = set.exits(0, &["protect", "on"]);
    daemon.signal(Signal::KILL);
    daemon.ends();
    drop(daemon);
    assert!(said.starts_with("protected · held at zero: lamp-1, lamp-2 · "), "{said}");
    assert!(set.path("state/protect.simulated.json").exists());
    assert!(!set.path("state/protect.json").exists(), "the simulator has a state of its own");

    // Another plan, under other names, whose start lights everything.
    let other =
        PLAN.replace("on-stop", "on-start = \"shine\"\nname = \"other\"\non-stop").replace("bright", "shine");
    set.write("other.toml", &other);
    for plan in ["interview.toml", "other.toml"] {
        let record = set.path("record.txt");
        let mut daemon = set.daemon(&["run", plan, "--simulate", "--record", "record.txt"]);
        set.until("two seconds", |s| s["now"]["uptime_s"].as_f64() > Some(2.0));
        let status = set.status();
        assert_eq!(status["protect"]["on"], true);
        assert_eq!(status["now"]["look"], "look-1");
        assert_eq!(fixture(&status, "lamp-1")["sent"]["lux"], 0.0);
        let error = set.exits(5, &["only", "key"]);
        assert!(error.contains("lamp-1 is held dark") && error.contains("lampkeep protect off"), "{error}");
        assert!(set.exits(0, &["sheet", plan]).contains("lamp-1  lamp lamp-1"));
        // Its record is whole then.
        daemon.signal(Signal::TERM);
        daemon.ends();
        daemon.drain();
        let log = daemon.seen.join("\n");
        assert!(log.contains("lamp-1 is held dark"), "{log}");
        assert!(!log.contains("key") && !log.contains("bright") && !log.contains("shine"), "{log}");
        drop(daemon);
        // Intensity of both lamps: their first slots.
        assert_eq!(highest(&record, &[1, 11]), [0, 0]);
    }
}

#[test]
fn protect_off_wants_its_code_and_binds_another_daemon_that_runs() {
    let set = Set::new();
    let _daemon = set.daemon(&["run", "interview.toml", "--simulate"]);
    set.write("other.toml", &PLAN.replace("on-stop", "name = \"other\"\non-stop"));
    let socket = set.path("other.sock");
    let mut command = set.command(&["run", "other.toml", "--simulate"]);
    command.env("LAMPKEEP_SOCKET", &socket);
    let _other = Daemon::start(command, &socket);
    let there = |args: &[&str]| {
        let out = set.command(args).env("LAMPKEEP_SOCKET", &socket).output().expect("it runs");
        String::from_utf8_lossy(&out.stdout).into_owned()
    };
    let other_says = |on: bool| {
        for _ in 0..300 {
            let status: Value = serde_json::from_str(&there(&["status", "--json"])).expect("JSON");
            if status["protect"]["on"] == on {
                return;
            }
            pause();
        }
        panic!("the other set never noticed");
    };
    there(&["recall", "bright", "--over", "0s"]);
    set.exits(1, &["protect", "off"]);
    set.exits(2, &["protect", "off", "12"]);
    set.exits(2, &["protect"]);
    set.exits(0, &["protect", "on"]);
    other_says(true);
    assert!(set.exits(5, &["protect", "off", "0000"]).contains("no code has been asked for"));
    let said = set.exits(0, &["protect", "off"]);
    let code = said.split("protect off ").nth(1).and_then(|s| s.get(..4)).expect("a code").to_owned();
    set.exits(0, &["protect", "off", &code]);
    other_says(false);
    let status: Value = serde_json::from_str(&there(&["status", "--json"])).expect("JSON");
    assert_eq!(fixture(&status, "key")["sent"]["lux"], 0.0, "dark until the next recall there too");
    assert_eq!(set.status()["protect"]["on"], false);
    std::fs::write(set.path("state/protect.simulated.json"), "{").expect("damaged");
    set.until("damaged counts as on", |s| s["protect"]["on"] == true);
    assert!(set.exits(0, &["status"]).contains("cannot be read, which counts as on"));
}
