//! The measured growing season that `RINDWATCH_RECORD` names: hourly, local standard time UTC−6, a grassland
//! station in Kansas, 1 March to 30 November 2022; nobody irrigated. Its place is approximate.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, NaiveDate, Timelike};

/// Column of the record and the topic it is published to.
pub const COLUMNS: [(&str, &str); 9] = [
    ("vwc_5cm", "station/vwc5"),
    ("vwc_20cm", "station/vwc20"),
    ("vwc_40cm", "station/vwc40"),
    ("soil_5cm_c", "station/soil5"),
    ("rain_mm", "station/rain"),
    ("air_c", "station/air"),
    ("rh_pct", "station/rh"),
    ("wind_m_s", "station/wind"),
    ("solar_mj_m2_h", "station/sun"),
];

pub struct Record {
    pub rows: Vec<(DateTime<FixedOffset>, BTreeMap<&'static str, f64>)>,
}

/// The record, or nothing where none is named.
pub fn record() -> Option<Record> {
    let Some(path) = std::env::var_os("RINDWATCH_RECORD") else {
        eprintln!("LEFT OUT: RINDWATCH_RECORD names no record, the measured season is not played");
        return None;
    };
    let mut csv = csv::Reader::from_path(&path).expect("the record can be read");
    let header = csv.headers().unwrap().clone();
    let mut rows = Vec::new();
    for row in csv.records() {
        let row = row.unwrap();
        let time = DateTime::parse_from_rfc3339(&row[0]).expect("a time with its offset");
        let mut values = BTreeMap::new();
        for (name, _) in COLUMNS {
            let at = header.iter().position(|column| column == name).expect("the column is there");
            if let Ok(value) = row[at].parse() {
                values.insert(name, value);
            }
        }
        rows.push((time, values));
    }
    Some(Record { rows })
}

impl Record {
    /// As a capture: each reading as JSON with its own time, five seconds late.
    pub fn capture(&self) -> Vec<u8> {
        self.capture_where(|_, _| true)
    }

    /// The same without the readings (time, topic) that `sent` says no to.
    pub fn capture_where(&self, sent: impl Fn(&DateTime<FixedOffset>, &str) -> bool) -> Vec<u8> {
        let mut csv = csv::Writer::from_writer(Vec::new());
        csv.write_record(["time", "topic", "payload"]).unwrap();
        for (time, values) in &self.rows {
            let arrived = (*time + chrono::TimeDelta::seconds(5)).to_rfc3339();
            for (name, topic) in COLUMNS {
                let Some(value) = values.get(name).filter(|_| sent(time, topic)) else { continue };
                let payload = format!(r#"{{"t":"{}","v":{value}}}"#, time.to_rfc3339());
                csv.write_record([arrived.as_str(), topic, &payload]).unwrap();
            }
        }
        csv.into_inner().unwrap()
    }

    /// Measured highest air by civil day of the garden, and lowest by the evening before it (15 to 09 h).
    pub fn air(&self) -> (BTreeMap<NaiveDate, f64>, BTreeMap<NaiveDate, f64>) {
        let mut highs = BTreeMap::new();
        let mut lows: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        for (time, values) in &self.rows {
            let Some(air_c) = values.get("air_c") else { continue };
            let local = time.with_timezone(&chrono_tz::America::Chicago);
            let date = local.date_naive();
            let high = highs.entry(date).or_insert(f64::NEG_INFINITY);
            *high = f64::max(*high, *air_c);
            let evening = match local.hour() {
                16.. => Some(date),
                0..9 => date.pred_opt(),
                _ => None,
            };
            if let Some(evening) = evening {
                let low = lows.entry(evening).or_insert(f64::INFINITY);
                *low = f64::min(*low, *air_c);
            }
        }
        (highs, lows)
    }
}
