//! Copies, what is brought back from them, and what is rescued from a damaged file.

use super::*;

const LETTERS: u32 = 3;

/// Three hours of readings, sealed; a day, a day-book line, letters of which the first is accepted.
fn lived_in(dir: &Path) -> Garden {
    let garden = two_probes();
    let mut store = open(dir, &garden);
    for hour in 0..3 {
        let readings = (0..60).map(|n| reading(0, JULY_MS + hour * HOUR_MS + n * 60_000, 0.3)).collect();
        store.commit(&hourly(readings)).unwrap();
    }
    let line = BookLine {
        happened_ms: JULY_MS,
        entered_ms: JULY_MS,
        words: "watered long 6 cans".into(),
        ..BookLine::default()
    };
    store
        .commit(&Batch {
            days: vec![day("2027-06-30", "long")],
            letters: (1..=LETTERS).map(letter).collect(),
            entries: vec![line],
            state: Some(SavedState { core: "{\"a\":1}".into(), hours: vec![(JULY_MS, "[1]".into())] }),
            now_ms: JULY_MS,
            ..Batch::default()
        })
        .unwrap();
    store.mark_accepted(1, JULY_MS + 1).unwrap();
    garden
}

fn same(one: &Store, other: &Store, garden: &Garden) {
    assert_eq!(raw(one, garden, 0), raw(other, garden, 0));
    assert_eq!(one.saved().unwrap(), other.saved().unwrap());
    let all = |store: &Store| {
        let reader = store.reader();
        let days = reader.bed_days(None, date("2027-01-01"), date("2027-12-31")).unwrap();
        (
            days,
            reader.book(0, i64::MAX).unwrap(),
            reader.install_id().unwrap(),
            reader.counts().unwrap().believed,
        )
    };
    assert_eq!(all(one), all(other));
}

#[test]
fn a_copy_made_beside_the_writer_brings_everything_back_and_sends_nothing_twice() {
    use std::os::unix::fs::PermissionsExt;
    let (dir, new, place) =
        (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let garden = lived_in(dir.path());
    let mut store = open(dir.path(), &garden);
    let copy = place.path().join("copy.db");
    let bytes = Store::back_up(dir.path(), &copy).unwrap();
    let file = std::fs::metadata(&copy).unwrap();
    assert_eq!((file.len(), file.permissions().mode() & 0o777), (bytes, 0o600));
    assert_eq!(std::fs::read_dir(place.path()).unwrap().count(), 1, "one file, nothing beside it");

    // Onto a new card: nobody can say whether the waiting letters went out since.
    let back = Store::bring_back(&copy, new.path(), JULY_MS, false).unwrap();
    assert_eq!((back.set_aside, back.letters_held), (None, 2));
    let restored = open(new.path(), &garden);
    same(&store, &restored, &garden);
    assert_eq!(restored.reader().letters_waiting().unwrap(), []);
    assert!(restored.reader().last_letter_number().unwrap() > 100, "no number comes twice");
    drop(restored);

    // Over the same store: what it says of its letters holds, and it is kept.
    store.mark_accepted(2, JULY_MS + 2).unwrap();
    let error = Store::bring_back(&copy, dir.path(), JULY_MS, false).unwrap_err();
    assert!(matches!(error, StoreError::Taken { .. }), "{error}");
    store.commit(&Batch { letters: vec![letter(4)], ..Batch::default() }).unwrap();
    drop(store);
    let back = Store::bring_back(&copy, dir.path(), JULY_MS, false).unwrap();
    assert_eq!(back.letters_held, 0);
    assert!(back.set_aside.unwrap().exists());
    let mut store = open(dir.path(), &garden);
    assert_eq!(store.reader().letters_waiting().unwrap(), [letter(3)]);
    assert_eq!(store.reader().last_letter_number().unwrap(), 4);
    assert_eq!(store.commit(&of(vec![reading(1, JULY_MS, 20.0)])).unwrap().fresh, 1, "and it goes on");
}

#[test]
fn a_damaged_or_newer_copy_changes_nothing() {
    let (dir, place) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let garden = lived_in(dir.path());
    let copy = place.path().join("copy.db");
    Store::back_up(dir.path(), &copy).unwrap();
    let whole = std::fs::read(&copy).unwrap();
    let before = std::fs::read(dir.path().join(FILE_NAME)).unwrap();
    let mut torn = whole.clone();
    let from = torn.len() / 2;
    torn[from..].fill(0x5a);
    for bytes in [torn, whole[..whole.len() / 3].to_vec(), b"no database".to_vec()] {
        std::fs::write(&copy, bytes).unwrap();
        let error = Store::bring_back(&copy, dir.path(), JULY_MS, false).unwrap_err();
        assert!(error.to_string().contains("copy.db"), "{error}");
    }
    std::fs::write(&copy, &whole).unwrap();
    rusqlite::Connection::open(&copy).unwrap().pragma_update(None, "user_version", SCHEMA + 1).unwrap();
    let error = Store::bring_back(&copy, dir.path(), JULY_MS, false).unwrap_err();
    assert!(matches!(error, StoreError::Newer { .. }), "{error}");
    assert_eq!(std::fs::read(dir.path().join(FILE_NAME)).unwrap(), before);
    open(dir.path(), &garden);
}

/// Every page in turn is made worthless: a store always opens, the old file is kept, and what other pages hold
/// is still there.
#[test]
fn whatever_page_is_bad_a_store_opens_and_most_is_rescued() {
    let dir = tempfile::tempdir().unwrap();
    let garden = lived_in(dir.path());
    let whole = std::fs::read(dir.path().join(FILE_NAME)).unwrap();
    let (mut books, mut states, mut anew) = (0, 0, 0);
    let pages = whole.len() / 4096;
    for page in 0..pages {
        let hurt = tempfile::tempdir().unwrap();
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0x5a);
        std::fs::write(hurt.path().join(FILE_NAME), &bytes).unwrap();
        // What a start reads.
        let opened = Store::open_or_begin(hurt.path(), &garden, JULY_MS, |store| {
            store.saved()?;
            store.reader().last_letter_number()?;
            store.reader().book_after(0)?;
            store.inbox_in_arrival_order()
        });
        let (mut store, _, rescue) = opened.unwrap_or_else(|error| panic!("page {page}: {error}"));
        if let Some(rescue) = rescue {
            anew += 1;
            assert_eq!(std::fs::read(&rescue.set_aside).unwrap(), bytes, "page {page}: kept as it was");
            assert!(rescue.words().contains("keep it"), "{}", rescue.words());
            let kept = store.commit(&of(vec![reading(1, JULY_MS, 20.0)])).unwrap();
            assert_eq!(kept.fresh + kept.duplicates, 1);
        }
        books += usize::from(store.reader().book(0, i64::MAX).is_ok_and(|lines| lines.len() == 1));
        states += usize::from(store.saved().is_ok_and(|saved| saved.is_some()));
    }
    println!(
        "{pages} pages, {anew} times begun anew: the day book whole {books} times, the state {states} times"
    );
    assert!(anew >= 6 && books >= pages - 5 && states >= pages - 5);
}
