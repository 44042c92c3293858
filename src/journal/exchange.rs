//! Takes on their way to another machine: a text file of JSON lines, with everything that belongs to them.
//!
//! docs/journal.md has the format. A file is taken whole or not at all, and taking it twice changes nothing: a take
//! is the same if its identity is, which has the log's name, the boot, the start and the record's number in it.

use std::io::{BufRead, Read, Write};

use ring::digest;
use rusqlite::{Connection, ErrorCode, OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};

use super::entry::Stamp;
use super::possible;
use super::sha256;
use super::store::{self, StoreError};
use super::take::{ReadingRecord, TakeAmend, TakeEnd, TakeRecord};
use super::writing::json;
use crate::plan::TextRole;

/// Version of the format.
pub const VERSION: u32 = 1;
/// Longest line that is taken, in bytes: a plan's text may be 1 MiB, and escapes make it longer.
const LONGEST_LINE: u64 = 16 << 20;
/// Most lines that are taken. Judgement: thousands of times a production's takes.
const MOST_LINES: u64 = 10_000_000;

/// Why a file of takes cannot be written or taken.
#[derive(Debug, thiserror::Error)]
pub enum ExchangeError {
    /// It cannot be read or written.
    #[error(transparent)]
    Io(#[from] std::io::Error),
    /// The log fails.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A line is not of this format.
    #[error("line {0} is not what `lampkeep log --export` writes: {1}")]
    Line(u64, String),
    /// It is of another version.
    #[error("it is of version {0}, this lampkeep reads {VERSION}")]
    Version(u32),
    /// It does not begin as such a file does.
    #[error("it is no file of takes: its first line does not say so")]
    NoHead,
    /// It was cut short.
    #[error("it was cut short: its last line is missing")]
    Short,
    /// Something in it was changed on its way.
    #[error("something in it was changed on its way: its bytes do not give the hash of its last line")]
    Changed,
}

impl From<rusqlite::Error> for ExchangeError {
    fn from(e: rusqlite::Error) -> Self {
        Self::Store(e.into())
    }
}

/// One line.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Line {
    LampkeepTakes(Head),
    Text { hash: String, text: String },
    PlanText(PlanTextLine),
    Reading(Box<ReadingLine>),
    Take(Box<TakeLine>),
    End { lines: u64, sha256: String },
}

#[derive(Debug, Serialize, Deserialize)]
struct Head {
    version: u32,
    lampkeep: String,
    written: String,
}

#[derive(Debug, Serialize, Deserialize)]
struct PlanTextLine {
    plan: String,
    without_names: bool,
    position: i64,
    role: TextRole,
    name: String,
    hash: String,
}

#[derive(Debug, Serialize, Deserialize)]
struct ReadingLine {
    origin: String,
    stamp: Stamp,
    record: ReadingRecord,
}

#[derive(Debug, Serialize, Deserialize)]
struct TakeLine {
    uid: String,
    origin: String,
    boot_id: String,
    stamp: Stamp,
    record: TakeRecord,
    ended: Option<TakeEnd>,
    amended: Vec<TakeAmend>,
}

/// What an export or an import came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Takes in the file.
    pub takes: u64,
    /// Of these, takes that were new, or that were known and have been ended or amended since.
    pub new: u64,
    /// Readings in the file.
    pub readings: u64,
    /// Texts in the file.
    pub texts: u64,
}

/// Writes lines and counts what was written.
struct Lines<W> {
    to: W,
    hash: digest::Context,
    lines: u64,
}

impl<W: Write> Lines<W> {
    fn put(&mut self, line: &Line) -> std::io::Result<()> {
        let text = json(line) + "\n";
        self.hash.update(text.as_bytes());
        self.lines += 1;
        self.to.write_all(text.as_bytes())
    }
}

