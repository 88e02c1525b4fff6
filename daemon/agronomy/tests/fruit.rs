//! What must hold of every fruit: mass by the tape, and its growth.
#![allow(clippy::unwrap_used)] // a test may stop where it stands

use agronomy::fruit::{self, Density, Form, Tape, Way, form};
use agronomy::growth::{self, Growth, Shape};
use proptest::prelude::*;

fn tape(around_cm: f64, stem_cm: f64, side_cm: f64) -> Tape {
    Tape { around_cm: Some(around_cm), stem_cm: Some(stem_cm), side_cm: Some(side_cm), length_cm: None }
}

/// Length of an arc of an ellipse by chords: shares no formula with the crate.
fn half_ellipse(a: f64, b: f64) -> f64 {
    let at = |step: u32| {
        let angle = f64::from(step) / 4000.0 * std::f64::consts::PI;
        (a * angle.cos(), b * angle.sin())
    };
    let chord = |(from, to): ((f64, f64), (f64, f64))| (from.0 - to.0).hypot(from.1 - to.1);
    (0..4000).map(|step| chord((at(step), at(step + 1)))).sum()
}

/// Volume of half an ellipsoid, counted by slabs, L.
fn half_ellipsoid(a: f64, b: f64, h: f64) -> f64 {
    let slab = |step: u32| 1.0 - ((f64::from(step) + 0.5) / 2000.0).powi(2);
    (0..2000).map(slab).sum::<f64>() * std::f64::consts::PI * a * b * h / 2000.0 / 1000.0
}

fn curve() -> impl Strategy<Value = Growth> {
    let shape =
        prop_oneof![Just(Shape::Logistic), Just(Shape::Gompertz), (0.01..10.0_f64).prop_map(Shape::Richards)];
    (shape, 1e-6..1e5_f64, 1e-3..5.0_f64, -1000.0..1000.0_f64)
        .prop_map(|(shape, a, k, tm)| Growth::new(shape, a, k, tm).unwrap())
}

