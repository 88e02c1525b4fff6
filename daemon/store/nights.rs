//! What is done at night: a slice of the store is recounted, old readings are thinned, and what came of it is noted.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use chrono::{DateTime, Datelike, NaiveDate};
use rusqlite::OptionalExtension;

use super::copy::beside;
use super::error::{told, told_io};
use super::file::FILE_NAME;
use super::seal::HOUR_MS;
use super::{Reader, Series, Store, StoreError};
use crate::record::Millis;
use crate::rfc3339;

const DAY_MS: Millis = 86_400_000;
/// Rows thinned in one transaction.
const THINNED_AT_ONCE: i64 = 5_000;

/// Count, least, greatest and sum of an hour, in steps.
type Sums = (i64, i64, i64, i64);

impl Reader {
    /// Recounts the readings of one series in one month against its hour records: another slice each night, until
    /// all are through. `None` = they agree, or there is nothing yet; else what does not.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] where something of the slice cannot be read at all.
    pub fn recount(&self, night: NaiveDate) -> Result<Option<String>, StoreError> {
        let mut slices = Vec::new();
        for series in self.all_series()? {
            let ends = self.conn.query_row(
                "SELECT min(start_ms), max(start_ms) FROM hour WHERE series = ?1",
                [series.id],
                |row| Ok((row.get::<_, Option<Millis>>(0)?, row.get::<_, Option<Millis>>(1)?)),
            );
            if let (Some(first), Some(last)) = ends.map_err(|e| told(&self.path, e))? {
                slices.extend(months(first, last).into_iter().map(|month| (series.clone(), month)));
            }
        }
        let turn = usize::try_from(night.num_days_from_ce()).unwrap_or(0).checked_rem(slices.len());
        match turn.and_then(|turn| slices.get(turn)) {
            Some((series, (from_ms, to_ms))) => self.recount_slice(series, *from_ms, *to_ms),
            None => Ok(None),
        }
    }

    fn recount_slice(
        &self,
        series: &Series,
        from_ms: Millis,
        to_ms: Millis,
    ) -> Result<Option<String>, StoreError> {
        let from_ms = from_ms.max(self.thinned_ms()?);
        // Both looks see one snapshot.
        let snapshot = self.conn.unchecked_transaction().map_err(|e| told(&self.path, e))?;
        let kept: Vec<(Millis, Sums)> = self.list(
            "SELECT start_ms, n, min, max, sum FROM hour WHERE series = ?1 AND start_ms >= ?2 AND start_ms < ?3",
            (series.id, from_ms, to_ms),
            |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))),
        )?;
        let mut counted: BTreeMap<Millis, Sums> = BTreeMap::new();
        self.list(
            "SELECT r.at_ms, r.value FROM reading r
             LEFT JOIN reading_note n ON n.series = r.series AND n.at_ms = r.at_ms
             WHERE r.series = ?1 AND r.at_ms >= ?2 AND r.at_ms < ?3 AND coalesce(n.doubt, 0) = 0",
            (series.id, from_ms, to_ms),
            |row| {
                let (at_ms, value): (Millis, i64) = (row.get(0)?, row.get(1)?);
                let hour = counted.entry(at_ms.div_euclid(HOUR_MS) * HOUR_MS).or_insert((0, value, value, 0));
                *hour = (hour.0 + 1, hour.1.min(value), hour.2.max(value), hour.3.saturating_add(value));
                Ok(())
            },
        )?;
        drop(snapshot);
        let kept: BTreeMap<Millis, Sums> = kept.into_iter().collect();
        let all: BTreeSet<Millis> = kept.keys().chain(counted.keys()).copied().collect();
        let wrong: Vec<Millis> = all.into_iter().filter(|hour| kept.get(hour) != counted.get(hour)).collect();
        Ok(wrong.first().map(|first| {
            format!(
                "{}: {} hours from {} on do not agree with their readings: the card may be failing; make a copy \
                 (rindwatch backup) and put in a new one",
                series.probe,
                wrong.len(),
                rfc3339::show(*first)
            )
        }))
    }

    /// Readings before this are thinned; 0 = none are.
    pub(super) fn thinned_ms(&self) -> Result<Millis, StoreError> {
        let words = self.noted("thinned")?;
        Ok(words.and_then(|words| words.parse().ok()).unwrap_or(Millis::MIN))
    }

    /// The last night that was worked through, and what was found amiss in it.
    pub fn last_night(&self) -> Result<Option<(NaiveDate, Option<String>)>, StoreError> {
        let date = self.noted("night")?.and_then(|date| date.parse().ok());
        Ok(date.zip(Some(self.noted("night_words")?.filter(|words| !words.is_empty()))))
    }

    /// How the clocks stood when that was noted last; see [`Batch::clock`](super::Batch::clock).
    pub fn clock_note(&self) -> Result<Option<String>, StoreError> {
        self.noted("clock")
    }

    fn noted(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.conn
            .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(|e| told(&self.path, e))
    }
}

