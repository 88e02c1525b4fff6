//! Drift of a probe's wet mark over weeks.

use crate::error::{Error, within};
use crate::real::sqrt;

/// How levels creep over time: least squares of level on time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Creep {
    /// m³/m³ a day; above 0 = wetter.
    pub per_day: f64,
    /// Standard error of that.
    pub error_per_day: f64,
    /// From the first level to the last, days.
    pub days: f64,
}

impl Creep {
    /// By how much the level crept from the first to the last, m³/m³.
    pub fn by(&self) -> f64 {
        self.per_day * self.days
    }

    /// The creep is over twice its standard error (two-sided 5 % for many levels; judgement for few).
    pub fn is_beyond_noise(&self) -> bool {
        self.per_day.abs() > 2.0 * self.error_per_day
    }
}

/// The creep of levels read after soakings: (days, m³/m³), at least three, not all on one day. `None` for fewer.
/// Method: ordinary least squares with its usual standard error, the residual floored at 0.002 m³/m³ so that few
/// levels on a line by chance are no certainty (judgement).
///
/// # Errors
/// A day or a level that is not finite, or beyond ±10⁶ days or outside −1 to 2 m³/m³.
pub fn creep(levels: &[(f64, f64)]) -> Result<Option<Creep>, Error> {
    for (day, level) in levels {
        within("day", *day, -1e6, 1e6, "a day within a million")?;
        within("level", *level, -1.0, 2.0, "a water content from -1 to 2 m³/m³")?;
    }
    if levels.len() < 3 {
        return Ok(None);
    }
    let n = levels.len() as f64;
    let day_mean = levels.iter().map(|(day, _)| day).sum::<f64>() / n;
    let level_mean = levels.iter().map(|(_, level)| level).sum::<f64>() / n;
    let (mut sxx, mut sxy) = (0.0, 0.0);
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for (day, level) in levels {
        sxx += (day - day_mean) * (day - day_mean);
        sxy += (day - day_mean) * (level - level_mean);
        (first, last) = (first.min(*day), last.max(*day));
    }
    if sxx <= 1e-9 {
        return Ok(None);
    }
    let per_day = sxy / sxx;
    let off = |(day, level): &(f64, f64)| {
        let off = level - level_mean - per_day * (day - day_mean);
        off * off
    };
    let residual = (levels.iter().map(off).sum::<f64>() / (n - 2.0)).max(LEAST_RESIDUAL * LEAST_RESIDUAL);
    Ok(Some(Creep { per_day, error_per_day: sqrt(residual / sxx), days: last - first }))
}

/// Levels scatter by at least this, m³/m³ (judgement).
const LEAST_RESIDUAL: f64 = 0.002;
