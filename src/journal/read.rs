//! Takes, readings and lines back out of a log: for requests, and for `lampkeep log` on a copy.

use rusqlite::{Connection, Row, params};
use serde::de::DeserializeOwned;

use super::ask::{Found, ReadingFound, TakeFound, Wanted};
use super::entry::{Stamp, TextsRecord};
use super::name::TakeName;
use super::store::StoreError;
use super::take::TakeRecord;
use crate::control::{Failure, FailureKind};
use crate::plan::PlanText;

/// Fewest digits of another log's name that are told.
const ORIGIN_DIGITS: usize = 4;

/// Answers what the engine wants of a log. `own`: the log's name among all machines'.
///
/// Errors: no such take, several of one name, or the log cannot be read.
pub fn find(db: &Connection, own: &str, wanted: &Wanted) -> Result<Found, Failure> {
    match wanted {
        Wanted::Take(name) => Ok(Found::Take(Box::new(take(db, own, name)?))),
        Wanted::Takes { most } => takes(db, own, *most).map(Found::Takes).map_err(|e| unread(&e)),
        Wanted::Readings { most } => {
            let sql = "SELECT seq, since_boot_us, wall, clock_unset, frame, record FROM entry \
                       WHERE kind = 'reading' ORDER BY id DESC LIMIT ?1";
            let most = i64::try_from(*most).unwrap_or(i64::MAX);
            let mut found = readings(db, sql, params![most]).map_err(|e| unread(&e))?;
            found.reverse();
            Ok(Found::Readings(found))
        }
        Wanted::ReadingsOf { take, ids } => {
            readings_of(db, own, take, ids).map(Found::Readings).map_err(|e| unread(&e))
        }
    }
}

/// The readings of these ids that stood for a take, by its log number.
///
/// Every log counts its own readings, so an imported take's are those that came with it. A log whose state file was lost
/// has counted from 1 again: of two readings of one id the last before the take stood for it.
fn readings_of(db: &Connection, own: &str, take: &str, ids: &[u64]) -> Result<Vec<ReadingFound>, StoreError> {
    let Ok(TakeName::Number { number, origin }) = take.parse() else { return Ok(Vec::new()) };
    let ids = super::writing::json(&ids);
    let Some(origin) = origin else {
        let sql = "SELECT seq, since_boot_us, wall, clock_unset, frame, record, max(id) FROM entry \
                   WHERE kind = 'reading' AND json_extract(record, '$.id') IN (SELECT value FROM json_each(?1)) \
                   AND id < coalesce((SELECT max(e.id) FROM entry e JOIN take t ON t.start = e.start AND t.seq = e.seq \
                       WHERE t.number = ?2 AND t.origin = ?3), 9e18) \
                   GROUP BY json_extract(record, '$.id') ORDER BY max(id)";
        return readings(db, sql, params![ids, number, own]);
    };
    let sql = "SELECT stamp, record FROM foreign_reading WHERE id IN (SELECT value FROM json_each(?1)) \
               AND origin IN (SELECT origin FROM take WHERE number = ?2 AND origin LIKE ?3 || '%') ORDER BY id";
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query(params![ids, number, origin])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        if let (Some(stamp), Some(record)) = (read(row, 0)?, read(row, 1)?) {
            found.push(ReadingFound { stamp, record });
        }
    }
    Ok(found)
}

fn unread(e: &StoreError) -> Failure {
    Failure {
        kind: FailureKind::Files,
        said: format!("the log cannot be read: {e}"),
        hint: Some("look at `journal` in `lampkeep status --json`".to_owned()),
    }
}

/// One take by its name.
///
/// Errors: there is none, or several have this name; then all are listed.
pub fn take(db: &Connection, own: &str, name: &TakeName) -> Result<TakeFound, Failure> {
    let found = match name {
        TakeName::Slate { slate, take } => {
            select(db, own, "slate = ?1 AND take = ?2 ORDER BY wall, start, seq", params![slate, take])
        }
        TakeName::Number { number, origin } => {
            // A bare number is this log's own.
            let origin = origin.as_deref().unwrap_or(own);
            select(
                db,
                own,
                "number = ?1 AND origin LIKE ?2 || '%' ORDER BY wall, start, seq",
                params![number, origin],
            )
        }
    };
    let mut found = found.map_err(|e| unread(&e))?;
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Failure {
            kind: FailureKind::UnknownTake,
            said: format!("the log has no take {name}"),
            hint: Some("`lampkeep take list` lists them".to_owned()),
        }),
        _ => {
            let each = |t: &TakeFound| {
                format!(
                    "{} ({} at {}, {})",
                    t.log_name,
                    t.record.name,
                    short_time(&t.stamp.wall),
                    t.record.look
                )
            };
            let list: Vec<String> = found.iter().map(each).collect();
            Err(Failure {
                kind: FailureKind::AmbiguousTake,
                said: format!("{} takes are called {name}: {}", found.len(), list.join(", ")),
                hint: Some(format!("say which by its log number, such as {}", found[0].log_name)),
            })
        }
    }
}

