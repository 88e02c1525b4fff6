//! What must hold of the closed days of a story: they are those of a clean replay of what is stored, and they claim
//! nothing that was not measured.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate};
use rindwatch::daybook;
use rindwatch::engine::{Action, Engine, Event, Now};
use rindwatch::record::{DayRecord, Doubt, Guess, Millis, ProbeIx, Reading};

use super::garden::{BARE, DAY, PROBES, RAIN};
use super::model::{FIRST_DATE, LAST_DATE};
use super::play::World;

const WARM: usize = 2;
const AIR: usize = 4;
const WIND: usize = 6;
/// What is made of the hours alone is the same but for sums in another order.
const NEAR: f64 = 1e-6;
/// The books hang on the second in which they were begun, and on the minute in which a reading came, mm.
const BOOKS_NEAR_MM: f64 = 0.05;
/// Readings later than this find hours of which the books are no longer derived anew whole.
const LATE_MS: Millis = 7 * DAY;
/// Rounds are made at whole five minutes; what came punctually came then, after what had waited.
const ROUND_MS: Millis = 300_000;
const AFTER_MS: Millis = 500;

/// What of the days must be the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Held {
    /// The order in which readings came is not known any more, and doubts and verdicts hang on it.
    Dates,
    /// The garden began amid trouble: the books remember that.
    Weather,
    All,
}

type Days = BTreeMap<NaiveDate, DayRecord>;

impl World {
    /// How many closed days were held against those of a clean replay in every figure.
    pub fn days_are_right(&self, began_ms: Millis) -> Result<usize, String> {
        let core = self.core.as_ref().ok_or("it does not run although all is well")?;
        let reader = core.store().reader();
        let days = reader.bed_days(Some("long"), FIRST_DATE, LAST_DATE).map_err(|error| error.to_string())?;
        let days: Days = days.into_iter().map(|day| (day.date, day)).collect();
        let readings = self.stored()?;
        self.nothing_is_made_up(&days, &readings)?;
        let clean = self.replayed(&readings, began_ms, core.told().0)?;
        let held = match (self.lost_arrivals || !in_order(&readings), self.disturbed) {
            (true, _) => Held::Dates,
            (false, true) => Held::Weather,
            (false, false) => Held::All,
        };
        let compared = days.len() * usize::from(held == Held::All);
        same(&days, &clean, held).map(|()| compared)
    }

    /// All readings in the order in which they came.
    fn stored(&self) -> Result<Vec<Reading>, String> {
        let core = self.core.as_ref().ok_or("it does not run although all is well")?;
        let reader = core.store().reader();
        let mut all = Vec::new();
        for (place, probe) in self.garden.probes.iter().enumerate() {
            let series = reader.series_of(probe).map_err(|error| error.to_string())?.ok_or("no series")?;
            let raw = reader.raw(&series, Millis::MIN, Millis::MAX, u32::MAX);
            all.extend(raw.map_err(|error| error.to_string())?.iter().map(|kept| Reading {
                probe: ProbeIx(place as u16),
                at_ms: kept.at_ms,
                arrived_ms:
                    kept.arrived_ms.unwrap_or((kept.at_ms.div_euclid(ROUND_MS) + 1) * ROUND_MS + AFTER_MS),
                value: kept.value,
                own_time: PROBES[place].own,
                doubt: kept.doubt,
            }));
        }
        all.sort_by_key(|reading| (reading.arrived_ms, reading.at_ms));
        Ok(all)
    }

    /// The days that an engine makes which lives through the same in peace.
    fn replayed(&self, readings: &[Reading], began_ms: Millis, ends_ms: Millis) -> Result<Days, String> {
        let core = self.core.as_ref().ok_or("it does not run although all is well")?;
        let book = core.store().reader().book(Millis::MIN, Millis::MAX).map_err(|error| error.to_string())?;
        let mut events: Vec<(Millis, Event)> = Vec::new();
        for reading in readings.iter().filter(|reading| reading.doubt != Some(Doubt::ClockUnsure)) {
            events.push((reading.arrived_ms, Event::Reading(*reading)));
        }
        for line in book.iter().filter(|line| !line.clock_unsure) {
            let entry = daybook::parse(&line.words, &self.garden).map_err(|error| error.to_string())?;
            events.push((line.entered_ms, Event::Entry { entry, happened_ms: line.happened_ms }));
        }
        events.sort_by_key(|(at_ms, _)| *at_ms);
        let mut engine = Engine::new(Arc::clone(&self.garden));
        let mut days = Days::new();
        let ends = [(began_ms, Event::Turn), (ends_ms, Event::Turn)];
        let [first, last] = ends;
        for (at_ms, event) in std::iter::once(first).chain(events).chain([last]) {
            for action in engine.handle(event, Now { ms: at_ms, trusted: true }) {
                if let Action::Day(day) = action {
                    days.insert(day.date, *day);
                }
            }
        }
        Ok(days)
    }

