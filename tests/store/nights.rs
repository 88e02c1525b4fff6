//! The night: the copy that takes what is new, the recount, thinning, damage under an open store, and how much room a
//! reading takes.

use std::os::unix::fs::FileExt;

use super::*;

const DAY_MS: Millis = 24 * HOUR_MS;

fn line(n: i64) -> BookLine {
    let at_ms = JULY_MS + n * 1000;
    BookLine {
        happened_ms: at_ms,
        entered_ms: at_ms,
        words: format!("watered long {n} cans"),
        ..BookLine::default()
    }
}

/// One hour of both probes, each minute, with what is decided in it.
fn hour_of(hour: i64) -> Batch {
    let begin_ms = JULY_MS + hour * HOUR_MS;
    let readings = (0..60)
        .flat_map(|minute| (0..2).map(move |probe| (minute, probe)))
        .map(|(minute, probe)| reading(probe, begin_ms + minute * 60_000, 0.2 + (hour % 24) as f64 / 100.0))
        .collect();
    Batch {
        now_ms: begin_ms + HOUR_MS,
        days: vec![day(&(date("2027-07-01") + chrono::Days::new(hour as u64 / 24)).to_string(), "long")],
        letters: vec![letter(hour as u32 + 1)],
        entries: vec![line(hour)],
        state: Some(SavedState {
            core: format!("{{\"hour\":{hour}}}"),
            hours: vec![(begin_ms, "[1]".into())],
        }),
        ..hourly(readings)
    }
}

/// All that a restored garden goes on from.
fn all(store: &Store, garden: &Garden) -> impl PartialEq + std::fmt::Debug + use<> {
    let reader = store.reader();
    let each = garden.probes.iter().enumerate().map(|(n, probe)| {
        let series = reader.series_of(probe).unwrap().unwrap();
        let days = reader.days(&series, date("2027-01-01"), date("2028-12-31")).unwrap();
        (raw(store, garden, n), reader.hours(&series, 0, i64::MAX).unwrap(), days)
    });
    (
        each.collect::<Vec<_>>(),
        store.saved().unwrap(),
        reader.book(0, i64::MAX).unwrap(),
        reader.bed_days(None, date("2027-01-01"), date("2028-12-31")).unwrap(),
        reader
            .recent_letters(u32::MAX)
            .unwrap()
            .iter()
            .map(|letter| (letter.number, letter.subject.clone()))
            .collect::<Vec<_>>(),
        reader.install_id().unwrap(),
    )
}

fn restored(copy: &Path, garden: &Garden) -> (tempfile::TempDir, Store) {
    let dir = tempfile::tempdir().unwrap();
    Store::bring_back(copy, dir.path(), JULY_MS, true).unwrap();
    let store = open(dir.path(), garden);
    (dir, store)
}

#[test]
fn each_night_takes_only_what_is_new_and_all_of_it_comes_back() {
    let (dir, place) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let garden = two_probes();
    let copy = place.path().join("hill.db");
    let mut store = open(dir.path(), &garden);
    let mut hour = 0;
    for night in 0..4 {
        for _ in 0..24 {
            store.commit(&hour_of(hour)).unwrap();
            hour += 1;
        }
        // Late and doubted ones of a day that was copied, one into an hour that has readings, one into an empty one.
        let late = Reading { arrived_ms: JULY_MS + DAY_MS * 9, ..reading(0, JULY_MS + 61_500 + night, 0.31) };
        let doubted = Reading { doubt: Some(Doubt::Step), ..reading(1, JULY_MS + 62_500 + night, 0.9) };
        let early = reading(1, JULY_MS - 5 * DAY_MS + night, 0.2);
        store.commit(&hourly(vec![late, doubted, early])).unwrap();
        store.mark_accepted(night as u32 + 1, JULY_MS).unwrap();
        // What is not sealed yet goes along.
        store.commit(&of(vec![reading(0, JULY_MS + hour * HOUR_MS + 30_000, 0.25)])).unwrap();
        let rows = Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap();
        assert_eq!(rows.is_none(), night == 0, "whole the first time");
        // 2880 readings a day; hours, letters, days, lines and the state stand beside them.
        if let Some(rows) = rows {
            assert!((2880..3400).contains(&rows), "{rows} rows");
        }
        let (_held, again) = restored(&copy, &garden);
        assert_eq!(all(&again, &garden), all(&store, &garden), "night {night}");
        store.commit(&hourly(vec![])).unwrap();
    }
    let before = std::fs::metadata(&copy).unwrap().modified().unwrap();
    Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap();
    let rows = Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap();
    assert_eq!(rows, Some(0), "nothing new, nothing written");
    assert!(before <= std::fs::metadata(&copy).unwrap().modified().unwrap());
}