/// Writes every take of a log, with the readings that stood and the plans' texts.
///
/// `own`: the log's name among all machines'. `written`: the wall time now. Errors: see [`ExchangeError`].
pub fn export(db: &Connection, own: &str, written: &str, to: impl Write) -> Result<Tally, ExchangeError> {
    let mut lines = Lines { to, hash: digest::Context::new(&digest::SHA256), lines: 0 };
    let mut tally = Tally::default();
    let lampkeep = env!("CARGO_PKG_VERSION").to_owned();
    lines.put(&Line::LampkeepTakes(Head { version: VERSION, lampkeep, written: written.to_owned() }))?;
    // Texts of the plans that takes were of, each once.
    let of_takes = "plan IN (SELECT plan FROM take)";
    let sql =
        format!("SELECT hash, text FROM text WHERE hash IN (SELECT hash FROM plan_text WHERE {of_takes})");
    let mut statement = db.prepare(&sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        lines.put(&Line::Text { hash: row.get(0)?, text: row.get(1)? })?;
        tally.texts += 1;
    }
    let sql =
        format!("SELECT plan, without_names, position, role, name, hash FROM plan_text WHERE {of_takes}");
    let mut statement = db.prepare(&sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let role: String = row.get(3)?;
        let Ok(role) = serde_json::from_value(serde_json::Value::String(role)) else { continue };
        lines.put(&Line::PlanText(PlanTextLine {
            plan: row.get(0)?,
            without_names: row.get(1)?,
            position: row.get(2)?,
            role,
            name: row.get(4)?,
            hash: row.get(5)?,
        }))?;
    }
    for line in readings(db, own)? {
        lines.put(&Line::Reading(Box::new(line)))?;
        tally.readings += 1;
    }
    let sql = "SELECT coalesce(seq, 0), since_boot_us, wall, clock_unset, frame, uid, origin, boot_id, record, ended, \
               amended FROM take ORDER BY start IS NOT NULL, start, seq, wall, uid";
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let text = |column: usize| row.get::<_, Option<String>>(column);
        let Some(record) = text(8)?.and_then(|t| serde_json::from_str(&t).ok()) else { continue };
        lines.put(&Line::Take(Box::new(TakeLine {
            uid: row.get(5)?,
            origin: row.get(6)?,
            boot_id: row.get(7)?,
            stamp: super::read::stamp(row)?,
            record,
            ended: text(9)?.and_then(|t| serde_json::from_str(&t).ok()),
            amended: text(10)?.and_then(|t| serde_json::from_str(&t).ok()).unwrap_or_default(),
        })))?;
        tally.takes += 1;
    }
    let hash: String = lines.hash.clone().finish().as_ref().iter().map(|b| format!("{b:02x}")).collect();
    let end = Line::End { lines: lines.lines, sha256: hash };
    lines.to.write_all((json(&end) + "\n").as_bytes())?;
    lines.to.flush()?;
    Ok(tally)
}

/// This log's readings, and those that came from others.
fn readings(db: &Connection, own: &str) -> Result<Vec<ReadingLine>, ExchangeError> {
    let mut found = Vec::new();
    let sql = "SELECT seq, since_boot_us, wall, clock_unset, frame, record FROM entry WHERE kind = 'reading' \
               ORDER BY id";
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let Ok(record) = serde_json::from_str(&row.get::<_, String>(5)?) else { continue };
        found.push(ReadingLine { origin: own.to_owned(), stamp: super::read::stamp(row)?, record });
    }
    let mut statement =
        db.prepare("SELECT origin, stamp, record FROM foreign_reading ORDER BY origin, id")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (stamp, record) = (row.get::<_, String>(1)?, row.get::<_, String>(2)?);
        if let (Ok(stamp), Ok(record)) = (serde_json::from_str(&stamp), serde_json::from_str(&record)) {
            found.push(ReadingLine { origin: row.get(0)?, stamp, record });
        }
    }
    Ok(found)
}

/// Takes a file of takes into a log, whole or not at all.
///
/// Errors: see [`ExchangeError`]; the log is then as it was.
pub fn import(store: &mut store::Store, from: impl Read) -> Result<Tally, ExchangeError> {
    let own = store.origin().to_owned();
    let transaction = store.db_mut().transaction()?;
    let tally = take_in(&transaction, &own, from)?;
    transaction.commit()?;
    Ok(tally)
}

