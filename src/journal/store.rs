//! The log's file: opened, brought to the present version, written in whole transactions.
//!
//! The file is held alone while the daemon runs (`locking_mode=EXCLUSIVE`): SQLite then keeps the index of its
//! write-ahead log on the heap. Shared, it would be a mapped file, and a disk that vanishes under a mapped file ends
//! the process by a signal, and the light with it. `lampkeep log` reads a copy ([`super::snapshot`]).

use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, params};

use super::entry::{Entry, What};
use super::schema::{self, SchemaError};
use super::sha256;
use super::writing::Writing;

/// The log's file in a set's state folder.
pub const NAME: &str = "journal.db";
/// Pages of the write-ahead log from which on it is taken into the file: about 4 MiB. Chosen: rare enough to cost
/// nothing, small enough for any card.
const CHECKPOINT_PAGES: u64 = 1000;

/// Why the log cannot be opened or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite refuses.
    #[error("{}", sqlite_said(.0))]
    Sqlite(#[from] rusqlite::Error),
    /// It is no log that can be used.
    #[error(transparent)]
    Schema(SchemaError),
    /// Its pages contradict each other.
    #[error("it is damaged: {0}")]
    Damaged(String),
    /// The folder cannot be made or looked at.
    #[error("{0}")]
    Folder(#[from] std::io::Error),
    /// Someone removed or replaced the file under us.
    #[error("it was removed or replaced while it was written")]
    Vanished,
}

impl From<SchemaError> for StoreError {
    fn from(e: SchemaError) -> Self {
        match e {
            SchemaError::Sqlite(e) => Self::Sqlite(e),
            e => Self::Schema(e),
        }
    }
}

impl StoreError {
    /// True if waiting mends nothing: the file is no log of this version, and must be set aside.
    #[must_use]
    pub fn is_lasting(&self) -> bool {
        match self {
            Self::Sqlite(e) | Self::Schema(SchemaError::Sqlite(e)) => matches!(
                e.sqlite_error_code(),
                Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase | ErrorCode::SchemaChanged)
            ),
            Self::Schema(SchemaError::Foreign | SchemaError::Newer(_)) | Self::Damaged(_) => true,
            Self::Folder(_) | Self::Vanished => false,
        }
    }
}

impl StoreError {
    /// True if another program holds it.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        let (Self::Sqlite(e) | Self::Schema(SchemaError::Sqlite(e))) = self else { return false };
        matches!(e.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
    }

    /// True if there is no room.
    #[must_use]
    pub fn is_full(&self) -> bool {
        matches!(self, Self::Sqlite(e) if e.sqlite_error_code() == Some(ErrorCode::DiskFull))
    }
}

/// The same in words for a person, where SQLite's own are no help.
fn sqlite_said(e: &rusqlite::Error) -> String {
    match e.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => "no space left on its disk; make room".to_owned(),
        Some(ErrorCode::ReadOnly) => {
            "it is read-only; look at its owner and how its disk is mounted".to_owned()
        }
        Some(ErrorCode::CannotOpen) => {
            "it cannot be opened; look at who owns it and its folder, and at how its disk is mounted"
                .to_owned()
        }
        Some(ErrorCode::PermissionDenied) => "it belongs to someone else; set its owner".to_owned(),
        Some(ErrorCode::SystemIoFailure) => format!("its disk fails ({e}); look at the disk"),
        Some(ErrorCode::NotADatabase) => "it is no database".to_owned(),
        Some(ErrorCode::DatabaseCorrupt) => format!("it is damaged ({e})"),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another program holds it; close that".to_owned()
        }
        _ => e.to_string(),
    }
}

/// How far an opened log reaches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reach {
    /// Number of the latest start in it; 0: none.
    pub start: i64,
    /// Sequence number of the last record of that start.
    pub seq: u64,
    /// Wall time of that record.
    pub wall: String,
    /// False if records of that start are missing before it, other than those it says are.
    pub unbroken: bool,
}

/// An open log.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    /// `None`: in memory.
    file: Option<PathBuf>,
    /// Device and inode of the file.
    identity: Option<(u64, u64)>,
    /// Which log this is, among all machines': 16 hex digits.
    origin: String,
    /// The present start's row.
    start: Option<i64>,
    boot: String,
}

