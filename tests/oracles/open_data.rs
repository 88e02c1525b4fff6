//! Measured days that others have published, inside packages that anyone can fetch. `tests/run` unpacks them,
//! each by its hash (`tests/python/wheels.txt`), and names their folder in `RINDWATCH_OPEN_DATA`.
//!
//! - Munich airport, 527 days of 2013 and 2014, with a column of ET0 of its makers (PyPI pcse 6.0.13).
//! - Seattle, 1,461 days of 2012 to 2015, and hour by hour the usual year of 2010 (PyPI vega_datasets 0.9.0).
//! - Brussels and Tunis, in `decades.rs`.

use std::path::PathBuf;

use agronomy::degree_days::{self, Cutoff, Limits};
use agronomy::evapotranspiration::{PenmanMonteith, hargreaves, penman_monteith, wind_at_2m};
use chrono::{Datelike, NaiveDate};

use crate::asked::{Check, prove};

pub fn text(name: &str) -> String {
    let folder = std::env::var_os("RINDWATCH_OPEN_DATA")
        .map(PathBuf::from)
        .expect("RINDWATCH_OPEN_DATA names no folder of open data: ./tests/run unpacks it under target/data");
    let path = folder.join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub fn number(word: &str) -> f64 {
    word.trim().parse().unwrap_or_else(|_| panic!("`{word}` is not a number"))
}

// ---- Munich ------------------------------------------------------------------------------------------------

struct MunichDay {
    /// May lie below 0, on winter days with dew.
    signed_mm: f64,
    ours_mm: f64,
    hargreaves_mm: f64,
    file_mm: f64,
}

/// Latitude and altitude of the airport are assumed, not in the file.
fn munich() -> Vec<MunichDay> {
    const LATITUDE_DEG: f64 = 48.35;
    let day = |line: &str| {
        let words: Vec<&str> = line.trim_end_matches(");").split(',').collect();
        let day_of_year = NaiveDate::parse_from_str(words[1], "%d-%b-%y").expect("a date").ordinal() as u16;
        let [air_min_c, air_max_c, vapour_hpa, solar_kj, wind_10m] =
            [2, 3, 4, 5, 6].map(|column| number(words[column]));
        let mm = penman_monteith(&PenmanMonteith {
            air_min_c,
            air_max_c,
            ea_kpa: vapour_hpa / 10.0,
            wind_2m_m_s: wind_at_2m(wind_10m, 10.0).expect("wind"),
            solar_mj: solar_kj / 1000.0,
            soil_heat_mj: 0.0,
            latitude_deg: LATITUDE_DEG,
            altitude_m: 450.0,
            day_of_year,
        });
        let signed_mm = mm.expect("a measured day");
        MunichDay {
            signed_mm,
            ours_mm: signed_mm.max(0.0),
            hargreaves_mm: hargreaves(LATITUDE_DEG, day_of_year, air_min_c, air_max_c)
                .expect("a measured day"),
            file_mm: number(words[7]),
        }
    };
    text("10870_munchen_flughafen.csv").lines().skip(1).filter(|line| !line.is_empty()).map(day).collect()
}

#[test]
fn munich_evaporates_what_its_own_column_says() {
    let days = munich();
    assert_eq!(days.len(), 527);
    let sum = |of: &dyn Fn(&MunichDay) -> f64| days.iter().map(of).sum::<f64>();
    let ours = sum(&|day| day.ours_mm);
    let mean_off = sum(&|day| (day.ours_mm - day.file_mm).abs()) / 527.0;
    let check = |what, bound, ours, theirs| Check { what, bound, ours: vec![ours], theirs: vec![theirs] };
    prove(vec![
        Check {
            what: "Munich, each day against the file's column, mm",
            bound: 0.3,
            ours: days.iter().map(|day| day.ours_mm).collect(),
            theirs: days.iter().map(|day| day.file_mm).collect(),
        },
        check("Munich, mean distance of a day from the file's column, mm", 0.03, mean_off, 0.0),
        check("Munich, sum against the file's column, mm", 4.0, ours, sum(&|day| day.file_mm)),
        // The libraries' sums over the same file, as run once.
        check("Munich, sum against pyet 1.5.0, mm", 0.0051, ours, 976.06),
        check("Munich, sum against refet 0.5.0 asce, mm", 1.5, ours, 977.22),
        check("Munich, sum with dew against own code, mm", 0.0051, sum(&|day| day.signed_mm), 976.01),
        check(
            "Munich, Hargreaves against a run of the library, mm",
            0.051,
            sum(&|day| day.hargreaves_mm),
            1140.3,
        ),
    ]);
}

// ---- Seattle -----------------------------------------------------------------------------------------------

/// What a season came to, 1 May to 30 September between 10 and 30 °C: methods A, B, C, sine and triangle with
/// the horizontal cut-off, and rain. Independent code of this project's authors, not the crate.
const SEATTLE: [(i32, [f64; 6]); 4] = [
    (2012, [998.6, 1026.5, 988.9, 1012.07, 1007.45, 154.5]),
    (2013, [1265.1, 1269.3, 1256.2, 1268.17, 1267.45, 284.8]),
    (2014, [1262.8, 1259.0, 1250.0, 1262.19, 1262.83, 221.1]),
    (2015, [1314.7, 1306.6, 1290.6, 1311.69, 1313.26, 127.4]),
];
const SEATTLE_RAIN_MM: [(i32, f64); 4] = [(2012, 1226.0), (2013, 828.0), (2014, 1232.8), (2015, 1139.2)];

#[test]
fn seattle_has_the_degree_days_and_rain_of_four_seasons() {
    let limits = Limits::new(10.0, 30.0).expect("limits");
    let file = text("seattle-weather.csv");
    let days: Vec<(NaiveDate, f64, f64, f64)> = file
        .lines()
        .skip(1)
        .map(|line| {
            let words: Vec<&str> = line.split(',').collect();
            let date = NaiveDate::parse_from_str(words[0], "%Y/%m/%d").expect("a date");
            (date, number(words[1]), number(words[2]), number(words[3]))
        })
        .collect();
    assert_eq!(days.len(), 1461);
    let (mut sums, mut figures) = (Vec::new(), Vec::new());
    for (year, expected) in SEATTLE {
        let mut got = [0.0; 6];
        for &(_, rain_mm, max_c, min_c) in
            days.iter().filter(|day| day.0.year() == year && (5..=9).contains(&day.0.month()))
        {
            let day = [
                degree_days::mean(min_c, max_c, &limits),
                degree_days::clipped_mean(min_c, max_c, &limits),
                degree_days::capped_mean(min_c, max_c, &limits),
                degree_days::single_sine(min_c, max_c, &limits, Cutoff::Horizontal),
                degree_days::single_triangle(min_c, max_c, &limits, Cutoff::Horizontal),
                Ok(rain_mm),
            ];
            for (sum, value) in got.iter_mut().zip(day) {
                *sum += value.expect("a measured day");
            }
        }
        sums.extend(got);
        figures.extend(expected);
    }
    let tenths = |at: &usize| ![3, 4].contains(&(at % 6));
    let of = |all: &[f64], tenth: bool| -> Vec<f64> {
        (0..all.len()).filter(|at| tenths(at) == tenth).map(|at| all[at]).collect()
    };
    let rain = |year| days.iter().filter(|day| day.0.year() == year).map(|day| day.1).sum::<f64>();
    prove(vec![
        Check {
            what: "Seattle, methods A, B, C and rain of four seasons",
            // Printed to a tenth; means of tenths fall on the middle of it.
            bound: 0.051,
            ours: of(&sums, true),
            theirs: of(&figures, true),
        },
        Check {
            what: "Seattle, sine and triangle of four seasons",
            bound: 0.0051,
            ours: of(&sums, false),
            theirs: of(&figures, false),
        },
        Check {
            what: "Seattle, rain of four years, mm",
            bound: 0.051,
            ours: SEATTLE_RAIN_MM.iter().map(|row| rain(row.0)).collect(),
            theirs: SEATTLE_RAIN_MM.iter().map(|row| row.1).collect(),
        },
    ]);
}

/// A year hour by hour: degree-days of the hours themselves, and how far those made of two extremes stand off.
/// (Figures by independent code of this project's authors.)
#[test]
fn seattle_hour_by_hour_is_less_than_its_sine() {
    let limits = Limits::new(10.0, 30.0).expect("limits");
    let file = text("seattle-temps.csv");
    let mut days: Vec<(&str, Vec<Option<f64>>)> = Vec::new();
    for line in file.lines().skip(1) {
        let (time, fahrenheit) = line.split_once(',').expect("two columns");
        let (day, _) = time.split_once(' ').expect("a day and an hour");
        if days.last().is_none_or(|last| last.0 != day) {
            days.push((day, Vec::new()));
        }
        days.last_mut().expect("a day").1.push(Some((number(fahrenheit) - 32.0) * 5.0 / 9.0));
    }
    assert_eq!(days.len(), 365);
    let mut got = [0.0; 4];
    for (day, hours) in &days {
        let known = || hours.iter().flatten().copied();
        let (min_c, max_c) = (known().fold(f64::MAX, f64::min), known().fold(f64::MIN, f64::max));
        let hourly = degree_days::hourly(hours, &limits, Cutoff::Horizontal).expect("a civil day");
        let day = [
            hourly.unwrap_or_else(|| panic!("{day} has too few hours")),
            degree_days::single_sine(min_c, max_c, &limits, Cutoff::Horizontal).expect("a day"),
            degree_days::clipped_mean(min_c, max_c, &limits).expect("a day"),
            degree_days::capped_mean(min_c, max_c, &limits).expect("a day"),
        ];
        for (sum, value) in got.iter_mut().zip(day) {
            *sum += value;
        }
    }
    prove(vec![
        Check {
            // The hour that spring skips: 23 hours are a day here, and were divided by 24 there.
            what: "Seattle, a year by hours",
            bound: 0.011,
            ours: vec![got[0]],
            theirs: vec![1033.35],
        },
        Check {
            what: "Seattle, the same year by sine, B and C",
            bound: 0.0051,
            ours: got[1..].to_vec(),
            theirs: vec![1089.25, 1134.11, 1045.86],
        },
    ]);
}
