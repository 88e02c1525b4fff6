//! Opening: folder, lock, file, settings of SQLite, version.

use std::fs::{DirBuilder, File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use super::copy::beside;
use super::error::{told, told_io};
use super::schema::{self, Age, SCHEMA};
use super::{Reader, Store, StoreError};

/// The file's name in the data folder.
pub const FILE_NAME: &str = "rindwatch.db";

/// The lock's name in the data folder; the file is empty and stays.
pub(super) const LOCK_NAME: &str = "rindwatch.lock";

/// How long we wait for another program's lock.
const WAIT: Duration = Duration::from_secs(2);

/// Pages in the log before they go into the file. Between two such moments a page is written to the file once,
/// however often it changed.
const LOG_PAGES: u32 = 1000;

/// Tables read whole at each start; looked over first, since a damaged one would mislead us at once.
const LOOKED_OVER: [&str; 7] = ["meta", "series", "state", "engine_hour", "inbox", "day_book", "outbox"];

impl Store {
    /// Opens the store in `dir` for writing, makes folder and file where they are missing, and brings an
    /// older file up to date. [`Store::register`] comes next.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        let path = dir.join(FILE_NAME);
        DirBuilder::new()
            .recursive(true)
            .mode(0o750)
            .create(dir)
            .map_err(|e| could_not_make(told_io(dir, &e)))?;
        let lock = take_lock(dir, &path)?;
        make_file(&path)?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut conn = Connection::open_with_flags(&path, flags).map_err(|e| told(&path, e))?;
        settle(&conn).map_err(|e| told(&path, e))?;
        match schema::age(&conn).map_err(|e| told(&path, e))? {
            Age::Current => {}
            Age::Behind(steps) => {
                keep_safe(&conn, &path)?;
                schema::bring_up(&mut conn, steps).map_err(|e| told(&path, e))?;
            }
            Age::Ahead(found) => return Err(StoreError::Newer { path, found, known: SCHEMA }),
            Age::Foreign => return Err(StoreError::Foreign { path }),
        }
        keep_safe(&conn, &path)?;
        look_over(&conn, &path)?;
        lay_out_log(&path);
        let last_seq = last_seq(&conn).map_err(|e| told(&path, e))?;
        Ok(Self {
            reader: Reader { conn, path },
            _lock: lock,
            probes: Vec::new(),
            zone: chrono_tz::UTC,
            mirrored: false,
            last_seq,
        })
    }

    /// Opens the store in `dir` to look only; works beside the writer.
    pub fn open_to_read(dir: &Path) -> Result<Reader, StoreError> {
        let path = dir.join(FILE_NAME);
        std::fs::metadata(&path).map_err(|e| told_io(&path, &e))?;
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(&path, flags).map_err(|e| told(&path, e))?;
        settle(&conn).map_err(|e| told(&path, e))?;
        match schema::age(&conn).map_err(|e| told(&path, e))? {
            Age::Current => Ok(Reader { conn, path }),
            Age::Behind(0) => Err(StoreError::Missing { path }),
            Age::Behind(found) => Err(StoreError::Older { path, found, known: SCHEMA }),
            Age::Ahead(found) => Err(StoreError::Newer { path, found, known: SCHEMA }),
            Age::Foreign => Err(StoreError::Foreign { path }),
        }
    }

    /// Everything that only looks, on the writer's own connection.
    pub fn reader(&self) -> &Reader {
        &self.reader
    }

    /// Lets the file grow to this many pages of 4 KiB at most; a batch that needs more gets
    /// [`StoreError::Full`]. Holds until the store is closed.
    pub fn limit_pages(&self, pages: u32) -> Result<(), StoreError> {
        self.reader
            .conn
            .pragma_update_and_check(None, "max_page_count", pages, |row| row.get::<_, i64>(0))
            .map(drop)
            .map_err(|e| told(&self.reader.path, e))
    }

    /// Every write is refused from now on, or no more, as on a card that was mounted anew for reading alone.
    pub fn refuse_writes(&self, refused: bool) -> Result<(), StoreError> {
        let done = self.reader.conn.pragma_update(None, "query_only", refused);
        done.map_err(|e| told(&self.reader.path, e))
    }

    /// Closing leaves the log as it lies, as the end of the power would.
    pub fn leave_log(&self) -> Result<(), StoreError> {
        let done = self.reader.conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true);
        done.map(drop).map_err(|e| told(&self.reader.path, e))
    }

    /// Waits for another program's lock for so long instead of two seconds, until the store is closed.
    pub fn wait_for_lock(&self, wait: Duration) -> Result<(), StoreError> {
        self.reader.conn.busy_timeout(wait).map_err(|e| told(&self.reader.path, e))
    }
}

