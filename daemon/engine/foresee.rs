//! Today's maximum and tonight's minimum, foreseen at fixed hours from this garden's own days.

use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};
use serde::{Deserialize, Serialize};

use agronomy::foresight::{
    AfternoonAir, Case, EveningSoil, Forecaster, Foreseen, MorningAir, MorningSoil, day_maximum_at_morning,
    day_maximum_from_soil, night_minimum_at_afternoon, night_minimum_from_soil,
    night_minimum_of_first_nights, solar_hour, usual_half_range_of_soil_c,
};

use crate::record::Millis;
use crate::settings::garden::Garden;

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS, next_day, previous_day};
use super::hours::Hours;
use super::weather::Day;

/// The dawn call, for who is not free in the morning.
pub const DAWN: (u32, u32) = (6, 15);
/// The morning call of shade.
pub const MORNING: (u32, u32) = (9, 30);
/// The last look at the morning: a sheet put up later is hardly worth the climb.
pub const LATE: (u32, u32) = (10, 25);
/// The afternoon call of cover.
pub const AFTERNOON: (u32, u32) = (16, 0);
/// A reading older than this is not "now".
const FRESH_MS: Millis = 95 * MINUTE_MS;
/// So many calm nights are learned before the regression speaks.
const CALM_NIGHTS: usize = 10;
/// Days whose swing of the soil counts as the garden's own.
const SWINGS: usize = 40;

/// A time of day from hour and minute.
pub fn clock((hour, minute): (u32, u32)) -> NaiveTime {
    NaiveTime::MIN.with_hour(hour).and_then(|time| time.with_minute(minute)).unwrap_or(NaiveTime::MIN)
}

/// When today's maximum is foreseen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// At [`DAWN`].
    Dawn,
    /// At [`MORNING`].
    Morning,
    /// At [`LATE`]; it may only raise the call of the morning.
    Late,
}

impl Look {
    /// All looks in the order of the day.
    pub const ALL: [Look; 3] = [Look::Dawn, Look::Morning, Look::Late];

    /// Its time of day.
    pub fn time(self) -> (u32, u32) {
        match self {
            Look::Dawn => DAWN,
            Look::Morning => MORNING,
            Look::Late => LATE,
        }
    }
}

/// One look at the coming maximum: what it foresees and what it learns from.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Maximum {
    foreseen: Option<Forecast>,
    air: Memory,
    soil: Memory,
    waiting_air: Option<Waiting>,
    waiting_soil: Option<Waiting>,
}

/// What a forecaster remembers between runs.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Memory {
    rows: Vec<f64>,
    errors_c: Vec<f64>,
}

impl Memory {
    fn wake<const N: usize>(&self, mut fresh: Forecaster<N>) -> Forecaster<N> {
        fresh.remember(self.rows.clone(), self.errors_c.clone());
        fresh
    }

    /// Learns what came; a figure that is not finite is not learned from.
    fn learn<const N: usize>(&mut self, fresh: Forecaster<N>, case: &Case<N>, came_c: f64) {
        let mut forecaster = self.wake(fresh);
        if forecaster.learn(case, came_c).is_ok() {
            (self.rows, self.errors_c) = (forecaster.rows, forecaster.errors_c);
            // Thousandths of a degree: the state is written every hour, and no thermometer knows more.
            for value in self.rows.iter_mut().chain(&mut self.errors_c) {
                *value = (*value * 1000.0).round() / 1000.0;
            }
        }
    }
}

/// A case waiting for what comes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Waiting {
    date: NaiveDate,
    from_c: f64,
    predictors: Vec<f64>,
    /// Hour by the sun at the call, which picks the built-in figures.
    solar_hour: f64,
}

impl Waiting {
    fn case<const N: usize>(&self) -> Option<Case<N>> {
        let predictors = self.predictors.as_slice().try_into().ok()?;
        Some(Case { from_c: self.from_c, predictors })
    }

    fn new<const N: usize>(date: NaiveDate, case: &Case<N>, solar_hour: f64) -> Self {
        Self { date, from_c: case.from_c, predictors: case.predictors.to_vec(), solar_hour }
    }
}

/// A forecast that stands for a date.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// The day of the maximum; for a minimum the evening before it.
    pub date: NaiveDate,
    /// When it was made.
    pub at_ms: Millis,
    /// The most likely value, °C.
    pub value_c: f64,
    /// One standard deviation, °C.
    pub sd_c: f64,
    /// The margin of the call, °C.
    pub margin_c: f64,
    /// Made from soil alone.
    pub from_soil: bool,
}