impl Store {
    /// Opens the log of a state folder, or begins one.
    ///
    /// `machine`: changes with the machine, so that a copied log goes on under a name of its own. `random`: for the
    /// name of a new log. Errors: see [`StoreError`]; nothing was changed then.
    pub fn open(folder: &Path, machine: &str, random: u64) -> Result<Self, StoreError> {
        make(folder)?;
        let file = folder.join(NAME);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_NOFOLLOW;
        let db = Connection::open_with_flags(&file, flags)?;
        // Until it is known to be a log of ours nothing of it may change, at the closing either.
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
        db.pragma_update(None, "mmap_size", 0)?;
        let mut store = Self::with(db, Some(file), machine, random)?;
        store.identity = store.identity_now();
        Ok(store)
    }

    /// A log in memory alone, with what `from` holds, where that can be read.
    ///
    /// Errors: SQLite refuses, which memory gives no reason for.
    pub fn in_memory(from: Option<&Self>) -> Result<Self, StoreError> {
        let mut db = Connection::open_in_memory()?;
        if let Some(from) = from {
            let backup = rusqlite::backup::Backup::new(&from.db, &mut db)?;
            // All pages in one step.
            backup.step(-1)?;
        }
        let mut store = Self::with(db, None, "memory", 0)?;
        if let Some(from) = from {
            store.origin.clone_from(&from.origin);
            (store.start, store.boot) = (from.start, from.boot.clone());
        }
        Ok(store)
    }

    fn with(
        mut db: Connection,
        file: Option<PathBuf>,
        machine: &str,
        random: u64,
    ) -> Result<Self, StoreError> {
        db.pragma_update(None, "foreign_keys", true)?;
        db.pragma_update(None, "trusted_schema", false)?;
        db.pragma_update(None, "cell_size_check", true)?;
        schema::version_of(&db)?;
        let check: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if check != "ok" {
            return Err(StoreError::Damaged(crate::words::short(&check)));
        }
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
        // Before the first page is written; freed pages then go back to the disk when records are pruned.
        db.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
        if file.is_some() {
            // A committed record is on the disk before the next is begun.
            db.pragma_update(None, "synchronous", "FULL")?;
            let mode: String = db.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
            if mode != "wal" {
                return Err(StoreError::Damaged(format!("its journal mode stays {mode}")));
            }
            db.pragma_update(None, "wal_autocheckpoint", 0)?;
        }
        schema::migrate(&mut db)?;
        let mut store =
            Self { db, file, identity: None, origin: String::new(), start: None, boot: String::new() };
        store.origin = store.own_origin(machine, random)?;
        store.checkpoint()?;
        Ok(store)
    }

