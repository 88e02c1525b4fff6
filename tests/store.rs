//! The store against real files: what was acknowledged stays, once, and every fault says what to do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "store/any_order.rs"]
mod any_order;
#[path = "store/faults.rs"]
mod faults;
#[path = "store/keeping.rs"]
mod keeping;
#[path = "store/nights.rs"]
mod nights;
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
    Reading {
        probe: ProbeIx(probe),
        at_ms,
        arrived_ms: at_ms.saturating_add(500),
        value,
        own_time: true,
        doubt: None,
    }
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
        draft: None,
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
    let line = BookLine {
        happened_ms: JULY_MS,
        entered_ms: JULY_MS + 9,
        words: "watered long 6 cans".into(),
        ..BookLine::default()
    };
    let doubted = Reading { doubt: Some(Doubt::Step), ..reading(0, JULY_MS + 1, 0.5) };
    let batch = Batch {
        now_ms: JULY_MS,
        readings: vec![reading(0, JULY_MS, 0.3021), doubted, reading(1, JULY_MS, -3.25)],
        refusals: vec![refusal.clone()],
        days: vec![day("2027-06-30", "long")],
        late: Vec::new(),
        matters: vec![change(JULY_MS)],
        letters: vec![letter(1)],
        entries: vec![line.clone()],
        struck: Vec::new(),
        state: Some(SavedState { core: "{}".into(), hours: vec![(JULY_MS, "[1]".into())] }),
        timeless: Vec::new(),
        released: Vec::new(),
        sifted: rindwatch::store::Sifted::default(),
        fates: Vec::new(),
        clock: Some("boot 1 2".into()),
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
    assert_eq!(reader.clock_note().unwrap(), batch.clock);
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

#[test]
fn what_cannot_be_kept_is_refused_with_words_and_the_rest_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    let bad = [
        reading(0, JULY_MS, f64::NAN),
        reading(0, JULY_MS, f64::INFINITY),
        reading(0, JULY_MS, 1e300),
        reading(0, i64::MAX, 0.3),
        reading(0, i64::MIN, 0.3),
    ];
    let mut readings = bad.to_vec();
    readings.push(reading(0, JULY_MS, 0.3));
    let done = store.commit(&hourly(readings)).unwrap();
    assert_eq!((done.fresh, done.refused, done.sealed), (1, vec![0, 1, 2, 3, 4], 1));
    let kept = raw(&store, &garden, 0);
    assert_eq!(kept.iter().map(|kept| kept.value).collect::<Vec<_>>(), [0.3]);
    assert_eq!(store.reader().refusals(10).unwrap().len(), bad.len());
}

#[test]
fn the_latest_thousand_refusals_are_kept() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    let refusal = |n: i64| Refusal {
        arrived_ms: n,
        topic: "hill/x".into(),
        payload: String::new(),
        probe: None,
        reason: "empty".into(),
    };
    for at in 0..3 {
        let refusals = (at * 700..(at + 1) * 700).map(refusal).collect();
        store.commit(&Batch { refusals, ..Batch::default() }).unwrap();
    }
    let kept = store.reader().refusals(u32::MAX).unwrap();
    assert_eq!((kept.len(), kept[0].arrived_ms, kept[999].arrived_ms), (1000, 2099, 1100));
    assert_eq!(store.reader().counts().unwrap().refusals, 1000);
}

#[test]
fn a_letter_waits_until_its_fate_is_known() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    store.commit(&Batch { letters: vec![letter(1), letter(2), letter(3)], ..Batch::default() }).unwrap();
    store.mark_accepted(1, JULY_MS + 1).unwrap();
    store.mark_refused(2, JULY_MS + 2, "550 no such box").unwrap();
    store.mark_refused(1, JULY_MS + 3, "too late to take an acceptance back").unwrap();
    drop(store);

    let store = open(dir.path(), &garden);
    let reader = store.reader();
    assert_eq!(reader.letters_waiting().unwrap(), [letter(3)]);
    let fates: Vec<Fate> = reader.recent_letters(10).unwrap().into_iter().map(|kept| kept.fate).collect();
    assert_eq!(
        fates,
        [Fate::Waiting, Fate::Refused(JULY_MS + 2, "550 no such box".into()), Fate::Accepted(JULY_MS + 1)]
    );
    assert_eq!(reader.letter(2).unwrap(), Some(letter(2)));
    assert_eq!(reader.letter(9).unwrap(), None);
    assert_eq!(reader.last_letter_number().unwrap(), 3);
}

