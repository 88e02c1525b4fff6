//! Questions: readings, sums, days, matters, refusals, the day book. Nothing here writes.

use chrono::NaiveDate;
use rusqlite::{Params, Row};
use serde::de::DeserializeOwned;

use super::error::told;
use super::{BookLine, Reader, Series, StoreError};
use crate::record::{DayRecord, Doubt, MatterChange, Millis, Refusal};

/// A reading as kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kept {
    /// When it was measured.
    pub at_ms: Millis,
    /// In the unit of its series.
    pub value: f64,
    /// Why it is not believed, if so.
    pub doubt: Option<Doubt>,
    /// When it reached us; `None` = within two minutes of `at_ms` (no longer known more closely).
    pub arrived_ms: Option<Millis>,
}

/// The believed readings of one series in one hour of UTC.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // count, and values in the unit of the series
pub struct HourSum {
    pub start_ms: Millis,
    pub n: u64,
    pub min: f64,
    pub max: f64,
    pub mean: f64,
}

/// The believed readings of one series on one civil day of the garden.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // count, and values in the unit of the series
pub struct DaySum {
    pub date: NaiveDate,
    pub n: u64,
    pub min: f64,
    pub max: f64,
    pub mean: f64,
}

/// The latest reading of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct Last {
    /// The series.
    pub series: Series,
    /// Its latest reading, believed or not.
    pub reading: Kept,
}

/// How much there is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Readings that are not yet sealed, doubted ones and those without a time included.
    pub inbox: u64,
    /// Sealed readings that are believed.
    pub believed: u64,
    /// Sealed readings that are not.
    pub doubted: u64,
    /// Refusals kept.
    pub refusals: u64,
    /// Letters not yet accepted.
    pub letters_waiting: u64,
}

impl Counts {
    /// All readings.
    pub fn readings(&self) -> u64 {
        self.inbox + self.believed + self.doubted
    }
}

const RAW: &str = "
SELECT r.at_ms, r.value, coalesce(n.doubt, 0), n.late_ms FROM reading r
  LEFT JOIN reading_note n ON n.series = r.series AND n.at_ms = r.at_ms
  WHERE r.series = ?1 AND r.at_ms >= ?2 AND r.at_ms < ?3
UNION ALL
SELECT at_ms, value, doubt, late_ms FROM inbox WHERE series = ?1 AND at_ms >= ?2 AND at_ms < ?3
ORDER BY 1 LIMIT ?4";

/// Without ?2, the readings whose time is wrong: it may lie ahead of all others.
const LAST_SEALED: &str = "
SELECT r.at_ms, r.value, coalesce(n.doubt, 0), n.late_ms FROM reading r
  LEFT JOIN reading_note n ON n.series = r.series AND n.at_ms = r.at_ms
  WHERE r.series = ?1 AND coalesce(n.doubt, 0) <> ?2 ORDER BY r.at_ms DESC LIMIT 1";

const LAST_IN_INBOX: &str = "
SELECT at_ms, value, doubt, late_ms FROM inbox
  WHERE series = ?1 AND doubt <> ?2 ORDER BY at_ms DESC LIMIT 1";

impl Reader {
    /// Readings of a series from `from_ms` (in) to `to_ms` (out), oldest first, at most `most`.
    pub fn raw(
        &self,
        series: &Series,
        from_ms: Millis,
        to_ms: Millis,
        most: u32,
    ) -> Result<Vec<Kept>, StoreError> {
        self.list(RAW, (series.id, from_ms, to_ms, most), |row| kept(row, series))
    }

    /// Hours of a series that start from `from_ms` (in) to `to_ms` (out). What is not sealed yet, up to
    /// the last hour or two, is not among them.
    pub fn hours(&self, series: &Series, from_ms: Millis, to_ms: Millis) -> Result<Vec<HourSum>, StoreError> {
        self.list(
            "SELECT start_ms, n, min, max, sum FROM hour WHERE series = ?1 AND start_ms >= ?2
             AND start_ms < ?3 ORDER BY start_ms",
            (series.id, from_ms, to_ms),
            |row| {
                let (n, min, max, mean) = sums(row, series)?;
                Ok(HourSum { start_ms: row.get(0)?, n, min, max, mean })
            },
        )
    }

