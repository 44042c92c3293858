//! What the service costs: start to first frame, resident memory, and processor time while a look stands and in the
//! middle of a fade, on one serial output and with 1, 8 and 64 universes on the network. Each beside a floor of the same
//! run: a bare process that opens the same output and sends as many bytes at the same deadlines, and does nothing else.
//!
//! Run with `cargo bench --bench service` (`-- --seconds 8` for longer turns, `--rounds 9` for more).
//! `LAMPKEEP_BINARY` names another binary than the one just built. With `-- --unit`, as root where systemd runs and the
//! package is installed, it is the service itself, `lampkeep@bench`: started by systemd, in its sandbox.
//! Turns alternate; each figure is the median of its turns, each ratio the median of the pairs, with the least and
//! the greatest. Nobody reads the network's packets; what comes of the serial port is thrown away. Nothing passes or
//! fails by time.

use std::io::Write;
use std::net::{SocketAddr, UdpSocket};
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

#[path = "daemon.rs"]
#[expect(dead_code, reason = "each bench uses its own part")]
mod daemon;

use daemon::{Client, option};

/// Frames a second: the daemon's default.
const RATE: u32 = 40;
/// A network packet's and a framed message's length in bytes. Source: ANSI E1.31, table 4-1: 126 and 512 slots; the
/// message's four bytes before and one behind, and the start code (docs/wire.md).
const PACKET: usize = 638;
const MESSAGE: usize = 518;
/// Network outputs that are tried, by their number of universes.
const SIZES: [u16; 3] = [1, 8, 64];
/// Longest wait for a first frame.
const PATIENCE: Duration = Duration::from_secs(10);
const UNIT_PLAN: &str = "/etc/lampkeep/bench.toml";

/// Where frames go, and how many each turn.
#[derive(Clone)]
enum To {
    Serial(PathBuf),
    Network(SocketAddr, u16),
}

/// The far end: tells when the first bytes come after a start.
struct Far {
    first: mpsc::Receiver<Moment>,
    stop: Arc<AtomicBool>,
    to: To,
    _keep: Option<UdpSocket>,
}

impl Far {
    fn network(universes: u16, clock: SystemClock) -> Self {
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
        let reader = socket.try_clone().expect("the same");
        reader.set_read_timeout(Some(PATIENCE)).expect("a limit");
        let to = To::Network(socket.local_addr().expect("its address"), universes);
        let (send, first) = mpsc::channel();
        std::thread::spawn(move || {
            let mut bytes = [0; PACKET];
            if reader.recv(&mut bytes).is_ok() {
                let _ = send.send(clock.now());
            }
        });
        Self { first, stop: Arc::default(), to, _keep: Some(socket) }
    }

    fn serial(link: &Path, clock: SystemClock) -> Self {
        let pty = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pty");
        grantpt(&pty).and_then(|()| unlockpt(&pty)).expect("usable");
        let name = ptsname(&pty, Vec::new()).expect("its name");
        let _ = std::fs::remove_file(link);
        std::os::unix::fs::symlink(std::ffi::OsStr::from_bytes(name.as_bytes()), link).expect("a link");
        let (send, first) = mpsc::channel();
        let stop = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&stop);
        std::thread::spawn(move || drain(&pty, clock, &send, &ends));
        Self { first, stop, to: To::Serial(link.to_owned()), _keep: None }
    }

    /// Time from a moment to the first bytes.
    fn first_after(&self, from: Moment) -> Duration {
        self.first.recv_timeout(PATIENCE).map_or(Duration::MAX, |at| at.after(from))
    }
}

impl Drop for Far {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
    }
}

fn drain(pty: &OwnedFd, clock: SystemClock, first: &mpsc::Sender<Moment>, stop: &AtomicBool) {
    let mut bytes = [0; 4096];
    let mut told = false;
    while !stop.load(Ordering::Acquire) {
        // Before somebody opens the other end there is nobody there, which is an error at once.
        let Ok(count) = rustix::io::read(pty, &mut bytes) else {
            clock.sleep_until(clock.now() + Duration::from_millis(1));
            continue;
        };
        if count > 0 && !std::mem::replace(&mut told, true) {
            let _ = first.send(clock.now());
        }
    }
}

/// One turn's figures.
#[derive(Clone, Copy)]
struct Cost {
    first_ms: f64,
    memory_mb: f64,
    idle: f64,
    fading: f64,
}

/// Resident memory in MB. Source: proc(5), `VmRSS`.
fn memory_mb(pid: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap_or_default();
    line.split_whitespace().next().and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1024.0
}

