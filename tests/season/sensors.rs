//! What each sensor buys: the same measured season seen with fewer and fewer sensors, against what was measured.
//!
//! Reference for ET0, day maximum and night minimum is the garden with every sensor; for the depletion the three
//! moisture probes of that garden (5, 20 and 40 cm), of which all others have the one at 20 cm. What was fitted
//! to this record was fitted on its even ISO weeks, so only odd ones are scored (May to September).

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, FixedOffset, NaiveDate};
use rindwatch::{replay, settings};

use super::prairie::{Record, record};
use super::rows;

/// What a garden has beside one moisture probe, one soil thermometer and a rain gauge.
const GARDENS: [(&str, &[&str]); 7] = [
    ("every sensor", &["air", "damp", "wind", "sun"]),
    ("without sun", &["air", "damp", "wind"]),
    ("without humidity", &["air", "wind", "sun"]),
    ("without wind", &["air", "damp", "sun"]),
    ("air and humidity", &["air", "damp"]),
    ("air thermometer", &["air"]),
    ("the three alone", &[]),
];

/// The moisture probe falls silent for so long, from each of these days on.
const SILENT_DAYS: u64 = 14;
const SILENT_FROM: [(u32, u32); 8] = [(5, 14), (6, 4), (6, 18), (7, 1), (7, 12), (8, 2), (8, 22), (9, 8)];

type DayRows = BTreeMap<NaiveDate, BTreeMap<String, String>>;

/// `full.toml` with only the probes named.
fn garden_text(probes: &BTreeSet<&str>) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/season/full.toml");
    let text = std::fs::read_to_string(path).unwrap();
    let mut parts = text.split("\n[probe.");
    let mut kept = parts.next().unwrap().to_owned();
    for part in parts {
        let name = part.split(']').next().unwrap();
        if probes.contains(name) {
            write!(kept, "\n[probe.{part}").unwrap();
        }
    }
    kept
}

fn days(record: &Record, probes: &[&str], sent: impl Fn(&DateTime<FixedOffset>, &str) -> bool) -> DayRows {
    let probes: BTreeSet<&str> = probes.iter().copied().chain(["warmth", "gauge"]).collect();
    let garden = settings::read_str("season.toml", &garden_text(&probes)).unwrap_or_else(|e| panic!("{e}"));
    let out = tempfile::tempdir().unwrap();
    let capture = record.capture_where(sent);
    replay::play(Arc::new(garden), capture.as_slice(), Vec::new(), out.path()).unwrap();
    rows(&out.path().join("days.csv")).into_iter().map(|row| (row["date"].parse().unwrap(), row)).collect()
}

fn figure(rows: &DayRows, date: NaiveDate, column: &str) -> Option<f64> {
    rows.get(&date)?.get(column)?.parse().ok()
}

fn summer(date: NaiveDate) -> bool {
    (5..=9).contains(&date.month())
}

fn scored(date: NaiveDate) -> bool {
    summer(date) && date.iso_week().week() % 2 == 1
}

/// Differences of a column on the scored days.
fn off(rows: &DayRows, against: &DayRows, column: &str) -> Vec<f64> {
    let dates = against.keys().filter(|date| scored(**date));
    dates.filter_map(|date| Some(figure(rows, *date, column)? - figure(against, *date, column)?)).collect()
}

fn mean_size(off: &[f64]) -> f64 {
    off.iter().map(|off| off.abs()).sum::<f64>() / off.len() as f64
}

fn silent_windows() -> Vec<(NaiveDate, NaiveDate)> {
    let from = SILENT_FROM.map(|(month, day)| NaiveDate::from_ymd_opt(2022, month, day).unwrap());
    from.map(|from| (from, from + Days::new(SILENT_DAYS))).to_vec()
}

/// How far the book alone is off after two weeks without its moisture probe, and how often the truth lay within
/// two of its own standard deviations.
fn blind(record: &Record, probes: &[&str], against: &DayRows) -> (f64, usize) {
    let mut off = Vec::new();
    let mut within = 0;
    for (from, to) in silent_windows() {
        let sent = |time: &DateTime<FixedOffset>, topic: &str| {
            let date = time.date_naive();
            // What comes after the two weeks is not looked at.
            date <= to && (topic != "station/vwc20" || date < from)
        };
        let rows = days(record, probes, sent);
        let last = to - Days::new(1);
        let by =
            figure(&rows, last, "depletion_mm").unwrap() - figure(against, last, "depletion_mm").unwrap();
        let sd_mm = figure(&rows, last, "depletion_sd_mm").unwrap();
        within += usize::from(by.abs() <= 2.0 * sd_mm);
        off.push(by);
    }
    (mean_size(&off), within)
}

