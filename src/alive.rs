//! A sign of life beside the socket, several times a second: how long the daemon was away is known to a
//! fraction of a second after a crash, without wearing a disk.
//!
//! The socket's folder is of the memory (`/run`), and nothing is synced: the sign is for the next start in
//! the same boot alone. Without it the state file's own time counts, ten seconds old at most.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::plain_file;
use crate::state_file::When;

/// Between two signs.
pub const EVERY: Duration = Duration::from_millis(200);
/// Longest text that is read, in bytes: more than any path and the rest take.
const LONGEST: u64 = 10_000;

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sign {
    boot_id: String,
    since_boot_s: f64,
    /// The state folder whose daemon gives it: a simulated set may have the same socket.
    state: PathBuf,
}

/// The signs of one daemon.
#[derive(Debug, Clone)]
pub struct Alive {
    file: PathBuf,
    state: PathBuf,
}

impl Alive {
    /// Beside the socket at `socket`, for the set whose state is in `state`.
    #[must_use]
    pub fn beside(socket: &Path, state: &Path) -> Self {
        let mut file = socket.as_os_str().to_owned();
        file.push(".alive");
        Self { file: file.into(), state: state.to_owned() }
    }

    /// Gives a sign. One that cannot be given is no fault: less is known then, that is all.
    pub fn give(&self, now: &When) {
        let sign = Sign {
            boot_id: now.boot_id.clone(),
            since_boot_s: now.since_boot.as_secs_f64(),
            state: self.state.clone(),
        };
        if let Ok(text) = serde_json::to_string(&sign) {
            let _ = plain_file::overwrite(&self.file, &text);
        }
    }

    /// How long ago the last sign was given, in seconds; `None` where there is none of this boot and set.
    #[must_use]
    pub fn last_s(&self, now: &When) -> Option<f64> {
        let text = plain_file::read(&self.file, LONGEST).ok()?;
        let sign: Sign = serde_json::from_slice(&text).ok()?;
        let ours = !now.boot_id.is_empty() && sign.boot_id == now.boot_id && sign.state == self.state;
        Some(now.since_boot.as_secs_f64() - sign.since_boot_s).filter(|gap| ours && *gap >= 0.0)
    }

    /// Takes the sign away, at a clean stop: the state file tells the time of that.
    pub fn end(&self) {
        // Where it is gone already there is nothing to do.
        let _ = std::fs::remove_file(&self.file);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sign_counts_in_its_own_boot_and_for_its_own_set_alone() {
        let dir = tempfile::tempdir().unwrap();
        let alive = |state: &str| Alive::beside(&dir.path().join("s.sock"), Path::new(state));
        let at = |boot_id: &str, s: f64| When {
            wall: jiff::Timestamp::UNIX_EPOCH,
            boot_id: boot_id.to_owned(),
            since_boot: Duration::from_secs_f64(s),
        };
        assert_eq!(alive("a").last_s(&at("x", 10.0)), None, "no sign");
        alive("a").give(&at("x", 10.0));
        assert_eq!(alive("a").last_s(&at("x", 10.5)), Some(0.5));
        assert_eq!(alive("a").last_s(&at("y", 10.5)), None, "another boot");
        assert_eq!(alive("a.simulated").last_s(&at("x", 10.5)), None, "another set");
        assert_eq!(alive("a").last_s(&at("x", 9.0)), None, "time does not go back");
        std::fs::write(dir.path().join("s.sock.alive"), "{\"boot_id\":\"x\"").unwrap();
        assert_eq!(alive("a").last_s(&at("x", 10.5)), None, "cut short");
        alive("a").end();
        assert!(!dir.path().join("s.sock.alive").exists());
    }
}