    /// Days of a series, `from` and `to` included, as far as sealed.
    pub fn days(&self, series: &Series, from: NaiveDate, to: NaiveDate) -> Result<Vec<DaySum>, StoreError> {
        self.list(
            "SELECT date, n, min, max, sum FROM day WHERE series = ?1 AND date >= ?2 AND date <= ?3
             ORDER BY date",
            (series.id, from.to_string(), to.to_string()),
            |row| {
                let (n, min, max, mean) = sums(row, series)?;
                Ok(DaySum { date: date(row, 0)?, n, min, max, mean })
            },
        )
    }

    /// The latest reading of every series, believed or not.
    pub fn last_readings(&self) -> Result<Vec<Last>, StoreError> {
        let mut all = Vec::new();
        for series in self.all_series()? {
            let found = [LAST_SEALED, LAST_IN_INBOX]
                .iter()
                .map(|sql| self.list(sql, (series.id, Doubt::ClockUnsure.code()), |row| kept(row, &series)))
                .collect::<Result<Vec<_>, _>>()?;
            let latest = found.into_iter().flatten().max_by_key(|reading: &Kept| reading.at_ms);
            all.extend(latest.map(|reading| Last { series, reading }));
        }
        Ok(all)
    }

    /// Closed days from `from` to `to`, both included, of one bed or of all (`None`), by date and bed.
    pub fn bed_days(
        &self,
        bed: Option<&str>,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<DayRecord>, StoreError> {
        self.list(
            "SELECT record FROM bed_day WHERE date >= ?1 AND date <= ?2 AND bed = coalesce(?3, bed)
             ORDER BY date, bed",
            (from.to_string(), to.to_string(), bed),
            |row| from_json(row, 0),
        )
    }

    /// Changes of matters from `from_ms` (in) to `to_ms` (out), oldest first.
    pub fn matters(&self, from_ms: Millis, to_ms: Millis) -> Result<Vec<MatterChange>, StoreError> {
        self.list(
            "SELECT record FROM matter WHERE at_ms >= ?1 AND at_ms < ?2 ORDER BY at_ms, id",
            (from_ms, to_ms),
            |row| from_json(row, 0),
        )
    }

    /// The day book by what happened from `from_ms` (in) to `to_ms` (out), oldest first, without what was taken back.
    pub fn book(&self, from_ms: Millis, to_ms: Millis) -> Result<Vec<BookLine>, StoreError> {
        self.list(
            "SELECT happened_ms, entered_ms, words, clock_unsure, key, struck_ms FROM day_book
             WHERE happened_ms >= ?1 AND happened_ms < ?2 AND struck_ms IS NULL ORDER BY happened_ms, id",
            (from_ms, to_ms),
            book_line,
        )
    }

    /// The day book after line `entry`, in the order of entering: after a start, the lines after
    /// [`Saved::through_entry`](super::Saved::through_entry) were entered while no daemon ran.
    pub fn book_after(&self, entry: i64) -> Result<Vec<BookLine>, StoreError> {
        self.list(
            "SELECT happened_ms, entered_ms, words, clock_unsure, key, struck_ms FROM day_book
             WHERE id > ?1 AND struck_ms IS NULL ORDER BY id",
            [entry],
            book_line,
        )
    }

    /// The words of the line of that key, taken back or not; also of one that waits for the time to be known.
    pub fn line_of(&self, key: &str) -> Result<Option<String>, StoreError> {
        let found = self.list(
            "SELECT words FROM day_book WHERE key = ?1 UNION ALL SELECT words FROM timeless WHERE key = ?1",
            [key],
            |row| row.get(0),
        )?;
        Ok(found.into_iter().next())
    }

    /// The latest lines of the day book by when they were entered, newest first, at most `most`, those that were
    /// taken back among them.
    pub fn newest_lines(&self, most: u32) -> Result<Vec<BookLine>, StoreError> {
        self.list(
            "SELECT happened_ms, entered_ms, words, clock_unsure, key, struck_ms FROM day_book
             ORDER BY id DESC LIMIT ?1",
            [most],
            book_line,
        )
    }

    /// The latest refusals, newest first, at most `most`.
    pub fn refusals(&self, most: u32) -> Result<Vec<Refusal>, StoreError> {
        self.list(
            "SELECT arrived_ms, topic, payload, probe, reason FROM refusal ORDER BY id DESC LIMIT ?1",
            [most],
            |row| {
                Ok(Refusal {
                    arrived_ms: row.get(0)?,
                    topic: row.get(1)?,
                    payload: row.get(2)?,
                    probe: row.get(3)?,
                    reason: row.get(4)?,
                })
            },
        )
    }

    /// How much there is; quick however long the store has run.
    pub fn counts(&self) -> Result<Counts, StoreError> {
        self.conn
            .query_row(
                "SELECT (SELECT count(*) FROM inbox) + (SELECT count(*) FROM timeless WHERE words IS NULL),
                   (SELECT coalesce(sum(n), 0) FROM day),
                   (SELECT count(*) FROM reading_note WHERE doubt <> 0), (SELECT count(*) FROM refusal),
                   (SELECT count(*) FROM outbox WHERE fate = 0)",
                [],
                |row| {
                    Ok(Counts {
                        inbox: count(row, 0)?,
                        believed: count(row, 1)?,
                        doubted: count(row, 2)?,
                        refusals: count(row, 3)?,
                        letters_waiting: count(row, 4)?,
                    })
                },
            )
            .map_err(|e| told(&self.path, e))
    }

    /// All rows of one question.
    pub(super) fn list<T, P: Params>(
        &self,
        sql: &str,
        values: P,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        self.conn
            .prepare_cached(sql)
            .and_then(|mut ask| ask.query_map(values, read)?.collect())
            .map_err(|e| told(&self.path, e))
    }
}

fn book_line(row: &Row<'_>) -> rusqlite::Result<BookLine> {
    Ok(BookLine {
        happened_ms: row.get(0)?,
        entered_ms: row.get(1)?,
        words: row.get(2)?,
        clock_unsure: row.get(3)?,
        key: row.get(4)?,
        struck_ms: row.get(5)?,
    })
}

fn kept(row: &Row<'_>, series: &Series) -> rusqlite::Result<Kept> {
    let at_ms: Millis = row.get(0)?;
    let late_ms: Option<Millis> = row.get(3)?;
    Ok(Kept {
        at_ms,
        value: series.value(row.get(1)?),
        doubt: Doubt::from_code(row.get(2)?),
        arrived_ms: late_ms.map(|late| at_ms.saturating_add(late)),
    })
}

/// Count, minimum, maximum and mean from columns 1 to 4.
fn sums(row: &Row<'_>, series: &Series) -> rusqlite::Result<(u64, f64, f64, f64)> {
    let n = count(row, 1)?;
    let mean = series.value(row.get(4)?) / n.max(1) as f64;
    Ok((n, series.value(row.get(2)?), series.value(row.get(3)?), mean))
}

fn count(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    let n: i64 = row.get(column)?;
    u64::try_from(n).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(column, n))
}

fn date(row: &Row<'_>, column: usize) -> rusqlite::Result<NaiveDate> {
    let text: String = row.get(column)?;
    text.parse().map_err(|e| unreadable(column, Box::new(e)))
}

/// A record kept as JSON.
pub(super) fn from_json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|e| unreadable(column, Box::new(e)))
}

fn unreadable(column: usize, why: Box<dyn std::error::Error + Send + Sync>) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, why)
}
