//! The night's minimum, from the evening (Snyder & de Melo-Abreu 2005, "Frost Protection: fundamentals,
//! practice and economics", FAO Environment and Natural Resources Series 10, chapter 5).
//!
//! Good for radiation nights alone: wind under 2 m/s, no cloud, fog or rain. Temperatures °C, -60 to 60, at
//! the height of the gardener's own sensor (1.5 to 2 m in the book); a fruit or leaf on a clear night is 1-3
//! °C colder than air at that height (from memory). Inputs out of range are an [`Error`].
//!
//! Other published forms balance the night's radiation against heat from the ground and want measurements
//! that no bed has; this one learns its place from ten nights.

use crate::error::{Error, air, within};
use crate::real::sqrt;

/// Nights a fit needs before it may be used.
pub const MIN_NIGHTS: usize = 10;

/// One past clear, calm night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Night {
    /// Air temperature two hours after sunset.
    pub evening_c: f64,
    /// Dewpoint at that hour, if known.
    pub dewpoint_c: Option<f64>,
    /// The night's minimum.
    pub min_c: f64,
}

/// A straight line from one temperature to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Slope, °C for each °C.
    pub slope: f64,
    /// Value at 0 °C, °C.
    pub at_zero: f64,
}

/// The local fit: a line on the evening's air, then a line of what was left on its dewpoint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrostFit {
    /// Night minimum on evening air: b1, a1.
    pub air: Line,
    /// The remainder on the dewpoint: b2, a2. `None` where fewer than [`MIN_NIGHTS`] had one.
    pub dewpoint: Option<Line>,
    /// Standard deviation of the first line's remainders (n - 2), °C.
    pub air_sd_c: f64,
    /// Nights used.
    pub nights: usize,
}

impl FrostFit {
    /// Fits past nights in the book's two steps: least squares of the minimum on the evening's air, then of
    /// the remainder on the dewpoint. (One regression on both gives other coefficients, and -1.03 for -0.74
    /// °C on the book's own data: the book is followed.)
    ///
    /// [`MIN_NIGHTS`] or more; temperatures -60 to 60 °C, evenings not all alike. Anything else is an
    /// [`Error`]: say "no local fit" then.
    pub fn new(nights: &[Night]) -> Result<Self, Error> {
        within("nights", nights.len() as f64, MIN_NIGHTS as f64, 1e6, "at least 10 clear, calm nights")?;
        for night in nights {
            air("evening_c", night.evening_c)?;
            air("min_c", night.min_c)?;
            air("dewpoint_c", night.dewpoint_c.unwrap_or(0.0))?;
        }
        let first = line(nights.iter().map(|night| (night.evening_c, night.min_c)))?;
        let left = |night: &Night| night.min_c - first.at(night.evening_c);
        let squares: f64 = nights.iter().map(|night| left(night) * left(night)).sum();
        let humid = nights.iter().filter_map(|night| Some((night.dewpoint_c?, left(night))));
        let second = if humid.clone().count() >= MIN_NIGHTS { line(humid).ok() } else { None };
        Ok(Self {
            air: first,
            dewpoint: second,
            air_sd_c: sqrt(squares / (nights.len() as f64 - 2.0)),
            nights: nights.len(),
        })
    }

    /// The night's minimum foreseen two hours after sunset, °C; without a dewpoint, or a fit on it, by the
    /// first line alone. Temperatures -60 to 60 °C.
    pub fn predict_c(&self, evening_c: f64, dewpoint_c: Option<f64>) -> Result<f64, Error> {
        air("evening_c", evening_c)?;
        let base = self.air.at(evening_c);
        Ok(match (self.dewpoint, dewpoint_c) {
            (Some(line), Some(dewpoint_c)) => base + line.at(air("dewpoint_c", dewpoint_c)?),
            _ => base,
        })
    }
}

impl Line {
    fn at(&self, x: f64) -> f64 {
        self.slope * x + self.at_zero
    }
}