    /// This log's name among all machines'; a new one where the file came from another machine.
    fn own_origin(&mut self, machine: &str, random: u64) -> Result<String, StoreError> {
        let machine = sha256(format!("lampkeep journal {machine}").as_bytes())[..16].to_owned();
        let known = |db: &Connection, key: &str| {
            let sql = "SELECT value FROM meta WHERE key = ?1";
            db.query_row(sql, [key], |row| row.get::<_, String>(0)).optional()
        };
        let here = known(&self.db, "machine")?.is_none_or(|m| m == machine);
        if let Some(origin) = known(&self.db, "origin")?.filter(|_| here) {
            return Ok(origin);
        }
        let origin = format!("{random:016x}");
        let transaction = self.db.transaction()?;
        for (key, value) in [("machine", &machine), ("origin", &origin)] {
            transaction.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)", [key, value])?;
        }
        transaction.commit()?;
        Ok(origin)
    }

    /// Reading it.
    #[must_use]
    pub fn db(&self) -> &Connection {
        &self.db
    }

    /// The same for a change that is no record: an import.
    pub(super) fn db_mut(&mut self) -> &mut Connection {
        &mut self.db
    }

    /// This log's name among all machines'.
    #[must_use]
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// Log number of this log's latest take, 0 before the first.
    ///
    /// Errors: SQLite refuses.
    pub fn last_take(&self) -> Result<u64, StoreError> {
        let sql = "SELECT coalesce(max(number), 0) FROM take WHERE origin = ?1";
        Ok(self.db.query_row(sql, [&self.origin], |row| row.get(0))?)
    }

    /// Writes entries, all or none, and returns once they are on the disk. One that is there already stays as it is.
    ///
    /// Errors: none of them was written.
    pub fn append(&mut self, entries: &[Entry]) -> Result<(), StoreError> {
        if self.file.is_some() && (self.identity.is_none() || self.identity != self.identity_now()) {
            return Err(StoreError::Vanished);
        }
        let (start, boot) = (self.start, self.boot.clone());
        let mut writing = Writing { origin: self.origin.clone(), start, boot };
        let transaction = self.db.transaction()?;
        for entry in entries {
            writing.put(&transaction, entry)?;
        }
        transaction.commit()?;
        (self.start, self.boot) = (writing.start, writing.boot);
        Ok(())
    }

    /// Takes a long write-ahead log into the file. Errors: SQLite refuses; what is committed stays so.
    pub fn checkpoint_if_long(&mut self) -> Result<(), StoreError> {
        let Some(file) = &self.file else { return Ok(()) };
        let wal = file.with_extension("db-wal");
        let page = 4096;
        if std::fs::metadata(wal).is_ok_and(|m| m.len() > CHECKPOINT_PAGES * page) {
            self.checkpoint()?;
        }
        Ok(())
    }

    fn checkpoint(&self) -> Result<(), StoreError> {
        if self.file.is_some() {
            self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        }
        Ok(())
    }

    /// True if a start's first record is in it.
    ///
    /// Errors: SQLite refuses.
    pub fn knows(&self, started: &Entry) -> Result<bool, StoreError> {
        let What::Started(s) = &started.what else { return Ok(false) };
        let stamp = &started.stamp;
        let sql = "SELECT count(*) FROM start WHERE boot_id = ?1 AND since_boot_us = ?2 AND wall = ?3";
        let values = params![s.boot_id, stamp.since_boot_us, stamp.wall];
        Ok(self.db.query_row(sql, values, |row| row.get::<_, i64>(0))? > 0)
    }

    /// How far it reaches, and whether anything of its latest start is missing.
    ///
    /// Errors: SQLite refuses.
    pub fn reach(&self) -> Result<Reach, StoreError> {
        reach(&self.db)
    }

    /// Writes all of it to another place, its folder too: for a file that was removed while it was open.
    ///
    /// Errors: SQLite refuses; there may be a file there that is in the way.
    pub fn write_anew(&self, to: &Path) -> Result<(), StoreError> {
        if let Some(folder) = to.parent() {
            make(folder)?;
        }
        self.db.execute("VACUUM INTO ?1", [to.display().to_string()])?;
        Ok(())
    }

    fn identity_now(&self) -> Option<(u64, u64)> {
        let about = std::fs::symlink_metadata(self.file.as_ref()?).ok()?;
        Some((about.dev(), about.ino()))
    }
}

/// Makes a state folder, its owner's alone.
fn make(folder: &Path) -> std::io::Result<()> {
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)
}

/// How far a log reaches. Errors: SQLite refuses.
pub(super) fn reach(db: &Connection) -> Result<Reach, StoreError> {
    let sql = "SELECT start, seq, wall FROM entry ORDER BY id DESC LIMIT 1";
    let last = db
        .query_row(sql, [], |r| Ok((r.get::<_, i64>(0)?, r.get::<_, u64>(1)?, r.get::<_, String>(2)?)))
        .optional()?;
    let Some((start, seq, wall)) = last else {
        return Ok(Reach { start: 0, seq: 0, wall: String::new(), unbroken: true });
    };
    // Old records are pruned from the front alone; those lost to a full memory are told of by one of their own.
    let sql = "SELECT seq, CASE kind WHEN 'lost' THEN json_extract(record, '$.to_seq') ELSE seq END, id \
               FROM entry WHERE start = ?1 AND id > ?2 ORDER BY id";
    let pruned_to: i64 = meta(db, "pruned_to")?.and_then(|v| v.parse().ok()).unwrap_or(0);
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query(params![start, pruned_to])?;
    let (mut unbroken, mut expected) = (true, if pruned_to == 0 { Some(1) } else { None });
    while let Some(row) = rows.next()? {
        let (from, to): (u64, u64) = (row.get(0)?, row.get(1)?);
        unbroken &= expected.is_none_or(|e| e == from);
        expected = Some(to + 1);
    }
    Ok(Reach { start, seq, wall, unbroken })
}

/// A value of `meta`. Errors: SQLite refuses.
pub(super) fn meta(db: &Connection, key: &str) -> rusqlite::Result<Option<String>> {
    db.query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0)).optional()
}
