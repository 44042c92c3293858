//! The daemon through hundreds of pulled plugs: the long form is `tests/long/soak.sh`.
//!
//! Two simulated interfaces, a raw and a framed one, are pulled and plugged in again at random instants,
//! each by a thread of its own, while looks change. Sources of what is expected: the plan below, of
//! linear lamps, by hand (80 % of 255 is 204); the requirement on the wire (a frame within 2 s of the plug's return, no wrong frame
//! ever); the requirement on dimming (a lamp that may be dark comes up softly, every other standing frame goes out unchanged).

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;
use lampkeep::wire::device::decode::{Decoder, Packet, Speaks};
use lampkeep::wire::device::{Device, Reads};
use rustix::process::{Pid, Signal, kill_process};

/// the requirement on the wire: frame back within 2 s of the plug's return.
const BACK_WITHIN: Duration = Duration::from_secs(2);
/// What two looks send to the lamp that holds and to the one of which nobody says it: 80 % and 40 %, 60 % and 20 %.
const WORK: [u8; 2] = [204, 102];
const EVENING: [u8; 2] = [153, 51];
const FADE: Duration = Duration::from_millis(500);
/// A lamp of which nobody says how long it holds may be dark after 1 s without a frame, and comes up over 1 s.
const MAY_BE_DARK: Duration = Duration::from_secs(1);
const SOFT_START: Duration = Duration::from_secs(1);
/// Room for the machine's own lateness in what is not the wire's promise.
const LATE: Duration = Duration::from_millis(500);

const PLAN: &str = r#"
on-start = "work"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.pier]
kind = "raw"
port = "pier"
universe = 1
[output.mole]
kind = "framed"
port = "mole"
universe = 2
[profile.holds]
cooling = "fan"
heat = "no limit"
when-frames-stop = "hold"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity" }, PINNED] }
[profile.unsaid]
cooling = "fan"
heat = "no limit"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity" }, { drives = "fixed", value = 99 }] }
[look.work]
pier-key = { of-full = "80 %" }
pier-fill = { of-full = "40 %" }
mole-key = { of-full = "80 %" }
mole-fill = { of-full = "40 %" }
[look.evening]
pier-key = { of-full = "60 %" }
pier-fill = { of-full = "20 %" }
mole-key = { of-full = "60 %" }
mole-fill = { of-full = "20 %" }
"#;

/// What a slot of the lamp that holds is pinned to, all but its first: whole universes, so that a port that is
/// stuck is full after 0.6 s, and each slot tells itself from its neighbours.
fn pinned(slot: usize) -> u8 {
    (slot * 7 % 251) as u8
}

fn plan() -> String {
    let slots: Vec<String> =
        (2..=510).map(|i| format!("{{ drives = \"fixed\", value = {} }}", pinned(i))).collect();
    [&PLAN.replace("PINNED", &slots.join(", ")), &fixtures()[..]].concat()
}

fn fixtures() -> String {
    let one = |id: &str, profile: &str, universe: u16, address: u16, clock: &str| {
        format!(
            "[fixture.{id}]\nprofile = \"{profile}\"\nuniverse = {universe}\naddress = {address}\n\
             clock = \"{clock}\"\nheight = \"1.9 m\"\ndistance = \"2 m\"\n"
        )
    };
    [
        one("pier-key", "holds", 1, 1, "7:30"),
        one("pier-fill", "unsaid", 1, 511, "4:30"),
        one("mole-key", "holds", 2, 1, "8:30"),
        one("mole-fill", "unsaid", 2, 511, "3:30"),
    ]
    .concat()
}

fn setting(name: &str, default: f64) -> f64 {
    std::env::var(name).map_or(default, |text| text.parse().unwrap_or_else(|e| panic!("{name}={text}: {e}")))
}

/// Pseudo-random numbers from a seed that is printed. Source: Steele, Lea, Flood 2014, SplitMix64 (from memory).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to 1.
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, from: f64, to: f64) -> Duration {
        Duration::from_secs_f64(from + (to - from) * self.share())
    }
}

/// What is asked of the light: levels that any frame may have from `since` on.
#[derive(Clone, Copy)]
struct Asked {
    before: [u8; 2],
    now: [u8; 2],
    /// From the moment before the recall was asked until it must have been carried out.
    moving: (Moment, Moment),
}