fn take_in(db: &Transaction<'_>, own: &str, from: impl Read) -> Result<Tally, ExchangeError> {
    let mut from = std::io::BufReader::new(from);
    let mut tally = Tally::default();
    let mut hash = digest::Context::new(&digest::SHA256);
    let mut text = Vec::new();
    for number in 1..=MOST_LINES {
        text.clear();
        let length = from.by_ref().take(LONGEST_LINE).read_until(b'\n', &mut text)?;
        if length == 0 {
            return Err(if number == 1 { ExchangeError::NoHead } else { ExchangeError::Short });
        }
        if !text.ends_with(b"\n") {
            return Err(if number == 1 { ExchangeError::NoHead } else { ExchangeError::Short });
        }
        let line: Line = serde_json::from_slice(&text).map_err(|e| match number {
            1 => ExchangeError::NoHead,
            _ => ExchangeError::Line(number, crate::words::short(&e.to_string())),
        })?;
        match line {
            Line::LampkeepTakes(head) if number == 1 => {
                if head.version != VERSION {
                    return Err(ExchangeError::Version(head.version));
                }
            }
            _ if number == 1 => return Err(ExchangeError::NoHead),
            Line::LampkeepTakes(_) => {
                return Err(ExchangeError::Line(number, "a second beginning".to_owned()));
            }
            Line::End { lines, sha256 } => {
                let found: String = hash.finish().as_ref().iter().map(|b| format!("{b:02x}")).collect();
                let whole = lines == number - 1 && sha256 == found;
                return if whole { Ok(tally) } else { Err(ExchangeError::Changed) };
            }
            Line::Text { hash, text } => {
                // By its own hash it is the very text.
                if sha256(text.as_bytes()) != hash {
                    return Err(ExchangeError::Line(number, "a text is not that of its hash".to_owned()));
                }
                db.execute("INSERT OR IGNORE INTO text (hash, text) VALUES (?1, ?2)", [&hash, &text])?;
                tally.texts += 1;
            }
            Line::PlanText(p) => {
                let sql = "INSERT OR IGNORE INTO plan_text (plan, without_names, position, role, name, hash) \
                           VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
                let names = [&p.plan, &p.name, &p.hash].into_iter().try_for_each(|n| possible::name(n));
                names.map_err(|e| ExchangeError::Line(number, e))?;
                let values = params![p.plan, p.without_names, p.position, p.role.word(), p.name, p.hash];
                db.execute(sql, values).map_err(|e| match e.sqlite_error_code() {
                    Some(ErrorCode::ConstraintViolation) => {
                        ExchangeError::Line(number, "it names a text that is not in the file".to_owned())
                    }
                    _ => e.into(),
                })?;
            }
            Line::Reading(r) => {
                let possible = possible::stamp(&r.stamp).and_then(|()| possible::reading(&r.record));
                possible
                    .and_then(|()| possible::origin(&r.origin))
                    .map_err(|e| ExchangeError::Line(number, e))?;
                if r.origin != own {
                    let sql = "INSERT OR IGNORE INTO foreign_reading (origin, id, stamp, record) \
                               VALUES (?1, ?2, ?3, ?4)";
                    db.execute(sql, params![r.origin, r.record.id, json(&r.stamp), json(&r.record)])?;
                }
                tally.readings += 1;
            }
            Line::Take(take) => {
                can_be(&take).map_err(|e| ExchangeError::Line(number, e))?;
                tally.takes += 1;
                tally.new += u64::from(put_take(db, own, &take)?);
            }
        }
        hash.update(&text);
    }
    Err(ExchangeError::Short)
}

/// Errors: what of it cannot be.
fn can_be(line: &TakeLine) -> Result<(), String> {
    possible::name(&line.uid)?;
    possible::origin(&line.origin)?;
    possible::name(&line.boot_id)?;
    possible::stamp(&line.stamp)?;
    possible::take(&line.record)?;
    line.ended.as_ref().map_or(Ok(()), possible::end)?;
    line.amended.iter().try_for_each(possible::amend)
}

/// Puts a take in, or what is new of it. False if nothing was.
fn put_take(db: &Transaction<'_>, own: &str, take: &TakeLine) -> Result<bool, ExchangeError> {
    let known: Option<(bool, i64, String)> = db
        .query_row(
            "SELECT ended IS NOT NULL, json_array_length(amended), origin FROM take WHERE uid = ?1",
            [&take.uid],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    let amends = i64::try_from(take.amended.len()).unwrap_or(i64::MAX);
    match known {
        Some((ended, amended, _)) if amended >= amends && (ended || take.ended.is_none()) => {
            return Ok(false);
        }
        // What this log wrote itself it knows best, whatever a file says of where it comes from.
        Some((_, _, origin)) if origin == own || take.origin == own => return Ok(false),
        Some(_) => {
            db.execute("DELETE FROM take WHERE uid = ?1", [&take.uid])?;
        }
        None => {}
    }
    let (record, stamp) = (&take.record, &take.stamp);
    let mut name = (record.slate.clone(), record.take);
    let mut mark = take.ended.as_ref().and_then(|e| e.mark);
    for amend in &take.amended {
        name = (amend.slate.clone().unwrap_or(name.0), amend.take.unwrap_or(name.1));
        mark = amend.mark.or(mark);
    }
    db.execute(
        "INSERT INTO take (uid, origin, number, name, slate, take, look, plan, frame_hash, boot_id, since_boot_us, wall, \
         clock_unset, frame, rolled_s, steady, interrupted, mark, record, ended, amended) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21)",
        params![
            take.uid,
            take.origin,
            record.number,
            format!("{}/{}", name.0, name.1),
            name.0,
            name.1,
            record.look,
            record.light.plan,
            record.light.frame_hash,
            take.boot_id,
            stamp.since_boot_us,
            stamp.wall,
            stamp.unset,
            stamp.frame,
            take.ended.as_ref().map(|e| e.rolled_s),
            take.ended.as_ref().map(|e| e.why.is_empty()),
            take.ended.as_ref().map(|e| e.interrupted),
            mark.map(|m| m.word()),
            json(record),
            take.ended.as_ref().map(json),
            json(&take.amended)
        ],
    )?;
    Ok(true)
}
