//! Yesterday's air, guessed from one soil thermometer: for gardens that measure no air.
//!
//! The day's wave in the soil is the air's wave, weakened and late. The mean of the air is the mean of the
//! soil, moved on by the soil's own trend of the last day (the soil lags), less what the sun warms the
//! ground above the air. The half range of the air is the half range at the probe, carried up to the surface
//! by `exp(z/d)` (Carslaw and Jaeger, the semi-infinite solid under a periodic surface temperature; d is the
//! depth at which the daily wave has fallen to 1/e, commonly 0.08 to 0.15 m) and divided by the sun of the
//! season, because the same air range goes with a larger surface range under a higher sun. The deeper the
//! probe, the more the range leans on the built-in climate ([`crate::climate`]); below 15 cm the mean too.
//!
//! How much the ground is covered changes that ratio by half and more: bare earth swings further than the air,
//! earth under thick grass or leaves less. Nobody who has only a soil thermometer can know it. So the *level* of
//! the range leans on what is usual at that latitude and month, and the garden's own mean wave of the last weeks
//! ([`own_wave_c`]) turns each day's wave into more or less than its usual ([`SoilDay::own_wave_c`]). On the
//! record below that costs a tenth of a degree; with all waves made half as large again, as under another
//! cover, it takes the error of the maximum from 2.9 to 2.0 °C.
//!
//! The season enters by extraterrestrial radiation (FAO-56 eq 21) instead of by month, so it holds on both
//! hemispheres. Constants were fitted on the even ISO weeks, May to September, of one grassland record in
//! Kansas at 5, 20 and 40 cm; April and October, outside the fit, come out without bias from 5 cm. A bed
//! under leaves, mulch or a tunnel differs: the guess is called a guess, and one air thermometer ends it.

use crate::climate::{Usual, usual};
use crate::error::{Error, within};
use crate::real::{exp, ln, pow, sqrt};
use crate::sun;

/// Default depth at which the daily wave has fallen to 1/e, m. Common mineral soils have 0.08 to 0.15.
pub const DAMPING_DEPTH_M: f64 = 0.15;

/// Half range of the air by that of the surface at a sun of 40 MJ/m² a day, under grass.
const AIR_BY_SURFACE: f64 = 1.6;
/// Share of what is usual in the level of the range, where the garden's own wave is known (0.5 to 0.75 did alike
/// on the record; the higher is the safer where the cover differs).
const USUAL_IN_LEVEL: f64 = 0.75;
/// Days of the usual wave that the garden's own mean begins with, and the most days it remembers (judgement).
const OWN_DAYS: (f64, usize) = (5.0, 40);

/// One closed civil day of one soil thermometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoilDay {
    /// Depth of the probe, m; used within 0.02 to 0.50.
    pub depth_m: f64,
    /// Lowest reading of the morning half of the day (00 to 12 h), °C; the whole day's where nothing else
    /// is kept.
    pub min_c: f64,
    /// Mean of the day, °C.
    pub mean_c: f64,
    /// Highest reading of the day, °C.
    pub max_c: f64,
    /// Mean of the day before, °C; without it the soil is taken as steady.
    pub mean_before_c: Option<f64>,
    /// Day of the year, 1 to 366.
    pub day_of_year: u16,
    /// Latitude, degrees, south negative.
    pub latitude_deg: f64,
    /// Damping depth learned here from two depths ([`damping_depth_m`]), m.
    pub damping_depth_m: Option<f64>,
    /// Mean wave of this garden's last weeks ([`own_wave_c`]), °C; without it the cover is taken as grass.
    pub own_wave_c: Option<f64>,
}

/// The air of a closed day as guessed from the soil, with one standard deviation of each figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirGuess {
    /// Lowest of the night that ended this morning, °C.
    pub min_c: f64,
    /// Mean of the day, °C.
    pub mean_c: f64,
    /// Highest of the day, °C.
    pub max_c: f64,
    /// Spread of `min_c`, °C.
    pub sd_min_c: f64,
    /// Spread of `mean_c`, °C.
    pub sd_mean_c: f64,
    /// Spread of `max_c`, °C.
    pub sd_max_c: f64,
}

