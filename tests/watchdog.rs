//! The service manager's watchdog, with a manager of the test's making: a stuck engine goes hungry and is started again
//! with its light, whatever doors and broker do costs no start. One thread of the daemon is stopped alone by ptrace(2),
//! as nothing else can that works from outside.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/broker.rs"]
mod broker;

use std::os::unix::net::{UnixDatagram, UnixStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use broker::{Broker, Reader};
use lampkeep::clock::{Clock, SystemClock};
use rumqttc::v5::MqttOptions;
use rumqttc::v5::mqttbytes::QoS;
use rustix::process::Signal;
use serde_json::Value;

/// What the manager gives; the unit gives ten times as much.
const LIMIT: Duration = Duration::from_secs(1);
/// Long enough for a machine under load; nothing takes this long that works.
const PATIENCE: Duration = Duration::from_secs(30);

struct Service {
    dir: tempfile::TempDir,
    manager: UnixDatagram,
    child: Option<Child>,
    clock: SystemClock,
}

impl Service {
    fn new(more: &str) -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let plan = format!(
            r#"
name = "watch"
fade = "0 s"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.quay-dusk]
key = {{ stops = -1 }}
{more}
"#
        );
        std::fs::write(dir.path().join("plan.toml"), plan).expect("written");
        let manager = UnixDatagram::bind(dir.path().join("notify")).expect("a socket");
        let mut service = Self { dir, manager, child: None, clock: SystemClock::start() };
        service.start();
        service
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command
            .args(args)
            .current_dir(self.dir.path())
            .env("LAMPKEEP_SOCKET", self.socket())
            .env("LAMPKEEP_STATE", self.dir.path().join("state"))
            .env_remove("NOTIFY_SOCKET")
            .env("NO_COLOR", "1")
            .stdin(Stdio::null());
        command
    }

    fn socket(&self) -> PathBuf {
        self.dir.path().join("s.sock")
    }

    fn start(&mut self) {
        let log = std::fs::File::options().create(true).append(true).open(self.dir.path().join("log"));
        let child = self
            .command(&["run", "plan.toml"])
            .env("NOTIFY_SOCKET", self.dir.path().join("notify"))
            .env("WATCHDOG_USEC", LIMIT.as_micros().to_string())
            .env_remove("WATCHDOG_PID")
            .stderr(log.expect("a file"))
            .stdout(Stdio::null())
            .spawn();
        self.child = Some(child.expect("it starts"));
        self.hears("READY=1", PATIENCE).expect("it is ready");
    }

    fn pid(&self) -> u32 {
        self.child.as_ref().expect("it runs").id()
    }

    /// A thread that is held stays with who holds it, also when it is dead: let it go before the process can end.
    fn kill(&mut self, held: Option<Stuck>) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            drop(held);
            let _ = child.wait();
        }
    }

    /// Waits for a word to the manager, and tells how long that took.
    fn hears(&self, what: &str, within: Duration) -> Option<Duration> {
        let from = self.clock.now();
        loop {
            let left = within.checked_sub(self.clock.now().after(from)).filter(|left| !left.is_zero())?;
            self.manager.set_read_timeout(Some(left)).expect("a limit");
            let mut bytes = [0; 1024];
            let count = self.manager.recv(&mut bytes).ok()?;
            if String::from_utf8_lossy(&bytes[..count]).contains(what) {
                return Some(self.clock.now().after(from));
            }
        }
    }

    /// Checks that the watchdog is fed in time for so long.
    fn is_fed_for(&self, time: Duration, while_what: &str) {
        let from = self.clock.now();
        let mut longest = Duration::ZERO;
        while self.clock.now().after(from) < time {
            let waited = self.hears("WATCHDOG=1", LIMIT);
            longest = longest.max(waited.unwrap_or_else(|| panic!("hungry {while_what}: {}", self.log())));
        }
        println!("fed at least every {longest:.0?} {while_what}");
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.dir.path().join("log")).unwrap_or_default()
    }

    fn asks(&self, args: &[&str]) -> String {
        let out = self.command(args).output().expect("it runs");
        assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8_lossy(&out.stdout).into_owned()
    }

    /// Its status once a look stands lit.
    fn landed(&self) -> Value {
        for _ in 0..1000 {
            let status = self.status();
            let lit = status["fixtures"][0]["sent"]["lux"].as_f64().is_some_and(|lux| lux > 0.0);
            if lit && status["now"]["fading"] == false {
                return status;
            }
            pause(10);
        }
        panic!("nothing stands lit: {}", self.log());
    }

    fn status(&self) -> Value {
        serde_json::from_str(&self.asks(&["status", "--json"])).expect("JSON")
    }

    /// The thread of that name. Source: proc(5), `/proc/PID/task/TID/comm`.
    fn thread(&self, name: &str) -> i32 {
        let tasks = std::fs::read_dir(format!("/proc/{}/task", self.pid())).expect("it runs");
        let is =
            |path: &PathBuf| std::fs::read_to_string(path.join("comm")).is_ok_and(|comm| comm.trim() == name);
        let found = tasks.filter_map(Result::ok).map(|task| task.path()).find(is);
        let found = found.unwrap_or_else(|| panic!("no thread `{name}`"));
        found.file_name().and_then(|id| id.to_str()).and_then(|id| id.parse().ok()).expect("a number")
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.kill(None);
    }
}

