//! What can go wrong with the store, each with one line that says what to do.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

use crate::record::ProbeIx;

/// Why the store did not do what it was asked. Whatever was asked is then not done at all: a batch is
/// kept whole or not kept.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the line shows
pub enum StoreError {
    /// The folder or the file may not be written.
    #[error(
        "{}: the store cannot be written ({words}): let the daemon's account write in this folder, or name \
         another one", path.display()
    )]
    NotWritable { path: PathBuf, words: String },
    /// No room left.
    #[error(
        "{}: the disk is full: free some space; until then nothing is acknowledged to the broker, which \
         keeps it", path.display()
    )]
    Full { path: PathBuf },
    /// Another program holds the file's lock for longer than we wait.
    #[error("{}: another program holds the store: close it; we try again", path.display())]
    Busy { path: PathBuf },
    /// A second writer.
    #[error(
        "{}: a rindwatch already writes here: stop it first, or give this garden a folder of its own",
        path.display()
    )]
    Taken { path: PathBuf },
    /// Written by a later version.
    #[error(
        "{}: written by a newer rindwatch (schema {found}, this one knows {known}): install that version \
         again, or bring back a copy from before", path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    /// Written by an earlier version and opened to read only.
    #[error(
        "{}: written by an older rindwatch (schema {found}, this one wants {known}): start the daemon once, \
         it brings the store up to date", path.display()
    )]
    Older { path: PathBuf, found: i64, known: i64 },
    /// Nothing here to read.
    #[error("{}: no store here yet: start the daemon once, or name the right folder", path.display())]
    Missing { path: PathBuf },
    /// A sound SQLite file that is not ours.
    #[error("{}: not a store of rindwatch: move it away, or name another folder", path.display())]
    Foreign { path: PathBuf },
    /// Torn, truncated or not a database.
    #[error(
        "{}: the store is damaged ({words}): move it aside (do not delete it) and bring back a copy",
        path.display()
    )]
    Damaged { path: PathBuf, words: String },
    /// The disk itself reports an error.
    #[error("{}: the disk reports an error ({words}): check the card, its seat and its supply", path.display())]
    Disk { path: PathBuf, words: String },
    /// A reading of a probe that was not registered; a fault of ours.
    #[error("probe number {} is not registered with the store: please report this", probe.0)]
    NotRegistered { probe: ProbeIx },
    /// Anything else SQLite says.
    #[error("{}: {words}: please report this", path.display())]
    Other { path: PathBuf, words: String },
}

impl StoreError {
    /// The same fault of another file.
    pub(super) fn about(self, file: &Path) -> Self {
        let path = file.to_path_buf();
        match self {
            Self::Damaged { words, .. } => Self::Damaged { path, words },
            Self::Newer { found, known, .. } => Self::Newer { path, found, known },
            Self::Foreign { .. } => Self::Foreign { path },
            other => other,
        }
    }

    /// Trying the same again later may succeed without anybody touching the files.
    pub fn may_pass(&self) -> bool {
        matches!(self, Self::Full { .. } | Self::Busy { .. } | Self::Disk { .. })
    }
}

/// Puts an error of SQLite into our words.
pub(super) fn told(path: &Path, error: rusqlite::Error) -> StoreError {
    use rusqlite::Error as E;
    let path = path.to_path_buf();
    let words = error.to_string();
    let code = match &error {
        E::SqliteFailure(failure, _) => failure.code,
        // A row of ours that cannot be read back.
        E::FromSqlConversionFailure(..) | E::IntegralValueOutOfRange(..) | E::InvalidColumnType(..) => {
            return StoreError::Damaged { path, words };
        }
        _ => return StoreError::Other { path, words },
    };
    match code {
        ErrorCode::DiskFull => StoreError::Full { path },
        ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => StoreError::Busy { path },
        ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied => {
            StoreError::NotWritable { path, words }
        }
        ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase => StoreError::Damaged { path, words },
        ErrorCode::SystemIoFailure => StoreError::Disk { path, words },
        _ => StoreError::Other { path, words },
    }
}

/// Puts an error of the file system into our words.
pub(super) fn told_io(path: &Path, error: &std::io::Error) -> StoreError {
    use std::io::ErrorKind as K;
    let path = path.to_path_buf();
    let words = error.to_string();
    match error.kind() {
        K::StorageFull | K::QuotaExceeded => StoreError::Full { path },
        K::NotFound => StoreError::Missing { path },
        K::PermissionDenied
        | K::ReadOnlyFilesystem
        | K::NotADirectory
        | K::AlreadyExists
        | K::IsADirectory => StoreError::NotWritable { path, words },
        _ => StoreError::Disk { path, words },
    }
}
