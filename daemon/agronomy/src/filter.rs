//! Bringing the water book and the probes together.
//!
//! A Kalman filter with two states: depletion, and the *bias* of demand, the factor by which the bed
//! really uses more or less than the book reckons. A wrong leafed area then shows as a bias near 1.5 or
//! 0.6, not as a probe that seems wrong every day. The equations are the textbook ones (R. E. Kalman
//! 1960, J. Basic Eng. 82:35); the correction is in Joseph's form, so that no rounding makes a variance
//! negative. All noise constants are this project's judgement.
//!
//! Depths are mm over the rooted area, hours as said. A variant keeps depletion alone and takes the book as
//! it is; then a leafed area that is a third off drags every day, and the probes are blamed.

use crate::error::{Error, within};
use crate::real::sqrt;

/// Standard deviation of the bias before anything was learned.
pub const BIAS_PRIOR_SD: f64 = 0.3;
/// The bias is held within these; at one of them the leafed or rooted area wants looking at.
pub const BIAS_LIMITS: (f64, f64) = (0.2, 5.0);
/// How far a book drifts in a day of its own accord, mm.
const DRIFT_MM_PER_DAY: f64 = 0.5;
/// How far the bias may wander in a day: leaves grow past their curve, then are pruned.
const BIAS_DRIFT_PER_DAY: f64 = 0.02;
/// Error of water that came in, as a share of it: gauge, uneven hand.
const INFLOW_ERROR: f64 = 0.1;

/// What is believed of a bed. The fields are plain so that they can be stored and taken up again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filter {
    /// Depletion, mm over the rooted area; below 0 while surplus drains, never under `-drainable_mm`.
    pub depletion_mm: f64,
    /// Factor on the book's demand; 1 = the book is right.
    pub bias: f64,
    /// Covariance of (depletion mm, bias): symmetric, variances on the diagonal, mm² and 1.
    pub p: [[f64; 2]; 2],
    /// Most water the root zone holds above full, mm.
    pub drainable_mm: f64,
}

/// How far a measurement lay from what was believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Innovation {
    /// Measured less believed depletion, mm.
    pub mm: f64,
    /// Standard deviation to be expected of that difference, mm.
    pub sd_mm: f64,
}

impl Innovation {
    /// The difference in its own standard deviations, no unit; beyond 3 something is wrong with probe or book.
    pub fn ratio(&self) -> f64 {
        self.mm / self.sd_mm
    }
}

impl Filter {
    /// A first belief: depletion with its standard deviation, bias 1 ± [`BIAS_PRIOR_SD`].
    ///
    /// `depletion_mm` -10,000 to 10,000 (raised to `-drainable_mm`), `sd_mm` 0.01 to 1000,
    /// `drainable_mm` 0 to 2000; anything else is an [`Error`].
    pub fn new(depletion_mm: f64, sd_mm: f64, drainable_mm: f64) -> Result<Self, Error> {
        depth("depletion_mm", depletion_mm)?;
        within("sd_mm", sd_mm, 0.01, 1000.0, "0.01 to 1000 mm")?;
        within("drainable_mm", drainable_mm, 0.0, 2000.0, "0 to 2000 mm")?;
        Ok(Self {
            depletion_mm: depletion_mm.max(-drainable_mm),
            bias: 1.0,
            p: [[sd_mm * sd_mm, 0.0], [0.0, BIAS_PRIOR_SD * BIAS_PRIOR_SD]],
            drainable_mm,
        })
    }

    /// Time passes: the bed used `use_mm` by the book at bias 1 (`etc_mm` of [`crate::water::step`])
    /// and took in `inflow_mm` (rain and given water less what drained), within `hours`. The inflow errs by a
    /// tenth, the use by nothing but its bias; [`Filter::pass`] takes both errors as they are known.
    ///
    /// Ranges as there.
    pub fn predict(&mut self, use_mm: f64, inflow_mm: f64, hours: f64) -> Result<(), Error> {
        self.pass(use_mm, 0.0, inflow_mm, INFLOW_ERROR * inflow_mm.abs(), hours)
    }