/// `2026-05-04 10:00` of an instant in UTC.
pub(super) fn short_time(wall: &str) -> String {
    let text = wall.get(..16).unwrap_or(wall);
    text.replacen('T', " ", 1)
}

/// The newest takes of this log and those imported, in the order of their starts.
///
/// Errors: SQLite refuses.
pub fn takes(db: &Connection, own: &str, most: usize) -> Result<Vec<TakeFound>, StoreError> {
    let most = i64::try_from(most).unwrap_or(i64::MAX);
    let newest = "uid IN (SELECT uid FROM take ORDER BY start IS NULL, start DESC, seq DESC LIMIT ?1) \
                  ORDER BY start IS NOT NULL, start, seq, wall";
    select(db, own, newest, params![most])
}

/// The texts of a plan by its hash: as they were, or where the log has none such, without names. `None`: it has neither.
///
/// Errors: SQLite refuses.
pub fn texts(db: &Connection, plan: &str) -> Result<Option<TextsRecord>, StoreError> {
    let sql = "SELECT without_names, role, name, text FROM plan_text JOIN text USING (hash) \
               WHERE plan = ?1 ORDER BY without_names, position";
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query(params![plan])?;
    let mut found: Option<TextsRecord> = None;
    while let Some(row) = rows.next()? {
        let without_names: bool = row.get(0)?;
        let record = found.get_or_insert_with(|| TextsRecord {
            plan: plan.to_owned(),
            without_names,
            texts: Vec::new(),
        });
        if record.without_names != without_names {
            break;
        }
        let role: String = row.get(1)?;
        let Ok(role) = serde_json::from_value(serde_json::Value::String(role)) else { return Ok(None) };
        record.texts.push(PlanText { role, name: row.get(2)?, text: row.get(3)? });
    }
    Ok(found)
}

/// Takes for which `clause` holds. One whose record cannot be read is left out: another version wrote it.
fn select(
    db: &Connection,
    own: &str,
    clause: &str,
    values: impl rusqlite::Params,
) -> Result<Vec<TakeFound>, StoreError> {
    let sql = format!(
        "SELECT coalesce(seq, 0), since_boot_us, wall, clock_unset, frame, origin, number, slate, take, name, record, \
         ended, amended FROM take WHERE {clause}"
    );
    let digits = origin_digits(db)?;
    let mut statement = db.prepare(&sql)?;
    let mut rows = statement.query(values)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let origin: String = row.get(5)?;
        let number: u64 = row.get(6)?;
        let Some(mut record) = read::<TakeRecord>(row, 10)? else { continue };
        // As it was amended.
        (record.slate, record.take, record.name) = (row.get(7)?, row.get(8)?, row.get(9)?);
        let imported = origin != own;
        let log_name =
            if imported { format!("n{number}@{}", head(&origin, digits)) } else { format!("n{number}") };
        found.push(TakeFound {
            log_name,
            imported,
            stamp: stamp(row)?,
            record,
            end: read(row, 11)?,
            amended: read(row, 12)?.unwrap_or_default(),
        });
    }
    Ok(found)
}

/// So many digits tell all logs' names in this one apart.
pub(super) fn origin_digits(db: &Connection) -> Result<usize, StoreError> {
    let mut statement = db.prepare("SELECT DISTINCT origin FROM take")?;
    let origins: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let apart = |digits: usize| {
        let mut heads: Vec<&str> = origins.iter().map(|o| head(o, digits)).collect();
        heads.sort_unstable();
        heads.windows(2).all(|pair| pair[0] != pair[1])
    };
    Ok((ORIGIN_DIGITS..16).find(|digits| apart(*digits)).unwrap_or(16))
}

/// The first digits of a log's name; all of one that ends sooner, or that has no such beginning: a log of an earlier
/// lampkeep may hold what nobody checked.
fn head(origin: &str, digits: usize) -> &str {
    origin.get(..digits).unwrap_or(origin)
}

fn readings(
    db: &Connection,
    sql: &str,
    values: impl rusqlite::Params,
) -> Result<Vec<ReadingFound>, StoreError> {
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query(values)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        if let Some(record) = read(row, 5)? {
            found.push(ReadingFound { stamp: stamp(row)?, record });
        }
    }
    Ok(found)
}

/// The first five columns.
pub(super) fn stamp(row: &Row<'_>) -> rusqlite::Result<Stamp> {
    Ok(Stamp {
        seq: row.get(0)?,
        since_boot_us: row.get(1)?,
        wall: row.get(2)?,
        unset: row.get(3)?,
        frame: row.get(4)?,
    })
}

/// A column of JSON; `None` where it is empty or of another shape.
fn read<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<T>> {
    let text: Option<String> = row.get(column)?;
    Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
}
