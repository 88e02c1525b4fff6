//! What no formula may be asked about: each is refused with an error that names the value and the rule.
#![allow(clippy::unwrap_used, clippy::panic)] // a test may stop where it stands

use agronomy::Error;
use agronomy::crop::{self, StageCurve};
use agronomy::degree_days::{self, Cutoff, Limits};
use agronomy::evapotranspiration::{
    DayWeather, Method, PenmanMonteith, Place, hargreaves, penman_monteith, reference, solar_from_range,
    wind_at_2m,
};
use agronomy::filter::Filter;
use agronomy::frost::NightCurve;
use agronomy::sun::{SunTimes, SunsetAngle};
use agronomy::water::{self, BedDay, Marks, step};
use agronomy::{air, climate, growth, rain, soil, sun};

/// Every refusal: what was done, what came of it, which input and value the error must name.
type Refusal = (&'static str, Result<f64, Error>, &'static str, f64);

const DAY: PenmanMonteith = PenmanMonteith {
    air_min_c: 12.0,
    air_max_c: 24.0,
    ea_kpa: 1.4,
    wind_2m_m_s: 2.0,
    solar_mj: 20.0,
    soil_heat_mj: 0.0,
    latitude_deg: 50.8,
    altitude_m: 100.0,
    day_of_year: 187,
};

const MARKS: Marks = Marks { taw_mm: 68.0, raw_mm: 22.0, refill_mm: 16.0 };

const BED: BedDay = BedDay {
    et0_mm: 5.0,
    rain_mm: 0.0,
    given_mm: 0.0,
    wetted_share: 1.0,
    rooted_m2: 10.0,
    leafed_m2: 5.0,
    exposed_m2: 5.0,
    kcb_full: 0.95,
    kc_max: 1.2,
    depletion_mm: 5.0,
    surface_depletion_mm: 0.0,
    rew_mm: 9.0,
    tew_mm: 24.0,
    drainable_mm: 0.0,
    drain_share: 1.0,
    marks: MARKS,
};

const CURVE: StageCurve =
    StageCurve { stage_days: [20.0, 30.0, 30.0, 20.0], kcb_ini: 0.15, kcb_mid: 0.95, kcb_end: 0.70 };

fn limits() -> Limits {
    Limits::new(10.0, 30.0).unwrap()
}

fn stepped(bed: BedDay) -> Result<f64, Error> {
    step(&bed).map(|out| out.depletion_mm)
}

/// A minimum of 25 °C on a day of 15.
fn crossed_extremes() -> Vec<Refusal> {
    let limits = limits();
    vec![
        ("es", air::mean_saturation_kpa(25.0, 15.0), "air_min_c", 25.0),
        ("ea of extremes", air::ea_from_humidity_extremes(25.0, 15.0, 50.0, 80.0), "air_min_c", 25.0),
        ("ea of a mean", air::ea_from_humidity_mean(25.0, 15.0, 70.0), "air_min_c", 25.0),
        ("long wave", sun::net_long_wave(25.0, 15.0, 1.4, 20.0, 30.0), "air_min_c", 25.0),
        ("sun of a range", solar_from_range(25.0, 15.0, 40.0, 30.0, false), "air_min_c", 25.0),
        ("Hargreaves", hargreaves(50.8, 187, 25.0, 15.0), "air_min_c", 25.0),
        (
            "Penman-Monteith",
            penman_monteith(&PenmanMonteith { air_min_c: 25.0, air_max_c: 15.0, ..DAY }),
            "air_min_c",
            25.0,
        ),
        ("degree-days A", degree_days::mean(25.0, 15.0, &limits), "air_min_c", 25.0),
        ("degree-days B", degree_days::clipped_mean(25.0, 15.0, &limits), "air_min_c", 25.0),
        ("degree-days C", degree_days::capped_mean(25.0, 15.0, &limits), "air_min_c", 25.0),
        ("sine", degree_days::single_sine(25.0, 15.0, &limits, Cutoff::None), "air_min_c", 25.0),
        ("triangle", degree_days::single_triangle(25.0, 15.0, &limits, Cutoff::Vertical), "air_min_c", 25.0),
        (
            "a night that warms",
            NightCurve::new(3.0, 5.0, 10.0).and_then(|curve| curve.at_c(3.0)),
            "min_c",
            5.0,
        ),
        ("limits", Limits::new(30.0, 10.0).map(|_| 0.0), "upper_c", 10.0),
        ("a wet bulb over the dry", air::ea_from_wet_bulb(20.0, 21.0, 101.3, 0.0008), "wet_c", 21.0),
    ]
}

