//! Plain records that travel between rooms: readings, refusals, days, matters, letters.
//!
//! They hold no logic beyond their words, so that store, letters and pages can share them without
//! knowing the engine.

mod board;
mod day;
mod gear;
mod letter;
mod matter;
mod morning;
mod reading;
mod time;

use serde::{Deserialize, Serialize};

pub use board::marks as board_marks;
pub use board::{Board, BoardFault};
pub use day::{DayRecord, Et0Method, Guess, LateDay};
pub use gear::{Fault, Rule};
pub use letter::{
    ColdSign, Content, Decision, Dose, Evidence, EvidenceRow, Held, LetterDraft, OutboxLetter, PostWord,
    Task, Unseen, Waiting, WaitingLetter,
};
pub use matter::{MatterChange, MatterKey, Stand, Telling, Urgency};
pub use morning::{Morning, MorningBed, MorningTask, MorningWeather};
pub use reading::{Doubt, Millis, ProbeIx, Reading, Refusal};
pub use time::{ClockKeeping, ClockWord, KeptBy, TimeSource};

/// The engine's state: what is to be kept so that a new engine can go on where this one stopped.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SavedState {
    /// Everything but the hours, as JSON.
    pub core: String,
    /// Hours touched since the last save: start of the hour and its sums as JSON. They replace kept
    /// ones of the same start; hours older than [`HOURS_KEPT_MS`] may be dropped.
    pub hours: Vec<(Millis, String)>,
}

/// How far back hourly sums reach: 15 days.
pub const HOURS_KEPT_MS: Millis = 15 * 24 * 3_600_000;
