//! Takes for a log that a running daemon holds: laid into a folder beside it, taken in by the log's thread.

use std::fs;
use std::io;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use super::exchange::{self, Tally};
use super::store::Store;

/// The folder in a set's state folder.
const FOLDER: &str = "imports";
/// What waits to be taken in.
const WAITS: &str = "takes";
/// What the thread says of it, when it was taken in.
const DONE: &str = "done";
/// And when it was not.
const REFUSED: &str = "refused";

/// Lays a file of takes where the daemon of this state folder finds it. `token` makes its name its own.
///
/// Errors: those of the file system; nothing is left then.
pub fn lay(folder: &Path, from: &Path, token: u64) -> io::Result<PathBuf> {
    let folder = folder.join(FOLDER);
    fs::DirBuilder::new().recursive(true).mode(0o700).create(&folder)?;
    let part = folder.join(format!("{token:016x}.part"));
    let waits = part.with_extension(WAITS);
    let write = || -> io::Result<()> {
        let mut to = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&part)?;
        io::copy(&mut fs::File::open(from)?, &mut to)?;
        to.sync_all()?;
        fs::rename(&part, &waits)
    };
    write().inspect_err(|_| {
        // Half a file is no use to anyone.
        let _ = fs::remove_file(&part);
    })?;
    Ok(waits)
}

/// What the daemon said of a file that was laid; `None`: nothing yet. What it said is then gone.
#[must_use]
pub fn said(waits: &Path) -> Option<Result<Tally, String>> {
    let (done, refused) = (waits.with_extension(DONE), waits.with_extension(REFUSED));
    let read = |path: &Path| fs::read_to_string(path).ok().inspect(|_| drop(fs::remove_file(path)));
    if let Some(text) = read(&done) {
        let mut figures = text.split_whitespace().filter_map(|n| n.parse().ok());
        let mut next = || figures.next().unwrap_or(0);
        let (takes, new, readings, texts) = (next(), next(), next(), next());
        return Some(Ok(Tally { takes, new, readings, texts }));
    }
    read(&refused).map(Err)
}

/// Takes in whatever waits. What is no file of takes is said to be, and removed: its owner has it still.
pub(super) fn take_in(store: &mut Store, folder: &Path) {
    let Ok(entries) = fs::read_dir(folder.join(FOLDER)) else { return };
    for path in entries.filter_map(Result::ok).map(|e| e.path()) {
        if path.extension().is_none_or(|e| e != WAITS) {
            continue;
        }
        let file = fs::File::open(&path).map_err(exchange::ExchangeError::from);
        let (ending, text) = match file.and_then(|file| exchange::import(store, file)) {
            Ok(t) => {
                tracing::info!("{} new takes of {} were taken into the log", t.new, t.takes);
                (DONE, format!("{} {} {} {}", t.takes, t.new, t.readings, t.texts))
            }
            // The log itself fails: that is told elsewhere, and the file waits on.
            Err(exchange::ExchangeError::Store(_)) => return,
            Err(e) => (REFUSED, e.to_string()),
        };
        // Whoever waits for these words may have gone.
        let _ = fs::write(path.with_extension(ending), text);
        let _ = fs::remove_file(&path);
    }
}