/// A thread that stands still until this is dropped, by the thread that made it; the others of its process go on.
struct Stuck(i32);

impl Stuck {
    /// Source: ptrace(2), `PTRACE_SEIZE` and `PTRACE_INTERRUPT`.
    fn hold(thread: i32) -> Self {
        assert_eq!(ptrace(libc::PTRACE_SEIZE, thread), 0, "ptrace: {}", std::io::Error::last_os_error());
        assert_eq!(ptrace(libc::PTRACE_INTERRUPT, thread), 0, "ptrace: {}", std::io::Error::last_os_error());
        for _ in 0..1000 {
            let stat = std::fs::read_to_string(format!("/proc/{thread}/stat")).expect("it lives");
            // Source: proc(5): `t` is a tracing stop.
            if stat.rsplit(')').next().is_some_and(|rest| rest.trim_start().starts_with('t')) {
                return Self(thread);
            }
            pause(5);
        }
        panic!("it does not stop");
    }
}

impl Drop for Stuck {
    fn drop(&mut self) {
        if ptrace(libc::PTRACE_DETACH, self.0) != 0 {
            // It has been killed.
            reap(self.0);
        }
    }
}

#[expect(unsafe_code, reason = "neither std nor rustix has ptrace")]
fn ptrace(request: libc::c_uint, thread: i32) -> libc::c_long {
    let none = std::ptr::null_mut::<libc::c_void>();
    // SAFETY: none of the three requests reads or writes memory of this process.
    unsafe { libc::ptrace(request, thread, none, none) }
}

/// Takes note of the end of a thread that was held. Source: waitpid(2), `__WALL`.
#[expect(unsafe_code, reason = "rustix's waitpid has no `__WALL`, which other processes' threads need")]
fn reap(thread: i32) {
    // SAFETY: no status is asked for, so that nothing is written.
    let _ = unsafe { libc::waitpid(thread, std::ptr::null_mut(), libc::__WALL) };
}

fn pause(ms: u64) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(ms));
}

