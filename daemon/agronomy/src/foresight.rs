//! Today's highest and tonight's lowest air temperature, foreseen from this garden's own days.
//!
//! A [`Forecaster`] is a small ridge regression: its coefficients start at built-in ones and lean, day by day, on
//! the last weeks of this garden; its margin is the spread of its own past errors. What it looks at is
//! named by the three cases ([`MorningAir`], [`MorningSoil`], [`AfternoonAir`]). All of them work in differences
//! between temperatures, so they need no climate to start with. The night from soil alone ([`EveningSoil`]) has fixed
//! figures and leans on the climate.
//!
//! Life of a case: at the hour of the call make it from the readings so far, ask
//! [`Forecaster::foresee`], keep the [`Case`]; when the day (or the night) is over, hand it to
//! [`Forecaster::learn`] with what came. Only [`Forecaster::rows`] and [`Forecaster::errors_c`] need saving.

mod cold;
mod heat;

use alloc::vec::Vec;

use crate::error::{Error, air, within};
use crate::real::sqrt;

pub use cold::{
    AfternoonAir, EveningSoil, SOIL_NIGHT_SD_C, USUAL_FALL_C, night_minimum_at_afternoon,
    night_minimum_from_soil, night_minimum_of_first_nights, usual_half_range_of_soil_c,
};
pub use heat::{
    MorningAir, MorningSoil, day_maximum_at_dawn, day_maximum_at_morning, day_maximum_from_soil, solar_hour,
};

/// Margin of the shade call, in standard deviations of past error.
pub const SHADE_LEAN: f64 = 1.0;
/// Margin of the cover call, in standard deviations of past error.
pub const COVER_LEAN: f64 = 1.5;
/// Bounds of one standard deviation and, above, of the margin, °C: luck does not make a forecast sure, nor one wild day useless.
pub const SD_BOUNDS_C: (f64, f64) = (1.0, 6.0);

/// The built-in coefficients count as this many days. Scores on the record hardly move between 20 and 60.
const BUILT_IN_DAYS: f64 = 30.0;
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
    fn new(lean: f64, prior: [f64; N], usual_size: [f64; N], prior_sd_c: f64) -> Self {
        Self { prior, usual_size, prior_sd_c, lean, answer_sd_c: 0.0, rows: Vec::new(), errors_c: Vec::new() }
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
        Ok(Foreseen {
            value_c: case.from_c + difference_c,
            sd_c,
            margin_c: (self.lean * sd_c).min(SD_BOUNDS_C.1),
        })
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
            let weight = BUILT_IN_DAYS * self.usual_size[i] * self.usual_size[i];
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

/// A reading that is there and finite.
fn known(value: Option<f64>) -> Option<f64> {
    value.filter(|x| x.is_finite())
}

/// The spread of guessed answers, kept within bounds; unknown counts as the widest.
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
}
