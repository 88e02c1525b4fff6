//! The store: one SQLite file for readings, days, matters, letters, the day book and the engine's state.
//!
//! The only folder with SQL. It knows nothing of judging, mailing or pages. There is one writer,
//! [`Store`], held by the daemon; any number of [`Reader`]s look on beside it. Everything of one moment
//! goes down in one [`Store::commit`], and once that has returned it survives a kill and a power cut:
//! write-ahead log, synced in full at each commit.
//!
//! Readings arrive in an inbox and are sealed hourly into the ordered table with hour and day sums
//! (`seal.rs`); every question here looks at both places.

mod batch;
mod copy;
mod error;
mod file;
mod increment;
mod letters;
mod look;
mod mirror_log;
mod nights;
mod rescue;
mod schema;
mod seal;
mod series;
mod timeless;

use std::fs::File;

use chrono_tz::Tz;

pub use batch::{Batch, BookLine, Committed};
pub use copy::BroughtBack;
pub use error::StoreError;
pub use file::FILE_NAME;
pub use letters::{Fate, KeptLetter, LetterFate, Sifted};
pub use look::{Counts, DaySum, HourSum, Kept, Last};
pub use mirror_log::{MIRROR_LOG_MOST, MirrorRow, Mirrored};
pub use rescue::Rescue;
pub use schema::SCHEMA;
pub use series::Series;
pub use timeless::{Came, KeptTimeless, Timeless};

use crate::record::{Millis, Reading, SavedState};
use series::Registered;

/// The writer. There can be one a folder.
#[derive(Debug)]
pub struct Store {
    reader: Reader,
    /// Held while we live; the system lets go of it however we end.
    _lock: File,
    probes: Vec<Registered>,
    zone: Tz,
    mirrored: bool,
    /// The last place given in the order of arrival.
    last_seq: i64,
}

/// Looks into a store without ever changing it.
#[derive(Debug)]
pub struct Reader {
    conn: rusqlite::Connection,
    path: std::path::PathBuf,
}

/// Where the engine stood when its state was last kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Saved {
    /// The state, with all hours that are still kept.
    pub state: SavedState,
    /// The state knows every reading up to this place in the order of arrival.
    pub through_seq: i64,
    /// The state knows every day-book line up to this one.
    pub through_entry: i64,
}

/// A reading with its place in the order of arrival.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrived {
    /// Its place; places grow, with gaps.
    pub seq: i64,
    /// The reading.
    pub reading: Reading,
}

/// The times SQLite and our calendar both can hold: years 1 to 9999.
const TIMES_MS: std::ops::Range<Millis> = -62_135_596_800_000..253_402_300_800_000;

/// The largest whole number a reading is kept as, either side of 0. Far beyond every kind's range, and
/// small enough that nine million of them in one day still add up.
const MOST_STEPS: i64 = 1_000_000_000_000;