#[test]
fn a_day_closed_again_takes_the_place_of_the_first() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    let corrected = DayRecord { corrected: true, rain_mm: None, ..day("2027-07-01", "long") };
    for days in [vec![day("2027-07-01", "long"), day("2027-07-02", "short")], vec![corrected.clone()]] {
        store.commit(&Batch { days, ..Batch::default() }).unwrap();
    }
    let all = store.reader().bed_days(None, date("2027-07-01"), date("2027-07-02")).unwrap();
    assert_eq!(all, [corrected.clone(), day("2027-07-02", "short")]);
    let one = store.reader().bed_days(Some("long"), date("2027-07-01"), date("2027-07-02")).unwrap();
    assert_eq!(one, [corrected]);
}

/// Readings of twenty days ago move no book, but whoever reads the day sees that something came after it.
#[test]
fn a_day_that_readings_came_too_late_for_is_marked_and_keeps_its_values() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    let days = vec![day("2027-07-01", "long"), day("2027-07-01", "short")];
    store.commit(&Batch { days, ..Batch::default() }).unwrap();
    let late = |date_of: &str, bed: Option<&str>| LateDay {
        date: date(date_of),
        bed: bed.map(str::to_owned),
        at_ms: JULY_MS,
    };
    let late = vec![late("2027-07-01", Some("short")), late("2027-06-01", None)];
    store.commit(&Batch { late, ..Batch::default() }).unwrap();
    let all = store.reader().bed_days(None, date("2027-06-01"), date("2027-07-02")).unwrap();
    let marked = DayRecord { corrected: true, corrected_ms: Some(JULY_MS), ..day("2027-07-01", "short") };
    assert_eq!(all, [day("2027-07-01", "long"), marked]);
}

#[test]
fn hours_of_the_engine_older_than_fifteen_days_go() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = open(dir.path(), &two_probes());
    let save = |now_ms, hours: &[Millis]| Batch {
        now_ms,
        state: Some(SavedState {
            core: format!("at {now_ms}"),
            hours: hours.iter().map(|hour| (*hour, format!("{now_ms}"))).collect(),
        }),
        ..Batch::default()
    };
    store.commit(&save(JULY_MS, &[JULY_MS - HOUR_MS, JULY_MS])).unwrap();
    store.commit(&save(JULY_MS + HOURS_KEPT_MS, &[JULY_MS, JULY_MS + HOURS_KEPT_MS])).unwrap();
    let state = store.saved().unwrap().unwrap().state;
    let now = (JULY_MS + HOURS_KEPT_MS).to_string();
    assert_eq!(state.core, format!("at {now}"));
    assert_eq!(state.hours, [(JULY_MS, now.clone()), (JULY_MS + HOURS_KEPT_MS, now)]);
}

#[test]
fn a_probe_that_measures_something_else_begins_a_new_series() {
    let dir = tempfile::tempdir().unwrap();
    let counts = garden(chrono_tz::UTC, &[("long-upper", Quantity::SoilCounts)]);
    let water = garden(chrono_tz::UTC, &[("long-upper", Quantity::SoilMoisture)]);
    open(dir.path(), &counts).commit(&hourly(vec![reading(0, JULY_MS, 612.0)])).unwrap();
    let mut store = open(dir.path(), &water);
    assert_eq!(store.value_at(ProbeIx(0), JULY_MS).unwrap(), None);
    store.commit(&of(vec![reading(0, JULY_MS, 0.25)])).unwrap();
    assert_eq!(raw(&store, &counts, 0)[0].value, 612.0);
    assert_eq!(raw(&store, &water, 0)[0].value, 0.25);
    let last = store.reader().last_readings().unwrap();
    assert_eq!(last.iter().map(|last| last.reading.value).collect::<Vec<_>>(), [612.0, 0.25]);
    assert_eq!(last[0].series.quantity, Some(Quantity::SoilCounts));
}

// ---- Sealing ------------------------------------------------------------------------------------------

/// Summer time in the Union ends on the last Sunday of October at 01:00 UTC and begins on the last Sunday
/// of March at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3): in Berlin 2027-10-31 lasts from
/// 30 October 22:00 to 31 October 23:00 UTC, 2027-03-28 from 27 March 23:00 to 28 March 22:00 UTC.
#[test]
fn days_of_23_and_25_hours_are_summed_by_the_civil_date() {
    let at = |text: &str| chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis();
    let cases = [
        ("2027-10-31", at("2027-10-30T22:00:00Z"), at("2027-10-31T23:00:00Z"), 25 * 60),
        ("2027-03-28", at("2027-03-27T23:00:00Z"), at("2027-03-28T22:00:00Z"), 23 * 60),
    ];
    for (civil, begins_ms, ends_ms, minutes) in cases {
        let dir = tempfile::tempdir().unwrap();
        let garden = two_probes();
        let mut store = open(dir.path(), &garden);
        // Ten minutes before, the day, ten minutes after; the value says which.
        let times = (begins_ms - 600_000..ends_ms + 600_000).step_by(60_000);
        let readings = times
            .map(|ms| {
                let value = if ms < begins_ms { 1.0 } else { 2.0 } + if ms < ends_ms { 0.0 } else { 1.0 };
                reading(1, ms, value)
            })
            .collect();
        store.commit(&hourly(readings)).unwrap();
        let series = store.reader().series_of(&garden.probes[1]).unwrap().unwrap();
        let found = store.reader().days(&series, date(civil), date(civil)).unwrap();
        assert_eq!(found, [DaySum { date: date(civil), n: minutes, min: 2.0, max: 2.0, mean: 2.0 }]);
        let around = store.reader().days(&series, date("2027-01-01"), date("2027-12-31")).unwrap();
        assert_eq!(around.iter().map(|day| (day.n, day.mean)).collect::<Vec<_>>()[0], (10, 1.0));
        assert_eq!(around.len(), 3);
        let hours = store.reader().hours(&series, begins_ms, ends_ms).unwrap();
        assert_eq!(hours.len() as u64 * 60, minutes);
    }
}

