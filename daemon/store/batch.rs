//! One batch, one transaction: everything in it is kept, or nothing.

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use super::error::told;
use super::letters::{self, LetterFate, Sifted};
use super::look::from_json;
use super::mirror_log;
use super::seal;
use super::series::{Registered, kept_steps};
use super::timeless::{self, Timeless};
use super::{Arrived, MOST_STEPS, Reader, Saved, Store, StoreError, TIMES_MS};
use crate::record::{
    DayRecord, Doubt, HOURS_KEPT_MS, LateDay, MatterChange, Millis, OutboxLetter, ProbeIx, Reading, Refusal,
    SavedState,
};

/// How many refusals are kept, the latest.
const REFUSALS_KEPT: i64 = 1000;

/// What belongs together and goes down together.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Batch {
    /// Wall time of the commit; the age of kept hours is counted from here.
    pub now_ms: Millis,
    /// Readings in the order of their arrival, each with its doubt.
    pub readings: Vec<Reading>,
    /// What was not taken in; the latest 1,000 are kept.
    pub refusals: Vec<Refusal>,
    /// Closed days; each takes the place of an earlier one of its date and bed.
    pub days: Vec<DayRecord>,
    /// Days that readings came too late for; each is marked corrected.
    pub late: Vec<LateDay>,
    /// Changes of state.
    pub matters: Vec<MatterChange>,
    /// Letters, worded; they wait in the outbox.
    pub letters: Vec<OutboxLetter>,
    /// Waiting letters that were looked through.
    pub sifted: Sifted,
    /// What came of letters, where that could not be kept before.
    pub fates: Vec<LetterFate>,
    /// Day-book lines.
    pub entries: Vec<BookLine>,
    /// Keys of lines that are taken back, and when.
    pub struck: Vec<(String, Millis)>,
    /// The engine's state. It must know every reading kept before and in this batch.
    pub state: Option<SavedState>,
    /// What came while the time is not known.
    pub timeless: Vec<Timeless>,
    /// Places of what came so and is handed in with this batch under its true time.
    pub released: Vec<i64>,
    /// How the clocks of this boot stand, for a later run.
    pub clock: Option<String>,
    /// Seal the inbox as far as the saved state (that of this batch included) knows it: hourly.
    pub seal: bool,
}

/// A line of the day book.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct BookLine {
    /// When it happened.
    pub happened_ms: Millis,
    /// When it was entered.
    pub entered_ms: Millis,
    /// The line as the day book's grammar prints it.
    pub words: String,
    /// Both times are those of a clock that was never known to be right.
    pub clock_unsure: bool,
    /// Names the line: whoever sends it twice under one key has entered it once.
    pub key: Option<String>,
    /// When it was taken back; it counts for nothing then.
    pub struck_ms: Option<Millis>,
}

/// What became of a batch.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Committed {
    /// Readings kept now for the first time.
    pub fresh: usize,
    /// Readings known before: same probe, time and value.
    pub duplicates: usize,
    /// Places in [`Batch::readings`] of those not taken: another value was kept for their probe and time
    /// before and stands, or they are beyond what can be kept at all. Each is among the refusals.
    pub refused: Vec<usize>,
    /// Readings moved from the inbox to their final place.
    pub sealed: usize,
}

/// What became of one reading.
enum Outcome {
    Fresh,
    Duplicate,
    Refused(String),
}

impl Store {
    /// Writes a line without meaning, as proof that the store can be written.
    pub fn prove(&mut self) -> Result<(), StoreError> {
        let Reader { conn, path } = &mut self.reader;
        conn.execute("INSERT OR REPLACE INTO meta VALUES('proven', '1')", [])
            .map(drop)
            .map_err(|e| told(path, e))
    }