proptest! {
    #[test]
    fn the_form_of_a_made_fruit_comes_back(a in 5.0..110.0_f64, long in 0.75..1.33_f64, high in 0.4..1.1_f64) {
        let b = a * long;
        let h = high * (a + b);
        let (around, stem, side) = (2.0 * half_ellipse(a, b), half_ellipse(a, h), half_ellipse(b, h));
        // Ramanujan and the largest draw may come just past the girth that is taken.
        prop_assume!(around <= 800.0);
        let found = form(&tape(around, stem, side)).unwrap();
        // Ramanujan's perimeter is within 0.05 % here; three of them enter a volume.
        let made_l = half_ellipsoid(a, b, h);
        prop_assert!((found.volume_l / made_l - 1.0).abs() < 0.002, "{found:?} of {made_l}");
        prop_assert!((found.along_cm / a - 1.0).abs() < 0.005 && (found.across_cm / b - 1.0).abs() < 0.005);
        prop_assert!((found.height_cm / h - 1.0).abs() < 0.005);
    }

    // On a base up to a quarter longer than wide. On a longer one more tape lengthwise around the same girth is a
    // narrower fruit, and can be less.
    #[test]
    fn more_tape_is_more_fruit(
        a in 5.0..110.0_f64, long in 0.8..1.25_f64, high in 0.36..0.9_f64,
        which in 0usize..3, more in 1.0001..1.02_f64,
    ) {
        let b = a * long;
        let h = high * (a + b);
        let measures = [2.0 * half_ellipse(a, b), half_ellipse(a, h), half_ellipse(b, h)];
        let mut larger = measures;
        larger[which] *= more;
        let pick = |measures: [f64; 3], ways: [bool; 2]| form(&Tape {
            around_cm: Some(measures[0]),
            stem_cm: Some(measures[1]).filter(|_| ways[0]),
            side_cm: Some(measures[2]).filter(|_| ways[1]),
            length_cm: None,
        });
        for ways in [[true, true], [true, false], [false, true], [false, false]] {
            if let (Ok(small), Ok(large)) = (pick(measures, ways), pick(larger, ways)) {
                prop_assert!(large.volume_l >= small.volume_l * (1.0 - 1e-9), "{ways:?} {which} {small:?} {large:?}");
            }
        }
    }

    #[test]
    fn a_fruit_twice_the_size_is_eight_times_the_mass(
        a in 5.0..40.0_f64, long in 0.5..2.0_f64, high in 0.36..1.15_f64,
    ) {
        let b = a * long;
        let h = high * (a + b);
        let (around, stem, side) = (2.0 * half_ellipse(a, b), half_ellipse(a, h), half_ellipse(b, h));
        if let Ok(small) = form(&tape(around, stem, side)) {
            let large = form(&tape(2.0 * around, 2.0 * stem, 2.0 * side)).unwrap();
            prop_assert!((large.volume_l / small.volume_l - 8.0).abs() < 1e-6);
        }
    }

    #[test]
    fn any_tape_gives_a_fruit_or_says_why_not(
        around in prop::option::of(any::<f64>()), stem in prop::option::of(any::<f64>()),
        side in prop::option::of(any::<f64>()), length in prop::option::of(any::<f64>()),
        scale in prop::option::of(0.1..1000.0_f64),
    ) {
        // Half of the cases lie where tapes do.
        let at = |value: Option<f64>| match scale {
            Some(scale) => value.map(|value| scale * (value.abs() % 1.7)),
            None => value,
        };
        let taped =
            Tape { around_cm: at(around), stem_cm: at(stem), side_cm: at(side), length_cm: at(length) };
        if let Ok(Form { volume_l, along_cm, across_cm, height_cm, way }) = form(&taped) {
            prop_assert!([volume_l, along_cm, across_cm, height_cm].iter().all(|one| one.is_finite() && *one > 0.0));
            if let Ok((kg, sd_kg)) = Density::unweighed(way).mass_kg(volume_l) {
                prop_assert!(kg > 0.0 && sd_kg > 0.0 && sd_kg < kg);
            }
        }
    }

    #[test]
    fn weighing_never_widens_the_mass_of_a_tape_that_agrees(
        volumes in prop::collection::vec(20.0..1500.0_f64, 1..12), kg_l in 0.6..1.0_f64,
    ) {
        let weighed: Vec<(f64, f64)> = volumes.iter().map(|litres| (*litres, kg_l * litres)).collect();
        for way in [Way::Three, Way::Stem, Way::Side, Way::Long] {
            let mut before = Density::unweighed(way);
            for n in 1..=weighed.len() {
                let fitted = Density::fit(way, &weighed[..n]).unwrap();
                prop_assert!((fitted.kg_l - kg_l).abs() < 1e-9);
                prop_assert!(fitted.sd_share() < before.sd_share() + 1e-12);
                prop_assert!(fitted.sd_share() >= way.sd_share());
                before = fitted;
            }
        }
    }

    #[test]
    fn a_curve_rises_to_its_end_and_is_steepest_at_its_peak(growth in curve(), day in -1000.0..999.0_f64) {
        let (kg, later_kg) = (growth.kg(day).unwrap(), growth.kg(day + 1.0).unwrap());
        prop_assert!(kg >= 0.0 && kg <= later_kg && later_kg <= growth.final_kg() * (1.0 + 1e-12));
        let peak = growth.peak();
        let gain = growth.kg_day(day).unwrap();
        prop_assert!(gain >= 0.0 && gain <= peak.kg_day * (1.0 + 1e-9), "{gain} over {peak:?}");
        prop_assert!((growth.kg(peak.day).unwrap() / peak.kg - 1.0).abs() < 1e-9);
        prop_assert!((growth.kg_day(peak.day).unwrap() / peak.kg_day - 1.0).abs() < 1e-9);
        prop_assert!(growth.ln_slopes(day).unwrap().iter().all(|slope| !slope.is_nan()));
    }

    #[test]
    fn slopes_are_those_of_the_curve(growth in curve(), off in -3.0..3.0_f64) {
        // Within three times 1/k of the peak, where differences still carry figures.
        let peak = growth.peak().day;
        let (a, k) = (growth.final_kg(), growth.rate_per_day());
        let day = peak + off / k;
        let step = 1e-6;
        let fits = (-990.0..990.0).contains(&day) && (-990.0..990.0).contains(&peak)
            && k * (1.0 + step) < 5.0 && k * (1.0 - step) > 1e-3;
        prop_assume!(fits);
        let ln = |k: f64, tm: f64| Growth::new(growth.shape(), a, k, tm).unwrap().ln_kg(day).unwrap();
        let by_k = (ln(k * (1.0 + step), peak) - ln(k * (1.0 - step), peak)) / (2.0 * step);
        let h = step / k;
        let by_tm = (ln(k, peak + h) - ln(k, peak - h)) / (2.0 * h);
        let [by_a, slope_k, slope_tm] = growth.ln_slopes(day).unwrap();
        prop_assert!(by_a == 1.0);
        prop_assert!((slope_k - by_k).abs() < 1e-3 * (1.0 + by_k.abs()), "{slope_k} {by_k}");
        prop_assert!((slope_tm - by_tm).abs() < 1e-3 * (k + by_tm.abs()), "{slope_tm} {by_tm}");
    }

    #[test]
    fn a_start_is_a_curve_for_any_measures(
        measures in prop::collection::vec((-10.0..200.0_f64, 0.0..2000.0_f64), 0..12),
    ) {
        for shape in [Shape::Logistic, Shape::Gompertz] {
            if let Ok(Some(start)) = growth::start(shape, &measures) {
                prop_assert!(start.kg(50.0).unwrap().is_finite());
            }
        }
    }
}

