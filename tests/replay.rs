//! Replay: from a capture to files, through the real intake and engine.

#![allow(clippy::unwrap_used)] // a test may stop where it stands

#[path = "support/patch.rs"]
mod patch;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use rindwatch::daybook;
use rindwatch::quantities::Quantity;
use rindwatch::replay::{Summary, play};
use rindwatch::rfc3339;
use rindwatch::settings::garden::*;

const HOUR_MS: i64 = 3_600_000;

/// Soil moisture and temperature in one JSON message with its own time, rain as bare millimetres.
fn garden() -> Arc<Garden> {
    let node = |name: &str, quantity, pointer: &str| Probe {
        bed: Some("long".to_owned()),
        depth_m: Some(0.1),
        topic: "patch/long".to_owned(),
        pointer: Some(pointer.to_owned()),
        time: TimeForm::Rfc3339,
        time_pointer: Some("/at".to_owned()),
        ..patch::probe(name, quantity)
    };
    patch::garden(vec![
        node("long-water", Quantity::SoilMoisture, "/water"),
        node("long-soil", Quantity::SoilTemperature, "/soil"),
        Probe { rain: Some(RainForm::Increment), ..patch::probe("gauge", Quantity::Rain) },
    ])
}

fn row(ms: i64, water: f64, soil_c: f64) -> String {
    let at = rfc3339::show(ms);
    format!(
        "{at},patch/long,\"{{\"\"water\"\": {water:.4}, \"\"soil\"\": {soil_c:.2}, \"\"at\"\": \"\"{at}\"\"}}\"\n"
    )
}

/// A bed that dries out over `days` days of July, read every hour.
fn drying(days: i64) -> String {
    let start_ms = rfc3339::parse("2027-07-01T00:00:00+02:00").unwrap();
    let mut capture = "time,topic,payload\n".to_owned();
    for hour in 0..days * 24 {
        let day = hour as f64 / 24.0;
        let soil_c = 22.0 + 4.0 * (std::f64::consts::TAU * (day - 0.6)).cos();
        capture += &row(start_ms + hour * HOUR_MS, (0.31 - 0.012 * day).max(0.15), soil_c);
    }
    capture
}

fn played(capture: &str, lines: &str, into: &Path) -> Result<Summary, String> {
    let garden = garden();
    let lines = daybook::read(lines.as_bytes(), &garden).map_err(|error| error.to_string())?;
    play(garden, capture.as_bytes(), lines, into).map_err(|error| error.to_string())
}

/// All files below a folder with their bytes.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(place) = open.pop() {
        for path in fs::read_dir(place).unwrap().map(|entry| entry.unwrap().path()) {
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
                found.insert(name, fs::read(path).unwrap());
            }
        }
    }
    found
}

fn text(folder: &Path, name: &str) -> String {
    fs::read_to_string(folder.join(name)).unwrap()
}

/// One field of `days.csv` by column and date, bed `long`.
fn day_field(folder: &Path, column: &str, date: &str) -> Option<String> {
    let text = text(folder, "days.csv");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let at = reader.headers().unwrap().iter().position(|name| name == column)?;
    reader
        .records()
        .map(Result::unwrap)
        .find(|row| &row[0] == date && &row[1] == "long")
        .map(|row| row[at].to_owned())
}

/// The headers are what other programs read: they only grow.
#[test]
fn the_files_bear_the_agreed_headers() {
    let into = tempfile::tempdir().unwrap();
    played(&drying(1), "", into.path()).unwrap();
    let header = |name: &str| text(into.path(), name).lines().next().unwrap().to_owned();
    assert_eq!(
        header("days.csv"),
        "date,bed,air_min_c,air_max_c,air_mean_c,rh_mean_pct,wind_mean_m_s,solar_mj_m2,soil_min_c,\
         soil_mean_c,soil_max_c,rain_mm,et0_mm,et0_method,kc,etc_mm,given_mm,drained_mm,depletion_mm,taw_mm,\
         raw_mm,share_used,gdd_air_c,gdd_soil_c,heat_dh_c,coldest_c,data_share,kcb,ke,depletion_sd_mm,guessed,joined_l,\
         corrected"
    );
    assert_eq!(header("matters.csv"), "time,bed,matter,urgency,from,to,why,litres,by,person");
    assert_eq!(header("refusals.csv"), "time,topic,payload,reason");
}

#[test]
fn the_last_civil_day_closes_and_unknown_stays_empty() {
    let into = tempfile::tempdir().unwrap();
    let summary = played(&drying(2), "", into.path()).unwrap();
    assert_eq!((summary.messages, summary.readings, summary.refused), (48, 96, 0));
    let soil = |column| day_field(into.path(), column, "2027-07-02").unwrap();
    // The extremes of the made wave lie on whole hours: 22 ± 4 within a hundredth or two.
    assert!((soil("soil_max_c").parse::<f64>().unwrap() - 26.0).abs() < 0.05);
    assert!((soil("soil_min_c").parse::<f64>().unwrap() - 18.0).abs() < 0.05);
    assert_eq!(soil("wind_mean_m_s"), "");
    // The sum of no waterings was -0.0, and stood so in the file.
    assert_eq!(soil("given_mm"), "0");
    assert_eq!(day_field(into.path(), "date", "2027-07-03"), None);
}

#[test]
fn the_same_inputs_give_the_same_bytes() {
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let lines = "time,entry\n2027-07-05T18:00:00Z,watered long 60 L\n";
    let first = played(&drying(12), lines, one.path()).unwrap();
    let second = played(&drying(12), lines, two.path()).unwrap();
    assert_eq!(first, second);
    assert!(first.letters > 0, "{first:?}");
    assert_eq!(files(one.path()), files(two.path()));
    assert!(files(one.path()).contains_key("letters/0001.eml"));
}

