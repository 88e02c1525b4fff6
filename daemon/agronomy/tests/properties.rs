//! What must hold for every input, not only for the worked ones.
#![allow(clippy::unwrap_used)] // a test may stop where it stands

use agronomy::arrival::{self, Depth, Meanwhile};
use agronomy::degree_days::{self, Cutoff, Limits};
use agronomy::evapotranspiration::{self as et, DayWeather, Place};
use agronomy::filter::Filter;
use agronomy::frost::NightCurve;
use agronomy::sun::{self, SunTimes};
use agronomy::water::{self, BedDay, Marks, step};
use agronomy::{Error, air, climate, crop, soil};
use proptest::prelude::*;

/// A bed a grower could have, at any hour of its life.
fn bed() -> impl Strategy<Value = BedDay> {
    let soil = (0.15..0.6_f64, 0.02..0.12_f64, 0.1..1.2_f64, 0.1..0.8_f64, 0.0..15.0_f64, 0.05..1.0_f64);
    let marks = soil.prop_map(|(full, wilt, depth_m, p, etc_mm, share)| {
        Marks::new(full, wilt, depth_m, p, etc_mm, share).unwrap()
    });
    let water = (0.0..15.0_f64, 0.0..80.0_f64, 0.0..80.0_f64, 0.1..1.0_f64);
    let area = (0.05..60.0_f64, 0.0..80.0_f64, 0.0..1.0_f64, 0.1..1.3_f64, 0.0..1.4_f64);
    let state = (-30.0..250.0_f64, 0.0..40.0_f64, 2.0..12.0_f64, 12.5..40.0_f64, 0.0..30.0_f64, 0.0..1.0_f64);
    (marks, water, area, state).prop_map(|(marks, water, area, state)| BedDay {
        et0_mm: water.0,
        rain_mm: water.1,
        given_mm: water.2,
        wetted_share: water.3,
        rooted_m2: area.0,
        leafed_m2: area.1,
        exposed_m2: area.0 * area.2,
        kcb_full: area.3,
        kc_max: area.4,
        depletion_mm: state.0,
        surface_depletion_mm: state.1,
        rew_mm: state.2,
        tew_mm: state.3,
        drainable_mm: state.4,
        drain_share: state.5,
        marks,
    })
}

/// Any float at all, and often enough one of a size that formulas see.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![proptest::num::f64::ANY, -100.0..100.0_f64, 0.0..1.0_f64, Just(0.0), Just(-0.0)]
}

