//! Growing degree-days and degree-hours. The conventions differ and never mix: each is a function of its
//! own name.
//!
//! Temperatures °C, a day's minimum at most its maximum, -60 to 60 °C. Inputs out of range are an [`Error`].
//! Results are °C days of one day, 0 or more.
//!
//! Take [`hourly`] where the hours are known, else [`single_sine`] with the horizontal cut-off. Over a smooth
//! year of hours the sine reads 5 % more than the hours themselves, the clipped mean 10 %, the capped one 1 %
//! (Seattle's usual year, 10 and 30 °C); a threshold from the literature holds for the method it was found
//! with, and for no other.

use crate::error::{Error, air_range, within};
use crate::real::{PI, asin, cos};

/// Between which temperatures growth is counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    lower_c: f64,
    upper_c: f64,
}

impl Limits {
    /// `lower_c` -20 to 40, `upper_c` above it by 0.1 at least, to 60; anything else is an [`Error`].
    pub fn new(lower_c: f64, upper_c: f64) -> Result<Self, Error> {
        within("lower_c", lower_c, -20.0, 40.0, "-20 to 40 °C")?;
        within("upper_c", upper_c, lower_c + 0.1, 60.0, "above the lower limit, to 60 °C")?;
        Ok(Self { lower_c, upper_c })
    }
}

/// What warmth above the upper limit does (Zalom, Goodell, Wilson, Barnett, Bentley 1983, Univ. of
/// California Leaflet 21373; definitions from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cutoff {
    /// The upper limit is not looked at.
    None,
    /// Growth goes on as at the upper limit.
    Horizontal,
    /// Growth falls as fast as it rose; never below 0.
    Intermediate,
    /// Growth stops above it.
    Vertical,
}

/// Degree-days by the mean, capped: `max(0, min((Tx + Tn)/2, U) - L)` (method A; McMaster & Wilhelm 1997,
/// Agric. For. Meteorol. 87:291). Blind to warm noons of cool days and to the cap on hot ones.
pub fn mean(min_c: f64, max_c: f64, limits: &Limits) -> Result<f64, Error> {
    let (low, high) = air_range(min_c, max_c)?;
    Ok((((low + high) / 2.0).min(limits.upper_c) - limits.lower_c).max(0.0))
}

/// Degree-days with both extremes brought into the limits before averaging (method B; McMaster & Wilhelm
/// 1997, Agric. For. Meteorol. 87:291, show how far it stands from A).
pub fn clipped_mean(min_c: f64, max_c: f64, limits: &Limits) -> Result<f64, Error> {
    let (low, high) = air_range(min_c, max_c)?;
    let clip = |air_c: f64| air_c.clamp(limits.lower_c, limits.upper_c);
    Ok((clip(low) + clip(high)) / 2.0 - limits.lower_c)
}

/// Degree-days with the maximum alone capped before averaging (method C: common in extension tables, no single
/// source). `max(0, (Tn + min(Tx, U))/2 - L)`; on a day all above U it may pass `U - L`.
pub fn capped_mean(min_c: f64, max_c: f64, limits: &Limits) -> Result<f64, Error> {
    let (low, high) = air_range(min_c, max_c)?;
    Ok(((low + high.min(limits.upper_c)) / 2.0 - limits.lower_c).max(0.0))
}

/// Degree-days of the day's maximum alone, folded back at the upper limit: `max(0, min(Tx, 2U - Tx) - L)`
/// (Perry & Wehner 1996, HortTechnology 6(1):27, cucumber harvest, there with 60 and 90 °F).
///
/// `max_c` -60 to 60. Not to be summed with any other: it leaves the night out.
pub fn folded_maximum(max_c: f64, limits: &Limits) -> Result<f64, Error> {
    let max_c = crate::error::air("air_max_c", max_c)?;
    Ok((max_c.min(2.0 * limits.upper_c - max_c) - limits.lower_c).max(0.0))
}

/// Degree-days by a sine through the day's extremes (Baskerville & Emin 1969, Ecology 50:514), in closed form.
///
/// A level day (`min_c` = `max_c`) is counted as it stands. Some codes clip the maximum before fitting the
/// sine and call that a cut-off; here the curve is fitted first and cut then, as the definitions of
/// [`Cutoff`] say.
pub fn single_sine(min_c: f64, max_c: f64, limits: &Limits, cutoff: Cutoff) -> Result<f64, Error> {
    let (low, high) = air_range(min_c, max_c)?;
    let middle = (low + high) / 2.0;
    let swing = (high - low) / 2.0;
    // Degree-days above `mark`, and share of the day above it.
    let above = |mark: f64| {
        if mark >= high {
            (0.0, 0.0)
        } else if mark <= low {
            (middle - mark, 1.0)
        } else {
            let angle = asin((mark - middle) / swing);
            let share = (PI / 2.0 - angle) / PI;
            ((middle - mark) * share + swing * cos(angle) / PI, share)
        }
    };
    Ok(cut(above(limits.lower_c), above(limits.upper_c), limits, cutoff))
}

