//! The growth curve of one fruit, fitted to its own measures.
//!
//! Least squares on the logarithm of the mass, since a tape errs in proportion to the fruit; three parameters
//! (ln A, ln k, tm), the logistic and the Gompertz curve of [`agronomy::growth`], each by the
//! Levenberg-Marquardt method of the `rmpfit` crate with analytic derivatives and within bounds. Of the two
//! the one with the smaller residual error is taken, and [`Fit`] says which and by how much.
//!
//! The final mass has an interval by the delta method: ln A is a parameter, so its variance is that of the
//! fit, s² (JᵀJ)⁻¹ with s² = Σ r² / (n - 3), and the bounds are A exp(∓ t s_A) with Student's t of n - 3
//! degrees. Which curve is right is not known either: what the two final masses differ by goes into the
//! variance, weighted by how well the other one still fits (Akaike weights; Burnham & Anderson 2002, "Model
//! Selection and Multimodel Inference"). `tests/engine/growth.rs` holds the 80 % interval against simulated
//! fruits and states what share of them it covers.

use agronomy::growth::{Growth, Shape, start};
use rmpfit::{MPError, MPFitter, MPPar, MPResult, MPSide, MPSuccess};

/// Fewer measures give no curve.
pub const FEWEST: usize = 6;
/// So many of them must lie on each side of the fitted peak.
const EACH_SIDE: usize = 2;
/// Bounds of a fit: final mass by the heaviest measure, rate a day, days of the peak before the first and
/// after the last measure (judgement, wide of any fruit).
const FINAL_BY_HEAVIEST: (f64, f64) = (0.8, 5.0);
const RATE_PER_DAY: (f64, f64) = (0.01, 1.0);
const PEAK_OFF_DAYS: f64 = 30.0;
/// Normal deviate of a two-sided 80 % interval.
const Z_80: f64 = 1.281_551_565_544_6;
/// Measures that agree with a curve better than any tape can say nothing of their error (judgement).
const LEAST_SD: f64 = 0.003;

/// Mass of a fruit on a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measure {
    /// Days since pollination, or since any other day; -900 to 900.
    pub day: f64,
    /// kg.
    pub kg: f64,
}

/// Why there is no curve; the daily gain can still be told.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoFit {
    /// Too few measures.
    #[error("{had} measures, a curve wants {FEWEST}")]
    TooFew {
        /// How many there are.
        had: usize,
    },
    /// A day or a mass out of range, or days out of order.
    #[error("{0}")]
    Measures(agronomy::Error),
    /// The greatest gain is not behind the fruit yet, or was over before the first measure.
    #[error("the measures do not span the day of greatest gain")]
    PeakNotSpanned,
    /// Neither curve goes through these measures.
    #[error("no growth curve goes through these measures")]
    NoCurve,
}

/// A growth curve through the measures of one fruit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// The curve.
    pub curve: Growth,
    /// Residual standard deviation of ln(mass): 0.03 is 3 % a measure.
    pub residual_sd: f64,
    /// That of the curve not taken, where it could be fitted.
    pub other_sd: Option<f64>,
    /// Standard deviation of ln(final mass).
    pub final_sd: f64,
    /// How many measures it rests on.
    pub measures: usize,
}

impl Fit {
    /// The final mass and its 80 % interval, kg: lower bound, value, upper bound. `more_sd` is a further
    /// spread as a share of the mass that no fit can see, such as that of the density. `None` when the
    /// interval is too wide to mean anything.
    pub fn final_kg(&self, more_sd: f64) -> Option<(f64, f64, f64)> {
        let half = student_80(self.measures.saturating_sub(3)) * self.final_sd;
        self.curve.final_within((half * half + (Z_80 * more_sd) * (Z_80 * more_sd)).sqrt()).ok()
    }
}

/// Fits a growth curve to the measures of one fruit, in the order of their days.
///
/// # Errors
/// Why there is none: see [`NoFit`].
pub fn fit(measures: &[Measure]) -> Result<Fit, NoFit> {
    if measures.len() < FEWEST {
        return Err(NoFit::TooFew { had: measures.len() });
    }
    let pairs: Vec<(f64, f64)> = measures.iter().map(|one| (one.day, one.kg)).collect();
    let mut fitted = Vec::new();
    for shape in [Shape::Gompertz, Shape::Logistic] {
        let Some(from) = start(shape, &pairs).map_err(NoFit::Measures)? else {
            return Err(NoFit::PeakNotSpanned);
        };
        for one in measures {
            from.ln_above(one.day, one.kg).map_err(NoFit::Measures)?;
        }
        fitted.extend(fit_shape(from, measures));
    }
    fitted.sort_by(|one, other| one.squares.total_cmp(&other.squares));
    let (best, other) = match fitted.as_slice() {
        [best] => (best, None),
        [best, other] => (best, Some(other)),
        _ => return Err(NoFit::NoCurve),
    };
    let peak_day = best.curve.peak().day;
    let before = measures.iter().filter(|one| one.day < peak_day).count();
    if before < EACH_SIDE || measures.len() - before < EACH_SIDE {
        return Err(NoFit::PeakNotSpanned);
    }
    if best.pegged {
        return Err(NoFit::NoCurve);
    }
    let sd = |squares: f64| (squares / (measures.len() - 3) as f64).sqrt();
    let residual_sd = sd(best.squares);
    let mut variance = best.spread * residual_sd.max(LEAST_SD) * residual_sd.max(LEAST_SD);
    if let Some(other) = other.filter(|other| !other.pegged) {
        let apart = other.curve.logs()[0] - best.curve.logs()[0];
        // e^(-Δ/2) of Akaike's Δ = n ln(SS' / SS), the number of parameters being the same.
        let ratio = best.squares.max(f64::MIN_POSITIVE) / other.squares.max(f64::MIN_POSITIVE);
        let likely = (0..measures.len()).fold(1.0, |product, _| product * ratio).sqrt();
        variance += likely / (1.0 + likely) * apart * apart;
    }
    Ok(Fit {
        curve: best.curve,
        residual_sd,
        other_sd: other.map(|other| sd(other.squares)),
        final_sd: variance.sqrt(),
        measures: measures.len(),
    })
}

