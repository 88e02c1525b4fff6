//! Replay from a capture, beside reading the same file and parsing its numbers.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use crate::Figure;
use crate::garden::{PROBES, payload, write_settings};

const MINUTES: i64 = 60 * 24 * 60;
/// 2027-06-01 05:00 UTC, midnight in the garden.
const BEGIN_MS: i64 = 1_811_826_000_000;

pub fn figures() -> Vec<Figure> {
    let folder = tempfile::tempdir().unwrap();
    let settings = write_settings(folder.path(), 1);
    let capture = folder.path().join("capture.csv");
    let rows = write_capture(&capture);
    #[allow(clippy::disallowed_methods)] // a bench measures
    let now = Instant::now;
    let began = now();
    let played = Command::new(env!("CARGO_BIN_EXE_rindwatch"))
        .arg("replay")
        .arg("--config")
        .arg(&settings)
        .arg("--capture")
        .arg(&capture)
        .arg("--out")
        .arg(folder.path().join("out"))
        .output()
        .unwrap();
    let replay = began.elapsed();
    let said = String::from_utf8_lossy(&played.stdout).into_owned();
    assert!(played.status.success(), "{said}{}", String::from_utf8_lossy(&played.stderr));
    assert!(said.contains(&format!("readings {rows} ")), "{said}");
    let began = now();
    assert_eq!(parse(&capture), rows);
    let bare = began.elapsed();
    let rate = |time: std::time::Duration| rows as f64 / time.as_secs_f64();
    vec![
        Figure { what: "replay", value: rate(replay), unit: "readings/s", bound: Some(Err(300_000.0)) },
        Figure {
            what: "  reading and parsing the same file",
            value: rate(bare),
            unit: "readings/s",
            bound: None,
        },
    ]
}

/// Sixty days of twelve probes a minute.
fn write_capture(path: &Path) -> u64 {
    let mut file = csv::Writer::from_writer(BufWriter::new(File::create(path).unwrap()));
    file.write_record(["time", "topic", "payload"]).unwrap();
    for minute in 0..MINUTES {
        let at_ms = BEGIN_MS + minute * 60_000;
        let time = rindwatch::rfc3339::show(at_ms);
        for n in 0..PROBES {
            file.write_record([time.as_str(), &format!("bed/{n}"), &payload(n, at_ms)]).unwrap();
        }
    }
    file.into_inner().unwrap().flush().unwrap();
    (MINUTES * PROBES as i64) as u64
}

/// The least that any program does with such a file: rows, times, numbers.
fn parse(path: &Path) -> u64 {
    let mut rows = 0;
    let mut file = csv::Reader::from_path(path).unwrap();
    let mut record = csv::StringRecord::new();
    let mut sum = 0.0;
    while file.read_record(&mut record).unwrap() {
        let at_ms = rindwatch::rfc3339::parse(&record[0]).unwrap();
        let payload: serde_json::Value = serde_json::from_str(&record[2]).unwrap();
        sum += payload["v"].as_f64().unwrap();
        rows += u64::from(at_ms > 0);
    }
    assert!(sum > 0.0);
    rows
}
