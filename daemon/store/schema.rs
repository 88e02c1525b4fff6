//! The tables, and how an older file becomes one of today.
//!
//! Promise: a store only ever moves forward. Each entry of [`MIGRATIONS`] is one step, run once in one
//! transaction and never changed after a release; `PRAGMA user_version` counts the steps taken. A file
//! with more steps than this list is refused with words. Records that are kept as JSON (days, matters,
//! the engine's state) may gain fields without a step, and never lose or rename one.

use rusqlite::{Connection, Result, TransactionBehavior};

/// The schema this version writes: the number of steps in `MIGRATIONS`.
pub const SCHEMA: i64 = MIGRATIONS.len() as i64;

/// Marks the file as ours in SQLite's header ("Rind" in ASCII).
pub(super) const APPLICATION_ID: i64 = 0x5269_6e64;

/// All steps, oldest first.
const MIGRATIONS: [&str; 4] = [V1, V2, V3, V4];

/// Readings are whole steps of their kind, keyed in the order they are read back: 15 bytes each where a
/// text or floating-point layout takes 22 to 125. `inbox` takes what arrives, in the order of time, so
/// that a commit dirties one page rather than one a series; it is sealed hourly into `reading`. What only
/// few rows have (a doubt, a late arrival) stands beside them in `reading_note`.
const V1: &str = "
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID, STRICT;
CREATE TABLE series(
  id INTEGER PRIMARY KEY,
  probe TEXT NOT NULL,
  quantity TEXT NOT NULL,
  form TEXT NOT NULL,              -- form of rain, else empty
  unit TEXT NOT NULL,
  steps_per_unit INTEGER NOT NULL,
  UNIQUE(probe, quantity, form, unit, steps_per_unit)
) STRICT;
CREATE TABLE inbox(
  at_ms INTEGER NOT NULL,
  series INTEGER NOT NULL,
  value INTEGER NOT NULL,          -- steps
  late_ms INTEGER NOT NULL,        -- arrival minus at_ms
  seq INTEGER NOT NULL,            -- order of arrival
  doubt INTEGER NOT NULL,          -- 0 = believed
  own_time INTEGER NOT NULL,
  PRIMARY KEY(at_ms, series)
) WITHOUT ROWID, STRICT;
CREATE TABLE reading(
  series INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  value INTEGER NOT NULL,
  PRIMARY KEY(series, at_ms)
) WITHOUT ROWID, STRICT;
CREATE TABLE reading_note(
  series INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  late_ms INTEGER NOT NULL,
  doubt INTEGER NOT NULL,
  own_time INTEGER NOT NULL,
  PRIMARY KEY(series, at_ms)
) WITHOUT ROWID, STRICT;
CREATE TABLE hour(
  series INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  n INTEGER NOT NULL, min INTEGER NOT NULL, max INTEGER NOT NULL, sum INTEGER NOT NULL,
  PRIMARY KEY(series, start_ms)
) WITHOUT ROWID, STRICT;
CREATE TABLE day(
  series INTEGER NOT NULL,
  date TEXT NOT NULL,              -- civil date of the garden
  n INTEGER NOT NULL, min INTEGER NOT NULL, max INTEGER NOT NULL, sum INTEGER NOT NULL,
  PRIMARY KEY(series, date)
) WITHOUT ROWID, STRICT;
CREATE TABLE bed_day(
  date TEXT NOT NULL,
  bed TEXT NOT NULL,
  record TEXT NOT NULL,            -- JSON
  PRIMARY KEY(date, bed)
) WITHOUT ROWID, STRICT;
CREATE TABLE matter(
  id INTEGER PRIMARY KEY,
  at_ms INTEGER NOT NULL,
  record TEXT NOT NULL             -- JSON
) STRICT;
CREATE INDEX matter_at ON matter(at_ms);
CREATE TABLE refusal(
  id INTEGER PRIMARY KEY,
  arrived_ms INTEGER NOT NULL,
  topic TEXT NOT NULL,
  payload TEXT NOT NULL,
  probe TEXT,
  reason TEXT NOT NULL
) STRICT;
CREATE TABLE outbox(
  id INTEGER PRIMARY KEY,
  number INTEGER NOT NULL,
  person TEXT NOT NULL,
  address TEXT NOT NULL,
  at_ms INTEGER NOT NULL,
  matters TEXT NOT NULL,           -- JSON list
  subject TEXT NOT NULL,
  eml BLOB NOT NULL,
  fate INTEGER NOT NULL DEFAULT 0, -- 0 waiting, 1 accepted, 2 refused
  fate_ms INTEGER,
  words TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX outbox_number ON outbox(number);
CREATE INDEX outbox_waiting ON outbox(id) WHERE fate = 0;
CREATE TABLE day_book(
  id INTEGER PRIMARY KEY,
  happened_ms INTEGER NOT NULL,
  entered_ms INTEGER NOT NULL,
  words TEXT NOT NULL
) STRICT;
CREATE INDEX day_book_happened ON day_book(happened_ms);
CREATE TABLE state(
  id INTEGER PRIMARY KEY CHECK(id = 1),
  core TEXT NOT NULL,
  through_seq INTEGER NOT NULL,    -- the last reading it knows
  through_entry INTEGER NOT NULL   -- the last day-book line it knows
) STRICT;
CREATE TABLE engine_hour(
  start_ms INTEGER PRIMARY KEY,
  sums TEXT NOT NULL               -- JSON of the engine
) STRICT;
CREATE TABLE mirror_log(
  id INTEGER PRIMARY KEY,          -- grows in the order of keeping
  series INTEGER,                  -- a reading: series, at_ms, value, doubt
  at_ms INTEGER,
  value INTEGER,
  doubt INTEGER,
  date TEXT,                       -- a bed's day: date, bed
  bed TEXT
) STRICT;
INSERT INTO meta VALUES('install_id', lower(hex(randomblob(16))));
";

/// `timeless` takes what comes while the time is not known. A line of the day book from a boot that never knew
/// it stays marked: its time is the wrong one of then, and it is told to nobody.
const V2: &str = "
CREATE TABLE timeless(
  id INTEGER PRIMARY KEY,          -- order of arrival
  boot TEXT NOT NULL,
  boot_ms INTEGER NOT NULL,        -- arrival, since that boot
  wall_ms INTEGER NOT NULL,        -- arrival by the system clock of then
  series INTEGER NOT NULL,         -- 0 = a line of the day book
  at_ms INTEGER NOT NULL,          -- its own time, or that of the system clock of then
  value INTEGER NOT NULL,          -- steps
  doubt INTEGER NOT NULL,
  own_time INTEGER NOT NULL,
  words TEXT                       -- a line of the day book
) STRICT;
ALTER TABLE day_book ADD COLUMN clock_unsure INTEGER NOT NULL DEFAULT 0;
";

/// So that letters that had to wait can be looked through before they go. Fate 3: overtaken, with the reason in
/// `words`.
const V3: &str = "
ALTER TABLE outbox ADD COLUMN draft TEXT NOT NULL DEFAULT '';          -- what it was worded from, JSON
ALTER TABLE outbox ADD COLUMN maybe_there INTEGER NOT NULL DEFAULT 1;  -- 0 = the server certainly never had it
";

/// So that a line sent twice is kept once, and can be taken back: it stays, and counts for nothing.
const V4: &str = "
ALTER TABLE day_book ADD COLUMN key TEXT;
ALTER TABLE day_book ADD COLUMN struck_ms INTEGER;
ALTER TABLE timeless ADD COLUMN key TEXT;
CREATE UNIQUE INDEX day_book_key ON day_book(key) WHERE key IS NOT NULL;
CREATE INDEX timeless_key ON timeless(key) WHERE key IS NOT NULL;
";

/// How far a file has come.
pub(super) enum Age {
    /// Today's.
    Current,
    /// Steps taken so far; 0 = nothing in it yet.
    Behind(i64),
    /// Steps this version does not know.
    Ahead(i64),
    /// A database of another program.
    Foreign,
}

/// Reads how far a file has come.
pub(super) fn age(conn: &Connection) -> Result<Age> {
    let steps: i64 = conn.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let owner: i64 = conn.pragma_query_value(None, "application_id", |row| row.get(0))?;
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    Ok(match (owner, steps) {
        (0, 0) if tables == 0 => Age::Behind(0),
        (APPLICATION_ID, steps) if steps > SCHEMA => Age::Ahead(steps),
        (APPLICATION_ID, steps) if steps < SCHEMA => Age::Behind(steps),
        (APPLICATION_ID, _) => Age::Current,
        _ => Age::Foreign,
    })
}

/// Takes all steps that are missing, each in a transaction of its own.
pub(super) fn bring_up(conn: &mut Connection, from: i64) -> Result<()> {
    let taken = usize::try_from(from).unwrap_or(0);
    for (at, step) in MIGRATIONS.iter().enumerate().skip(taken) {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute_batch(step)?;
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
        tx.pragma_update(None, "user_version", at as i64 + 1)?;
        tx.commit()?;
    }
    Ok(())
}

/// The tables of a new store without `left_out`, in the order of their names.
#[cfg(test)]
#[allow(clippy::unwrap_used)] // a test may stop where it stands
pub(super) fn tables_but(left_out: &[&str]) -> Vec<String> {
    let dir = tempfile::tempdir().unwrap();
    let store = super::Store::open(dir.path()).unwrap();
    let mut tables: Vec<String> = store
        .reader()
        .list("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name", [], |row| row.get(0))
        .unwrap();
    tables.retain(|name| !left_out.contains(&name.as_str()));
    tables
}
