//! Judgement without input or output: an event and the time go in, actions come out.
//!
//! The engine never asks the time, never reads a file, never sends. The same events at the same times
//! give the same actions, live and in a replay, on a desk and on the board. Whatever hangs on time alone
//! is decided at whole *turns* of [`TURN_MS`]: before an event is looked at, every turn up to its time
//! has been taken, so it makes no difference whether the shell calls often or seldom.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::record::{
    DayRecord, Doubt, LetterDraft, MatterChange, MatterKey, Millis, ProbeIx, Reading, Stand,
};
pub use crate::record::{HOURS_KEPT_MS, SavedState};
use crate::settings::garden::Garden;

/// Length of a turn, milliseconds: five minutes.
pub const TURN_MS: Millis = 300_000;

/// The time an event is handled at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// Wall time. Never runs backwards within a run; the shell sees to it.
    pub ms: Millis,
    /// The wall clock may be believed. While it may not, nothing is closed, told or repeated.
    pub trusted: bool,
}

/// What the engine is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A reading that intake understood and that is not known already.
    Reading(Reading),
    /// A message of this probe could not be read.
    Unreadable {
        /// The probe.
        probe: ProbeIx,
        /// Why.
        reason: String,
    },
    /// A day-book line.
    Entry {
        /// What was done or seen.
        entry: crate::daybook::Entry,
        /// When it happened.
        happened_ms: Millis,
    },
    /// The broker connection came up (`None`) or is down with these words.
    Broker(Option<String>),
    /// What became of a letter or of the mail server.
    Post(PostWord),
    /// The store cannot be written (`Some(words)`) or can again.
    Store(Option<String>),
    /// Nothing but time has passed.
    Turn,
}

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PostWord {
    /// The server accepted letter `number`.
    Accepted {
        /// The letter's number.
        number: u32,
    },
    /// The server refused this letter for good.
    Refused {
        /// The letter's number.
        number: u32,
        /// The server's words.
        words: String,
    },
    /// The server does not take letters from us (wrong password, bad certificate, unreachable for long).
    Closed {
        /// What is wrong and what to do.
        words: String,
    },
}

/// What the engine wants done. The shell performs all actions of one event in one store transaction.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// The reading just handed in is not believed after all; it is kept with this doubt.
    Doubt(Doubt),
    /// A day was closed, or corrected after its closing: keep it in place of an earlier one of that date
    /// and bed.
    Day(Box<DayRecord>),
    /// A matter changed its state.
    Matter(Box<MatterChange>),
    /// Word this letter and send it.
    Letter(Box<LetterDraft>),
}

/// Saved state that a newer or damaged file holds.
#[derive(Debug, thiserror::Error)]
#[error("saved state cannot be read: {0}")]
pub struct StateError(String);

/// The engine of one garden.
#[derive(Debug)]
pub struct Engine {
    garden: Arc<Garden>,
}

impl Engine {
    /// A new engine that knows nothing yet.
    pub fn new(garden: Arc<Garden>) -> Self {
        Self { garden }
    }

    /// Goes on from saved state. Probes and beds that the settings no longer name are dropped, new ones
    /// start fresh.
    pub fn load(garden: Arc<Garden>, saved: &SavedState) -> Result<Self, StateError> {
        let _ = saved;
        Ok(Self::new(garden))
    }

    /// Takes one event at time `now`, after all turns up to then.
    pub fn handle(&mut self, event: Event, now: Now) -> Vec<Action> {
        let _ = (event, now, &self.garden);
        Vec::new()
    }

    /// What to keep; hours once given are not given again until touched anew.
    pub fn save(&mut self) -> SavedState {
        SavedState::default()
    }

    /// What stands now, for pages and `status`.
    pub fn survey(&self) -> Survey {
        Survey::default()
    }
}

/// What stands now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// The time of the last event.
    pub at_ms: Millis,
    /// The beds in the order of the settings.
    pub beds: Vec<BedView>,
    /// The probes in the order of the settings.
    pub probes: Vec<ProbeView>,
    /// Matters that are not settled or over.
    pub matters: Vec<MatterView>,
}

/// One bed now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BedView {
    /// Key.
    pub name: String,
    /// Title.
    pub title: String,
    /// Share of the held water used, 0 to 1; `None` until the book has begun.
    pub share_used: Option<f64>,
    /// Depletion, mm over the rooted area, and one standard deviation.
    pub depletion_mm: Option<(f64, f64)>,
    /// Refill mark, mm.
    pub refill_mm: Option<f64>,
    /// Stress mark, mm.
    pub stress_mm: Option<f64>,
    /// All the water the bed holds, mm.
    pub taw_mm: Option<f64>,
    /// Days until the refill mark at normal demand; 0 when past it.
    pub cover_days: Option<f64>,
    /// Days until the refill mark at hot demand.
    pub cover_days_hot: Option<f64>,
    /// Litres to the full mark.
    pub litres_to_full: Option<f64>,
    /// What the figures rest on, in words ("two probes and the water book").
    pub rests_on: String,
}

/// One probe now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProbeView {
    /// Key.
    pub name: String,
    /// Last reading in the unit of its kind; rain: the sum of the last 24 h in mm.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Time of the last reading.
    pub at_ms: Option<Millis>,
    /// Good, doubtful, condemned or missing.
    pub trust: Trust,
    /// Why, in words, unless good.
    pub why: String,
}

/// How far a probe is believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trust {
    /// Believed.
    Good,
    /// Used with care.
    Doubtful,
    /// Used for nothing.
    Condemned,
    /// Silent.
    Missing,
}

/// One matter now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatterView {
    /// Bed or probe; empty for mail and box.
    pub subject: String,
    /// Kind.
    pub matter: MatterKey,
    /// State.
    pub stand: Stand,
    /// Since when in this state.
    pub since_ms: Millis,
    /// Why, in words.
    pub why: String,
    /// Deadline.
    pub by_ms: Option<Millis>,
    /// The number an answer names.
    pub number: Option<u32>,
}