impl Reader {
    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// 128 random bits as 32 hex digits, made with the store: names this installation where a name must
    /// be the only one of its kind.
    pub fn install_id(&self) -> Result<String, StoreError> {
        self.conn
            .query_row("SELECT value FROM meta WHERE key = 'install_id'", [], |row| row.get(0))
            .map_err(|e| told(&self.path, e))
    }
}

/// A folder that cannot be made is one that cannot be written.
fn could_not_make(error: StoreError) -> StoreError {
    match error {
        StoreError::Missing { path } => StoreError::NotWritable { path, words: "no such folder".to_owned() },
        other => other,
    }
}

/// Makes us the one writer of `dir`.
pub(super) fn take_lock(dir: &Path, path: &Path) -> Result<File, StoreError> {
    let at: PathBuf = dir.join(LOCK_NAME);
    let lock = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .mode(0o600)
        .open(&at)
        .map_err(|e| told_io(&at, &e))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(StoreError::Taken { path: path.to_path_buf() }),
        Err(TryLockError::Error(e)) => Err(told_io(&at, &e)),
    }
}

/// Makes the file for the owner's eyes only; SQLite gives its side files the same mode.
fn make_file(path: &Path) -> Result<(), StoreError> {
    OpenOptions::new()
        .create(true)
        .append(true)
        .mode(0o600)
        .open(path)
        .map(drop)
        .map_err(|e| told_io(path, &e))
}

/// What every connection needs. The caches are small because the board is.
fn settle(conn: &Connection) -> rusqlite::Result<()> {
    conn.busy_timeout(WAIT)?;
    conn.set_prepared_statement_cache_capacity(64);
    conn.pragma_update(None, "cache_size", -1024)?;
    conn.pragma_update(None, "mmap_size", 0)?;
    conn.pragma_update(None, "trusted_schema", false)
}

/// What makes a commit last. Not touched before the version is known, so a file that is not ours stays
/// as it is.
fn keep_safe(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let set = || -> rusqlite::Result<String> {
        conn.pragma_update(None, "synchronous", "FULL")?;
        conn.pragma_update(None, "journal_size_limit", 8 * 1024 * 1024)?;
        conn.pragma_update(None, "wal_autocheckpoint", LOG_PAGES)?;
        conn.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0))
    };
    match set().map_err(|e| told(path, e))?.as_str() {
        "wal" => Ok(()),
        // Some network file systems: nothing promised here would hold on them.
        _ => Err(StoreError::NotWritable {
            path: path.to_path_buf(),
            words: "its file system cannot hold a write-ahead log".to_owned(),
        }),
    }
}

/// Gives the log its whole length at once, in zeros: a log that grows makes the file system write down its new
/// length and place at every commit, which is more than the commit itself. A frame of zeros has no valid checksum
/// and is none to SQLite. A folder without room for it has a log that grows.
fn lay_out_log(path: &Path) {
    const FRAME_BYTES: u64 = 4096 + 24;
    let fill = |mut log: File, from: u64| {
        let wanted = (32 + u64::from(LOG_PAGES) * FRAME_BYTES).saturating_sub(from);
        let laid = log
            .seek(SeekFrom::Start(from))
            .and_then(|_| std::io::copy(&mut std::io::repeat(0).take(wanted), &mut log));
        if laid.is_err() {
            // What was left of the room is needed for readings.
            let _ = log.set_len(from);
        }
    };
    let opened = OpenOptions::new().write(true).open(beside(path, "-wal"));
    if let Ok((log, length)) = opened.and_then(|log| log.metadata().map(|held| (log, held.len()))) {
        fill(log, length);
    }
}

/// Reads the small tables through once.
fn look_over(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    for table in LOOKED_OVER {
        let words: String = conn
            .query_row("SELECT quick_check FROM pragma_quick_check(?1)", [table], |row| row.get(0))
            .map_err(|e| told(path, e))?;
        if words != "ok" {
            return Err(StoreError::Damaged { path: path.to_path_buf(), words });
        }
    }
    Ok(())
}

/// The last place given in the order of arrival. Readings leave the inbox only when the saved state
/// knows them, so their places never come twice.
fn last_seq(conn: &Connection) -> rusqlite::Result<i64> {
    conn.query_row(
        "SELECT max(coalesce((SELECT max(seq) FROM inbox), 0),
                    coalesce((SELECT through_seq FROM state), 0),
                    coalesce((SELECT max(id) FROM mirror_log), 0))",
        [],
        |row| row.get(0),
    )
}
