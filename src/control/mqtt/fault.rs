//! Why there is no broker, in words: what was found and one next step.

use std::fmt::Debug;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, DisconnectReasonCode};
use rumqttc::v5::{ConnectionError, StateError};

use crate::words::short;

/// Longest password that is read, in bytes.
const MAX_PASSWORD: u64 = 4096;

/// A connection's end in words. `broker`: host and port. `was_up`: it had been accepted.
pub(super) fn worded(error: &ConnectionError, broker: &str, set: &str, was_up: bool) -> String {
    let closed = || {
        let doubt = if was_up { "" } else { ", and whether it speaks MQTT 5" };
        format!("{broker} closed the connection: see its log{doubt}")
    };
    match error {
        ConnectionError::Io(e) | ConnectionError::MqttState(StateError::Io(e)) if is_end(e) => closed(),
        ConnectionError::Timeout(_) => {
            format!("{broker} does not answer within 5 s: is it a broker, and is the network up?")
        }
        ConnectionError::Io(e) | ConnectionError::MqttState(StateError::Io(e)) => io_worded(e, broker),
        ConnectionError::ConnectionRefused(code) => match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                format!(
                    "{broker} refuses the user name or password: check `user` and `password-file` in the plan"
                )
            }
            other => format!("{broker} refuses the connection ({}): see its log", words(other)),
        },
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, .. }) => match reason_code {
            DisconnectReasonCode::SessionTakenOver => format!(
                "another client took the name `{}` at {broker}: let one daemon alone run set `{set}`",
                client_id(set)
            ),
            DisconnectReasonCode::RetainNotSupported | DisconnectReasonCode::QoSNotSupported => {
                format!("{broker} takes no retained messages of QoS 1 ({}): allow them", words(reason_code))
            }
            other => format!("{broker} ended the connection ({}): see its log", words(other)),
        },
        ConnectionError::MqttState(StateError::AwaitPingResp) => silent(broker),
        ConnectionError::MqttState(StateError::ConnectionAborted) => closed(),
        ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_) => {
            format!("{broker} does not talk as an MQTT 5 broker does ({})", short(&error.to_string()))
        }
        ConnectionError::RequestsDone => format!("the connection to {broker} was ended"),
    }
}

/// A broker that has said nothing for longer than the keep-alive allows.
pub(super) fn silent(broker: &str) -> String {
    format!("{broker} has fallen silent: is it stuck, or the network gone?")
}

fn is_end(e: &io::Error) -> bool {
    use io::ErrorKind::{BrokenPipe, ConnectionAborted, ConnectionReset};
    matches!(e.kind(), ConnectionReset | ConnectionAborted | BrokenPipe)
}

fn io_worded(e: &io::Error, broker: &str) -> String {
    match e.kind() {
        io::ErrorKind::ConnectionRefused => {
            format!("nothing listens at {broker}: start the broker, or correct `host` and `port` in the plan")
        }
        io::ErrorKind::TimedOut | io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            format!("{broker} cannot be reached: check the network")
        }
        // The standard library has no kind for a name that the resolver does not know.
        _ if e.to_string().contains("lookup") => {
            format!("the name in {broker} cannot be resolved: correct `host` in the plan, or give an address")
        }
        _ => format!("{broker}: {e}"),
    }
}

/// `NotAuthorized` as `not authorized`.
fn words(code: &impl Debug) -> String {
    let mut out = String::new();
    for c in format!("{code:?}").chars() {
        if c.is_uppercase() && !out.is_empty() && !out.ends_with(char::is_uppercase) {
            out.push(' ');
        }
        out.extend(c.to_lowercase());
    }
    out
}

/// The name at the broker: one a set, so that a daemon that starts again takes its own old place and
/// the old connection's last will cannot come after the new one's `true`.
pub(super) fn client_id(set: &str) -> String {
    format!("lampkeep-{set}")
}

/// Reads a password, refusing a file that everyone may read.
///
/// Errors: one line for a person.
pub(super) fn password(path: &Path) -> Result<String, String> {
    let said = |what: String| format!("password file {}: {what}", path.display());
    let meta =
        std::fs::metadata(path).map_err(|e| said(format!("{e}; name an existing file in the plan")))?;
    if !meta.is_file() {
        return Err(said("it is no regular file".into()));
    }
    let mode = meta.permissions().mode() & 0o777;
    if mode & 0o007 != 0 {
        return Err(said(format!(
            "everyone on this machine may use it (mode {mode:04o}): chmod 0640 it, or 0600"
        )));
    }
    if meta.len() > MAX_PASSWORD {
        return Err(said(format!("it has {} bytes; at most {MAX_PASSWORD} are allowed", meta.len())));
    }
    let text = std::fs::read_to_string(path).map_err(|e| said(e.to_string()))?;
    let password = text.strip_suffix('\n').unwrap_or(&text);
    Ok(password.strip_suffix('\r').unwrap_or(password).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_read_without_its_line_end_and_never_from_an_open_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("password");
        std::fs::write(&path, "tide table\r\n").unwrap();
        let mode = |mode| std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        mode(0o640);
        assert_eq!(password(&path).unwrap(), "tide table");
        mode(0o644);
        let said = password(&path).unwrap_err();
        assert!(
            said.ends_with("everyone on this machine may use it (mode 0644): chmod 0640 it, or 0600"),
            "{said}"
        );
        assert!(password(dir.path()).unwrap_err().ends_with("it is no regular file"));
        assert!(
            password(&dir.path().join("none")).unwrap_err().contains("name an existing file in the plan")
        );
    }

    #[test]
    fn faults_are_told_apart_with_a_next_step() {
        let io = |kind: io::ErrorKind| ConnectionError::Io(kind.into());
        let told = |e: &ConnectionError| worded(e, "broker.local:1883", "a", false);
        assert_eq!(
            told(&io(io::ErrorKind::ConnectionRefused)),
            "nothing listens at broker.local:1883: start the broker, or correct `host` and `port` in the plan"
        );
        let lookup = io::Error::other("failed to lookup address information: Name or service not known");
        assert!(told(&ConnectionError::Io(lookup)).contains("cannot be resolved"));
        let refused = ConnectionError::ConnectionRefused(ConnectReturnCode::NotAuthorized);
        assert!(told(&refused).contains("refuses the user name or password"));
        let other = ConnectionError::ConnectionRefused(ConnectReturnCode::ServerBusy);
        let closed = |was_up| worded(&io(io::ErrorKind::ConnectionReset), "b:1", "a", was_up);
        assert_eq!(closed(true), "b:1 closed the connection: see its log");
        assert_eq!(closed(false), "b:1 closed the connection: see its log, and whether it speaks MQTT 5");
        assert_eq!(told(&other), "broker.local:1883 refuses the connection (server busy): see its log");
    }
}
