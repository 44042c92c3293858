//! The broker: where it is, what proves who is who, and whether requests are taken from it.

use std::path::PathBuf;
use std::time::Duration;

/// The broker to publish status to, and to take requests from where the plan says so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mqtt {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// User name.
    pub user: Option<String>,
    /// Where the password is.
    pub password: Option<Secret>,
    /// How the connection is protected; `None`: not at all.
    pub tls: Option<Tls>,
    /// Keep-alive, 5 s to an hour.
    pub keep_alive: Duration,
    /// Requests from the broker; `None`: nothing is subscribed, no message changes light.
    pub requests: Option<Requests>,
}

/// Where something is that only this daemon may know. The thing itself is never in a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Secret {
    /// A file that not everyone on the machine may use.
    File(PathBuf),
    /// A credential of the service manager: the name of a file in `$CREDENTIALS_DIRECTORY`.
    /// Source: systemd.exec(5), "Credentials".
    Credential(String),
}

/// What protects the connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// File with the certificates (PEM) of the authorities that may vouch for the broker; no others may.
    pub ca: PathBuf,
    /// What shows the broker who this daemon is, beside or in place of a password.
    pub client: Option<ClientCertificate>,
}

/// A certificate of this daemon's own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClientCertificate {
    /// File with the certificate (PEM), followed by those between it and the authority, if any.
    pub certificate: PathBuf,
    /// Its private key (PEM).
    pub key: Secret,
}

/// How requests from the broker are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Requests {
    /// A request older than this is refused, 1 s to a minute.
    pub fresh: Duration,
    /// What tells how old it is.
    pub by: FreshBy,
}

/// What tells how old a request is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FreshBy {
    /// Its `sent` against this machine's clock: whatever delayed it, even in its sender's own queue.
    Clock,
    /// The broker's count of the message expiry that its sender set, where it set one no longer than
    /// `fresh`; else the clock. For senders whose clocks cannot be trusted.
    Expiry,
}
