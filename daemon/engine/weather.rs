//! The weather of a closed civil day, derived from the hours: so a late reading re-derives its day.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use agronomy::climate;
use agronomy::evapotranspiration::{self as et, DayWeather, Method};
use agronomy::hargreaves::{HargreavesFit, SEASON_DAYS};
use agronomy::soil_air::{self, SoilDay};

use crate::quantities::Quantity;
use crate::record::{Et0Method, Guess, Millis};
use crate::settings::garden::{Garden, Place};

use super::calendar::{Calendar, HOUR_MS};
use super::daylight;
use super::hours::Hours;
use super::scene::Scene;

/// A day's extremes count from so many of its hours on (of 24; in proportion on short and long days).
const HOURS_FOR_EXTREMES: f64 = 20.0 / 24.0;
/// A day's mean of wind or humidity counts from half of its hours on.
const HOURS_FOR_MEAN: f64 = 0.5;
/// The sun's sum counts if so much of the daylight was seen.
const DAYLIGHT_SEEN: f64 = 0.9;

/// Lowest, mean and highest of a day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Range {
    /// Lowest.
    pub min: f64,
    /// Mean over the hours.
    pub mean: f64,
    /// Highest.
    pub max: f64,
}

/// The weather of one closed day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Day {
    /// The date.
    pub date: NaiveDate,
    /// Air, °C, measured or guessed from the soil.
    pub air: Option<Range>,
    /// The air is a guess; spreads of its minimum and maximum, °C.
    pub air_guess_sd_c: Option<(f64, f64)>,
    /// Mean humidity, %.
    pub rh_mean_pct: Option<f64>,
    /// Lowest humidity, %.
    pub rh_min_pct: Option<f64>,
    /// Mean wind at the sensor, m/s.
    pub wind_mean_m_s: Option<f64>,
    /// Sun, MJ/m².
    pub solar_mj_m2: Option<f64>,
    /// Rain, mm; `None` without a gauge and with nobody looking, and where the gauge was silent or missed rain.
    pub rain_mm: Option<f64>,
    /// Shallowest soil temperature of the patch, °C.
    pub soil: Option<Range>,
    /// Its daily wave as [`soil_air::wave_c`] has it, °C.
    #[serde(default)]
    pub soil_wave_c: Option<f64>,
    /// Hargreaves on measured air as printed, mm.
    #[serde(default)]
    pub hargreaves_mm: Option<f64>,
    /// Reference evapotranspiration, mm, and its spread.
    pub et0_mm: f64,
    /// Its standard deviation, mm.
    pub et0_sd_mm: f64,
    /// How it was had.
    pub et0_method: Et0Method,
    /// What was guessed.
    pub guessed: Vec<Guess>,
    /// Lowest air of the night that ended that morning, °C.
    pub coldest_c: Option<f64>,
}

/// The probes that stand for the whole patch: the first of each kind, for soil the shallowest.
#[derive(Debug, Clone, Copy, Default)]
pub struct PatchProbes {
    /// Air temperature.
    pub air: Option<usize>,
    /// Humidity.
    pub humidity: Option<usize>,
    /// Wind.
    pub wind: Option<usize>,
    /// Sun.
    pub sun: Option<usize>,
    /// Rain.
    pub rain: Option<usize>,
    /// Shallowest soil temperature.
    pub soil: Option<usize>,
}

impl PatchProbes {
    /// Picks them from the settings.
    pub fn of(garden: &Garden) -> Self {
        let first = |quantity| garden.probes.iter().position(|probe| probe.quantity == quantity);
        Self {
            air: first(Quantity::AirTemperature),
            humidity: first(Quantity::AirHumidity),
            wind: first(Quantity::WindSpeed),
            sun: first(Quantity::SolarRadiation),
            rain: first(Quantity::Rain),
            soil: shallowest(garden, None),
        }
    }
}