/// Humidity of 140 %, and below 0.
fn impossible_humidity() -> Vec<Refusal> {
    vec![
        ("highest", air::ea_from_humidity_max(12.0, 140.0), "rh_max_pct", 140.0),
        ("lowest", air::ea_from_humidity_extremes(12.0, 24.0, 140.0, 90.0), "rh_min_pct", 140.0),
        ("mean", air::ea_from_humidity_mean(12.0, 24.0, 140.0), "rh_mean_pct", 140.0),
        ("deficit", air::deficit_kpa(24.0, 140.0), "rh_pct", 140.0),
        ("wet bulb", air::wet_bulb_c(24.0, 140.0), "rh_pct", 140.0),
        ("below nothing", air::deficit_kpa(24.0, -1.0), "rh_pct", -1.0),
        ("crop's climate", crop::climate_adjusted(0.95, 2.0, 140.0, 0.4), "rh_min_pct", 140.0),
        ("dry beyond dry", air::dewpoint_c(0.0), "ea_kpa", 0.0),
    ]
}

/// Rain, water, sun and wind that are less than nothing.
fn less_than_nothing() -> Vec<Refusal> {
    vec![
        ("rain on a bed", stepped(BedDay { rain_mm: -1.0, ..BED }), "rain_mm", -1.0),
        ("water given", stepped(BedDay { given_mm: -1.0, ..BED }), "given_mm", -1.0),
        ("evapotranspiration", stepped(BedDay { et0_mm: -0.5, ..BED }), "et0_mm", -0.5),
        ("rain of a day", rain::total(&[Some(2.0), Some(-1.0)]).map(|_| 0.0), "rain_mm", -1.0),
        ("intensity", rain::intensity(-1.0).map(|_| 0.0), "rate_mm_h", -1.0),
        ("sun", sun::net_short_wave(-1.0), "solar_mj", -1.0),
        ("bright hours", sun::solar_from_sunshine(30.0, -1.0, 12.0), "sunshine_h", -1.0),
        ("wind", wind_at_2m(-1.0, 2.0), "wind_m_s", -1.0),
        (
            "wind in Penman-Monteith",
            penman_monteith(&PenmanMonteith { wind_2m_m_s: -1.0, ..DAY }),
            "wind_2m_m_s",
            -1.0,
        ),
        (
            "use of a bed",
            Filter::new(5.0, 2.0, 10.0).and_then(|mut f| f.predict(-1.0, 0.0, 24.0)).map(|()| 0.0),
            "use_mm",
            -1.0,
        ),
    ]
}

/// A wilt mark above the full mark, and other marks out of order.
fn marks_out_of_order() -> Vec<Refusal> {
    let marks = |marks: Result<Marks, Error>| marks.map(|marks| marks.taw_mm);
    vec![
        ("wilt over full", marks(Marks::new(0.20, 0.30, 0.4, 0.35, 5.0, 0.75)), "wilt", 0.30),
        ("wilt at full", marks(Marks::new(0.30, 0.30, 0.4, 0.35, 5.0, 0.75)), "wilt", 0.30),
        ("refill past stress", marks(Marks::new(0.31, 0.14, 0.4, 0.35, 5.0, 1.5)), "refill_share", 1.5),
        ("surface water", crop::evaporable_mm(0.20, 0.30, 0.1), "wilt", 0.30),
        ("REW over TEW", crop::surface_reduction(5.0, 30.0, 24.0), "rew_mm", 30.0),
        ("REW over TEW in a bed", stepped(BedDay { rew_mm: 30.0, ..BED }), "rew_mm", 30.0),
        (
            "stress past wilt",
            water::stress_coefficient(5.0, &Marks { raw_mm: 70.0, ..MARKS }),
            "raw_mm",
            70.0,
        ),
        (
            "refill past stress, by hand",
            stepped(BedDay { marks: Marks { refill_mm: 30.0, ..MARKS }, ..BED }),
            "refill_mm",
            30.0,
        ),
        ("more clay than soil", soil::retention(0.6, 0.5, 2.0).map(|held| held.full), "sand", 0.6),
    ]
}

/// Beds of no size.
fn no_area() -> Vec<Refusal> {
    vec![
        ("no roots", stepped(BedDay { rooted_m2: 0.0, exposed_m2: 0.0, ..BED }), "rooted_m2", 0.0),
        ("leaves below nothing", stepped(BedDay { leafed_m2: -1.0, ..BED }), "leafed_m2", -1.0),
        ("more bare than bed", stepped(BedDay { exposed_m2: 11.0, ..BED }), "exposed_m2", 11.0),
        ("litres for no bed", water::litres_to_full(5.0, 0.0), "rooted_m2", 0.0),
        ("bare soil of no bed", water::exposed_m2(0.0, 1.0), "rooted_m2", 0.0),
        ("leaves of no bed", crop::implied_leafed_m2(0.0, 0.5, 0.95), "bed_m2", 0.0),
        ("no depth", Marks::new(0.31, 0.14, 0.0, 0.35, 5.0, 0.75).map(|marks| marks.taw_mm), "depth_m", 0.0),
    ]
}