proptest! {
    // A failure prints its smallest case; it becomes a named test, and no list of old numbers is kept.
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_water_is_made_or_lost(bed in bed()) {
        let out = step(&bed).unwrap();
        let gained = bed.rain_mm + bed.given_mm - out.etc_mm - out.drained_mm;
        prop_assert!((gained - (bed.depletion_mm - out.depletion_mm)).abs() < 1e-9);
        prop_assert!((out.transpiration_mm + out.evaporation_mm - out.etc_mm).abs() < 1e-9);
        prop_assert!((out.kc * bed.et0_mm - out.etc_mm).abs() < 1e-9 * (1.0 + out.kcb));
        prop_assert!((0.0..=1.0).contains(&out.ks) && out.ke >= 0.0 && out.drained_mm >= 0.0);
        prop_assert!(out.evaporation_mm >= 0.0 && out.transpiration_mm >= 0.0);
        prop_assert!(out.depletion_mm >= -bed.drainable_mm - 1e-9);
        prop_assert!((0.0..=bed.tew_mm).contains(&out.surface_depletion_mm));
        // What dries the bed past its wilt mark was dry before.
        prop_assert!(out.depletion_mm <= bed.depletion_mm.max(bed.marks.taw_mm) + 1e-9);
    }

    #[test]
    fn a_season_of_hours_closes(beds in prop::collection::vec(bed(), 1..200)) {
        let start_mm = beds[0].depletion_mm;
        let (mut depletion_mm, mut surface_mm, mut gained_mm) = (start_mm, 10.0, 0.0);
        for bed in beds {
            let bed = BedDay { depletion_mm, surface_depletion_mm: surface_mm, ..bed };
            let out = step(&bed).unwrap();
            gained_mm += bed.rain_mm + bed.given_mm - out.etc_mm - out.drained_mm;
            (depletion_mm, surface_mm) = (out.depletion_mm, out.surface_depletion_mm);
        }
        prop_assert!((gained_mm - (start_mm - depletion_mm)).abs() < 1e-9);
    }

    #[test]
    fn hours_and_days_agree_while_nothing_runs_short(
        bed in bed(), dry_share in 0.0..0.2_f64, leafed_share in 0.0..1.0_f64
    ) {
        let whole = BedDay {
            rain_mm: 0.0, given_mm: 0.0, exposed_m2: 0.0, et0_mm: bed.et0_mm.min(6.0),
            leafed_m2: bed.rooted_m2 * leafed_share, depletion_mm: dry_share * bed.marks.raw_mm, ..bed
        };
        let day = step(&whole).unwrap();
        let mut hour = BedDay { et0_mm: whole.et0_mm / 24.0, ..whole };
        for _ in 0..24 {
            hour.depletion_mm = step(&hour).unwrap().depletion_mm;
        }
        if day.depletion_mm < bed.marks.raw_mm {
            prop_assert!((hour.depletion_mm - day.depletion_mm).abs() < 1e-9);
        } else {
            // Hour by hour the stress mark is met on the way, so a little less is used.
            prop_assert!(hour.depletion_mm <= day.depletion_mm + 1e-9);
        }
    }

    #[test]
    fn more_rain_never_asks_for_more_water(bed in bed(), more_mm in 0.0..50.0_f64, litres in 0.0..60.0_f64) {
        let dry = step(&bed).unwrap();
        for wet in [
            BedDay { rain_mm: bed.rain_mm + more_mm, ..bed },
            BedDay { given_mm: bed.given_mm + litres / bed.rooted_m2.max(1.0), ..bed },
        ] {
            let wet = step(&wet).unwrap();
            prop_assert!(wet.depletion_mm <= dry.depletion_mm + 1e-9);
            let ask = |out: &water::BedDayOut| water::litres_to_full(out.depletion_mm, bed.rooted_m2);
            prop_assert!(ask(&wet).unwrap() <= ask(&dry).unwrap() + 1e-6);
            let cover = |out: &water::BedDayOut| water::days_of_cover(out.depletion_mm, out.stress_mm, 5.0);
            prop_assert!(cover(&wet) >= cover(&dry) - 1e-9);
        }
    }

    #[test]
    fn a_drier_start_never_ends_wetter(bed in bed(), drier_mm in 0.0..50.0_f64) {
        let wet = step(&bed).unwrap();
        let dry = step(&BedDay { depletion_mm: bed.depletion_mm + drier_mm, ..bed }).unwrap();
        prop_assert!(dry.depletion_mm >= wet.depletion_mm - 1e-9);
    }

    #[test]
    fn marks_keep_their_order(
        full in any_number(), wilt in any_number(), depth_m in any_number(),
        p in 0.1..0.8_f64, etc_mm in 0.0..30.0_f64, share in any_number()
    ) {
        for (full, wilt, depth_m, share) in
            [(full, wilt, depth_m, share), (full.abs() % 0.7, wilt.abs() % 0.3, depth_m.abs() % 2.0, 0.75)]
        {
            if let Ok(marks) = Marks::new(full, wilt, depth_m, p, etc_mm, share) {
                prop_assert!(0.0 < marks.refill_mm && marks.refill_mm <= marks.raw_mm);
                prop_assert!(marks.raw_mm < marks.taw_mm && marks.taw_mm.is_finite());
            }
        }
    }

    #[test]
    fn a_belief_stays_a_belief(
        steps in prop::collection::vec((0.0..20.0_f64, -5.0..60.0_f64, 0.0..48.0_f64, -40.0..200.0_f64, 0.1..50.0_f64), 1..200)
    ) {
        let mut filter = Filter::new(10.0, 5.0, 15.0).unwrap();
        for (use_mm, inflow_mm, hours, measured_mm, sd_mm) in steps {
            filter.predict(use_mm, inflow_mm, hours).unwrap();
            let before = filter;
            filter.correct(measured_mm, sd_mm).unwrap();
            let [[p00, p01], [p10, p11]] = filter.p;
            prop_assert!(p00 > 0.0 && p11 > 0.0 && p01 == p10 && p00 * p11 - p01 * p10 >= -1e-9 * p00 * p11);
            prop_assert!(filter.sd_mm() <= before.sd_mm() + 1e-9 && filter.sd_mm() <= sd_mm + 1e-9);
            prop_assert!(filter.depletion_mm >= -15.0 && (0.2..=5.0).contains(&filter.bias));
        }
    }

    #[test]
    fn probes_speak_for_the_whole_depth(
        depths in prop::collection::vec(prop_oneof![0.0..2.0_f64, Just(0.1), Just(0.3)], 1..9),
        rooted_m in 0.05..3.0_f64
    ) {
        let weights = soil::probe_weights_m(&depths, rooted_m).unwrap();
        prop_assert!((weights.iter().sum::<f64>() - rooted_m).abs() < 1e-9);
        prop_assert!(weights.iter().all(|weight| *weight >= 0.0));
    }

    #[test]
    fn dewpoint_undoes_saturation(air_c in -40.0..41.0_f64) {
        let back = air::saturation_kpa(air_c).and_then(air::dewpoint_c).unwrap();
        prop_assert!((back - air_c).abs() < 1e-9);
    }

    #[test]
    fn a_stricter_cut_off_never_counts_more(
        low in -20.0..45.0_f64, range in 0.0..30.0_f64, lower in 0.0..20.0_f64, width in 1.0..30.0_f64
    ) {
        let high = (low + range).min(60.0);
        let limits = Limits::new(lower, lower + width).unwrap();
        for form in [degree_days::single_sine, degree_days::single_triangle] {
            let sum = |cutoff| form(low, high, &limits, cutoff).unwrap();
            let (none, level, falling, stop) =
                (sum(Cutoff::None), sum(Cutoff::Horizontal), sum(Cutoff::Intermediate), sum(Cutoff::Vertical));
            prop_assert!(none >= level - 1e-9 && level >= falling - 1e-9 && level >= stop - 1e-9);
            prop_assert!(falling >= 0.0 && stop >= 0.0 && level <= width + 1e-9);
        }
    }

    #[test]
    fn the_sun_sets_after_it_rises(
        latitude in -90.0..90.0_f64, longitude in -180.0..180.0_f64, year in 1950_u16..=2100, day in 1_u16..=365
    ) {
        if let SunTimes::Rises { rise_utc_min, set_utc_min } =
            sun::sun_times(latitude, longitude, year, day).unwrap()
        {
            let noon = 720.0 - 4.0 * longitude;
            prop_assert!(rise_utc_min <= set_utc_min && set_utc_min - rise_utc_min <= 1440.0 + 5.0);
            // Near the poles a day's rise and set lean on a declination that changes between them.
            prop_assert!(latitude.abs() > 66.0 || ((rise_utc_min + set_utc_min) / 2.0 - noon).abs() < 40.0);
        }
        prop_assert!(sun::extraterrestrial(latitude, day).unwrap() < 50.0);
    }

    #[test]
    fn the_ladder_always_answers(
        values in prop::array::uniform7(prop::option::of(any_number())), guess in any::<bool>(),
        latitude in -90.0..90.0_f64, day in 1_u16..=366
    ) {
        let [low, range, rh_mean, rh_max, rh_min, wind, solar] = values;
        let place =
            Place { latitude_deg: latitude, altitude_m: 200.0, wind_height_m: 2.0, coastal: guess, arid: guess, hargreaves: None };
        let weather = DayWeather {
            air_min_c: low,
            air_max_c: low.zip(range).map(|(low, range)| low + range.abs()),
            air_is_guess: guess,
            rh_mean_pct: rh_mean,
            rh_max_pct: rh_max,
            rh_min_pct: rh_min,
            wind_m_s: wind,
            solar_mj_m2: solar,
        };
        let et0 = et::reference(&place, day, &weather).unwrap();
        prop_assert!(et0.mm >= 0.0 && et0.mm.is_finite() && et0.sd_mm > 0.0 && et0.sd_mm.is_finite(), "{:?}", et0);
    }

    #[test]
    fn no_input_gives_nan(
        n in prop::array::uniform9(any_number()), m in prop::array::uniform7(any_number()), day in 0_u16..400
    ) {
        for (at, value) in everything(&n, &m, day).into_iter().enumerate() {
            if let Ok(value) = value {
                prop_assert!(value.is_finite(), "function {} gave {} from {:?} {:?} {}", at, value, n, m, day);
            }
        }
        prop_assert!(!water::days_of_cover(n[0], n[1], n[2]).is_nan());
    }
}

