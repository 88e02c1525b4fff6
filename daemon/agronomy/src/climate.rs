//! A built-in climate, for days of which nothing was measured.
//!
//! Mean air temperature and daily range over land by latitude and month, **from memory**, of the middling
//! inland climate a gardener may live in; a coast is milder and narrower, a desert hotter and wider. The
//! spreads cover both the place and the day. It is the last rung: any sensor beats it.

use crate::error::{Error, within};
use crate::evapotranspiration::hargreaves;
use crate::real::floor;

/// What is usual on a day of the year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    /// Mean air temperature, °C.
    pub air_mean_c: f64,
    /// Its standard deviation (place and day), °C.
    pub air_mean_sd_c: f64,
    /// Highest less lowest air temperature of the day, °C.
    pub air_range_c: f64,
    /// Its standard deviation, °C.
    pub air_range_sd_c: f64,
    /// Reference evapotranspiration, mm/day: Hargreaves on the two above.
    pub et0_mm: f64,
    /// Its standard deviation, mm/day.
    pub et0_sd_mm: f64,
}

struct Band {
    latitude_deg: f64,
    mean_c: [f64; 12],
    range_c: [f64; 12],
}

const fn band(latitude_deg: f64, mean_c: [f64; 12], range_c: [f64; 12]) -> Band {
    Band { latitude_deg, mean_c, range_c }
}

/// January to December of the northern half. All from memory. The equator has no seasons here, so that
/// the two halves meet.
const BANDS: [Band; 7] = [
    band(0.0, [26.2; 12], [9.0; 12]),
    band(
        15.0,
        [24.0, 25.5, 27.5, 29.0, 29.0, 28.0, 27.0, 26.5, 27.0, 27.0, 25.5, 24.0],
        [13.0, 13.5, 13.5, 13.0, 11.5, 9.5, 8.5, 8.5, 9.0, 10.5, 12.0, 12.5],
    ),
    band(
        30.0,
        [11.0, 13.0, 16.5, 21.0, 25.5, 29.0, 30.0, 29.5, 27.0, 22.5, 17.0, 12.5],
        [13.0, 13.0, 13.5, 14.0, 14.0, 14.0, 13.0, 13.0, 13.0, 13.5, 13.5, 13.0],
    ),
    band(
        40.0,
        [1.0, 2.5, 7.0, 12.5, 17.5, 22.0, 25.0, 24.0, 19.5, 13.5, 7.5, 2.5],
        [10.0, 10.5, 11.5, 12.5, 12.5, 13.0, 13.5, 13.5, 13.0, 12.5, 10.5, 9.5],
    ),
    band(
        50.0,
        [-3.0, -2.0, 2.5, 8.5, 14.0, 17.5, 19.5, 18.5, 14.0, 8.0, 2.5, -1.5],
        [6.0, 7.0, 9.0, 10.5, 11.5, 11.5, 11.5, 11.5, 10.5, 8.5, 6.0, 5.5],
    ),
    band(
        60.0,
        [-11.0, -10.0, -4.5, 2.0, 9.0, 14.5, 17.0, 15.0, 9.5, 3.0, -4.0, -9.0],
        [7.0, 8.0, 9.5, 10.0, 11.0, 11.0, 10.5, 10.5, 9.0, 7.0, 6.0, 6.5],
    ),
    band(
        70.0,
        [-22.0, -22.0, -18.0, -10.0, 0.0, 8.0, 12.0, 10.0, 4.0, -6.0, -15.0, -20.0],
        [8.0, 8.5, 9.5, 10.0, 8.0, 8.5, 8.5, 7.5, 6.0, 6.0, 7.0, 7.5],
    ),
];