/// The shallowest soil thermometer of a bed, or of the garden.
pub fn shallowest(garden: &Garden, bed: Option<&str>) -> Option<usize> {
    garden
        .probes
        .iter()
        .enumerate()
        .filter(|(_, probe)| probe.quantity == Quantity::SoilTemperature)
        .filter(|(_, probe)| bed.is_none_or(|bed| probe.bed.as_deref() == Some(bed)))
        .min_by(|(_, a), (_, b)| a.depth_m.unwrap_or(9.0).total_cmp(&b.depth_m.unwrap_or(9.0)))
        .map(|(at, _)| at)
}

/// Lowest, mean and highest of a probe in a span, if enough of its hours were seen.
pub fn range(hours: &Hours, probe: usize, from_ms: Millis, to_ms: Millis) -> Option<Range> {
    let needed = HOURS_FOR_EXTREMES * Hours::whole(from_ms, to_ms) as f64;
    if (hours.present(probe, from_ms, to_ms) as f64) < needed {
        return None;
    }
    let (min, max) = hours.extremes(probe, from_ms, to_ms)?;
    Some(Range { min, mean: hours.mean(probe, from_ms, to_ms)?, max })
}

/// Days on which both equations could be had: Hargreaves as printed and Penman-Monteith, mm, by the day of the
/// year; a later year takes the place of an earlier one.
pub type BothWays = std::collections::BTreeMap<u16, (f64, f64)>;

fn day_of_year(date: NaiveDate) -> u16 {
    u16::try_from(date.ordinal()).unwrap_or(1)
}

/// Keeps a day's pair if both could be had.
pub fn note_both_ways(known: &mut BothWays, day: &Day) {
    if let (Some(simple_mm), Et0Method::PenmanMonteith) = (day.hargreaves_mm, day.et0_method) {
        known.insert(day_of_year(day.date), (simple_mm, day.et0_mm));
    }
}

/// This garden's own line from Hargreaves to Penman-Monteith, by the days of the season of `date`.
pub fn hargreaves_fit(known: &BothWays, date: NaiveDate) -> Option<HargreavesFit> {
    let of_season = |at: u16| {
        let apart = at.abs_diff(day_of_year(date));
        apart.min(366 - apart) <= SEASON_DAYS
    };
    let days: Vec<(f64, f64)> =
        known.iter().filter(|(at, _)| of_season(**at)).map(|(_, pair)| *pair).collect();
    HargreavesFit::from_days(&days).ok().flatten()
}

/// What of the days before a day's weather hangs on.
#[derive(Debug, Clone, Default)]
struct Before {
    /// Mean of the shallow soil a day earlier, °C.
    soil_mean_c: Option<f64>,
    /// Waves of the shallow soil on the last days, newest last, °C.
    waves_c: Vec<f64>,
    /// The garden's own line from Hargreaves to Penman-Monteith.
    fit: Option<HargreavesFit>,
}

impl Before {
    /// Of the days before `date`.
    fn of(days: &[Day], both_ways: &BothWays, date: NaiveDate) -> Self {
        let earlier = &days[..days.partition_point(|day| day.date < date)];
        let yesterday = earlier.last().filter(|day| day.date.succ_opt() == Some(date));
        Self {
            soil_mean_c: yesterday.and_then(|day| day.soil).map(|soil| soil.mean),
            waves_c: earlier.iter().filter_map(|day| day.soil_wave_c).collect(),
            fit: hargreaves_fit(both_ways, date),
        }
    }
}

