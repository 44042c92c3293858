//! The sample configuration and access list in `config/mosquitto`, tried by a real mosquitto: operators ask, viewers
//! only read, strangers can do nothing, and a daemon speaks for its own set alone.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/broker.rs"]
mod broker;

use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use broker::{Broker, Door, Reader, WITHIN, free_port, is, settings, users};
use lampkeep::control::{Answer, LinkState};
use lampkeep::plan::{FreshBy, Mqtt, Requests, Secret};
use rumqttc::v5::MqttOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use tokio::time::{sleep, timeout};

const ASK: &str = "lampkeep/pilot-station/ask";
const USERS: [(&str, &str); 3] =
    [("pilot-station", "tide table"), ("operator", "ebb and flow"), ("viewer", "low water")];

/// The sample broker with its port and its files' paths set for this test, and nothing else changed.
async fn sample(folder: &tempfile::TempDir) -> Option<Broker> {
    broker::mosquitto()?;
    let port = free_port();
    let users = users(folder, &USERS);
    let acl = folder.path().join("lampkeep.acl");
    std::fs::write(&acl, std::fs::read("config/mosquitto/lampkeep.acl").unwrap()).unwrap();
    std::fs::set_permissions(&acl, std::fs::Permissions::from_mode(0o644)).unwrap();
    let text = std::fs::read_to_string("config/mosquitto/lampkeep.conf").unwrap();
    assert!(text.contains("listener 1883 127.0.0.1\n"), "loopback by default");
    let text = text
        .replace("listener 1883 ", &format!("listener {port} "))
        .replace("/etc/mosquitto/lampkeep.users", &users.display().to_string())
        .replace("/etc/mosquitto/lampkeep.acl", &acl.display().to_string());
    Broker::with(port, &text).await
}

async fn user(port: u16, name: &str, topics: &[&str]) -> Reader {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    let password = USERS.iter().find(|(user, _)| *user == name).unwrap().1;
    options.set_credentials(name, password);
    Reader::on(options, topics).await
}

fn request(id: &str) -> String {
    #[expect(clippy::disallowed_methods, reason = "a sender stamps with the real time")]
    let now = jiff::Timestamp::now();
    format!(r#"{{"id":"{id}","sent":"{now}","do":"dark"}}"#)
}

#[tokio::test]
async fn operators_ask_viewers_only_read_and_a_daemon_speaks_for_its_own_set() {
    let folder = tempfile::tempdir().unwrap();
    let Some(broker) = sample(&folder).await else { return };
    let password = folder.path().join("password");
    std::fs::write(&password, "tide table\n").unwrap();
    std::fs::set_permissions(&password, std::fs::Permissions::from_mode(0o600)).unwrap();
    let door = Door::open(Mqtt {
        user: Some("pilot-station".into()),
        password: Some(Secret::File(password)),
        requests: Some(Requests { fresh: Duration::from_secs(5), by: FreshBy::Clock }),
        ..settings(broker.port)
    });
    door.reported(|r| r.state == LinkState::Up).await;

    let mut viewer = user(broker.port, "viewer", &["lampkeep/#"]).await;
    viewer.next("online", is("true")).await;
    viewer.next("now", |p| !p.payload.is_empty()).await;
    viewer.next("fixture/fill", |p| !p.payload.is_empty()).await;
    while timeout(Duration::from_millis(300), viewer.heard.recv()).await.is_ok() {}

    // The operator's requests are done and answered, to this set and to all, wherever under the set's answers.
    let mut operator = user(broker.port, "operator", &["lampkeep/+/answer/#"]).await;
    let own = PublishProperties {
        response_topic: Some("lampkeep/pilot-station/answer/operator".into()),
        ..PublishProperties::default()
    };
    for (id, topic, properties) in [
        ("1", ASK, PublishProperties::default()),
        ("2", "lampkeep/all/ask", PublishProperties::default()),
        ("3", ASK, own),
    ] {
        let client = &operator.client;
        client.try_publish_with_properties(topic, QoS::AtLeastOnce, false, request(id), properties).unwrap();
        let answer: Answer = serde_json::from_slice(&operator.any().await.payload).unwrap();
        assert!(answer.ok && answer.id.as_deref() == Some(id), "{answer:?}");
    }
    assert_eq!(door.asked().len(), 3);

    // The viewer's change nothing, and neither do words that are put into the daemon's mouth.
    for topic in [ASK, "lampkeep/all/ask"] {
        viewer.client.try_publish(topic, QoS::AtLeastOnce, false, request("v")).unwrap();
    }
    for stranger in [&viewer, &operator] {
        let online = "lampkeep/pilot-station/online";
        stranger.client.try_publish(online, QoS::AtLeastOnce, true, "false").unwrap();
    }
    sleep(Duration::from_millis(500)).await;
    assert_eq!(door.asked().len(), 3, "a viewer's request came through");
    // Nor does the viewer hear what is asked and answered.
    let heard = timeout(Duration::from_millis(300), viewer.heard.recv()).await;
    assert!(heard.is_err(), "{heard:?}");
    let mut late = user(broker.port, "viewer", &["lampkeep/+/online"]).await;
    assert_eq!(late.any().await.payload, "true");
    door.stop().await;
}

#[tokio::test]
async fn a_daemon_that_may_not_publish_says_so_while_it_is_connected() {
    let folder = tempfile::tempdir().unwrap();
    let Some(broker) = sample(&folder).await else { return };
    let password = folder.path().join("password");
    std::fs::write(&password, "low water\n").unwrap();
    std::fs::set_permissions(&password, std::fs::Permissions::from_mode(0o600)).unwrap();
    let secret = Some(Secret::File(password));
    let door = Door::open(Mqtt { user: Some("viewer".into()), password: secret, ..settings(broker.port) });
    let told = door.reported(|r| r.state == LinkState::Up && r.said.is_some()).await;
    let said = told.said.unwrap();
    assert!(said.contains("refuses some of what is published (not authorized)"), "{said}");
    door.stop().await;
}

#[tokio::test]
async fn nobody_without_a_password_gets_in() {
    let folder = tempfile::tempdir().unwrap();
    let Some(broker) = sample(&folder).await else { return };
    let door = Door::open(settings(broker.port));
    let down = door.reported(|r| r.state == LinkState::Down).await.said.unwrap();
    assert!(down.contains("refuses the user name or password"), "{down}");
    door.stop().await;
    let options = MqttOptions::new("stranger", "127.0.0.1", broker.port);
    let (_client, mut events) = rumqttc::v5::AsyncClient::new(options, 8);
    let refused = timeout(WITHIN, events.poll()).await.expect("an answer");
    assert!(refused.is_err(), "{refused:?}");
}