#[test]
fn a_stuck_engine_goes_hungry_says_so_and_comes_back_with_its_light_when_it_is_started_again() {
    let mut service = Service::new("");
    service.is_fed_for(2 * LIMIT, "with nothing to do");
    service.asks(&["recall", "quay-dusk"]);
    let lit = service.landed();
    // The light is kept a moment after it changes, by the files' thread.
    let state = service.dir.path().join("state/watch.simulated/state.json");
    let kept = || std::fs::read_to_string(&state).is_ok_and(|text| text.contains("quay-dusk"));
    for _ in 0..1000 {
        if kept() {
            break;
        }
        pause(10);
    }
    assert!(kept(), "{}", service.log());

    let stuck = Stuck::hold(service.thread("engine"));
    // What was on its way comes still; then the manager would have waited its whole time in vain.
    let waits = service.clock.now();
    while service.hears("WATCHDOG=1", LIMIT).is_some() {
        assert!(service.clock.now().after(waits) < 2 * LIMIT, "fed though no frame is worked out");
    }
    let log = service.log();
    assert!(log.contains("the engine has worked out no frame for"), "{log}");
    assert!(log.contains("after 1.0 s the service manager starts lampkeep again"), "{log}");
    assert_eq!(log.matches("worked out no frame").count(), 1, "{log}");

    // As the unit has it done: killed, started again.
    service.kill(Some(stuck));
    service.start();
    // What was kept may be of the fade, which then goes on.
    let back = service.landed();
    assert_eq!(back["now"]["look"], "quay-dusk");
    assert_eq!(back["fixtures"][0]["slots"], lit["fixtures"][0]["slots"]);
    service.is_fed_for(LIMIT, "after its second start");
}

#[test]
fn an_engine_that_was_only_slow_is_fed_again() {
    let service = Service::new("");
    let stuck = Stuck::hold(service.thread("engine"));
    for _ in 0..200 {
        if service.log().contains("worked out no frame") {
            break;
        }
        pause(20);
    }
    drop(stuck);
    service.is_fed_for(LIMIT, "after it went on");
    assert!(service.log().contains("the engine works out frames again"), "{}", service.log());
}

#[test]
fn doors_that_stand_still_cost_no_start() {
    let service = Service::new("");
    // The main thread: socket, broker, signals.
    let stuck = Stuck::hold(i32::try_from(service.pid()).expect("a number"));
    assert!(UnixStream::connect(service.socket()).is_ok(), "the kernel takes it, nobody answers");
    service.is_fed_for(3 * LIMIT, "with all doors stuck");
    drop(stuck);
    assert_eq!(service.status()["now"]["look"], "dark");
}

/// Nonsense by the thousand over a real broker, then a broker that answers nothing, then none at all.
#[tokio::test]
async fn a_broker_that_is_busy_stuck_or_dead_costs_no_start() {
    let Some(mut broker) = Broker::start("allow_anonymous true").await else { return };
    let port = broker.port;
    let service = Service::new(&format!("[mqtt]\nhost = \"127.0.0.1\"\nport = {port}\nrequests = true"));
    let flood = Reader::on(MqttOptions::new("flood", "127.0.0.1", port), &["lampkeep/watch/#"]).await;

    let fed = |service: Service, while_what: &'static str| {
        tokio::task::spawn_blocking(move || {
            service.is_fed_for(2 * LIMIT, while_what);
            service
        })
    };
    let task = fed(service, "under a flood from the broker");
    let mut sent = 0_u32;
    while !task.is_finished() {
        let payload =
            format!(r#"{{"id":"{sent}","sent":"2026-05-04T10:00:00Z","do":"recall","look":"quay-dusk"}}"#);
        flood.client.publish("lampkeep/watch/ask", QoS::AtMostOnce, false, payload).await.expect("sent");
        sent += 1;
    }
    let service = task.await.expect("fed");
    println!("{sent} messages in that time");
    assert!(sent > 1000, "no flood: {sent}");

    broker.signal(Signal::STOP);
    let service = fed(service, "with a broker that answers nothing").await.expect("fed");
    broker.signal(Signal::CONT);
    broker.kill();
    let service = fed(service, "without a broker").await.expect("fed");
    assert!(!service.log().contains("worked out no frame"), "{}", service.log());
}