impl Forecast {
    /// As the agronomy crate has it, for its rules of calling.
    pub fn foreseen(&self) -> Foreseen {
        Foreseen { value_c: self.value_c, sd_c: self.sd_c, margin_c: self.margin_c }
    }
}

/// A closed day's air, for learning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirOfDay {
    /// Highest, °C.
    pub max_c: f64,
    /// Guessed from the soil, with the spreads of minimum and maximum.
    pub guess_sd_c: Option<(f64, f64)>,
}

/// The forecasts of a garden and what they learn from.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Foresee {
    /// In the order of [`Look::ALL`].
    maxima: [Maximum; 3],
    /// Tonight's minimum as foreseen in the afternoon.
    pub night: Option<Forecast>,
    /// The same from soil alone, as foreseen in the evening.
    #[serde(default)]
    pub evening: Option<Forecast>,
    afternoon: Memory,
    waiting_night: Option<Waiting>,
    /// Falls from the afternoon to the night's minimum, newest last.
    falls_c: Vec<f64>,
    /// Calm nights seen: air and dew point two hours after sunset, and the minimum.
    pub calm_nights: Vec<(f64, Option<f64>, f64)>,
    /// Tonight two hours after sunset.
    pub dusk: Option<(NaiveDate, f64, Option<f64>)>,
}

/// Where the forecasts read: the probes of the patch.
#[derive(Debug, Clone, Copy)]
pub struct Sight<'a> {
    /// The garden.
    pub garden: &'a Garden,
    /// Its calendar.
    pub calendar: &'a Calendar,
    /// Its hours.
    pub hours: &'a Hours,
    /// Air thermometer.
    pub air: Option<usize>,
    /// Humidity sensor.
    pub humidity: Option<usize>,
    /// Wind sensor.
    pub wind: Option<usize>,
    /// Shallowest soil thermometer.
    pub soil: Option<usize>,
    /// Now.
    pub now_ms: Millis,
}

impl Sight<'_> {
    fn fresh(&self, probe: usize, at_ms: Millis) -> Option<f64> {
        let (read_ms, value) = self.hours.last(probe, at_ms - 3 * HOUR_MS, at_ms)?;
        (at_ms - read_ms <= FRESH_MS).then_some(value)
    }

    fn low_since(&self, probe: usize, from_ms: Millis) -> Option<f64> {
        self.hours.extremes(probe, from_ms, self.now_ms).map(|(low, _)| low)
    }

    fn today(&self) -> NaiveDate {
        self.calendar.date(self.now_ms)
    }

    fn at(&self, date: NaiveDate, time: (u32, u32)) -> Millis {
        self.calendar.at(date, clock(time))
    }

    fn solar_hour(&self) -> f64 {
        let utc = self.now_ms.rem_euclid(24 * HOUR_MS) as f64 / HOUR_MS as f64;
        solar_hour(utc, self.garden.place.longitude_deg)
    }

    /// The date of the evening that this night began with: it may be past midnight already.
    fn evening(&self) -> NaiveDate {
        self.calendar.date(self.now_ms - 4 * HOUR_MS)
    }

    /// The night's minimum from the shallowest soil thermometer.
    fn night_from_soil(&self, evening: NaiveDate, days: &[Day]) -> Option<Foreseen> {
        let probe = self.soil?;
        let soil_c = self.fresh(probe, self.now_ms)?;
        let midnight_ms = self.calendar.day_start(evening);
        let (dawn_c, _) = self.hours.extremes(probe, midnight_ms, midnight_ms + 12 * HOUR_MS)?;
        let change_c = self.fresh(probe, self.now_ms - 24 * HOUR_MS).map(|before_c| soil_c - before_c);
        let afternoon = |date| {
            let at_ms = self.at(date, AFTERNOON);
            self.fresh(probe, at_ms + 1)
        };
        let later = self.now_ms > self.at(evening, AFTERNOON) + HOUR_MS;
        let change_at_16_c = afternoon(evening).zip(afternoon(previous_day(evening)));
        let since_c =
            change_c.zip(change_at_16_c).map(|(change_c, (now_c, before_c))| change_c - (now_c - before_c));
        let (half_range_c, half_range_before_c) = soil_swing(self.garden, probe, days, evening)?;
        let soil = EveningSoil {
            dawn_c,
            change_c,
            change_since_16_c: later.then(|| since_c.unwrap_or(0.0)),
            half_range_c,
            half_range_before_c,
            latitude_deg: self.garden.place.latitude_deg,
            day_of_year: u16::try_from(evening.ordinal()).ok()?,
        };
        night_minimum_from_soil(&soil).ok()
    }

    /// Dew point now, °C.
    fn dew_point(&self, air_c: f64) -> Option<f64> {
        let rh_pct = self.fresh(self.humidity?, self.now_ms)?;
        let ea_kpa = agronomy::air::saturation_kpa(air_c).ok()? * rh_pct.clamp(1.0, 100.0) / 100.0;
        agronomy::air::dewpoint_c(ea_kpa).ok()
    }
}