/// Without the saved state's knowledge a reading stays in the inbox: after a kill it must be played again.
#[test]
fn only_what_the_saved_state_knows_is_sealed() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    let seal = Batch { seal: true, ..Batch::default() };
    store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
    assert_eq!(store.commit(&seal).unwrap().sealed, 0, "nothing was ever saved");
    store.commit(&Batch { state: Some(SavedState::default()), ..Batch::default() }).unwrap();
    store.commit(&of(vec![reading(0, JULY_MS + 1, 0.3)])).unwrap();
    assert_eq!(store.commit(&seal).unwrap().sealed, 1);
    let counts = store.reader().counts().unwrap();
    assert_eq!((counts.inbox, counts.believed, counts.readings()), (1, 1, 2));
    drop(store);
    let store = open(dir.path(), &garden);
    let through = store.saved().unwrap().unwrap().through_seq;
    let again = store.inbox_in_arrival_order().unwrap();
    assert_eq!(again.iter().filter(|arrived| arrived.seq > through).count(), 1);
    assert_eq!(again[0].reading.at_ms, JULY_MS + 1);
}

#[test]
fn doubt_and_lateness_stay_with_a_sealed_reading() {
    let dir = tempfile::tempdir().unwrap();
    let garden = two_probes();
    let mut store = open(dir.path(), &garden);
    let late = Reading { arrived_ms: JULY_MS + HOUR_MS, ..reading(0, JULY_MS, 0.3) };
    let doubted = Reading { doubt: Some(Doubt::Sentinel), ..reading(0, JULY_MS + 1, 0.6) };
    let good = reading(0, JULY_MS + 2, 0.31);
    store.commit(&hourly(vec![late, doubted, good])).unwrap();
    let kept = |at_ms, value, doubt, arrived_ms| Kept { at_ms, value, doubt, arrived_ms };
    assert_eq!(
        raw(&store, &garden, 0),
        [
            kept(JULY_MS, 0.3, None, Some(JULY_MS + HOUR_MS)),
            kept(JULY_MS + 1, 0.6, Some(Doubt::Sentinel), Some(JULY_MS + 501)),
            kept(JULY_MS + 2, 0.31, None, None)
        ]
    );
    let series = store.reader().series_of(&garden.probes[0]).unwrap().unwrap();
    let hour = store.reader().hours(&series, JULY_MS, JULY_MS + 1).unwrap()[0];
    assert_eq!((hour.n, hour.max), (2, 0.31), "a doubted reading is used for nothing");
}

/// The budget of the card rests on this figure.
#[test]
fn a_reading_takes_at_most_twenty_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let names: Vec<String> = (0..12).map(|n| format!("probe-{n}")).collect();
    let probes: Vec<(&str, Quantity)> =
        names.iter().map(|name| (name.as_str(), Quantity::SoilTemperature)).collect();
    let garden = garden(chrono_tz::Europe::Berlin, &probes);
    let mut store = open(dir.path(), &garden);
    let mut kept = 0;
    for hour in 0..280 {
        let readings: Vec<Reading> = (0..60 * 12)
            .map(|n| {
                let minute = hour * 60 + n / 12;
                // Nodes report some milliseconds apart, as they do.
                reading(
                    (n % 12) as u16,
                    JULY_MS + minute * 60_000 + n % 12 * 137,
                    15.0 + (minute % 997) as f64 / 100.0,
                )
            })
            .collect();
        kept += store.commit(&hourly(readings)).unwrap().sealed;
    }
    assert_eq!((kept, store.reader().counts().unwrap().readings()), (201_600, 201_600));
    drop(store);
    let bytes = std::fs::metadata(dir.path().join(FILE_NAME)).unwrap().len();
    let each = bytes as f64 / kept as f64;
    println!("{each:.2} bytes a reading, hour and day sums included");
    assert!(each <= 20.0, "{each:.2} bytes a reading");
}
