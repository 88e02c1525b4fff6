//! Sunrise and sunset against astral 3.2.
//!
//! Both speak of the civil day of the place, told in minutes from 00:00 UTC of its date. astral counts the
//! days of the zone it is handed, so it is handed the nearest whole hour.

use agronomy::sun::{SunTimes, sun_times};

use crate::asked::{Check, Table, ask, prove};
use crate::made::Chance;

struct Question {
    latitude_deg: f64,
    longitude_deg: f64,
    year: u16,
    day_of_year: u16,
}

fn questions(seed: u64, count: usize, latitude_deg: impl Fn(&mut Chance) -> f64) -> (Vec<Question>, Table) {
    let mut chance = Chance::new(seed);
    let mut table = Table::new(&["latitude_deg", "longitude_deg", "year", "day_of_year"]);
    let mut questions = Vec::new();
    for _ in 0..count {
        let question = Question {
            latitude_deg: latitude_deg(&mut chance),
            longitude_deg: chance.between(-180.0, 180.0),
            year: chance.whole(2000, 2060),
            day_of_year: chance.whole(1, 365),
        };
        table.push(&[
            question.latitude_deg,
            question.longitude_deg,
            f64::from(question.year),
            f64::from(question.day_of_year),
        ]);
        questions.push(question);
    }
    (questions, table)
}

fn ours(question: &Question) -> SunTimes {
    sun_times(question.latitude_deg, question.longitude_deg, question.year, question.day_of_year)
        .expect("a day on the globe")
}

#[test]
fn sunrise_and_sunset_below_62_degrees_agree_within_three_minutes() {
    let (questions, table) = questions(3, 2_000, |chance| chance.between(-62.0, 62.0));
    let answers = ask("sun", &[("places", &table)]);
    let (rise, set) = questions
        .iter()
        .map(|question| match ours(question) {
            SunTimes::Rises { rise_utc_min, set_utc_min } => (rise_utc_min, set_utc_min),
            other => panic!("{other:?} at {}°", question.latitude_deg),
        })
        .unzip();
    prove(vec![
        Check {
            what: "sunrise against astral, min",
            bound: 3.0,
            ours: rise,
            theirs: answers.column("rise_min", table.len()),
        },
        Check {
            what: "sunset against astral, min",
            bound: 3.0,
            ours: set,
            theirs: answers.column("set_min", table.len()),
        },
    ]);
}

/// What astral's own height of the sun makes of a day; `None` within a third of a degree of the border, where
/// refraction decides.
fn typed(noon_deg: f64, midnight_deg: f64) -> Option<&'static str> {
    // The upper edge, refracted, stands on the horizon at this height of the middle.
    const EDGE_DEG: f64 = -0.833;
    if (noon_deg - EDGE_DEG).abs() < 0.33 || (midnight_deg - EDGE_DEG).abs() < 0.33 {
        None
    } else if noon_deg < EDGE_DEG {
        Some("polar night")
    } else if midnight_deg > EDGE_DEG {
        Some("polar day")
    } else {
        Some("rises")
    }
}

#[test]
fn days_without_sunrise_or_sunset_are_told_apart() {
    let (questions, table) = questions(4, 2_000, |chance| {
        let latitude_deg = chance.between(63.0, 89.0);
        if chance.happens(0.5) { latitude_deg } else { -latitude_deg }
    });
    let answers = ask("sun_height", &[("places", &table)]);
    let noon = answers.column("noon_deg", table.len());
    let midnight = answers.column("midnight_deg", table.len());
    let mut counts = std::collections::BTreeMap::new();
    for (at, question) in questions.iter().enumerate() {
        let Some(theirs) = typed(noon[at], midnight[at]) else { continue };
        let ours = match ours(question) {
            SunTimes::Rises { .. } => "rises",
            SunTimes::PolarDay => "polar day",
            SunTimes::PolarNight => "polar night",
        };
        assert_eq!(
            ours, theirs,
            "{}° {}° day {} of {}",
            question.latitude_deg, question.longitude_deg, question.day_of_year, question.year
        );
        *counts.entry(theirs).or_insert(0) += 1;
    }
    println!("typed as astral has it: {counts:?}");
    assert!(counts.len() == 3 && counts.values().all(|count| *count > 200), "{counts:?}");
    // Told apart means that another type would have been seen.
    assert_eq!(typed(-3.0, -20.0), Some("polar night"));
    assert_eq!(typed(30.0, 3.0), Some("polar day"));
    assert_eq!(typed(30.0, -3.0), Some("rises"));
}