/// Least squares through points; they must not all stand at one x.
fn line(points: impl Iterator<Item = (f64, f64)> + Clone) -> Result<Line, Error> {
    let n = points.clone().count() as f64;
    let mean_x = points.clone().map(|point| point.0).sum::<f64>() / n;
    let mean_y = points.clone().map(|point| point.1).sum::<f64>() / n;
    let xx: f64 = points.clone().map(|(x, _)| (x - mean_x) * (x - mean_x)).sum();
    let xy: f64 = points.map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    within("spread", xx, 1e-6, f64::MAX, "the nights must differ")?;
    let slope = xy / xx;
    Ok(Line { slope, at_zero: mean_y - slope * mean_x })
}

/// The course of a clear, calm night: `T0 + b √(i - 2)`, i hours after sunset, b = `(Tn - T0) / √(n - 2)` so
/// that the minimum falls on sunrise, n hours after sunset (same book, chapter 5).
///
/// Once the air is down to its dewpoint it cools slower than this: [`NightCurve::with_dewpoint`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NightCurve {
    evening_c: f64,
    min_c: f64,
    night_h: f64,
    /// The air falls no further.
    floor_c: Option<f64>,
}

impl NightCurve {
    /// `evening_c` two hours after sunset, `min_c` the minimum foreseen (-60 to 60 °C, at most the
    /// evening's), `night_h` from sunset to sunrise, 2.5 to 24.
    pub fn new(evening_c: f64, min_c: f64, night_h: f64) -> Result<Self, Error> {
        air("evening_c", evening_c)?;
        air("min_c", min_c)?;
        within("min_c", min_c, -60.0, evening_c, "at most the evening's temperature")?;
        within("night_h", night_h, 2.5, 24.0, "2.5 to 24 h")?;
        Ok(Self { evening_c, min_c, night_h, floor_c: None })
    }

    /// The same curve held at the dewpoint, as long as that lies above 0 °C: dew that forms gives its heat to
    /// the air (common practice, from memory). A dewpoint of 0 °C or less holds nothing: frost is black then.
    ///
    /// `dewpoint_c` -60 to 60; one above the evening's air counts as the evening's air.
    pub fn with_dewpoint(self, dewpoint_c: f64) -> Result<Self, Error> {
        let dewpoint_c = air("dewpoint_c", dewpoint_c)?.min(self.evening_c);
        Ok(Self { floor_c: (dewpoint_c > 0.0).then_some(dewpoint_c), ..self })
    }

    /// The same curve with b refitted to what the air has done since: least squares of the fall on √(i - 2),
    /// through the evening's temperature, `b = Σ √(i-2) (T - T0) / Σ (i-2)` (the book has b follow the
    /// night's own readings; the form is ours).
    ///
    /// `readings` as hours after sunset, above 2 to the night's length, and °C; at least one. A night that has
    /// warmed since gives a level curve.
    pub fn refitted(self, readings: &[(f64, f64)]) -> Result<Self, Error> {
        within("readings", readings.len() as f64, 1.0, 1e6, "at least one reading after the second hour")?;
        let (mut roots, mut falls) = (0.0, 0.0);
        for (hours, air_c) in readings {
            let after =
                within("hours", *hours, 2.01, self.night_h, "after the second hour, to sunrise")? - 2.0;
            roots += after;
            falls += sqrt(after) * (air("air_c", *air_c)? - self.evening_c);
        }
        let slope = (falls / roots).min(0.0);
        let min_c = within(
            "min_c",
            self.evening_c + slope * sqrt(self.night_h - 2.0),
            -60.0,
            60.0,
            "a night's minimum from -60 to 60 °C",
        )?;
        Ok(Self { min_c, ..self })
    }

    fn slope(&self) -> f64 {
        (self.min_c - self.evening_c) / sqrt(self.night_h - 2.0)
    }

    /// Temperature `hours` after sunset, °C; 2 to the length of the night, else an [`Error`]: the form says
    /// nothing of the first two hours.
    pub fn at_c(&self, hours: f64) -> Result<f64, Error> {
        within("hours", hours, 2.0, self.night_h, "2 h to sunrise")?;
        let bare_c = self.evening_c + self.slope() * sqrt(hours - 2.0);
        Ok(self.floor_c.map_or(bare_c, |floor_c| bare_c.max(floor_c)))
    }

