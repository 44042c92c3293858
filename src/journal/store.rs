//! The log's file: opened, brought to the present version, written in whole transactions.
//!
//! The file is held alone while the daemon runs (`locking_mode=EXCLUSIVE`): SQLite then keeps the index of its
//! write-ahead log on the heap. Shared, it would be a mapped file, and a disk that vanishes under a mapped file ends
//! the process by a signal, and the light with it. `lampkeep log` reads a copy ([`super::snapshot`]).

use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, Transaction, params};

use super::entry::{Entry, StartRecord, TextsRecord, What};
use super::schema::{self, SchemaError};
use super::take::{TakeAmend, TakeEnd, TakeRecord, TakeStamp};
use super::{said, sha256};

/// The log's file in a set's state folder.
pub const NAME: &str = "journal.db";
/// Pages of the write-ahead log from which on it is taken into the file: about 4 MiB. Chosen: rare enough to cost
/// nothing, small enough for any card.
const CHECKPOINT_PAGES: u64 = 1000;
/// Digits of the boot's id in a take's identity.
const BOOT_DIGITS: usize = 8;
/// Why a take ended that the log found open at the next start.
const GONE: &str = "interrupted: the daemon was gone before it was ended";

/// Why the log cannot be opened or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite refuses.
    #[error("{}", sqlite_said(.0))]
    Sqlite(#[from] rusqlite::Error),
    /// It is no log that can be used.
    #[error(transparent)]
    Schema(#[from] SchemaError),
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
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
        let file = folder.join(NAME);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_NOFOLLOW;
        let db = Connection::open_with_flags(&file, flags)?;
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
        schema::version_of(&db)?;
        let check: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if check != "ok" {
            return Err(StoreError::Damaged(crate::words::short(&check)));
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

    /// Writes all of it to another place: for a file that was removed while it was open.
    ///
    /// Errors: SQLite refuses; there may be a file there that is in the way.
    pub fn write_anew(&self, to: &Path) -> Result<(), StoreError> {
        self.db.execute("VACUUM INTO ?1", [to.display().to_string()])?;
        Ok(())
    }

    fn identity_now(&self) -> Option<(u64, u64)> {
        let about = std::fs::symlink_metadata(self.file.as_ref()?).ok()?;
        Some((about.dev(), about.ino()))
    }
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

/// One transaction's view of the present start.
struct Writing {
    origin: String,
    start: Option<i64>,
    boot: String,
}

impl Writing {
    fn put(&mut self, db: &Transaction<'_>, entry: &Entry) -> Result<(), StoreError> {
        let Entry { stamp, what } = entry;
        if let What::Started(started) = what {
            self.begin(db, entry, started)?;
        }
        let Some(start) = self.start else {
            // Records of no start have no order: the thread puts the start first.
            return Ok(());
        };
        let record = match what {
            // In tables of their own.
            What::TakeStarted(_) => None,
            What::Texts(texts) => {
                put_texts(db, texts)?;
                Some(json(&TextsRecord { texts: Vec::new(), ..texts.clone() }))
            }
            _ => Some(inner(what)),
        };
        let sql = "INSERT OR IGNORE INTO entry \
                   (start, seq, wall, clock_unset, since_boot_us, frame, kind, said, record) \
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";
        let values = params![
            start,
            stamp.seq,
            stamp.wall,
            stamp.unset,
            stamp.since_boot_us,
            stamp.frame,
            what.kind(),
            said::line(what),
            record
        ];
        if db.prepare_cached(sql)?.execute(values)? == 0 {
            return Ok(());
        }
        match what {
            What::TakeStarted(take) => self.begin_take(db, entry, take),
            What::TakeStamped(stamp) => self.stamp_take(db, stamp),
            What::TakeEnded(end) => self.end_take(db, end),
            What::TakeAmended(amend) => self.amend_take(db, amend),
            _ => Ok(()),
        }
    }

    fn begin(&mut self, db: &Transaction<'_>, entry: &Entry, s: &StartRecord) -> Result<(), StoreError> {
        let stamp = &entry.stamp;
        self.boot.clone_from(&s.boot_id);
        // The same start again, after a try of which nobody knows whether it came through.
        let sql = "SELECT id FROM start WHERE boot_id = ?1 AND since_boot_us = ?2 AND wall = ?3";
        let known = db
            .query_row(sql, params![s.boot_id, stamp.since_boot_us, stamp.wall], |row| row.get(0))
            .optional()?;
        if known.is_some() {
            self.start = known;
            return Ok(());
        }
        db.execute(
            "INSERT INTO start (boot_id, wall, clock_unset, since_boot_us, version, set_name, plan, simulated) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![s.boot_id, stamp.wall, stamp.unset, stamp.since_boot_us, s.version, s.set, s.plan, s.simulated],
        )?;
        self.start = Some(db.last_insert_rowid());
        // Whatever still rolls by this log and does not go on has ended with the daemon.
        let sql = "SELECT number, start, since_boot_us FROM take \
                   WHERE origin = ?1 AND ended IS NULL AND start IS NOT NULL AND number IS NOT ?2";
        let open: Vec<(u64, i64, u64)> = db
            .prepare(sql)?
            .query_map(params![self.origin, s.goes_on], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<Result<_, _>>()?;
        for (number, start, since_boot_us) in open {
            let sql = "SELECT coalesce(max(since_boot_us), ?2) FROM entry WHERE start = ?1";
            let last: u64 = db.query_row(sql, params![start, since_boot_us], |row| row.get(0))?;
            let rolled_s = last.saturating_sub(since_boot_us) as f64 / 1e6;
            let why = vec![GONE.to_owned()];
            let end = TakeEnd { number, why, mark: None, rolled_s, interrupted: true, outputs: Vec::new() };
            self.end_take(db, &end)?;
        }
        Ok(())
    }

    fn begin_take(&self, db: &Transaction<'_>, entry: &Entry, take: &TakeRecord) -> Result<(), StoreError> {
        let stamp = &entry.stamp;
        let boot: String = self.boot.chars().take(BOOT_DIGITS).collect();
        let start = self.start.unwrap_or(0);
        let uid = format!("{}-{boot}-{start}-{}", self.origin, stamp.seq);
        db.execute(
            "INSERT OR IGNORE INTO take (uid, origin, number, name, slate, take, look, plan, frame_hash, start, seq, \
             boot_id, since_boot_us, wall, clock_unset, frame, record, amended) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, '[]')",
            params![
                uid,
                self.origin,
                take.number,
                take.name,
                take.slate,
                take.take,
                take.look,
                take.light.plan,
                take.light.frame_hash,
                start,
                stamp.seq,
                self.boot,
                stamp.since_boot_us,
                stamp.wall,
                stamp.unset,
                stamp.frame,
                json(take)
            ],
        )?;
        Ok(())
    }

    /// The identity of a take of this log, or of the log whose name begins so.
    fn uid(
        &self,
        db: &Transaction<'_>,
        number: u64,
        origin: Option<&str>,
    ) -> rusqlite::Result<Option<String>> {
        let sql = "SELECT uid FROM take WHERE number = ?1 AND origin LIKE ?2 || '%' \
                   ORDER BY start DESC, seq DESC LIMIT 1";
        db.query_row(sql, params![number, origin.unwrap_or(&self.origin)], |row| row.get(0)).optional()
    }

    fn stamp_take(&self, db: &Transaction<'_>, stamp: &TakeStamp) -> Result<(), StoreError> {
        let Some(uid) = self.uid(db, stamp.number, None)? else { return Ok(()) };
        let sql =
            "UPDATE take SET frame_hash = ?2, record = json_set(record, '$.light', json(?3)) WHERE uid = ?1";
        db.execute(sql, params![uid, stamp.light.frame_hash, json(&stamp.light)])?;
        Ok(())
    }

    fn end_take(&self, db: &Transaction<'_>, end: &TakeEnd) -> Result<(), StoreError> {
        let Some(uid) = self.uid(db, end.number, None)? else { return Ok(()) };
        let mark = end.mark.map(|m| m.word());
        let sql = "UPDATE take SET rolled_s = ?2, steady = ?3, interrupted = ?4, mark = coalesce(?5, mark), \
                   ended = ?6 WHERE uid = ?1";
        let steady = end.why.is_empty();
        let values = params![uid, end.rolled_s, steady, end.interrupted, mark, json(end)];
        db.execute(sql, values)?;
        Ok(())
    }

    fn amend_take(&self, db: &Transaction<'_>, amend: &TakeAmend) -> Result<(), StoreError> {
        let Some(uid) = self.uid(db, amend.number, amend.origin.as_deref())? else { return Ok(()) };
        let mark = amend.mark.map(|m| m.word());
        let sql = "UPDATE take SET slate = coalesce(?2, slate), take = coalesce(?3, take), \
                   name = coalesce(?2, slate) || '/' || coalesce(?3, take), mark = coalesce(?4, mark), \
                   amended = json_insert(amended, '$[#]', json(?5)) WHERE uid = ?1";
        db.execute(sql, params![uid, amend.slate, amend.take, mark, json(amend)])?;
        Ok(())
    }
}

/// What a record holds, without the word for its kind.
fn inner(what: &What) -> String {
    let value = serde_json::to_value(what).unwrap_or_default();
    json(&value.as_object().and_then(|fields| fields.values().next()))
}

/// Numbers, texts and lists of them alone: this cannot fail.
pub(super) fn json(value: &impl serde::Serialize) -> String {
    serde_json::to_string(value).unwrap_or_else(|_| "null".to_owned())
}

/// Texts by their hashes, each once.
pub(super) fn put_texts(db: &Transaction<'_>, texts: &TextsRecord) -> Result<(), StoreError> {
    for (position, text) in texts.texts.iter().enumerate() {
        let hash = sha256(text.text.as_bytes());
        db.prepare_cached("INSERT OR IGNORE INTO text (hash, text) VALUES (?1, ?2)")?
            .execute([&hash, &text.text])?;
        let sql = "INSERT OR IGNORE INTO plan_text (plan, without_names, position, role, name, hash) \
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
        let position = i64::try_from(position).unwrap_or(i64::MAX);
        let values = params![texts.plan, texts.without_names, position, text.role.word(), text.name, hash];
        db.prepare_cached(sql)?.execute(values)?;
    }
    Ok(())
}