#[test]
fn a_damaged_copy_a_strange_one_and_one_of_an_earlier_life_are_never_gone_on_with() {
    let (dir, place) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let garden = two_probes();
    let copy = place.path().join("hill.db");
    let mut store = open(dir.path(), &garden);
    (0..30).for_each(|hour| drop(store.commit(&hour_of(hour)).unwrap()));
    Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap();

    // Damaged: kept under another name, and a whole one made.
    let whole = std::fs::read(&copy).unwrap();
    let mut torn = whole.clone();
    torn[4096..].fill(0x5a);
    std::fs::write(&copy, &torn).unwrap();
    assert_eq!(Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap(), None);
    assert_eq!(all(&restored(&copy, &garden).1, &garden), all(&store, &garden));
    assert_eq!(std::fs::read_dir(place.path()).unwrap().count(), 2);

    // Brought back: numbers go another way from then on.
    drop(store);
    Store::bring_back(&copy, dir.path(), JULY_MS + 1000, true).unwrap();
    let mut store = open(dir.path(), &garden);
    store.commit(&hour_of(30)).unwrap();
    assert_eq!(Store::bring_copy_up(dir.path(), &copy, JULY_MS + 2000).unwrap(), None);
    assert_eq!(all(&restored(&copy, &garden).1, &garden), all(&store, &garden));

    // Another program's file is left alone.
    std::fs::remove_file(&copy).unwrap();
    rusqlite::Connection::open(&copy).unwrap().execute_batch("CREATE TABLE song(title TEXT)").unwrap();
    let before = std::fs::read(&copy).unwrap();
    let error = Store::bring_copy_up(dir.path(), &copy, JULY_MS).unwrap_err();
    assert!(matches!(error, StoreError::Foreign { .. }), "{error}");
    assert_eq!(std::fs::read(&copy).unwrap(), before);
    // No disk there: said, and nothing made in its place.
    let error = Store::bring_copy_up(dir.path(), &place.path().join("gone/hill.db"), JULY_MS).unwrap_err();
    assert!(matches!(error, StoreError::NotWritable { .. }), "{error}");
}

#[test]
fn in_as_many_nights_as_there_are_series_months_a_wrong_hour_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    for day in 0..70 {
        store.commit(&hour_of(day * 24)).unwrap();
    }
    // 70 days from 1 July reach into September: three months of two series.
    let nights: Vec<NaiveDate> = date("2027-09-10").iter_days().take(6).collect();
    let found = |store: &Store| -> Vec<String> {
        nights.iter().filter_map(|night| store.reader().recount(*night).unwrap()).collect()
    };
    assert_eq!(found(&store), Vec::<String>::new());
    let other = rusqlite::Connection::open(dir.path().join(FILE_NAME)).unwrap();
    let wrong = other
        .execute("UPDATE hour SET sum = sum + 1 WHERE series = 2 AND start_ms = ?1", [JULY_MS + 40 * DAY_MS])
        .unwrap();
    assert_eq!(wrong, 1);
    let words = found(&store);
    assert_eq!(words.len(), 1, "{words:?}");
    assert!(words[0].contains("long-warmth: 1 hours from 2027-08-10"), "{words:?}");
}