    /// Time passes, with the errors of this span alone: `use_sd_mm` of the weather the use was reckoned from
    /// (it differs from day to day, so it is no bias), `inflow_sd_mm` of the water that came in.
    ///
    /// Depletion becomes `D + bias × use - inflow`, not under `-drainable_mm`. `use_mm` and `use_sd_mm` 0 to
    /// 2000, `inflow_mm` -2000 to 4000, `inflow_sd_mm` 0 to 4000, `hours` 0 to 10,000; anything else is an
    /// [`Error`] and changes nothing.
    pub fn pass(
        &mut self,
        use_mm: f64,
        use_sd_mm: f64,
        inflow_mm: f64,
        inflow_sd_mm: f64,
        hours: f64,
    ) -> Result<(), Error> {
        within("use_mm", use_mm, 0.0, 2000.0, "0 to 2000 mm")?;
        within("use_sd_mm", use_sd_mm, 0.0, 2000.0, "0 to 2000 mm")?;
        within("inflow_mm", inflow_mm, -2000.0, 4000.0, "-2000 to 4000 mm")?;
        within("inflow_sd_mm", inflow_sd_mm, 0.0, 4000.0, "0 to 4000 mm")?;
        within("hours", hours, 0.0, 10_000.0, "0 to 10000 h")?;
        self.check()?;
        let days = hours / 24.0;
        let [[p00, p01], [_, p11]] = self.p;
        let drift = DRIFT_MM_PER_DAY * DRIFT_MM_PER_DAY * days;
        let errors = use_sd_mm * use_sd_mm + inflow_sd_mm * inflow_sd_mm;
        let new01 = p01 + use_mm * p11;
        self.p = [
            [p00 + 2.0 * use_mm * p01 + use_mm * use_mm * p11 + drift + errors, new01],
            [new01, p11 + BIAS_DRIFT_PER_DAY * BIAS_DRIFT_PER_DAY * days],
        ];
        self.depletion_mm = (self.depletion_mm + self.bias * use_mm - inflow_mm).max(-self.drainable_mm);
        Ok(())
    }

    /// A measurement: depletion `measured_mm` with standard deviation `sd_mm`.
    ///
    /// One probe's error is much the same from hour to hour: correct once a day with it, or hand in an
    /// `sd_mm` grown by the square root of the corrections a day. `measured_mm` -10,000 to 10,000,
    /// `sd_mm` 0.1 to 1000; anything else is an [`Error`] and changes nothing. The bias is held within
    /// [`BIAS_LIMITS`].
    pub fn correct(&mut self, measured_mm: f64, sd_mm: f64) -> Result<Innovation, Error> {
        depth("measured_mm", measured_mm)?;
        within("sd_mm", sd_mm, 0.1, 1000.0, "0.1 to 1000 mm")?;
        self.check()?;
        let r = sd_mm * sd_mm;
        let [[p00, p01], [_, p11]] = self.p;
        let s = p00 + r;
        let (k0, k1) = (p00 / s, p01 / s);
        let innovation = Innovation { mm: measured_mm - self.depletion_mm, sd_mm: sqrt(s) };

        // Joseph: (I - K H) P (I - K H)ᵀ + K R Kᵀ with H = [1 0]; each diagonal is a sum of squares.
        let keep = 1.0 - k0;
        let off = keep * (p01 - k1 * p00) + k0 * k1 * r;
        self.p = [
            [keep * keep * p00 + k0 * k0 * r, off],
            [off, (p11 - 2.0 * k1 * p01 + k1 * k1 * p00).max(0.0) + k1 * k1 * r],
        ];
        self.depletion_mm = (self.depletion_mm + k0 * innovation.mm).max(-self.drainable_mm);
        self.bias = (self.bias + k1 * innovation.mm).clamp(BIAS_LIMITS.0, BIAS_LIMITS.1);
        Ok(innovation)
    }