/// One curve at its least squares.
struct Fitted {
    curve: Growth,
    squares: f64,
    /// Variance of ln A for residuals of variance 1.
    spread: f64,
    /// A parameter lies on its bound: the measures do not hold it.
    pegged: bool,
}

fn fit_shape(from: Growth, measures: &[Measure]) -> Option<Fitted> {
    let shape = from.shape();
    let mut curve_fit = CurveFit::new(shape, measures)?;
    let mut parameters = from.logs();
    for (parameter, bounds) in parameters.iter_mut().zip(&curve_fit.bounds) {
        *parameter = parameter.clamp(bounds.limit_low, bounds.limit_up);
    }
    let status = curve_fit.mpfit(&mut parameters).ok()?;
    let done = !matches!(status.success, MPSuccess::NotDone | MPSuccess::MaxIter);
    let curve = Growth::from_logs(shape, parameters).ok()?;
    let spread = *status.covar.first()?;
    let known = done && status.best_norm.is_finite() && spread.is_finite() && spread >= 0.0;
    known.then_some(Fitted { curve, squares: status.best_norm, spread, pegged: status.n_pegged > 0 })
}

/// The problem as the crate wants it.
struct CurveFit<'a> {
    shape: Shape,
    measures: &'a [Measure],
    bounds: [MPPar; 3],
}

impl<'a> CurveFit<'a> {
    fn new(shape: Shape, measures: &'a [Measure]) -> Option<Self> {
        let heaviest_kg = measures.iter().map(|one| one.kg).fold(0.0, f64::max);
        let (first, last) = (measures.first()?.day, measures.last()?.day);
        let lowest = Growth::new(shape, FINAL_BY_HEAVIEST.0 * heaviest_kg, RATE_PER_DAY.0, 0.0).ok()?.logs();
        let highest = Growth::new(shape, FINAL_BY_HEAVIEST.1 * heaviest_kg, RATE_PER_DAY.1, 0.0).ok()?.logs();
        let bound = |low, high| MPPar {
            limited_low: true,
            limited_up: true,
            limit_low: low,
            limit_up: high,
            side: MPSide::User,
            ..MPPar::new()
        };
        let bounds = [
            bound(lowest[0], highest[0]),
            bound(lowest[1], highest[1]),
            bound(first - PEAK_OFF_DAYS, last + PEAK_OFF_DAYS),
        ];
        Some(Self { shape, measures, bounds })
    }

    fn curve(&self, parameters: &[f64]) -> MPResult<Growth> {
        let logs = <[f64; 3]>::try_from(parameters).map_err(|_| MPError::Input)?;
        Growth::from_logs(self.shape, logs).map_err(|_| MPError::Eval)
    }
}

impl MPFitter for CurveFit<'_> {
    fn eval(&mut self, parameters: &[f64], deviates: &mut [f64]) -> MPResult<()> {
        let curve = self.curve(parameters)?;
        for (deviate, one) in deviates.iter_mut().zip(self.measures) {
            *deviate = curve.ln_above(one.day, one.kg).map_err(|_| MPError::Eval)?;
        }
        Ok(())
    }

    fn number_of_points(&self) -> usize {
        self.measures.len()
    }

    fn parameters(&self) -> &[MPPar] {
        &self.bounds
    }

    fn jacobian(
        &mut self,
        parameters: &[f64],
        deviates: &mut [f64],
        columns: &mut [Option<Vec<f64>>],
    ) -> MPResult<()> {
        self.eval(parameters, deviates)?;
        let curve = self.curve(parameters)?;
        for (at, one) in self.measures.iter().enumerate() {
            let slopes = curve.ln_slopes(one.day).map_err(|_| MPError::Eval)?;
            for (column, slope) in columns.iter_mut().zip(slopes) {
                if let Some(cell) = column.as_mut().and_then(|column| column.get_mut(at)) {
                    *cell = -slope;
                }
            }
        }
        Ok(())
    }
}

/// Student's t of a two-sided 80 % interval, by its expansion about the normal deviate (Abramowitz & Stegun
/// 1964, 26.7.5), within 0.002 from three degrees of freedom on.
fn student_80(degrees: usize) -> f64 {
    let n = degrees.max(1) as f64;
    let z2 = Z_80 * Z_80;
    let odd = |terms: &[f64]| terms.iter().fold(0.0, |sum, term| sum * z2 + term) * Z_80;
    Z_80 + odd(&[1.0, 1.0]) / (4.0 * n)
        + odd(&[5.0, 16.0, 3.0]) / (96.0 * n * n)
        + odd(&[3.0, 19.0, 17.0, -15.0]) / (384.0 * n * n * n)
}

#[cfg(test)]
mod tests {
    use super::student_80;

    /// Upper 10 % points of the printed tables of Student's t (from memory).
    #[test]
    fn students_t_is_that_of_the_tables() {
        for (degrees, t) in [(3, 1.638), (4, 1.533), (5, 1.476), (8, 1.397), (12, 1.356), (30, 1.310)] {
            assert!((student_80(degrees) - t).abs() < 0.002, "{degrees}: {}", student_80(degrees));
        }
    }
}
