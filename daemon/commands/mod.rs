//! The commands: one file each, with its arguments and a `main` that does it.
//!
//! A command that wants something from a running daemon asks it through the local socket; where none
//! runs, it works on the store itself.

use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::Arc;

use clap::{Args, Parser, Subcommand};

use crate::clock::Clock;
use crate::settings::garden::Garden;
use crate::settings::{self, secrets};

pub mod backup;
pub mod check;
pub mod explain;
pub mod jot;
pub mod replay;
pub mod restore;
pub mod run;
pub mod status;
pub mod try_mail;

/// Watches the bed of one very large fruit and mails only when someone must act.
#[derive(Debug, Parser)]
#[command(name = "rindwatch", version, propagate_version = true, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The daemon: listens to the broker, keeps readings, judges, mails
    Run(run::Args),
    /// Every complaint about the settings at once; if there is none, what will happen with them
    Check {
        /// Where the garden is.
        #[command(flatten)]
        place: Place,
    },
    /// How one message would be read, step by step, or why it would be refused
    Explain {
        /// Where the garden is.
        #[command(flatten)]
        place: Place,
        /// Topic of the message
        topic: String,
        /// Its payload
        payload: String,
    },
    /// Plays recorded messages through the real engine, sends nothing, writes files
    Replay {
        /// Where the garden is.
        #[command(flatten)]
        place: Place,
        /// Recorded messages: CSV with the header time,topic,payload and optionally retained
        #[arg(long, value_name = "FILE")]
        capture: PathBuf,
        /// Day book: CSV with the header time,entry and optionally entered
        #[arg(long, value_name = "FILE")]
        daybook: Option<PathBuf>,
        /// Folder for days.csv, matters.csv, refusals.csv and letters/
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
    /// One real letter to each person named in the settings
    TryMail {
        /// Where the garden is.
        #[command(flatten)]
        place: Place,
    },
    /// What stands now: beds, probes, matters, mail waiting
    Status(status::Args),
    /// Adds a day-book entry, such as `watered long 6 cans`
    Jot(jot::Args),
    /// A whole copy of the store in one file, also while the daemon runs
    Backup(backup::Args),
    /// Brings a copy back in the place of the store, which is kept under another name
    Restore(restore::Args),
}

/// Where a garden's settings and data are; every command takes them.
#[derive(Debug, Clone, Args)]
pub struct Place {
    /// Settings file of the garden
    #[arg(long, value_name = "FILE", env = "RINDWATCH_CONFIG")]
    pub config: PathBuf,
    /// Folder of the store [default: $STATE_DIRECTORY, else /var/lib/rindwatch]
    #[arg(long, value_name = "DIR", env = "RINDWATCH_DATA")]
    pub data: Option<PathBuf>,
}

impl Place {
    /// The data folder: the option, what the service manager gave, or the usual one.
    pub fn data(&self) -> PathBuf {
        // The service manager may name several folders; the first is ours.
        let given = || std::env::var("STATE_DIRECTORY").ok().filter(|dirs| !dirs.is_empty());
        match (&self.data, given()) {
            (Some(data), _) => data.clone(),
            (None, Some(dirs)) => PathBuf::from(dirs.split(':').next().unwrap_or_default()),
            (None, None) => PathBuf::from("/var/lib/rindwatch"),
        }
    }
}

impl Place {
    /// The garden of the settings, without its secrets.
    ///
    /// # Errors
    /// All complaints, one a line.
    pub fn garden(&self) -> Result<Garden, Failure> {
        settings::read(&self.config).map_err(|complaints| Failure::Settings(complaints.to_string()))
    }

    /// The garden with the secrets that servers want.
    ///
    /// # Errors
    /// All complaints, one a line, or the secret that cannot be had.
    pub fn garden_with_secrets(&self) -> Result<Garden, Failure> {
        let (mut garden, files) = settings::read_with_secrets(&self.config)
            .map_err(|complaints| Failure::Settings(complaints.to_string()))?;
        let credentials = secrets::credentials_folder();
        secrets::fill(&mut garden, &files, credentials.as_deref())
            .map_err(|error| Failure::Settings(error.to_string()))?;
        Ok(garden)
    }
}

/// How a command ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All of it was done: 0.
    Done,
    /// Done, but parts were left out, and it was said which: 3.
    PartsLeftOut,
}

/// The outcome of a command that has said what there is to say and names its exit code.
fn coded(code: std::io::Result<u8>) -> Result<Exit, Failure> {
    match code {
        Ok(0) => Ok(Exit::Done),
        Ok(code) => Err(Failure::Said(code)),
        Err(error) => Err(Failure::failed(error)),
    }
}

/// How a command failed, with one line that says what to do (several for settings).
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Failed while doing it: 1.
    #[error("{0}")]
    Failed(String),
    /// Wrong usage: 2.
    #[error("{0}")]
    Usage(String),
    /// The settings are refused: 78 (EX_CONFIG of sysexits.h).
    #[error("{0}")]
    Settings(String),
    /// What there was to say is said already; the exit code.
    #[error("")]
    Said(u8),
}

impl Failure {
    /// The exit code.
    pub fn code(&self) -> u8 {
        match self {
            Failure::Failed(_) => 1,
            Failure::Usage(_) => 2,
            Failure::Settings(_) => 78,
            Failure::Said(code) => *code,
        }
    }

    /// Failed while doing it.
    pub fn failed(why: impl std::fmt::Display) -> Self {
        Failure::Failed(why.to_string())
    }
}

impl Command {
    /// Does it.
    ///
    /// # Errors
    /// [`Failure`] with the words for people and the exit code.
    pub fn main(&self) -> Result<Exit, Failure> {
        let out = &mut Patient(std::io::stdout().lock());
        match self {
            Command::Run(args) => run::main(args),
            Command::Check { place } => coded(check::check(&place.config, out)),
            Command::Explain { place, topic, payload } => {
                let now_ms = Clock::real().wall_ms();
                coded(explain::explain(&place.garden()?, topic, payload.as_bytes(), now_ms, out))
            }
            Command::Replay { place, capture, daybook, out: into } => {
                let garden = Arc::new(place.garden()?);
                replay::replay(garden, capture, daybook.as_deref(), into, out)
                    .map(|()| Exit::Done)
                    .map_err(Failure::failed)
            }
            Command::TryMail { place } => {
                let garden = place.garden_with_secrets()?;
                coded(try_mail::try_mail(&garden, Clock::real().wall_ms(), out))
            }
            Command::Status(args) => status::main(args, out),
            Command::Jot(args) => jot::main(args, out),
            Command::Backup(args) => backup::main(args, out),
            Command::Restore(args) => restore::main(args, out),
        }
    }
}

/// Standard output whose reader may leave early (`rindwatch check | head`): what is written then goes nowhere,
/// and that is no fault.
struct Patient<W>(W);

impl<W: Write> Write for Patient<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.0.write(bytes) {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(bytes.len()),
            other => other,
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self.0.flush() {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            other => other,
        }
    }
}

/// Text as one line for a log or a terminal. Topics, payloads and names come from strangers: a line break in them
/// would pass for a line of ours, an escape sequence would rule the reader's terminal, and marks that turn the
/// direction of writing make a line read as another. All of these are shown as `\u{NN}`.
pub fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for c in text.chars() {
        let turns = matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if c.is_control() || turns {
            line.extend(c.escape_unicode());
        } else {
            line.push(c);
        }
    }
    line
}