    /// Hours after sunset at which the air falls to `mark_c`: `2 + ((mark - T0) / b)²`. 2 if it is there
    /// already, `None` if the night stays above, or its dew holds it there. `mark_c` -60 to 60 °C, else an
    /// [`Error`].
    pub fn crossing_h(&self, mark_c: f64) -> Result<Option<f64>, Error> {
        air("mark_c", mark_c)?;
        if mark_c >= self.evening_c {
            return Ok(Some(2.0));
        }
        if mark_c < self.min_c || self.floor_c.is_some_and(|floor_c| mark_c < floor_c) {
            return Ok(None);
        }
        // The minimum lies below the evening here, so the slope is not 0.
        let root = (mark_c - self.evening_c) / self.slope();
        Ok(Some(2.0 + root * root))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;

    fn nights(dewpoint_c: Option<f64>) -> Vec<Night> {
        (0..12)
            .map(|at| f64::from(at) - 3.0)
            .map(|evening_c| Night { evening_c, dewpoint_c, min_c: 0.5 * evening_c - 5.0 })
            .collect()
    }

    #[test]
    fn without_dewpoints_the_first_line_stands_alone() {
        let fit = FrostFit::new(&nights(None)).unwrap();
        assert_eq!(fit.dewpoint, None);
        assert!((fit.predict_c(4.0, Some(-3.0)).unwrap() + 3.0).abs() < 1e-9);
        assert!(fit.air_sd_c < 1e-9);
    }

    #[test]
    fn nine_nights_or_nights_all_alike_are_no_fit() {
        assert_eq!(FrostFit::new(&nights(None)[..9]).unwrap_err().what, "nights");
        let alike = [Night { evening_c: 3.0, dewpoint_c: None, min_c: -1.0 }; 12];
        assert_eq!(FrostFit::new(&alike).unwrap_err().what, "spread");
    }

    #[test]
    fn readings_of_the_night_bend_the_curve_and_dew_holds_it() {
        let curve = NightCurve::new(8.0, 1.0, 14.25).unwrap(); // b = -2
        // Readings of the curve itself change nothing.
        let same = curve.refitted(&[(3.0, 6.0), (6.0, 4.0)]).unwrap();
        assert!((same.at_c(11.0).unwrap() - 2.0).abs() < 1e-12);
        // Twice the fall: b = -4, 0 °C after four hours more.
        let colder = curve.refitted(&[(3.0, 4.0), (6.0, 0.0)]).unwrap();
        assert!((colder.crossing_h(0.0).unwrap().unwrap() - 6.0).abs() < 1e-12);
        // Clouds: it has warmed, and stays level.
        assert_eq!(curve.refitted(&[(4.0, 9.0)]).unwrap().at_c(14.0), Ok(8.0));
        assert!(curve.refitted(&[]).is_err() && curve.refitted(&[(2.0, 8.0)]).is_err());
        let dewy = curve.with_dewpoint(4.0).unwrap();
        assert_eq!((dewy.at_c(14.0), dewy.crossing_h(3.0)), (Ok(4.0), Ok(None)));
        assert!(dewy.crossing_h(5.0).unwrap().is_some());
        let dry = curve.with_dewpoint(-2.0).unwrap();
        assert!(dry.at_c(14.25).unwrap() < 1.1 && dry.crossing_h(3.0).unwrap().is_some());
    }

    #[test]
    fn the_curve_tells_when_a_mark_is_crossed() {
        let curve = NightCurve::new(0.95, -5.45, 15.0).unwrap();
        let hour = curve.crossing_h(0.0).unwrap().unwrap();
        assert!(curve.at_c(hour).unwrap().abs() < 1e-12);
        assert_eq!(curve.crossing_h(-6.0), Ok(None));
        assert_eq!(curve.crossing_h(2.0), Ok(Some(2.0)));
        let level = NightCurve::new(3.0, 3.0, 10.0).unwrap();
        assert_eq!(level.crossing_h(2.0), Ok(None));
    }
}
