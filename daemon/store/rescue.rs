//! A damaged store: set aside with its date, a new one begun, and whatever can still be read brought over.
//!
//! What the garden cannot do without comes first and table by table: the engine's state, the day book, letters,
//! days. A row that cannot be read costs the rows behind it in its table and nothing else. Readings and
//! the sums of their hours and days are brought over as far as they can be read, so a sum may stand for readings
//! that are lost: the nightly recount tells of it.

use std::path::{Path, PathBuf};

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params_from_iter};

use super::copy::{number_on, set_aside};
use super::error::told;
use super::file::FILE_NAME;
use super::{Store, StoreError};
use crate::record::Millis;
use crate::settings::garden::Garden;

/// What is brought over, in the order of its worth, each with how many of its first columns are its key. The
/// mirror's list is not among it: what it still owes is lost to the mirror, never to us.
const TABLES: [(&str, usize); 14] = [
    ("state", 1),
    ("engine_hour", 1),
    ("day_book", 1),
    ("outbox", 1),
    ("bed_day", 2),
    ("matter", 1),
    ("series", 1),
    ("inbox", 2),
    ("timeless", 1),
    ("day", 2),
    ("hour", 2),
    ("reading_note", 2),
    ("reading", 2),
    ("refusal", 1),
];

/// What became of a damaged store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rescue {
    /// Where the damaged file is now.
    pub set_aside: PathBuf,
    /// What was wrong with it.
    pub words: String,
    /// Tables of which something could not be read.
    pub lost: Vec<&'static str>,
    /// Rows brought over.
    pub rows: usize,
}

impl Rescue {
    /// For people: what happened, what is missing, where the rest lies.
    pub fn words(&self) -> String {
        let lost = if self.lost.is_empty() {
            "all of it could still be read and is here".to_owned()
        } else {
            let of: Vec<&str> = self.lost.iter().map(|table| subject(table)).collect();
            format!("not all could be read of: {}", of.join(", "))
        };
        format!(
            "the store was damaged ({}) and a new one was begun; {lost}. The old one lies in {}: keep it. Cards \
             that do this soon fail for good: put in a new one, and bring back a copy if much is missing \
             (rindwatch restore)",
            self.words,
            self.set_aside.display()
        )
    }
}

fn subject(table: &str) -> &str {
    match table {
        "state" | "engine_hour" => "what the engine knew",
        "day_book" => "the day book",
        "outbox" => "letters",
        "bed_day" => "closed days",
        "matter" => "the record of matters",
        "series" | "inbox" | "timeless" | "reading" | "reading_note" => "readings",
        "day" | "hour" => "hourly and daily sums",
        _ => "refusals",
    }
}

impl Store {
    /// As [`Store::open`] and [`Store::register`], then `wake`, which reads what a start needs; a damaged store is
    /// set aside and a new one begun with what can still be read, so that the garden is never unwatched. A store
    /// of a newer version or of another program is refused as before.
    ///
    /// # Errors
    /// As [`Store::open`], and a folder in which nothing can be renamed.
    pub fn open_or_begin<T>(
        dir: &Path,
        garden: &Garden,
        now_ms: Millis,
        wake: impl Fn(&Self) -> Result<T, StoreError>,
    ) -> Result<(Self, T, Option<Rescue>), StoreError> {
        let ready = |mut store: Self| {
            store.register(garden)?;
            let woken = wake(&store)?;
            store.read_ends()?;
            Ok((store, woken))
        };
        let opened = Self::open(dir).and_then(&ready);
        // Damage that was met while it ran, in what a start does not read.
        let marked = match &opened {
            Ok(_) | Err(StoreError::Damaged { .. }) => Self::take_mark(dir),
            // Another runs here, or it is none of ours.
            Err(_) => None,
        };
        let opened = match marked {
            Some(words) => opened.and(Err(StoreError::Damaged { path: dir.join(FILE_NAME), words })),
            None => opened,
        };
        match opened {
            Ok((store, woken)) => Ok((store, woken, None)),
            Err(StoreError::Damaged { words, .. }) => {
                let (store, rescue) = Self::begin_anew(dir, &words, now_ms)?;
                let (store, woken) = ready(store)?;
                Ok((store, woken, Some(rescue)))
            }
            Err(error) => Err(error),
        }
    }

    /// The end of each series is read once: a page that is found bad later would end the daemon, and end it again
    /// at each start. The pages read for this alone need not stay in memory.
    fn read_ends(&self) -> Result<(), StoreError> {
        self.reader.last_readings()?;
        self.reader.conn.execute_batch("PRAGMA shrink_memory").map_err(|e| told(&self.reader.path, e))
    }