/// ET0 of July to September by an air thermometer alone, in a garden that had every sensor until the end of
/// June, and in one that never had.
fn own_line(record: &Record, truth: &DayRows) -> (f64, f64) {
    let july = NaiveDate::from_ymd_opt(2022, 7, 1).unwrap();
    let later = |rows: &DayRows| {
        let dates = truth.keys().filter(|date| **date > july && summer(**date));
        let off: Vec<f64> = dates
            .filter_map(|date| Some(figure(rows, *date, "et0_mm")? - figure(truth, *date, "et0_mm")?))
            .collect();
        mean_size(&off)
    };
    let had = days(record, &["middle", "air", "damp", "wind", "sun"], |time, topic| {
        time.date_naive() < july || !["station/rh", "station/wind", "station/sun"].contains(&topic)
    });
    let never = days(record, &["middle", "air"], |_, _| true);
    (later(&had), later(&never))
}

#[test]
fn what_each_sensor_buys() {
    let Some(record) = record() else { return };
    let truth = days(&record, &["upper", "middle", "lower", "air", "damp", "wind", "sun"], |_, _| true);
    let mut table = String::from(
        "mean absolute error on odd weeks, May to September, one moisture probe\n\
         | garden | ET0, mm/day | day maximum, °C | within 4 °C | night minimum, °C | depletion, mm | book alone for 14 days, mm | within its 2 sd |\n\
         |---|---|---|---|---|---|---|---|\n",
    );
    let mut of_three = (0.0, 0.0);
    for (name, sensors) in GARDENS {
        let probes: Vec<&str> = sensors.iter().copied().chain(["middle"]).collect();
        let rows = days(&record, &probes, |_, _| true);
        let et0 = mean_size(&off(&rows, &truth, "et0_mm"));
        let maximum = off(&rows, &truth, "air_max_c");
        let near = maximum.iter().filter(|off| off.abs() <= 4.0).count() as f64 / maximum.len() as f64;
        let (blind_mm, within) = blind(&record, &probes, &truth);
        writeln!(
            table,
            "| {name} | {et0:.2} | {:.1} | {:.0} % | {:.1} | {:.1} | {blind_mm:.1} | {within} of {} |",
            mean_size(&maximum),
            100.0 * near,
            mean_size(&off(&rows, &truth, "air_min_c")),
            mean_size(&off(&rows, &truth, "depletion_mm")),
            SILENT_FROM.len()
        )
        .unwrap();
        if name == "the three alone" {
            of_three = (et0, near);
        }
    }
    let even: Vec<f64> = truth
        .keys()
        .filter(|date| summer(**date) && !scored(**date))
        .filter_map(|date| figure(&truth, *date, "et0_mm"))
        .collect();
    let mean_mm = even.iter().sum::<f64>() / even.len() as f64;
    let odd: Vec<f64> = truth
        .keys()
        .filter(|date| scored(**date))
        .filter_map(|date| Some(figure(&truth, *date, "et0_mm")? - mean_mm))
        .collect();
    let seasonal = mean_size(&odd);
    let (had, never) = own_line(&record, &truth);
    writeln!(table, "ET0 by the season's mean of {mean_mm:.1} mm alone: {seasonal:.2} mm/day").unwrap();
    writeln!(
        table,
        "ET0 by an air thermometer from July on: {had:.2} mm/day where every sensor stood until June, {never:.2} where none did"
    )
    .unwrap();
    println!("{table}");
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/sensors.txt");
    if std::env::var_os("RINDWATCH_GOLDEN").is_some_and(|what| what == "write") {
        std::fs::write(&kept, &table).unwrap();
    }
    let before = std::fs::read_to_string(&kept).unwrap();
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    for row in table.lines().filter(|line| line.starts_with('|')) {
        assert!(readme.contains(row), "README.md has another row than: {row}");
    }
    let (et0, near) = of_three;
    assert!(et0 <= 1.1 && et0 < seasonal, "ET0 of the three alone {et0}, of the seasonal mean {seasonal}");
    assert!(near >= 0.8, "day maximum within 4 °C on {near} of the days");
    assert!(had < never, "the garden's own line made it worse: {had} against {never}");
    assert!(
        table == before,
        "the table of the sensors has changed; RINDWATCH_GOLDEN=write keeps the new one"
    );
}