/// Live, a doubled message with its own time is stored once; its copies change nothing here either.
#[test]
fn doubled_rows_change_nothing() {
    let (once, twice) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let capture = drying(3);
    let mut lines = capture.lines();
    let mut doubled = format!("{}\n", lines.next().unwrap());
    for line in lines {
        writeln!(doubled, "{line}\n{line}").unwrap();
    }
    let first = played(&capture, "", once.path()).unwrap();
    let second = played(&doubled, "", twice.path()).unwrap();
    assert_eq!((first.readings, first.repeats), (144, 0));
    assert_eq!((second.readings, second.repeats), (144, 144));
    assert_eq!(files(once.path()), files(twice.path()));
}

#[test]
fn a_second_value_for_one_moment_is_refused_and_the_first_stands() {
    let into = tempfile::tempdir().unwrap();
    let ms = rfc3339::parse("2027-07-01T00:00:00Z").unwrap();
    let capture = format!("time,topic,payload\n{}{}", row(ms, 0.3, 20.0), row(ms, 0.3, 21.0));
    let summary = played(&capture, "", into.path()).unwrap();
    assert_eq!((summary.readings, summary.repeats, summary.refused), (2, 1, 1));
    let refusals = text(into.path(), "refusals.csv");
    assert!(refusals.contains("20 is known for this probe at 2027-07-01T00:00:00Z already"), "{refusals}");
}

#[test]
fn refusals_say_why_and_payloads_may_hold_anything() {
    let into = tempfile::tempdir().unwrap();
    let capture = "\u{feff}time,topic,payload,retained\r\n\
        2027-07-01T06:00:00.250Z,patch/gauge,\"a,\"\"b\"\"\r\nc\",\r\n\
        2027-07-01T08:00:01+02:00,patch/gauge,1.5,1\r\n\
        2027-07-01T06:00:02Z,elsewhere,1,0\r\n";
    let summary = played(capture, "", into.path()).unwrap();
    assert_eq!((summary.refused, summary.readings, summary.doubted, summary.unknown), (1, 1, 1, 1));
    assert_eq!(
        text(into.path(), "refusals.csv"),
        "time,topic,payload,reason\n2027-07-01T06:00:00.250Z,patch/gauge,\"a,\"\"b\"\"\\x0D\\x0Ac\",\
         \"\"\"a,\"\"b\"\"\\x0D\\x0Ac\"\" is not a number\"\n"
    );
}

#[test]
fn rows_that_cannot_be_played_are_refused_with_their_line() {
    let into = tempfile::tempdir().unwrap();
    let good = "2027-07-01T06:00:00Z,patch/gauge,\"0\n\"\n";
    for (capture, part) in [
        ("".to_owned(), "line 1: the header is \"\""),
        ("when,topic,payload\n".to_owned(), "line 1: the header is \"when,topic,payload\""),
        (
            format!("time,topic,payload\n{good}2027-07-01T05:59:59.999Z,patch/gauge,0\n"),
            "line 4: time 2027-07-01T05:59:59.999Z lies before",
        ),
        (format!("time,topic,payload\n{good}2027-07-01T07:59:59+02:00,patch/gauge,0\n"), "line 4"),
        (
            format!("time,topic,payload\n{good}2027-07-01T06:00:00,patch/gauge,0\n"),
            "line 4: time \"2027-07-01T06:00:00\" is not RFC 3339",
        ),
        (
            format!("time,topic,payload\n{good}2027-07-01T07:00:00Z,patch/gauge\n"),
            "line 4: 2 columns, the header has 3",
        ),
        (
            format!("time,topic,payload\n{good}9027-07-01T07:00:00Z,patch/gauge,0\n"),
            "line 4: time 9027-07-01T07:00:00Z lies more than 3 years",
        ),
        (
            "time,topic,payload,retained\n2027-07-01T07:00:00Z,patch/gauge,0,yes\n".to_owned(),
            "line 2: retained \"yes\"",
        ),
    ] {
        let error = played(&capture, "", into.path()).unwrap_err();
        assert!(error.starts_with("capture ") && error.contains(part), "{capture:?}: {error}");
    }
}

/// 60 L on 7 m² are 8.571 mm (1 mm on 1 m² = 1 L).
#[test]
fn the_day_book_joins_in_at_the_time_it_was_heard_of() {
    let given = |lines: &str| {
        let into = tempfile::tempdir().unwrap();
        let summary = played(&drying(4), lines, into.path()).unwrap();
        assert_eq!(summary.entries, 1);
        ["2027-07-02", "2027-07-03"].map(|date| day_field(into.path(), "given_mm", date).unwrap())
    };
    let at_once = given("time,entry\n2027-07-02T18:00:00Z,watered long 60 L\n");
    assert_eq!(at_once[0], "8.57143");
    assert_ne!(at_once[1], "8.57143");
    let after_the_end = given("time,entry\n2027-07-04T21:59:00Z,note dry\n");
    assert_ne!(after_the_end[0], "8.57143");
}

#[test]
fn letters_of_an_earlier_replay_go_and_other_files_stay() {
    let into = tempfile::tempdir().unwrap();
    let letters = into.path().join("letters");
    fs::create_dir_all(&letters).unwrap();
    fs::write(letters.join("0999.eml"), "old").unwrap();
    fs::write(letters.join("mine.eml"), "kept").unwrap();
    played(&drying(1), "", into.path()).unwrap();
    let names = files(into.path());
    assert!(!names.contains_key("letters/0999.eml") && names.contains_key("letters/mine.eml"));
}
