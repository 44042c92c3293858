//! The built daemon at a real mosquitto: its password is a credential of the service manager's, a request lights the
//! set, and a flood of nonsense leaves the log short.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/broker.rs"]
mod broker;

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use broker::{Broker, Reader, WITHIN, is, users};
use lampkeep::control::Answer;
use lampkeep::control::mqtt::NowMessage;
use rumqttc::v5::MqttOptions;
use rumqttc::v5::mqttbytes::QoS;
use tokio::time::{sleep, timeout};

const ASK: &str = "lampkeep/pilot-station/ask";

fn plan(port: u16) -> String {
    format!(
        r#"
name = "pilot-station"
fade = "0 s"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[mqtt]
host = "127.0.0.1"
port = {port}
user = "pilot-station"
password-credential = "mqtt-password"
requests = true
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.quay-dusk]
key = {{ stops = -1 }}
"#
    )
}

/// The daemon, ended with the test.
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn daemon(folder: &Path, port: u16, credentials: Option<&Path>) -> Daemon {
    let path = folder.join("pilot-station.toml");
    std::fs::write(&path, plan(port)).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
    command
        .args(["run", path.to_str().unwrap(), "--simulate"])
        .env("LAMPKEEP_SOCKET", folder.join("socket"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .env_remove("CREDENTIALS_DIRECTORY")
        .stderr(Stdio::from(std::fs::File::create(folder.join("log")).unwrap()));
    if let Some(credentials) = credentials {
        command.env("CREDENTIALS_DIRECTORY", credentials);
    }
    Daemon(command.spawn().unwrap())
}

fn log(folder: &Path) -> String {
    std::fs::read_to_string(folder.join("log")).unwrap()
}

async fn logged(folder: &Path, text: &str) {
    let there = async {
        while !log(folder).contains(text) {
            sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(WITHIN, there).await.unwrap_or_else(|_| panic!("no `{text}` in {}", log(folder)));
}

fn request(id: &str, rest: &str) -> String {
    #[expect(clippy::disallowed_methods, reason = "a sender stamps with the real time")]
    let now = jiff::Timestamp::now();
    format!(r#"{{"id":"{id}","sent":"{now}",{rest}}}"#)
}

#[tokio::test]
async fn a_request_lights_the_set_and_nonsense_leaves_the_log_short() {
    let folder = tempfile::tempdir().unwrap();
    if broker::mosquitto().is_none() {
        return;
    }
    let file = users(&folder, &[("pilot-station", "tide table"), ("operator", "ebb and flow")]);
    let config = format!("allow_anonymous false\npassword_file {}", file.display());
    let Some(broker) = Broker::start(&config).await else { return };
    let credentials = tempfile::tempdir().unwrap();
    let secret = credentials.path().join("mqtt-password");
    std::fs::write(&secret, "tide table").unwrap();
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o400)).unwrap();

    let without = daemon(folder.path(), broker.port, None);
    logged(folder.path(), "password credential `mqtt-password`: $CREDENTIALS_DIRECTORY is not set").await;
    drop(without);

    let _daemon = daemon(folder.path(), broker.port, Some(credentials.path()));
    let mut options = MqttOptions::new("operator", "127.0.0.1", broker.port);
    options.set_credentials("operator", "ebb and flow");
    let mut operator = Reader::on(options, &["lampkeep/#"]).await;
    operator.next("online", is("true")).await;
    logged(folder.path(), "requests are taken").await;

    let ask = |payload: String| operator.client.try_publish(ASK, QoS::AtLeastOnce, false, payload).unwrap();
    ask(request("lit", r#""do":"recall","look":"quay-dusk""#));
    let told: Answer = serde_json::from_slice(&operator.next("answer", |_| true).await.payload).unwrap();
    assert!(told.ok && told.said.unwrap().starts_with("quay-dusk"));
    let lit = |p: &rumqttc::v5::mqttbytes::v5::Publish| {
        serde_json::from_slice::<NowMessage>(&p.payload).is_ok_and(|now| now.now.look == "quay-dusk")
    };
    operator.next("now", lit).await;
    // The engine's own refusals come the same way as over the socket.
    let ask = |payload: String| operator.client.try_publish(ASK, QoS::AtLeastOnce, false, payload).unwrap();
    ask(request("no", r#""do":"recall","look":"quay-dsuk""#));
    let told: Answer = serde_json::from_slice(&operator.next("answer", |_| true).await.payload).unwrap();
    assert_eq!(told.error.unwrap().hint.as_deref(), Some("did you mean `quay-dusk`?"));

    for n in 0..2000 {
        let payload =
            if n % 2 == 0 { "{nonsense".to_owned() } else { request(&n.to_string(), r#""do":"x""#) };
        operator.client.publish(ASK, QoS::AtMostOnce, false, payload).await.unwrap();
    }
    // Answered as far as there is room, and then as before.
    let after = async {
        loop {
            let id = "after";
            operator
                .client
                .publish(ASK, QoS::AtLeastOnce, false, request(id, r#""do":"dark""#))
                .await
                .unwrap();
            let answer = timeout(
                Duration::from_secs(1),
                operator.next("answer", |p| {
                    serde_json::from_slice::<Answer>(&p.payload).is_ok_and(|a| a.id.as_deref() == Some(id))
                }),
            );
            if answer.await.is_ok() {
                return;
            }
        }
    };
    timeout(WITHIN, after).await.expect("taken again");
    let log = log(folder.path());
    let lines = log.lines().filter(|line| line.contains("was refused")).count();
    assert!((1..=3).contains(&lines), "{lines} lines for 2000 refusals:\n{log}");
    assert!(!log.contains("tide table") && !log.contains("nonsense"), "{log}");
}
