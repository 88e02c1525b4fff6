//! Copies: the whole store into one file while the daemon writes on, and a file brought back.
//!
//! A copy is one snapshot: the reading side of a write-ahead log keeps it for as long as the copying takes,
//! and the writer is never held. It is made beside its place, looked over, and put there at the end, so what
//! stands under the name asked for is always whole.

use std::fs::{self, File};
use std::os::unix::fs::{OpenOptionsExt, chown};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};

use super::error::{told, told_io};
use super::file::{FILE_NAME, take_lock};
use super::schema::{self, Age, SCHEMA};
use super::{Store, StoreError};
use crate::record::Millis;

/// Pages of 4 KiB copied at a time.
const STEP_PAGES: i32 = 256;
/// Breath between two steps, so that a small board's card is there for others too.
const BREATH: Duration = Duration::from_millis(4);
/// What SQLite keeps beside a file.
const BESIDE: [&str; 3] = ["", "-wal", "-journal"];

/// A store brought back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BroughtBack {
    /// Where the store that was there before is now; `None` = there was none.
    pub set_aside: Option<PathBuf>,
    /// The newest thing in the copy, milliseconds; `None` = nothing in it has a time.
    pub newest_ms: Option<Millis>,
    /// Letters that waited in the copy and are not sent again.
    pub letters_held: usize,
}

impl Store {
    /// Copies the store in `dir` as it stands into the new file `to`, beside a daemon that writes on; its
    /// size in bytes. A file of that name is replaced at the end, when the copy is whole.
    ///
    /// # Errors
    /// A store or a folder that cannot be used, or damage found in what was copied: then `to` is untouched.
    pub fn back_up(dir: &Path, to: &Path) -> Result<u64, StoreError> {
        let source = Self::open_to_read(dir)?;
        if fs::canonicalize(to)
            .is_ok_and(|same| fs::canonicalize(&source.path).is_ok_and(|ours| ours == same))
        {
            let words = "that is the store itself".to_owned();
            return Err(StoreError::NotWritable { path: to.to_path_buf(), words });
        }
        let half = beside(to, ".half");
        let made = copy_pages(&source.conn, &source.path, &half)
            .and_then(|()| check_whole(&half))
            .and_then(|_| sync(&half))
            .and_then(|()| fs::rename(&half, to).map_err(|e| told_io(to, &e)))
            .and_then(|()| sync(folder_of(to)));
        if made.is_err() {
            // Nobody shall take it for a copy.
            let _ = fs::remove_file(&half);
        }
        made?;
        fs::metadata(to).map(|file| file.len()).map_err(|e| told_io(to, &e))
    }

    /// Puts a copy in the place of the store in `dir`, on which no daemon may run. What was there is set
    /// aside with the date and stays whole. Letters that wait in the copy are sent only where the store set
    /// aside can be read and says that they still wait, or with `send_waiting`.
    ///
    /// # Errors
    /// A daemon that runs, a copy that is damaged, not ours or of a newer version: then nothing is changed.
    pub fn bring_back(
        from: &Path,
        dir: &Path,
        now_ms: Millis,
        send_waiting: bool,
    ) -> Result<BroughtBack, StoreError> {
        fs::metadata(from).map_err(|e| told_io(from, &e))?;
        fs::create_dir_all(dir).map_err(|e| told_io(dir, &e))?;
        let path = dir.join(FILE_NAME);
        let _lock = take_lock(dir, &path)?;
        let half = beside(&path, ".half");
        for side in BESIDE {
            let side_of = beside(from, side);
            let _ = fs::remove_file(beside(&half, side));
            if side_of.exists() {
                copy_file(&side_of, &beside(&half, side))?;
            }
        }
        let ready = settle_copy(&half, from, &path, now_ms, send_waiting);
        let (newest_ms, letters_held) = match ready {
            Ok(ready) => ready,
            Err(error) => {
                for side in BESIDE {
                    let _ = fs::remove_file(beside(&half, side));
                }
                return Err(error);
            }
        };
        sync(&half)?;
        let set_aside = path.exists().then(|| set_aside(&path, "before-restore", now_ms)).transpose()?;
        fs::rename(&half, &path).map_err(|e| told_io(&path, &e))?;
        give_to_owner_of(dir, &path);
        give_to_owner_of(dir, &dir.join(super::file::LOCK_NAME));
        sync(dir)?;
        Ok(BroughtBack { set_aside, newest_ms, letters_held })
    }
}

