//! Civil days: one record a bed and date, whatever the clock does; late readings re-derive their day.

use std::collections::BTreeMap;

use rindwatch::engine::{Event, HOURS_KEPT_MS};
use rindwatch::record::{DayRecord, MatterKey, Reading};

use super::sim::*;

fn in_zone(zone: &str, latitude: f64, longitude: f64) -> String {
    HEAD.replace("44.5", &latitude.to_string())
        .replace("-93.2", &longitude.to_string())
        .replace("America/Chicago", zone)
}

/// Days on which clocks are set (tz database): Berlin 23 and 25 h, Lord Howe by half an hour, Santiago over
/// midnight, Kathmandu never.
const CHANGES: [(&str, f64, f64, &str, f64); 7] = [
    ("Europe/Berlin", 52.5, 13.4, "2027-03-28", 23.0),
    ("Europe/Berlin", 52.5, 13.4, "2027-10-31", 25.0),
    ("Australia/Lord_Howe", -31.5, 159.1, "2027-10-03", 23.5),
    ("Australia/Lord_Howe", -31.5, 159.1, "2027-04-04", 24.5),
    ("America/Santiago", -33.4, -70.7, "2027-09-05", 23.0),
    ("America/Santiago", -33.4, -70.7, "2027-04-03", 25.0),
    ("Asia/Kathmandu", 27.7, 85.3, "2027-05-05", 24.0),
];

#[test]
fn every_day_is_closed_once_however_long_it_is() {
    for (zone, latitude, longitude, day, hours) in CHANGES {
        for step_ms in [10 * MINUTE, HOUR] {
            let head = in_zone(zone, latitude, longitude);
            let bed = BED.replace("planted = 2027-05-20", "");
            let probes = full().replace("form = \"increment\"", "form = \"counter\"");
            let middle = date(day);
            let first = middle - chrono::Days::new(3);
            let mut sim = Sim::new(garden(&[&head, &bed, &probes]), &first.to_string(), "12:00");
            sim.step_ms = step_ms;
            let start = sim.at(day, "12:00") - 12 * HOUR;
            sim.rain = vec![(start - DAY, start + 2 * DAY, 30.0)];
            sim.run_days(7);
            let mut records: BTreeMap<_, Vec<&DayRecord>> = BTreeMap::new();
            for record in sim.days() {
                records.entry(record.date).or_default().push(record);
            }
            let story = format!("{zone} {day} every {} min", step_ms / MINUTE);
            assert_eq!(records.len(), 7, "{story}");
            assert!(records.values().all(|all| all.len() == 1), "{story}");
            let closed = records[&middle][0];
            // Three days of steady rain: 10 mm in 24 h.
            let rain = closed.rain_mm.unwrap();
            assert!((rain - 30.0 / 72.0 * hours).abs() < 0.5, "{story}: {rain} mm");
            let total: f64 = records.values().filter_map(|all| all[0].rain_mm).sum();
            assert!((total - 30.0).abs() < 0.01, "{story}: {total} mm in all");
            for record in records.values().map(|all| all[0]) {
                let share = record.data_share.unwrap();
                assert!((0.0..=1.0).contains(&share), "{story}: {} holds {share} of its data", record.date);
            }
            assert!(closed.data_share.unwrap() > 0.99, "{story}: {:?}", closed.data_share);
            assert!((closed.air_max_c.unwrap() - 26.0).abs() < 0.2, "{story}");
            assert!((closed.air_min_c.unwrap() - 14.0).abs() < 0.2, "{story}");
        }
    }
}

#[test]
fn calls_come_once_a_day_even_when_the_clock_is_set() {
    for (zone, latitude, longitude, day, _) in CHANGES {
        let head = in_zone(zone, latitude, longitude);
        let bed = BED.replace("planted = 2027-05-20", "");
        let first = date(day) - chrono::Days::new(2);
        let mut sim = Sim::new(garden(&[&head, &bed, &full()]), &first.to_string(), "00:00");
        sim.step_ms = HOUR;
        // Hot days and cold nights: a shade call each morning, a cover call each afternoon.
        sim.sky = Sky { low_c: -1.0, high_c: 38.0, use_mm: 1.0 };
        sim.run_days(5);
        for (key, time) in [(MatterKey::Shade, "06:15"), (MatterKey::Cover, "16:00")] {
            let told = sim.told_at(key);
            // The first nights teach how far the air falls here.
            let last: Vec<&String> = told.iter().rev().take(3).rev().collect();
            let expected: Vec<String> = (2..5)
                .map(|after| {
                    (first + chrono::Days::new(after)).format(&format!("%m-%d {time} First")).to_string()
                })
                .collect();
            assert_eq!(last, expected.iter().collect::<Vec<_>>(), "{zone} {key}");
        }
    }
}