/// The usual day at a latitude (south negative) and day of the year.
///
/// Between months a smooth curve through the mid-months (Catmull-Rom), between bands a straight line,
/// beyond 70° the band of 70°; the south is shifted six months. -90 to 90°, day 1 to 366; anything else is
/// an [`Error`].
///
/// Spreads (judgement): mean 3 °C at the equator to 6 °C from 50° on; range 3.5 °C; ET0 0.3 mm + 30 %.
///
/// °C and mm/day. Gridded climates are better and are published; this is seven rows so that a board without a
/// network and without an air sensor still has an answer, and says how rough it is.
pub fn usual(latitude_deg: f64, day_of_year: u16) -> Result<Usual, Error> {
    within("latitude_deg", latitude_deg, -90.0, 90.0, "-90 to 90°")?;
    let day = within("day_of_year", f64::from(day_of_year), 1.0, 366.0, "1 to 366")?;
    let shift = if latitude_deg < 0.0 { 6.0 } else { 0.0 };
    let month = (day - 15.5) / 30.4375 + shift;
    let latitude = latitude_deg.abs();

    let air_mean_c = across(latitude, |band| along(&band.mean_c, month));
    let air_range_c = across(latitude, |band| along(&band.range_c, month)).max(2.0);
    let half_c = air_range_c / 2.0;
    let et0_mm = hargreaves(latitude_deg, day_of_year, air_mean_c - half_c, air_mean_c + half_c)?;
    Ok(Usual {
        air_mean_c,
        air_mean_sd_c: 3.0 + 3.0 * (latitude / 50.0).min(1.0),
        air_range_c,
        air_range_sd_c: 3.5,
        et0_mm,
        et0_sd_mm: 0.3 + 0.3 * et0_mm,
    })
}

/// A straight line between the two bands around `latitude`.
fn across(latitude: f64, value: impl Fn(&Band) -> f64) -> f64 {
    let mut last = &BANDS[0];
    for band in &BANDS {
        if band.latitude_deg >= latitude {
            let width = band.latitude_deg - last.latitude_deg;
            let share = if width > 0.0 { (latitude - last.latitude_deg) / width } else { 0.0 };
            return value(last) + share * (value(band) - value(last));
        }
        last = band;
    }
    value(last)
}

/// A smooth yearly curve through twelve mid-month values; `month` 0 = middle of January, any turn.
fn along(values: &[f64; 12], month: f64) -> f64 {
    let start = floor(month);
    let t = month - start;
    // Months run from -1 to 18 here, so the sum stays above 0.
    let at = |step: usize| values[((start + 24.0) as usize + step + 11) % 12];
    let (before, here, next, after) = (at(0), at(1), at(2), at(3));
    here + 0.5
        * t
        * (next - before
            + t * (2.0 * before - 5.0 * here + 4.0 * next - after
                + t * (3.0 * (here - next) + after - before)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mid_months_are_those_of_the_table() {
        let january = usual(40.0, 15).unwrap();
        let july = usual(40.0, 198).unwrap();
        assert!((january.air_mean_c - 1.0).abs() < 0.2, "{january:?}");
        assert!((july.air_mean_c - 25.0).abs() < 0.2, "{july:?}");
    }

    #[test]
    fn the_year_has_no_jump_and_the_south_is_half_a_year_away() {
        for latitude in [-65.0, -42.9, -0.1, 0.0, 0.1, 33.0, 50.8, 75.0] {
            for day in 1..=365_u16 {
                let today = usual(latitude, day).unwrap();
                let next = usual(latitude, if day == 365 { 1 } else { day + 1 }).unwrap();
                assert!((today.air_mean_c - next.air_mean_c).abs() < 0.5, "{latitude} {day}");
                assert!((today.et0_mm - next.et0_mm).abs() < 0.12, "{latitude} {day}");
                assert!(today.et0_mm >= 0.0 && today.et0_mm < 8.0 && today.air_range_c > 1.0);
            }
        }
        let north = usual(45.0, 20).unwrap().air_mean_c;
        let south = usual(-45.0, 203).unwrap().air_mean_c;
        assert!((north - south).abs() < 0.3);
    }

    /// Published figures of three places lie within two of the stated spreads (FAO-56 examples: Lyon,
    /// July; Bangkok, April. Uccle, 6 July, one day).
    #[test]
    fn published_days_lie_within_the_spread() {
        for (latitude, day, low, high, et0) in
            [(45.717, 196, 14.8, 26.6, 4.56), (13.733, 105, 25.6, 34.8, 5.72), (50.8, 187, 12.3, 21.5, 3.88)]
        {
            let usual = usual(latitude, day).unwrap();
            let mean = (low + high) / 2.0;
            assert!((usual.air_mean_c - mean).abs() < 2.0 * usual.air_mean_sd_c, "{usual:?}");
            assert!((usual.air_range_c - (high - low)).abs() < 2.0 * usual.air_range_sd_c, "{usual:?}");
            assert!((usual.et0_mm - et0).abs() < 2.0 * usual.et0_sd_mm, "{usual:?}");
        }
    }
}
