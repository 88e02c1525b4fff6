//! What a probe's number means: permittivity, counts between two known points, counts against a water book.

use crate::error::{Error, within};
use crate::real::sqrt;

/// Water content from the apparent permittivity ε of a mineral soil: θ = -0.053 + 0.0292 ε - 5.5e-4 ε² +
/// 4.3e-6 ε³ (Topp, Davis, Annan 1980, Water Resour. Res. 16:574; coefficients from memory): ±0.013 m³/m³ up
/// to 0.55.
///
/// `permittivity` 2 to 81; below about 1.9 the cubic turns negative, beyond 0.55 m³/m³ it is only a
/// continuation towards water (ε 80 gives 0.965). Anything outside is an [`Error`]. Variants: the same paper
/// gives organic soil a curve of its own, and refractive-index mixing forms carry a constant of the soil; the
/// general cubic is the one that makers of probes build in. It reads organic soil low: learn the full mark there.
pub fn topp(permittivity: f64) -> Result<f64, Error> {
    let e = within("permittivity", permittivity, 2.0, 81.0, "2 to 81")?;
    Ok(-5.3e-2 + e * (2.92e-2 + e * (-5.5e-4 + e * 4.3e-6)))
}

/// The way back: ε = 3.03 + 9.3 θ + 146 θ² - 76.7 θ³ (the same paper's inverse, coefficients from memory).
///
/// `theta` 0 to 0.55 m³/m³, else an [`Error`]. It is a fit of its own, not the exact inverse of [`topp`]: there
/// and back errs by up to 0.015 m³/m³ between 0.05 and 0.47, and by 0.04 at 0.55.
pub fn topp_permittivity(theta: f64) -> Result<f64, Error> {
    let w = within("theta", theta, 0.0, 0.55, "0 to 0.55 m³/m³")?;
    Ok(3.03 + w * (9.3 + w * (146.0 - w * 76.7)))
}

/// A straight line through two known points of a raw probe. Counts may fall or rise with water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPoint {
    /// Counts at the dry point.
    pub raw_dry: f64,
    /// Water content there (air-dry soil, weighed).
    pub theta_dry: f64,
    /// Counts at the wet point; not those of the dry one.
    pub raw_wet: f64,
    /// Water content there, above the dry one (drained soil at its full mark).
    pub theta_wet: f64,
}

/// A calibrated reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibrated {
    /// Water content, within 0 and the porosity.
    pub theta: f64,
    /// The line led outside 0 to porosity and was held at the limit: doubt the reading.
    pub held: bool,
}

impl TwoPoint {
    /// Water content of `raw` counts in a soil of `porosity` (0.2 to 1).
    pub fn theta(&self, raw: f64, porosity: f64) -> Result<Calibrated, Error> {
        const RAW: &str = "-1e12 to 1e12 counts";
        within("raw", raw, -1e12, 1e12, RAW)?;
        within("porosity", porosity, 0.2, 1.0, "0.2 to 1 m³/m³")?;
        within("raw_dry", self.raw_dry, -1e12, 1e12, RAW)?;
        within("raw_wet", self.raw_wet, -1e12, 1e12, RAW)?;
        within("theta_dry", self.theta_dry, 0.0, 1.0, "0 to 1 m³/m³")?;
        within("theta_wet", self.theta_wet, self.theta_dry + 0.01, 1.0, "at least 0.01 above theta_dry")?;
        let span = self.raw_wet - self.raw_dry;
        within("raw_wet", span.abs(), 1e-6, 2e12, "not the counts of the dry point")?;
        let theta = self.theta_dry + (raw - self.raw_dry) / span * (self.theta_wet - self.theta_dry);
        let kept = theta.clamp(0.0, porosity);
        Ok(Calibrated { theta: kept, held: kept != theta })
    }
}

/// Fewest nights that make a [`CountsLine`] (settled: ten plausible days).
const NIGHTS: usize = 10;
/// The nights must span so much depletion, mm: less is within a book's own error (judgement).
const SPAN_MM: f64 = 10.0;
/// Share of the counts' variance that the depletion must explain (judgement).
const EXPLAINED: f64 = 0.7;

/// Counts of a raw probe against the depletion of its layer: what the first dry-downs teach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountsLine {
    /// Counts at the full mark.
    pub at_full: f64,
    /// Counts for each mm of depletion; above 0 where counts fall with water.
    pub per_mm: f64,
    /// Standard deviation of the nights around the line, counts.
    pub sd_counts: f64,
}

