//! `restore`: brings a copy back in the place of the store.

use std::io::Write;
use std::path::PathBuf;

use super::{Exit, Failure, Place};
use crate::clock::Clock;
use crate::rfc3339;
use crate::store::Store;

/// Arguments of `restore`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// A copy that `backup` made
    #[arg(long, value_name = "FILE")]
    from: PathBuf,
    /// Letters that wait in the copy go out even where nobody knows whether they did before
    #[arg(long)]
    send_waiting: bool,
}

/// Brings the copy back and says what became of the store before it. Ends with 3 where letters of the copy
/// are not sent.
///
/// # Errors
/// A daemon that runs, or a copy that is damaged, not ours or of a newer version: then nothing is changed.
pub fn main(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    args.place.garden()?;
    let now_ms = Clock::real().wall_ms();
    let back = Store::bring_back(&args.from, &args.place.data(), now_ms, args.send_waiting)
        .map_err(Failure::failed)?;
    let until = back.newest_ms.map(|ms| format!(", as of {}", rfc3339::show(ms))).unwrap_or_default();
    writeln!(out, "{}: brought back{until}", args.from.display()).map_err(Failure::failed)?;
    if let Some(aside) = &back.set_aside {
        writeln!(out, "the store before it is kept: {}", aside.display()).map_err(Failure::failed)?;
    }
    if back.letters_held == 0 {
        return Ok(Exit::Done);
    }
    writeln!(
        out,
        "{} letters that waited in the copy are not sent, since they may have gone out before; what they asked \
         for stands on the page. To send them, restore again with --send-waiting",
        back.letters_held
    )
    .map_err(Failure::failed)?;
    Ok(Exit::PartsLeftOut)
}