    /// Standard deviation of the depletion, mm.
    pub fn sd_mm(&self) -> f64 {
        sqrt(self.p[0][0].max(0.0))
    }

    /// Standard deviation of the bias.
    pub fn bias_sd(&self) -> f64 {
        sqrt(self.p[1][1].max(0.0))
    }

    /// A stored belief may have been damaged; it is looked at before it is built upon.
    fn check(&self) -> Result<(), Error> {
        depth("depletion_mm", self.depletion_mm)?;
        within("bias", self.bias, BIAS_LIMITS.0, BIAS_LIMITS.1, "0.2 to 5")?;
        within("drainable_mm", self.drainable_mm, 0.0, 2000.0, "0 to 2000 mm")?;
        let [[p00, p01], [p10, p11]] = self.p;
        within("p[0][0]", p00, 0.0, 1e12, "a variance, mm²")?;
        within("p[1][1]", p11, 0.0, 1e6, "a variance")?;
        within("p[0][1]", p01, p10, p10, "equal to p[1][0]")?;
        within("p[0][1]", p01, -1e9, 1e9, "a covariance, mm")?;
        Ok(())
    }
}

fn depth(what: &'static str, value_mm: f64) -> Result<f64, Error> {
    within(what, value_mm, -1e4, 1e4, "-10000 to 10000 mm")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bed really drinks `truth` times what the book says; a probe of ±2 mm is heard daily.
    fn learn(truth: f64, days: u32) -> Filter {
        let mut filter = Filter::new(0.0, 2.0, 10.0).unwrap();
        let mut true_mm = 0.0;
        for day in 0..days {
            let given_mm = if day % 4 == 3 { true_mm } else { 0.0 };
            true_mm += truth * 5.0 - given_mm;
            filter.predict(5.0, given_mm, 24.0).unwrap();
            // A probe that errs by turns, in a pattern that carries no trend.
            let error_mm = [1.5, -2.0, 0.5, -0.8, 2.1, -1.3][day as usize % 6];
            filter.correct(true_mm + error_mm, 2.0).unwrap();
        }
        filter
    }

    #[test]
    fn a_wrong_leafed_area_shows_as_bias() {
        for truth in [0.5, 0.8, 1.0, 1.3, 2.0] {
            let filter = learn(truth, 24);
            assert!((filter.bias - truth).abs() < 0.12, "{truth}: {filter:?}");
            assert!(filter.bias_sd() < 0.12, "{filter:?}");
        }
    }

    #[test]
    fn two_probes_that_agree_outvote_the_book() {
        let mut filter = Filter::new(10.0, 4.0, 10.0).unwrap();
        filter.correct(22.0, 3.0).unwrap();
        filter.correct(22.0, 3.0).unwrap();
        assert!(filter.depletion_mm > 16.0, "{filter:?}");
    }

    #[test]
    fn doubt_grows_unheard_and_shrinks_when_heard() {
        let mut filter = Filter::new(10.0, 1.0, 10.0).unwrap();
        let before = filter.sd_mm();
        filter.predict(5.0, 0.0, 24.0).unwrap();
        let unheard = filter.sd_mm();
        filter.correct(15.0, 2.0).unwrap();
        assert!(unheard > before && filter.sd_mm() < unheard && filter.sd_mm() < 2.0);
    }

    #[test]
    fn a_damaged_belief_is_refused() {
        let good = Filter::new(10.0, 1.0, 10.0).unwrap();
        for bad in [
            Filter { bias: f64::NAN, ..good },
            Filter { p: [[1.0, 0.0], [0.0, -1.0]], ..good },
            Filter { p: [[1.0, 0.2], [0.1, 1.0]], ..good },
        ] {
            let mut filter = bad;
            assert!(filter.predict(1.0, 0.0, 1.0).is_err());
            assert!(filter.correct(1.0, 1.0).is_err());
        }
    }
}
