//! The local socket: where it is, who may hold it, and who is let in. `visitor` serves one client.
//!
//! The file appears under its name only when its permissions are set; what a crash left behind is
//! replaced, a daemon that answers never. The light knows nothing of all this.

mod visitor;

use std::fs::{DirBuilder, File, Metadata, OpenOptions, Permissions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rustix::fs::{Access, FlockOperation, OFlags};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;

use super::bridge::{Doors, busy, stopped};
use super::places::{Places, answers};
use super::{Answer, Status};

/// Clients served at a time. One more takes the place of the one that has said nothing for longest; where all are
/// busy or follow, it is told `busy` and let go.
pub const MAX_CLIENTS: usize = 32;
/// Clients that may follow the status at a time, so that requests always find a free place.
pub const MAX_FOLLOWERS: usize = 24;
/// Permissions of the socket: its owner and its group ask, nobody else.
pub const MODE: u32 = 0o660;

/// A client that has sent nothing whole for this long gives its place to one that comes when there is no other: one
/// second is far longer than a program takes between two requests of one errand (judgement).
pub const PLACE_KEPT: Duration = Duration::from_secs(1);

/// How long clients may take to read their last answers when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(1);
/// Clients on their way out that may be there beside [`MAX_CLIENTS`]: each reads its last word or is dropped.
const LEAVING: usize = 8;
/// Pause after a failed accept, such as for want of file descriptors.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Why there is no socket.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// A daemon answers there.
    #[error(
        "set `{set}` runs already and answers at {path}: stop that daemon first (Ctrl-C, or `systemctl stop \
         lampkeep`), or give this one another name with `--set`"
    )]
    Runs {
        /// The set.
        set: String,
        /// Its socket.
        path: PathBuf,
    },
    /// Something else stands there.
    #[error("{path} is there and is no socket: move it away, or set LAMPKEEP_SOCKET to another path")]
    NotASocket {
        /// The path.
        path: PathBuf,
    },
    /// No folder can be written to.
    #[error(
        "no place for the socket: {tried} cannot be written to. Set LAMPKEEP_SOCKET to a path that can, or \
         XDG_RUNTIME_DIR to a folder of yours"
    )]
    NoPlace {
        /// The folders tried, best first, separated by commas.
        tried: String,
    },
    /// The system refuses.
    #[error("the socket {path} cannot be made: {source}")]
    Io {
        /// The path.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
}

/// Where this set's daemon puts its socket, by the environment of this process.
///
/// Makes the folder where it is missing. Errors: see [`SocketError`]; `Runs` when a daemon of this set
/// answers at any of its places.
pub fn place(set: &str) -> Result<PathBuf, SocketError> {
    place_in(&Places::from_env(), set)
}

/// As [`place`], in a given environment.
pub fn place_in(places: &Places, set: &str) -> Result<PathBuf, SocketError> {
    let paths = places.of_set(set);
    if let Some(path) = paths.iter().find(|p| answers(p)) {
        return Err(SocketError::Runs { set: set.to_owned(), path: path.clone() });
    }
    if let Some(path) = places.named() {
        return Ok(path.to_owned());
    }
    let usable = places.folders().iter().position(|folder| usable(folder));
    usable.and_then(|index| paths.into_iter().nth(index)).ok_or_else(|| SocketError::NoPlace {
        tried: places.folders().iter().map(|f| f.display().to_string()).collect::<Vec<_>>().join(", "),
    })
}

/// True if the folder is there, or could be made, and sockets can be made in it.
fn usable(folder: &Path) -> bool {
    // Others may pass through: the socket's own permissions say who may ask.
    match DirBuilder::new().mode(0o755).create(folder) {
        Ok(()) => true,
        Err(_) => folder.is_dir() && rustix::fs::access(folder, Access::WRITE_OK | Access::EXEC_OK).is_ok(),
    }
}

/// A socket that is this daemon's own. The file goes when this is dropped.
#[derive(Debug)]
pub struct Listener {
    listener: Option<UnixListener>,
    path: PathBuf,
    identity: (u64, u64),
    /// Held as long as the daemon lives; the kernel lets go of it even after a crash.
    _lock: File,
}

impl Listener {
    /// Where it listens.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        // Only if it is still ours: somebody may have moved it away and put another there.
        let ours = std::fs::symlink_metadata(&self.path).is_ok_and(|m| identity(&m) == self.identity);
        if ours && let Err(e) = std::fs::remove_file(&self.path) {
            tracing::warn!("the socket {} stays behind: {e}", self.path.display());
        }
        // While it is still held. One that stays behind means nothing: nobody holds it.
        let _ = std::fs::remove_file(with_ending(&self.path, ".lock"));
    }
}

fn identity(meta: &Metadata) -> (u64, u64) {
    (meta.dev(), meta.ino())
}

/// Makes the socket of `set` at `path`, replacing one that a crash left behind.
///
/// Errors: see [`SocketError`].
pub fn bind(path: &Path, set: &str) -> Result<Listener, SocketError> {
    let fault = |source: io::Error| SocketError::Io { path: path.to_owned(), source };
    let runs = || SocketError::Runs { set: set.to_owned(), path: path.to_owned() };
    let lock = lock(&with_ending(path, ".lock")).map_err(fault)?.ok_or_else(runs)?;
    if answers(path) {
        return Err(runs());
    }
    if std::fs::symlink_metadata(path).is_ok_and(|m| !m.file_type().is_socket()) {
        return Err(SocketError::NotASocket { path: path.to_owned() });
    }
    let (listener, identity) = make(path).map_err(fault)?;
    Ok(Listener { listener: Some(listener), path: path.to_owned(), identity, _lock: lock })
}

