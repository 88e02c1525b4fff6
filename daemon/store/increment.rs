//! The nightly copy: what is new since the last night goes into a copy that stands on another disk, beside the
//! running writer. The copy is a store like ours, so it is brought back like any other.
//!
//! Readings are copied by the hours whose sums have changed, so a late one is not passed over, and no night reads all
//! that was ever kept. What was thinned here stays in the copy. A store that was begun anew or brought back has its
//! numbers anew: its copy is begun anew too, and the one before it is kept.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::copy::{check_whole, set_aside};
use super::error::told;
use super::rescue::columns;
use super::schema;
use super::{Store, StoreError};
use crate::record::Millis;

/// Tables whose rows are compared, with their keys. Where rows leave again (`true`) the copy lets go of them too.
const COMPARED: [(&str, &[&str], bool); 12] = [
    ("meta", &["key"], false),
    ("series", &["id"], false),
    ("state", &["id"], false),
    ("engine_hour", &["start_ms"], true),
    ("inbox", &["at_ms", "series"], true),
    ("timeless", &["id"], true),
    ("bed_day", &["date", "bed"], false),
    ("matter", &["id"], false),
    ("outbox", &["id"], false),
    ("day_book", &["id"], false),
    ("refusal", &["id"], true),
    ("day", &["series", "date"], false),
];

/// Hours of which the copy lacks something. A reading is in the sums of its hour or has a note.
const CHANGED: &str = "
CREATE TEMP TABLE changed AS
SELECT l.series, l.start_ms FROM live.hour l
  LEFT JOIN main.hour m ON m.series = l.series AND m.start_ms = l.start_ms
  WHERE m.n IS NOT l.n OR m.sum IS NOT l.sum OR m.min IS NOT l.min OR m.max IS NOT l.max
UNION
SELECT l.series, l.at_ms - ((l.at_ms % 3600000) + 3600000) % 3600000 FROM live.reading_note l
  LEFT JOIN main.reading_note m ON m.series = l.series AND m.at_ms = l.at_ms
  WHERE m.doubt IS NOT l.doubt OR m.late_ms IS NOT l.late_ms OR m.own_time IS NOT l.own_time;
INSERT OR IGNORE INTO main.reading SELECT r.* FROM temp.changed c JOIN live.reading r
  ON r.series = c.series AND r.at_ms >= c.start_ms AND r.at_ms < c.start_ms + 3600000;
INSERT OR REPLACE INTO main.reading_note SELECT r.* FROM temp.changed c JOIN live.reading_note r
  ON r.series = c.series AND r.at_ms >= c.start_ms AND r.at_ms < c.start_ms + 3600000;
INSERT OR REPLACE INTO main.hour SELECT l.* FROM temp.changed c JOIN live.hour l
  ON l.series = c.series AND l.start_ms = c.start_ms;
DROP TABLE temp.changed;
";

/// What tells one life of a store from the next.
const LIFE: &str = "SELECT group_concat(value) FROM (SELECT value FROM {}.meta
  WHERE key IN ('install_id', 'begun', 'brought_back') ORDER BY key)";

impl Store {
    /// Brings the copy `to` of the store in `dir` up to now; makes it where there is none. The rows that were written;
    /// `None` = a whole copy was made.
    ///
    /// # Errors
    /// A store that cannot be read, a place that cannot be written, a file there that is no copy of this store.
    pub fn bring_copy_up(dir: &Path, to: &Path, now_ms: Millis) -> Result<Option<u64>, StoreError> {
        let live = Self::open_to_read(dir)?;
        if !to.exists() {
            return Self::back_up(dir, to).map(|_| None);
        }
        let done = check_kind(to).and_then(|()| bring_up(live.path(), to));
        match done {
            Ok(Some(rows)) => Ok(Some(rows)),
            Ok(None) => {
                set_aside(to, "before", now_ms)?;
                Self::back_up(dir, to).map(|_| None)
            }
            // The fault names the copy; whose it is says a look at the copy alone.
            Err(StoreError::Damaged { words, .. }) => match check_whole(to) {
                Ok(_) => Err(StoreError::Damaged { path: live.path().to_path_buf(), words }),
                Err(_) => {
                    set_aside(to, "damaged", now_ms)?;
                    Self::back_up(dir, to).map(|_| None)
                }
            },
            Err(error) => Err(error),
        }
    }
}