/// What the threads share.
struct Soak {
    clock: SystemClock,
    asked: Mutex<Asked>,
    /// No more plugs are pulled.
    over: AtomicBool,
    /// Interfaces that rest, plugged in and settled, for the last measurement.
    resting: AtomicU64,
    /// All has been measured.
    done: AtomicBool,
    pulls: AtomicU64,
    /// Raised while an interface is out or has not settled: no reading of the daemon's size then.
    unsettled: AtomicU64,
}

/// One interface, with what its lamps were sent since it was plugged in.
struct Plugged {
    device: Device,
    decoder: Decoder,
    since: Moment,
    first: Option<Moment>,
    /// The level of the lamp that may come up softly, in the last frame.
    fill: u8,
    frames: u64,
    bytes: Vec<u8>,
}

/// Figures of one interface.
#[derive(Default)]
struct Figures {
    back: Vec<Duration>,
    frames: u64,
    soft: u64,
    kinds: [u64; 4],
    swapped: u64,
}

struct Interface<'a> {
    soak: &'a Soak,
    name: PathBuf,
    speaks: Speaks,
    random: Random,
    figures: Figures,
    /// When the last frame was read, and when the plug was pulled: between the two the daemon sent its last.
    last: Option<Moment>,
    pulled: Option<Moment>,
}

