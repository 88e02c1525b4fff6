//! A recorded season through the real intake and engine, on a clock that the recording sets, as fast as it
//! goes: files come out, nothing is sent, nothing is stored. The same inputs give the same bytes.

mod capture;
mod files;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{Days, LocalResult, NaiveTime, TimeDelta, TimeZone};
use chrono_tz::Tz;

use crate::daybook;
use crate::engine::{Action, Engine, Event, Now, TURN_MS};
use crate::intake::{Intake, Known, Met, Taken};
use crate::mail::letters;
use crate::record::{MatterKey, Millis, Reading, Refusal};
use crate::rfc3339;
use crate::settings::garden::Garden;

pub use capture::{Capture, Message};
use files::Files;

/// The play goes on so long after the end of the last civil day, so that the day closes: 1 hour.
const AFTER_LAST_DAY_MS: Millis = 3_600_000;

/// Why a replay ended before its end.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A row of the capture that can't be played; the files hold what came before it.
    #[error("capture line {line}: {why}")]
    Row {
        /// Its line, counted from 1.
        line: u64,
        /// What stood there and what is wanted.
        why: String,
    },
    /// The capture can't be read, or is no CSV.
    #[error("capture: {0}")]
    Capture(#[source] csv::Error),
    /// The day book can't be read; nothing was played.
    #[error(transparent)]
    DayBook(#[from] daybook::FileError),
    /// A file can't be written.
    #[error("{path}: {source}")]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

/// What was played and what came of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// Rows of the capture.
    pub messages: u64,
    /// Readings that were new.
    pub readings: u64,
    /// Of these, kept with a doubt.
    pub doubted: u64,
    /// Readings known already, with the same value.
    pub repeats: u64,
    /// What was refused.
    pub refused: u64,
    /// Messages on topics that no probe asks for.
    pub unknown: u64,
    /// Day-book lines.
    pub entries: u64,
    /// Closed days, one a bed and date.
    pub days: u64,
    /// Changes of matters.
    pub changes: u64,
    /// Letters.
    pub letters: u64,
    /// Letters by the matters they hold; a letter about two counts for both.
    pub letters_by_matter: Vec<(MatterKey, u64)>,
}

/// Plays `capture` (CSV) and the lines of a day book, merged by the time they were heard of, and writes
/// `days.csv`, `matters.csv`, `refusals.csv` and `letters/` into the folder `into`.
///
/// # Errors
/// A row that can't be played (with its line), or a file that can't be written.
pub fn play(
    garden: Arc<Garden>,
    capture: impl io::Read,
    mut daybook: Vec<daybook::Row>,
    into: &Path,
) -> Result<Summary, ReplayError> {
    // Stable: lines heard of at one moment keep the order of the file.
    daybook.sort_by_key(daybook::Row::heard_ms);
    let mut lines = daybook.into_iter().peekable();
    let mut capture = Capture::open(capture)?;
    let mut stage = Stage::new(garden, Files::create(into)?);
    while let Some(message) = capture.next()? {
        while let Some(line) = lines.next_if(|line| line.heard_ms() <= message.arrived_ms) {
            stage.hear_line(line)?;
        }
        stage.hear_message(&message)?;
    }
    for line in lines {
        stage.hear_line(line)?;
    }
    stage.finish()
}

/// The engine with all that stands around it in a replay.
struct Stage {
    garden: Arc<Garden>,
    intake: Intake,
    known: Known,
    engine: Engine,
    files: Files,
    taken: Taken,
    summary: Summary,
    /// The time of the last event; `None` before the first.
    now_ms: Option<Millis>,
    next_turn_ms: Millis,
}

impl Stage {
    fn new(garden: Arc<Garden>, files: Files) -> Self {
        Self {
            intake: Intake::new(Arc::clone(&garden)),
            known: Known::new(),
            engine: Engine::new(Arc::clone(&garden)),
            files,
            taken: Taken::default(),
            summary: Summary::default(),
            now_ms: None,
            next_turn_ms: Millis::MAX,
            garden,
        }
    }

    /// Moves the clock to `at_ms`. Every turn on the way is taken by itself, so that a letter of that turn
    /// is accepted before the next one, as it would be live.
    fn move_to(&mut self, at_ms: Millis) -> Result<(), ReplayError> {
        if self.now_ms.is_none() {
            self.next_turn_ms = (at_ms.div_euclid(TURN_MS) + 1) * TURN_MS;
        }
        while self.next_turn_ms <= at_ms {
            let turn_ms = self.next_turn_ms;
            self.next_turn_ms += TURN_MS;
            self.now_ms = Some(turn_ms);
            self.tell(Event::Turn, turn_ms)?;
        }
        self.now_ms = Some(at_ms);
        Ok(())
    }

    fn hear_message(&mut self, message: &Message<'_>) -> Result<(), ReplayError> {
        self.summary.messages += 1;
        self.move_to(message.arrived_ms)?;
        let mut taken = std::mem::take(&mut self.taken);
        self.intake.take(message.topic, message.payload, message.arrived_ms, message.retained, &mut taken);
        self.summary.unknown += u64::from(taken.unknown);
        for reading in &taken.readings {
            self.hear_reading(*reading, message)?;
        }
        for (probe, present) in taken.presence.drain(..) {
            self.tell(Event::Presence { probe, present }, message.arrived_ms)?;
        }
        for (probe, refusal) in taken.refusals.drain(..) {
            self.refuse(&refusal)?;
            if let Some(probe) = probe {
                self.tell(Event::Unreadable { probe, reason: refusal.reason }, message.arrived_ms)?;
            }
        }
        self.taken = taken;
        Ok(())
    }

    fn hear_reading(&mut self, reading: Reading, message: &Message<'_>) -> Result<(), ReplayError> {
        let Some(probe) = self.garden.probe(reading.probe) else { return Ok(()) };
        let quantity = probe.quantity;
        let steps = quantity.to_steps(reading.value);
        match self.known.check(reading.probe, reading.at_ms, steps) {
            Met::New => {
                self.summary.readings += 1;
                self.summary.doubted += u64::from(reading.doubt.is_some());
                self.tell(Event::Reading(reading), message.arrived_ms)
            }
            Met::Same => {
                self.summary.repeats += 1;
                Ok(())
            }
            Met::Differs(first) => {
                let refusal = Refusal {
                    arrived_ms: message.arrived_ms,
                    topic: message.topic.to_owned(),
                    payload: crate::intake::shown(message.payload, 200),
                    probe: Some(probe.name.clone()),
                    reason: format!(
                        "{} is known for this probe at {} already and stands; {} is not taken",
                        quantity.from_steps(first),
                        rfc3339::show(reading.at_ms),
                        reading.value
                    ),
                };
                self.refuse(&refusal)
            }
        }
    }

    fn refuse(&mut self, refusal: &Refusal) -> Result<(), ReplayError> {
        self.summary.refused += 1;
        self.files.refusal(refusal)
    }

    fn hear_line(&mut self, line: daybook::Row) -> Result<(), ReplayError> {
        self.summary.entries += 1;
        let heard_ms = line.heard_ms();
        self.move_to(heard_ms)?;
        self.tell(Event::Entry { entry: line.entry, happened_ms: line.happened_ms }, heard_ms)
    }

    /// Tells the engine one event and does what it wants; each letter counts as accepted at once.
    fn tell(&mut self, event: Event, at_ms: Millis) -> Result<(), ReplayError> {
        let now = Now { ms: at_ms, trusted: true };
        let mut actions = self.engine.handle(event, now);
        while !actions.is_empty() {
            let mut accepted = Vec::new();
            for action in actions {
                accepted.extend(self.perform(action)?);
            }
            actions = Vec::new();
            for (number, person) in accepted {
                let event = Event::Letter { number, person, refused: None };
                actions.extend(self.engine.handle(event, now));
            }
        }
        Ok(())
    }

    /// Does what the engine wants; gives back which letter went out, and to whom.
    fn perform(&mut self, action: Action) -> Result<Option<(u32, String)>, ReplayError> {
        match action {
            Action::Doubt(_) => self.summary.doubted += 1,
            Action::Day(day) => self.files.day(*day),
            Action::Late(late) => self.files.mark(&late),
            Action::Matter(change) => {
                self.summary.changes += 1;
                self.files.change(&change)?;
            }
            // Nothing waits in a replay.
            Action::Overtaken { .. } => {}
            Action::Letter(draft) => {
                let letter = letters::render(&draft, &self.garden);
                self.summary.letters += 1;
                for matter in &letter.matters {
                    self.count_letter(*matter);
                }
                self.files.letter(letter.number, &letter.eml)?;
                return Ok(Some((letter.number, letter.person)));
            }
        }
        Ok(None)
    }

    fn count_letter(&mut self, matter: MatterKey) {
        let counts = &mut self.summary.letters_by_matter;
        match counts.iter_mut().find(|(known, _)| *known == matter) {
            Some((_, count)) => *count += 1,
            None => counts.push((matter, 1)),
        }
    }

    /// Lets the last civil day close, then writes what was held back.
    fn finish(mut self) -> Result<Summary, ReplayError> {
        if let Some(last_ms) = self.now_ms {
            self.move_to(day_end_ms(last_ms, self.garden.zone) + AFTER_LAST_DAY_MS)?;
        }
        self.summary.letters_by_matter.sort_unstable();
        self.summary.days = self.files.finish()?;
        Ok(self.summary)
    }
}

/// The end of the civil day that `ms` lies in: the first instant of the next date.
fn day_end_ms(ms: Millis, zone: Tz) -> Millis {
    let local = zone.timestamp_millis_opt(ms).earliest().map(|at| at.date_naive());
    let Some(next) = local.and_then(|date| date.checked_add_days(Days::new(1))) else { return ms };
    let midnight = next.and_time(NaiveTime::MIN);
    // Some zones change their clocks at midnight: then the day begins when the gap is over.
    (0..=8)
        .filter_map(|quarters| midnight.checked_add_signed(TimeDelta::minutes(15 * quarters)))
        .find_map(|local| match zone.from_local_datetime(&local) {
            LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => Some(at.timestamp_millis()),
            LocalResult::None => None,
        })
        .unwrap_or(ms)
}