/// A copy of today's schema, or one brought to it.
fn check_kind(copy: &Path) -> Result<(), StoreError> {
    let mut conn =
        Connection::open_with_flags(copy, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(|e| told(copy, e))?;
    match schema::age(&conn).map_err(|e| told(copy, e))? {
        schema::Age::Current => Ok(()),
        schema::Age::Behind(0) | schema::Age::Foreign => {
            Err(StoreError::Foreign { path: copy.to_path_buf() })
        }
        schema::Age::Behind(steps) => schema::bring_up(&mut conn, steps).map_err(|e| told(copy, e)),
        schema::Age::Ahead(found) => {
            Err(StoreError::Newer { path: copy.to_path_buf(), found, known: super::SCHEMA })
        }
    }
}

/// Rows written; `None` = it is a copy of an earlier life of this store.
fn bring_up(live: &Path, copy: &Path) -> Result<Option<u64>, StoreError> {
    let path: PathBuf = copy.to_path_buf();
    let work = || -> rusqlite::Result<Option<u64>> {
        let conn = Connection::open_with_flags(copy, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        conn.busy_timeout(std::time::Duration::from_secs(2))?;
        conn.pragma_update(None, "cache_size", -1024)?;
        // Its own files beside the store would go to the card.
        conn.pragma_update(None, "temp_store", "memory")?;
        conn.pragma_update(None, "synchronous", "FULL")?;
        conn.execute("ATTACH ?1 AS live", [live.to_string_lossy()])?;
        let life =
            |of: &str| conn.query_row(&LIFE.replace("{}", of), [], |row| row.get::<_, Option<String>>(0));
        conn.execute_batch("BEGIN IMMEDIATE")?;
        if life("live")? != life("main")? {
            return Ok(None);
        }
        let before = conn.total_changes();
        conn.execute_batch(CHANGED)?;
        for (table, keys, leave) in COMPARED {
            conn.execute_batch(&compared(&conn, table, keys, leave)?)?;
        }
        let written = conn.total_changes() - before;
        conn.execute_batch("COMMIT")?;
        Ok(Some(written))
    };
    work().map_err(|e| told(&path, e))
}

/// Statements that make the rows of the copy those of the store, and write only what differs.
fn compared(conn: &Connection, table: &str, keys: &[&str], leave: bool) -> rusqlite::Result<String> {
    let columns = columns(conn, table)?;
    let list = columns.join(", ");
    let on = |one: &str, other: &str| {
        keys.iter().map(|key| format!("{one}.{key} = {other}.{key}")).collect::<Vec<_>>().join(" AND ")
    };
    let differ =
        columns.iter().map(|name| format!("m.{name} IS NOT l.{name}")).collect::<Vec<_>>().join(" OR ");
    let theirs = columns.iter().map(|name| format!("l.{name}")).collect::<Vec<_>>().join(", ");
    let mut sql = format!(
        "INSERT OR REPLACE INTO main.{table}({list}) SELECT {theirs} FROM live.{table} l \
         LEFT JOIN main.{table} m ON {} WHERE {differ};",
        on("m", "l")
    );
    if leave {
        sql += &format!(
            "DELETE FROM main.{table} WHERE NOT EXISTS (SELECT 1 FROM live.{table} l WHERE {});",
            on("l", table)
        );
    }
    Ok(sql)
}

#[cfg(test)]
mod tests {
    use super::super::schema::tables_but;
    use super::*;

    /// A table that a later step adds must not be forgotten here.
    #[test]
    fn every_table_is_copied() {
        // What the mirror is owed is no matter of a copy; three are copied by the hour.
        let tables = tables_but(&["mirror_log", "hour", "reading", "reading_note"]);
        let mut ours: Vec<&str> = COMPARED.iter().map(|(name, ..)| *name).collect();
        ours.sort_unstable();
        assert_eq!(tables, ours);
    }
}
