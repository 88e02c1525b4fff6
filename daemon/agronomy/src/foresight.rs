//! Today's highest and tonight's lowest air temperature, foreseen from this garden's own days.
//!
//! A [`Forecaster`] is a small ridge regression: its coefficients start at built-in ones and lean, day by day, on
//! the last weeks of this garden; its margin is the spread of its own past errors. What it looks at is
//! named by the four cases ([`MorningAir`], [`MorningSoil`], [`AfternoonAir`], [`AfternoonSoil`]). All of
//! them work in differences between temperatures, so they need no climate to start with.
//!
//! Life of a case: at the hour of the call make it from the readings so far, ask
//! [`Forecaster::foresee`], keep the [`Case`]; when the day (or the night) is over, hand it to
//! [`Forecaster::learn`] with what came. Only [`Forecaster::rows`] and [`Forecaster::errors_c`] need saving.

use alloc::vec::Vec;

use crate::error::{Error, air, within};
use crate::real::sqrt;

/// Margin of the shade call, in standard deviations of past error.
pub const SHADE_LEAN: f64 = 1.0;
/// Margin of the cover call, in standard deviations of past error.
pub const COVER_LEAN: f64 = 1.5;
/// Bounds of one standard deviation, °C: luck does not make a forecast sure, nor one wild day useless.
pub const SD_BOUNDS_C: (f64, f64) = (1.0, 6.0);

/// Days a forecaster looks back.
const WINDOW_DAYS: usize = 45;
/// Past errors kept for the margin.
const ERRORS_KEPT: usize = 30;
/// The built-in margin counts as this many past errors.
const BUILT_IN_ERRORS: f64 = 10.0;

/// A foreseen temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foreseen {
    /// The most likely value, °C.
    pub value_c: f64,
    /// One standard deviation of its error, °C, within [`SD_BOUNDS_C`]; the ± of the letter.
    pub sd_c: f64,
    /// How far the call leans toward caution, °C: a missed call costs more than a sheet laid in vain.
    pub margin_c: f64,
}

impl Foreseen {
    /// Whether shade is to be told: value + margin reaches the mark.
    pub fn calls_for_shade(&self, mark_c: f64) -> bool {
        self.value_c + self.margin_c >= mark_c
    }

    /// Whether cover is to be told: value − margin reaches the mark.
    pub fn calls_for_cover(&self, mark_c: f64) -> bool {
        self.value_c - self.margin_c <= mark_c
    }
}

/// What was known at the hour of a call: the answer is looked for as a difference from `from_c`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case<const N: usize> {
    /// The reading the forecast starts from, °C.
    pub from_c: f64,
    /// Predictors in the order of the case's documentation; the first is always 1.
    pub predictors: [f64; N],
}

/// A ridge regression over the last days of one garden.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecaster<const N: usize> {
    /// Built-in coefficients.
    pub prior: [f64; N],
    /// Usual size of each predictor (root mean square), above 0: what one day of belief in the built-in weighs.
    pub usual_size: [f64; N],
    /// The built-in coefficients count as this many days, above 0.
    pub prior_days: f64,
    /// Spread of the error before anything is learned, °C.
    pub prior_sd_c: f64,
    /// Standard deviations of margin: [`SHADE_LEAN`] or [`COVER_LEAN`].
    pub lean: f64,
    /// Spread of the answers themselves, °C: 0 where measured, above where they are guessed from soil.
    pub answer_sd_c: f64,
    /// The last days, oldest first, each N predictors then the answer as a difference from `from_c`.
    pub rows: Vec<f64>,
    /// The last errors of its own forecasts (came − foreseen), oldest first, °C.
    pub errors_c: Vec<f64>,
}

impl<const N: usize> Forecaster<N> {
    fn new(lean: f64, prior: [f64; N], usual_size: [f64; N], prior_days: f64, prior_sd_c: f64) -> Self {
        Self {
            prior,
            usual_size,
            prior_days,
            prior_sd_c,
            lean,
            answer_sd_c: 0.0,
            rows: Vec::new(),
            errors_c: Vec::new(),
        }
    }

    /// Puts back what was saved. Broken or foreign memory (wrong length, not finite) is dropped whole: the
    /// built-in coefficients then start anew. Returns whether it was taken.
    pub fn remember(&mut self, rows: Vec<f64>, errors_c: Vec<f64>) -> bool {
        let sound = rows.len().is_multiple_of(N + 1)
            && rows.len() <= WINDOW_DAYS * (N + 1)
            && errors_c.len() <= ERRORS_KEPT
            && rows.iter().chain(&errors_c).all(|x| x.is_finite());
        if sound {
            (self.rows, self.errors_c) = (rows, errors_c);
        }
        sound
    }

