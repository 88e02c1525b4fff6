//! How a fruit puts on weight: three S-curves, the gain between two measures, where a fit may start.
//!
//! All three have a final mass A, a rate k and the day tm of the greatest gain, and run from nothing at no
//! time to A at the end:
//! - logistic (Verhulst 1838): A / (1 + e^(-k (t - tm))), peak A k / 4 at A / 2;
//! - Gompertz (1825): A exp(-e^(-k (t - tm))), peak A k / e at A / e;
//! - Richards (1959, J. Exp. Bot. 10:290): A (1 + ν e^(-k (t - tm)))^(-1/ν), peak
//!   A k (1 + ν)^(-(1 + ν) / ν) at A (1 + ν)^(-1/ν). ν = 1 is the logistic, ν → 0 the Gompertz.
//!
//! Of pepper fruit Richards fitted best with Gompertz close behind (J. Am. Soc. Hort. Sci. 137(2):71, 2012),
//! of cucumber Gompertz at least as well as the logistic (J. Jpn. Soc. Hort. Sci. 53:30). Richards' fourth
//! parameter cannot be had from the dozen tapes of one fruit, so fits use the first two.
//!
//! The curves are worked out as the logarithm of the mass, which neither overflows nor loses its figures
//! long before the peak.

use crate::Error;
use crate::error::within;
use crate::real::{exp, ln, log1p};

/// Which S-curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Symmetric about its peak, which lies at half the final mass.
    Logistic,
    /// Early peak, at 37 % of the final mass, and a long tail.
    Gompertz,
    /// Between and beyond the two by its ν, 0.01 to 10.
    Richards(f64),
}

/// One growth curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    shape: Shape,
    final_kg: f64,
    rate_per_day: f64,
    peak_day: f64,
}

/// The day of the greatest gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// When, days.
    pub day: f64,
    /// Mass then, kg.
    pub kg: f64,
    /// Gain then, kg/day.
    pub kg_day: f64,
}

impl Growth {
    /// A curve that ends at `final_kg` (1e-6 to 1e5 kg) with rate `rate_per_day` (0.001 to 5 /day) and its
    /// peak on `peak_day` (-1000 to 1000, days after pollination, or after any other day that its user counts
    /// from).
    ///
    /// # Errors
    /// A parameter outside its range.
    pub fn new(shape: Shape, final_kg: f64, rate_per_day: f64, peak_day: f64) -> Result<Self, Error> {
        if let Shape::Richards(nu) = shape {
            within("nu", nu, 0.01, 10.0, "Richards' shape from 0.01 to 10")?;
        }
        Ok(Self {
            shape,
            final_kg: within("final_kg", final_kg, 1e-6, 1e5, "a final mass from 1e-6 to 1e5 kg")?,
            rate_per_day: within("rate_per_day", rate_per_day, 1e-3, 5.0, "a rate from 0.001 to 5 a day")?,
            peak_day: within("peak_day", peak_day, -1000.0, 1000.0, "a day from -1000 to 1000")?,
        })
    }

    /// The curve by the parameters that a fit moves: ln A, ln k and tm.
    ///
    /// # Errors
    /// A parameter that is outside its range of [`Growth::new`].
    pub fn from_logs(shape: Shape, [ln_final, ln_rate, peak_day]: [f64; 3]) -> Result<Self, Error> {
        Self::new(shape, exp(ln_final), exp(ln_rate), peak_day)
    }

    /// Those parameters.
    pub fn logs(&self) -> [f64; 3] {
        [ln(self.final_kg), ln(self.rate_per_day), self.peak_day]
    }

    /// How far a measure lies above the curve, as ln(measured / curve): 0.03 is 3 %.
    ///
    /// # Errors
    /// A day outside -1000 to 1000, a mass outside 1e-6 to 1e5 kg.
    pub fn ln_above(&self, day: f64, kg: f64) -> Result<f64, Error> {
        let kg = within("kg", kg, 1e-6, 1e5, "a mass from 1e-6 to 1e5 kg")?;
        Ok(ln(kg) - self.ln_kg(day)?)
    }

    /// The final mass with an interval of `half` to each side in its logarithm: lower bound, value, upper
    /// bound, kg.
    ///
    /// # Errors
    /// A half below 0 or above 10.
    pub fn final_within(&self, half: f64) -> Result<(f64, f64, f64), Error> {
        let factor = exp(within("half", half, 0.0, 10.0, "half an interval of ln(mass) from 0 to 10")?);
        Ok((self.final_kg / factor, self.final_kg, self.final_kg * factor))
    }

    /// Which S-curve it is.
    pub fn shape(&self) -> Shape {
        self.shape
    }

    /// The mass it ends at, kg.
    pub fn final_kg(&self) -> f64 {
        self.final_kg
    }

    /// Its rate k, /day.
    pub fn rate_per_day(&self) -> f64 {
        self.rate_per_day
    }

    /// Mass on `day`, kg; 0 where it is too small for a float.
    ///
    /// # Errors
    /// A day outside -1000 to 1000.
    pub fn kg(&self, day: f64) -> Result<f64, Error> {
        Ok(exp(self.ln_kg(day)?))
    }

