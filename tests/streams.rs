//! What many readers of the status cost, over MQTT and over the socket: CPU and memory of a real broker and of the
//! daemon, printed. Run by `tests/long/streams.sh`; nothing here is a limit but that every reader is served.

use std::io::{BufRead, BufReader, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc;
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::control::socket::MAX_FOLLOWERS;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};

/// How long each number of readers is looked at.
const FOR_S: u64 = 20;

struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Process {
    /// CPU time so far in seconds. Source: proc(5), `utime` and `stime` in clock ticks, 100 a second on Linux.
    fn cpu_s(&self) -> f64 {
        let text = std::fs::read_to_string(format!("/proc/{}/stat", self.0.id())).expect("it lives");
        let fields: Vec<&str> = text.rsplit(')').next().expect("fields").split_whitespace().collect();
        let ticks = |at: usize| fields[at].parse::<f64>().expect("ticks");
        (ticks(11) + ticks(12)) / 100.0
    }

    fn memory_kb(&self) -> u64 {
        let text = std::fs::read_to_string(format!("/proc/{}/status", self.0.id())).expect("it lives");
        let line = text.lines().find(|l| l.starts_with("VmRSS")).expect("a line");
        line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("kB")
    }
}

fn pause(ms: u64) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(ms));
}

fn mosquitto() -> Option<PathBuf> {
    let named = std::env::var_os("MOSQUITTO").map(PathBuf::from);
    let path = std::env::var_os("PATH").unwrap_or_default();
    let on_path = std::env::split_paths(&path).map(|dir| dir.join("mosquitto"));
    named.into_iter().chain(on_path).chain(["/usr/sbin/mosquitto".into()]).find(|p| p.is_file())
}

fn start_all(folder: &Path, program: &Path) -> (Process, Process, u16) {
    let port =
        TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|l| l.local_addr()).expect("a port").port();
    let text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\nmax_connections -1\n"
    );
    std::fs::write(folder.join("broker.conf"), text).expect("written");
    let quiet = |command: &mut Command| {
        Process(
            command
                .current_dir(folder)
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("it starts"),
        )
    };
    let broker = quiet(Command::new(program).args(["-c", "broker.conf"]));
    while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
        pause(10);
    }
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let copied = Command::new("cp").arg("-r").args([config.join("profiles").as_path(), folder]).status();
    assert!(copied.expect("cp runs").success());
    std::fs::copy(config.join("kit.toml"), folder.join("kit.toml")).expect("copied");
    let plan = std::fs::read_to_string(config.join("pilot-station.toml")).expect("the plan");
    std::fs::write(
        folder.join("plan.toml"),
        format!("{plan}\n[mqtt]\nhost = \"127.0.0.1\"\nport = {port}\n"),
    )
    .expect("written");
    let daemon = quiet(
        Command::new(env!("CARGO_BIN_EXE_lampkeep"))
            .args(["run", "plan.toml", "--simulate"])
            .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
            .env("LAMPKEEP_STATE", folder.join("state"))
            .env_remove("NOTIFY_SOCKET"),
    );
    while UnixStream::connect(folder.join("s.sock")).is_err() {
        pause(20);
    }
    (broker, daemon, port)
}

fn ask(folder: &Path, request: &str) {
    let mut stream = UnixStream::connect(folder.join("s.sock")).expect("it answers");
    writeln!(stream, "{request}").expect("sent");
    let mut text = String::new();
    BufReader::new(stream).read_line(&mut text).expect("an answer");
    assert!(text.contains("\"ok\":true"), "{text}");
}

/// Fades without a pause: ten messages a second on each topic, the most there ever are.
fn fade_for(folder: &Path, clock: SystemClock, seconds: u64) {
    let end = clock.now() + Duration::from_secs(seconds);
    let mut looks = ["quay-dusk", "mole-light"].iter().cycle();
    while clock.now() < end {
        let look = looks.next().expect("endless");
        ask(folder, &format!("{{\"do\":\"recall\",\"look\":\"{look}\",\"over_s\":2}}"));
        pause(2000);
    }
}

