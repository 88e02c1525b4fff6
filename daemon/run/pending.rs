//! What was taken and is not stored yet.

use std::collections::HashMap;

use crate::broker::Ticket;
use crate::engine::SavedState;
use crate::local::Answer;
use crate::record::{LateDay, Millis, ProbeIx, Reading};
use crate::store::{Batch, Sifted};
use tokio::sync::oneshot;

/// Messages in one commit at most.
const MOST: u64 = 2_000;
/// And readings, of which one message may hold thousands.
const MOST_READINGS: usize = 10_000;

/// An answer that is given once what it tells of is stored.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) answer: oneshot::Sender<Answer>,
    pub(super) words: String,
}

/// Everything between two commits.
#[derive(Debug, Default)]
pub(super) struct Pending {
    pub(super) batch: Batch,
    /// To be acknowledged after the commit.
    pub(super) tickets: Vec<Ticket>,
    /// Messages taken, with or without a ticket.
    pub(super) messages: u64,
    /// Callers to be told.
    pub(super) waiting: Vec<Waiting>,
    /// Commit at once: a letter or a day-book entry is among it.
    pub(super) urgent: bool,
    /// The engine's state goes with it.
    pub(super) with_state: bool,
    /// When the first of it came, by the pace clock.
    pub(super) since_ms: Option<Millis>,
    /// Its readings by probe and time.
    values: HashMap<(ProbeIx, Millis), f64>,
}

impl Pending {
    /// Nothing to commit.
    pub(super) fn is_empty(&self) -> bool {
        let Batch {
            readings,
            refusals,
            days,
            late,
            matters,
            letters,
            sifted,
            entries,
            struck,
            timeless,
            released,
            fates,
            clock,
            ..
        } = &self.batch;
        readings.is_empty()
            && refusals.is_empty()
            && days.is_empty()
            && late.is_empty()
            && matters.is_empty()
            && letters.is_empty()
            && *sifted == Sifted::default()
            && entries.is_empty()
            && struck.is_empty()
            && timeless.is_empty()
            && released.is_empty()
            && fates.is_empty()
            && clock.is_none()
            && self.messages == 0
            && !self.with_state
    }

    /// A day that readings came too late for; once a batch.
    pub(super) fn note_late(&mut self, day: LateDay) {
        let late = &mut self.batch.late;
        if !late.iter().any(|known| known.date == day.date && known.bed == day.bed) {
            late.push(day);
        }
    }

    /// No more fits into one commit.
    pub(super) fn is_full(&self) -> bool {
        self.messages >= MOST || self.batch.readings.len() >= MOST_READINGS
    }

    /// The value of a reading that is not stored yet.
    pub(super) fn value_at(&self, probe: ProbeIx, at_ms: Millis) -> Option<f64> {
        self.values.get(&(probe, at_ms)).copied()
    }

    /// Adds a reading that is not known yet; its place, for a doubt that may follow.
    pub(super) fn add(&mut self, reading: Reading) -> usize {
        self.values.insert((reading.probe, reading.at_ms), reading.value);
        self.batch.readings.push(reading);
        self.batch.readings.len() - 1
    }

    /// Puts the engine's state in, over one that could not be stored before: hours given once are not
    /// given again.
    pub(super) fn set_state(&mut self, state: SavedState) {
        match &mut self.batch.state {
            Some(earlier) => {
                earlier.core = state.core;
                earlier.hours.extend(state.hours);
            }
            none => *none = Some(state),
        }
    }

    /// Stored: what is to be acknowledged and who is to be told. Buffers stay for the next batch.
    pub(super) fn clear(&mut self) {
        let Batch {
            readings,
            refusals,
            days,
            late,
            matters,
            letters,
            sifted,
            entries,
            struck,
            timeless,
            released,
            fates,
            clock,
            state,
            seal,
            now_ms: _,
        } = &mut self.batch;
        timeless.clear();
        released.clear();
        fates.clear();
        *clock = None;
        readings.clear();
        refusals.clear();
        days.clear();
        late.clear();
        matters.clear();
        letters.clear();
        *sifted = Sifted::default();
        entries.clear();
        struck.clear();
        *state = None;
        *seal = false;
        self.values.clear();
        self.messages = 0;
        self.urgent = false;
        self.with_state = false;
        self.since_ms = None;
    }
}