fn copy_pages(source: &Connection, path: &Path, half: &Path) -> Result<(), StoreError> {
    let _ = fs::remove_file(half);
    File::options().create_new(true).write(true).mode(0o600).open(half).map_err(|e| {
        match told_io(half, &e) {
            StoreError::Missing { path } => {
                StoreError::NotWritable { path, words: "no such folder".to_owned() }
            }
            other => other,
        }
    })?;
    let mut copy = Connection::open(half).map_err(|e| told(half, e))?;
    // Held to the end: all steps see one snapshot and none begins anew because the daemon wrote.
    let snapshot = source.unchecked_transaction().map_err(|e| told(path, e))?;
    let _: i64 = snapshot
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(|e| told(path, e))?;
    {
        let backup = Backup::new(source, &mut copy).map_err(|e| told(path, e))?;
        loop {
            match backup.step(STEP_PAGES).map_err(|e| told(half, e))? {
                StepResult::Done => break,
                _ => std::thread::sleep(BREATH),
            }
        }
    }
    // One file that needs nothing beside it.
    copy.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(())).map_err(|e| told(half, e))
}

/// Every page is read; how far the schema is.
pub(super) fn check_whole(file: &Path) -> Result<i64, StoreError> {
    let conn =
        Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(|e| told(file, e))?;
    let steps = match schema::age(&conn).map_err(|e| told(file, e))? {
        Age::Current => SCHEMA,
        Age::Behind(0) => return Err(StoreError::Foreign { path: file.to_path_buf() }),
        Age::Behind(steps) => steps,
        Age::Ahead(found) => {
            return Err(StoreError::Newer { path: file.to_path_buf(), found, known: SCHEMA });
        }
        Age::Foreign => return Err(StoreError::Foreign { path: file.to_path_buf() }),
    };
    let words: String =
        conn.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(|e| told(file, e))?;
    if words == "ok" { Ok(steps) } else { Err(StoreError::Damaged { path: file.to_path_buf(), words }) }
}

/// Makes a copied file fit to be gone on from; its newest time and the letters that will not go out.
fn settle_copy(
    half: &Path,
    from: &Path,
    old: &Path,
    now_ms: Millis,
    send_waiting: bool,
) -> Result<(Option<Millis>, usize), StoreError> {
    // The words of any fault name the file the caller knows.
    let steps = check_whole(half).map_err(|error| error.about(from))?;
    let mut conn = Connection::open(half).map_err(|e| told(from, e))?;
    if steps < SCHEMA {
        schema::bring_up(&mut conn, steps).map_err(|e| told(from, e))?;
    }
    let mut held = 0;
    let mut letters = || -> rusqlite::Result<()> {
        let known = fates(old);
        let tx = conn.transaction()?;
        let waiting: Vec<(i64, i64)> = tx
            .prepare("SELECT id, number FROM outbox WHERE fate = 0")?
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        for (id, number) in waiting {
            let (fate, at_ms, words) = match known.iter().flatten().find(|(of, ..)| *of == number) {
                Some((_, 0, ..)) => continue,
                Some((_, fate, at_ms, words)) => (*fate, *at_ms, words.clone()),
                None if send_waiting => continue,
                None => {
                    held += 1;
                    (
                        2,
                        Some(now_ms),
                        "not sent: brought back from a copy, it may have gone out before".to_owned(),
                    )
                }
            };
            tx.execute(
                "UPDATE outbox SET fate = ?2, fate_ms = ?3, words = ?4 WHERE id = ?1",
                (id, fate, at_ms, words),
            )?;
        }
        let last = known.and_then(|known| known.iter().map(|(number, ..)| *number).max());
        number_on(&tx, last, now_ms)?;
        // Its numbers go another way from here: a nightly copy of before is none of it.
        tx.execute("INSERT OR REPLACE INTO meta VALUES('brought_back', ?1)", [now_ms.to_string()])?;
        tx.commit()
    };
    letters().map_err(|e| told(from, e))?;
    let newest_ms = conn
        .query_row(
            "SELECT max(at_ms) FROM (SELECT max(at_ms) AS at_ms FROM inbox UNION ALL SELECT max(start_ms) FROM hour
             UNION ALL SELECT max(entered_ms) FROM day_book UNION ALL SELECT max(at_ms) FROM outbox)",
            [],
            |row| row.get(0),
        )
        .map_err(|e| told(from, e))?;
    conn.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(())).map_err(|e| told(from, e))?;
    Ok((newest_ms, held))
}

