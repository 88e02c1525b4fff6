//! `backup`: a whole copy of the store in one file, also while the daemon runs.

use std::io::Write;
use std::path::PathBuf;

use super::{Exit, Failure, Place};
use crate::store::Store;

/// Arguments of `backup`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// File of the copy; one of that name is replaced when the new one is whole
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
}

/// Makes the copy, reads it over, and says how large it is.
///
/// # Errors
/// No store, a file that cannot be written, or damage found on the way.
pub fn main(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    args.place.garden()?;
    let bytes = Store::back_up(&args.place.data(), &args.to).map_err(Failure::failed)?;
    let megabytes = bytes as f64 / 1e6;
    writeln!(out, "{}: the whole store, {megabytes:.1} MB, read over and sound", args.to.display())
        .map_err(Failure::failed)?;
    Ok(Exit::Done)
}
