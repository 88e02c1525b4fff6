//! The card: what is on it, what a crash leaves of it, and how it fails.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rindwatch::run::Stepped;
use rindwatch::store::FILE_NAME;
use rusqlite::Connection;
use tempfile::TempDir;

/// Bytes of a page of the store.
const PAGE: usize = 4096;

/// Store and write-ahead log.
#[derive(Debug, Clone, Default)]
pub struct Files {
    store: Vec<u8>,
    log: Vec<u8>,
}

#[derive(Debug)]
pub struct Card {
    folder: TempDir,
    full: bool,
    /// Mounted anew for reading alone.
    fixed: bool,
    /// Full, locked or read-only since the last commit that may have failed.
    pub ill: bool,
    lock: Option<Connection>,
    /// Of the beginning of the story.
    copy: Files,
}

impl Card {
    /// In memory where the machine has such a place: a real card's waits would test nothing here.
    pub fn new() -> Self {
        let memory = Path::new("/dev/shm");
        let folder = if memory.is_dir() { TempDir::new_in(memory) } else { TempDir::new() };
        Self {
            folder: folder.unwrap(),
            full: false,
            fixed: false,
            ill: false,
            lock: None,
            copy: Files::default(),
        }
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    fn path(&self, ending: &str) -> PathBuf {
        self.folder.path().join(format!("{FILE_NAME}{ending}"))
    }

    pub fn read(&self) -> Files {
        let read = |ending| fs::read(self.path(ending)).unwrap_or_default();
        Files { store: read(""), log: read("-wal") }
    }

    pub fn keep_copy(&mut self) {
        self.copy = self.read();
    }

    /// The program ends without closing the store. `torn`: the files before its last commit, and how many
    /// bytes of the log that was written since have reached the card.
    pub fn crash(&mut self, core: &mut Option<Stepped>, torn: Option<(Files, u32)>, forgets: bool) {
        self.unlock();
        // Closing tidies the log into the store; a crash does not.
        if let Some(core) = core.take() {
            core.store().leave_log().unwrap();
        }
        fs::remove_file(self.path("-shm")).ok();
        if torn.is_none() && !forgets {
            return;
        }
        let mut left = self.read();
        if let Some((before, byte)) = torn
            && before.store == left.store
        {
            left.log = tear(&before.log, &left.log, byte);
        }
        if forgets {
            // Only what it held when it last told the truth.
            let copy = std::mem::replace(&mut self.copy, left.clone());
            left = if copy.store.is_empty() { left } else { copy };
        }
        for (ending, bytes) in [("", &left.store), ("-wal", &left.log)] {
            if bytes.is_empty() {
                fs::remove_file(self.path(ending)).ok();
            } else {
                fs::write(self.path(ending), bytes).unwrap();
            }
        }
    }

    pub fn fill(&mut self, core: Option<&Stepped>) {
        self.full = true;
        self.ill = true;
        self.see(core);
    }

    /// The system has met errors and takes no writes any more.
    pub fn fix(&mut self, core: Option<&Stepped>) {
        self.fixed = true;
        self.ill = true;
        self.see(core);
    }

    /// No program can open a store there.
    pub fn is_fixed(&self) -> bool {
        self.fixed
    }

    /// Another program holds the store.
    pub fn lock(&mut self) {
        if self.lock.is_none() && self.path("").exists() {
            self.ill = true;
            let other = Connection::open(self.path("")).unwrap();
            other.busy_timeout(Duration::ZERO).unwrap();
            self.lock = other.execute_batch("BEGIN IMMEDIATE").is_ok().then_some(other);
        }
    }

    pub fn unlock(&mut self) {
        self.lock = None;
    }

    pub fn make_well(&mut self, core: Option<&Stepped>) {
        (self.full, self.fixed) = (false, false);
        self.unlock();
        self.see(core);
    }

    pub fn opened(&self, core: &Stepped) {
        core.store().wait_for_lock(Duration::from_millis(1)).unwrap();
        self.see(Some(core));
    }

    /// A limit below what is there lets nothing grow.
    fn see(&self, core: Option<&Stepped>) {
        if let Some(core) = core {
            core.store().limit_pages(if self.full { 1 } else { 1_000_000_000 }).unwrap();
            core.store().refuse_writes(self.fixed).unwrap();
        }
    }

    /// What it could not take while it was ill is on it now.
    pub fn heal(&mut self, core: Option<&Stepped>) {
        if !self.full
            && !self.fixed
            && self.lock.is_none()
            && core.is_some_and(|core| core.load().batched == 0)
        {
            self.ill = false;
        }
    }

    /// Nothing was wrong with it lately.
    pub fn is_well(&self) -> bool {
        !self.ill
    }

    /// While the power is off: the end of a file is gone, a page of it is naught, or bytes of the log are others.
    pub fn damage(&self, how: u32) {
        let at = how as usize / 4;
        let (ending, mut bytes) = match how % 4 {
            0 => ("-wal", fs::read(self.path("-wal")).unwrap_or_default()),
            _ => ("", fs::read(self.path("")).unwrap_or_default()),
        };
        if bytes.is_empty() {
            return;
        }
        let at = at % bytes.len();
        match how % 4 {
            0 => bytes[at..].iter_mut().step_by(7).for_each(|byte| *byte ^= 0x5a),
            1 => bytes.truncate(at),
            _ => {
                let page = at / PAGE * PAGE;
                let end = (page + PAGE).min(bytes.len());
                bytes[page..end].fill(0);
            }
        }
        fs::write(self.path(ending), bytes).unwrap();
    }

    /// Another hand changes what is stored; how many rows.
    pub fn meddle(&self, sql: &str) -> usize {
        let conn = Connection::open(self.path("")).unwrap();
        conn.execute(sql, []).unwrap_or(0)
    }

    /// What the daemon noted of the clock.
    pub fn clock_note(&self) -> Option<String> {
        let conn = Connection::open(self.path("")).ok()?;
        conn.query_row("SELECT value FROM meta WHERE key = 'clock'", [], |row| row.get(0)).ok()
    }

    /// What SQLite itself says of the file.
    pub fn quick_check(&self) -> String {
        let conn = Connection::open(self.path("")).unwrap();
        conn.query_row("PRAGMA quick_check", [], |row| row.get(0)).unwrap()
    }
}

/// The log as it is when only the first bytes of what was written to it have arrived.
fn tear(before: &[u8], after: &[u8], byte: u32) -> Vec<u8> {
    let differs = |at: &usize| before.get(*at) != after.get(*at);
    let (Some(first), Some(last)) = ((0..after.len()).find(differs), (0..after.len()).rev().find(differs))
    else {
        return after.to_vec();
    };
    let cut = first + byte as usize % (last - first + 1);
    let mut torn = after[..cut].to_vec();
    torn.extend_from_slice(before.get(cut..).unwrap_or_default());
    torn
}