/// Every function of numbers, asked with whatever stands in `n` and `m`.
fn everything(n: &[f64; 9], m: &[f64; 7], day: u16) -> Vec<Result<f64, Error>> {
    let [a, b, c, d, e, f, g, h, i] = *n;
    let marks = Marks { taw_mm: a, raw_mm: b, refill_mm: c };
    let bed = BedDay {
        et0_mm: a,
        rain_mm: b,
        given_mm: c,
        wetted_share: d,
        rooted_m2: e,
        leafed_m2: f,
        exposed_m2: g,
        kcb_full: h,
        kc_max: i,
        depletion_mm: m[0],
        surface_depletion_mm: m[1],
        rew_mm: m[2],
        tew_mm: m[3],
        drainable_mm: m[4],
        drain_share: m[5],
        marks: Marks::new(0.31, 0.14, 0.4, 0.35, 5.0, 0.75).unwrap(),
    };
    let curve = crop::StageCurve { stage_days: [a, b, c, d], kcb_ini: e, kcb_mid: f, kcb_end: g };
    let pm = et::PenmanMonteith {
        air_min_c: a,
        air_max_c: b,
        ea_kpa: c,
        wind_2m_m_s: d,
        solar_mj: e,
        soil_heat_mj: f,
        latitude_deg: g,
        altitude_m: h,
        day_of_year: day,
    };
    let limits = Limits::new(c, d).or(Limits::new(10.0, 30.0)).unwrap();
    let probe = soil::TwoPoint { raw_dry: a, theta_dry: b, raw_wet: c, theta_wet: d };
    vec![
        step(&bed).map(|out| {
            out.depletion_mm + out.drained_mm + out.kc + out.ks + out.ke + out.surface_depletion_mm
        }),
        water::stress_coefficient(d, &marks),
        water::share_before_stress(a, b),
        water::exposed_m2(a, b),
        water::litres_to_full(a, b),
        water::passes(a, b, c).map(f64::from),
        Marks::new(a, b, c, d, e, f).map(|marks| marks.taw_mm + marks.raw_mm),
        Filter::new(a, b, c).and_then(|mut filter| {
            filter.predict(d, e, f)?;
            let innovation = filter.correct(g, h)?;
            Ok(innovation.ratio() + filter.sd_mm() + filter.bias_sd() + filter.depletion_mm)
        }),
        curve.kcb(h),
        crop::climate_adjusted(a, b, c, d),
        crop::kc_max(a, b, c, d),
        crop::cover(a, b, c),
        crop::exposed_share(a, b),
        crop::surface_reduction(a, b, c),
        crop::evaporation_coefficient(a, b, c, d),
        crop::evaporable_mm(a, b, c),
        crop::implied_leafed_m2(a, b, c),
        air::saturation_kpa(a),
        air::mean_saturation_kpa(a, b),
        air::saturation_slope(a),
        air::pressure_kpa(a),
        air::psychrometric(a),
        air::ea_from_dewpoint(a),
        air::ea_from_wet_bulb(a, b, c, d),
        air::ea_from_humidity_extremes(a, b, c, d),
        air::ea_from_humidity_max(a, b),
        air::ea_from_humidity_mean(a, b, c),
        air::deficit_kpa(a, b),
        air::dewpoint_c(a),
        air::wet_bulb_c(a, b),
        sun::inverse_distance(day),
        sun::declination(day),
        sun::sunset_hour_angle(a, day).map(sun::SunsetAngle::radians),
        sun::extraterrestrial(a, day),
        sun::day_length_h(a, day),
        sun::solar_from_sunshine(a, b, c),
        sun::clear_sky(a, b),
        sun::net_short_wave(a),
        sun::net_long_wave(a, b, c, d, e),
        sun::net_radiation(a, b),
        sun::sun_times(a, b, 2026, day).map(|times| match times {
            SunTimes::Rises { rise_utc_min, set_utc_min } => rise_utc_min + set_utc_min,
            SunTimes::PolarDay | SunTimes::PolarNight => 0.0,
        }),
        et::wind_at_2m(a, b),
        et::solar_from_range(a, b, c, d, e > 0.0),
        et::monthly_soil_heat_mj(a, b),
        et::penman_monteith(&pm),
        et::hargreaves(a, day, b, c),
        climate::usual(a, day).map(|usual| usual.air_mean_c + usual.air_range_c + usual.et0_mm),
        degree_days::mean(a, b, &limits),
        degree_days::clipped_mean(a, b, &limits),
        degree_days::capped_mean(a, b, &limits),
        degree_days::single_sine(a, b, &limits, Cutoff::Vertical),
        degree_days::single_triangle(a, b, &limits, Cutoff::Intermediate),
        degree_days::hourly(&[Some(a); 24], &limits, Cutoff::Horizontal).map(Option::unwrap_or_default),
        degree_days::degree_hours_above(&[Some(a), None], b, c).map(|above| above.degree_hours),
        NightCurve::new(a, b, c).and_then(|curve| curve.at_c(d)),
        NightCurve::new(a, b, c).and_then(|curve| Ok(curve.crossing_h(d)?.unwrap_or_default())),
        soil::retention(a, b, c).map(|soil| soil.wilt + soil.full + soil.saturated + soil.intake_mm_h),
        soil::topp(a),
        soil::topp_permittivity(a),
        soil::still_draining(a, b),
        soil::settled(&[a, b, c], d, e).map(Option::unwrap_or_default),
        soil::fall_per_h(&[(a, b), (c, d), (e, f), (g, h)]).map(Option::unwrap_or_default),
        soil::full_mark(&[a, b, c, d], e).map(|found| found.map_or(0.0, |found| found.mark + found.spread)),
        soil::counts_line(&[(a, b), (c, d), (e, f), (g, h), (b, a), (d, c), (f, e), (h, g), (a, c), (b, d)])
            .map(|line| line.map_or(0.0, |line| line.at_full + line.per_mm + line.sd_counts)),
        soil::Wave::of_day(&[a; 24], &[b; 24], &[c; 24]).map(|wave| wave.cc + wave.cw + wave.ww),
        soil::swing_per_c(&[soil::Wave { hours: a, cc: b, cw: c, ww: d }; 6]).map(Option::unwrap_or_default),
        probe.theta(e, f).map(|reading| reading.theta),
        soil::probe_weights_m(&[a, b, c], d).map(|weights| weights.iter().sum()),
        soil::profile_depletion_mm(&[soil::Layer { depth_m: a, theta: b, full: c }], d),
    ]
}