impl Interface<'_> {
    fn plug_in(&self) -> Plugged {
        let device = Device::plug_in(Some(&self.name), self.soak.clock).unwrap();
        Plugged {
            device,
            // A late reader may find the first two in one.
            decoder: Decoder::new(self.speaks).expecting(512),
            since: self.soak.clock.now(),
            first: None,
            fill: 0,
            frames: 0,
            bytes: Vec::new(),
        }
    }

    /// Reads for `span`, looking at every frame.
    fn read(&mut self, plugged: &mut Plugged, span: Duration) {
        let clock = self.soak.clock;
        let until = clock.now() + span;
        loop {
            let now = clock.now();
            if now >= until {
                return;
            }
            let wait = until.after(now).min(Duration::from_millis(6));
            if plugged.device.read(wait, &mut plugged.bytes).unwrap() {
                plugged.decoder.feed(&plugged.bytes, clock.now());
                plugged.bytes.clear();
            } else {
                plugged.decoder.quiet(clock.now());
            }
            while let Some(packet) = plugged.decoder.next_packet() {
                self.look_at(plugged, &packet);
            }
            let figures = plugged.decoder.figures();
            assert_eq!((figures.broken, figures.stray), (0, 0), "{}: {figures:?}", self.name.display());
            let waited = clock.now().after(plugged.since);
            assert!(
                plugged.first.is_some() || waited <= BACK_WITHIN,
                "{}: no frame {waited:?} after the plug's return",
                self.name.display()
            );
        }
    }

    /// Every frame: right, or on its softly rising way there.
    fn look_at(&mut self, plugged: &mut Plugged, packet: &Packet) {
        let asked = *self.soak.asked.lock().unwrap();
        let moving = packet.at + LATE >= asked.moving.0 && packet.at <= asked.moving.1 + LATE;
        let most = |i: usize| if moving { asked.before[i].max(asked.now[i]) } else { asked.now[i] };
        let least = |i: usize| if moving { asked.before[i].min(asked.now[i]) } else { asked.now[i] };
        let name = self.name.display();
        let said = || format!("{name}: frame {} of this plug: {:?}", plugged.frames, &packet.slots[..8]);

        assert_eq!(packet.slots.len(), 512, "{}", said());
        let [key, fixed @ .., fill, ninety_nine] = &packet.slots[..] else { unreachable!() };
        let wrong = fixed.iter().enumerate().find(|(i, slot)| **slot != pinned(i + 2));
        assert_eq!((wrong, *ninety_nine), (None, 99), "{}", said());
        assert!((least(0)..=most(0)).contains(key), "{}; {}..={}", said(), least(0), most(0));

        // How long the daemon had sent nothing, at the least and at the most.
        let since = |at: Option<Moment>| at.map_or(Duration::MAX, |at| packet.at.after(at));
        let gap = [since(self.pulled), since(self.last)];
        let standing = (least(1)..=most(1)).contains(fill);
        if let Some(first) = plugged.first {
            let up = packet.at.after(first);
            assert!(*fill <= most(1), "{}", said());
            assert!(moving || *fill >= plugged.fill, "{} after {}", said(), plugged.fill);
            assert!(standing || up <= SOFT_START + 2 * LATE, "{}: {up:?} after the first", said());
        } else {
            self.figures.back.push(packet.at.after(plugged.since));
            assert!(standing || gap[1].saturating_add(LATE) >= MAY_BE_DARK, "{} after {gap:?}", said());
            assert!(*fill == 0 || gap[0] <= MAY_BE_DARK + LATE, "{}: lit at once after {gap:?}", said());
            self.figures.soft += u64::from(*fill == 0);
            plugged.first = Some(packet.at);
        }
        plugged.fill = *fill;
        plugged.frames += 1;
        self.figures.frames += 1;
        self.last = Some(packet.at);
    }

    /// Pulls and returns the plug again and again, `cycle` seconds on average from pull to pull.
    fn work(mut self, cycle: f64) -> Figures {
        let clock = self.soak.clock;
        let mut plugged = self.plug_in();
        while !self.soak.over.load(Ordering::Relaxed) {
            let gap = match self.random.share() {
                s if s < 0.3 => self.random.between(0.0, 0.3),
                s if s < 0.7 => self.random.between(0.3, 1.5),
                _ => self.random.between(1.5, 5.0),
            };
            let gap = gap.min(Duration::from_secs_f64(0.4 * cycle));
            let lit = (cycle - gap.as_secs_f64()).max(2.5);
            let settle = SOFT_START + 3 * LATE;
            self.read(&mut plugged, settle);
            self.soak.unsettled.fetch_sub(1, Ordering::Relaxed);
            let rest = self.random.between(0.5, 1.5).as_secs_f64() * lit - settle.as_secs_f64();
            self.read(&mut plugged, Duration::from_secs_f64(rest.max(0.2)));
            self.soak.unsettled.fetch_add(1, Ordering::Relaxed);

            let kind = match self.random.share() {
                s if s < 0.5 => 0,
                s if s < 0.7 => 1,
                s if s < 0.85 => 2,
                _ => 3,
            };
            self.figures.kinds[kind] += 1;
            let port = plugged.device.port().to_owned();
            match kind {
                // Between two frames or in one, as it comes.
                0 => {}
                // Stuck until its buffer is full, then pulled in the middle of a write.
                1 => {
                    plugged.device.set_reads(Reads::Nothing);
                    clock.sleep_until(clock.now() + self.random.between(0.3, 1.6));
                }
                // As soon as the first bytes of a frame have come.
                2 => while !plugged.device.read(Duration::from_millis(50), &mut plugged.bytes).unwrap() {},
                // The name leads to another port before the old one goes.
                _ => {
                    let new = self.plug_in();
                    drop(std::mem::replace(&mut plugged, new));
                    plugged.since = clock.now();
                }
            }
            self.pulled = Some(clock.now());
            if kind < 3 {
                drop(plugged);
                clock.sleep_until(clock.now() + gap);
                plugged = self.plug_in();
            }
            self.figures.swapped += u64::from(plugged.device.port() != port);
            self.soak.pulls.fetch_add(1, Ordering::Relaxed);
        }
        self.read(&mut plugged, SOFT_START + 3 * LATE);
        self.soak.unsettled.fetch_sub(1, Ordering::Relaxed);
        self.soak.resting.fetch_add(1, Ordering::Relaxed);
        // Both stay plugged in until the daemon has been looked at.
        while !self.soak.done.load(Ordering::Relaxed) {
            self.read(&mut plugged, Duration::from_millis(50));
        }
        self.figures
    }
}

struct Daemon {
    child: Child,
    folder: PathBuf,
}

impl Daemon {
    fn command(folder: &Path, args: &[&str]) -> Command {
        let mut command = Command::new(folder.join("lampkeep"));
        command
            .args(args)
            .current_dir(folder)
            .env_remove("NOTIFY_SOCKET")
            .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
            .env("LAMPKEEP_STATE", folder.join("state"))
            .env("NO_COLOR", "1")
            .stdin(Stdio::null());
        command
    }

