//! The log line by line, for people and programs.

use jiff::Timestamp;
use rusqlite::Connection;
use serde::Serialize;
use serde_json::value::RawValue;

use super::store::StoreError;

/// One record as it is printed. In JSON every field is there; `record` is what docs/journal.md says of its kind.
#[derive(Debug, Serialize)]
pub struct Row {
    /// Counts the log's records.
    pub id: i64,
    /// Counts starts of the daemon.
    pub start: i64,
    /// Counts the records of that start.
    pub seq: u64,
    /// Wall time, RFC 3339 in UTC.
    pub wall: String,
    /// True if the clock was never set.
    pub clock_unset: bool,
    /// Microseconds since the machine's boot.
    pub since_boot_us: u64,
    /// The engine's frame.
    pub frame: u64,
    /// What kind it is.
    pub kind: String,
    /// A line for people.
    pub said: String,
    /// All of it.
    pub record: Option<Box<RawValue>>,
}

/// Which records are wanted.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// From this wall time on.
    pub since: Option<Timestamp>,
    /// These kinds alone; none: all.
    pub only: Vec<String>,
    /// Without these kinds.
    pub without: Vec<String>,
    /// The newest so many; `None`: all.
    pub most: Option<usize>,
}

/// Gives each record to `each`, oldest first, until that is enough (false).
///
/// Errors: SQLite refuses.
pub(super) fn lines(
    db: &Connection,
    filter: &Filter,
    mut each: impl FnMut(&Row) -> bool,
) -> Result<(), StoreError> {
    // Takes have their records in a table of their own, as amended.
    let sql = "SELECT e.id, e.start, e.seq, e.wall, e.clock_unset, e.since_boot_us, e.frame, e.kind, e.said, \
               coalesce(e.record, t.record) \
               FROM entry e LEFT JOIN take t ON e.kind = 'take-started' AND t.start = e.start AND t.seq = e.seq \
               WHERE e.id IN (SELECT id FROM entry WHERE (?1 IS NULL OR julianday(wall) >= julianday(?1)) \
                   AND (json_array_length(?2) = 0 OR kind IN (SELECT value FROM json_each(?2))) \
                   AND kind NOT IN (SELECT value FROM json_each(?3)) \
                   ORDER BY id DESC LIMIT ?4) ORDER BY e.id";
    let since = filter.since.map(|s| s.to_string());
    let (only, without) = (super::writing::json(&filter.only), super::writing::json(&filter.without));
    let most = filter.most.and_then(|m| i64::try_from(m).ok()).unwrap_or(-1);
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query(rusqlite::params![since, only, without, most])?;
    while let Some(row) = rows.next()? {
        let record: Option<String> = row.get(9)?;
        let row = Row {
            id: row.get(0)?,
            start: row.get(1)?,
            seq: row.get(2)?,
            wall: row.get(3)?,
            clock_unset: row.get(4)?,
            since_boot_us: row.get(5)?,
            frame: row.get(6)?,
            kind: row.get(7)?,
            said: row.get(8)?,
            record: record.and_then(|text| RawValue::from_string(text).ok()),
        };
        if !each(&row) {
            break;
        }
    }
    Ok(())
}
