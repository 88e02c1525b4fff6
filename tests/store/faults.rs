//! Full disk, second writer, foreign, newer and torn files: each has its own line of words, and nothing
//! that was kept before is touched.

use super::*;

#[test]
fn a_full_disk_keeps_nothing_of_the_batch_and_all_before_it() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
    let many = (1..20_000).map(|n| reading(0, JULY_MS + n * 1000, 0.3)).collect();
    let batch = Batch { letters: vec![letter(1)], seal: true, ..hourly(many) };
    store.limit_pages(1).unwrap();
    for _ in 0..3 {
        let error = store.commit(&batch).unwrap_err();
        assert!(matches!(error, StoreError::Full { .. }) && error.may_pass(), "{error}");
        assert!(error.to_string().contains("free some space"), "{error}");
        let counts = store.reader().counts().unwrap();
        assert_eq!((counts.readings(), counts.letters_waiting), (1, 0));
        assert_eq!(store.saved().unwrap(), None);
    }
    store.limit_pages(u32::MAX / 2).unwrap();
    let done = store.commit(&batch).unwrap();
    assert_eq!((done.fresh, done.duplicates, done.sealed), (19_999, 0, 20_000));
}

#[test]
fn a_second_writer_is_turned_away_and_readers_are_not() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    let error = Store::open(dir.path()).unwrap_err();
    assert!(matches!(error, StoreError::Taken { .. }), "{error}");
    assert!(error.to_string().contains("a rindwatch already writes here"), "{error}");
    let reader = Store::open_to_read(dir.path()).unwrap();
    store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
    assert_eq!(reader.counts().unwrap().inbox, 1);
    drop(store);
    open(dir.path(), &garden).commit(&hourly(vec![])).unwrap();
    assert_eq!(reader.counts().unwrap().believed, 1);
}

#[test]
fn another_program_that_holds_the_file_is_waited_for_then_named() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    let other = rusqlite::Connection::open(dir.path().join(FILE_NAME)).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let batch = of(vec![reading(0, JULY_MS, 0.3)]);
    let error = store.commit(&batch).unwrap_err();
    assert!(matches!(error, StoreError::Busy { .. }) && error.may_pass(), "{error}");
    assert!(matches!(store.prove().unwrap_err(), StoreError::Busy { .. }));
    other.execute_batch("ROLLBACK").unwrap();
    store.prove().unwrap();
    assert_eq!(store.commit(&batch).unwrap().fresh, 1);
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("a-file");
    std::fs::write(&file, "").unwrap();
    let closed = dir.path().join("closed");
    std::fs::create_dir(&closed).unwrap();
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o500)).unwrap();
    // Modes do not stop the superuser; the kernel's own folder does.
    let folder = if std::fs::write(closed.join("probe"), "").is_ok() { Path::new("/sys") } else { &closed };
    for place in [file.as_path(), folder] {
        let error = Store::open(place).unwrap_err();
        assert!(matches!(error, StoreError::NotWritable { .. }), "{}: {error:?}", place.display());
        assert!(error.to_string().contains("let the daemon's account write"), "{error}");
    }
}

#[test]
fn the_file_is_for_the_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
    for entry in std::fs::read_dir(dir.path()).unwrap().flatten() {
        let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!(mode, 0o600, "{}", entry.path().display());
    }
}

