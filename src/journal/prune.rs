//! Keeps the log small: old records go; takes, readings, trims, notes and texts stay.

use rusqlite::params;

use super::store::{Store, StoreError, meta};

/// Records of the lamps' use are kept this long, in days.
const USE_DAYS: i64 = 7;
/// All others that go are kept this long, in days.
const DAYS: i64 = 90;
/// So many of the newest records stay, however old the clock says that they are: it may have been set.
pub(super) const NEWEST: i64 = 5000;
/// Most records that go in one transaction, so that none takes long.
const STEP: usize = 500;
/// Kinds that stay for ever: what belongs to takes, what people typed, and what tells the order.
const STAY: &str = "'started', 'texts', 'take-started', 'take-stamped', 'take-ended', 'take-amended', 'reading', \
                    'trims', 'note', 'lost', 'stopped', 'clock'";

/// Removes what is too old, and gives the room back to the disk.
///
/// Errors: SQLite refuses; what is committed stays so.
pub(super) fn prune(store: &mut Store) -> Result<(), StoreError> {
    // Age is told by the log's own last record, not by a clock that may have been set since.
    let old = format!(
        "SELECT id FROM entry \
         WHERE id <= (SELECT max(id) FROM entry) - {NEWEST} AND kind NOT IN ({STAY}) AND NOT clock_unset \
         AND julianday(wall) < julianday((SELECT wall FROM entry ORDER BY id DESC LIMIT 1)) \
             - CASE kind WHEN 'lamps' THEN {USE_DAYS} ELSE {DAYS} END \
         ORDER BY id LIMIT {STEP}"
    );
    loop {
        let transaction = store.db_mut().transaction()?;
        let sql = format!("SELECT max(id) FROM ({old})");
        let highest: Option<i64> = transaction.query_row(&sql, [], |row| row.get(0))?;
        let Some(highest) = highest else { break };
        let gone = transaction.execute(&format!("DELETE FROM entry WHERE id IN ({old})"), [])?;
        let before: i64 = meta(&transaction, "pruned_to")?.and_then(|v| v.parse().ok()).unwrap_or(0);
        let values = params![highest.max(before).to_string()];
        transaction.execute("INSERT OR REPLACE INTO meta (key, value) VALUES ('pruned_to', ?1)", values)?;
        transaction.commit()?;
        if gone < STEP {
            break;
        }
    }
    // A row for each page that goes: the statement is done when all have been asked for.
    let mut vacuum = store.db().prepare("PRAGMA incremental_vacuum")?;
    let mut pages = vacuum.query([])?;
    while pages.next()?.is_some() {}
    drop(pages);
    drop(vacuum);
    store.checkpoint_if_long()
}