/// Number, fate, its time and words of a letter.
type KnownFate = (i64, i64, Option<Millis>, String);

/// What the store that is there knows of its letters; `None` = it cannot say.
fn fates(old: &Path) -> Option<Vec<KnownFate>> {
    let conn = Connection::open_with_flags(old, OpenFlags::SQLITE_OPEN_READ_WRITE).ok()?;
    let mut ask = conn.prepare("SELECT number, fate, fate_ms, words FROM outbox").ok()?;
    ask.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .ok()?
        .collect::<Result<_, _>>()
        .ok()
}

/// Letters count on from `last`, or, where nobody knows it any more, from a number no garden has reached: ten
/// a day since the autumn of 2024. A number used twice would give two letters one message id, and mail programs
/// show only the first of such.
pub(super) fn number_on(conn: &Connection, last: Option<i64>, now_ms: Millis) -> rusqlite::Result<()> {
    const DAY_MS: Millis = 86_400_000;
    let last = last.unwrap_or((now_ms / DAY_MS - 20_000).clamp(100, 100_000) * 10);
    conn.execute(
        "INSERT INTO meta VALUES('letters', ?1) ON CONFLICT DO UPDATE SET
           value = max(cast(value AS INTEGER), excluded.value)",
        [last],
    )
    .map(drop)
}

/// Gives a file, with what SQLite keeps beside it, another name that says why and when; never deletes.
pub(super) fn set_aside(path: &Path, why: &str, now_ms: Millis) -> Result<PathBuf, StoreError> {
    let date = chrono::DateTime::from_timestamp_millis(now_ms)
        .map(|at| at.format("%Y-%m-%dT%H%M%SZ").to_string())
        .unwrap_or_default();
    let mut aside = beside(path, &format!(".{why}-{date}"));
    let mut again = 1;
    while aside.exists() {
        again += 1;
        aside = beside(path, &format!(".{why}-{date}-{again}"));
    }
    // The log first: a file without its log is older, a log without its file is nothing.
    for side in BESIDE.iter().rev().filter(|side| beside(path, side).exists()) {
        fs::rename(beside(path, side), beside(&aside, side)).map_err(|e| told_io(path, &e))?;
    }
    // An index of the log is made anew by whoever opens it.
    let _ = fs::remove_file(beside(path, "-shm"));
    Ok(aside)
}

pub(super) fn beside(path: &Path, more: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(more);
    PathBuf::from(name)
}

fn copy_file(from: &Path, to: &Path) -> Result<(), StoreError> {
    let mut reader = File::open(from).map_err(|e| told_io(from, &e))?;
    let mut writer =
        File::options().create_new(true).write(true).mode(0o600).open(to).map_err(|e| told_io(to, &e))?;
    std::io::copy(&mut reader, &mut writer).map(drop).map_err(|e| told_io(to, &e))
}

fn sync(place: &Path) -> Result<(), StoreError> {
    File::open(place).and_then(|file| file.sync_all()).map_err(|e| told_io(place, &e))
}

fn folder_of(file: &Path) -> &Path {
    file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Restored by the superuser, it must still be the daemon's own.
fn give_to_owner_of(dir: &Path, file: &Path) {
    use std::os::unix::fs::MetadataExt;
    if let Ok(owner) = fs::metadata(dir) {
        // Whoever is not the superuser owns it already.
        let _ = chown(file, Some(owner.uid()), Some(owner.gid()));
    }
}