/// Takes the lock of a socket; `None` when a daemon holds it. Two daemons that start at the same moment
/// both find nobody listening; just one of them gets the lock.
fn lock(path: &Path) -> io::Result<Option<File>> {
    loop {
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            // A pipe under that name would keep us waiting for ever.
            .custom_flags((OFlags::NOFOLLOW | OFlags::NONBLOCK).bits().cast_signed())
            .open(path)?;
        match rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(rustix::io::Errno::WOULDBLOCK) => return Ok(None),
            Err(e) => return Err(e.into()),
        }
        // Its holder may have removed it between our opening and our locking: then this is the lock of
        // nothing, and the next daemon would make another.
        let ours = identity(&file.metadata()?);
        if std::fs::symlink_metadata(path).is_ok_and(|m| identity(&m) == ours) {
            return Ok(Some(file));
        }
    }
}

/// Makes the socket in a folder that nobody else can enter, sets its permissions, moves it in place.
fn make(path: &Path) -> io::Result<(UnixListener, (u64, u64))> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // Short: the path of a socket holds 107 bytes.
    let closed = folder.join(format!(".{}", std::process::id()));
    let inside = closed.join("s");
    // Left by a crash of a process that had this id.
    let _ = std::fs::remove_file(&inside);
    let _ = std::fs::remove_dir(&closed);
    DirBuilder::new().mode(0o700).create(&closed)?;
    let made = (|| {
        let listener = UnixListener::bind(&inside)?;
        std::fs::set_permissions(&inside, Permissions::from_mode(MODE))?;
        listener.set_nonblocking(true)?;
        let identity = identity(&std::fs::symlink_metadata(&inside)?);
        // The name must be short enough to connect to as well, not just to make.
        rustix::net::SocketAddrUnix::new(path)?;
        std::fs::rename(&inside, path)?;
        Ok((listener, identity))
    })();
    let _ = std::fs::remove_file(&inside);
    let _ = std::fs::remove_dir(&closed);
    made
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// Lets clients in until `stopping` turns true, then removes the socket and lets each of them read its
/// last answer, for a second at most.
///
/// Stop the engine first: a request that waits for it is answered as soon as it ends. Errors: the
/// socket cannot be used with this runtime.
pub async fn serve(
    mut listener: Listener,
    doors: Doors,
    status: watch::Receiver<Arc<Status>>,
    mut stopping: watch::Receiver<bool>,
) -> io::Result<()> {
    let Some(inner) = listener.listener.take() else {
        return Err(io::Error::other("the socket is served already"));
    };
    let inner = tokio::net::UnixListener::from_std(inner)?;
    let followers = Arc::new(Semaphore::new(MAX_FOLLOWERS));
    let mut clients = JoinSet::new();
    let mut seats: Vec<Arc<visitor::Seat>> = Vec::new();
    let told = stopping.clone();
    let mut failing = false;
    loop {
        tokio::select! {
            () = stopped(&mut stopping) => break,
            Some(_) = clients.join_next(), if !clients.is_empty() => {}
            accepted = inner.accept() => match accepted {
                Ok((stream, _)) => {
                    failing = false;
                    // Of those that have left nobody else holds the seat.
                    seats.retain(|seat| Arc::strong_count(seat) > 1);
                    if clients.len() < MAX_CLIENTS || make_room(&seats, clients.len()) {
                        let seat = visitor::Seat::new();
                        seats.push(Arc::clone(&seat));
                        let visitor = visitor::Visitor::new(
                            stream, doors.clone(), status.clone(), told.clone(), Arc::clone(&followers), seat,
                        );
                        clients.spawn(visitor.serve());
                    } else {
                        turn_away(&stream);
                    }
                }
                Err(e) => {
                    if !failing {
                        tracing::warn!("the socket lets nobody in: {e}; trying on");
                    }
                    failing = true;
                    tokio::time::sleep(ACCEPT_PAUSE).await;
                }
            },
        }
    }
    drop(inner);
    drop(listener);
    let farewell = async { while clients.join_next().await.is_some() {} };
    let _ = tokio::time::timeout(FAREWELL, farewell).await;
    clients.shutdown().await;
    Ok(())
}

/// Has the client leave that has said nothing for longest, if one may be asked to.
///
/// For a moment there is one more than [`MAX_CLIENTS`]; while those that were asked to go have not left, no more.
fn make_room(seats: &[Arc<visitor::Seat>], clients: usize) -> bool {
    if clients > MAX_CLIENTS + LEAVING {
        return false;
    }
    let longest = seats.iter().filter_map(|s| Some((s.waits_since()?, s))).min_by_key(|(since, _)| *since);
    match longest {
        Some((since, seat)) if since.elapsed() >= PLACE_KEPT => {
            seat.ask_to_go();
            true
        }
        _ => false,
    }
}

/// Tells a client that there is no room. Its buffer is empty, so this cannot wait.
fn turn_away(stream: &tokio::net::UnixStream) {
    let said = format!("{MAX_CLIENTS} clients are connected, which is all there is room for");
    let answer = Answer::refused(None, busy(said, "close one of them, then ask again"));
    let _ = stream.try_write(&visitor::line(&answer));
}
