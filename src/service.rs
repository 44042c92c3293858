//! Tells the service manager how the daemon fares, where one asks to be told (`Type=notify`).
//!
//! Without a service manager (`NOTIFY_SOCKET` unset) every call does nothing.

use sd_notify::NotifyState;

/// The daemon works: the engine runs, and each output has sent its first frame or was found absent.
pub fn ready(set: &str) {
    tell(&[NotifyState::Ready, NotifyState::Status(&format!("set {set}"))]);
}

/// One line about what the daemon does, shown by `systemctl status`.
pub fn status(said: &str) {
    tell(&[NotifyState::Status(said)]);
}

/// The daemon has begun to stop; the light may still be fading.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(e) = sd_notify::notify(state) {
        tracing::warn!("the service manager cannot be told: {e}");
    }
}
