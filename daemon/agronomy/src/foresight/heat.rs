//! The day's maximum, from the morning.

use super::{Case, Forecaster, SHADE_LEAN, known, spread};

/// A morning with an air thermometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MorningAir {
    /// Hours of the sun's clock at the reading ([`solar_hour`]); 4 to 11.
    pub solar_hour: f64,
    /// Air now, °C.
    pub air_c: f64,
    /// Lowest air since 03 h, °C; `None` if not known.
    pub dawn_c: Option<f64>,
    /// Yesterday's highest air, °C.
    pub max_before_c: Option<f64>,
    /// Air at this hour yesterday, °C.
    pub same_hour_before_c: Option<f64>,
}

impl MorningAir {
    /// 1; yesterday's maximum − now; rise since dawn; now − same hour yesterday. What is not known is put
    /// at its usual value of the hour.
    pub fn case(&self) -> Case<4> {
        let usual = morning_row(self.solar_hour);
        let to_max = known(self.max_before_c).map_or(usual.to_max_c, |x| x - self.air_c);
        let rise = known(self.dawn_c).map_or(usual.rise_c, |x| self.air_c - x);
        let change = known(self.same_hour_before_c).map_or(0.0, |x| self.air_c - x);
        Case { from_c: self.air_c, predictors: [1.0, to_max, rise, change] }
    }
}

/// Hours of the sun's clock (12 when it stands highest, give or take the quarter hour of the equation of
/// time), from hours UTC and longitude in degrees, east positive. 0 to 24.
pub fn solar_hour(utc_hours: f64, longitude_deg: f64) -> f64 {
    let hour = (utc_hours + longitude_deg / 15.0) % 24.0;
    if hour < 0.0 { hour + 24.0 } else { hour }
}

/// Built-in figures of one hour of the morning.
struct MorningRow {
    solar_hour: f64,
    coefficients: [f64; 4],
    sd_c: f64,
    to_max_c: f64,
    rise_c: f64,
    usual_size: [f64; 4],
}

const fn morning(
    solar_hour: f64,
    coefficients: [f64; 4],
    sd_c: f64,
    (to_max_c, rise_c): (f64, f64),
    usual_size: [f64; 4],
) -> MorningRow {
    MorningRow { solar_hour, coefficients, sd_c, to_max_c, rise_c, usual_size }
}

/// Least squares by hour over the even ISO weeks, May to September, of one grassland record (Kansas, 39° N,
/// 2022). The later the hour, the less yesterday counts. Usual to-maximum and rise are means of the same days.
const MORNINGS: [MorningRow; 6] = [
    morning(4.6, [4.5, 0.56, 1.0, 0.15], 3.9, (10.6, 0.1), [1.0, 11.2, 0.3, 4.0]),
    morning(5.6, [4.0, 0.58, 1.9, 0.16], 3.8, (10.7, 0.2), [1.0, 11.4, 0.5, 3.8]),
    morning(6.6, [4.1, 0.46, 1.2, 0.17], 3.4, (10.0, 1.1), [1.0, 10.7, 1.5, 3.4]),
    morning(7.6, [4.4, 0.27, 0.53, 0.23], 2.7, (8.2, 2.9), [1.0, 8.9, 3.6, 3.1]),
    morning(8.6, [4.5, 0.15, 0.20, 0.17], 2.3, (6.5, 4.6), [1.0, 7.4, 5.5, 3.4]),
    morning(9.6, [3.7, 0.18, 0.04, 0.23], 1.9, (4.9, 6.1), [1.0, 6.3, 7.1, 3.8]),
];

/// The built-in figures of an hour, linear between the rows, the ends holding outside.
fn morning_row(solar_hour: f64) -> MorningRow {
    let first = MORNINGS[0].solar_hour;
    let hour = if solar_hour.is_finite() { solar_hour } else { first };
    let place = (hour - first).clamp(0.0, (MORNINGS.len() - 1) as f64);
    let below = (place as usize).min(MORNINGS.len() - 2);
    let (a, b, share) = (&MORNINGS[below], &MORNINGS[below + 1], place - below as f64);
    let mix = |x: f64, y: f64| x + share * (y - x);
    let mix_all = |x: &[f64; 4], y: &[f64; 4]| core::array::from_fn(|i| mix(x[i], y[i]));
    MorningRow {
        solar_hour: mix(a.solar_hour, b.solar_hour),
        coefficients: mix_all(&a.coefficients, &b.coefficients),
        sd_c: mix(a.sd_c, b.sd_c),
        to_max_c: mix(a.to_max_c, b.to_max_c),
        rise_c: mix(a.rise_c, b.rise_c),
        usual_size: mix_all(&a.usual_size, &b.usual_size),
    }
}