    /// Sets the store in `dir` aside and begins a new one with what can still be read of it.
    ///
    /// # Errors
    /// A folder that cannot be written.
    fn begin_anew(dir: &Path, words: &str, now_ms: Millis) -> Result<(Self, Rescue), StoreError> {
        let path = dir.join(FILE_NAME);
        let set_aside = set_aside(&path, "damaged", now_ms)?;
        let mut store = Self::open(dir)?;
        let mut rescue = Rescue { set_aside, words: words.to_owned(), lost: Vec::new(), rows: 0 };
        bring_over(&mut store, &mut rescue, now_ms)?;
        drop(store);
        // Anew, so that everything it remembers comes from what was brought over.
        Ok((Self::open(dir)?, rescue))
    }
}

fn bring_over(store: &mut Store, rescue: &mut Rescue, now_ms: Millis) -> Result<(), StoreError> {
    let (conn, path) = (&mut store.reader.conn, &store.reader.path);
    let old = Connection::open_with_flags(&rescue.set_aside, OpenFlags::SQLITE_OPEN_READ_WRITE).ok();
    // Opening with its log may write to it; a file that is no database stays as it is.
    let old = old.filter(|old| old.query_row("SELECT 1 FROM sqlite_schema LIMIT 1", [], |_| Ok(())).is_ok());
    let mut work = || -> rusqlite::Result<()> {
        let tx = conn.transaction()?;
        for (table, keys) in TABLES {
            let whole = match &old {
                Some(old) => bring_table(old, &tx, (table, keys), &mut rescue.rows)?,
                None => false,
            };
            if !whole {
                rescue.lost.push(table);
            }
        }
        tx.execute("INSERT OR REPLACE INTO meta VALUES('begun', ?1)", [now_ms])?;
        if let Some(old) = &old {
            for key in ["install_id", "thinned", "clock"] {
                let sql = "SELECT value FROM meta WHERE key = ?1";
                if let Ok(value) = old.query_row(sql, [key], |row| row.get::<_, String>(0)) {
                    tx.execute("INSERT OR REPLACE INTO meta VALUES(?1, ?2)", (key, value))?;
                }
            }
        }
        let letters = !rescue.lost.contains(&"outbox");
        let last: Option<i64> = tx.query_row("SELECT max(number) FROM outbox", [], |row| row.get(0))?;
        number_on(&tx, letters.then_some(last.unwrap_or(0)), now_ms)?;
        tx.commit()
    };
    work().map_err(|e| told(path, e))
}

/// Brings over what can be read, from both ends of the table; false if something could not. An older file may
/// lack a column or a table: it has its default then, or nothing.
fn bring_table(
    old: &Connection,
    new: &Connection,
    (table, keys): (&str, usize),
    rows: &mut usize,
) -> rusqlite::Result<bool> {
    let Ok(known) = columns(old, table) else { return Ok(false) };
    let columns: Vec<String> = columns(new, table)?.into_iter().filter(|name| known.contains(name)).collect();
    if columns.is_empty() {
        return Ok(true);
    }
    let (list, marks) = (columns.join(", "), vec!["?"; columns.len()].join(", "));
    let mut put = new.prepare(&format!("INSERT OR IGNORE INTO {table}({list}) VALUES({marks})"))?;
    for order in ["", " DESC"] {
        let by: Vec<String> = columns.iter().take(keys).map(|name| format!("{name}{order}")).collect();
        let ask = old.prepare(&format!("SELECT {list} FROM {table} ORDER BY {}", by.join(", ")));
        let Ok(mut ask) = ask else { return Ok(false) };
        let Ok(mut found) = ask.query([]) else { return Ok(false) };
        loop {
            match found.next() {
                Ok(Some(row)) => {
                    let values: rusqlite::Result<Vec<Value>> =
                        (0..columns.len()).map(|at| row.get(at)).collect();
                    // A row that breaks a rule of the table is no row of ours.
                    *rows += values.map_or(0, |values| put.execute(params_from_iter(values)).unwrap_or(0));
                }
                Ok(None) => return Ok(order.is_empty()),
                // From the other end, up to the same hole.
                Err(_) => break,
            }
        }
    }
    Ok(false)
}

/// The columns of a table, in their order.
pub(super) fn columns(conn: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    conn.prepare("SELECT name FROM pragma_table_info(?1) ORDER BY cid")?
        .query_map([table], |row| row.get(0))?
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::schema::tables_but;
    use super::*;

    /// A table that a later step adds must not be forgotten here.
    #[test]
    fn every_table_is_brought_over() {
        let tables = tables_but(&["meta", "mirror_log"]);
        let mut ours: Vec<&str> = TABLES.iter().map(|(name, _)| *name).collect();
        ours.sort_unstable();
        assert_eq!(tables, ours);
    }
}