/// Degree-days by a triangle through the day's extremes (single triangle; Zalom et al. 1983), in closed form:
/// `(Tx - t)² / (2 (Tx - Tn))` above a mark t between the extremes. Level days as in [`single_sine`].
pub fn single_triangle(min_c: f64, max_c: f64, limits: &Limits, cutoff: Cutoff) -> Result<f64, Error> {
    let (low, high) = air_range(min_c, max_c)?;
    let above = |mark: f64| {
        if mark >= high {
            (0.0, 0.0)
        } else if mark <= low {
            ((low + high) / 2.0 - mark, 1.0)
        } else {
            let over = high - mark;
            (over * over / (2.0 * (high - low)), over / (high - low))
        }
    };
    Ok(cut(above(limits.lower_c), above(limits.upper_c), limits, cutoff))
}

fn cut((over_lower, _): (f64, f64), (over_upper, share): (f64, f64), limits: &Limits, cutoff: Cutoff) -> f64 {
    match cutoff {
        Cutoff::None => over_lower,
        Cutoff::Horizontal => over_lower - over_upper,
        Cutoff::Intermediate => (over_lower - 2.0 * over_upper).max(0.0),
        Cutoff::Vertical => (over_lower - over_upper - (limits.upper_c - limits.lower_c) * share).max(0.0),
    }
}

/// Degree-days of a civil day from its hourly means: the mean rate of the hours that are known.
///
/// `hours` holds the day's 23 to 25 hours in order, `None` where nothing is known. Where fewer than 20 of 24
/// are known, or more than three in a row are not, the answer is `None`: fall back to the extremes, or call
/// the day unknown. An hour outside -60 to 60 °C, or a day of another length, is an [`Error`]. The sum of
/// rates over the hours known (definition); 20 of 24 and gaps of three are judgement. A spring day of 23
/// hours counts as a whole day.
pub fn hourly(hours: &[Option<f64>], limits: &Limits, cutoff: Cutoff) -> Result<Option<f64>, Error> {
    within("hours", hours.len() as f64, 23.0, 25.0, "the 23 to 25 hours of a civil day")?;
    let (mut sum, mut known, mut gap, mut longest) = (0.0, 0_u32, 0, 0);
    for hour in hours {
        let Some(hour_c) = *hour else {
            gap += 1;
            longest = longest.max(gap);
            continue;
        };
        gap = 0;
        known += 1;
        crate::error::air("hour_c", hour_c)?;
        let over = (hour_c - limits.lower_c).max(0.0);
        let beyond = (hour_c - limits.upper_c).max(0.0);
        let share = if beyond > 0.0 { 1.0 } else { 0.0 };
        sum += cut((over, 1.0), (beyond, share), limits, cutoff);
    }
    Ok((known >= 20 && longest <= 3).then(|| sum / f64::from(known)))
}

/// How long and how far it was above a mark.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct AboveMark {
    /// Degree-hours above the mark.
    pub degree_hours: f64,
    /// Hours above the mark.
    pub hours: f64,
}

/// Degree-hours above `mark_c`: Σ max(0, T - mark) Δt over readings that each stand for `hours_each`.
///
/// Hours that are not known add nothing, so the sum is a least. `mark_c` -60 to 60, `hours_each` above 0 to
/// 24; a reading outside -60 to 60 °C is an [`Error`].
pub fn degree_hours_above(
    readings_c: &[Option<f64>],
    mark_c: f64,
    hours_each: f64,
) -> Result<AboveMark, Error> {
    crate::error::air("mark_c", mark_c)?;
    within("hours_each", hours_each, 1e-4, 24.0, "0.0001 to 24 h")?;
    let mut above = AboveMark::default();
    for reading_c in readings_c.iter().flatten() {
        let over = crate::error::air("reading_c", *reading_c)? - mark_c;
        if over > 0.0 {
            above.degree_hours += over * hours_each;
            above.hours += hours_each;
        }
    }
    Ok(above)
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec;

    #[test]
    fn a_day_with_holes_is_not_summed() {
        let limits = Limits::new(10.0, 30.0).unwrap();
        let mut day = vec![Some(20.0); 24];
        day[3..6].fill(None);
        assert_eq!(hourly(&day, &limits, Cutoff::Horizontal), Ok(Some(10.0)));
        day[6] = None;
        assert_eq!(hourly(&day, &limits, Cutoff::Horizontal), Ok(None));
        let mut day = vec![Some(20.0); 24];
        for at in [1, 4, 7, 10, 13] {
            day[at] = None;
        }
        assert_eq!(hourly(&day, &limits, Cutoff::Horizontal), Ok(None));
        assert!(hourly(&day[..5], &limits, Cutoff::None).is_err());
    }

    #[test]
    fn extremes_that_cross_and_limits_that_cross_are_refused() {
        let limits = Limits::new(10.0, 30.0).unwrap();
        assert!(mean(20.0, 10.0, &limits).is_err());
        assert!(Limits::new(30.0, 10.0).is_err());
        assert!(Limits::new(f64::NAN, 10.0).is_err());
    }
}
