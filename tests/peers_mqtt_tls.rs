//! TLS and passwords to a real mosquitto, with an authority that each test makes anew; what is wrong with a
//! certificate is told apart, in status and once in the log.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/broker.rs"]
mod broker;

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use broker::{Broker, Door, Reader, free_port, is, settings, users};
use lampkeep::control::LinkState;
use lampkeep::plan::{ClientCertificate, Mqtt, Secret, Tls};
use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair, date_time_ymd};

/// An authority and what it has signed, in a folder of its own.
struct Authority {
    folder: tempfile::TempDir,
    issuer: Issuer<'static, KeyPair>,
}

impl Authority {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.distinguished_name.push(DnType::CommonName, "harbour office (invented)");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let certificate = params.self_signed(&key).unwrap();
        std::fs::write(folder.path().join("ca.pem"), certificate.pem()).unwrap();
        Self { folder, issuer: Issuer::new(params, key) }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Signs a certificate `NAME.pem` with its key `NAME.key` for a host, valid in these years.
    fn sign(&self, name: &str, host: &str, years: (i32, i32)) {
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(vec![host.to_owned()]).unwrap();
        // Under the authority's own name a broker would take it for one that signed itself.
        params.distinguished_name.push(DnType::CommonName, name);
        params.not_before = date_time_ymd(years.0, 1, 1);
        params.not_after = date_time_ymd(years.1, 1, 1);
        let certificate = params.signed_by(&key, &self.issuer).unwrap();
        std::fs::write(self.path(&format!("{name}.pem")), certificate.pem()).unwrap();
        let path = self.path(&format!("{name}.key"));
        std::fs::write(&path, key.serialize_pem()).unwrap();
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).unwrap();
    }

    /// What a client that trusts this authority has in its plan.
    fn tls(&self) -> Tls {
        Tls { ca: self.path("ca.pem"), client: None }
    }

    fn with_certificate(&self, by: &Self, name: &str) -> Tls {
        let key = Secret::File(by.path(&format!("{name}.key")));
        let certificate = by.path(&format!("{name}.pem"));
        Tls { client: Some(ClientCertificate { certificate, key }), ..self.tls() }
    }
}

const ALWAYS: (i32, i32) = (2000, 4000);

/// A broker with a plain listener for readers and a second one that speaks TLS with `cert`.
async fn tls_broker(authority: &Authority, cert: &str, extra: &str) -> Option<(Broker, u16)> {
    let port = free_port();
    // The broker gives up root's rights before it reads them.
    let folder = authority.folder.path();
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o755)).unwrap();
    std::fs::set_permissions(authority.path(&format!("{cert}.key")), std::fs::Permissions::from_mode(0o644))
        .unwrap();
    let folder = folder.display();
    let config = format!(
        "allow_anonymous true\nlistener {port} 127.0.0.1\ncafile {folder}/ca.pem\ncertfile \
         {folder}/{cert}.pem\nkeyfile {folder}/{cert}.key\n{extra}"
    );
    Some((Broker::start(&config).await?, port))
}

fn over(tls: Tls, host: &str, port: u16) -> Mqtt {
    Mqtt { host: host.into(), tls: Some(tls), ..settings(port) }
}

/// What is said once the connection fails with these words in it. They need not be the first: a peer that hangs up
/// in a hurry may cut its own reason off, and says it at one of the next attempts.
async fn down(settings: Mqtt, wanted: &str) -> String {
    let door = Door::open(settings);
    let found = |said: &Option<String>| said.as_ref().is_some_and(|said| said.contains(wanted));
    let said = door.reported(|r| r.state == LinkState::Down && found(&r.said)).await.said.unwrap();
    door.stop().await;
    said
}

#[tokio::test]
async fn status_crosses_the_network_by_tls_to_a_broker_of_ones_own_authority() {
    let authority = Authority::new();
    authority.sign("broker", "localhost", ALWAYS);
    let Some((broker, port)) = tls_broker(&authority, "broker", "").await else { return };
    let door = Door::open(over(authority.tls(), "localhost", port));
    let mut reader = Reader::of(broker.port, "reader").await;
    reader.next("online", is("true")).await;
    reader.next("fixture/key", |p| !p.payload.is_empty()).await;
    assert_eq!(door.reported(|r| r.state == LinkState::Up).await.said, None);
    door.stop().await;
    reader.next("online", is("false")).await;
}

#[tokio::test]
async fn an_address_is_a_name_too() {
    let authority = Authority::new();
    authority.sign("broker", "127.0.0.1", ALWAYS);
    let Some((_broker, port)) = tls_broker(&authority, "broker", "").await else { return };
    let door = Door::open(over(authority.tls(), "127.0.0.1", port));
    door.reported(|r| r.state == LinkState::Up).await;
    door.stop().await;
}

#[tokio::test]
async fn a_broker_of_another_authority_is_not_trusted() {
    let (ours, theirs) = (Authority::new(), Authority::new());
    theirs.sign("broker", "localhost", ALWAYS);
    let Some((_broker, port)) = tls_broker(&theirs, "broker", "").await else { return };
    down(over(ours.tls(), "localhost", port), "of an authority that is not in `ca-file`").await;
}

