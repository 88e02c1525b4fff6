//! What the probes of the measured season teach: full marks at three depths, and the swing of warmth.

use std::collections::BTreeMap;
use std::sync::Arc;

use agronomy::soil::{Wave, swing_per_c};
use chrono::{NaiveDate, Timelike};
use rindwatch::engine::{Engine, Event, Now, ProposalView};
use rindwatch::intake::{Intake, Taken};
use rindwatch::settings;

use super::prairie::{COLUMNS, Record, record};

/// Plays the record; every proposal that ever stood, by its number.
fn proposed(record: &Record) -> BTreeMap<u32, (NaiveDate, ProposalView)> {
    let text = include_str!("full.toml");
    let garden = Arc::new(settings::read_str("full.toml", text).unwrap_or_else(|wrong| panic!("{wrong}")));
    let mut intake = Intake::new(Arc::clone(&garden));
    let mut engine = Engine::new(garden);
    let mut taken = Taken::default();
    let mut all = BTreeMap::new();
    for (time, values) in &record.rows {
        let arrived_ms = time.timestamp_millis() + 5000;
        let now = Now { ms: arrived_ms, trusted: true };
        for (name, topic) in COLUMNS {
            let Some(value) = values.get(name) else { continue };
            let payload = format!(r#"{{"t":"{}","v":{value}}}"#, time.to_rfc3339());
            intake.take(topic, payload.as_bytes(), arrived_ms, false, &mut taken);
            for reading in &taken.readings {
                engine.handle(Event::Reading(*reading), now);
            }
        }
        engine.handle(Event::Turn, now);
        if time.hour() == 12 {
            for one in engine.survey(arrived_ms).proposals {
                all.entry(one.number).or_insert((time.date_naive(), one));
            }
        }
    }
    all
}

/// A meadow that nobody waters: soakings are storms. What is learned at a depth from one summer's end to the next
/// rains stays within what a probe can tell, or is proposed anew.
#[test]
fn a_measured_soil_shows_its_full_marks() {
    let Some(record) = record() else { return };
    let all = proposed(&record);
    for (number, (date, one)) in &all {
        println!("{date} no. {number} {}: {:?} -> {:.3}; {}", one.probe, one.old, one.new, one.why);
    }
    let last: BTreeMap<&str, f64> = all.values().map(|(_, one)| (one.probe.as_str(), one.new)).collect();
    assert!(!last.is_empty());
    // No mark above what the probe ever held in a night of the wet spring, none near its dry end.
    for (probe, column) in [("upper", "vwc_5cm"), ("middle", "vwc_20cm"), ("lower", "vwc_40cm")] {
        let mut held: Vec<f64> = record.rows.iter().filter_map(|(_, row)| row.get(column)).copied().collect();
        held.sort_by(f64::total_cmp);
        let (middle, wettest) = (held[held.len() / 2], held[held.len() - 1]);
        if let Some(mark) = last.get(probe) {
            assert!((middle..wettest).contains(mark), "{probe}: {mark} of {middle} to {wettest}");
        }
    }
}

/// The day's wave of each probe around trend and demand, before and after what its thermometer explains.
#[test]
fn the_swing_of_a_measured_season() {
    let Some(record) = record() else { return };
    for (column, late_h) in [("vwc_5cm", 0), ("vwc_20cm", 5), ("vwc_40cm", 8)] {
        let mut waves = Vec::new();
        for day in record.rows.chunks(24).skip(1) {
            let at = record.rows.iter().position(|row| row.0 == day[0].0).unwrap();
            let of = |back: usize, name: &str| -> Vec<f64> {
                record.rows[at - back..at - back + day.len()]
                    .iter()
                    .filter_map(|row| row.1.get(name))
                    .copied()
                    .collect()
            };
            let (theta, soil_c, rain) = (of(0, column), of(late_h, "soil_5cm_c"), of(0, "rain_mm"));
            let drawn = |hour: usize| {
                let through = ((day[hour].0.hour() as f64 + 0.5 - 5.5) / 13.5).clamp(0.0, 1.0);
                (1.0 - (std::f64::consts::PI * through).cos()) / 2.0
            };
            let drawn: Vec<f64> = (0..day.len()).map(drawn).collect();
            if rain.iter().sum::<f64>() == 0.0 && theta.len() == 24 && soil_c.len() == 24 {
                waves.extend(Wave::of_day(&theta, &soil_c, &drawn));
            }
        }
        let sum = |of: fn(&Wave) -> f64| waves.iter().map(of).sum::<f64>();
        let (hours, ww) = (sum(|wave| wave.hours), sum(|wave| wave.ww));
        let per_c = swing_per_c(&waves).unwrap();
        let taken = per_c.unwrap_or(0.0);
        let left = ww - 2.0 * taken * sum(|wave| wave.cw) + taken * taken * sum(|wave| wave.cc);
        let (before, after) = ((ww / hours).sqrt(), (left / hours).sqrt());
        println!(
            "{column}: {} dry days, {per_c:?} a °C, wave {before:.5} before, {after:.5} after",
            waves.len()
        );
        assert!(waves.len() > 60 && after <= before * (1.0 + 1e-9), "{column}");
    }
}
