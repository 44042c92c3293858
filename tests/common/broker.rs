//! A real broker, the daemon's MQTT door with an engine of the test's making, and somebody else who reads.
#![allow(dead_code, reason = "each file of tests uses its own part")]

#[path = "contract.rs"]
mod contract;
#[path = "status.rs"]
pub mod status;

use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use lampkeep::control::{
    Alert, Answer, Ask, Failure, FailureKind, Inbound, MqttStatus, Request, Status, mqtt,
};
use lampkeep::plan::Mqtt;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, Publish};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};

pub const WITHIN: Duration = Duration::from_secs(30);
pub fn mosquitto() -> Option<PathBuf> {
    let named = std::env::var_os("MOSQUITTO").map(PathBuf::from);
    let path = std::env::var_os("PATH").unwrap_or_default();
    let on_path = std::env::split_paths(&path).map(|dir| dir.join("mosquitto"));
    let found = named.into_iter().chain(on_path).chain(["/usr/sbin/mosquitto".into()]).find(|p| p.is_file());
    if found.is_none() {
        assert!(
            std::env::var_os("LAMPKEEP_SKIP_BROKER").is_some_and(|v| v == "1"),
            "no mosquitto in $MOSQUITTO, PATH or /usr/sbin: run tests/run, which installs it"
        );
        eprintln!("NOT RUN: there is no mosquitto and LAMPKEEP_SKIP_BROKER=1");
    }
    found
}

