//! The store against a small model: readings, saves, sealings and restarts in any order.

use std::collections::BTreeMap;

use proptest::collection::vec;
use proptest::prelude::*;

use super::*;

/// Begins half an hour before Berlin's midnight of 2027-10-31, a day of 25 hours.
const START_MS: Millis = 1_824_931_800_000;
const STEP_MS: Millis = 1_200_000;

#[derive(Debug, Clone)]
enum Deed {
    /// Readings as (probe, time, value, doubted).
    Commit(Vec<(u16, i64, i64, bool)>),
    /// The state is kept with the readings; the hour may be over.
    Save(Vec<(u16, i64, i64, bool)>, bool),
    Restart,
}

/// Few times and few values, so that the same key comes often.
fn some_readings() -> impl Strategy<Value = Vec<(u16, i64, i64, bool)>> {
    vec((0..2u16, 0..90i64, 0..3i64, proptest::bool::weighted(0.2)), 0..12)
}

fn some_deeds() -> impl Strategy<Value = Vec<Deed>> {
    let deed = prop_oneof![
        4 => some_readings().prop_map(Deed::Commit),
        3 => (some_readings(), any::<bool>()).prop_map(|(readings, seal)| Deed::Save(readings, seal)),
        1 => Just(Deed::Restart),
    ];
    vec(deed, 1..25)
}

/// What the store must hold.
#[derive(Debug, Default)]
struct Model {
    kept: BTreeMap<(u16, Millis), Reading>,
    inbox: Vec<Reading>,
    /// Readings of the inbox that the saved state does not know.
    unknown: usize,
    saved: bool,
}

impl Model {
    fn commit(&mut self, readings: &[Reading]) -> Committed {
        let mut done = Committed::default();
        for (at, reading) in readings.iter().enumerate() {
            match self.kept.get(&(reading.probe.0, reading.at_ms)) {
                Some(kept) if kept.value == reading.value => done.duplicates += 1,
                Some(_) => done.refused.push(at),
                None => {
                    self.kept.insert((reading.probe.0, reading.at_ms), *reading);
                    self.inbox.push(*reading);
                    self.unknown += 1;
                    done.fresh += 1;
                }
            }
        }
        done
    }

    fn save(&mut self, seal: bool, done: &mut Committed) {
        self.unknown = 0;
        self.saved = true;
        if seal {
            done.sealed = self.inbox.len();
            self.inbox.clear();
        }
    }

    /// Believed sealed readings of a probe by `key`: count, least, greatest, sum of tenths.
    fn sums<K: Ord>(&self, probe: u16, key: impl Fn(Millis) -> K) -> BTreeMap<K, (u64, f64, f64, i64)> {
        let mut sums = BTreeMap::new();
        let sealed = self.kept.values().filter(|reading| reading.probe.0 == probe && reading.doubt.is_none());
        for reading in sealed.filter(|reading| !self.inbox.contains(reading)) {
            let value = reading.value;
            sums.entry(key(reading.at_ms))
                .and_modify(|(n, min, max, sum): &mut (u64, f64, f64, i64)| {
                    (*n, *min, *max) = (*n + 1, min.min(value), max.max(value));
                    *sum += tenths(value);
                })
                .or_insert((1, value, value, tenths(value)));
        }
        sums
    }
}

fn tenths(value: f64) -> i64 {
    (value * 10.0).round() as i64
}

fn made(rows: &[(u16, i64, i64, bool)]) -> Vec<Reading> {
    rows.iter()
        .map(|(probe, time, value, doubted)| Reading {
            doubt: doubted.then_some(Doubt::Step),
            ..reading(*probe, START_MS + time * STEP_MS, *value as f64 / 10.0)
        })
        .collect()
}

fn equal(store: &Store, garden: &Garden, model: &Model) {
    let arrived = store.inbox_in_arrival_order().unwrap();
    assert_eq!(arrived.iter().map(|arrived| arrived.reading).collect::<Vec<_>>(), model.inbox);
    let saved = store.saved().unwrap();
    assert_eq!(saved.is_some(), model.saved);
    let through = saved.map_or(0, |saved| saved.through_seq);
    assert_eq!(arrived.iter().filter(|arrived| arrived.seq > through).count(), model.unknown);

    let counts = store.reader().counts().unwrap();
    let doubted = |reading: &&Reading| reading.doubt.is_some();
    assert_eq!(counts.readings() as usize, model.kept.len());
    assert_eq!(
        counts.doubted as usize,
        model.kept.values().filter(doubted).count() - model.inbox.iter().filter(doubted).count()
    );
    for probe in 0..2u16 {
        let series = store.reader().series_of(&garden.probes[usize::from(probe)]).unwrap().unwrap();
        let kept: Vec<_> = raw(store, garden, probe.into());
        let found: Vec<_> = kept.iter().map(|kept| (kept.at_ms, kept.value, kept.doubt)).collect();
        let wanted: Vec<_> = model
            .kept
            .values()
            .filter(|reading| reading.probe.0 == probe)
            .map(|reading| (reading.at_ms, reading.value, reading.doubt))
            .collect();
        assert_eq!(found, wanted);

        let hours = store.reader().hours(&series, 0, i64::MAX).unwrap();
        let hours = hours
            .into_iter()
            .map(|hour| (hour.start_ms, (hour.n, hour.min, hour.max, tenths(hour.mean * hour.n as f64))))
            .collect();
        assert_eq!(model.sums(probe, |at_ms| at_ms - at_ms % HOUR_MS), hours);
        let days = store.reader().days(&series, date("2027-01-01"), date("2027-12-31")).unwrap();
        let days = days
            .into_iter()
            .map(|day| (day.date.to_string(), (day.n, day.min, day.max, tenths(day.mean * day.n as f64))))
            .collect();
        assert_eq!(model.sums(probe, berlin_date), days);
    }
}

/// Berlin's date by hand: midnights of 31 October and 1 November 2027, see the directive in `store.rs`.
fn berlin_date(at_ms: Millis) -> String {
    let begins_ms = START_MS + HOUR_MS / 2;
    let place = match at_ms {
        ms if ms < begins_ms => "2027-10-30",
        ms if ms < begins_ms + 25 * HOUR_MS => "2027-10-31",
        _ => "2027-11-01",
    };
    place.to_owned()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn counts_and_sums_are_exact_whatever_the_order(deeds in some_deeds()) {
        let dir = tempfile::tempdir().unwrap();
        let garden = two_probes();
        let mut store = open(dir.path(), &garden);
        let mut model = Model::default();
        for deed in deeds {
            match deed {
                Deed::Commit(rows) => {
                    let readings = made(&rows);
                    let wanted = model.commit(&readings);
                    prop_assert_eq!(store.commit(&of(readings)).unwrap(), wanted);
                }
                Deed::Save(rows, seal) => {
                    let readings = made(&rows);
                    let mut wanted = model.commit(&readings);
                    model.save(seal, &mut wanted);
                    let batch = Batch { seal, ..hourly(readings) };
                    prop_assert_eq!(store.commit(&batch).unwrap(), wanted);
                }
                Deed::Restart => {
                    drop(store);
                    store = open(dir.path(), &garden);
                }
            }
            equal(&store, &garden, &model);
        }
    }
}
