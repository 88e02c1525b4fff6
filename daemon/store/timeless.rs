//! What came while the time was not known: kept apart, by the time since the boot, until it is.
//!
//! Once it is known in the same boot the rows are handed in again as ordinary readings and day-book lines with
//! their true times, and leave this table in the same transaction.

use rusqlite::{Connection, Row, params};

use super::error::told;
use super::series::Registered;
use super::{MOST_STEPS, Reader, Store, StoreError};
use crate::record::{Doubt, Millis, ProbeIx, Reading};

/// One thing that came while the time was not known.
#[derive(Debug, Clone, PartialEq)]
pub struct Timeless {
    /// Names the boot.
    pub boot: String,
    /// When it came, since that boot.
    pub boot_ms: Millis,
    /// What the system clock said then, right or wrong.
    pub wall_ms: Millis,
    /// What it is.
    pub what: Came,
}

/// A reading or a day-book line.
#[derive(Debug, Clone, PartialEq)]
pub enum Came {
    /// A reading; without a time of its own its times are those of the system clock of then.
    Reading(Reading),
    /// A line of the day book, and when it happened by the system clock of then.
    Line {
        /// As the day book's grammar prints it.
        words: String,
        /// When it happened, by the system clock of then.
        happened_ms: Millis,
        /// Names the line, as in [`BookLine`](super::BookLine).
        key: Option<String>,
    },
}

/// One kept row and its place.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptTimeless {
    /// Its place in the order of arrival; places grow.
    pub id: i64,
    /// What came.
    pub came: Timeless,
}

impl Store {
    /// What came while the time was not known, oldest first, at most `most`. Probes that the settings no longer
    /// name are left out, and stay.
    pub fn timeless(&self, after: i64, most: u32) -> Result<Vec<KeptTimeless>, StoreError> {
        let rows = self.reader.list(
            "SELECT id, boot, boot_ms, wall_ms, series, at_ms, value, doubt, own_time, words, key FROM timeless
             WHERE id > ?1 ORDER BY id LIMIT ?2",
            (after, most),
            |row| self.came(row),
        )?;
        Ok(rows.into_iter().flatten().collect())
    }

    fn came(&self, row: &Row<'_>) -> rusqlite::Result<Option<KeptTimeless>> {
        let (wall_ms, at_ms): (Millis, Millis) = (row.get(3)?, row.get(5)?);
        let what = match row.get::<_, Option<String>>(9)? {
            Some(words) => Came::Line { words, happened_ms: at_ms, key: row.get(10)? },
            None => {
                let series: i64 = row.get(4)?;
                let mut probes = (0u16..).map(ProbeIx).zip(&self.probes);
                let Some((probe, known)) = probes.find(|(_, known)| known.series == series) else {
                    return Ok(None);
                };
                Came::Reading(Reading {
                    probe,
                    at_ms,
                    arrived_ms: wall_ms,
                    value: known.quantity.from_steps(row.get(6)?),
                    own_time: row.get(8)?,
                    doubt: Doubt::from_code(row.get(7)?),
                })
            }
        };
        let came = Timeless { boot: row.get(1)?, boot_ms: row.get(2)?, wall_ms, what };
        Ok(Some(KeptTimeless { id: row.get(0)?, came }))
    }
}

impl Reader {
    /// How much came while the time was not known and still waits for it.
    pub fn timeless_count(&self) -> Result<u64, StoreError> {
        self.conn
            .query_row("SELECT count(*) FROM timeless", [], |row| row.get::<_, i64>(0))
            .map(|n| u64::try_from(n).unwrap_or(0))
            .map_err(|e| told(&self.path, e))
    }
}

/// Keeps what came; a value that cannot be kept at all is passed over here and refused when it is handed in.
pub(super) fn keep(conn: &Connection, all: &[Timeless], probes: &[Registered]) -> rusqlite::Result<()> {
    if all.is_empty() {
        return Ok(());
    }
    let mut put = conn.prepare_cached(
        "INSERT INTO timeless(boot, boot_ms, wall_ms, series, at_ms, value, doubt, own_time, words, key)
         VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    for Timeless { boot, boot_ms, wall_ms, what } in all {
        match what {
            Came::Line { words, happened_ms, key } => {
                put.execute(params![boot, boot_ms, wall_ms, 0, happened_ms, 0, 0, false, words, key])?;
            }
            Came::Reading(reading) => {
                let Some(known) = probes.get(usize::from(reading.probe.0)) else { continue };
                let steps = known.quantity.to_steps(reading.value).clamp(-MOST_STEPS - 1, MOST_STEPS + 1);
                let doubt = reading.doubt.map_or(0, Doubt::code);
                let (series, at_ms, own) = (known.series, reading.at_ms, reading.own_time);
                put.execute(params![
                    boot,
                    boot_ms,
                    wall_ms,
                    series,
                    at_ms,
                    steps,
                    doubt,
                    own,
                    None::<String>,
                    None::<String>
                ])?;
            }
        }
    }
    Ok(())
}

/// Takes rows out that the same transaction keeps as ordinary ones.
pub(super) fn release(conn: &Connection, ids: &[i64]) -> rusqlite::Result<()> {
    let mut drop_row = conn.prepare_cached("DELETE FROM timeless WHERE id = ?1")?;
    for id in ids {
        drop_row.execute([id])?;
    }
    Ok(())
}
