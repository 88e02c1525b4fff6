//! The quality rules against their own promises; `tests/worked/probes.rs` holds them against the reference code.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use agronomy::quality::{self, Flag, Flags, Series};
use proptest::prelude::*;

fn hours_of(flags: &[Flags], flag: Flag) -> Vec<usize> {
    flags.iter().enumerate().filter(|(_, of)| of.has(flag)).map(|(at, _)| at).collect()
}

/// A sensor of 0.1 % that rests for a night is no stuck one; one that rests for a day is.
#[test]
fn only_exact_repeats_of_a_day_stand_still() {
    for (hours, flagged) in [(23, 0), (24, 24), (30, 30)] {
        let theta: Vec<Option<f64>> = (0..100)
            .map(|at: i32| Some(0.30 - 0.0002 * f64::from(at.min(40) + (at - 40 - hours).max(0))))
            .collect();
        // The value of hour 40 stands until hour 40 + hours: one more than `hours` equal ones.
        let theta: Vec<Option<f64>> =
            theta.iter().enumerate().filter(|(at, _)| *at != 40).map(|(_, theta)| *theta).collect();
        let flags = quality::flags(&Series { theta: &theta, ..Series::default() }).unwrap();
        assert_eq!(hours_of(&flags, Flag::Repeated).len(), flagged, "{hours}");
    }
}

/// Irrigation counts as rain, and where no rain was measured nothing is said.
#[test]
fn a_rise_after_watering_is_no_fault() {
    let theta: Vec<Option<f64>> =
        (0..60).map(|at| Some(if at < 40 { 0.2 - 0.0002 * f64::from(at) } else { 0.28 })).collect();
    let judge = |water_mm: &[Option<f64>], depth_m| {
        let series = Series { theta: &theta, water_mm, depth_m, ..Series::default() };
        hours_of(&quality::flags(&series).unwrap(), Flag::D04)
    };
    let dry = vec![Some(0.0); 60];
    let mut watered = dry.clone();
    watered[39] = Some(8.0);
    assert_eq!(judge(&dry, Some(0.05)), [40]);
    assert_eq!(judge(&watered, Some(0.05)), []);
    assert_eq!(judge(&[], Some(0.05)), []);
    assert_eq!(judge(&dry, Some(0.20)), [], "the network asks only shallow probes");
}

#[test]
fn a_creep_is_told_from_noise() {
    let levels = |per_week: f64, noise: [f64; 5]| -> Vec<(f64, f64)> {
        noise
            .iter()
            .zip([0.0, 1.0, 2.0, 3.0, 4.0])
            .map(|(noise, week)| (7.0 * week, 0.31 + per_week * week + noise))
            .collect()
    };
    let noise = [0.004, -0.006, 0.005, -0.004, 0.002];
    let crept = quality::creep(&levels(0.014, noise)).unwrap().unwrap();
    assert!(crept.is_beyond_noise() && (crept.by() - 0.056).abs() < 0.01, "{crept:?}");
    assert!(!quality::creep(&levels(0.0, noise)).unwrap().unwrap().is_beyond_noise());
    assert_eq!(quality::creep(&levels(0.01, noise)[..2]).unwrap(), None);
    assert!(quality::creep(&[(0.0, f64::NAN); 3]).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_series_is_flagged_or_refused(
        theta in proptest::collection::vec(proptest::option::weighted(0.9, prop_oneof![-0.5..1.5_f64, Just(0.0), Just(0.3), proptest::num::f64::ANY]), 0..120),
        water in proptest::collection::vec(proptest::option::of(-1.0..20.0_f64), 0..120),
        saturation in proptest::option::of(0.1..1.0_f64),
        depth_m in proptest::option::of(-0.1..4.0_f64),
    ) {
        let series = Series { theta: &theta, water_mm: &water, saturation, depth_m, ..Series::default() };
        match quality::flags(&series) {
            Ok(flags) => {
                prop_assert_eq!(flags.len(), theta.len());
                // A gap is no fault of what was not said.
                prop_assert!(flags.iter().zip(&theta).all(|(of, theta)| theta.is_some() || of.is_good()));
            }
            Err(error) => prop_assert!(error.rule.len() > 5),
        }
    }

    /// Water taken for percent would be wet beyond all soil.
    #[test]
    fn what_the_limits_flag_is_beyond_them(theta in proptest::collection::vec(proptest::option::of(-0.2..1.0_f64), 0..60)) {
        let flags = quality::flags(&Series { theta: &theta, saturation: Some(0.5), ..Series::default() }).unwrap();
        for (of, theta) in flags.iter().zip(&theta) {
            prop_assert_eq!(of.has(Flag::C01), theta.is_some_and(|theta| theta < 0.0));
            prop_assert_eq!(of.has(Flag::C02), theta.is_some_and(|theta| theta > 0.6));
            prop_assert_eq!(of.has(Flag::C03), theta.is_some_and(|theta| theta > 0.5));
        }
    }
}
