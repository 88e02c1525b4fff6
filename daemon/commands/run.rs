//! `run`: the daemon.

use super::{Exit, Failure, Place};
use crate::record::Millis;
use crate::run::{self, Plan, RunError};

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// Follow a clock that a driver moves through the local socket, from this time on (RFC 3339)
    #[cfg(feature = "test-clock")]
    #[arg(long, value_name = "TIME", value_parser = moment)]
    scripted_clock: Option<Millis>,
}

#[cfg(feature = "test-clock")]
fn moment(words: &str) -> Result<Millis, String> {
    chrono::DateTime::parse_from_rfc3339(words)
        .map(|time| time.timestamp_millis())
        .map_err(|error| format!("{error}: wanted a time like 2027-08-03T06:00:00Z"))
}

impl Args {
    fn scripted_from_ms(&self) -> Option<Millis> {
        #[cfg(feature = "test-clock")]
        return self.scripted_clock;
        #[cfg(not(feature = "test-clock"))]
        None
    }
}

/// Runs the daemon until it is told to end.
///
/// # Errors
/// Settings that are refused, a store or a socket that cannot be opened.
pub fn main(args: &Args) -> Result<Exit, Failure> {
    let garden = args.place.garden_with_secrets()?;
    end_with_any_thread();
    let plan = Plan { garden, data: args.place.data(), scripted_from_ms: args.scripted_from_ms() };
    match run::run(plan) {
        Ok(()) => Ok(Exit::Done),
        Err(error @ RunError::NotStored) => Err(Failure::failed(error)),
        Err(error) => Err(Failure::failed(error)),
    }
}

/// A thread that is lost must not leave the rest running as if nothing were missing: the service manager
/// starts us anew, and the broker sends again what was not acknowledged.
fn end_with_any_thread() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        usual(panic);
        std::process::exit(1);
    }));
}