#[test]
fn thinning_takes_single_readings_and_nothing_that_follows_from_them() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    (0..24 * 20).for_each(|hour| drop(store.commit(&hour_of(hour)).unwrap()));
    let sums = |store: &Store| {
        let reader = store.reader();
        let of = |probe| {
            let series = reader.series_of(probe).unwrap().unwrap();
            (
                reader.hours(&series, 0, i64::MAX).unwrap(),
                reader.days(&series, date("2027-01-01"), date("2027-12-31")).unwrap(),
            )
        };
        let each: Vec<_> = garden.probes.iter().map(of).collect();
        (
            each,
            reader.bed_days(None, date("2027-01-01"), date("2027-12-31")).unwrap(),
            reader.counts().unwrap().letters_waiting,
        )
    };
    let before = sums(&store);
    let last = raw(&store, &garden, 0).len();
    let border_ms = JULY_MS + 15 * DAY_MS;
    let gone = store.thin(border_ms + 7 * HOUR_MS, usize::MAX).unwrap();
    assert_eq!(gone, 2 * 15 * 1440, "whole days, both probes");
    assert_eq!(sums(&store), before);
    assert_eq!(raw(&store, &garden, 0).len(), last - 15 * 1440);
    assert_eq!(raw(&store, &garden, 0)[0].at_ms, border_ms);
    assert_eq!(store.thin(border_ms, usize::MAX).unwrap(), 0);

    // What comes a second time is not summed a second time, also after a start.
    for _ in 0..2 {
        let again = store.commit(&hourly(hour_of(3).readings)).unwrap();
        assert_eq!((again.fresh, again.refused.len()), (0, 120));
        assert_eq!(sums(&store), before);
        drop(store);
        store = open(dir.path(), &garden);
    }
    // The recount passes over what is thinned.
    for night in date("2027-08-01").iter_days().take(2) {
        assert_eq!(store.reader().recount(night).unwrap(), None);
    }
    // Pages are reused: as many days again fit into the file as it stands.
    let size = |store: &Store| {
        drop(rusqlite::Connection::open(dir.path().join(FILE_NAME)).unwrap().query_row(
            "PRAGMA wal_checkpoint(TRUNCATE)",
            [],
            |_| Ok(()),
        ));
        std::fs::metadata(store.reader().path()).unwrap().len()
    };
    let full = size(&store);
    let readings = |hour: i64| hourly(hour_of(hour).readings);
    (24 * 20..24 * 33).for_each(|hour| drop(store.commit(&readings(hour)).unwrap()));
    assert!(size(&store) <= full + full / 20, "{} was {full}", size(&store));
}

/// A page that goes bad under the open store is met in words, and the next start begins anew, also where what a
/// start reads is sound.
#[test]
fn a_page_gone_bad_under_the_open_store_is_said_and_rescued_at_the_next_start() {
    let garden = two_probes();
    let begin = || {
        let dir = tempfile::tempdir().unwrap();
        let mut store = open(dir.path(), &garden);
        (0..24 * 3).for_each(|hour| drop(store.commit(&hour_of(hour)).unwrap()));
        drop(store);
        dir
    };
    let pages = std::fs::metadata(begin().path().join(FILE_NAME)).unwrap().len() / 4096;
    let (mut met, mut anew) = (0, 0);
    for page in (1..pages).step_by(3) {
        let dir = begin();
        let mut store = open(dir.path(), &garden);
        let file = std::fs::File::options().write(true).open(dir.path().join(FILE_NAME)).unwrap();
        file.write_all_at(&[0x5a; 4096], page * 4096).unwrap();
        let mut marked = false;
        for hour in 24 * 3..24 * 3 + 3 {
            match store.commit(&hour_of(hour)) {
                Err(StoreError::Damaged { words, .. }) => {
                    Store::mark_damaged(dir.path(), &words).unwrap();
                    marked = true;
                }
                Err(error) => panic!("page {page}: {error}"),
                Ok(_) => {}
            }
        }
        for night in date("2027-08-01").iter_days().take(2) {
            match store.reader().recount(night) {
                Err(StoreError::Damaged { words, .. }) => {
                    Store::mark_damaged(dir.path(), &words).unwrap();
                    marked = true;
                }
                Err(error) => panic!("page {page}: {error}"),
                Ok(_) => {}
            }
        }
        drop(store);
        met += usize::from(marked);
        let opened = Store::open_or_begin(dir.path(), &garden, JULY_MS, |store| store.saved());
        let (mut store, _, rescue) = opened.unwrap_or_else(|error| panic!("page {page}: {error}"));
        assert!(rescue.is_some() || !marked, "page {page}: met, and gone on with");
        anew += usize::from(rescue.is_some());
        store.commit(&hour_of(24 * 4)).unwrap();
        drop(store);
        let again = Store::open_or_begin(dir.path(), &garden, JULY_MS, |store| store.saved()).unwrap();
        assert!(again.2.is_none() || rescue.is_none(), "page {page}: once");
    }
    println!("{met} bad pages met while running, {anew} times begun anew");
    assert!(met >= 5 && anew >= met);
}