    /// Keeps the batch. After an error nothing of it is kept and it can be handed in again as it is.
    pub fn commit(&mut self, batch: &Batch) -> Result<Committed, StoreError> {
        // What we remember moves on only when the transaction has.
        let mut probes = self.probes.clone();
        let mut seq = self.last_seq;
        for reading in &batch.readings {
            self.registered(reading.probe)?;
        }
        let Reader { conn, path } = &mut self.reader;
        let mut work = || -> rusqlite::Result<Committed> {
            let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut done = keep_readings(&tx, &batch.readings, &mut probes, &mut seq, self.mirrored)?;
            keep_refusals(&tx, &batch.refusals)?;
            keep_days(&tx, &batch.days, &mut seq, self.mirrored)?;
            mark_late(&tx, &batch.late, &mut seq, self.mirrored)?;
            keep_matters(&tx, &batch.matters)?;
            batch.sifted.keep(&tx, batch.now_ms)?;
            keep_letters(&tx, &batch.letters)?;
            letters::keep_fates(&tx, &batch.fates)?;
            keep_entries(&tx, &batch.entries)?;
            strike(&tx, &batch.struck)?;
            timeless::keep(&tx, &batch.timeless, &probes)?;
            timeless::release(&tx, &batch.released)?;
            if let Some(state) = &batch.state {
                keep_state(&tx, state, seq, batch.now_ms)?;
            }
            if let Some(words) = &batch.clock {
                tx.execute("INSERT OR REPLACE INTO meta VALUES('clock', ?1)", [words])?;
            }
            if batch.seal {
                done.sealed = seal::seal(&tx, self.zone)?;
                mirror_log::bound(&tx)?;
            }
            tx.commit()?;
            Ok(done)
        };
        let done = work().map_err(|e| told(path, e))?;
        self.probes = probes;
        self.last_seq = seq;
        Ok(done)
    }

    /// The engine's state as last kept; `None` in a new store.
    pub fn saved(&self) -> Result<Option<Saved>, StoreError> {
        let reader = &self.reader;
        let state = reader
            .conn
            .query_row("SELECT core, through_seq, through_entry FROM state", [], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?))
            })
            .optional()
            .map_err(|e| told(&reader.path, e))?;
        let Some((core, through_seq, through_entry)) = state else { return Ok(None) };
        let hours = reader.list("SELECT start_ms, sums FROM engine_hour ORDER BY start_ms", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
        Ok(Some(Saved { state: SavedState { core, hours }, through_seq, through_entry }))
    }

    /// What is in the inbox, in the order of arrival: after a start, those after [`Saved::through_seq`]
    /// are played again. Probes that the settings no longer name are left out.
    pub fn inbox_in_arrival_order(&self) -> Result<Vec<Arrived>, StoreError> {
        let rows = self.reader.list(
            "SELECT seq, series, at_ms, late_ms, value, own_time, doubt FROM inbox ORDER BY seq",
            [],
            |row| {
                let series: i64 = row.get(1)?;
                let Some((probe, known)) =
                    (0u16..).map(ProbeIx).zip(&self.probes).find(|(_, known)| known.series == series)
                else {
                    return Ok(None);
                };
                let at_ms: Millis = row.get(2)?;
                Ok(Some(Arrived {
                    seq: row.get(0)?,
                    reading: Reading {
                        probe,
                        at_ms,
                        arrived_ms: at_ms.saturating_add(row.get(3)?),
                        value: known.quantity.from_steps(row.get(4)?),
                        own_time: row.get(5)?,
                        doubt: Doubt::from_code(row.get(6)?),
                    },
                }))
            },
        )?;
        Ok(rows.into_iter().flatten().collect())
    }
}

