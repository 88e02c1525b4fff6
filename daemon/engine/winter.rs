//! When a plant can no longer be alive, though nobody has logged its cutting: a forgotten line must not bring a
//! letter about cover for every night of the winter.
//!
//! Judgement, all of it: a sheet keeps two to three degrees (common practice, no source), and an hour below 0 °C
//! under it kills (Ontario agriculture ministry, Pumpkin and squash production), so three hours of a night at
//! -4 °C or less; where the air is a guess, one that lies two spreads below, over soil as cold. Or a week of soil
//! under 6 °C. Both only after mid-season: in spring another plant may take its place.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::settings::garden::Bed;

use super::calendar::{HOUR_MS, previous_day};
use super::core::Engine;
use super::scene::Scene;
use super::weather::Day;

const KILLS_C: f64 = -4.0;
const KILLS_HOURS: usize = 3;
/// A guess from soil must say so by as many of its spreads, and the soil itself be as cold at its lowest, °C (judgement:
/// when a front comes in, the guess runs 5 °C too cold, and a bed was taken for dead in its coldest week).
const GUESS_SDS: f64 = 2.0;
const CHILLED_SOIL_C: f64 = 3.0;
const COLD_SOIL_C: f64 = 6.0;
const COLD_SOIL_DAYS: usize = 7;
/// Days after setting out from which the second half of the season has come.
const MID_SEASON_DAYS: i64 = 60;
/// Half-years in which the season ends where no setting out is known, as days of the year.
const AUTUMN_NORTH: std::ops::RangeInclusive<u32> = 244..=366;
const AUTUMN_SOUTH: std::ops::RangeInclusive<u32> = 60..=181;

/// The day a plant was found not to have lived through, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ended {
    /// The civil day whose night or soil ended it.
    pub date: NaiveDate,
    /// Why, in words with figures.
    pub why: String,
}

impl Engine {
    /// A closed day, or one derived anew: whether a bed's plant can have lived through it.
    pub(super) fn look_for_end(&mut self, at: usize, day: &Day) {
        let Some(bed) = self.garden.beds.get(at) else { return };
        let found = self.ended_by(bed, day);
        let name = bed.name.clone();
        let known = self.memory.ended.get(&name);
        let stands = known.is_some_and(|known| known.date < day.date && self.is_end(&name, known));
        match found {
            Some(why) if !stands => {
                self.memory.ended.insert(name, Ended { date: day.date, why });
            }
            None if known.is_some_and(|known| known.date == day.date) => {
                self.memory.ended.remove(&name);
            }
            _ => {}
        }
    }

    fn is_end(&self, bed: &str, ended: &Ended) -> bool {
        self.memory.facts.alive(bed).is_none_or(|alive| alive <= ended.date)
    }

    fn ended_by(&self, bed: &Bed, day: &Day) -> Option<String> {
        let date = day.date;
        if !self.memory.facts.is_growing(bed, date) || !self.is_late(bed, date) {
            return None;
        }
        let (from_ms, to_ms) =
            (self.calendar.day_start(date) - 6 * HOUR_MS, self.calendar.day_start(date) + 12 * HOUR_MS);
        let measured = self.patch.air.filter(|_| day.air_guess_sd_c.is_none());
        let hours = measured.map_or(0, |probe| {
            self.hours.range(probe, from_ms, to_ms).filter(|(_, hour)| hour.mean() <= KILLS_C).count()
        });
        let on = date.format("%-d %B");
        if hours >= KILLS_HOURS {
            return Some(format!(
                "in the night to {on} the air stood at {KILLS_C:.0} °C or less for {hours} hours"
            ));
        }
        let guess = day
            .coldest_c
            .zip(day.air_guess_sd_c)
            .map(|(low_c, (sd_c, _))| (low_c, low_c + GUESS_SDS * sd_c))
            .filter(|_| day.soil.is_some_and(|soil| soil.min <= CHILLED_SOIL_C));
        if let Some((low_c, _)) = guess.filter(|(_, at_most_c)| *at_most_c <= KILLS_C) {
            return Some(format!("in the night to {on} the air fell to about {low_c:.0} °C, a guess"));
        }
        let alive = self.memory.facts.alive(&bed.name);
        let past = self.memory.days.iter().rev().skip_while(|past| past.date > date);
        let cold = past
            .take_while(|past| alive.is_none_or(|alive| past.date > alive))
            .take_while(|past| past.soil.is_some_and(|soil| soil.mean < COLD_SOIL_C))
            .take(COLD_SOIL_DAYS);
        (cold.count() == COLD_SOIL_DAYS)
            .then(|| format!("up to {on} the soil stood under {COLD_SOIL_C:.0} °C for a week"))
    }

    /// The second half of the season.
    fn is_late(&self, bed: &Bed, date: NaiveDate) -> bool {
        if let Some(planted) = self.memory.facts.planted(bed) {
            return (date - planted).num_days() >= MID_SEASON_DAYS;
        }
        let autumn = if self.garden.place.latitude_deg < 0.0 { AUTUMN_SOUTH } else { AUTUMN_NORTH };
        autumn.contains(&date.ordinal())
    }
}

impl Scene<'_> {
    /// The plant of a bed can no longer be alive, unless a line since then shows that it is.
    pub fn ended(&self, bed: &Bed) -> Option<&Ended> {
        let ended = self.ended.get(&bed.name)?;
        let planted_since = self.facts.planted(bed).is_some_and(|planted| planted > previous_day(ended.date));
        let alive = self.facts.alive(&bed.name).is_some_and(|alive| alive > ended.date);
        (!planted_since && !alive).then_some(ended)
    }
}
