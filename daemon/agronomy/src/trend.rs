//! The slope of a series that some wild values must not bend.

use alloc::vec::Vec;

use crate::error::{Error, within};

/// Most points: the slopes of all pairs are looked at.
pub const MOST_POINTS: usize = 128;

/// A straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Change per unit of x.
    pub slope: f64,
    /// Value at x = 0.
    pub at_zero: f64,
}

impl Line {
    /// Value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.at_zero + self.slope * x
    }
}

/// The median of the slopes of all pairs, and the median of what is left as the value at 0 (H. Theil 1950, Proc. Kon.
/// Ned. Akad. Wet. A 53; P. K. Sen 1968, J. Am. Stat. Assoc. 63:1379-1389, doi 10.1080/01621459.1968.10480934). Up to
/// 29 % of the points may be wild.
///
/// `points` are (x, y), each -10⁹ to 10⁹, in any order, at most [`MOST_POINTS`]; anything else is an [`Error`]. `None`
/// where no two points differ in x. Published variants: repeated medians (Siegel 1982) stand up to half the points being
/// wild; the value at 0 as the median of y less slope times the median of x. Days without a reading are few here, and the
/// median of the residuals leaves as many points above the line as below.
pub fn theil_sen(points: &[(f64, f64)]) -> Result<Option<Line>, Error> {
    let (n, most) = (points.len() as f64, MOST_POINTS as f64);
    within("points", n, 0.0, most, "at most 128 points")?;
    for (x, y) in points {
        within("x", *x, -1e9, 1e9, "-10⁹ to 10⁹")?;
        within("y", *y, -1e9, 1e9, "-10⁹ to 10⁹")?;
    }
    let mut slopes = Vec::new();
    for (at, (x, y)) in points.iter().enumerate() {
        for (other_x, other_y) in points.iter().skip(at + 1) {
            let apart = other_x - x;
            // Points closer than this are one.
            if apart.abs() >= 1e-9 {
                slopes.push((other_y - y) / apart);
            }
        }
    }
    let Some(slope) = median(slopes) else { return Ok(None) };
    let at_zero = median(points.iter().map(|(x, y)| y - slope * x).collect());
    Ok(at_zero.map(|at_zero| Line { slope, at_zero }))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let (low, high) = (values.len().checked_sub(1)? / 2, values.len() / 2);
    Some(f64::midpoint(*values.get(low)?, *values.get(high)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_and_points_above_each_other_have_no_slope() {
        assert_eq!(theil_sen(&[]), Ok(None));
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)]), Ok(None));
        assert!(theil_sen(&[(0.0, f64::NAN)]).is_err());
        assert!(theil_sen(&[(0.0, 0.0); MOST_POINTS + 1]).is_err());
    }

    /// Slopes of the pairs by hand: -1, -1.5, -1, -2, -1, -0.5; what is left at 0: 10, 10, 9, 10.
    #[test]
    fn by_hand() {
        let line = theil_sen(&[(4.0, 6.0), (0.0, 10.0), (2.0, 7.0), (1.0, 9.0)]).unwrap().unwrap();
        assert_eq!(line, Line { slope: -1.0, at_zero: 10.0 });
        assert_eq!(line.at(3.0), 7.0);
    }

    #[test]
    fn a_quarter_of_wild_points_bends_nothing() {
        let points: Vec<(f64, f64)> = (0..40)
            .map(|n| (f64::from(n), if n % 4 == 3 { 99.0 } else { 5.0 - 0.25 * f64::from(n) }))
            .collect();
        let line = theil_sen(&points).unwrap().unwrap();
        assert!((line.slope + 0.25).abs() < 0.02, "{line:?}");
    }
}