    /// Natural logarithm of the mass in kg on `day`.
    ///
    /// # Errors
    /// A day outside -1000 to 1000.
    pub fn ln_kg(&self, day: f64) -> Result<f64, Error> {
        let x = self.before(day)?;
        let lacking = match self.shape {
            Shape::Logistic => softplus(x),
            Shape::Gompertz => exp_bounded(x),
            Shape::Richards(nu) => softplus(x + ln(nu)) / nu,
        };
        Ok(ln(self.final_kg) - lacking)
    }

    /// Gain on `day`, kg/day: the derivative of the curve.
    ///
    /// # Errors
    /// A day outside -1000 to 1000.
    pub fn kg_day(&self, day: f64) -> Result<f64, Error> {
        Ok(self.kg(day)? * self.share_day(day)?)
    }

    /// Gain on `day` as a share of the mass then, /day: the relative growth rate.
    fn share_day(&self, day: f64) -> Result<f64, Error> {
        let x = self.before(day)?;
        Ok(self.rate_per_day
            * match self.shape {
                Shape::Logistic => sigmoid(x),
                Shape::Gompertz => exp_bounded(x),
                Shape::Richards(nu) => sigmoid(x + ln(nu)) / nu,
            })
    }

    /// What `ln_kg` changes by, for each parameter: ln A, ln k, tm in that order. For fits.
    ///
    /// # Errors
    /// A day outside -1000 to 1000.
    pub fn ln_slopes(&self, day: f64) -> Result<[f64; 3], Error> {
        let share = self.share_day(day)?;
        Ok([1.0, share * (day - self.peak_day), -share])
    }

    /// Where it gains most.
    pub fn peak(&self) -> Peak {
        let (of_final, of_rate) = match self.shape {
            Shape::Logistic => (0.5, 0.5),
            Shape::Gompertz => (exp(-1.0), 1.0),
            Shape::Richards(nu) => (exp(-log1p(nu) / nu), 1.0 / (1.0 + nu)),
        };
        let kg = self.final_kg * of_final;
        Peak { day: self.peak_day, kg, kg_day: kg * self.rate_per_day * of_rate }
    }

    /// How far before the peak, in units of 1 / k.
    fn before(&self, day: f64) -> Result<f64, Error> {
        let day = within("day", day, -1000.0, 1000.0, "a day from -1000 to 1000")?;
        Ok(-self.rate_per_day * (day - self.peak_day))
    }
}

/// Mean gain between two measures `(day, kg)`, kg/day; negative where the later is lighter.
///
/// # Errors
/// The second is not later than the first, a day outside -1000 to 1000, or a mass outside 0 to 1e5 kg.
pub fn daily_gain(from: (f64, f64), to: (f64, f64)) -> Result<f64, Error> {
    for (day, kg) in [from, to] {
        within("day", day, -1000.0, 1000.0, "a day from -1000 to 1000")?;
        within("kg", kg, 0.0, 1e5, "a mass from 0 to 1e5 kg")?;
    }
    let days = within("days", to.0 - from.0, 1e-3, 2000.0, "the second measure is later than the first")?;
    Ok((to.1 - from.1) / days)
}

/// Where a fit of `shape` to measures `(day, kg)`, in their order, may start: A = 1.2 times the heaviest, tm =
/// the middle of the span of greatest gain, k from that gain as the peak's (4 gain / A for the logistic,
/// e gain / A for the Gompertz; common practice, no source). `None` when nothing was gained.
///
/// # Errors
/// Measures out of order, or out of the ranges of [`daily_gain`].
pub fn start(shape: Shape, measures: &[(f64, f64)]) -> Result<Option<Growth>, Error> {
    let mut best: Option<(f64, f64)> = None;
    let mut heaviest_kg = 0.0_f64;
    for pair in measures.windows(2) {
        if let [from, to] = pair {
            let gain = daily_gain(*from, *to)?;
            heaviest_kg = heaviest_kg.max(from.1).max(to.1);
            if best.is_none_or(|(most, _)| gain > most) {
                best = Some((gain, f64::midpoint(from.0, to.0)));
            }
        }
    }
    let Some((gain, peak_day)) = best.filter(|(gain, _)| *gain > 0.0) else { return Ok(None) };
    let unit = Growth::new(shape, 1.0, 1.0, 0.0)?.peak().kg_day;
    let final_kg = 1.2 * heaviest_kg;
    Growth::new(shape, final_kg, (gain / (final_kg * unit)).clamp(0.01, 1.0), peak_day).map(Some)
}

/// ln(1 + e^x), for any x.
fn softplus(x: f64) -> f64 {
    if x > 0.0 { x + log1p(exp(-x)) } else { log1p(exp(x)) }
}

/// 1 / (1 + e^-x), for any x.
fn sigmoid(x: f64) -> f64 {
    if x > 0.0 { 1.0 / (1.0 + exp(-x)) } else { exp(x) / (1.0 + exp(x)) }
}

/// e^x up to e^700; beyond, the mass is nothing either way.
fn exp_bounded(x: f64) -> f64 {
    exp(x.min(700.0))
}