    /// Days learned and still in the window.
    pub fn days_learned(&self) -> usize {
        self.rows.len() / (N + 1)
    }

    /// Foresees. An error names what is no temperature: a reading in the case, or what came of them.
    pub fn foresee(&self, case: &Case<N>) -> Result<Foreseen, Error> {
        air("from_c", case.from_c)?;
        let difference_c = dot(&self.coefficients(), &case.predictors);
        within("difference_c", difference_c, -80.0, 80.0, "a difference of air temperatures to 80 °C")?;
        let sd_c = self.error_sd_c();
        Ok(Foreseen { value_c: case.from_c + difference_c, sd_c, margin_c: self.lean * sd_c })
    }

    /// Learns what came of a case: the error is kept for the margin, the day for the coefficients. A case
    /// that could not be foreseen, or `came_c` that is no air temperature, is an error and not learned.
    pub fn learn(&mut self, case: &Case<N>, came_c: f64) -> Result<(), Error> {
        let foreseen = self.foresee(case)?;
        self.errors_c.push(air("came_c", came_c)? - foreseen.value_c);
        let spare = self.errors_c.len().saturating_sub(ERRORS_KEPT);
        self.errors_c.drain(..spare);
        self.rows.extend_from_slice(&case.predictors);
        self.rows.push(came_c - case.from_c);
        let spare = self.rows.len().saturating_sub(WINDOW_DAYS * (N + 1));
        self.rows.drain(..spare);
        Ok(())
    }

    /// Spread of its own past errors, the built-in one counting as ten of them, with the spread of the
    /// answers on top; °C, within [`SD_BOUNDS_C`].
    pub fn error_sd_c(&self) -> f64 {
        let squares: f64 = self.errors_c.iter().map(|e| e * e).sum();
        let built_in = BUILT_IN_ERRORS * self.prior_sd_c * self.prior_sd_c;
        let own = sqrt((built_in + squares) / (BUILT_IN_ERRORS + self.errors_c.len() as f64));
        sqrt(own * own + self.answer_sd_c * self.answer_sd_c).clamp(SD_BOUNDS_C.0, SD_BOUNDS_C.1)
    }

    /// The coefficients of today: least squares over the window, pulled toward the built-in ones.
    pub fn coefficients(&self) -> [f64; N] {
        let mut a = [[0.0; N]; N];
        let mut b = [0.0; N];
        for i in 0..N {
            let weight = self.prior_days * self.usual_size[i] * self.usual_size[i];
            a[i][i] = weight;
            b[i] = weight * self.prior[i];
        }
        for row in self.rows.chunks_exact(N + 1) {
            for i in 0..N {
                for j in 0..N {
                    a[i][j] += row[i] * row[j];
                }
                b[i] += row[i] * row[N];
            }
        }
        solve(a, b).unwrap_or(self.prior)
    }
}

fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Solves a symmetric positive definite system by Cholesky; `None` where it is not.
fn solve<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    for j in 0..N {
        for k in 0..j {
            a[j][j] -= a[j][k] * a[j][k];
        }
        if a[j][j].is_nan() || a[j][j] <= 0.0 {
            return None;
        }
        a[j][j] = sqrt(a[j][j]);
        for i in j + 1..N {
            for k in 0..j {
                a[i][j] -= a[i][k] * a[j][k];
            }
            a[i][j] /= a[j][j];
        }
    }
    for i in 0..N {
        for k in 0..i {
            b[i] -= a[i][k] * b[k];
        }
        b[i] /= a[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            b[i] -= a[k][i] * b[k];
        }
        b[i] /= a[i][i];
    }
    b.iter().all(|x| x.is_finite()).then_some(b)
}

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
        let known = |x: Option<f64>| x.filter(|x| x.is_finite());
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
    Forecaster::new(SHADE_LEAN, row.coefficients, row.usual_size, 40.0, row.sd_c)
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
        let known = |x: Option<f64>| x.filter(|x| x.is_finite());
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
    let base = Forecaster::new(SHADE_LEAN, [4.8, 0.28, 0.52], [1.0, 6.8, 1.8], 60.0, 3.0);
    Forecaster { answer_sd_c: spread(guess_sd_c), ..base }
}

/// An afternoon with an air thermometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfternoonAir {
    /// Air at about 15 h, °C.
    pub air_c: f64,
    /// Dew point at that hour, °C; `None` without a humidity sensor.
    pub dew_point_c: Option<f64>,
    /// Last night's fall: air at yesterday's hour − the minimum after it, °C.
    pub fall_before_c: Option<f64>,
}