impl CountsLine {
    /// The same as two points: the full mark, and the wilt mark `available_mm` of depletion further on.
    /// `wilt` and `full` in m³/m³, `available_mm` 1 to 2000; anything else is an [`Error`].
    pub fn two_point(&self, wilt: f64, full: f64, available_mm: f64) -> Result<TwoPoint, Error> {
        within("available_mm", available_mm, 1.0, 2000.0, "1 to 2000 mm")?;
        let raw_dry = self.at_full + self.per_mm * available_mm;
        Ok(TwoPoint { raw_dry, theta_dry: wilt, raw_wet: self.at_full, theta_wet: full })
    }
}

/// A straight line through nights of (depletion mm, counts) by least squares.
///
/// `None` until there are ten nights that span 10 mm, and where the depletion explains less than 0.7 of the
/// counts' variance: such a probe follows something else. At most 1000 nights, depletion -2000 to 2000 mm, counts
/// -1e12 to 1e12; anything else is an [`Error`]. The book's own error is in the slope: take it as ±0.15 of itself
/// (judgement) until a dry mark is known. No publication is behind the bounds.
pub fn counts_line(nights: &[(f64, f64)]) -> Result<Option<CountsLine>, Error> {
    within("nights", nights.len() as f64, 0.0, 1000.0, "at most 1000 nights")?;
    for (depletion_mm, counts) in nights {
        within("depletion_mm", *depletion_mm, -2000.0, 2000.0, "-2000 to 2000 mm")?;
        within("counts", *counts, -1e12, 1e12, "-1e12 to 1e12 counts")?;
    }
    if nights.len() < NIGHTS {
        return Ok(None);
    }
    let n = nights.len() as f64;
    let mean_mm = nights.iter().map(|(mm, _)| mm).sum::<f64>() / n;
    let mean = nights.iter().map(|(_, counts)| counts).sum::<f64>() / n;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    let (mut low_mm, mut high_mm) = (mean_mm, mean_mm);
    for (mm, counts) in nights {
        let (x, y) = (mm - mean_mm, counts - mean);
        (xx, xy, yy) = (xx + x * x, xy + x * y, yy + y * y);
        (low_mm, high_mm) = (low_mm.min(*mm), high_mm.max(*mm));
    }
    if high_mm - low_mm < SPAN_MM || yy <= 0.0 || xy * xy < EXPLAINED * xx * yy {
        return Ok(None);
    }
    let per_mm = xy / xx;
    let left = (yy - per_mm * xy).max(0.0);
    Ok(Some(CountsLine { at_full: mean - per_mm * mean_mm, per_mm, sd_counts: sqrt(left / (n - 2.0)) }))
}

#[cfg(test)]
mod tests {
    use alloc::vec::Vec;

    use super::*;

    #[test]
    fn a_line_outside_the_soil_is_held_and_said() {
        let probe = TwoPoint { raw_dry: 2800.0, theta_dry: 0.05, raw_wet: 1400.0, theta_wet: 0.35 };
        assert_eq!(probe.theta(3200.0, 0.5).unwrap(), Calibrated { theta: 0.0, held: true });
        assert!(!probe.theta(2100.0, 0.5).unwrap().held);
        assert!(TwoPoint { raw_wet: 2800.0, ..probe }.theta(2100.0, 0.5).is_err());
    }

    #[test]
    fn counts_become_water_when_ten_nights_follow_the_book() {
        let night = |at: u32| (3.0 * f64::from(at), 1400.0 + 60.0 * f64::from(at) + f64::from(at % 2) * 4.0);
        let nights: Vec<(f64, f64)> = (0..10).map(night).collect();
        assert_eq!(counts_line(&nights[..9]).unwrap(), None);
        let line = counts_line(&nights).unwrap().unwrap();
        assert!((line.per_mm - 20.0).abs() < 0.2 && (line.at_full - 1402.0).abs() < 3.0, "{line:?}");
        let probe = line.two_point(0.14, 0.31, 68.0).unwrap();
        assert!((probe.theta(1402.0 + 20.0 * 34.0, 0.5).unwrap().theta - 0.225).abs() < 0.003);
    }

    #[test]
    fn counts_that_follow_something_else_make_no_line() {
        let night = |at: u32| (3.0 * f64::from(at), 1400.0 + 50.0 * f64::from(at % 3));
        let nights: Vec<(f64, f64)> = (0..20).map(night).collect();
        assert_eq!(counts_line(&nights).unwrap(), None);
        assert!(counts_line(&[(f64::NAN, 1.0)]).is_err());
    }

    #[test]
    fn permittivity_there_and_back() {
        for at in 1..=9 {
            let theta = 0.05 * f64::from(at);
            let back = topp(topp_permittivity(theta).unwrap()).unwrap();
            assert!((back - theta).abs() < 0.015, "{theta} {back}");
        }
    }
}
