//! The measured season with a gauge that works, and with one that shows nothing from the first of June on.

use chrono::{Datelike, NaiveDate};

use super::prairie::{Record, record};
use super::{play, rows};

/// Rows of matters.csv in which the gauge begins to stand as a fault: date and why.
fn named(record: &Record, settings_file: &str) -> Vec<(NaiveDate, String)> {
    let played = play(record, settings_file);
    let rows = rows(&played.out.path().join("matters.csv"));
    let gauge = rows.into_iter().filter(|row| row["bed"] == "gauge" && row["to"] == "standing");
    gauge.map(|row| (row["time"][..10].parse().unwrap(), row["why"].clone())).collect()
}

/// Soakings of a dry surface are few even in a wet summer, and a fault needs two of them that nothing else
/// explains, three where there is no humidity: so it takes some weeks, and a gauge that works is never named.
#[test]
fn a_gauge_that_dies_in_a_measured_summer_is_named_and_one_that_works_is_not() {
    let Some(mut record) = record() else { return };
    for garden in ["full.toml", "three.toml"] {
        let fault = named(&record, garden).into_iter().find(|(_, why)| why.contains("rain"));
        assert_eq!(fault, None, "{garden}");
    }
    for (time, values) in &mut record.rows {
        if time.month() >= 6 {
            values.entry("rain_mm").and_modify(|mm| *mm = 0.0);
        }
    }
    for garden in ["full.toml", "three.toml"] {
        let named = named(&record, garden);
        println!("{garden}: {named:?}");
        let first = named.iter().find(|(_, why)| why.contains("as by rain")).map(|(date, _)| *date);
        assert!(first.is_some_and(|date| date.month() == 6), "{garden}: {named:?}");
    }
}