/// Guesses the air of a closed day. An error names a temperature outside -30 to 70 °C, reversed extremes,
/// or a day or latitude that is none.
///
/// On the odd weeks of the record, May to September: from 5 cm the maximum is off by 1.7 °C on average, the
/// night's minimum by 1.6; from 20 cm by 2.2 and 2.1; from 40 cm by 3.0 and 2.6. In April and October add
/// half again. The spreads given are those of that site: at another they are a guess themselves, and a day
/// of heavy watering upsets them.
pub fn estimate(day: &SoilDay) -> Result<AirGuess, Error> {
    let z = checked_depth(day)?;
    let trend = day.mean_before_c.filter(|x| x.is_finite()).map_or(0.0, |before| day.mean_c - before);
    // One day's trend of a deep probe is small and coarse: many days of lag stand on one figure, so it is
    // bounded by what air does within a few days.
    let moved_on = (lag_days(z) * trend).clamp(-12.0, 12.0);
    let from_soil = day.mean_c - ground_above_air(z) + moved_on;
    let sd_soil = 1.6 + 2.7 * z;
    let usual = usual(day.latitude_deg, day.day_of_year)?;
    let (mean_c, sd_mean_c) = if z > 0.15 {
        by_their_spread((from_soil, sd_soil), (usual.air_mean_c, usual.air_mean_sd_c))
    } else {
        (from_soil, sd_soil)
    };
    let half = half_range_c(day, z, &usual)?;
    // The day's curve has a broad night and a narrow noon: the middle of the extremes lies above the mean.
    let middle = mean_c + 0.2;
    Ok(AirGuess {
        min_c: middle - half,
        mean_c,
        max_c: middle + half,
        sd_min_c: 2.1 + 2.5 * z,
        sd_mean_c,
        sd_max_c: 2.05 + 4.5 * z,
    })
}

/// The damping depth from the half ranges of one day at two depths, m: `(z2 - z1) / ln(A1 / A2)`. `None` if
/// the waves are too small or too alike to tell. The result is kept within 0.08 to 0.20; average several
/// clear days before use.
pub fn damping_depth_m(upper: (f64, f64), lower: (f64, f64)) -> Option<f64> {
    let ((z1, a1), (z2, a2)) = (upper, lower);
    let clear = z1.is_finite() && a1.is_finite() && z2 >= z1 + 0.03 && a2 >= 0.2 && a1 > 1.1 * a2;
    clear.then(|| ((z2 - z1) / ln(a1 / a2)).clamp(0.08, 0.20))
}

/// Days by which the mean at depth `z` lags the air. Fitted at 5, 20 and 40 cm (1.4, 2.6, 6.3 days).
fn lag_days(z: f64) -> f64 {
    1.1 * exp(z / 0.23)
}

/// By how much the soil's mean at depth `z` lies above the air's in the growing season, °C; grass in Kansas
/// had 1.1 at 5 cm, 0.9 at 20, 0 at 40, alike from April to October.
fn ground_above_air(z: f64) -> f64 {
    1.2 * (1.0 - z / 0.50)
}

/// Half of the air's daily range, °C: from the wave at the probe as far as that can be trusted at its depth
/// (nine tenths at 5 cm, four at 20, less than two at 40), for the rest what is usual.
fn half_range_c(day: &SoilDay, z: f64, usual: &Usual) -> Result<f64, Error> {
    let wave = wave_at(day, z)?;
    let usual_c = 0.5 * usual.air_range_c;
    let from_wave = match day.own_wave_c.filter(|own| own.is_finite()).map(|own| own.max(0.2)) {
        None => AIR_BY_SURFACE * wave,
        Some(own) => {
            let level = pow(usual_c, USUAL_IN_LEVEL) * pow(AIR_BY_SURFACE * own, 1.0 - USUAL_IN_LEVEL);
            level * wave / own
        }
    };
    let trust = 1.0 / (1.0 + (z / 0.17) * (z / 0.17));
    Ok((trust * from_wave + (1.0 - trust) * usual_c).clamp(0.5, 16.0))
}