impl Store {
    /// Notes that the night of this date was worked through, and what was found amiss.
    pub fn note_night(&mut self, date: NaiveDate, words: Option<&str>) -> Result<(), StoreError> {
        self.note("night", &date.to_string())?;
        self.note("night_words", words.unwrap_or_default())
    }

    fn note(&self, key: &str, value: &str) -> Result<(), StoreError> {
        self.reader
            .conn
            .execute("INSERT OR REPLACE INTO meta VALUES(?1, ?2)", (key, value))
            .map(drop)
            .map_err(|e| told(&self.reader.path, e))
    }

    /// Takes out single readings of whole days before `before_ms`, at most about `most`, and says how many went. Their
    /// hours and days stay, and so does the last reading of each series. The file reuses their pages.
    /// From then on such old readings are refused: counted a second time they would spoil their hour.
    pub fn thin(&mut self, before_ms: Millis, most: usize) -> Result<usize, StoreError> {
        let before_ms = before_ms.div_euclid(DAY_MS) * DAY_MS;
        // First of all, so that a kill in between leaves no reading that could come twice.
        if before_ms > self.reader.thinned_ms()? {
            self.note("thinned", &before_ms.to_string())?;
            self.probes.iter_mut().for_each(|probe| probe.from_ms = before_ms);
        }
        let mut gone = 0;
        for series in self.reader.all_series()? {
            while gone < most {
                let went = self.thin_some(series.id, before_ms).map_err(|e| told(&self.reader.path, e))?;
                gone += went;
                if went == 0 {
                    break;
                }
            }
        }
        Ok(gone)
    }

    fn thin_some(&mut self, series: i64, before_ms: Millis) -> rusqlite::Result<usize> {
        const OLD: &str = "SELECT series, at_ms FROM reading WHERE series = ?1
             AND at_ms < min(?2, (SELECT max(at_ms) FROM reading WHERE series = ?1)) ORDER BY at_ms LIMIT ?3";
        let tx = self.reader.conn.transaction()?;
        let rule = (series, before_ms, THINNED_AT_ONCE);
        tx.execute(&format!("DELETE FROM reading_note WHERE (series, at_ms) IN ({OLD})"), rule)?;
        let went = tx.execute(&format!("DELETE FROM reading WHERE (series, at_ms) IN ({OLD})"), rule)?;
        tx.commit()?;
        Ok(went)
    }

    /// Leaves word beside the store in `dir` that it is damaged: the next start sets it aside and begins a new one with
    /// what can still be read, also where what a start reads is sound.
    ///
    /// # Errors
    /// A folder that cannot be written.
    pub fn mark_damaged(dir: &Path, words: &str) -> Result<(), StoreError> {
        let mark = beside(&dir.join(FILE_NAME), ".is-damaged");
        fs::write(&mark, words).map_err(|e| told_io(&mark, &e))
    }

    /// Takes that word away; `None` = there is none.
    pub(super) fn take_mark(dir: &Path) -> Option<String> {
        let mark = beside(&dir.join(FILE_NAME), ".is-damaged");
        let words = fs::read_to_string(&mark).ok()?;
        let _ = fs::remove_file(&mark);
        Some(words)
    }
}

/// The months of UTC from one moment to another: begin (in), end (out).
fn months(first_ms: Millis, last_ms: Millis) -> Vec<(Millis, Millis)> {
    let month = |ms| DateTime::from_timestamp_millis(ms).and_then(|at| at.date_naive().with_day(1));
    let (Some(mut at), Some(last)) = (month(first_ms), month(last_ms)) else { return Vec::new() };
    let begin_ms = |date: NaiveDate| date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis();
    let mut all = Vec::new();
    while at <= last {
        let Some(next) = at.checked_add_months(chrono::Months::new(1)) else { break };
        all.push((begin_ms(at), begin_ms(next)));
        at = next;
    }
    all
}
