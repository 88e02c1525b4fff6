//! What the mirror is still owed, in the order of keeping, so that a late row is not passed over.
//!
//! Written only while the settings name a mirror. Bounded: a mirror that stays away for long loses the
//! oldest rows of this list, never a reading of the store.

use rusqlite::Connection;

use super::error::told;
use super::look::from_json;
use super::{Reader, Series, Store, StoreError};
use crate::record::{DayRecord, Doubt, Millis};

/// Most rows owed, checked at each sealing: about two months of 12 probes a minute.
pub const MIRROR_LOG_MOST: i64 = 1_000_000;

/// One thing the mirror is owed.
#[derive(Debug, Clone, PartialEq)]
pub struct MirrorRow {
    /// Its place; places grow.
    pub id: i64,
    /// The thing.
    pub what: Mirrored,
}

/// What a mirror holds.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant, missing_docs)] // days are few
pub enum Mirrored {
    Reading { series: Series, at_ms: Millis, value: f64, doubt: Option<Doubt> },
    Day(DayRecord),
}

impl Store {
    /// The mirror has everything up to `id`.
    pub fn mirror_done(&mut self, id: i64) -> Result<(), StoreError> {
        let Reader { conn, path } = &self.reader;
        conn.prepare_cached("DELETE FROM mirror_log WHERE id <= ?1")
            .and_then(|mut pay| pay.execute([id]))
            .map(drop)
            .map_err(|e| told(path, e))
    }
}

impl Reader {
    /// What the mirror is owed after place `id`, in order, at most `most` rows.
    pub fn mirror_owed(&self, id: i64, most: u32) -> Result<Vec<MirrorRow>, StoreError> {
        let series = self.all_series()?;
        let rows = self.list(
            "SELECT m.id, m.series, m.at_ms, m.value, m.doubt, d.record FROM mirror_log m
             LEFT JOIN bed_day d ON d.date = m.date AND d.bed = m.bed
             WHERE m.id > ?1 ORDER BY m.id LIMIT ?2",
            (id, most),
            |row| {
                let Some(of) = row.get::<_, Option<i64>>(1)? else {
                    return Ok(MirrorRow { id: row.get(0)?, what: Mirrored::Day(from_json(row, 5)?) });
                };
                let series = series
                    .iter()
                    .find(|series| series.id == of)
                    .ok_or(rusqlite::Error::IntegralValueOutOfRange(1, of))?;
                Ok(MirrorRow {
                    id: row.get(0)?,
                    what: Mirrored::Reading {
                        series: series.clone(),
                        at_ms: row.get(2)?,
                        value: series.value(row.get(3)?),
                        doubt: Doubt::from_code(row.get(4)?),
                    },
                })
            },
        )?;
        Ok(rows)
    }
}

pub(super) fn owe_reading(
    conn: &Connection,
    id: i64,
    series: i64,
    at_ms: Millis,
    steps: i64,
    doubt: i64,
) -> rusqlite::Result<()> {
    conn.prepare_cached("INSERT INTO mirror_log(id, series, at_ms, value, doubt) VALUES(?1, ?2, ?3, ?4, ?5)")?
        .execute((id, series, at_ms, steps, doubt))
        .map(drop)
}

pub(super) fn owe_day(conn: &Connection, id: i64, date: &str, bed: &str) -> rusqlite::Result<()> {
    conn.prepare_cached("INSERT INTO mirror_log(id, date, bed) VALUES(?1, ?2, ?3)")?
        .execute((id, date, bed))
        .map(drop)
}

/// Drops the oldest rows beyond [`MIRROR_LOG_MOST`].
pub(super) fn bound(conn: &Connection) -> rusqlite::Result<()> {
    conn.prepare_cached("DELETE FROM mirror_log WHERE id <= (SELECT max(id) FROM mirror_log) - ?1")?
        .execute([MIRROR_LOG_MOST])
        .map(drop)
}
