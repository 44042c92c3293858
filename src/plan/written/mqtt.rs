//! The broker. No secret is written in a plan: files and credentials are named.

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::Time;
use super::shape::{at_most_one, none_of, with};

/// What tells how old a request is.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum FreshBy {
    /// Its `sent`, by this machine's clock.
    Clock,
    /// The message expiry that its sender set.
    Expiry,
}

fn mqtt_rules() -> Value {
    json!([
        none_of(&["password"]),
        at_most_one(&["password-file", "password-credential"]),
        with("password-file", &["user"]),
        with("password-credential", &["user"]),
    ])
}

/// The broker that status is published to.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = mqtt_rules()))]
pub(super) struct Mqtt {
    /// Its name or address.
    host: String,
    /// Its port; 1883, with `tls` 8883, when left out.
    #[schemars(range(min = 1, max = 65_535))]
    port: Option<u32>,
    /// Who this daemon is there.
    user: Option<String>,
    /// A file that holds the password, from the plan's folder, not for everyone to use.
    password_file: Option<String>,
    /// A credential of the service manager that holds it.
    #[schemars(regex(pattern = r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,254}$"))]
    password_credential: Option<String>,
    /// Time between signs of life, 5 s to 1 h.
    #[schemars(extend("default" = "10 s"))]
    keep_alive: Option<Time>,
    /// Requests are taken from the broker.
    #[schemars(extend("default" = false))]
    requests: Option<bool>,
    /// An older request is refused, 1 s to 60 s.
    #[schemars(extend("default" = "5 s"))]
    fresh: Option<Time>,
    /// What tells how old it is.
    #[schemars(extend("default" = "clock"))]
    fresh_by: Option<FreshBy>,
    /// The connection is protected, by TLS 1.2 or 1.3.
    tls: Option<Tls>,
}

fn tls_rules() -> Value {
    let key = json!({ "anyOf": [{ "required": ["key-file"] }, { "required": ["key-credential"] }] });
    json!([
        at_most_one(&["key-file", "key-credential"]),
        with("key-file", &["certificate-file"]),
        with("key-credential", &["certificate-file"]),
        { "dependencies": { "certificate-file": key } },
    ])
}

/// How the connection is protected.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = tls_rules()))]
pub(super) struct Tls {
    /// The authorities that are trusted, no others: PEM, from the plan's folder.
    ca_file: String,
    /// This daemon's certificate: PEM.
    certificate_file: Option<String>,
    /// A file that holds its private key: PEM.
    key_file: Option<String>,
    /// A credential of the service manager that holds it.
    #[schemars(regex(pattern = r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,254}$"))]
    key_credential: Option<String>,
}