/// Nanoseconds on a processor of every thread. Source: Linux, sched-stats: the first field.
fn cpu_ns(pid: u32) -> u64 {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().filter_map(Result::ok);
    let of = |task: std::fs::DirEntry| {
        std::fs::read_to_string(task.path().join("schedstat")).ok()?.split(' ').next()?.parse::<u64>().ok()
    };
    tasks.filter_map(of).sum()
}

/// Percent of a processor over so long.
fn load(pid: u32, clock: SystemClock, time: Duration) -> f64 {
    let (from, before) = (clock.now(), cpu_ns(pid));
    clock.sleep_until(from + time);
    let spent = cpu_ns(pid).saturating_sub(before) as f64;
    spent / clock.now().after(from).as_nanos() as f64 * 100.0
}

/// One lamp on each universe; both looks change every one of them.
fn plan(to: &To) -> String {
    let mut text = String::from(
        "name = \"bench\"\non-stop = \"hold\"\n[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n",
    );
    let universes = match to {
        To::Serial(port) => {
            text += &format!("[output.desk]\nkind = \"framed\"\nport = \"{}\"\n", port.display());
            1
        }
        To::Network(address, universes) => {
            let of = if *universes == 1 {
                "universe = 1".to_owned()
            } else {
                format!("universes = \"1-{universes}\"")
            };
            text += &format!("[output.desk]\nkind = \"e131\"\n{of}\nunicast = [\"{address}\"]\n");
            *universes
        }
    };
    let (mut one, mut two) = (String::from("[look.one]\n"), String::from("[look.two]\nkelvin = 4300\n"));
    for n in 1..=universes {
        text += &format!(
            "[fixture.l{n}]\nprofile = \"bicolour-mat\"\nuniverse = {n}\naddress = 1\nclock = \"7:30\"\ndistance = \"1.5 m\"\n"
        );
        one += &format!("l{n} = {{ stops = -6 }}\n");
        two += &format!("l{n} = {{ stops = -4 }}\n");
    }
    text + &one + &two
}

/// The daemon, started directly or as the service.
enum Daemon {
    Child(Child),
    Unit,
}

impl Daemon {
    fn systemctl(words: &[&str]) -> String {
        let out = Command::new("systemctl").args(words).output().expect("systemctl");
        String::from_utf8_lossy(&out.stdout).trim().to_owned()
    }