/// Derives the day's weather, the rain as far as it is known.
pub fn close(scene: &Scene<'_>, date: NaiveDate) -> Day {
    let Scene { garden, calendar, hours, patch: probes, .. } = *scene;
    let before = &Before::of(scene.days, scene.both_ways, date);
    let (from_ms, to_ms) = (calendar.day_start(date), calendar.day_end(date));
    let enough = |probe: usize, share: f64| {
        hours.present(probe, from_ms, to_ms) as f64 >= share * Hours::whole(from_ms, to_ms) as f64
    };
    let seen_range = |probe: Option<usize>| probe.and_then(|probe| range(hours, probe, from_ms, to_ms));
    let mean = |probe: Option<usize>| {
        let probe = probe.filter(|probe| enough(*probe, HOURS_FOR_MEAN))?;
        hours.mean(probe, from_ms, to_ms)
    };
    let humidity = seen_range(probes.humidity);
    let soil = seen_range(probes.soil);
    let measured = seen_range(probes.air);
    let soil_day = soil_day(garden, calendar, hours, probes.soil, soil, date, before);
    let guess =
        if measured.is_some() { None } else { soil_day.and_then(|day| soil_air::estimate(&day).ok()) };
    let air = measured.or(guess.map(|air| Range { min: air.min_c, mean: air.mean_c, max: air.max_c }));
    let wind_mean_m_s = mean(probes.wind);
    let solar_mj_m2 = probes.sun.and_then(|probe| solar(garden.place, calendar, hours, probe, date));
    let weather = DayWeather {
        air_min_c: air.map(|air| air.min),
        air_max_c: air.map(|air| air.max),
        air_is_guess: guess.is_some(),
        rh_mean_pct: mean(probes.humidity),
        rh_max_pct: humidity.map(|range| range.max),
        rh_min_pct: humidity.map(|range| range.min),
        wind_m_s: wind_mean_m_s,
        solar_mj_m2,
    };
    let et0 = reference(garden.place, date, &weather, before.fit);
    let mut guessed = et0.3;
    if probes.rain.is_some_and(|probe| hours.is_guessed(probe, from_ms, to_ms)) {
        guessed.push(Guess::Rain);
    }
    let night_from = from_ms - 6 * HOUR_MS;
    let night_to = from_ms + 9 * HOUR_MS;
    let coldest_c = match (probes.air, guess) {
        (_, Some(guess)) => Some(guess.min_c),
        (Some(probe), None) => range(hours, probe, night_from, night_to).map(|range| range.min),
        (None, None) => None,
    };
    Day {
        date,
        air,
        air_guess_sd_c: guess.map(|guess| (guess.sd_min_c, guess.sd_max_c)),
        rh_mean_pct: weather.rh_mean_pct,
        rh_min_pct: weather.rh_min_pct,
        wind_mean_m_s,
        solar_mj_m2,
        rain_mm: scene.rain_known_mm(from_ms, to_ms),
        soil,
        soil_wave_c: soil_day.and_then(|day| soil_air::wave_c(&day).ok()),
        hargreaves_mm: measured.and_then(|air| simple(garden.place, date, air)),
        et0_mm: et0.0,
        et0_sd_mm: et0.1,
        et0_method: et0.2,
        guessed,
        coldest_c,
    }
}

fn soil_day(
    garden: &Garden,
    calendar: &Calendar,
    hours: &Hours,
    probe: Option<usize>,
    soil: Option<Range>,
    date: NaiveDate,
    before: &Before,
) -> Option<SoilDay> {
    let (probe, soil) = probe.zip(soil)?;
    let depth_m = garden.probes.get(probe)?.depth_m?;
    let from_ms = calendar.day_start(date);
    let morning = hours.extremes(probe, from_ms, from_ms + 12 * HOUR_MS);
    let day_of_year = day_of_year(date);
    let latitude_deg = garden.place.latitude_deg;
    Some(SoilDay {
        depth_m,
        min_c: morning.map_or(soil.min, |(low, _)| low),
        mean_c: soil.mean,
        max_c: soil.max,
        mean_before_c: before.soil_mean_c,
        day_of_year,
        latitude_deg,
        damping_depth_m: None,
        own_wave_c: soil_air::own_wave_c(latitude_deg, day_of_year, &before.waves_c).ok(),
    })
}

/// The day's sun, MJ/m²: hours without a reading in the dark count as dark; of the light nine tenths must
/// have been seen.
fn solar(place: Place, calendar: &Calendar, hours: &Hours, probe: usize, date: NaiveDate) -> Option<f64> {
    let (from_ms, to_ms) = (calendar.day_start(date), calendar.day_end(date));
    let (rise, set) = daylight::sun_up(place, date, calendar);
    let (light_from, light_to) = (calendar.hour_start(rise) + HOUR_MS, calendar.hour_start(set));
    let light = Hours::whole(light_from, light_to) as f64;
    if (hours.present(probe, light_from, light_to) as f64) < DAYLIGHT_SEEN * light {
        return None;
    }
    let watt_hours: f64 = hours.range(probe, from_ms, to_ms).map(|(_, hour)| hour.mean()).sum();
    Some(watt_hours * 0.0036)
}

