//! Judgement without input or output: an event and the time go in, actions come out.
//!
//! The engine never asks the time, never reads a file, never sends. The same events at the same times
//! give the same actions, live and in a replay, on a desk and on the board. Whatever hangs on time alone
//! is decided at whole *turns* of [`TURN_MS`]: before an event is looked at, every turn up to its time
//! has been taken, so it makes no difference whether the shell calls often or seldom. Only a gap of over two
//! hours counts as the box having been off: its days are closed, and what was due then is no letter now.

mod answers;
mod battery;
mod book;
mod calendar;
mod core;
mod daylight;
mod days;
mod evidence;
mod facts;
mod foresee;
mod fruits;
mod gauge;
mod hours;
mod judge;
mod life;
mod marks;
mod matters;
mod memory;
mod morning;
mod notes;
mod odd;
mod outbox;
mod people;
mod poured;
mod rain;
mod rises;
mod scene;
mod sounding;
mod stage;
mod survey;
mod taken_back;
mod telling;
mod thirst;
mod watch;
mod weather;
mod winter;

pub use core::Engine;
pub use fruits::FruitView;
pub use memory::StateError;
pub use poured::{Kept, Watering};
pub use stage::{StageView, StepView};
pub use survey::{BedView, MatterView, ProbeView, ProposalView, Survey, Trust};
pub use taken_back::TAKE_BACK_MS;

use crate::record::{Board, DayRecord, Doubt, LateDay, LetterDraft, MatterChange, Millis, ProbeIx, Reading};
pub use crate::record::{HOURS_KEPT_MS, SavedState};

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
    /// The broker says that the probe's node, which is always on, is there or is gone.
    Presence {
        /// The probe.
        probe: ProbeIx,
        /// Connected.
        present: bool,
    },
    /// So much of this probe was not kept: its node floods.
    Floods {
        /// The probe.
        probe: ProbeIx,
        /// Readings and refusals since the last word.
        count: u32,
    },
    /// A day-book line.
    Entry {
        /// What was done or seen.
        entry: crate::daybook::Entry,
        /// When it happened.
        happened_ms: Millis,
    },
    /// The last line of the day book is taken back, by its number ([`Engine::last_line`]).
    TakeBack {
        /// The number.
        line: u64,
    },
    /// The broker connection came up (`None`) or is down with these words.
    Broker(Option<String>),
    /// The mail server takes nothing (`Some(words)`) or serves us again.
    Post(Option<String>),
    /// The mail server has taken a letter, or refused it for good.
    Letter {
        /// Its number.
        number: u32,
        /// To whom it goes.
        person: String,
        /// Why it was refused.
        refused: Option<String>,
    },
    /// Letters to one address had to wait: which are still worth sending?
    Waiting(crate::record::Waiting),
    /// The store cannot be written (`Some(words)`) or can again.
    Store(Option<String>),
    /// How the board is.
    Board(Board),
    /// Nothing but time has passed.
    Turn,
}

/// What the engine wants done. The shell performs all actions of one event in one store transaction.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// The reading just handed in is not believed after all; it is kept with this doubt.
    Doubt(Doubt),
    /// A day was closed, or corrected after its closing: keep it in place of an earlier one of that date
    /// and bed.
    Day(Box<DayRecord>),
    /// A reading came too late for its day: mark that day corrected.
    Late(LateDay),
    /// A matter changed its state.
    Matter(Box<MatterChange>),
    /// Word this letter and send it.
    Letter(Box<LetterDraft>),
    /// Do not send this waiting letter any more.
    Overtaken {
        /// Its number.
        number: u32,
        /// Why.
        words: String,
    },
}