    fn pid(&self) -> u32 {
        match self {
            Self::Child(child) => child.id(),
            Self::Unit => Self::systemctl(&["show", "--property=MainPID", "--value", "lampkeep@bench"])
                .parse()
                .expect("a process"),
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        match self {
            Self::Child(child) => {
                let _ = child.kill();
                let _ = child.wait();
            }
            Self::Unit => {
                Self::systemctl(&["stop", "lampkeep@bench"]);
                Self::systemctl(&["reset-failed", "lampkeep@bench"]);
            }
        }
    }
}

fn lampkeep_turn(far: &Far, folder: &Path, unit: bool, clock: SystemClock, time: Duration) -> Cost {
    let text = plan(&far.to);
    let file = if unit { PathBuf::from(UNIT_PLAN) } else { folder.join("plan.toml") };
    std::fs::write(&file, text).expect("written");
    // What the run before kept would be lit at once.
    let _ = std::fs::remove_dir_all(folder.join("state"));
    let mut command = daemon::lampkeep(folder, &["run", "plan.toml"]);
    if let Some(binary) = std::env::var_os("LAMPKEEP_BINARY") {
        command = Command::new(binary);
        command.args(["run", "plan.toml"]).current_dir(folder).env("LAMPKEEP_SOCKET", folder.join("s.sock"));
        command.env("LAMPKEEP_STATE", folder.join("state")).env_remove("NOTIFY_SOCKET");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    }
    let from = clock.now();
    let daemon = if unit {
        Daemon::systemctl(&["start", "--no-block", "lampkeep@bench"]);
        Daemon::Unit
    } else {
        Daemon::Child(command.spawn().expect("it starts"))
    };
    let first = far.first_after(from);
    let socket = if unit { PathBuf::from("/run/lampkeep/bench.sock") } else { folder.join("s.sock") };
    let mut client = Client::at(&socket).expect("it answers");
    let mut ask = |request: &str| {
        client.send(request).expect("sent");
        let answer = client.answer();
        assert!(answer["ok"] == true, "{request}: {answer}");
    };
    let pid = daemon.pid();
    ask(r#"{"do":"recall","look":"one","over_s":0}"#);
    clock.sleep_until(clock.now() + Duration::from_secs(1));
    let idle = load(pid, clock, time);
    ask(&format!(r#"{{"do":"recall","look":"two","over_s":{}}}"#, time.as_secs() + 2));
    clock.sleep_until(clock.now() + Duration::from_millis(500));
    let fading = load(pid, clock, time);
    Cost { first_ms: first.as_secs_f64() * 1e3, memory_mb: memory_mb(pid), idle, fading }
}

fn floor_turn(far: &Far, clock: SystemClock, time: Duration) -> Cost {
    let mut command = Command::new(std::env::current_exe().expect("this"));
    match &far.to {
        To::Serial(port) => command.arg("--floor-serial").arg(port),
        To::Network(address, universes) => {
            command.arg("--floor-network").args([address.to_string(), universes.to_string()])
        }
    };
    let from = clock.now();
    let child = command.stdin(Stdio::null()).spawn().expect("it starts");
    let floor = Daemon::Child(child);
    let first = far.first_after(from);
    clock.sleep_until(clock.now() + Duration::from_millis(500));
    let load = load(floor.pid(), clock, time);
    Cost { first_ms: first.as_secs_f64() * 1e3, memory_mb: memory_mb(floor.pid()), idle: load, fading: load }
}

/// The bare process: never ends by itself.
fn floor(mut send: impl FnMut(u64)) -> ! {
    let clock = SystemClock::start();
    let _ = rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1));
    for k in 0_u64.. {
        clock.sleep_until(Moment::START + Duration::from_nanos(k * 1_000_000_000 / u64::from(RATE)));
        send(k);
    }
    unreachable!("no machine runs that long");
}

fn floor_network(to: &str, universes: usize) -> ! {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    socket.connect(to).expect("an address");
    let mut packets = vec![[0_u8; PACKET]; universes];
    floor(|k| {
        for packet in &mut packets {
            packet[111] = k as u8;
            let _ = socket.send(packet);
        }
    })
}

fn floor_serial(port: &str) -> ! {
    let mut file = std::fs::File::options().read(true).write(true).open(port).expect("a port");
    let mut raw = tcgetattr(&file).expect("a terminal");
    raw.make_raw();
    tcsetattr(&file, OptionalActions::Now, &raw).expect("set");
    let mut message = [0_u8; MESSAGE];
    floor(|k| {
        message[5] = k as u8;
        let _ = file.write_all(&message);
    })
}

fn median(mut values: Vec<f64>) -> (f64, f64, f64) {
    values.sort_by(f64::total_cmp);
    (values[values.len() / 2], values[0], values[values.len() - 1])
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [_, "--floor-network", to, universes] => floor_network(to, universes.parse().expect("a number")),
        [_, "--floor-serial", port] => floor_serial(port),
        _ => {}
    }
    // `cargo test --all-targets` runs this file too: it must build, and measures nothing there.
    if !arguments.iter().any(|a| a == "--bench") {
        return;
    }
    let unit = arguments.iter().any(|a| a == "--unit");
    let (time, rounds) = (Duration::from_secs(option("seconds", 4)), option("rounds", 5_usize));
    let clock = SystemClock::start();
    let folder = tempfile::tempdir().expect("a folder");
    println!("{RATE} frames a second, {rounds} alternating turns; lampkeep, floor, ratio (least..greatest)");
    let link = folder.path().join("port");
    // A serial port of the test's making is none that the service may open.
    let serial = (!unit).then_some(0);
    for size in serial.into_iter().chain(SIZES) {
        let far = || match size {
            0 => Far::serial(&link, clock),
            _ => Far::network(size, clock),
        };
        let mut turns = Vec::new();
        for _ in 0..rounds {
            let ours = lampkeep_turn(&far(), folder.path(), unit, clock, time);
            turns.push((ours, floor_turn(&far(), clock, time)));
        }
        match size {
            0 => println!("one serial output"),
            1 => println!("1 universe on the network"),
            _ => println!("{size} universes on the network"),
        }
        let row = |name: &str, of: fn(&Cost) -> f64| {
            let ours = median(turns.iter().map(|(ours, _)| of(ours)).collect()).0;
            let floor = median(turns.iter().map(|(_, floor)| of(floor)).collect()).0;
            let (ratio, least, most) =
                median(turns.iter().map(|(ours, floor)| of(ours) / of(floor)).collect());
            println!("  {name:32} {ours:8.2}  {floor:8.2}  {ratio:6.1} ({least:.1}..{most:.1})");
        };
        row("start to first frame, ms", |c| c.first_ms);
        row("resident memory, MB", |c| c.memory_mb);
        row("a look stands, % of a processor", |c| c.idle);
        row("mid-fade, % of a processor", |c| c.fading);
    }
    if unit {
        let _ = std::fs::remove_file(UNIT_PLAN);
    }
}