/// The day's maximum from the air of the morning, read at about `solar_hour` each day. One forecaster an hour
/// of the day: the one of dawn and the one of 09:30 learn apart. Cases: [`MorningAir`].
pub fn day_maximum_at_morning(solar_hour: f64) -> Forecaster<4> {
    let row = morning_row(solar_hour);
    Forecaster::new(SHADE_LEAN, row.coefficients, row.usual_size, row.sd_c)
}

/// The day's maximum before sunrise, from dawn and yesterday: [`day_maximum_at_morning`] at a quarter
/// past five by the sun.
pub fn day_maximum_at_dawn() -> Forecaster<4> {
    day_maximum_at_morning(5.25)
}

/// A morning with soil thermometers alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MorningSoil {
    /// The shallowest soil now, °C.
    pub soil_c: f64,
    /// The same probe at this hour yesterday, °C.
    pub same_hour_before_c: Option<f64>,
    /// Yesterday's highest air as guessed by [`crate::soil_air::estimate`], °C.
    pub max_before_c: Option<f64>,
}

impl MorningSoil {
    /// 1; yesterday's guessed maximum − soil now; soil now − same hour yesterday. What is not known is put
    /// at its usual value.
    pub fn case(&self) -> Case<3> {
        let to_max = known(self.max_before_c).map_or(SOIL_TO_MAX_C, |x| x - self.soil_c);
        let change = known(self.same_hour_before_c).map_or(0.0, |x| self.soil_c - x);
        Case { from_c: self.soil_c, predictors: [1.0, to_max, change] }
    }
}

/// Usual rise from the shallow soil of the morning to the day's maximum of the air, °C.
const SOIL_TO_MAX_C: f64 = 6.3;

/// The day's maximum where no air is measured, at any hour from dawn to mid-morning. Cases: [`MorningSoil`].
/// It learns from maxima guessed from the soil; `guess_sd_c` is their spread (`sd_max_c` of the guess), and
/// is part of the margin.
pub fn day_maximum_from_soil(guess_sd_c: f64) -> Forecaster<3> {
    let base = Forecaster::new(SHADE_LEAN, [4.8, 0.28, 0.52], [1.0, 6.8, 1.8], 3.0);
    Forecaster { answer_sd_c: spread(guess_sd_c), ..base }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn day_one_uses_the_built_in_coefficients() {
        let forecaster = day_maximum_at_morning(8.6);
        let morning = MorningAir {
            solar_hour: 8.6,
            air_c: 24.0,
            dawn_c: None,
            max_before_c: None,
            same_hour_before_c: None,
        };
        let foreseen = forecaster.foresee(&morning.case()).expect("finite");
        assert!((foreseen.value_c - 30.4).abs() < 0.2, "{foreseen:?}");
        assert!((foreseen.sd_c - 2.3).abs() < 1e-9);
        assert!(foreseen.calls_for_shade(32.0) && !foreseen.calls_for_shade(33.0));
    }

    #[test]
    fn guessed_answers_widen_the_margin() {
        assert!(day_maximum_from_soil(2.3).error_sd_c() > day_maximum_from_soil(0.0).error_sd_c() + 0.5);
        assert_eq!(day_maximum_from_soil(f64::NAN).error_sd_c(), 6.0);
    }

    #[test]
    fn the_suns_clock() {
        assert!((solar_hour(15.0, -96.6) - 8.56).abs() < 0.01);
        assert!((solar_hour(1.0, -96.6) - 18.56).abs() < 0.01);
        assert!((solar_hour(23.0, 150.0) - 9.0).abs() < 0.01);
    }

    #[test]
    fn later_hours_of_the_morning_are_surer() {
        let sds = [4.0, 5.25, 7.0, 8.0, 9.0, 12.0].map(|h| day_maximum_at_morning(h).error_sd_c());
        assert!(sds.is_sorted_by(|a, b| a >= b), "{sds:?}");
        assert_eq!(day_maximum_at_morning(f64::NAN).prior, day_maximum_at_morning(0.0).prior);
    }
}