/// Hands in readings of `name` over a span, all arriving at `now`.
fn deliver_late(sim: &mut Sim, name: &str, readings: &[(i64, f64)]) {
    let ix = sim.ix(name);
    for (at_ms, value) in readings {
        let arrived_ms = sim.now_ms;
        let like = sim.reading(ix, *at_ms);
        sim.handle(Event::Reading(Reading { value: *value, arrived_ms, ..like }));
    }
}

#[test]
fn an_hour_that_comes_two_days_late_derives_its_day_anew() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-05", "10:00");
    let before = sim.days().len();
    let at_ms = sim.at("2027-07-03", "15:00");
    deliver_late(&mut sim, "air", &[(at_ms + MINUTE, 31.0), (at_ms + 2 * MINUTE, 31.5)]);
    sim.run_to("2027-07-05", "11:00");
    let new: Vec<&DayRecord> = sim.days()[before..].to_vec();
    assert!(!new.is_empty());
    assert!(new.iter().all(|record| record.corrected && record.date >= date("2027-07-03")));
    assert_eq!(new[0].date, date("2027-07-03"));
    assert_eq!(new[0].air_max_c, Some(31.5));
    // A reading of sixteen days ago changes nothing.
    let count = sim.days().len();
    sim.run_to("2027-07-20", "10:00");
    let closed = sim.days().len();
    let long_ago = sim.now_ms - HOURS_KEPT_MS - DAY;
    deliver_late(&mut sim, "air", &[(long_ago, 40.0)]);
    sim.run_to("2027-07-20", "12:00");
    assert_eq!(sim.days().len(), closed);
    assert_eq!(closed - count, 15);
}

/// A node kept its readings for two days, then sent them. While it was silent the probe counted as missing,
/// and its past days were derived anew without it: the late readings were in the hours and not in the book.
#[test]
fn late_soil_readings_of_a_silent_probe_reach_the_book() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-04", "12:00");
    sim.silent = vec!["wet".into()];
    let ix = sim.ix("wet");
    let mut kept = Vec::new();
    for _ in 0..48 {
        sim.run_until(sim.now_ms + HOUR);
        kept.push((sim.now_ms, sim.value(ix, sim.now_ms)));
    }
    let last = |sim: &Sim, day: &str| -> DayRecord {
        (*sim.days().iter().rfind(|record| record.date == date(day)).unwrap()).clone()
    };
    let blind = last(&sim, "2027-07-05");
    assert!(blind.guessed.contains(&rindwatch::record::Guess::Soil));
    deliver_late(&mut sim, "wet", &kept);
    sim.run_until(sim.now_ms + 10 * MINUTE);
    let seen = last(&sim, "2027-07-05");
    assert!(seen.corrected && !seen.guessed.contains(&rindwatch::record::Guess::Soil), "{seen:?}");
    assert!(seen.depletion_sd_mm < blind.depletion_sd_mm);
}

/// A node that had been running before brought readings from before the record began. The days made of
/// them were filed behind today's, and the forecasts took the oldest day for yesterday.
#[test]
fn readings_from_before_the_beginning_are_not_yesterday() {
    let run = |early: bool| {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-10", "00:00");
        sim.sky = Sky { high_c: 33.0, ..HOT };
        sim.run_to("2027-07-13", "04:00");
        if early {
            let from = sim.at("2027-07-09", "00:00");
            let hours: Vec<_> = (0..24).map(|hour| (from + hour * HOUR + MINUTE, 12.0)).collect();
            deliver_late(&mut sim, "air", &hours);
        }
        sim.run_to("2027-07-13", "12:00");
        let told = sim.told(MatterKey::Shade);
        told.into_iter().map(|(at_ms, _, task)| (at_ms, task.content.clone())).collect::<Vec<_>>()
    };
    let without = run(false);
    assert_eq!(without.len(), 4, "{without:?}");
    assert_eq!(run(true), without);
}

#[test]
fn while_the_clock_is_not_trusted_nothing_is_closed_or_told() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.sky = HOT;
    sim.trust(false);
    sim.run_days(4);
    assert_eq!(sim.log.len(), 0, "{:?}", sim.log.first());
    sim.trust(true);
    sim.run_days(4);
    assert_eq!(sim.days().len(), 3, "{:?}", sim.days().iter().map(|day| day.date).collect::<Vec<_>>());
    assert!(!sim.told(MatterKey::Water).is_empty());
}
