//! The record: an hourly station file in the source archive of flagit 0.3 (PyPI, MIT), 29 days of January
//! and February 2020, with wild values of soil moisture put in by its authors. `RINDWATCH_FLAGIT` names it.
//!
//! What its days and nights were is told here in a few lines that share nothing with the program.

use std::collections::BTreeMap;

use chrono::{NaiveDate, NaiveDateTime, TimeDelta, Timelike};

/// Column of the file, probe of the garden.
const COLUMNS: [(&str, &str); 4] = [
    ("soil_moisture", "moisture"),
    ("soil_temperature", "warmth"),
    ("air_temperature", "air"),
    ("precipitation", "gauge"),
];

/// Civil time of the garden.
pub const AHEAD_OF_UTC: TimeDelta = TimeDelta::hours(2);

/// One measured value.
pub struct Cell {
    /// Name of the probe in the garden.
    pub probe: &'static str,
    /// Start of its hour, UTC.
    pub at: NaiveDateTime,
    /// As it stands in the file.
    pub text: String,
    pub value: f64,
}

pub struct Record {
    /// In the order of the file; missing cells are not there.
    pub cells: Vec<Cell>,
}

impl Record {
    /// `None` where there is none, which `tests/run` sees to.
    pub fn open() -> Option<Self> {
        let Some(path) = std::env::var_os("RINDWATCH_FLAGIT") else {
            eprintln!("LEFT OUT: RINDWATCH_FLAGIT names no record, the measured winter is not played");
            return None;
        };
        let mut file = csv::Reader::from_path(path).expect("the record can be read");
        let rows = file.deserialize().map(|row| row.expect("a row of the record"));
        let cells = rows.flat_map(|row: BTreeMap<String, String>| {
            let at = NaiveDateTime::parse_from_str(&row["utc"], "%Y-%m-%d %H:%M:%S").expect("a time");
            let cell = |(column, probe): (&str, &'static str)| {
                let text = row[column].clone();
                text.parse().ok().map(|value| Cell { probe, at, text, value })
            };
            COLUMNS.into_iter().filter_map(cell).collect::<Vec<_>>()
        });
        Some(Self { cells: cells.collect() })
    }

    pub fn of<'a>(&'a self, probe: &'a str) -> impl Iterator<Item = &'a Cell> {
        self.cells.iter().filter(move |cell| cell.probe == probe)
    }

    /// Lowest, highest and number of the good values of each date.
    pub fn days(&self, probe: &str) -> BTreeMap<NaiveDate, (f64, f64, usize)> {
        let good = self.of(probe).filter(|cell| !cell.is_wild());
        extremes(good.map(|cell| (cell.local().date(), cell.value)))
    }

    /// Lowest air of each night (16 to 09 h) by the date of its evening, and how many hours were measured.
    pub fn nights(&self) -> BTreeMap<NaiveDate, (f64, usize)> {
        let of_night = self.of("air").filter_map(|cell| evening(cell.local()).map(|date| (date, cell.value)));
        extremes(of_night).into_iter().map(|(date, (low, _, n))| (date, (low, n))).collect()
    }
}

impl Cell {
    /// Soil holds between none and 60 % of water (International Soil Moisture Network, flags C01 and C02:
    /// Dorigo et al. 2013, Vadose Zone J. 12(3)).
    pub fn is_wild(&self) -> bool {
        self.probe == "moisture" && !(0.0..=60.0).contains(&self.value)
    }

    /// Civil time of the garden.
    pub fn local(&self) -> NaiveDateTime {
        self.at + AHEAD_OF_UTC
    }
}

/// The evening that a time of the night belongs to; `None` by day.
pub fn evening(local: NaiveDateTime) -> Option<NaiveDate> {
    match local.hour() {
        16.. => Some(local.date()),
        0..9 => local.date().pred_opt(),
        _ => None,
    }
}

fn extremes(values: impl Iterator<Item = (NaiveDate, f64)>) -> BTreeMap<NaiveDate, (f64, f64, usize)> {
    let mut found = BTreeMap::new();
    for (date, value) in values {
        let (low, high, n) = found.entry(date).or_insert((value, value, 0));
        (*low, *high, *n) = (value.min(*low), value.max(*high), *n + 1);
    }
    found
}
