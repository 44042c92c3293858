//! Where the log's thread writes: a file that may be full, gone, spoilt or another program's.

use std::path::{Path, PathBuf};

use super::store::{NAME, Store, StoreError};

/// Most files that are set aside in one folder.
const MOST_ASIDE: u32 = 999;

/// Where a log is kept, and whose it is.
#[derive(Debug, Clone)]
pub struct Place {
    /// The set's state folder.
    pub folder: PathBuf,
    /// Changes with the machine.
    pub machine: String,
    /// For the name of a new log.
    pub random: u64,
}

/// Where the thread writes. A log's file outside of tests.
pub trait Disk {
    /// Opens it, or begins a new log; says what was found, where that is worth a word.
    ///
    /// Errors: it cannot be opened now.
    fn open(&mut self) -> Result<Option<String>, StoreError>;

    /// The open log, if it is open.
    fn store(&mut self) -> Option<&mut Store>;

    /// The folder in which takes of other machines wait, if there is one.
    fn folder(&self) -> Option<&Path> {
        None
    }

    /// Lets it go, after a failure: the next try opens it anew.
    fn close(&mut self, why: &StoreError);
}

/// A log's file in a folder.
#[derive(Debug)]
pub struct File {
    place: Place,
    store: Option<Store>,
    /// Why what is there cannot be used, until it is set aside.
    spoilt: Option<String>,
    /// The file was removed: what is still open is to be written anew.
    vanished: Option<Store>,
}

impl File {
    /// A log's file that was not opened yet.
    #[must_use]
    pub fn new(place: Place) -> Self {
        Self { place, store: None, spoilt: None, vanished: None }
    }

    fn path(&self) -> PathBuf {
        self.place.folder.join(NAME)
    }

    /// Moves a file that is no use away, with what belongs to it. Gives its new name.
    fn set_aside(&self) -> std::io::Result<String> {
        let aside = |n: u32| format!("journal.set-aside-{n}.db");
        let free = |n: &u32| !self.place.folder.join(aside(*n)).exists();
        let Some(name) = (1..=MOST_ASIDE).find(free).map(aside) else {
            return Err(std::io::Error::other("too many files were set aside already; remove some"));
        };
        let to = self.place.folder.join(&name);
        // What belongs to it goes first: SQLite throws away a write-ahead log that it finds without its file, and
        // records with it. It finds that under the file's name.
        let with = |path: &Path| PathBuf::from(format!("{}-wal", path.display()));
        match std::fs::rename(with(&self.path()), with(&to)) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        std::fs::rename(self.path(), &to)?;
        Ok(name)
    }
}

impl Disk for File {
    fn open(&mut self) -> Result<Option<String>, StoreError> {
        let mut said = None;
        if let Some(why) = self.spoilt.take() {
            match self.set_aside() {
                Ok(name) => {
                    tracing::error!("{} was set aside as {name}: {why}", self.path().display());
                    said = Some(format!("the log was set aside as {name} ({why}); a new one was begun"));
                }
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
                Err(e) => {
                    self.spoilt = Some(why);
                    return Err(e.into());
                }
            }
        }
        if let Some(old) = self.vanished.take() {
            let known =
                if self.path().exists() { Err(StoreError::Vanished) } else { old.write_anew(&self.path()) };
            said = Some(match known {
                Ok(()) => "the log was removed while it was written; it was written anew, whole".to_owned(),
                Err(_) => "the log was removed or replaced while it was written".to_owned(),
            });
        }
        match Store::open(&self.place.folder, &self.place.machine, self.place.random) {
            Ok(store) => {
                let reach = store.reach()?;
                let unbroken = if reach.unbroken { "unbroken" } else { "records before it are missing" };
                tracing::info!(
                    file = %self.path().display(),
                    "the log reaches to record {} of start {} ({}), {unbroken}",
                    reach.seq,
                    reach.start,
                    if reach.wall.is_empty() { "empty" } else { &reach.wall },
                );
                if !reach.unbroken {
                    said.get_or_insert_with(|| {
                        format!("records are missing before record {} of start {}", reach.seq, reach.start)
                    });
                }
                self.store = Some(store);
                Ok(said)
            }
            Err(e) => {
                if e.is_lasting() {
                    self.spoilt = Some(e.to_string());
                }
                Err(e)
            }
        }
    }

    fn store(&mut self) -> Option<&mut Store> {
        self.store.as_mut()
    }

    fn folder(&self) -> Option<&Path> {
        Some(&self.place.folder)
    }

    fn close(&mut self, why: &StoreError) {
        let store = self.store.take();
        match why {
            StoreError::Vanished => self.vanished = store,
            e if e.is_lasting() => self.spoilt = Some(e.to_string()),
            _ => {}
        }
    }
}