fn wave_at(day: &SoilDay, z: f64) -> Result<f64, Error> {
    let d = day.damping_depth_m.filter(|x| x.is_finite()).unwrap_or(DAMPING_DEPTH_M).clamp(0.08, 0.20);
    let at_surface = 0.5 * (day.max_c - day.min_c) * exp(z / d);
    // A polar night would divide by nothing: the sun of a mid-latitude winter is the least that counts.
    let sun = sun::extraterrestrial(day.latitude_deg, day.day_of_year)?.clamp(12.0, 45.0);
    Ok(at_surface * 40.0 / sun)
}

/// The wave of a day: half of the soil's daily range, carried up to the surface and to a sun of 40 MJ/m², °C.
///
/// # Errors
/// As [`estimate`].
pub fn wave_c(day: &SoilDay) -> Result<f64, Error> {
    wave_at(day, checked_depth(day)?)
}

/// Mean wave of a garden's last days, °C, from their [`wave_c`], newest last: of the last forty, begun with five
/// days of the wave that would go with the usual range of air.
///
/// # Errors
/// A latitude or day of the year that is none; a wave outside 0 to 200 °C.
pub fn own_wave_c(latitude_deg: f64, day_of_year: u16, waves_c: &[f64]) -> Result<f64, Error> {
    let usual_wave = 0.5 * usual(latitude_deg, day_of_year)?.air_range_c / AIR_BY_SURFACE;
    let last = &waves_c[waves_c.len().saturating_sub(OWN_DAYS.1)..];
    let mut sum = OWN_DAYS.0 * usual_wave;
    for wave in last {
        sum += within("wave_c", *wave, 0.0, 200.0, "0 to 200 °C")?;
    }
    Ok(sum / (OWN_DAYS.0 + last.len() as f64))
}

fn checked_depth(day: &SoilDay) -> Result<f64, Error> {
    let z = within("depth_m", day.depth_m, 0.0, 2.0, "0 to 2 m")?.clamp(0.02, 0.50);
    within("soil_mean_c", day.mean_c, -30.0, 70.0, "-30 to 70 °C")?;
    within("soil_max_c", day.max_c, -30.0, 70.0, "-30 to 70 °C")?;
    within("soil_min_c", day.min_c, -30.0, day.max_c, "-30 °C to the day's highest")?;
    Ok(z)
}