impl AfternoonAir {
    /// 1; air − 20; dew point − air; last night's fall − 10. What is not known is put at its usual value: a
    /// garden without humidity simply learns no weight for it.
    pub fn case(&self) -> Case<4> {
        let known = |x: Option<f64>| x.filter(|x| x.is_finite());
        let gap = known(self.dew_point_c).map_or(USUAL_DEW_GAP_C, |x| x - self.air_c);
        let fall = known(self.fall_before_c).map_or(0.0, |x| x - USUAL_FALL_C);
        Case { from_c: self.air_c, predictors: [1.0, self.air_c - 20.0, gap, fall] }
    }
}

/// Usual dew point − air in mid-afternoon, °C.
const USUAL_DEW_GAP_C: f64 = -11.0;
/// Fall from mid-afternoon to the night's minimum before anything is known, °C (judgement).
pub const USUAL_FALL_C: f64 = 10.0;

/// The night's minimum (15 h to 09 h next day) from the air of the afternoon. Cases: [`AfternoonAir`].
pub fn night_minimum_at_afternoon() -> Forecaster<4> {
    Forecaster::new(COVER_LEAN, [-6.0, -0.19, 0.36, -0.29], [1.0, 8.9, 12.3, 4.7], 60.0, 3.3)
}

/// The night's minimum for the first nights of a garden, before ten calm ones are learned: air now less the
/// mean fall of the last seven nights (`falls_c`, oldest first; none: [`USUAL_FALL_C`]), with their spread
/// as the margin. An error names a figure that is no temperature.
pub fn night_minimum_of_first_nights(air_c: f64, falls_c: &[f64]) -> Result<Foreseen, Error> {
    let last = &falls_c[falls_c.len().saturating_sub(7)..];
    let n = last.len() as f64;
    let (mean, sd) = if last.is_empty() {
        (USUAL_FALL_C, 3.0)
    } else {
        let mean = last.iter().sum::<f64>() / n;
        let squares: f64 = last.iter().map(|x| (x - mean) * (x - mean)).sum();
        // With one or two nights the spread is not known: three degrees count as two nights more.
        (mean, sqrt((squares + 18.0 / (n * n)) / n))
    };
    within("falls_c", mean, -40.0, 40.0, "falls within 40 °C")?;
    let sd_c = sd.clamp(SD_BOUNDS_C.0, SD_BOUNDS_C.1);
    Ok(Foreseen { value_c: air("air_c", air_c)? - mean, sd_c, margin_c: sd_c })
}

/// An afternoon with soil thermometers alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfternoonSoil {
    /// The shallowest soil at about 15 h, °C.
    pub soil_c: f64,
    /// Its lowest since midnight, °C.
    pub dawn_c: Option<f64>,
    /// The same probe at this hour yesterday, °C.
    pub same_hour_before_c: Option<f64>,
}

impl AfternoonSoil {
    /// 1; rise since dawn; now − same hour yesterday. What is not known is put at its usual value.
    pub fn case(&self) -> Case<3> {
        let known = |x: Option<f64>| x.filter(|x| x.is_finite());
        let rise = known(self.dawn_c).map_or(USUAL_SOIL_RISE_C, |x| self.soil_c - x);
        let change = known(self.same_hour_before_c).map_or(0.0, |x| self.soil_c - x);
        Case { from_c: self.soil_c, predictors: [1.0, rise, change] }
    }
}

/// Usual rise of the shallow soil from dawn to mid-afternoon, °C.
const USUAL_SOIL_RISE_C: f64 = 3.4;

/// The night's minimum where no air is measured. Cases: [`AfternoonSoil`]. It learns from minima guessed
/// from the soil the day after; `guess_sd_c` is their spread (`sd_min_c` of the guess), part of the margin.
pub fn night_minimum_from_soil(guess_sd_c: f64) -> Forecaster<3> {
    let base = Forecaster::new(COVER_LEAN, [-4.8, -1.0, 1.55], [1.0, 3.9, 1.9], 60.0, 3.2);
    Forecaster { answer_sd_c: spread(guess_sd_c), ..base }
}

