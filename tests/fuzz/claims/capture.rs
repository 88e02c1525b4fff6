//! A capture: what is read goes forward in time and reads the same when written again; a refusal names its line.

use rindwatch::replay::{Capture, ReplayError};
use rindwatch::rfc3339;

type Row = (i64, String, Vec<u8>, bool);

/// A capture file.
pub fn hold(bytes: &[u8]) {
    match rows(bytes) {
        Ok(rows) => {
            assert!(rows.is_sorted_by_key(|row| row.0), "time runs backwards");
            let again = rows_of(&written(&rows));
            assert!(again.as_ref().is_ok_and(|again| *again == rows), "{rows:?}: {again:?}");
        }
        Err(ReplayError::Row { line, why }) => {
            let last = 1 + bytes.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count() as u64;
            assert!((1..=last).contains(&line), "{why:?} names line {line} of {last}");
            assert!(!why.is_empty() && !why.chars().any(char::is_control), "{why:?}");
        }
        Err(other) => assert!(!other.to_string().is_empty()),
    }
}

fn rows_of(bytes: &[u8]) -> Result<Vec<Row>, String> {
    rows(bytes).map_err(|error| error.to_string())
}

fn rows(bytes: &[u8]) -> Result<Vec<Row>, ReplayError> {
    let mut capture = Capture::open(bytes)?;
    let mut rows = Vec::new();
    while let Some(message) = capture.next()? {
        let (topic, payload) = (message.topic.to_owned(), message.payload.to_vec());
        rows.push((message.arrived_ms, topic, payload, message.retained));
    }
    Ok(rows)
}

fn written(rows: &[Row]) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["time", "topic", "payload", "retained"]).unwrap();
    for (at_ms, topic, payload, retained) in rows {
        let (time, retained) = (rfc3339::show(*at_ms), if *retained { "1" } else { "0" });
        writer.write_record([time.as_bytes(), topic.as_bytes(), payload, retained.as_bytes()]).unwrap();
    }
    writer.into_inner().unwrap()
}
