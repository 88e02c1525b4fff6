//! Sealing: once an hour the inbox goes into the ordered table, with hour and day sums.
//!
//! Only rows new to the ordered table are counted, so a row met twice is summed once. Only rows that the
//! saved state knows are moved, so after a kill the rest is still in the inbox to be played again.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate};
use chrono_tz::Tz;
use rusqlite::{Connection, Rows};

use crate::record::Millis;

/// Length of an hour record, milliseconds. Hours are of UTC; days are civil days of the garden.
pub(super) const HOUR_MS: Millis = 3_600_000;

/// An arrival this far from the reading's own time is kept with it; a nearer one is forgotten.
const LATE_MS: Millis = 120_000;

/// Sums of believed readings, in steps.
#[derive(Clone, Copy)]
struct Sums {
    n: i64,
    min: i64,
    max: i64,
    sum: i64,
}

impl Sums {
    fn of(value: i64) -> Self {
        Self { n: 1, min: value, max: value, sum: value }
    }

    fn add(&mut self, value: i64) {
        self.n += 1;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        self.sum = self.sum.saturating_add(value);
    }
}

/// What one sealing adds to the records of one series.
#[derive(Default)]
struct Added {
    hours: BTreeMap<Millis, Sums>,
    days: BTreeMap<NaiveDate, Sums>,
}

impl Added {
    fn add(&mut self, at_ms: Millis, value: i64, zone: Tz) {
        let start_ms = at_ms.div_euclid(HOUR_MS) * HOUR_MS;
        self.hours.entry(start_ms).and_modify(|sums| sums.add(value)).or_insert(Sums::of(value));
        // Readings outside the calendar were refused at the door.
        if let Some(date) = civil_date(at_ms, zone) {
            self.days.entry(date).and_modify(|sums| sums.add(value)).or_insert(Sums::of(value));
        }
    }
}

/// The civil date of a moment.
pub(super) fn civil_date(at_ms: Millis, zone: Tz) -> Option<NaiveDate> {
    DateTime::from_timestamp_millis(at_ms).map(|at| at.with_timezone(&zone).date_naive())
}

/// Moves what the saved state knows out of the inbox; says how many rows were new in their final place.
/// To be called inside a transaction.
pub(super) fn seal(conn: &Connection, zone: Tz) -> rusqlite::Result<usize> {
    let through: Option<i64> =
        conn.query_row("SELECT (SELECT through_seq FROM state)", [], |row| row.get(0))?;
    let Some(through) = through else { return Ok(0) };
    let series: Vec<i64> = conn
        .prepare_cached("SELECT DISTINCT series FROM inbox ORDER BY series")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    // One series after the other needs no sorting, and so no memory, however full the inbox is.
    let mut pick = conn.prepare_cached(
        "SELECT at_ms, value, late_ms, doubt, own_time FROM inbox WHERE series = ?1 AND seq <= ?2
         ORDER BY at_ms",
    )?;
    let mut sealed = 0;
    for id in series {
        let (added, moved) = move_rows(conn, id, pick.query((id, through))?, zone)?;
        sealed += moved;
        keep_sums(conn, id, &added)?;
    }
    conn.prepare_cached("DELETE FROM inbox WHERE seq <= ?1")?.execute([through])?;
    Ok(sealed)
}

fn move_rows(
    conn: &Connection,
    series: i64,
    mut rows: Rows<'_>,
    zone: Tz,
) -> rusqlite::Result<(Added, usize)> {
    let mut put = conn.prepare_cached(
        "INSERT INTO reading(series, at_ms, value) VALUES(?1, ?2, ?3) ON CONFLICT DO NOTHING",
    )?;
    let mut note = conn.prepare_cached(
        "INSERT OR REPLACE INTO reading_note(series, at_ms, late_ms, doubt, own_time)
         VALUES(?1, ?2, ?3, ?4, ?5)",
    )?;
    let mut added = Added::default();
    let mut moved = 0;
    while let Some(row) = rows.next()? {
        let (at_ms, value): (Millis, i64) = (row.get(0)?, row.get(1)?);
        let (late_ms, doubt, own_time): (Millis, i64, bool) = (row.get(2)?, row.get(3)?, row.get(4)?);
        if put.execute((series, at_ms, value))? == 0 {
            continue;
        }
        moved += 1;
        if doubt != 0 || late_ms.saturating_abs() > LATE_MS {
            note.execute((series, at_ms, late_ms, doubt, own_time))?;
        }
        if doubt == 0 {
            added.add(at_ms, value, zone);
        }
    }
    Ok((added, moved))
}

fn keep_sums(conn: &Connection, series: i64, added: &Added) -> rusqlite::Result<()> {
    let mut hour = conn.prepare_cached(
        "INSERT INTO hour(series, start_ms, n, min, max, sum) VALUES(?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT DO UPDATE SET n = n + excluded.n, min = min(min, excluded.min),
           max = max(max, excluded.max), sum = sum + excluded.sum",
    )?;
    for (start_ms, sums) in &added.hours {
        hour.execute((series, start_ms, sums.n, sums.min, sums.max, sums.sum))?;
    }
    let mut day = conn.prepare_cached(
        "INSERT INTO day(series, date, n, min, max, sum) VALUES(?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT DO UPDATE SET n = n + excluded.n, min = min(min, excluded.min),
           max = max(max, excluded.max), sum = sum + excluded.sum",
    )?;
    for (date, sums) in &added.days {
        day.execute((series, date.to_string(), sums.n, sums.min, sums.max, sums.sum))?;
    }
    Ok(())
}