#[test]
fn a_newer_a_foreign_and_a_missing_store_are_told_apart_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join(FILE_NAME);
    assert!(matches!(Store::open_to_read(dir.path()).unwrap_err(), StoreError::Missing { .. }));
    drop(open(dir.path(), &two_probes()));

    let other = rusqlite::Connection::open(&file).unwrap();
    other.pragma_update(None, "user_version", SCHEMA + 1).unwrap();
    drop(other);
    let before = std::fs::read(&file).unwrap();
    for error in [Store::open(dir.path()).unwrap_err(), Store::open_to_read(dir.path()).unwrap_err()] {
        assert!(matches!(error, StoreError::Newer { .. }), "{error}");
        assert!(error.to_string().contains("newer rindwatch"), "{error}");
    }
    assert_eq!(std::fs::read(&file).unwrap(), before);

    std::fs::remove_file(&file).unwrap();
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("CREATE TABLE song(title TEXT)").unwrap();
    drop(other);
    let before = std::fs::read(&file).unwrap();
    assert!(matches!(Store::open(dir.path()).unwrap_err(), StoreError::Foreign { .. }));
    assert!(matches!(Store::open_to_read(dir.path()).unwrap_err(), StoreError::Foreign { .. }));
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn garbage_and_a_torn_file_are_damage_not_a_crash() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let file = dir.path().join(FILE_NAME);
    let readings = (0..5000).map(|n| reading(0, JULY_MS + n * 1000, 0.3)).collect();
    open(dir.path(), &garden).commit(&hourly(readings)).unwrap();
    let whole = std::fs::read(&file).unwrap();

    std::fs::write(&file, b"not a database at all, but long enough to be taken for one by its size").unwrap();
    let error = Store::open(dir.path()).unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
    assert!(error.to_string().contains("move it aside"), "{error}");

    // Zeroed from the fifth page on, as a card that lost blocks reads back.
    let mut torn = whole.clone();
    torn[4 * 4096..].fill(0);
    std::fs::write(&file, &torn).unwrap();
    let error = Store::open(dir.path()).unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");

    // Cut in the middle: whatever is met first says so; nothing panics, nothing is answered from thin air.
    std::fs::write(&file, &whole[..whole.len() / 2]).unwrap();
    let met = Store::open(dir.path()).and_then(|mut store| {
        store.register(&garden)?;
        let series = store.reader().series_of(&garden.probes[0])?;
        series.map(|series| store.reader().raw(&series, 0, i64::MAX, u32::MAX)).transpose()
    });
    assert!(matches!(met, Err(StoreError::Damaged { .. } | StoreError::Disk { .. })), "{met:?}");
}

/// What a kill or a power cut leaves behind is the file and a piece of the log. Whatever the piece, the
/// store is the result of the first so many batches, each of them whole.
#[test]
fn a_log_cut_anywhere_leaves_whole_batches() {
    const EACH: usize = 5;
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    let log = dir.path().join(format!("{FILE_NAME}-wal"));
    for n in 0..20u32 {
        let at_ms = JULY_MS + Millis::from(n) * HOUR_MS;
        let readings = (0..EACH as i64).map(|k| reading(0, at_ms + k, 0.3)).collect();
        store.commit(&Batch { letters: vec![letter(n + 1)], seal: n % 4 == 3, ..hourly(readings) }).unwrap();
    }
    let (file, log) = (std::fs::read(dir.path().join(FILE_NAME)).unwrap(), std::fs::read(log).unwrap());
    drop(store);
    // Behind it the log is laid out in zeros.
    let used = log.iter().rposition(|&byte| byte != 0).unwrap() + 1;

    let mut seen = std::collections::BTreeSet::new();
    for cut in (0..=20).map(|n| used * n / 20) {
        let after = tempfile::tempdir().unwrap();
        std::fs::write(after.path().join(FILE_NAME), &file).unwrap();
        std::fs::write(after.path().join(format!("{FILE_NAME}-wal")), &log[..cut]).unwrap();
        let store = open(after.path(), &garden);
        let counts = store.reader().counts().unwrap();
        let letters = counts.letters_waiting as usize;
        assert_eq!(counts.readings() as usize, letters * EACH, "cut at {cut} of {used}");
        assert_eq!(raw(&store, &garden, 0).len(), letters * EACH);
        seen.insert(letters);
    }
    assert!(seen.len() > 10 && seen.contains(&20), "cuts met these states only: {seen:?}");
}