/// Days before planting, years before pollination, and days that no year has.
fn no_such_day() -> Vec<Refusal> {
    let curve = growth::Growth::new(growth::Shape::Logistic, 400.0, 0.12, 35.0).unwrap();
    vec![
        ("before planting", CURVE.kcb(-1.0), "day", -1.0),
        ("years before pollination", curve.kg(-2000.0), "day", -2000.0),
        ("day 0", sun::extraterrestrial(50.8, 0), "day_of_year", 0.0),
        ("day 367", climate::usual(50.8, 367).map(|usual| usual.et0_mm), "day_of_year", 367.0),
        ("29 February of 2026", sun::sun_times(50.8, 4.35, 2026, 366).map(|_| 0.0), "day_of_year", 366.0),
        (
            "a day of 12 hours",
            degree_days::hourly(&[None; 12], &limits(), Cutoff::None).map(|_| 0.0),
            "hours",
            12.0,
        ),
    ]
}

/// Places off the globe.
fn no_such_place() -> Vec<Refusal> {
    vec![
        ("over the pole", sun::day_length_h(91.0, 187), "latitude_deg", 91.0),
        ("under the other", sun::sun_times(-90.5, 4.35, 2026, 187).map(|_| 0.0), "latitude_deg", -90.5),
        ("round the globe", sun::sun_times(50.8, 200.0, 2026, 187).map(|_| 0.0), "longitude_deg", 200.0),
        ("over the mountains", air::pressure_kpa(9000.0), "altitude_m", 9000.0),
        ("no climate", climate::usual(-95.0, 187).map(|usual| usual.et0_mm), "latitude_deg", -95.0),
    ]
}

#[test]
fn bad_input_is_refused_by_name_value_and_rule() {
    let refusals: Vec<Refusal> = [
        crossed_extremes(),
        impossible_humidity(),
        less_than_nothing(),
        marks_out_of_order(),
        no_area(),
        no_such_day(),
        no_such_place(),
    ]
    .into_iter()
    .flatten()
    .collect();
    assert!(refusals.len() >= 55, "{}", refusals.len());
    for (doing, result, what, value) in refusals {
        let Err(error) = result else { panic!("{doing}: {result:?} for {what} = {value}") };
        assert_eq!((error.what, error.value), (what, value), "{doing}");
        assert!(error.rule.len() > 5, "{doing}: `{}` is no rule", error.rule);
        assert_eq!(error.to_string(), format!("{what} = {value}: {}", error.rule), "{doing}");
    }
}

/// In a whole day's weather a reading no day can have is no reason to have no answer: the ladder goes a rung
/// down and says so. (A place that is none is still refused.)
#[test]
fn in_a_days_weather_the_same_is_taken_as_not_measured_and_said() {
    let place = Place {
        latitude_deg: 50.8,
        altitude_m: 100.0,
        wind_height_m: 2.0,
        coastal: false,
        arid: false,
        hargreaves: None,
    };
    let day = DayWeather {
        air_min_c: Some(12.0),
        air_max_c: Some(24.0),
        rh_max_pct: Some(140.0),
        solar_mj_m2: Some(20.0),
        wind_m_s: Some(-2.0),
        ..DayWeather::default()
    };
    let et0 = reference(&place, 187, &day).unwrap();
    assert!(et0.method == Method::PenmanMonteithPart && et0.humidity_guessed && et0.wind_guessed, "{et0:?}");
    let crossed = DayWeather { air_min_c: Some(25.0), air_max_c: Some(15.0), ..day };
    let et0 = reference(&place, 187, &crossed).unwrap();
    assert!(et0.method == Method::Climatology && et0.air_guessed, "{et0:?}");
    let nowhere = Place { altitude_m: 9000.0, ..place };
    assert_eq!(reference(&nowhere, 187, &day).unwrap_err().what, "altitude_m");
}

/// Polar latitudes are places like others; that the sun does not rise or set there is told by type.
#[test]
fn the_polar_day_and_night_are_types_and_no_numbers() {
    for (latitude_deg, day, times, angle, hours) in [
        (78.2, 172, SunTimes::PolarDay, SunsetAngle::PolarDay, 24.0),
        (78.2, 355, SunTimes::PolarNight, SunsetAngle::PolarNight, 0.0),
        (-78.2, 172, SunTimes::PolarNight, SunsetAngle::PolarNight, 0.0),
        (90.0, 172, SunTimes::PolarDay, SunsetAngle::PolarDay, 24.0),
        (-90.0, 355, SunTimes::PolarDay, SunsetAngle::PolarDay, 24.0),
    ] {
        assert_eq!(sun::sun_times(latitude_deg, 15.6, 2026, day), Ok(times), "{latitude_deg} {day}");
        assert_eq!(sun::sunset_hour_angle(latitude_deg, day), Ok(angle), "{latitude_deg} {day}");
        assert_eq!(sun::day_length_h(latitude_deg, day), Ok(hours), "{latitude_deg} {day}");
        let et0 = penman_monteith(&PenmanMonteith {
            latitude_deg,
            day_of_year: day,
            solar_mj: if hours > 0.0 { 20.0 } else { 0.0 },
            ..DAY
        });
        assert!(et0.is_ok_and(f64::is_finite), "{latitude_deg} {day}");
    }
}
