//! Sun and sky: extraterrestrial and clear-sky radiation, net radiation, times of sunrise and sunset.
//!
//! Radiation is MJ m⁻² per day. A mean of 1 W/m² over a day is 0.0864 MJ. Latitude in degrees, south
//! negative; `day_of_year` 1 to 366. Inputs out of range are an [`Error`]: latitude -90 to 90°, radiation 0
//! to 60 MJ/m² a day. Latitudes and dates without sunrise or sunset are no error; they are told by type.
//!
//! Two places of the sun stand side by side: FAO-56's, which its evapotranspiration was made with, and a better
//! one for sunrise and sunset, where FAO-56's geometric day is up to 14 min short at either end.

use crate::air::check_ea;
use crate::error::{Error, air_range, within};
use crate::real::{PI, acos, asin, atan2, cos, floor, pow, sin, sqrt, tan};

/// Evaporation that 1 MJ/m² pays for, mm (FAO-56 eq 20): the inverse of a latent heat of 2.45 MJ/kg.
///
/// Variants let it follow the temperature (0.400 at 0 °C, 0.415 at 40); FAO-56 holds it.
pub const MM_PER_MJ: f64 = 0.408;
/// MJ m⁻² of a day with a mean of 1 W/m².
pub const MJ_PER_DAY_W: f64 = 0.0864;

fn check_day(day_of_year: u16) -> Result<f64, Error> {
    within("day_of_year", f64::from(day_of_year), 1.0, 366.0, "1 to 366")
}

fn check_latitude(latitude_deg: f64) -> Result<f64, Error> {
    within("latitude_deg", latitude_deg, -90.0, 90.0, "-90 to 90°")
}

fn radiation(what: &'static str, value_mj: f64) -> Result<f64, Error> {
    within(what, value_mj, 0.0, 60.0, "0 to 60 MJ/m² a day")
}

/// Inverse relative distance of the sun, squared, dr (FAO-56 eq 23): `1 + 0.033 cos(2π J / 365)`, 0.967 to
/// 1.033.
///
/// Day 1 to 366, else an [`Error`]; the 365 stands in leap years too, as FAO-56 has it.
pub fn inverse_distance(day_of_year: u16) -> Result<f64, Error> {
    Ok(1.0 + 0.033 * cos(2.0 * PI * check_day(day_of_year)? / 365.0))
}

/// Declination of the sun δ, radians (FAO-56 eq 24): `0.409 sin(2π J / 365 - 1.39)`, -0.409 to 0.409.
///
/// Day 1 to 366, else an [`Error`]. Up to 1.2° off, in October; hence the other one in [`sun_times`].
pub fn declination(day_of_year: u16) -> Result<f64, Error> {
    Ok(0.409 * sin(2.0 * PI * check_day(day_of_year)? / 365.0 - 1.39))
}

/// Half a day's turn of the sun, as geometry has it (no refraction).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SunsetAngle {
    /// The sun sets at this hour angle, radians between 0 and π.
    Sets(f64),
    /// It does not set.
    PolarDay,
    /// It does not rise.
    PolarNight,
}

impl SunsetAngle {
    /// The hour angle, radians: π in the polar day, 0 in the polar night.
    pub fn radians(self) -> f64 {
        match self {
            Self::Sets(angle) => angle,
            Self::PolarDay => PI,
            Self::PolarNight => 0.0,
        }
    }
}

/// Sunset hour angle ωs = acos(-tan φ tan δ) (FAO-56 eq 25), without refraction.
///
/// Beyond ±1 the cosine has no angle: polar day or night, told by type (variants clamp it and say nothing).
/// Latitude -90 to 90°, day 1 to 366, else an [`Error`].
pub fn sunset_hour_angle(latitude_deg: f64, day_of_year: u16) -> Result<SunsetAngle, Error> {
    let latitude = check_latitude(latitude_deg)?.to_radians();
    let cosine = -tan(latitude) * tan(declination(day_of_year)?);
    Ok(if cosine <= -1.0 {
        SunsetAngle::PolarDay
    } else if cosine >= 1.0 {
        SunsetAngle::PolarNight
    } else {
        SunsetAngle::Sets(acos(cosine))
    })
}

