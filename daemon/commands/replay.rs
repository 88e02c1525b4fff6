//! `replay`: a recorded season through the real engine, files out, nothing sent.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

use crate::daybook;
use crate::replay::{ReplayError, play};
use crate::settings::garden::Garden;

/// Plays the capture file, with the day book if there is one, into the folder `into`, and writes one
/// summary to `out`.
///
/// # Errors
/// What can't be read or written, with its file or line.
pub fn replay(
    garden: Arc<Garden>,
    capture: &Path,
    daybook: Option<&Path>,
    into: &Path,
    out: &mut dyn Write,
) -> Result<(), ReplayError> {
    let lines = match daybook {
        Some(path) => daybook::read(&fs::read(path).map_err(at(path))?, &garden)?,
        None => Vec::new(),
    };
    let file = File::open(capture).map_err(at(capture))?;
    let summary = play(garden, file, lines, into)?;
    let by_matter: String =
        summary.letters_by_matter.iter().map(|(matter, count)| format!(", {matter} {count}")).collect();
    write!(
        out,
        "messages {}: readings {} ({} doubted), known already {}, refused {}, unknown topics {}\n\
         day-book lines {}\n\
         days {}, changes of matters {}, letters {}{by_matter}\n",
        summary.messages,
        summary.readings,
        summary.doubted,
        summary.repeats,
        summary.refused,
        summary.unknown,
        summary.entries,
        summary.days,
        summary.changes,
        summary.letters,
    )
    .map_err(at(into))
}

fn at(path: &Path) -> impl Fn(io::Error) -> ReplayError {
    move |source| ReplayError::File { path: path.to_owned(), source }
}
