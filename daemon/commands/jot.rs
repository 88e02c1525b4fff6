//! `jot`: adds a day-book entry.

use std::io::Write;
use std::time::Duration;

use super::{Exit, Failure, Place};
use crate::clock::{self, Clock};
use crate::daybook;
use crate::local::{self, Answer, LocalError, Request, When};
use crate::run;
use crate::settings::garden::Garden;
use crate::store::{Batch, BookLine, Came, Store, Timeless};

/// The daemon answers once the entry is stored.
const PATIENCE: Duration = Duration::from_secs(15);

/// Arguments of `jot`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// An odd amount is meant as it stands: do not ask
    #[arg(long)]
    sure: bool,
    /// What was done or seen: `watered long 6 cans`, `felt long dry`, `done 2`
    #[arg(required = true, value_name = "WORDS")]
    words: Vec<String>,
}

/// Adds a day-book entry that happened now: through the daemon, or, when none runs, to the store, for
/// the daemon to take at its next start.
///
/// # Errors
/// An entry that is not understood, a store that cannot be written.
pub fn main(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    let garden = args.place.garden()?;
    let words = args.words.join(" ");
    // Before anything else, so that a slip is answered the same way whether the daemon runs or not.
    let entry = daybook::parse(&words, &garden).map_err(Failure::failed)?;
    let request = Request::Jot { words, when: When::Now, key: None, sure: args.sure };
    let said = match local::ask(&args.place.data(), &request, PATIENCE) {
        Ok(Answer::Done { words }) => format!("entered: {words}"),
        Ok(Answer::Refused { words } | Answer::Busy { words }) => return Err(Failure::Failed(words)),
        Ok(Answer::Asks { words }) => {
            return Err(Failure::Failed(format!("{words} If so, say it again with --sure")));
        }
        Ok(Answer::Status(_)) => return Err(Failure::failed(LocalError::Garbled("a status".to_owned()))),
        Err(LocalError::NobodyHome) => {
            let line = entry.to_string();
            let mut store = Store::open(&args.place.data()).map_err(Failure::failed)?;
            let note = store.reader().clock_note().map_err(Failure::failed)?;
            store.commit(&batch_of(&line, &garden, note.as_deref())).map_err(Failure::failed)?;
            format!("entered: {line} (no daemon runs; it takes the entry at its next start)")
        }
        Err(error) => return Err(Failure::failed(error)),
    };
    writeln!(out, "{said}").map_err(Failure::failed)?;
    Ok(Exit::Done)
}

/// The line under the time of now, or, where nothing says that the clock is right, by the time since the boot.
fn batch_of(line: &str, garden: &Garden, note: Option<&str>) -> Batch {
    let clock = Clock::real();
    let now_ms = clock.wall_ms();
    let words = line.to_owned();
    if run::believes(&clock, &garden.clock, note) || clock::service_answers() {
        let line = BookLine { happened_ms: now_ms, entered_ms: now_ms, words, ..BookLine::default() };
        return Batch { now_ms, entries: vec![line], ..Batch::default() };
    }
    let boot_ms = clock.boot_ms().unwrap_or(0);
    let what = Came::Line { words, happened_ms: now_ms, key: None };
    let line = Timeless { boot: clock.boot(), boot_ms, wall_ms: now_ms, what };
    Batch { now_ms, timeless: vec![line], ..Batch::default() }
}