/// At most 21 bytes a reading at rest, hour and day records included: twelve probes a minute, a month here, a year with
/// `RINDWATCH_LONG`.
#[test]
fn a_reading_takes_at_most_21_bytes_at_rest() {
    let days = if std::env::var_os("RINDWATCH_LONG").is_some() { 365 } else { 30 };
    let kinds: Vec<(String, Quantity)> = (0..12)
        .map(|n| {
            let kinds = [
                Quantity::SoilMoisture,
                Quantity::SoilTemperature,
                Quantity::AirTemperature,
                Quantity::AirHumidity,
                Quantity::WindSpeed,
                Quantity::SolarRadiation,
            ];
            (format!("p{n}"), kinds[n % kinds.len()])
        })
        .collect();
    let named: Vec<(&str, Quantity)> = kinds.iter().map(|(name, kind)| (name.as_str(), *kind)).collect();
    let garden = garden(chrono_tz::Europe::Berlin, &named);
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &garden);
    rusqlite::Connection::open(dir.path().join(FILE_NAME)).unwrap();
    let mut count = 0;
    for hour in 0..days * 24 {
        let mut readings = Vec::with_capacity(720);
        for minute in 0..60 {
            for probe in 0..12u16 {
                // As nodes send: some milliseconds off the minute, a day's wave with a little unrest in it.
                let at_ms = JULY_MS
                    + hour * HOUR_MS
                    + minute * 60_000
                    + i64::from(probe) * 4_999
                    + (hour * 7 + minute * 13) % 997;
                let phase = (at_ms % DAY_MS) as f64 / DAY_MS as f64 * std::f64::consts::TAU;
                let unrest = ((at_ms / 1000 * 2_654_435_761) % 1000) as f64 / 1000.0;
                let value = match kinds[usize::from(probe)].1 {
                    Quantity::SoilMoisture => 0.27 + 0.01 * phase.sin() + 0.002 * unrest,
                    Quantity::AirHumidity => 65.0 - 20.0 * phase.sin() + unrest,
                    Quantity::SolarRadiation => 400.0 - 400.0 * phase.cos() + unrest,
                    Quantity::WindSpeed => 2.0 + unrest,
                    _ => 20.0 - 6.0 * phase.cos() + unrest / 5.0,
                };
                let value = garden.probes[usize::from(probe)].quantity.quantise(value);
                readings.push(Reading { value, ..reading(probe, at_ms, value) });
            }
        }
        count += readings.len();
        store.commit(&hourly(readings)).unwrap();
    }
    drop(store);
    let bytes = std::fs::metadata(dir.path().join(FILE_NAME)).unwrap().len() as f64 / count as f64;
    println!("{count} readings in {days} days: {bytes:.1} bytes each");
    assert!(bytes <= 21.0, "{bytes:.1} bytes a reading");
}