/// Extraterrestrial radiation Ra of a day, MJ/m² (FAO-56 eq 21, solar constant 0.0820 MJ/m² a minute); 0 in the
/// polar night. Latitude -90 to 90°, day 1 to 366, else an [`Error`].
///
/// Against a minute by minute sum with NREL's place of the sun it is true at midsummer and 2 % low in September
/// (28.72 for 29.26 MJ on the 15th, 42° N); FAO-56's own stands, as its other constants lean on it.
pub fn extraterrestrial(latitude_deg: f64, day_of_year: u16) -> Result<f64, Error> {
    let angle = sunset_hour_angle(latitude_deg, day_of_year)?.radians();
    let latitude = latitude_deg.to_radians();
    let delta = declination(day_of_year)?;
    let turn = angle * sin(latitude) * sin(delta) + cos(latitude) * cos(delta) * sin(angle);
    Ok((24.0 * 60.0 / PI * 0.0820 * inverse_distance(day_of_year)? * turn).max(0.0))
}

/// Day length N, hours (FAO-56 eq 34): `24 ωs / π`, 0 in the polar night to 24 in the polar day.
///
/// Geometric: shorter than from [`sun_times`], whose sun is refracted and has a width. It belongs to eq 35.
/// Latitude -90 to 90°, day 1 to 366, else an [`Error`].
pub fn day_length_h(latitude_deg: f64, day_of_year: u16) -> Result<f64, Error> {
    Ok(24.0 / PI * sunset_hour_angle(latitude_deg, day_of_year)?.radians())
}

/// Solar radiation from hours of bright sun, MJ/m² (FAO-56 eq 35 with 0.25 and 0.50).
///
/// `sunshine_h` 0 to 24, counted as `day_length_h` where it is longer; `ra_mj` 0 to 60; else an [`Error`].
/// The two coefficients are those FAO-56 gives where none were fitted on the spot.
pub fn solar_from_sunshine(ra_mj: f64, sunshine_h: f64, day_length_h: f64) -> Result<f64, Error> {
    radiation("ra_mj", ra_mj)?;
    within("sunshine_h", sunshine_h, 0.0, 24.0, "0 to 24 h")?;
    within("day_length_h", day_length_h, 0.0, 24.0, "0 to 24 h")?;
    let share = if day_length_h > 0.0 { (sunshine_h / day_length_h).min(1.0) } else { 0.0 };
    Ok((0.25 + 0.50 * share) * ra_mj)
}

/// Solar radiation of a clear day Rso, MJ/m² (FAO-56 eq 37): `(0.75 + 2e-5 z) Ra`. `altitude_m` -430 to 6000,
/// `ra_mj` 0 to 60, else an [`Error`].
///
/// At hazy places a well-kept pyranometer stays 8-14 % below this. Variants: fitted coefficients (eq 36), and
/// ASCE 2005 appendix D with water vapour and dust, which brings ET0 down by 1-3 %; FAO-56's eq 37 stands,
/// since its ET0 is the one that crop coefficients are tabled for.
pub fn clear_sky(ra_mj: f64, altitude_m: f64) -> Result<f64, Error> {
    radiation("ra_mj", ra_mj)?;
    within("altitude_m", altitude_m, -430.0, 6000.0, "-430 to 6000 m")?;
    Ok((0.75 + 2e-5 * altitude_m) * ra_mj)
}

/// Net short-wave radiation Rns, MJ/m²: 0.77 Rs (FAO-56 eq 38, albedo 0.23 of the reference grass, not of the
/// bed). `solar_mj` 0 to 60, else an [`Error`].
pub fn net_short_wave(solar_mj: f64) -> Result<f64, Error> {
    Ok(0.77 * radiation("solar_mj", solar_mj)?)
}

