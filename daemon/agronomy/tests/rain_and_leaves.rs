//! What must hold for any rain and any wet leaf.
#![allow(clippy::unwrap_used)] // a test may stop where it stands

use agronomy::rain::{self, DRY_DAY_MM, TIP_LOSS_S};
use agronomy::sickness::{self, Infection, LeafHour, wet_spells};
use proptest::prelude::*;

/// A day's rain: mostly none, now and then unseen.
fn day() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![3 => Just(Some(0.0)), 2 => (0.0..40.0_f64).prop_map(Some), 1 => Just(None)]
}

/// An hour of leaves: wet, dry or unseen.
fn hour() -> impl Strategy<Value = Option<LeafHour>> {
    let seen = (any::<bool>(), -5.0..35.0_f64).prop_map(|(wet, air_c)| Some(LeafHour { wet, air_c }));
    prop_oneof![5 => seen, 1 => Just(None)]
}

/// Any float at all, and often enough one of a size that formulas see.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![proptest::num::f64::ANY, -100.0..200.0_f64, 0.0..1.0_f64, Just(0.0), Just(-0.0)]
}

proptest! {
    // A failure prints its smallest case; it becomes a named test, and no list of old numbers is kept.
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn more_rain_never_lowers_a_total_nor_lengthens_a_dry_spell(
        days in prop::collection::vec(day(), 1..40), at in 0_usize..40, more_mm in 0.0..50.0_f64
    ) {
        let mut wetter = days.clone();
        let at = at % days.len();
        wetter[at] = Some(days[at].unwrap_or(0.0) + more_mm);
        let mm = |days: &[Option<f64>]| rain::total(days).unwrap().map_or(0.0, |total| total.mm);
        prop_assert!(mm(&wetter) >= mm(&days) - 1e-9);
        if days[at].is_some() {
            let spell = |days: &[Option<f64>]| rain::dry_spell(days, DRY_DAY_MM).unwrap().days;
            prop_assert!(spell(&wetter) <= spell(&days));
        }
    }

    #[test]
    fn a_correction_never_takes_rain_away_and_grows_with_the_rate(
        slow_mm_h in 0.0..400.0_f64, faster_mm_h in 0.0..400.0_f64, tip_mm in 0.1..1.0_f64
    ) {
        let fast_mm_h = slow_mm_h + faster_mm_h;
        let truth = |rate| rain::true_rate_mm_h(rate, tip_mm, TIP_LOSS_S);
        if let (Ok(slow), Ok(fast)) = (truth(slow_mm_h), truth(fast_mm_h)) {
            prop_assert!(slow >= slow_mm_h && fast >= fast_mm_h);
            prop_assert!(fast - fast_mm_h >= slow - slow_mm_h - 1e-9);
            let back = fast * (1.0 - rain::share_lost(fast_mm_h, tip_mm, TIP_LOSS_S).unwrap());
            prop_assert!((back - fast_mm_h).abs() < 1e-9 * (1.0 + fast_mm_h));
        }
    }

    #[test]
    fn spells_hold_every_wet_hour_once_and_no_dry_one(hours in prop::collection::vec(hour(), 0..200)) {
        let spells = wet_spells(&hours).unwrap();
        let holds = |at: usize| spells.iter().filter(|s| (s.from..s.from + s.hours).contains(&at)).count();
        for (at, hour) in hours.iter().enumerate() {
            match hour {
                Some(LeafHour { wet, .. }) => prop_assert_eq!(holds(at), usize::from(*wet)),
                None => prop_assert!(holds(at) <= 1),
            }
        }
        for spell in &spells {
            let seen = hours[spell.from..spell.from + spell.hours].iter().flatten().map(|hour| hour.air_c);
            let low = seen.clone().fold(f64::INFINITY, f64::min);
            let high = seen.fold(f64::NEG_INFINITY, f64::max);
            prop_assert!(low - 1e-9 <= spell.mean_c && spell.mean_c <= high + 1e-9);
        }
    }

    #[test]
    fn wetter_air_never_dries_a_leaf(air_c in -20.0..45.0_f64, rh in 1.0..100.0_f64, more in 0.0..50.0_f64) {
        let damper = (rh + more).min(100.0);
        let by_humidity = |rh| sickness::wet_by_humidity(rh).unwrap();
        prop_assert!(by_humidity(damper) >= by_humidity(rh));
        let depression = |rh| sickness::depression_c(air_c, rh).unwrap();
        prop_assert!(depression(damper) <= depression(rh) + 1e-9);
        for was in [false, true] {
            let by_depression = |rh| sickness::wet_by_depression(was, depression(rh)).unwrap();
            prop_assert!(by_depression(damper) >= by_depression(rh));
        }
    }

    #[test]
    fn an_infection_needs_least_at_its_best(air_c in -10.0..45.0_f64) {
        let downy = Infection::new(1.0, 20.0, 30.0, 2.0).unwrap();
        let response = downy.response(air_c).unwrap();
        prop_assert!((0.0..=1.0).contains(&response));
        if let Some(hours) = downy.wet_hours(air_c, 1000.0).unwrap() {
            prop_assert!(hours >= 2.0);
        }
    }

    #[test]
    fn no_number_makes_a_formula_fall_over(n in prop::array::uniform4(any_number()), was in any::<bool>()) {
        let [a, b, c, d] = n;
        let numbers = [
            rain::share_lost(a, b, c),
            rain::true_rate_mm_h(a, b, c),
            rain::tip_rate_mm_h(a, b),
            rain::total(&[Some(a), None, Some(b)]).map(|total| total.map_or(0.0, |total| total.mm)),
            sickness::depression_c(a, b),
            Infection::new(a, b, c, d).and_then(|infection| infection.response(d)),
            sickness::downy_wet_hours(a).map(|hours| hours.unwrap_or(0.0)),
        ];
        for number in numbers.into_iter().flatten() {
            prop_assert!(number.is_finite(), "{n:?}: {number}");
        }
        let _ = (rain::intensity(a), rain::dry_spell(&[Some(a)], b), sickness::wet_by_humidity(a));
        let _ = (sickness::wet_by_depression(was, a), sickness::wet_by_regression(a, b, c, d));
        let _ = (sickness::powdery(a), sickness::gummy_stem(a, b), sickness::alternaria(a, b));
    }
}

