//! A copy of a log for reading, made while the daemon may be writing it: the daemon holds its file alone.
//!
//! A copy is whole if the file itself did not change while it was copied and the write-ahead log was only added to:
//! what SQLite reads of that is what was committed at some moment. Nothing is written beside the log.

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::store::{self, Reach, StoreError};
use super::{read, schema};

/// Tries until a copy is whole. A daemon takes its write-ahead log into the file once in some thousand records.
const TRIES: usize = 20;
/// The head of a write-ahead log: it changes when the log begins anew. Source: SQLite, "The WAL File Format".
const WAL_HEAD: usize = 32;

/// Why a log cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum SnapshotError {
    /// There is none.
    #[error("there is no log at {0}")]
    None(PathBuf),
    /// Its files cannot be copied.
    #[error("the log at {0} cannot be read: {1}")]
    Io(PathBuf, #[source] io::Error),
    /// It changed each time.
    #[error("the log at {0} changes all the time; try again")]
    Busy(PathBuf),
    /// It is no log.
    #[error("the log at {0} cannot be read: {1}")]
    Store(PathBuf, #[source] StoreError),
}

/// A readable copy of a log; it is removed with this value.
#[derive(Debug)]
pub struct Snapshot {
    db: Connection,
    origin: String,
    folder: PathBuf,
}

impl Drop for Snapshot {
    fn drop(&mut self) {
        // What is left in the folder for temporary files is the system's to remove.
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Snapshot {
    /// Copies a log into a new folder under `temporary` and opens the copy.
    ///
    /// `token`: makes the folder's name its own. Errors: see [`SnapshotError`].
    pub fn of(file: &Path, temporary: &Path, token: u64) -> Result<Self, SnapshotError> {
        if !file.exists() {
            return Err(SnapshotError::None(file.to_owned()));
        }
        let folder = temporary.join(format!("lampkeep-log-{token:016x}"));
        let failed = |e| SnapshotError::Io(file.to_owned(), e);
        std::fs::DirBuilder::new().mode(0o700).create(&folder).map_err(failed)?;
        // From here on it is removed whatever happens.
        let copy = folder.join(store::NAME);
        let copied = copied(file, &copy);
        let open = || -> Result<(Connection, String), StoreError> {
            let mut db = Connection::open_with_flags(&copy, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
            db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
            // The copy alone: no daemon of this version may have met the log yet.
            schema::migrate(&mut db)?;
            let origin = store::meta(&db, "origin")?.unwrap_or_default();
            Ok((db, origin))
        };
        let result = match copied {
            Ok(true) => open().map_err(|e| SnapshotError::Store(file.to_owned(), e)),
            Ok(false) => Err(SnapshotError::Busy(file.to_owned())),
            Err(e) => Err(failed(e)),
        };
        match result {
            Ok((db, origin)) => Ok(Self { db, origin, folder }),
            Err(e) => {
                let _ = std::fs::remove_dir_all(&folder);
                Err(e)
            }
        }
    }

    /// The copy.
    #[must_use]
    pub fn db(&self) -> &Connection {
        &self.db
    }

    /// The log's name among all machines'.
    #[must_use]
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// How far it reaches.
    ///
    /// Errors: SQLite refuses.
    pub fn reach(&self) -> Result<Reach, StoreError> {
        store::reach(&self.db)
    }

    /// Gives each record that is wanted to `each`, oldest first, until that is enough (false).
    ///
    /// Errors: SQLite refuses.
    pub fn lines(
        &self,
        filter: &super::lines::Filter,
        each: impl FnMut(&super::lines::Row) -> bool,
    ) -> Result<(), StoreError> {
        super::lines::lines(&self.db, filter, each)
    }

    /// Writes it to a file of its own, whole, for any SQLite tool.
    ///
    /// Errors: SQLite refuses; there is something there already.
    pub fn copy_to(&self, to: &Path) -> Result<(), StoreError> {
        self.db.execute("VACUUM INTO ?1", [to.display().to_string()])?;
        Ok(())
    }

    /// Its takes, the newest so many.
    ///
    /// Errors: SQLite refuses.
    pub fn takes(&self, most: usize) -> Result<Vec<super::TakeFound>, StoreError> {
        read::takes(&self.db, &self.origin, most)
    }

    /// The texts of a plan by its hash, where it has them.
    ///
    /// Errors: SQLite refuses.
    pub fn texts(&self, plan: &str) -> Result<Option<super::TextsRecord>, StoreError> {
        read::texts(&self.db, plan)
    }

    /// One take by its name.
    ///
    /// Errors: there is none, or several have this name.
    pub fn take(&self, name: &super::TakeName) -> Result<super::TakeFound, crate::control::Failure> {
        read::take(&self.db, &self.origin, name)
    }
}

/// Copies a log's files until the copy is whole; false if it never was.
fn copied(file: &Path, copy: &Path) -> io::Result<bool> {
    let wal = |path: &Path| PathBuf::from(format!("{}-wal", path.display()));
    for _ in 0..TRIES {
        let before = (about(file)?, head(&wal(file))?);
        std::fs::copy(file, copy)?;
        match std::fs::copy(wal(file), wal(copy)) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                // There is none: a copy of before must not stay.
                let _ = std::fs::remove_file(wal(copy));
            }
            Err(e) => return Err(e),
            Ok(_) => {}
        }
        if before == (about(file)?, head(&wal(file))?) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Changes whenever a file's bytes do: device, inode, length, and the time of its last change in nanoseconds.
fn about(file: &Path) -> io::Result<(u64, u64, u64, i64, i64)> {
    let m = std::fs::metadata(file)?;
    Ok((m.dev(), m.ino(), m.len(), m.mtime(), m.mtime_nsec()))
}

fn head(wal: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    match File::open(wal) {
        Ok(file) => file.take(WAL_HEAD as u64).read_to_end(&mut bytes)?,
        Err(e) if e.kind() == io::ErrorKind::NotFound => 0,
        Err(e) => return Err(e),
    };
    Ok(bytes)
}