/// Net long-wave radiation Rnl, MJ/m² (FAO-56 eq 39, σ 4.903e-9), outgoing counted positive.
///
/// Cloud: Rs/Rso is kept within 0.3 and 1.0 as ASCE 2005 does (eq 18; FAO-56 only caps it at 1.0, and the two
/// differ by 0.1-0.3 mm of ET0 on overcast days: under thick cloud FAO's term would turn negative); where Rso
/// is 0 (polar night) there is no ratio, and 0.7 is taken (judgement). ASCE 2005 has σ 4.901e-9: 0.0003 mm of
/// ET0.
///
/// Temperatures -60 to 60 °C in order, `ea_kpa` 0 to 20, radiation 0 to 60 MJ/m², else an [`Error`].
pub fn net_long_wave(
    air_min_c: f64,
    air_max_c: f64,
    ea_kpa: f64,
    solar_mj: f64,
    clear_sky_mj: f64,
) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    check_ea(ea_kpa)?;
    radiation("solar_mj", solar_mj)?;
    radiation("clear_sky_mj", clear_sky_mj)?;
    let ratio = if clear_sky_mj > 0.0 { solar_mj / clear_sky_mj } else { 0.7 };
    let cloud = (1.35 * ratio.clamp(0.3, 1.0) - 0.35).clamp(0.05, 1.0);
    let fourth = (pow(high + 273.16, 4.0) + pow(low + 273.16, 4.0)) / 2.0;
    Ok(4.903e-9 * fourth * (0.34 - 0.14 * sqrt(ea_kpa)) * cloud)
}

/// Net radiation Rn of a day, MJ/m² (FAO-56 eq 40): short wave in less long wave out; below 0 on winter days.
///
/// `net_short_mj` 0 to 60, `net_long_mj` -20 to 30, else an [`Error`].
pub fn net_radiation(net_short_mj: f64, net_long_mj: f64) -> Result<f64, Error> {
    radiation("net_short_mj", net_short_mj)?;
    within("net_long_mj", net_long_mj, -20.0, 30.0, "-20 to 30 MJ/m² a day")?;
    Ok(net_short_mj - net_long_mj)
}

/// When the sun's upper edge crosses the horizon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SunTimes {
    /// It rises and sets. Minutes from 00:00 UTC of the date asked for; below 0 or above 1440 where the
    /// civil day of the place reaches into the UTC day before or after.
    Rises {
        /// Sunrise, minutes UTC.
        rise_utc_min: f64,
        /// Sunset, minutes UTC; never before the sunrise.
        set_utc_min: f64,
    },
    /// It does not set that day.
    PolarDay,
    /// It does not rise that day.
    PolarNight,
}

/// Sunrise and sunset of a civil date, from the low-precision place of the sun in the Astronomical Almanac
/// (coefficients from memory; good to 0.01°, within 0.7 min of NREL's algorithm from 60° N to 43° S, and
/// within 0.8 min of PyPI astral on 2,000 made days below 62°). NOAA's low-order series, the usual variant,
/// is up to 2.5 min off.
///
/// The place is taken at noon and once more at each event. Refraction and the sun's half width are in it
/// (90.833°), the gardener's hills are not. `latitude_deg` -90 to 90, `longitude_deg` -180 to 180, east
/// positive; `year` 1950 to 2100; `day_of_year` to the length of that year; else an [`Error`].
pub fn sun_times(
    latitude_deg: f64,
    longitude_deg: f64,
    year: u16,
    day_of_year: u16,
) -> Result<SunTimes, Error> {
    let latitude = check_latitude(latitude_deg)?.to_radians();
    within("longitude_deg", longitude_deg, -180.0, 180.0, "-180 to 180°")?;
    let midnight = days_since_2000(year, day_of_year)?;

    // Minute of the sun's highest stand, and cosine of its half turn, as they are at `utc_min`.
    let half_turn = |utc_min: f64| {
        let (ahead_min, delta) = almanac(midnight + utc_min / 1440.0);
        let edge = cos(90.833_f64.to_radians()) / (cos(latitude) * cos(delta));
        (720.0 - 4.0 * longitude_deg - ahead_min, edge - tan(latitude) * tan(delta))
    };
    let event = |noon_min: f64, cosine: f64, side: f64| {
        noon_min + side * 4.0 * acos(cosine.clamp(-1.0, 1.0)).to_degrees()
    };
    let (noon_min, cosine) = half_turn(720.0 - 4.0 * longitude_deg);
    if cosine >= 1.0 {
        return Ok(SunTimes::PolarNight);
    }
    if cosine <= -1.0 {
        return Ok(SunTimes::PolarDay);
    }
    let refined = |side: f64| {
        let (noon_min, cosine) = half_turn(event(noon_min, cosine, side));
        event(noon_min, cosine, side)
    };
    let rise_utc_min = refined(-1.0);
    // At the edge of the polar night the two fall together, and rounding must not swap them.
    Ok(SunTimes::Rises { rise_utc_min, set_utc_min: refined(1.0).max(rise_utc_min) })
}