fn report(
    what: &str,
    folder: &Path,
    broker: &Process,
    daemon: &Process,
    heard: &AtomicU64,
    clock: SystemClock,
) {
    let (from, broker_s, daemon_s) = (clock.now(), broker.cpu_s(), daemon.cpu_s());
    let heard_before = heard.load(Ordering::Relaxed);
    fade_for(folder, clock, FOR_S);
    let took = clock.now().after(from).as_secs_f64();
    println!(
        "{what}: broker {:.2} % of a core, {} kB; daemon {:.2} %, {} kB; {:.0} messages a second read in all",
        (broker.cpu_s() - broker_s) / took * 100.0,
        broker.memory_kb(),
        (daemon.cpu_s() - daemon_s) / took * 100.0,
        daemon.memory_kb(),
        (heard.load(Ordering::Relaxed) - heard_before) as f64 / took
    );
}

#[test]
#[ignore = "two minutes: tests/long/streams.sh"]
fn what_many_streams_of_status_cost() {
    let Some(program) = mosquitto() else { panic!("no mosquitto: tests/setup installs it") };
    let dir = tempfile::tempdir().expect("a folder");
    let clock = SystemClock::start();
    let (broker, daemon, port) = start_all(dir.path(), &program);
    let heard = Arc::new(AtomicU64::new(0));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let (wanted_in, mut wanted) = tokio::sync::mpsc::unbounded_channel::<usize>();
    let count = Arc::clone(&heard);
    let (there_in, there) = mpsc::channel();
    // All readers in one thread of this process: what they cost is not what is looked at.
    std::thread::spawn(move || {
        runtime.block_on(async move {
            while let Some(number) = wanted.recv().await {
                let mut options = MqttOptions::new(format!("reader-{number}"), "127.0.0.1", port);
                options.set_max_packet_size(Some(256 * 1024)).set_outgoing_inflight_upper_limit(10);
                let (client, mut events) = AsyncClient::new(options, 8);
                let (count, there) = (Arc::clone(&count), there_in.clone());
                let filter = Filter::new("lampkeep/#", QoS::AtLeastOnce);
                client.try_subscribe_many([filter]).expect("room");
                tokio::spawn(async move {
                    let _client = client;
                    while let Ok(event) = events.poll().await {
                        match event {
                            Event::Incoming(Packet::Publish(_)) => {
                                count.fetch_add(1, Ordering::Relaxed);
                            }
                            Event::Incoming(Packet::SubAck(_)) => drop(there.send(())),
                            _ => {}
                        }
                    }
                });
            }
        });
    });
    pause(2000);
    report("no reader", dir.path(), &broker, &daemon, &heard, clock);
    let mut readers = 0;
    for all in [1, 50, 200] {
        while readers < all {
            wanted_in.send(readers).expect("the thread lives");
            there.recv_timeout(Duration::from_secs(30)).expect("subscribed");
            readers += 1;
        }
        pause(1000);
        let before = heard.load(Ordering::Relaxed);
        report(&format!("{all} over MQTT"), dir.path(), &broker, &daemon, &heard, clock);
        // `now` and the fixtures that fade, several times a second each.
        assert!(heard.load(Ordering::Relaxed) - before > 20 * FOR_S * all as u64, "readers were left behind");
    }

    for _ in 0..MAX_FOLLOWERS {
        let mut stream = UnixStream::connect(dir.path().join("s.sock")).expect("a place");
        writeln!(stream, "{{\"do\":\"status\",\"follow\":true}}").expect("sent");
        let count = Arc::clone(&heard);
        std::thread::spawn(move || {
            for line in BufReader::new(stream).lines().map_while(Result::ok) {
                count.fetch_add(u64::from(line.contains("\"ok\":true")), Ordering::Relaxed);
            }
        });
    }
    report(
        &format!("200 over MQTT and {MAX_FOLLOWERS} on the socket"),
        dir.path(),
        &broker,
        &daemon,
        &heard,
        clock,
    );
}
