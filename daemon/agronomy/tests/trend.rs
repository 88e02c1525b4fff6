//! The slope of all pairs against its own promises.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use agronomy::trend::theil_sen;
use proptest::prelude::*;

fn points() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec((-1e3..1e3f64, -1e3..1e3f64), 2..40)
}

proptest! {
    /// It lies between the flattest and the steepest pair, whatever the points.
    #[test]
    fn the_slope_is_one_of_its_pairs(points in points()) {
        let slopes: Vec<f64> = points
            .iter()
            .enumerate()
            .flat_map(|(at, (x, y))| points[at + 1..].iter().map(move |(u, v)| (u - x, v - y)))
            .filter(|(apart, _)| apart.abs() >= 1e-9)
            .map(|(apart, rise)| rise / apart)
            .collect();
        if let Some(line) = theil_sen(&points).unwrap() {
            let (low, high) = (slopes.iter().copied().fold(f64::MAX, f64::min), slopes.iter().copied().fold(f64::MIN, f64::max));
            prop_assert!(line.slope >= low && line.slope <= high && line.at_zero.is_finite());
        }
    }

    /// A line added to the points is added to what is found, and their order tells nothing.
    #[test]
    fn a_line_on_top_is_found_on_top(points in points(), slope in -10.0..10.0f64, up in -100.0..100.0f64) {
        let Some(line) = theil_sen(&points).unwrap() else { return Ok(()) };
        prop_assume!(line.slope.abs() < 1e3);
        let mut tilted: Vec<(f64, f64)> = points.iter().map(|(x, y)| (*x, y + slope * x + up)).collect();
        tilted.reverse();
        let found = theil_sen(&tilted).unwrap().unwrap();
        prop_assert!((found.slope - line.slope - slope).abs() < 1e-6, "{found:?} {line:?}");
        prop_assert!((found.at_zero - line.at_zero - up).abs() < 1e-3, "{found:?} {line:?}");
    }

    /// Under 29 % of wild points leave the slope within the rest's noise.
    #[test]
    fn wild_points_bend_little(wild in prop::collection::vec(-1e6..1e6f64, 8), slope in -2.0..2.0f64) {
        let points: Vec<(f64, f64)> = (0..40)
            .map(|at| {
                let x = f64::from(at);
                (x, if at % 5 == 2 { wild[at as usize / 5] } else { 3.0 + slope * x })
            })
            .collect();
        let line = theil_sen(&points).unwrap().unwrap();
        prop_assert!((line.slope - slope).abs() < 1e-6, "{line:?}");
    }
}