/// Tapes nobody can have taken, each with the measure that is named.
#[test]
fn impossible_tapes_are_named() {
    let only = |around_cm, length_cm| Tape { around_cm, length_cm, ..Tape::default() };
    for (taped, what) in [
        (Tape::default(), "around_cm"),
        (tape(0.0, 140.0, 138.0), "around_cm"),
        (tape(1000.0, 400.0, 400.0), "around_cm"), // 10 m around
        (tape(f64::NAN, 140.0, 138.0), "around_cm"),
        (tape(182.0, 0.0, 138.0), "stem_cm"),
        (tape(182.0, 57.0, 57.0), "side_cm"), // shorter than straight through (57.9 cm)
        (tape(182.0, 57.0, 138.0), "along_by_across"),
        (Tape { side_cm: None, ..tape(182.0, 57.0, 0.0) }, "stem_cm"),
        (tape(182.0, 138.0, 20.0), "along_by_across"),
        (tape(182.0, 70.0, 70.0), "height_by_width"),   // a plate
        (tape(182.0, 240.0, 240.0), "height_by_width"), // a tower
        (tape(182.0, 300.0, 90.0), "along_by_across"),
        (only(None, Some(120.0)), "around_cm"),
        (only(Some(300.0), Some(90.0)), "length_cm"), // shorter than thick
        (only(Some(60.0), Some(900.0)), "length_cm"),
    ] {
        assert_eq!(form(&taped).unwrap_err().what, what, "{taped:?}");
    }
    assert_eq!(form(&tape(182.0, 140.0, 138.0)).unwrap().way, Way::Three);
    assert_eq!(form(&Tape { around_cm: Some(182.0), ..Tape::default() }).unwrap().way, Way::Around);
}

#[test]
fn a_scale_that_no_fruit_agrees_with_is_refused() {
    assert_eq!(Density::fit(Way::Three, &[(500.0, 41.2)]).unwrap_err().what, "kg_l");
    assert_eq!(Density::fit(Way::Three, &[(500.0, 4120.0)]).unwrap_err().what, "mass_kg");
    assert_eq!(Density::fit(Way::Three, &[]).unwrap(), Density::unweighed(Way::Three));
    assert!(fruit::spheroid_litres(300.0, 3.0).is_err());
}

/// The ± that is promised: 13 % before any weighing, 7 % after one.
#[test]
fn the_spread_of_a_mass_shrinks_once_weighed() {
    let share = |weighed: &[(f64, f64)]| Density::fit(Way::Three, weighed).unwrap().sd_share();
    assert!((share(&[]) - 0.128).abs() < 0.001);
    assert!((share(&[(500.0, 410.0)]) - 0.0707).abs() < 0.001);
    assert!((share(&[(500.0, 410.0), (700.0, 574.0), (300.0, 246.0)]) - 0.057).abs() < 0.002);
}