    /// A figure of a day that is not named a guess rests on readings of that day.
    fn nothing_is_made_up(&self, days: &Days, readings: &[Reading]) -> Result<(), String> {
        let mut heard: HashSet<(usize, NaiveDate)> = HashSet::new();
        for reading in readings {
            let at = DateTime::from_timestamp_millis(reading.at_ms).ok_or("a time beyond the calendar")?;
            heard.insert((usize::from(reading.probe.0), at.with_timezone(&self.garden.zone).date_naive()));
        }
        for day in days.values() {
            let figures = [
                ("air", AIR, day.air_mean_c, Guess::Air),
                ("humidity", BARE, day.rh_mean_pct, Guess::Humidity),
                ("wind", WIND, day.wind_mean_m_s, Guess::Wind),
                ("soil", WARM, day.soil_mean_c, Guess::Soil),
                ("rain", RAIN, day.rain_mm, Guess::Rain),
            ];
            for (what, probe, figure, guess) in figures {
                // What fell in a gap of the gauge is known when it speaks again.
                let next = day.date.succ_opt().filter(|_| probe == RAIN).unwrap_or(day.date);
                let known = heard.contains(&(probe, day.date)) || heard.contains(&(probe, next));
                if figure.is_some() && !day.guessed.contains(&guess) && !known {
                    return Err(format!(
                        "{} has {what} {figure:?}, and nobody measured it: {day:?}",
                        day.date
                    ));
                }
            }
        }
        Ok(())
    }
}

/// Each probe's readings came in the order of their times, and within days: a counter of rain that is heard out of
/// order puts what fell elsewhere in time, and the store keeps no order within one arrival.
fn in_order(readings: &[Reading]) -> bool {
    let mut last: HashMap<ProbeIx, Millis> = HashMap::new();
    readings.iter().all(|reading| {
        let before = last.insert(reading.probe, reading.at_ms);
        before.is_none_or(|before| before <= reading.at_ms) && reading.arrived_ms - reading.at_ms < LATE_MS
    })
}

/// Figures that the books make of many days.
const BOOKS: [&str; 6] = ["data_share", "rain_mm", "etc_mm", "given_mm", "depletion_mm", "taw_mm"];

/// The figures of a day by name.
fn figures(day: &DayRecord) -> HashMap<&'static str, Option<f64>> {
    HashMap::from([
        ("air_min_c", day.air_min_c),
        ("air_mean_c", day.air_mean_c),
        ("air_max_c", day.air_max_c),
        ("rh_mean_pct", day.rh_mean_pct),
        ("wind_mean_m_s", day.wind_mean_m_s),
        ("soil_min_c", day.soil_min_c),
        ("soil_mean_c", day.soil_mean_c),
        ("soil_max_c", day.soil_max_c),
        ("rain_mm", day.rain_mm),
        ("et0_mm", day.et0_mm),
        ("etc_mm", day.etc_mm),
        ("given_mm", day.given_mm),
        ("depletion_mm", day.depletion_mm),
        ("taw_mm", day.taw_mm),
        ("gdd_air_c", day.gdd_air_c),
        ("gdd_soil_c", day.gdd_soil_c),
        ("data_share", day.data_share),
    ])
}

fn same(days: &Days, clean: &Days, held: Held) -> Result<(), String> {
    let dates: Vec<_> = days.keys().collect();
    // A boot in the first hour, before any state was saved: the garden began after it.
    let began = days.keys().next().or(clean.keys().next_back());
    let clean_dates: Vec<_> = clean.keys().filter(|date| Some(*date) >= began).collect();
    if days.is_empty() {
        return Ok(());
    }
    if dates != clean_dates {
        return Err(format!("days {dates:?} are closed; a clean replay closes {clean_dates:?}"));
    }
    for (date, day) in days {
        let other = figures(&clean[date]);
        for (what, figure) in figures(day) {
            let of_books = BOOKS.contains(&what);
            if held == Held::Dates || (held == Held::Weather && of_books) {
                continue;
            }
            let near = match (figure, other[what]) {
                (None, None) => true,
                (Some(one), Some(two)) if of_books => (one - two).abs() <= BOOKS_NEAR_MM,
                (Some(one), Some(two)) => (one - two).abs() <= NEAR * one.abs().max(1.0),
                _ => false,
            };
            if !near {
                let other = other[what];
                return Err(format!("{what} of {date} is {figure:?}; a clean replay makes it {other:?}"));
            }
        }
    }
    Ok(())
}