fn keep_readings(
    tx: &Transaction<'_>,
    readings: &[Reading],
    probes: &mut [Registered],
    seq: &mut i64,
    mirrored: bool,
) -> rusqlite::Result<Committed> {
    let mut done = Committed::default();
    let mut put = tx.prepare_cached(
        "INSERT INTO inbox(at_ms, series, value, late_ms, seq, doubt, own_time)
         VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?;
    for (at, reading) in readings.iter().enumerate() {
        let Some(known) = probes.get_mut(usize::from(reading.probe.0)) else { continue };
        match outcome(tx, reading, known)? {
            Outcome::Duplicate => done.duplicates += 1,
            Outcome::Refused(reason) => {
                refuse(tx, reading, known, reason)?;
                done.refused.push(at);
            }
            Outcome::Fresh => {
                *seq += 1;
                let steps = known.quantity.to_steps(reading.value);
                let doubt = reading.doubt.map_or(0, Doubt::code);
                let late_ms = reading.arrived_ms.saturating_sub(reading.at_ms);
                put.execute(params![
                    reading.at_ms,
                    known.series,
                    steps,
                    late_ms,
                    *seq,
                    doubt,
                    reading.own_time
                ])?;
                if mirrored {
                    mirror_log::owe_reading(tx, *seq, known.series, reading.at_ms, steps, doubt)?;
                }
                known.newest_ms = known.newest_ms.max(Some(reading.at_ms));
                done.fresh += 1;
            }
        }
    }
    Ok(done)
}

/// The first value for a probe and time stands.
fn outcome(conn: &Connection, reading: &Reading, known: &Registered) -> rusqlite::Result<Outcome> {
    let steps = known.quantity.to_steps(reading.value);
    // `to_steps` turns NaN into 0 and clips what is too large: neither may be kept for a reading.
    if !reading.value.is_finite() || steps.abs() > MOST_STEPS {
        return Ok(Outcome::Refused(format!(
            "the value {} is beyond what can be kept; wanted a number within ±{MOST_STEPS} steps",
            reading.value
        )));
    }
    if !TIMES_MS.contains(&reading.at_ms) || !TIMES_MS.contains(&reading.arrived_ms) {
        return Ok(Outcome::Refused(format!(
            "the time {} ms is beyond the calendar; wanted a year from 1 to 9999",
            reading.at_ms
        )));
    }
    if reading.at_ms < known.from_ms {
        return Ok(Outcome::Refused(format!(
            "readings of that time ({} ms) were thinned out, and it cannot be known whether it was kept before",
            reading.at_ms
        )));
    }
    if known.newest_ms.is_none_or(|newest| reading.at_ms > newest) {
        return Ok(Outcome::Fresh);
    }
    Ok(match kept_steps(conn, known.series, reading.at_ms)? {
        None => Outcome::Fresh,
        Some(kept) if kept == steps => Outcome::Duplicate,
        Some(kept) => Outcome::Refused(format!(
            "{} was kept for this probe and time ({} ms) before and stands; {} is not taken",
            known.quantity.from_steps(kept),
            reading.at_ms,
            reading.value
        )),
    })
}

fn refuse(conn: &Connection, reading: &Reading, known: &Registered, reason: String) -> rusqlite::Result<()> {
    let probe = conn.query_row("SELECT probe FROM series WHERE id = ?1", [known.series], |row| row.get(0))?;
    let refusal = Refusal {
        arrived_ms: reading.arrived_ms,
        topic: String::new(),
        payload: reading.value.to_string(),
        probe: Some(probe),
        reason,
    };
    keep_refusals(conn, &[refusal])
}

fn keep_refusals(conn: &Connection, refusals: &[Refusal]) -> rusqlite::Result<()> {
    if refusals.is_empty() {
        return Ok(());
    }
    let mut put = conn.prepare_cached(
        "INSERT INTO refusal(arrived_ms, topic, payload, probe, reason) VALUES(?1, ?2, ?3, ?4, ?5)",
    )?;
    for refusal in refusals {
        put.execute((refusal.arrived_ms, &refusal.topic, &refusal.payload, &refusal.probe, &refusal.reason))?;
    }
    conn.prepare_cached("DELETE FROM refusal WHERE id <= (SELECT max(id) FROM refusal) - ?1")?
        .execute([REFUSALS_KEPT])?;
    Ok(())
}

fn keep_days(conn: &Connection, days: &[DayRecord], seq: &mut i64, mirrored: bool) -> rusqlite::Result<()> {
    let mut put =
        conn.prepare_cached("INSERT OR REPLACE INTO bed_day(date, bed, record) VALUES(?1, ?2, ?3)")?;
    for day in days {
        let date = day.date.to_string();
        put.execute((&date, &day.bed, json(day)?))?;
        if mirrored {
            *seq += 1;
            mirror_log::owe_day(conn, *seq, &date, &day.bed)?;
        }
    }
    Ok(())
}

/// Marks days whose hours are held no more; one that was never closed is no day to mark.
fn mark_late(conn: &Connection, late: &[LateDay], seq: &mut i64, mirrored: bool) -> rusqlite::Result<()> {
    for LateDay { date, bed, at_ms } in late {
        let records: Vec<DayRecord> = conn
            .prepare_cached("SELECT record FROM bed_day WHERE date = ?1 AND bed = coalesce(?2, bed)")?
            .query_map((date.to_string(), bed), |row| from_json(row, 0))?
            .collect::<rusqlite::Result<_>>()?;
        let marked = records
            .into_iter()
            .map(|record| DayRecord { corrected: true, corrected_ms: Some(*at_ms), ..record })
            .collect::<Vec<_>>();
        keep_days(conn, &marked, seq, mirrored)?;
    }
    Ok(())
}

fn keep_matters(conn: &Connection, matters: &[MatterChange]) -> rusqlite::Result<()> {
    let mut put = conn.prepare_cached("INSERT INTO matter(at_ms, record) VALUES(?1, ?2)")?;
    for matter in matters {
        put.execute((matter.at_ms, json(matter)?))?;
    }
    Ok(())
}

/// A number that was used before (the state was lost and counting began anew) is kept beside the older
/// one: a letter is never dropped.
fn keep_letters(conn: &Connection, letters: &[OutboxLetter]) -> rusqlite::Result<()> {
    let mut put = conn.prepare_cached(
        "INSERT INTO outbox(number, person, address, at_ms, matters, subject, eml, draft)
         VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    for letter in letters {
        put.execute((
            letter.number,
            &letter.person,
            &letter.address,
            letter.at_ms,
            json(&letter.matters)?,
            &letter.subject,
            &letter.eml,
            letter.draft.as_ref().map_or(Ok(String::new()), json)?,
        ))?;
    }
    Ok(())
}

fn keep_entries(conn: &Connection, entries: &[BookLine]) -> rusqlite::Result<()> {
    let mut put = conn.prepare_cached(
        "INSERT INTO day_book(happened_ms, entered_ms, words, clock_unsure, key, struck_ms)
         VALUES(?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for line in entries {
        let BookLine { happened_ms, entered_ms, words, clock_unsure, key, struck_ms } = line;
        put.execute((happened_ms, entered_ms, words, clock_unsure, key, struck_ms))?;
    }
    Ok(())
}

fn strike(conn: &Connection, struck: &[(String, Millis)]) -> rusqlite::Result<()> {
    let mut put = conn.prepare_cached("UPDATE day_book SET struck_ms = ?2 WHERE key = ?1")?;
    for (key, at_ms) in struck {
        put.execute((key, at_ms))?;
    }
    Ok(())
}

fn keep_state(
    conn: &Connection,
    state: &SavedState,
    through_seq: i64,
    now_ms: Millis,
) -> rusqlite::Result<()> {
    conn.prepare_cached(
        "INSERT OR REPLACE INTO state(id, core, through_seq, through_entry)
         VALUES(1, ?1, ?2, (SELECT coalesce(max(id), 0) FROM day_book))",
    )?
    .execute((&state.core, through_seq))?;
    let mut put = conn.prepare_cached("INSERT OR REPLACE INTO engine_hour(start_ms, sums) VALUES(?1, ?2)")?;
    for hour in &state.hours {
        put.execute((hour.0, &hour.1))?;
    }
    conn.prepare_cached("DELETE FROM engine_hour WHERE start_ms < ?1")?
        .execute([now_ms.saturating_sub(HOURS_KEPT_MS)])?;
    Ok(())
}

fn json<T: serde::Serialize>(record: &T) -> rusqlite::Result<String> {
    serde_json::to_string(record).map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))
}
