//! The log's tables, their version, and the way from every earlier version to it. docs/journal.md explains them.
//!
//! `PRAGMA user_version` is the version, `PRAGMA application_id` tells a log of ours from any other SQLite file.

use rusqlite::{Connection, TransactionBehavior};

/// Version of the tables. A new one gets a step here and a file under `tests/journal_versions`.
pub const VERSION: i64 = STEPS.len() as i64;
/// What SQLite files of ours are marked with: `LKJL` in ASCII.
pub const APPLICATION_ID: i64 = 0x4c4b_4a4c;

/// The steps from version 0, an empty file, on: step `n` leads from version `n` to `n + 1`.
const STEPS: &[&str] = &[include_str!("schema/1.sql")];

/// Why a file is not used as a log.
#[derive(Debug, thiserror::Error)]
pub enum SchemaError {
    /// SQLite refuses.
    #[error(transparent)]
    Sqlite(#[from] rusqlite::Error),
    /// A database of another program.
    #[error("it is a database of another program, no log of lampkeep's")]
    Foreign,
    /// Of a later lampkeep.
    #[error("it is of version {0}, this lampkeep writes {VERSION}")]
    Newer(i64),
}

/// Brings a database to the present version, in one transaction: whole or not at all.
///
/// Errors: it is another program's, or a later version's, and was not touched; or SQLite refuses.
pub fn migrate(db: &mut Connection) -> Result<(), SchemaError> {
    migrate_by(db, STEPS)
}

/// The same by these steps, the last of which leads to the newest version.
fn migrate_by(db: &mut Connection, steps: &[&str]) -> Result<(), SchemaError> {
    let newest = steps.len() as i64;
    let version = version_up_to(db, newest)?;
    if version == newest {
        return Ok(());
    }
    let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for step in steps.iter().skip(usize::try_from(version).unwrap_or(0)) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", newest)?;
    transaction.commit()?;
    Ok(())
}

/// The version of a log's tables; 0 for an empty file.
///
/// Errors: as for [`migrate`].
pub fn version_of(db: &Connection) -> Result<i64, SchemaError> {
    version_up_to(db, VERSION)
}

fn version_up_to(db: &Connection, newest: i64) -> Result<i64, SchemaError> {
    let number = |name: &str| db.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let (id, version) = (number("application_id")?, number("user_version")?);
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    match (id, version) {
        (0, 0) if tables == 0 => Ok(0),
        (APPLICATION_ID, version) if version > newest => Err(SchemaError::Newer(version)),
        (APPLICATION_ID, version) if version >= 1 => Ok(version),
        _ => Err(SchemaError::Foreign),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_becomes_a_log_and_a_second_time_changes_nothing() {
        let mut db = Connection::open_in_memory().unwrap();
        migrate(&mut db).unwrap();
        assert_eq!(version_of(&db).unwrap(), VERSION);
        migrate(&mut db).unwrap();
        let tables: i64 = db
            .query_row("SELECT count(*) FROM sqlite_schema WHERE type = 'table'", [], |row| row.get(0))
            .unwrap();
        assert_eq!(tables, 7);
    }

    #[test]
    fn a_later_version_and_another_programs_database_are_refused_and_not_touched() {
        let mut db = Connection::open_in_memory().unwrap();
        migrate(&mut db).unwrap();
        db.pragma_update(None, "user_version", VERSION + 1).unwrap();
        let said = migrate(&mut db).unwrap_err().to_string();
        assert_eq!(said, format!("it is of version {}, this lampkeep writes {VERSION}", VERSION + 1));
        let mut other = Connection::open_in_memory().unwrap();
        other.execute_batch("CREATE TABLE shopping (item TEXT)").unwrap();
        assert!(matches!(migrate(&mut other), Err(SchemaError::Foreign)));
        let tables: i64 = other.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0)).unwrap();
        assert_eq!(tables, 1);
    }

    /// Two versions that there never were: steps run in order, each from where the file stands, whole or not at all.
    #[test]
    fn an_earlier_version_is_led_on_step_by_step_or_stays_as_it_is() {
        const FIRST: &str = "CREATE TABLE note (text TEXT NOT NULL)";
        const SECOND: &str =
            "ALTER TABLE note ADD COLUMN letters INTEGER; UPDATE note SET letters = length(text)";
        const THIRD: &str = "ALTER TABLE note RENAME COLUMN letters TO characters";
        let mut db = Connection::open_in_memory().unwrap();
        migrate_by(&mut db, &[FIRST]).unwrap();
        db.execute("INSERT INTO note VALUES ('quay')", []).unwrap();
        let version = |db: &Connection| version_up_to(db, 3).unwrap();
        assert_eq!(version(&db), 1);
        let broken = format!("{SECOND}; UPDATE nothing SET x = 1");
        let failed = migrate_by(&mut db, &[FIRST, &broken, THIRD]);
        assert!(matches!(failed, Err(SchemaError::Sqlite(_))), "{failed:?}");
        assert_eq!(version(&db), 1, "nothing of a step that fails stays");
        assert!(db.prepare("SELECT letters FROM note").is_err());
        migrate_by(&mut db, &[FIRST, SECOND, THIRD]).unwrap();
        assert_eq!(version(&db), 3);
        let row: (String, i64) =
            db.query_row("SELECT text, characters FROM note", [], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
        assert_eq!(row, ("quay".to_owned(), 4));
        let newer = migrate_by(&mut db, &[FIRST, SECOND]);
        assert!(matches!(newer, Err(SchemaError::Newer(3))), "{newer:?}");
    }
}