impl Foresee {
    /// Today's maximum as foreseen at a look, if that look was taken on `date`.
    pub fn maximum(&self, look: Look, date: NaiveDate) -> Option<Forecast> {
        self.maxima[look as usize].foreseen.filter(|forecast| forecast.date == date)
    }

    /// Foresees today's maximum and keeps the case for learning.
    pub fn call_maximum(&mut self, sight: Sight<'_>, look: Look, max_before_c: Option<f64>) {
        let date = sight.today();
        let hour = sight.solar_hour();
        let before_ms = sight.at(previous_day(date), look.time());
        let maximum = &mut self.maxima[look as usize];
        let from_air = sight.air.and_then(|probe| {
            let air_c = sight.fresh(probe, sight.now_ms)?;
            let case = MorningAir {
                solar_hour: hour,
                air_c,
                dawn_c: sight.low_since(probe, sight.at(date, (3, 0))),
                max_before_c,
                same_hour_before_c: sight.fresh(probe, before_ms),
            }
            .case();
            let foreseen = maximum.air.wake(day_maximum_at_morning(hour)).foresee(&case).ok()?;
            Some((Waiting::new(date, &case, hour), foreseen))
        });
        let from_soil = sight.soil.and_then(|probe| {
            let soil_c = sight.fresh(probe, sight.now_ms)?;
            let same_hour_before_c = sight.fresh(probe, before_ms);
            let case = MorningSoil { soil_c, same_hour_before_c, max_before_c }.case();
            let foreseen = maximum.soil.wake(day_maximum_from_soil(GUESS_SD_C)).foresee(&case).ok()?;
            Some((Waiting::new(date, &case, hour), foreseen))
        });
        maximum.foreseen = match (&from_air, &from_soil) {
            (Some((_, foreseen)), _) => Some(forecast(date, sight.now_ms, *foreseen, false)),
            (None, Some((_, foreseen))) => Some(forecast(date, sight.now_ms, *foreseen, true)),
            (None, None) => None,
        };
        maximum.waiting_air = from_air.map(|(case, _)| case);
        maximum.waiting_soil = from_soil.map(|(case, _)| case);
    }

    /// The call of the afternoon: foresees tonight's minimum and keeps the case for learning.
    pub fn call_minimum(&mut self, sight: Sight<'_>, days: &[Day]) {
        let date = sight.today();
        let hour = sight.solar_hour();
        let from_air = sight.air.and_then(|probe| {
            let air_c = sight.fresh(probe, sight.now_ms)?;
            let case = AfternoonAir {
                air_c,
                dew_point_c: sight.dew_point(air_c),
                fall_before_c: self.falls_c.last().copied(),
            }
            .case();
            let foreseen = if self.calm_nights.len() < CALM_NIGHTS {
                night_minimum_of_first_nights(air_c, &self.falls_c).ok()?
            } else {
                self.afternoon.wake(night_minimum_at_afternoon()).foresee(&case).ok()?
            };
            Some((Waiting::new(date, &case, hour), foreseen))
        });
        let from_soil = if from_air.is_none() { sight.night_from_soil(date, days) } else { None };
        self.night = match (&from_air, from_soil) {
            (Some((_, foreseen)), _) => Some(forecast(date, sight.now_ms, *foreseen, false)),
            (None, Some(foreseen)) => Some(forecast(date, sight.now_ms, foreseen, true)),
            (None, None) => None,
        };
        self.waiting_night = from_air.map(|(case, _)| case);
    }

    /// The evening where no air is measured: the soil at 5 cm says an hour and a half later what the air said.
    pub fn call_evening(&mut self, sight: Sight<'_>, days: &[Day]) {
        let evening = sight.evening();
        let from_soil = if sight.air.is_none() { sight.night_from_soil(evening, days) } else { None };
        self.evening = from_soil.map(|foreseen| forecast(evening, sight.now_ms, foreseen, true));
    }

    /// Two hours after sunset: what the night begins with.
    pub fn note_dusk(&mut self, sight: Sight<'_>) {
        self.dusk = sight.air.and_then(|probe| {
            let air_c = sight.fresh(probe, sight.now_ms)?;
            Some((sight.evening(), air_c, sight.dew_point(air_c)))
        });
    }