fn spread(sd_c: f64) -> f64 {
    if sd_c.is_finite() { sd_c.clamp(0.0, SD_BOUNDS_C.1) } else { SD_BOUNDS_C.1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reproducible stream of numbers within −1..1 (Knuth's constants).
    fn noise(seed: &mut u64) -> f64 {
        *seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (*seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }

    fn mornings(garden: [f64; 4], days: usize) -> (Forecaster<4>, f64) {
        let mut forecaster = day_maximum_at_morning(8.6);
        let (mut seed, mut late) = (7, 0.0);
        for day in 0..days {
            let mut near = |mid: f64, width: f64| mid + width * noise(&mut seed);
            let predictors = [1.0, near(6.5, 4.0), near(4.6, 3.0), near(0.0, 4.0)];
            let case = Case { from_c: near(20.0, 5.0), predictors };
            let came = case.from_c + dot(&garden, &predictors) + near(0.0, 1.0);
            let foreseen = forecaster.foresee(&case).expect("finite");
            if day + 20 >= days {
                late += (came - foreseen.value_c).abs() / 20.0;
            }
            forecaster.learn(&case, came).expect("plausible");
        }
        (forecaster, late)
    }

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
    fn a_garden_unlike_the_built_in_one_is_learned() {
        let (forecaster, late) = mornings([8.5, 0.05, 0.2, 0.0], 90);
        assert!(late < 1.2, "{late}");
        assert!(forecaster.error_sd_c() < 2.0);
        assert_eq!(forecaster.days_learned(), WINDOW_DAYS);
        assert_eq!(forecaster.errors_c.len(), ERRORS_KEPT);
    }

    #[test]
    fn the_margin_widens_with_its_own_errors_and_is_bounded() {
        let mut forecaster = night_minimum_at_afternoon();
        let calm = AfternoonAir { air_c: 15.0, dew_point_c: Some(4.0), fall_before_c: Some(10.0) }.case();
        for day in 0..40 {
            let came = if day % 2 == 0 { -20.0 } else { 30.0 };
            forecaster.learn(&calm, came).expect("plausible");
        }
        assert_eq!(forecaster.error_sd_c(), 6.0);
        forecaster.errors_c.fill(0.0);
        forecaster.prior_sd_c = 0.1;
        assert_eq!(forecaster.error_sd_c(), 1.0);
    }

    #[test]
    fn guessed_answers_widen_the_margin() {
        assert!(day_maximum_from_soil(2.3).error_sd_c() > day_maximum_from_soil(0.0).error_sd_c() + 0.5);
        assert_eq!(night_minimum_from_soil(f64::NAN).error_sd_c(), 6.0);
    }

    #[test]
    fn what_is_not_finite_is_neither_foreseen_nor_learned() {
        let mut forecaster = day_maximum_from_soil(2.0);
        let case = MorningSoil { soil_c: f64::NAN, same_hour_before_c: None, max_before_c: None }.case();
        assert!(forecaster.foresee(&case).is_err());
        assert!(forecaster.learn(&case, 20.0).is_err());
        let case =
            MorningSoil { soil_c: 20.0, same_hour_before_c: Some(f64::NAN), max_before_c: None }.case();
        assert!(forecaster.learn(&case, f64::INFINITY).is_err());
        assert_eq!(forecaster.days_learned(), 0);
        assert!(forecaster.foresee(&case).is_ok());
    }

    #[test]
    fn saved_memory_foresees_the_same_and_broken_memory_is_dropped() {
        let (old, _) = mornings([5.0, 0.2, 0.2, 0.2], 60);
        let mut new = day_maximum_at_morning(8.6);
        assert!(new.remember(old.rows.clone(), old.errors_c.clone()));
        assert_eq!(new, old);
        let mut fresh = day_maximum_at_morning(8.6);
        assert!(!fresh.remember(old.rows[1..].to_vec(), old.errors_c.clone()));
        assert!(!fresh.remember(old.rows.clone(), alloc::vec![f64::NAN]));
        assert_eq!(fresh.days_learned(), 0);
    }

    /// Mean, spread and margin by hand: falls 8, 10, 12 → mean 10, squares 8, +2 over 3: 1.826.
    #[test]
    fn the_first_nights_go_by_their_falls() {
        let none = night_minimum_of_first_nights(14.0, &[]).expect("finite");
        assert!((none.value_c - 4.0).abs() < 1e-9 && none.calls_for_cover(1.0) && !none.calls_for_cover(0.9));
        let three = night_minimum_of_first_nights(15.0, &[8.0, 10.0, 12.0]).expect("finite");
        assert!((three.value_c - 5.0).abs() < 1e-9 && (three.margin_c - 1.8257).abs() < 1e-3);
        let old_ones_fall_out = [99.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0];
        assert_eq!(night_minimum_of_first_nights(15.0, &old_ones_fall_out).map(|f| f.value_c), Ok(7.0));
        assert!(night_minimum_of_first_nights(f64::NAN, &[]).is_err());
        assert!(night_minimum_of_first_nights(15.0, &[f64::NAN]).is_err());
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
