//! Sunrise, sunset and how the day's demand spreads over its light.

use chrono::{Datelike, NaiveDate};

use agronomy::sun::{SunTimes, sun_times};

use crate::record::Millis;
use crate::settings::garden::Place;

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS};

/// When the sun is up on a civil date. Where it does not set, the whole day; where it does not rise, the two
/// hours around noon, so that every day has a middle.
pub fn sun_up(place: Place, date: NaiveDate, calendar: &Calendar) -> (Millis, Millis) {
    let year = u16::try_from(date.year()).unwrap_or(2000);
    let day_of_year = u16::try_from(date.ordinal()).unwrap_or(1);
    let midnight_utc = date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis();
    let at = |minutes: f64| midnight_utc + (minutes * MINUTE_MS as f64) as Millis;
    let (start, end) = (calendar.day_start(date), calendar.day_end(date));
    match sun_times(place.latitude_deg, place.longitude_deg, year, day_of_year) {
        Ok(SunTimes::Rises { rise_utc_min, set_utc_min }) => (at(rise_utc_min), at(set_utc_min)),
        Ok(SunTimes::PolarDay) => (start, end),
        Ok(SunTimes::PolarNight) | Err(_) => {
            let noon = i64::midpoint(start, end);
            (noon - HOUR_MS, noon + HOUR_MS)
        }
    }
}

/// Share of a date's demand that falls before `ms`: a half sine between sunrise and sunset (common practice,
/// no source). 0 to 1.
pub fn demand_before(place: Place, date: NaiveDate, calendar: &Calendar, ms: Millis) -> f64 {
    let (rise, set) = sun_up(place, date, calendar);
    let through = ((ms - rise) as f64 / (set - rise).max(1) as f64).clamp(0.0, 1.0);
    (1.0 - (core::f64::consts::PI * through).cos()) / 2.0
}

/// How many days' demand falls between two instants.
pub fn demand_days(place: Place, calendar: &Calendar, from_ms: Millis, to_ms: Millis) -> f64 {
    if to_ms <= from_ms {
        return 0.0;
    }
    let (first, last) = (calendar.date(from_ms), calendar.date(to_ms));
    let whole = (last - first).num_days() as f64;
    whole + demand_before(place, last, calendar, to_ms) - demand_before(place, first, calendar, from_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn demand_adds_up_over_days_and_over_a_change_of_the_clock() {
        let calendar = Calendar::new(chrono_tz::America::Chicago);
        let place = Place {
            latitude_deg: 39.1,
            longitude_deg: -96.6,
            altitude_m: 350.0,
            near_coast: false,
            wind_height_m: 2.0,
        };
        let from = calendar.day_start("2022-11-05".parse().unwrap());
        let to = calendar.day_start("2022-11-08".parse().unwrap());
        let days = demand_days(place, &calendar, from, to);
        assert!((days - 3.0).abs() < 1e-9, "{days}");
        let middle = from + (to - from) / 3;
        let parts = demand_days(place, &calendar, from, middle) + demand_days(place, &calendar, middle, to);
        assert!((parts - days).abs() < 1e-9);
    }
}
