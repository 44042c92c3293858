//! Where sockets are: the rule that daemon and command line share.
//!
//! `$LAMPKEEP_SOCKET`, else `/run/lampkeep/SET.sock`, else `$XDG_RUNTIME_DIR/lampkeep/SET.sock`. This
//! file knows names and whether somebody answers there; it never makes a socket.

use std::ffi::OsString;
use std::io;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use rustix::net::{AddressFamily, SocketAddrUnix, SocketFlags, SocketType};

use crate::plan::is_set_name;

/// Folder that the service unit makes.
const SYSTEM: &str = "/run/lampkeep";
/// Ending of a socket's name.
const ENDING: &str = "sock";

/// The places that an environment gives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Places {
    /// One socket, whatever the set: `$LAMPKEEP_SOCKET`.
    named: Option<PathBuf>,
    /// Folders to look in, best first.
    folders: Vec<PathBuf>,
}

impl Places {
    /// Places by the values of `LAMPKEEP_SOCKET` and `XDG_RUNTIME_DIR`. Empty counts as unset, a
    /// runtime folder that is no absolute path too (as the XDG base directory specification asks).
    #[must_use]
    pub fn new(socket: Option<OsString>, runtime: Option<OsString>) -> Self {
        Self::with_system(PathBuf::from(SYSTEM), socket, runtime)
    }

    /// As [`Places::new`], with another folder in place of `/run/lampkeep`.
    #[must_use]
    pub fn with_system(system: PathBuf, socket: Option<OsString>, runtime: Option<OsString>) -> Self {
        let given = |value: Option<OsString>| value.filter(|v| !v.is_empty()).map(PathBuf::from);
        let own = given(runtime).filter(|p| p.is_absolute()).map(|p| p.join("lampkeep"));
        Self { named: given(socket), folders: std::iter::once(system).chain(own).collect() }
    }

    /// Places by this process's environment.
    #[must_use]
    pub fn from_env() -> Self {
        Self::new(std::env::var_os("LAMPKEEP_SOCKET"), std::env::var_os("XDG_RUNTIME_DIR"))
    }

    /// The one socket that the environment names, whatever the set.
    #[must_use]
    pub fn named(&self) -> Option<&Path> {
        self.named.as_deref()
    }

    /// Folders to look in, best first.
    #[must_use]
    pub fn folders(&self) -> &[PathBuf] {
        &self.folders
    }

    /// Every path that a set's socket may have, best first.
    #[must_use]
    pub fn of_set(&self, set: &str) -> Vec<PathBuf> {
        match &self.named {
            Some(path) => vec![path.clone()],
            None => self.folders.iter().map(|f| f.join(format!("{set}.{ENDING}"))).collect(),
        }
    }

    /// Sets with a socket in the folders, with its path; sorted by name, the better folder first.
    #[must_use]
    pub fn sets(&self) -> Vec<(String, PathBuf)> {
        let mut found = Vec::new();
        for folder in &self.folders {
            let Ok(entries) = std::fs::read_dir(folder) else { continue };
            for path in entries.filter_map(Result::ok).map(|e| e.path()) {
                if path.extension().is_some_and(|e| e == ENDING)
                    && let Some(set) = path.file_stem().and_then(|s| s.to_str())
                    && is_set_name(set)
                {
                    found.push((set.to_owned(), path));
                }
            }
        }
        found.sort_by(|a, b| a.0.cmp(&b.0));
        found
    }
}

/// The folder of a set's state: `$LAMPKEEP_STATE`, else `$STATE_DIRECTORY`, else `$XDG_STATE_HOME/lampkeep`,
/// else `~/.local/state/lampkeep`; in it `SET`, or `SET.simulated` for a simulated set.
///
/// `None` where the environment names no place at all.
#[must_use]
pub fn state_folder(set: &str, simulated: bool) -> Option<PathBuf> {
    let top = state_top()?;
    Some(top.join(if simulated { format!("{set}.simulated") } else { set.to_owned() }))
}

/// The folder above every set's: what belongs to the machine. `None` as for [`state_folder`].
#[must_use]
pub fn state_top() -> Option<PathBuf> {
    let given = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let home = || given("HOME").map(|home| home.join(".local/state"));
    // No absolute path counts as unset. Source: XDG base directory specification.
    let own = given("XDG_STATE_HOME").filter(|path| path.is_absolute());
    given("LAMPKEEP_STATE")
        .or_else(|| given("STATE_DIRECTORY"))
        .or_else(|| Some(own.or_else(home)?.join("lampkeep")))
}

/// Connects without ever waiting for a listener that is stuck.
///
/// Errors: `ConnectionRefused` when nobody listens, `WouldBlock` when somebody does but has no room.
pub(super) fn connect(path: &Path) -> io::Result<UnixStream> {
    let socket = rustix::net::socket_with(
        AddressFamily::UNIX,
        SocketType::STREAM,
        SocketFlags::CLOEXEC | SocketFlags::NONBLOCK,
        None,
    )?;
    rustix::net::connect(&socket, &SocketAddrUnix::new(path)?)?;
    let stream = UnixStream::from(socket);
    stream.set_nonblocking(false)?;
    Ok(stream)
}

/// True if somebody listens at this path.
pub(super) fn answers(path: &Path) -> bool {
    match connect(path) {
        Ok(_) => true,
        Err(e) => e.kind() == io::ErrorKind::WouldBlock,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(of: &[&str]) -> Vec<PathBuf> {
        of.iter().map(PathBuf::from).collect()
    }

    /// Source: the contract, docs/interface.md part 3.
    #[test]
    fn a_named_socket_goes_before_the_system_s_folder_and_that_before_the_user_s() {
        let user = || Some(OsString::from("/run/user/1000"));
        let both = Places::new(None, user());
        assert_eq!(
            both.of_set("pilot-station"),
            paths(&["/run/lampkeep/pilot-station.sock", "/run/user/1000/lampkeep/pilot-station.sock"])
        );
        assert_eq!(Places::new(None, None).of_set("a"), paths(&["/run/lampkeep/a.sock"]));
        assert_eq!(Places::new(Some("/x/y".into()), user()).of_set("a"), paths(&["/x/y"]));
        assert_eq!(
            Places::new(Some("".into()), Some("relative".into())).of_set("a"),
            paths(&["/run/lampkeep/a.sock"])
        );
    }

    #[test]
    fn a_set_s_name_can_leave_neither_its_folder_nor_its_topic() {
        for good in ["pilot-station", "A1", "2"] {
            assert!(is_set_name(good), "{good}");
        }
        for bad in ["", "all", "../x", "a/b", "a.b", "a+", "#", "a b", "ä"] {
            assert!(!is_set_name(bad), "{bad}");
        }
    }

    #[test]
    fn only_names_of_sets_are_found_in_a_folder() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["b.sock", "a.sock", "a.sock.lock", "all.sock", "x y.sock", "note.txt"] {
            std::fs::write(dir.path().join(name), "").unwrap();
        }
        let places = Places::with_system(dir.path().to_owned(), None, None);
        let names: Vec<_> = places.sets().into_iter().map(|(set, _)| set).collect();
        assert_eq!(names, ["a", "b"]);
    }
}
