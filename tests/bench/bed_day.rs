//! The science of one bed on one day: reference evapotranspiration, stage, marks, balance, filter, degree-days.

use std::hint::black_box;
use std::time::Instant;

use agronomy::crop::{StageCurve, climate_adjusted, evaporable_mm, kc_max};
use agronomy::degree_days::{Cutoff, Limits, single_sine};
use agronomy::evapotranspiration::{DayWeather, Place, reference};
use agronomy::filter::Filter;
use agronomy::water::{BedDay, Marks, days_of_cover, step};

use crate::Figure;

const BEDS: u32 = 12;
const DAYS: u32 = 3652;

pub fn figures() -> Vec<Figure> {
    #[allow(clippy::disallowed_methods)] // a bench measures
    let now = Instant::now;
    let began = now();
    let mut litres = 0.0;
    for bed in 0..BEDS {
        litres += ten_years(bed);
    }
    let took = began.elapsed().as_secs_f64();
    assert!(black_box(litres) > 0.0);
    vec![
        Figure {
            what: "one bed on one day",
            value: took * 1e6 / f64::from(BEDS * DAYS),
            unit: "µs",
            bound: Some(Ok(20.0)),
        },
        Figure { what: "ten years of twelve beds", value: took, unit: "s", bound: Some(Ok(1.0)) },
    ]
}

/// Ten years of one bed; gives the litres its leaves drew.
fn ten_years(bed: u32) -> f64 {
    let place = Place {
        latitude_deg: 44.5,
        altitude_m: 290.0,
        wind_height_m: 2.0,
        coastal: false,
        arid: false,
        hargreaves: None,
    };
    let curve =
        StageCurve { stage_days: [20.0, 35.0, 65.0, 20.0], kcb_ini: 0.15, kcb_mid: 0.95, kcb_end: 0.95 };
    let limits = Limits::new(10.0, 30.0).unwrap();
    let tew_mm = evaporable_mm(0.31, 0.14, 0.1).unwrap();
    let mut filter = Filter::new(0.0, 3.0, 76.0).unwrap();
    let (mut surface_mm, mut litres, mut degrees) = (0.0, 0.0, 0.0);
    for day in 0..DAYS {
        let day_of_year = (day % 365 + 1) as u16;
        // A wave for the season, and something that is no wave: weather need not be likely here, only varied.
        let season = (f64::from(day_of_year) / 365.0 * std::f64::consts::TAU).cos();
        let odd = f64::from((day * 7919 + bed * 104_729) % 1000) / 1000.0;
        let low_c = 6.0 - 12.0 * season + 6.0 * odd;
        let high_c = low_c + 6.0 + 9.0 * odd;
        let weather = DayWeather {
            air_min_c: Some(low_c),
            air_max_c: Some(high_c),
            rh_max_pct: Some(95.0),
            rh_min_pct: Some(40.0 + 30.0 * (1.0 - odd)),
            wind_m_s: Some(1.0 + 3.0 * odd),
            solar_mj_m2: Some(9.0 - 5.0 * season + 6.0 * odd),
            ..DayWeather::default()
        };
        let et0_mm = reference(&place, day_of_year, &weather).unwrap().mm;
        let kcb_full = climate_adjusted(0.95, 2.0, 45.0, 0.4).unwrap();
        let kcb = curve.kcb(f64::from(day % 140 + 1)).unwrap();
        let leafed_m2 = 7.0 * kcb / 0.95;
        let marks = Marks::new(0.31, 0.14, 0.4, 0.35, kcb_full * et0_mm, 0.75).unwrap();
        let out = step(&BedDay {
            et0_mm,
            rain_mm: if odd > 0.8 { 40.0 * (odd - 0.8) } else { 0.0 },
            given_mm: if filter.depletion_mm > marks.refill_mm { filter.depletion_mm } else { 0.0 },
            wetted_share: 1.0,
            rooted_m2: 7.0,
            leafed_m2,
            exposed_m2: 7.0 - leafed_m2.min(7.0),
            kcb_full,
            kc_max: kc_max(kcb, 2.0, 45.0, 0.4).unwrap(),
            depletion_mm: filter.depletion_mm,
            surface_depletion_mm: surface_mm,
            rew_mm: 9.0,
            tew_mm,
            drainable_mm: 76.0,
            drain_share: 0.55,
            marks,
        })
        .unwrap();
        let inflow_mm = out.depletion_mm - filter.depletion_mm - out.etc_mm;
        filter.predict(out.etc_mm, -inflow_mm, 24.0).unwrap();
        let said_mm = filter.depletion_mm + 4.0 * (odd - 0.5);
        filter.correct(said_mm, 4.0).unwrap();
        filter.depletion_mm = filter.depletion_mm.clamp(-76.0, marks.taw_mm);
        surface_mm = out.surface_depletion_mm;
        litres += out.transpiration_mm * 7.0;
        degrees += single_sine(low_c, high_c, &limits, Cutoff::Horizontal).unwrap();
        black_box(days_of_cover(filter.depletion_mm.max(0.0), marks.refill_mm, out.etc_mm));
    }
    litres + black_box(degrees)
}