    fn start(folder: &Path, clock: SystemClock) -> Self {
        let log = std::fs::File::create(folder.join("log")).unwrap();
        let child = Self::command(folder, &["run", "plan.toml"]).stderr(log).stdout(Stdio::null()).spawn();
        let daemon = Self { child: child.unwrap(), folder: folder.to_owned() };
        while UnixStream::connect(folder.join("s.sock")).is_err() {
            clock.sleep_until(clock.now() + Duration::from_millis(20));
            assert!(clock.now().elapsed() < Duration::from_secs(30), "{}", daemon.log());
        }
        daemon
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    fn ask(&self, args: &[&str]) -> String {
        let out = Self::command(&self.folder, args).output().unwrap();
        assert!(out.status.success(), "{args:?}: {out:?}\n{}", self.log());
        String::from_utf8(out.stdout).unwrap()
    }

    fn proc(&self, name: &str) -> PathBuf {
        PathBuf::from(format!("/proc/{}/{name}", self.child.id()))
    }

    /// Open descriptors, threads, resident kB.
    fn size(&self) -> [u64; 3] {
        let status = std::fs::read_to_string(self.proc("status")).unwrap();
        let number = |key: &str| -> u64 {
            let line = status.lines().find(|line| line.starts_with(key)).unwrap();
            line.split_whitespace().nth(1).unwrap().parse().unwrap()
        };
        let open = std::fs::read_dir(self.proc("fd")).unwrap().count() as u64;
        [open, number("Threads:"), number("VmRSS:")]
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Already gone where all went well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The 50th, 99th and 100th percentile.
fn percentiles(mut spans: Vec<Duration>) -> [Duration; 3] {
    spans.sort_unstable();
    let at = |share: f64| spans[((spans.len() - 1) as f64 * share).ceil() as usize];
    [at(0.5), at(0.99), at(1.0)]
}

/// Sets the new look's levels and what may be seen meanwhile, and asks for it.
fn change(soak: &Soak, daemon: &Daemon, look: &str, levels: [u8; 2]) {
    let now = soak.clock.now();
    {
        let mut asked = soak.asked.lock().unwrap();
        // Until the answer has come nobody knows when it is carried out.
        let before = if asked.moving.0 == Moment::START { [0; 2] } else { asked.now };
        *asked = Asked { before, now: levels, moving: (now, now + Duration::from_secs(60)) };
    }
    daemon.ask(&["recall", look, "--over", "0.5s"]);
    let mut asked = soak.asked.lock().unwrap();
    asked.moving.1 = soak.clock.now() + FADE;
}

/// Waits until both interfaces are settled, then reads the daemon's size; `None` if `ended` first.
fn settled_size(soak: &Soak, daemon: &Daemon, ended: impl Fn() -> bool) -> Option<[u64; 3]> {
    let settled = || soak.unsettled.load(Ordering::Relaxed) == 0;
    while !ended() {
        if settled() {
            let size = daemon.size();
            if settled() {
                return Some(size);
            }
        }
        soak.clock.sleep_until(soak.clock.now() + Duration::from_millis(10));
    }
    None
}

#[test]
#[ignore = "half an hour; tests/long/soak.sh"]
fn pulled_plugs_lose_no_more_than_their_own_frames() {
    let minutes = setting("LAMPKEEP_SOAK_MINUTES", 30.0);
    let pulls = setting("LAMPKEEP_SOAK_PULLS", 200.0) as u64;
    let seed = setting("LAMPKEEP_SOAK_SEED", f64::from(std::process::id())) as u64;
    println!("soak: {minutes} min, {pulls} pulls, seed {seed}");
    let length = Duration::from_secs_f64(60.0 * minutes);

    let folder = tempfile::tempdir().unwrap();
    // A copy: a build in this half hour changes nothing here.
    std::fs::copy(env!("CARGO_BIN_EXE_lampkeep"), folder.path().join("lampkeep")).unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan()).unwrap();
    let clock = SystemClock::start();
    let none_yet = Asked { before: [0; 2], now: WORK, moving: (Moment::START, clock.now() + length) };
    let soak = Arc::new(Soak {
        clock,
        asked: Mutex::new(none_yet),
        over: AtomicBool::new(false),
        resting: AtomicU64::new(0),
        done: AtomicBool::new(false),
        pulls: AtomicU64::new(0),
        unsettled: AtomicU64::new(2),
    });
    let mut daemon = Daemon::start(folder.path(), clock);
    change(&soak, &daemon, "work", WORK);
    // Of a first start nothing is known before it: every lamp may be dark, and comes up softly.
    soak.asked.lock().unwrap().moving.1 = clock.now() + BACK_WITHIN + SOFT_START;

    let cycle = length.as_secs_f64() / (pulls as f64 / 2.0);
    assert!(cycle >= 4.0, "{pulls} pulls in {minutes} min are too many: 4 s a pull and interface at least");
    let interface = |name: &str, speaks, salt: u64| {
        let (soak, name) = (Arc::clone(&soak), folder.path().join(name));
        std::thread::spawn(move || {
            let random = Random(seed.wrapping_mul(2).wrapping_add(salt));
            let figures = Figures::default();
            Interface { soak: &soak, name, speaks, random, figures, last: None, pulled: None }.work(cycle)
        })
    };
    let from = clock.now();
    let threads = [interface("pier", Speaks::Raw, 0), interface("mole", Speaks::Framed, 1)];

    let mut random = Random(seed ^ 0xC0FF_EE00);
    let (mut changes, mut first_size, mut work) = (0_u64, None, true);
    clock.sleep_until(clock.now() + BACK_WITHIN + SOFT_START + 2 * LATE);
    let pulled = || soak.pulls.load(Ordering::Relaxed);
    let ended = || threads.iter().any(std::thread::JoinHandle::is_finished);
    while pulled() < pulls || clock.now().after(from) < length {
        clock.sleep_until(clock.now() + random.between(0.25 * cycle, 0.75 * cycle));
        if ended() {
            break;
        }
        work = !work;
        let (look, levels) = if work { ("work", WORK) } else { ("evening", EVENING) };
        change(&soak, &daemon, look, levels);
        changes += 1;
        // Sizes are compared from a tenth of the way on: by then every path has been gone.
        if first_size.is_none() && pulled() >= pulls.div_ceil(10) {
            first_size = settled_size(&soak, &daemon, ended);
        }
        assert!(daemon.child.try_wait().unwrap().is_none(), "the daemon ended\n{}", daemon.log());
    }
    let took = clock.now().after(from);
    soak.over.store(true, Ordering::Relaxed);
    while soak.resting.load(Ordering::Relaxed) < 2 && !ended() {
        clock.sleep_until(clock.now() + Duration::from_millis(10));
    }
    // `status` is a second old at the most.
    clock.sleep_until(clock.now() + Duration::from_millis(1500));
    let last_size = settled_size(&soak, &daemon, ended);
    let status = daemon.ask(&["status", "--json"]);
    soak.done.store(true, Ordering::Relaxed);
    let in_all = pulled();
    let finished = threads.map(|thread| thread.join());
    let figures =
        finished.map(|f| f.unwrap_or_else(|_| panic!("seen above; the daemon said:\n{}", daemon.log())));
    let status: serde_json::Value = serde_json::from_str(&status).unwrap();
    kill_process(Pid::from_child(&daemon.child), Signal::TERM).unwrap();
    let code = daemon.child.wait().unwrap();

    let (first_size, last_size) = (first_size.unwrap(), last_size.unwrap());
    println!("  {:.1} min, {in_all} pulls, {changes} changes of look", took.as_secs_f64() / 60.0);
    for (name, f) in ["raw", "framed"].iter().zip(&figures) {
        let [p50, p99, max] = percentiles(f.back.clone()).map(|span| span.as_millis());
        println!(
            "  {name}: {} frames, all right; frame back after the plug's return p50 {p50} ms, p99 {p99} ms, max \
             {max} ms; {} soft starts; pulled at random {}, stuck {}, at a frame's start {}, replaced {}; {} \
             times another port's name",
            f.frames, f.soft, f.kinds[0], f.kinds[1], f.kinds[2], f.kinds[3], f.swapped
        );
    }
    for output in status["outputs"].as_array().unwrap() {
        println!(
            "  {}: {} frames, reopened {}, last gap {} s, late p50 {} us, p99.9 {} us",
            output["name"],
            output["frames"],
            output["reopened"],
            output["last_gap_s"],
            output["late_us_p50"],
            output["late_us_p999"]
        );
    }
    let stalls = daemon.log().matches("write-deadline").count();
    println!("  {stalls} times a port was full and a write came short before its plug was pulled");
    println!("  descriptors, threads, resident kB: {first_size:?} after a tenth, {last_size:?} at the end");
    assert_eq!(code.code(), Some(0), "{}", daemon.log());
    assert_eq!(first_size[..2], last_size[..2], "descriptors, threads");
    assert!(last_size[2] <= first_size[2] + 1024, "resident memory grew by over 1 MB");
    assert!(in_all >= pulls);
    let reopened: u64 =
        status["outputs"].as_array().unwrap().iter().map(|o| o["reopened"].as_u64().unwrap()).sum();
    assert!(reopened >= in_all, "{reopened} times reopened");
}