    /// The morning after: what came of the night, where the air is measured.
    pub fn learn_night(&mut self, sight: Sight<'_>) {
        let evening = previous_day(sight.today());
        let from_ms = sight.calendar.hour_start(sight.at(evening, AFTERNOON));
        let Some(probe) = sight.air else { return };
        let hours_seen = sight.hours.present(probe, from_ms, sight.now_ms);
        if hours_seen + 2 < Hours::whole(from_ms, sight.now_ms) {
            return;
        }
        let Some((low_c, _)) = sight.hours.extremes(probe, from_ms, sight.now_ms) else { return };
        if let Some(waiting) = self.waiting_night.take().filter(|waiting| waiting.date == evening) {
            self.falls_c.push(waiting.from_c - low_c);
            let spare = self.falls_c.len().saturating_sub(14);
            self.falls_c.drain(..spare);
            if let Some(case) = waiting.case::<4>() {
                self.afternoon.learn(night_minimum_at_afternoon(), &case, low_c);
            }
        }
        if let Some((_, air_c, dew_c)) = self.dusk.take().filter(|(date, ..)| *date == evening)
            && is_calm(sight, evening, probe)
        {
            self.calm_nights.push((air_c, dew_c, low_c));
            let spare = self.calm_nights.len().saturating_sub(60);
            self.calm_nights.drain(..spare);
        }
    }

    /// A day was closed: what came of its maximum.
    pub fn learn_day(&mut self, date: NaiveDate, air: AirOfDay) {
        let sd_max = air.guess_sd_c.map_or(0.0, |(_, sd_max)| sd_max);
        let due = |waiting: &mut Option<Waiting>| waiting.take().filter(|waiting| waiting.date == date);
        for maximum in &mut self.maxima {
            let measured = due(&mut maximum.waiting_air).filter(|_| air.guess_sd_c.is_none());
            if let Some((hour, case)) =
                measured.and_then(|waiting| Some((waiting.solar_hour, waiting.case::<4>()?)))
            {
                maximum.air.learn(day_maximum_at_morning(hour), &case, air.max_c);
            }
            if let Some(case) = due(&mut maximum.waiting_soil).and_then(|waiting| waiting.case::<3>()) {
                maximum.soil.learn(day_maximum_from_soil(sd_max), &case, air.max_c);
            }
        }
    }
}

/// Half of the daily range of the soil before a date, °C: the garden's own, and the day before's.
pub fn soil_swing(
    garden: &Garden,
    probe: usize,
    days: &[Day],
    date: NaiveDate,
) -> Option<(f64, Option<f64>)> {
    let half = |day: &Day| day.soil.map(|soil| (soil.max - soil.min) / 2.0);
    let known = &days[..days.partition_point(|day| day.date < date)];
    let halves_c: Vec<f64> = known[known.len().saturating_sub(SWINGS)..].iter().filter_map(half).collect();
    let yesterday = known.last().filter(|day| next_day(day.date) == date);
    let depth_m = garden.probes.get(probe)?.depth_m?;
    Some((usual_half_range_of_soil_c(depth_m, &halves_c).ok()?, yesterday.and_then(half)))
}

/// Spread of a day's maximum guessed from a shallow probe, °C, as it enters the margin of a
/// forecast from soil (stated with the guess itself in `agronomy::soil_air`).
const GUESS_SD_C: f64 = 2.2;

fn forecast(date: NaiveDate, at_ms: Millis, foreseen: Foreseen, from_soil: bool) -> Forecast {
    let Foreseen { value_c, sd_c, margin_c } = foreseen;
    Forecast { date, at_ms, value_c, sd_c, margin_c, from_soil }
}

/// A calm night: wind under 2 m/s from dusk to dawn; without a wind sensor, no rise of the air over 0.5 °C
/// between two hours after dusk and dawn.
fn is_calm(sight: Sight<'_>, evening: NaiveDate, air: usize) -> bool {
    let (_, sunset) = super::daylight::sun_up(sight.garden.place, evening, sight.calendar);
    let (sunrise, _) = super::daylight::sun_up(sight.garden.place, next_day(evening), sight.calendar);
    let from_ms = sight.calendar.hour_start(sunset + HOUR_MS);
    let to_ms = sight.calendar.hour_start(sunrise);
    if let Some(mean) = sight.wind.and_then(|probe| sight.hours.mean(probe, from_ms, to_ms)) {
        return mean < 2.0;
    }
    let mut lowest: Option<f64> = None;
    for (_, hour) in sight.hours.range(air, from_ms, to_ms) {
        let mean_c = hour.mean();
        if lowest.is_some_and(|low| mean_c > low + 0.5) {
            return false;
        }
        lowest = Some(lowest.map_or(mean_c, |low: f64| low.min(mean_c)));
    }
    lowest.is_some()
}
