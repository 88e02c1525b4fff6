//! One closed civil day of one bed.

use serde::{Deserialize, Serialize};

use super::Millis;

/// How ET0 of a day was had, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Et0Method {
    /// FAO-56 Penman-Monteith with all its sensors.
    PenmanMonteith,
    /// FAO-56 Penman-Monteith with one or more inputs by FAO's procedures for missing data.
    PenmanMonteithPart,
    /// Hargreaves-Samani on measured air.
    Hargreaves,
    /// Hargreaves-Samani on air estimated from soil temperature.
    HargreavesSoil,
    /// The built-in climatology of latitude and month.
    Climatology,
}

impl Et0Method {
    /// The word in days.csv and on pages.
    pub fn key(self) -> &'static str {
        match self {
            Et0Method::PenmanMonteith => "penman-monteith",
            Et0Method::PenmanMonteithPart => "penman-monteith-part",
            Et0Method::Hargreaves => "hargreaves",
            Et0Method::HargreavesSoil => "hargreaves-soil",
            Et0Method::Climatology => "climatology",
        }
    }
}

/// One closed civil day of one bed. `None` = not known, never 0 for unknown. Depths in mm over the
/// rooted area.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // the names are those of days.csv in the format paper, units last
pub struct DayRecord {
    pub date: chrono::NaiveDate,
    pub bed: String,
    pub air_min_c: Option<f64>,
    pub air_max_c: Option<f64>,
    pub air_mean_c: Option<f64>,
    pub rh_mean_pct: Option<f64>,
    pub wind_mean_m_s: Option<f64>,
    pub solar_mj_m2: Option<f64>,
    pub soil_min_c: Option<f64>,
    pub soil_mean_c: Option<f64>,
    pub soil_max_c: Option<f64>,
    pub rain_mm: Option<f64>,
    pub et0_mm: Option<f64>,
    pub et0_method: Option<Et0Method>,
    pub kc: Option<f64>,
    pub etc_mm: Option<f64>,
    pub given_mm: Option<f64>,
    pub drained_mm: Option<f64>,
    pub depletion_mm: Option<f64>,
    pub taw_mm: Option<f64>,
    pub raw_mm: Option<f64>,
    pub share_used: Option<f64>,
    pub gdd_air_c: Option<f64>,
    pub gdd_soil_c: Option<f64>,
    pub heat_dh_c: Option<f64>,
    pub coldest_c: Option<f64>,
    pub data_share: Option<f64>,
    pub kcb: Option<f64>,
    pub ke: Option<f64>,
    pub depletion_sd_mm: Option<f64>,
    /// Water that came with new rooted soil, litres: what it held for the roots, at the bed's share used.
    #[serde(default)]
    pub joined_l: Option<f64>,
    /// What was estimated rather than measured: words of air, sun, wind, humidity, soil, rain.
    pub guessed: Vec<Guess>,
    /// Late readings changed the day after it was closed, or came too late to change it.
    pub corrected: bool,
    /// When it was last corrected.
    #[serde(default)]
    pub corrected_ms: Option<Millis>,
}

/// A reading came for a day whose hours are held no more: it is kept, marks the day, and moves no book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LateDay {
    /// The day it belongs to.
    pub date: chrono::NaiveDate,
    /// Its bed; `None` for all.
    pub bed: Option<String>,
    /// When it came.
    pub at_ms: Millis,
}

/// What of a day was estimated rather than measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Guess {
    Air,
    Sun,
    Wind,
    Humidity,
    Soil,
    Rain,
}

impl Guess {
    /// The word in days.csv and in letters.
    pub fn key(self) -> &'static str {
        match self {
            Guess::Air => "air",
            Guess::Sun => "sun",
            Guess::Wind => "wind",
            Guess::Humidity => "humidity",
            Guess::Soil => "soil",
            Guess::Rain => "rain",
        }
    }
}