pub fn free_port() -> u16 {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

/// A real broker on loopback that keeps nothing on disk.
pub struct Broker {
    program: PathBuf,
    /// Where it listens.
    pub port: u16,
    config: tempfile::NamedTempFile,
    child: Child,
}

impl Broker {
    pub async fn start(extra: &str) -> Option<Self> {
        let port = free_port();
        let usual = "persistence false\nset_tcp_nodelay true";
        Self::with(port, &format!("listener {port} 127.0.0.1\n{usual}\n{extra}\n")).await
    }

    /// One with this whole configuration, which listens on this port among others.
    pub async fn with(port: u16, text: &str) -> Option<Self> {
        let program = mosquitto()?;
        let config = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(config.path(), text).unwrap();
        let child = Self::spawn(&program, &config);
        let mut broker = Self { program, port, config, child };
        broker.ready().await;
        Some(broker)
    }

    fn spawn(program: &PathBuf, config: &tempfile::NamedTempFile) -> Child {
        Command::new(program)
            .arg("-c")
            .arg(config.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    async fn ready(&mut self) {
        let up = async {
            while tokio::net::TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).await.is_err() {
                assert!(self.child.try_wait().unwrap().is_none(), "mosquitto ended at once");
                sleep(Duration::from_millis(10)).await;
            }
        };
        timeout(WITHIN, up).await.expect("mosquitto listens");
    }

    /// Stops it in its tracks, or lets it go on: connections stand, nothing is answered.
    pub fn signal(&self, signal: rustix::process::Signal) {
        let pid = rustix::process::Pid::from_raw(self.child.id().try_into().unwrap()).unwrap();
        rustix::process::kill_process(pid, signal).unwrap();
    }

    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    pub async fn restart(&mut self) {
        self.child = Self::spawn(&self.program, &self.config);
        self.ready().await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The daemon's MQTT door with a status and alerts of the test's making.
pub struct Door {
    pub task: JoinHandle<()>,
    pub status: watch::Sender<Arc<Status>>,
    pub alerts: broadcast::Sender<Alert>,
    reports: Receiver<MqttStatus>,
    stop: watch::Sender<bool>,
    /// What the engine was asked, in order.
    asked: Arc<Mutex<Vec<Request>>>,
    /// While this is true the engine does nothing.
    pub hold: Arc<AtomicBool>,
}

/// An engine that does nothing and says that it was done; `keep` it has no room for.
fn engine(
    inbox: Receiver<Inbound>,
    reports: std::sync::mpsc::Sender<MqttStatus>,
    asked: Arc<Mutex<Vec<Request>>>,
    hold: Arc<AtomicBool>,
) {
    std::thread::spawn(move || {
        let mut number = 0;
        while let Ok(inbound) = inbox.recv() {
            match inbound {
                Inbound::Mqtt(status) => drop(reports.send(status)),
                Inbound::Ask(Ask { envelope, reply }) => {
                    while hold.load(Ordering::Acquire) {
                        std::thread::park_timeout(Duration::from_millis(1));
                    }
                    number += 1;
                    let answer = if matches!(envelope.request, Request::Keep { .. }) {
                        let said = "no room".to_owned();
                        Answer::refused(None, Failure { kind: FailureKind::Busy, said, hint: None })
                    } else {
                        let said = Some(format!("done {number}"));
                        Answer { id: None, ok: true, said, now: None, data: None, error: None }
                    };
                    asked.lock().unwrap().push(envelope.request);
                    let _ = reply.send(answer);
                }
                _ => {}
            }
        }
    });
}

pub fn settings(port: u16) -> Mqtt {
    Mqtt {
        host: "127.0.0.1".into(),
        port,
        user: None,
        password: None,
        tls: None,
        keep_alive: Duration::from_secs(5),
        requests: None,
    }
}

impl Door {
    pub fn open(settings: Mqtt) -> Self {
        let (status, status_out) = watch::channel(Arc::new(status::status("quay-dusk")));
        let (alerts, alerts_out) = broadcast::channel(16);
        let (inbox, inbox_out) = sync_channel(256);
        let (reports_in, reports) = std::sync::mpsc::channel();
        let (asked, hold) = (Arc::new(Mutex::new(Vec::new())), Arc::new(AtomicBool::new(false)));
        engine(inbox_out, reports_in, Arc::clone(&asked), Arc::clone(&hold));
        let (stop, stopping) = watch::channel(false);
        let task = tokio::spawn(mqtt::run(
            settings,
            "pilot-station".into(),
            status_out,
            alerts_out,
            inbox,
            stopping,
        ));
        Self { task, status, alerts, reports, stop, asked, hold }
    }

    /// What the engine was asked so far.
    pub fn asked(&self) -> Vec<Request> {
        self.asked.lock().unwrap().clone()
    }

    pub async fn reported(&self, wanted: impl Fn(&MqttStatus) -> bool) -> MqttStatus {
        let mut last = None;
        let search = async {
            loop {
                match self.reports.try_recv() {
                    Ok(status) if wanted(&status) => return status,
                    Ok(other) => last = Some(other),
                    Err(_) => sleep(Duration::from_millis(5)).await,
                }
            }
        };
        let found = timeout(WITHIN, search).await;
        found.unwrap_or_else(|_| panic!("not reported; the last was {last:?}"))
    }

    pub async fn stop(self) {
        self.stop.send_replace(true);
        timeout(WITHIN, self.task).await.expect("stops").unwrap();
    }
}

/// Somebody else at the broker.
pub struct Reader {
    pub heard: mpsc::UnboundedReceiver<Publish>,
    pub client: AsyncClient,
}

impl Reader {
    /// One who reads all of lampkeep's topics.
    pub async fn of(port: u16, name: &str) -> Self {
        Self::on(MqttOptions::new(name, "127.0.0.1", port), &["lampkeep/#"]).await
    }

    /// One who reads these topics.
    pub async fn on(mut options: MqttOptions, topics: &[&str]) -> Self {
        options.set_max_packet_size(Some(1 << 20));
        let (client, mut events) = AsyncClient::new(options, 1000);
        let filters = topics.iter().map(|topic| Filter::new(*topic, QoS::AtLeastOnce));
        client.try_subscribe_many(filters).unwrap();
        let (heard_in, heard) = mpsc::unbounded_channel();
        let (subscribed_in, mut subscribed) = mpsc::channel(1);
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                match event {
                    Event::Incoming(Packet::Publish(publish)) => {
                        let Ok(()) = heard_in.send(publish) else { return };
                    }
                    Event::Incoming(Packet::SubAck(_)) => drop(subscribed_in.try_send(())),
                    _ => {}
                }
            }
        });
        timeout(WITHIN, subscribed.recv()).await.expect("subscribed").unwrap();
        Self { heard, client }
    }

    /// The next message, once the broker has one: as docs/asyncapi.yaml says, if it tells of the set's state.
    async fn heard(&mut self) -> Option<Publish> {
        let publish = self.heard.recv().await?;
        let topic = std::str::from_utf8(&publish.topic).unwrap();
        let tells = |t: &str| ["online", "now", "alert"].contains(&t) || t.starts_with("fixture/");
        if topic.strip_prefix("lampkeep/pilot-station/").is_some_and(tells) {
            contract::message(topic, &publish.payload);
        }
        Some(publish)
    }

    /// The next message on any topic, within a time that anything takes which comes at all.
    pub async fn any(&mut self) -> Publish {
        timeout(WITHIN, self.heard()).await.expect("something").expect("the broker stays")
    }

    /// The next message under `lampkeep/pilot-station/` on this topic that is as wanted.
    pub async fn next(&mut self, topic: &str, wanted: impl Fn(&Publish) -> bool) -> Publish {
        let topic = format!("lampkeep/pilot-station/{topic}");
        let search = async {
            loop {
                let publish = self.heard().await.expect("the broker stays");
                if publish.topic == topic && wanted(&publish) {
                    return publish;
                }
            }
        };
        timeout(WITHIN, search).await.unwrap_or_else(|_| panic!("nothing as wanted on {topic}"))
    }

    /// Waits for messages on these fixtures' topics in whatever order, each empty or not.
    pub async fn all(&mut self, wanted: &[(&str, bool)]) {
        let topic = |id: &str| format!("lampkeep/pilot-station/fixture/{id}");
        let mut missing: Vec<_> = wanted.iter().map(|(id, empty)| (topic(id), *empty)).collect();
        while !missing.is_empty() {
            let publish = timeout(WITHIN, self.heard()).await;
            let publish = publish.unwrap_or_else(|_| panic!("not heard: {missing:?}")).expect("it stays");
            missing.retain(|(topic, empty)| publish.topic != *topic || publish.payload.is_empty() != *empty);
        }
    }

    /// Everything kept at the broker, by topic, once `online` and `topics` more have come.
    pub async fn kept(&mut self, topics: usize) -> std::collections::HashMap<String, Publish> {
        let mut kept = std::collections::HashMap::new();
        while kept.len() < topics {
            let publish = timeout(WITHIN, self.heard()).await.expect("retained").unwrap();
            let topic = String::from_utf8(publish.topic.to_vec()).unwrap();
            kept.insert(topic.trim_start_matches("lampkeep/pilot-station/").to_owned(), publish);
        }
        kept
    }
}

pub fn is(text: &'static str) -> impl Fn(&Publish) -> bool {
    move |publish| publish.payload == text
}

/// A file of users with their passwords for mosquitto, made by its own tool.
pub fn users(folder: &tempfile::TempDir, users: &[(&str, &str)]) -> PathBuf {
    let path = folder.path().join("users");
    std::fs::write(&path, "").unwrap();
    for (user, password) in users {
        let made = Command::new("mosquitto_passwd").arg("-b").arg(&path).args([user, password]).status();
        assert!(made.expect("mosquitto_passwd comes with mosquitto").success());
    }
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
    path
}