/// Days from noon UTC of 1 January 2000 to 00:00 UTC of a date.
fn days_since_2000(year: u16, day_of_year: u16) -> Result<f64, Error> {
    within("year", f64::from(year), 1950.0, 2100.0, "1950 to 2100")?;
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let length = if leap { 366.0 } else { 365.0 };
    let day = within("day_of_year", f64::from(day_of_year), 1.0, length, "1 to the length of the year")?;
    // Leap days before the year; 484 of them fell before 2000.
    let past = year - 1;
    let leap_days = f64::from(past / 4 - past / 100 + past / 400) - 484.0;
    Ok(365.0 * (f64::from(year) - 2000.0) + leap_days + day - 1.0 - 0.5)
}

/// How far the sun is ahead of the clock, minutes, and its declination, radians, `days` after noon UTC of
/// 1 January 2000.
fn almanac(days: f64) -> (f64, f64) {
    let longitude_deg = 280.460 + 0.985_647_4 * days;
    let anomaly = (357.528 + 0.985_600_3 * days).to_radians();
    let ecliptic = (longitude_deg + 1.915 * sin(anomaly) + 0.020 * sin(2.0 * anomaly)).to_radians();
    let tilt = (23.439 - 4e-7 * days).to_radians();
    let ascension_deg = atan2(cos(tilt) * sin(ecliptic), cos(ecliptic)).to_degrees();
    let turns = (longitude_deg - ascension_deg) / 360.0;
    (1440.0 * (turns - floor(turns + 0.5)), asin(sin(tilt) * sin(ecliptic)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_far_north_has_days_without_sunrise_and_without_sunset() {
        assert_eq!(sun_times(69.65, 18.96, 2026, 172), Ok(SunTimes::PolarDay));
        assert_eq!(sun_times(69.65, 18.96, 2026, 355), Ok(SunTimes::PolarNight));
        assert_eq!(sunset_hour_angle(69.65, 172), Ok(SunsetAngle::PolarDay));
        assert_eq!(extraterrestrial(80.0, 355), Ok(0.0));
        assert_eq!(day_length_h(80.0, 172), Ok(24.0));
        assert_eq!(sun_times(-69.65, 18.96, 2026, 172), Ok(SunTimes::PolarNight));
    }

    #[test]
    fn day_366_exists_in_leap_years_alone() {
        assert!(sun_times(50.0, 4.0, 2024, 366).is_ok());
        assert!(sun_times(50.0, 4.0, 2026, 366).is_err());
        assert!(sun_times(50.0, 4.0, 2026, 0).is_err());
        assert!(sun_times(f64::NAN, 4.0, 2026, 1).is_err());
    }

    #[test]
    fn a_grey_day_loses_no_less_than_the_floor() {
        let grey = net_long_wave(10.0, 20.0, 1.2, 0.5, 25.0).unwrap();
        let floor = net_long_wave(10.0, 20.0, 1.2, 7.5, 25.0).unwrap();
        assert_eq!(grey, floor);
        assert!(net_long_wave(-30.0, -20.0, 0.05, 0.0, 0.0).unwrap() > 0.0);
    }
}
