//! The store against real files: what was acknowledged stays, once, and every fault says what to do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "support/garden.rs"]
mod support;

use std::path::Path;

use chrono::NaiveDate;
use rindwatch::quantities::Quantity;
use rindwatch::record::*;
use rindwatch::settings::garden::Garden;
use rindwatch::store::*;
use support::garden;

const HOUR_MS: Millis = 3_600_000;
/// 2027-07-01 00:00 UTC.
const JULY_MS: Millis = 1_814_400_000_000;

fn two_probes() -> Garden {
    garden(
        chrono_tz::Europe::Berlin,
        &[("long-upper", Quantity::SoilMoisture), ("long-warmth", Quantity::SoilTemperature)],
    )
}

fn open(dir: &Path, garden: &Garden) -> Store {
    let mut store = Store::open(dir).unwrap();
    store.register(garden).unwrap();
    store
}

fn reading(probe: u16, at_ms: Millis, value: f64) -> Reading {
    Reading { probe: ProbeIx(probe), at_ms, arrived_ms: at_ms + 500, value, own_time: true, doubt: None }
}

fn of(readings: Vec<Reading>) -> Batch {
    Batch { readings, ..Batch::default() }
}

/// The hourly batch: the state, and the inbox sealed as far as the state knows it.
fn hourly(readings: Vec<Reading>) -> Batch {
    Batch { readings, state: Some(SavedState::default()), seal: true, ..Batch::default() }
}

fn raw(store: &Store, garden: &Garden, probe: usize) -> Vec<Kept> {
    let series = store.reader().series_of(&garden.probes[probe]).unwrap().unwrap();
    store.reader().raw(&series, i64::MIN, i64::MAX, u32::MAX).unwrap()
}

fn letter(number: u32) -> OutboxLetter {
    OutboxLetter {
        number,
        person: "grower".into(),
        address: "grower@example.org".into(),
        at_ms: JULY_MS,
        matters: vec![MatterKey::Water, MatterKey::Shade],
        subject: "Long bed: 6 cans".into(),
        eml: b"Subject: Long bed: 6 cans\r\n\r\n1. Long bed\r\n".to_vec(),
    }
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn day(date: &str, bed: &str) -> DayRecord {
    DayRecord {
        date: date.parse().unwrap(),
        bed: bed.into(),
        air_min_c: Some(0.1 + 0.2), // not representable in few digits: must come back bit for bit
        rain_mm: Some(0.0),
        et0_method: Some(Et0Method::HargreavesSoil),
        guessed: vec![Guess::Air, Guess::Sun],
        ..DayRecord::default()
    }
}

fn change(at_ms: Millis) -> MatterChange {
    MatterChange {
        at_ms,
        subject: "long".into(),
        matter: MatterKey::Water,
        urgency: Urgency::Today,
        from: Stand::Building,
        to: Stand::Standing,
        why: "0.31 of the held water used".into(),
        litres: Some(64.0),
        by_ms: Some(at_ms + HOUR_MS),
        person: Some("grower".into()),
    }
}

#[test]
fn everything_of_a_batch_comes_back_after_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let refusal = Refusal {
        arrived_ms: JULY_MS,
        topic: "hill/long-upper".into(),
        payload: r"\x00".into(),
        probe: None,
        reason: "wanted a number, found one byte 00".into(),
    };
    let line =
        BookLine { happened_ms: JULY_MS, entered_ms: JULY_MS + 9, words: "watered long 6 cans".into() };
    let doubted = Reading { doubt: Some(Doubt::Step), ..reading(0, JULY_MS + 1, 0.5) };
    let batch = Batch {
        now_ms: JULY_MS,
        readings: vec![reading(0, JULY_MS, 0.3021), doubted, reading(1, JULY_MS, -3.25)],
        refusals: vec![refusal.clone()],
        days: vec![day("2027-06-30", "long")],
        matters: vec![change(JULY_MS)],
        letters: vec![letter(1)],
        entries: vec![line.clone()],
        state: Some(SavedState { core: "{}".into(), hours: vec![(JULY_MS, "[1]".into())] }),
        seal: false,
    };
    let done = open(dir.path(), &garden).commit(&batch).unwrap();
    assert_eq!(done, Committed { fresh: 3, ..Committed::default() });

    let store = open(dir.path(), &garden);
    let reader = store.reader();
    let inbox: Vec<Reading> =
        store.inbox_in_arrival_order().unwrap().into_iter().map(|arrived| arrived.reading).collect();
    assert_eq!(inbox, batch.readings);
    assert_eq!(reader.refusals(10).unwrap(), [refusal]);
    assert_eq!(reader.bed_days(None, date("2027-01-01"), date("2027-12-31")).unwrap(), batch.days);
    assert_eq!(reader.matters(0, i64::MAX).unwrap(), batch.matters);
    assert_eq!(reader.letters_waiting().unwrap(), batch.letters);
    assert_eq!(reader.book(0, i64::MAX).unwrap(), [line]);
    let saved = store.saved().unwrap().unwrap();
    assert_eq!(Some(saved.state), batch.state);
    assert_eq!(saved.through_seq, store.inbox_in_arrival_order().unwrap()[2].seq);
    assert_eq!(reader.install_id().unwrap().len(), 32);
}

#[test]
fn the_first_value_for_a_time_stands_before_and_after_sealing() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    store.commit(&of(vec![reading(0, JULY_MS, 0.30)])).unwrap();
    for sealed in [false, true] {
        if sealed {
            assert_eq!(store.commit(&hourly(vec![])).unwrap().sealed, 2);
            drop(store);
            store = open(dir.path(), &garden);
        }
        let again = of(vec![reading(0, JULY_MS, 0.30), reading(0, JULY_MS, 0.31), reading(1, JULY_MS, 20.0)]);
        let done = store.commit(&again).unwrap();
        // The second probe's reading is new in the first round only.
        assert_eq!((done.fresh, done.duplicates), if sealed { (0, 2) } else { (1, 1) });
        assert_eq!(done.refused, [1]);
        assert_eq!(store.value_at(ProbeIx(0), JULY_MS).unwrap(), Some(0.30));
        assert_eq!(store.value_at(ProbeIx(0), JULY_MS + 1).unwrap(), None);
        assert_eq!(store.value_at(ProbeIx(0), JULY_MS - 1).unwrap(), None);
    }
    assert_eq!(raw(&store, &garden, 0).len(), 1);
    let refusals = store.reader().refusals(10).unwrap();
    assert_eq!(refusals.len(), 2);
    assert_eq!(refusals[0].probe.as_deref(), Some("long-upper"));
    assert!(refusals[0].reason.contains("0.3 was kept"), "{}", refusals[0].reason);
}
