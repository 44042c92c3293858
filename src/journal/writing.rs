//! Entries into the log's tables, within one transaction.

use rusqlite::{OptionalExtension, Transaction, params};

use super::entry::{Entry, StartRecord, TextsRecord, What};
use super::store::StoreError;
use super::take::{TakeAmend, TakeEnd, TakeRecord, TakeStamp};
use super::{said, sha256};

/// Digits of the boot's id in a take's identity.
const BOOT_DIGITS: usize = 8;
/// Why a take ended that the log found open at the next start.
const GONE: &str = "interrupted: the daemon was gone before it was ended";

/// One transaction's view of the present start.
pub(super) struct Writing {
    /// The log's name among all machines'.
    pub origin: String,
    /// The present start's row.
    pub start: Option<i64>,
    /// The boot's id.
    pub boot: String,
}

impl Writing {
    /// Writes one entry. One that is there already stays as it is.
    ///
    /// Errors: SQLite refuses.
    pub fn put(&mut self, db: &Transaction<'_>, entry: &Entry) -> Result<(), StoreError> {
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
            What::TakeEnded(end) => match self.uid(db, end.number, None)? {
                Some(uid) => end_take(db, &uid, end),
                None => Ok(()),
            },
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
        // Whatever still rolls by this log and does not go on has ended with the daemon; also what it wrote on another
        // machine, under the name that it had there.
        let sql = "SELECT uid, number, start, since_boot_us FROM take \
                   WHERE ended IS NULL AND start IS NOT NULL AND NOT (origin = ?1 AND number IS ?2)";
        let open: Vec<(String, u64, i64, u64)> = db
            .prepare(sql)?
            .query_map(params![self.origin, s.goes_on], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
            })?
            .collect::<Result<_, _>>()?;
        for (uid, number, start, since_boot_us) in open {
            let sql = "SELECT coalesce(max(since_boot_us), ?2) FROM entry WHERE start = ?1";
            let last: u64 = db.query_row(sql, params![start, since_boot_us], |row| row.get(0))?;
            let rolled_s = last.saturating_sub(since_boot_us) as f64 / 1e6;
            let why = vec![GONE.to_owned()];
            let end = TakeEnd { number, why, mark: None, rolled_s, interrupted: true, outputs: Vec::new() };
            end_take(db, &uid, &end)?;
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

fn end_take(db: &Transaction<'_>, uid: &str, end: &TakeEnd) -> Result<(), StoreError> {
    let mark = end.mark.map(|m| m.word());
    let sql = "UPDATE take SET rolled_s = ?2, steady = ?3, interrupted = ?4, mark = coalesce(?5, mark), \
               ended = ?6 WHERE uid = ?1";
    let values = params![uid, end.rolled_s, end.why.is_empty(), end.interrupted, mark, json(end)];
    db.execute(sql, values)?;
    Ok(())
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