fn simple(place: Place, date: NaiveDate, air: Range) -> Option<f64> {
    et::hargreaves(place.latitude_deg, day_of_year(date), air.min, air.max).ok()
}

type Reference = (f64, f64, Et0Method, Vec<Guess>);

fn reference(
    place: Place,
    date: NaiveDate,
    weather: &DayWeather,
    hargreaves: Option<HargreavesFit>,
) -> Reference {
    let day_of_year = u16::try_from(date.ordinal()).unwrap_or(1);
    let place = et::Place {
        latitude_deg: place.latitude_deg,
        altitude_m: place.altitude_m,
        wind_height_m: place.wind_height_m,
        coastal: place.near_coast,
        arid: false,
        hargreaves,
    };
    let Ok(et0) = et::reference(&place, day_of_year, weather) else {
        // Only a place outside the checked settings gets here; the usual of mid-latitudes is the cautious guess.
        return (
            3.0,
            2.0,
            Et0Method::Climatology,
            vec![Guess::Air, Guess::Sun, Guess::Wind, Guess::Humidity],
        );
    };
    let method = match et0.method {
        Method::PenmanMonteith => Et0Method::PenmanMonteith,
        Method::PenmanMonteithPart => Et0Method::PenmanMonteithPart,
        Method::Hargreaves => Et0Method::Hargreaves,
        Method::HargreavesSoil => Et0Method::HargreavesSoil,
        Method::Climatology => Et0Method::Climatology,
    };
    let flags = [
        (et0.air_guessed, Guess::Air),
        (et0.sun_guessed, Guess::Sun),
        (et0.wind_guessed, Guess::Wind),
        (et0.humidity_guessed, Guess::Humidity),
    ];
    let guessed = flags.into_iter().filter(|(guessed, _)| *guessed).map(|(_, what)| what).collect();
    (et0.mm, et0.sd_mm, method, guessed)
}

/// The last days that stand for the weather of now.
const RECENT_DAYS: usize = 5;
/// No day is reckoned with beyond this, mm (judgement: above the highest of any climate but a desert storm).
pub const MOST_ET0_MM: f64 = 15.0;

/// ET0 to reckon with before the days have told: the mean of the last days (`recent`), else the usual of
/// place and season. Second: that of a hot day, by which the 90th percentile of the last thirty days stood over
/// the mean of the five before it, at least 1.15 times the mean: a cool week is seldom followed by the hottest
/// day of the month, and a hot one often by a hotter. Before there are ten days, the usual and 1.35 times it
/// (judgement).
pub fn expected_et0(days: &[&Day], place: Place, date: NaiveDate) -> (f64, f64) {
    let day_of_year = u16::try_from(date.ordinal()).unwrap_or(1);
    let usual_mm = climate::usual(place.latitude_deg, day_of_year).map_or(3.0, |usual| usual.et0_mm);
    let mean = |days: &[&Day]| days.iter().map(|day| day.et0_mm).sum::<f64>() / days.len().max(1) as f64;
    let recent = &days[days.len().saturating_sub(RECENT_DAYS)..];
    let normal_mm = if recent.is_empty() { usual_mm } else { mean(recent) };
    let mut over_mm: Vec<f64> = days
        .windows(RECENT_DAYS + 1)
        .rev()
        .take(30)
        .filter_map(|span| span.split_last().map(|(day, before)| day.et0_mm - mean(before)))
        .collect();
    let hot_mm = if days.len() < 10 {
        normal_mm.max(usual_mm) * 1.35
    } else {
        over_mm.sort_by(f64::total_cmp);
        let at = over_mm.len().saturating_sub(1) * 9 / 10;
        normal_mm + over_mm.get(at).copied().unwrap_or(0.0)
    };
    (normal_mm, hot_mm.max(1.15 * normal_mm).min(MOST_ET0_MM))
}