#[test]
fn what_no_rain_and_no_air_can_be_is_an_error_that_names_itself() {
    let refused = [
        rain::share_lost(-1.0, 0.2, TIP_LOSS_S).unwrap_err(),
        rain::true_rate_mm_h(2000.0, 0.2, TIP_LOSS_S).unwrap_err(),
        rain::total(&[Some(-0.2)]).unwrap_err(),
        rain::dry_spell(&[Some(f64::NAN)], DRY_DAY_MM).unwrap_err(),
        sickness::wet_by_humidity(140.0).unwrap_err(),
        sickness::wet_by_regression(0.0, 95.0, 1.0, 1.0).unwrap_err(),
        wet_spells(&[Some(LeafHour { wet: true, air_c: f64::NAN })]).unwrap_err(),
        Infection::new(20.0, 20.0, 30.0, 2.0).unwrap_err(),
    ];
    let named = refused.map(|error| error.what);
    let expected =
        ["measured_mm_h", "measured_mm_h", "rain_mm", "rain_mm", "rh_pct", "air_c", "air_c", "best_c"];
    assert_eq!(named, expected);
}

/// A night that began before midnight was two half nights to a count by days, each too short to matter.
#[test]
fn a_spell_runs_on_over_midnight_and_over_one_unseen_hour() {
    let wet = Some(LeafHour { wet: true, air_c: 16.0 });
    let dry = Some(LeafHour { wet: false, air_c: 20.0 });
    let hours = [dry, wet, wet, None, wet, wet, dry, wet, None, None, wet];
    let spells = wet_spells(&hours).unwrap();
    assert_eq!(spells.iter().map(|s| (s.from, s.hours)).collect::<Vec<_>>(), [(1, 5), (7, 1), (10, 1)]);
}