fn theta() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![4 => (0.0..1.0_f64).prop_map(Some), 1 => Just(None)]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_arrived_is_never_negative_and_nothing_where_it_dries(
        rows in prop::collection::vec((0.01..1.0_f64, prop::collection::vec(theta(), 6), 0.0..0.1_f64), 1..5),
        flows in (0.0..60.0_f64, 0.0..60.0_f64, 0.0..30.0_f64),
        rooted_depth_m in 0.05..2.0_f64,
    ) {
        let meanwhile = Meanwhile { drying_mm: flows.0, known_mm: flows.1, known_sd_mm: flows.2 };
        let probes: Vec<Depth<'_>> = rows.iter().map(|(depth_m, hours, sway)| {
            Depth { depth_m: *depth_m, before: &hours[..3], after: &hours[3..], saturated: 0.5, sway: *sway }
        }).collect();
        if let Some(came) = arrival::arrived(&probes, rooted_depth_m, &meanwhile).unwrap() {
            prop_assert!(came.total_mm >= 0.0 && came.sd_mm >= came.noise_mm && came.noise_mm > 0.0);
            prop_assert!(came.ratio.is_finite() && came.depths.iter().all(|depth| depth.mm >= 0.0));
            // More rain leaves less that somebody gave.
            let wetter = Meanwhile { known_mm: flows.1 + 5.0, ..meanwhile };
            let less = arrival::arrived(&probes, rooted_depth_m, &wetter).unwrap().unwrap();
            prop_assert!(less.total_mm <= came.total_mm);
        }
        // The same hours, falling: nothing came, however thirsty the day.
        let falling: Vec<Vec<Option<f64>>> = rows.iter().map(|(_, hours, _)| {
            let mut read: Vec<f64> = hours.iter().flatten().copied().collect();
            read.sort_by(|a, b| b.total_cmp(a));
            read.into_iter().map(Some).chain(std::iter::repeat(None)).take(6).collect()
        }).collect();
        let probes: Vec<Depth<'_>> = rows.iter().zip(&falling).map(|((depth_m, _, sway), hours)| {
            Depth { depth_m: *depth_m, before: &hours[..3], after: &hours[3..], saturated: 0.5, sway: *sway }
        }).collect();
        if let Some(came) = arrival::arrived(&probes, rooted_depth_m, &meanwhile).unwrap() {
            prop_assert_eq!((came.total_mm, came.is_significant()), (0.0, false));
        }
    }

    #[test]
    fn no_number_makes_an_arrival_or_a_sway_that_is_none(
        numbers in prop::collection::vec(any_number(), 11), past in prop::collection::vec(any_number(), 80)
    ) {
        let past: Vec<Option<f64>> = past.into_iter().map(Some).collect();
        if let Ok(Some(sway)) = arrival::sway(&past, 3) {
            prop_assert!(sway.is_finite() && sway > 0.0);
        }
        let hours: Vec<Option<f64>> = numbers[..4].iter().copied().map(Some).collect();
        let probe = Depth {
            depth_m: numbers[4], before: &hours[..2], after: &hours[2..], saturated: numbers[5], sway: numbers[6],
        };
        let meanwhile = Meanwhile { drying_mm: numbers[7], known_mm: numbers[8], known_sd_mm: numbers[9] };
        if let Ok(Some(came)) = arrival::arrived(&[probe], numbers[10], &meanwhile) {
            prop_assert!(came.total_mm.is_finite() && came.sd_mm.is_finite() && came.ratio.is_finite());
        }
    }

    #[test]
    fn a_filter_that_passes_days_keeps_its_variances(
        steps in prop::collection::vec(
            (0.0..20.0_f64, 0.0..10.0_f64, -20.0..60.0_f64, 0.0..20.0_f64, 0.1..48.0_f64, -60.0..90.0_f64), 1..80
        )
    ) {
        let mut filter = Filter::new(10.0, 5.0, 15.0).unwrap();
        for (use_mm, use_sd_mm, inflow_mm, inflow_sd_mm, hours, measured_mm) in steps {
            let mut sure = filter;
            sure.pass(use_mm, 0.0, inflow_mm, 0.0, hours).unwrap();
            filter.pass(use_mm, use_sd_mm, inflow_mm, inflow_sd_mm, hours).unwrap();
            prop_assert!(filter.sd_mm() >= sure.sd_mm() && filter.depletion_mm == sure.depletion_mm);
            if measured_mm > 0.0 {
                filter.correct(measured_mm, 3.0).unwrap();
            }
            let [[p00, p01], [p10, p11]] = filter.p;
            prop_assert!(p00 >= 0.0 && p11 >= 0.0 && p01 == p10 && p01 * p01 <= p00 * p11 * (1.0 + 1e-6) + 1e-12);
            prop_assert!(filter.depletion_mm >= -15.0);
        }
    }
}