#[tokio::test]
async fn a_broker_under_another_name_is_not_trusted() {
    let authority = Authority::new();
    authority.sign("broker", "quay.example", ALWAYS);
    let Some((_broker, port)) = tls_broker(&authority, "broker", "").await else { return };
    let said = down(over(authority.tls(), "localhost", port), "for another name").await;
    assert!(said.contains("quay.example"), "{said}");
    assert!(said.ends_with("or give the broker one for `localhost`"), "{said}");
}

#[tokio::test]
async fn a_certificate_out_of_its_time_is_told_from_the_others() {
    let authority = Authority::new();
    for (name, years, wanted) in [
        ("old", (2000, 2001), "has expired"),
        ("new", (3000, 4000), "is not valid yet: set this machine's clock"),
    ] {
        authority.sign(name, "localhost", years);
        let Some((_broker, port)) = tls_broker(&authority, name, "").await else { return };
        down(over(authority.tls(), "localhost", port), wanted).await;
    }
}

#[tokio::test]
async fn a_broker_that_wants_a_certificate_gets_ours_and_refuses_another() {
    let (authority, strange) = (Authority::new(), Authority::new());
    authority.sign("broker", "localhost", ALWAYS);
    authority.sign("daemon", "lampkeep", ALWAYS);
    strange.sign("daemon", "lampkeep", ALWAYS);
    let wants = "require_certificate true\nuse_identity_as_username true";
    let Some((_broker, port)) = tls_broker(&authority, "broker", wants).await else { return };

    let door = Door::open(over(authority.with_certificate(&authority, "daemon"), "localhost", port));
    door.reported(|r| r.state == LinkState::Up).await;
    door.stop().await;

    down(over(authority.tls(), "localhost", port), "add `certificate-file`").await;
    down(
        over(authority.with_certificate(&strange, "daemon"), "localhost", port),
        "refuses this daemon's certificate",
    )
    .await;
}

#[tokio::test]
async fn a_key_is_not_used_when_others_may_read_it_or_it_is_not_the_certificates() {
    let authority = Authority::new();
    authority.sign("daemon", "lampkeep", ALWAYS);
    authority.sign("other", "lampkeep", ALWAYS);
    let mut mixed = authority.with_certificate(&authority, "daemon");
    mixed.client.as_mut().unwrap().key = Secret::File(authority.path("other.key"));
    down(over(mixed, "localhost", 1), "it is not the key of certificate file").await;

    let open = std::fs::Permissions::from_mode(0o644);
    std::fs::set_permissions(authority.path("daemon.key"), open).unwrap();
    down(
        over(authority.with_certificate(&authority, "daemon"), "localhost", 1),
        "everyone on this machine may use it (mode 0644)",
    )
    .await;

    let none = Tls { ca: authority.path("daemon.key"), client: None };
    std::fs::set_permissions(authority.path("daemon.key"), std::fs::Permissions::from_mode(0o600)).unwrap();
    down(over(none, "localhost", 1), "it holds no certificate in PEM").await;
}

#[tokio::test]
async fn tls_to_a_plain_port_and_plain_to_a_tls_port_each_say_what_to_look_at() {
    let authority = Authority::new();
    authority.sign("broker", "localhost", ALWAYS);
    let Some((broker, port)) = tls_broker(&authority, "broker", "").await else { return };
    down(over(authority.tls(), "localhost", broker.port), "does that port speak TLS").await;
    down(settings(port), "wants TLS").await;
}

#[tokio::test]
async fn a_peer_that_accepts_and_says_nothing_is_left_before_tls_too() {
    let mute = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let authority = Authority::new();
    down(over(authority.tls(), "localhost", mute.local_addr().unwrap().port()), "does not answer within 5 s")
        .await;
}

#[tokio::test]
async fn a_name_that_nobody_knows_is_told_as_such() {
    // RFC 6761, 6.4: `invalid` is never resolved.
    down(
        Mqtt { host: "broker.invalid".into(), ..settings(1883) },
        "the name in broker.invalid:1883 cannot be resolved",
    )
    .await;
}

#[tokio::test]
async fn a_password_from_a_file_opens_the_door_and_a_wrong_one_is_told() {
    if broker::mosquitto().is_none() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = users(&folder, &[("lampkeep", "ebb and flow")]);
    let config = format!("allow_anonymous false\npassword_file {}", file.display());
    let Some(broker) = Broker::start(&config).await else { return };
    let password = folder.path().join("password");
    let with = |text: &str| {
        std::fs::write(&password, text).unwrap();
        std::fs::set_permissions(&password, std::fs::Permissions::from_mode(0o600)).unwrap();
        let secret = Some(Secret::File(password.clone()));
        Mqtt { user: Some("lampkeep".into()), password: secret, ..settings(broker.port) }
    };
    let door = Door::open(with("ebb and flow\n"));
    door.reported(|r| r.state == LinkState::Up).await;
    door.stop().await;
    let said = down(with("ebb\n"), "refuses the user name or password").await;
    assert!(!said.contains("ebb"), "{said}");
}
