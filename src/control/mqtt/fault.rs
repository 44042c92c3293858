//! Why there is no broker, in words: what was found and one next step.

use std::fmt::Debug;
use std::io;

use rumqttc::v5::mqttbytes::{
    self,
    v5::{ConnectReturnCode, DisconnectReasonCode},
};
use rumqttc::v5::{ConnectionError, StateError, TlsError};

use super::tls;
use crate::words::short;

/// A connection's end in words. `broker`: host and port. `was_up`: it had been accepted.
pub(super) fn worded(error: &ConnectionError, broker: &str, set: &str, was_up: bool) -> String {
    let closed = || {
        let doubt = if was_up { "" } else { ", and whether it speaks MQTT 5 and wants TLS" };
        format!("{broker} closed the connection: see its log{doubt}")
    };
    let io = match error {
        ConnectionError::Io(e)
        | ConnectionError::Tls(TlsError::Io(e))
        | ConnectionError::MqttState(StateError::Io(e))
        | ConnectionError::MqttState(StateError::Deserialization(mqttbytes::Error::Io(e))) => Some(e),
        _ => None,
    };
    if let Some(found) = io.and_then(tls::found) {
        return tls::worded(found, broker);
    }
    if let (Some(e), false) = (io, matches!(error, ConnectionError::Tls(_))) {
        return if is_end(e) { closed() } else { io_worded(e, broker) };
    }
    match error {
        ConnectionError::Tls(TlsError::Io(e)) if is_end(e) => format!(
            "{broker} closed the connection while TLS was set up: does that port speak TLS, and what does its log say?"
        ),
        ConnectionError::Tls(TlsError::Io(e)) => io_worded(e, broker),
        ConnectionError::Tls(TlsError::TLS(e)) => tls::worded(e, broker),
        ConnectionError::Tls(TlsError::DNSName(_)) => {
            format!("the host in {broker} is neither a name nor an address: correct `host` in the plan")
        }
        ConnectionError::Tls(e) => format!("{broker}: TLS failed ({e}): see its log"),
        ConnectionError::Timeout(_) => {
            format!("{broker} does not answer within 5 s: is it a broker, and is the network up?")
        }
        ConnectionError::Io(e) => io_worded(e, broker),
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

/// A broker that does not take what is published.
pub(super) fn not_taken(broker: &str, set: &str, why: &impl Debug) -> String {
    format!(
        "{broker} refuses some of what is published ({}): let this daemon's user write lampkeep/{set}/#, and the topics \
         to which answers are asked for",
        words(why)
    )
}

/// A broker that will not send what was subscribed to.
pub(super) fn no_requests(broker: &str, set: &str, why: &impl Debug) -> String {
    format!(
        "{broker} sends no requests ({}): let this daemon read lampkeep/{set}/ask and lampkeep/all/ask, or take \
         `requests` out of the plan",
        words(why)
    )
}

/// A broker that has said nothing for longer than the keep-alive allows.
pub(super) fn silent(broker: &str) -> String {
    format!("{broker} has fallen silent: is it stuck, or the network gone?")
}

fn is_end(e: &io::Error) -> bool {
    use io::ErrorKind::{BrokenPipe, ConnectionAborted, ConnectionReset, UnexpectedEof};
    matches!(e.kind(), ConnectionReset | ConnectionAborted | BrokenPipe | UnexpectedEof)
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
pub(super) fn words(code: &impl Debug) -> String {
    let mut out = String::new();
    let mut before = ' ';
    for c in format!("{code:?}").chars() {
        if c.is_uppercase() && before.is_lowercase() {
            out.push(' ');
        }
        out.extend(c.to_lowercase());
        before = c;
    }
    out
}

/// The name at the broker: one a set, so that a daemon that starts again takes its own old place and
/// the old connection's last will cannot come after the new one's `true`.
pub(super) fn client_id(set: &str) -> String {
    format!("lampkeep-{set}")
}

#[cfg(test)]
mod tests {
    use super::*;

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
        assert_eq!(
            closed(false),
            "b:1 closed the connection: see its log, and whether it speaks MQTT 5 and wants TLS"
        );
        assert_eq!(told(&other), "broker.local:1883 refuses the connection (server busy): see its log");
    }
}