/// Two guesses of one thing, each weighted by the inverse of its variance.
fn by_their_spread((a, sd_a): (f64, f64), (b, sd_b): (f64, f64)) -> (f64, f64) {
    let (wa, wb) = (1.0 / (sd_a * sd_a), 1.0 / (sd_b * sd_b));
    ((wa * a + wb * b) / (wa + wb), sqrt(1.0 / (wa + wb)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn midsummer(depth_m: f64, mean_c: f64, half_c: f64) -> SoilDay {
        SoilDay {
            depth_m,
            min_c: mean_c - half_c,
            mean_c,
            max_c: mean_c + half_c,
            mean_before_c: Some(mean_c),
            day_of_year: 172,
            latitude_deg: 40.0,
            damping_depth_m: None,
            own_wave_c: None,
        }
    }

    fn guess(day: &SoilDay) -> AirGuess {
        estimate(day).expect("a plausible day")
    }

    /// A wave made at the surface and weakened by exp(-z/d) gives the same range from any depth, as far as
    /// the wave is trusted there: 1.6 · 4 · 40/41.6 = 6.2, and half the usual range is 6.5.
    #[test]
    fn the_wave_is_carried_back_to_the_surface() {
        let half = |z: f64| {
            let air = guess(&midsummer(z, 22.0, 4.0 * exp(-z / DAMPING_DEPTH_M)));
            0.5 * (air.max_c - air.min_c)
        };
        assert!((half(0.03) - 6.2).abs() < 0.2, "{}", half(0.03));
        assert!((half(0.03) - half(0.20)).abs() < 0.4, "{} {}", half(0.03), half(0.20));
    }

    #[test]
    fn both_hemispheres_have_the_same_summer() {
        let north = guess(&midsummer(0.05, 22.0, 3.0));
        let south = guess(&SoilDay { day_of_year: 355, latitude_deg: -40.0, ..midsummer(0.05, 22.0, 3.0) });
        assert!((north.max_c - south.max_c).abs() < 0.8);
        let autumn = guess(&SoilDay { day_of_year: 280, ..midsummer(0.05, 22.0, 3.0) });
        assert!(autumn.max_c > north.max_c + 2.0, "a lower sun: more air range for the same soil range");
    }

    #[test]
    fn soil_that_warms_lags_warmer_air() {
        let steady = guess(&midsummer(0.05, 22.0, 3.0));
        let warming = guess(&SoilDay { mean_before_c: Some(20.0), ..midsummer(0.05, 22.0, 3.0) });
        assert!(warming.mean_c > steady.mean_c + 2.0);
        let unknown = guess(&SoilDay { mean_before_c: None, ..midsummer(0.05, 22.0, 3.0) });
        assert_eq!(unknown, steady);
    }

    #[test]
    fn a_deep_probe_leans_on_the_usual_and_says_so() {
        let shallow = guess(&midsummer(0.05, 34.0, 2.0));
        let deep = guess(&midsummer(0.40, 34.0, 0.2));
        assert!(shallow.mean_c > 32.5 && deep.mean_c < 32.5, "{shallow:?} {deep:?}");
        assert!(deep.sd_max_c > shallow.sd_max_c + 1.0);
    }

    /// Bare earth swings twice as far as earth under grass, and the air above both is the same: with its own weeks
    /// known, a garden's range of air hangs little on what covers the ground.
    #[test]
    fn what_covers_the_ground_matters_little_once_its_own_waves_are_known() {
        let range = |half_c: f64, known: bool| {
            let day = midsummer(0.05, 22.0, half_c);
            let own_wave_c = known.then(|| own_wave_c(40.0, 172, &[wave_c(&day).unwrap(); 40]).unwrap());
            let air = guess(&SoilDay { own_wave_c, ..day });
            air.max_c - air.min_c
        };
        assert!(range(6.0, false) / range(3.0, false) > 1.8);
        assert!(range(6.0, true) / range(3.0, true) < 1.25, "{} {}", range(6.0, true), range(3.0, true));
        // Within the garden a day of half the wave is still a day of little range.
        let day = midsummer(0.05, 22.0, 3.0);
        let own = own_wave_c(40.0, 172, &[wave_c(&day).unwrap(); 40]).unwrap();
        let dull = guess(&SoilDay { own_wave_c: Some(own), ..midsummer(0.05, 22.0, 1.5) });
        let clear = guess(&SoilDay { own_wave_c: Some(own), ..day });
        assert!((dull.max_c - dull.min_c) < 0.6 * (clear.max_c - clear.min_c));
        assert!(own_wave_c(40.0, 172, &[f64::NAN]).is_err() && own_wave_c(95.0, 172, &[]).is_err());
    }

    #[test]
    fn two_depths_give_the_damping_depth() {
        let d = damping_depth_m((0.05, 3.0), (0.20, 3.0 * exp(-0.15 / 0.12)));
        assert!(d.is_some_and(|d| (d - 0.12).abs() < 1e-9), "{d:?}");
        assert_eq!(damping_depth_m((0.05, 1.0), (0.20, 1.0)), None);
        assert_eq!(damping_depth_m((0.05, f64::NAN), (0.20, 1.0)), None);
    }

    #[test]
    fn nonsense_gives_nothing() {
        assert!(estimate(&SoilDay { mean_c: f64::NAN, ..midsummer(0.05, 20.0, 2.0) }).is_err());
        assert!(estimate(&midsummer(0.05, 20.0, -2.0)).is_err());
        assert!(estimate(&midsummer(f64::NAN, 20.0, 2.0)).is_err());
        assert!(estimate(&SoilDay { day_of_year: 0, ..midsummer(0.05, 20.0, 2.0) }).is_err());
    }
}
