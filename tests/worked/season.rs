//! A made season of 25 days, reckoned by `agronomy::water::step` under two sets of conventions.
//!
//! The dual one is set to the conventions of the public library pyfao56 1.4.3: its days count from 0, crop
//! height and root depth grow with Kcb, new roots bring no depletion, rain from 3 mm wets the whole surface.

use agronomy::crop;
use agronomy::evapotranspiration::wind_at_2m;
use agronomy::water::{BedDay, BedDayOut, Marks, share_before_stress, step};

/// ET0 and rain, mm.
const DAYS: [(f64, f64); 25] = [
    (4.2, 0.0),
    (5.1, 0.0),
    (5.6, 0.0),
    (3.0, 12.0),
    (2.1, 1.5),
    (6.0, 0.0),
    (6.4, 0.0),
    (6.8, 0.0),
    (7.0, 0.0),
    (5.5, 0.0),
    (4.8, 0.0),
    (6.2, 6.0),
    (6.6, 0.0),
    (7.1, 0.0),
    (7.3, 0.0),
    (3.5, 38.0),
    (2.8, 4.0),
    (5.9, 0.0),
    (6.3, 0.0),
    (6.7, 0.0),
    (6.9, 0.0),
    (5.2, 0.0),
    (4.9, 2.0),
    (4.4, 0.0),
    (4.0, 0.0),
];

/// A day of the season.
pub struct Day {
    /// What the balance gave.
    pub out: BedDayOut,
    /// Demand of the unstressed crop, mm.
    pub etc_mm: f64,
    /// The share before stress.
    pub p: f64,
}

fn bed(et0_mm: f64, rain_mm: f64, marks: Marks) -> BedDay {
    BedDay {
        et0_mm,
        rain_mm,
        given_mm: 0.0,
        wetted_share: 1.0,
        rooted_m2: 1.0,
        leafed_m2: 1.0,
        exposed_m2: 0.0,
        kcb_full: 0.95,
        kc_max: 1.2,
        depletion_mm: 0.0,
        surface_depletion_mm: 0.0,
        rew_mm: 9.0,
        tew_mm: 24.5,
        drainable_mm: 0.0,
        drain_share: 1.0,
        marks,
    }
}

fn marks(taw_mm: f64, p: f64) -> Marks {
    Marks { taw_mm, raw_mm: p * taw_mm, refill_mm: 0.75 * p * taw_mm }
}

/// The dual balance; `p` adjusted to each day's demand, or constant.
pub fn dual(adjust_p: bool) -> Result<Vec<Day>, agronomy::Error> {
    let curve =
        crop::StageCurve { stage_days: [5.0, 8.0, 7.0, 4.0], kcb_ini: 0.15, kcb_mid: 0.95, kcb_end: 0.70 };
    let (mut depletion_mm, mut surface_depletion_mm) = (1000.0 * (0.32 - 0.28) * 0.30, 24.5);
    let (mut wetted_share, mut height_m, mut rooted_m) = (1.0, 0.05_f64, 0.30_f64);
    // The library takes wind at 2 m through eq 47 all the same, which makes 1.5003 m/s of it.
    let wind = wind_at_2m(1.5, 2.0)?;
    let mut days = Vec::new();
    for (at, (et0_mm, rain_mm)) in DAYS.into_iter().enumerate() {
        let kcb = curve.kcb(at as f64)?;
        let grown = (kcb - 0.15) / 0.80;
        height_m = height_m.max(0.05 + 0.35 * grown);
        rooted_m = rooted_m.max(0.30 + 0.30 * grown);
        // Gross 20 and 30 mm at 90 %.
        let (given_mm, given_share) = match at + 1 {
            9 => (18.0, Some(0.5)),
            20 => (27.0, Some(1.0)),
            _ => (0.0, None),
        };
        wetted_share = given_share.unwrap_or(if rain_mm >= 3.0 { 1.0 } else { wetted_share });
        let kc_max = crop::kc_max(kcb, wind, 50.0, height_m)?;
        let few = crop::exposed_share(crop::cover(kcb, kc_max, height_m)?, wetted_share)?;
        let kr = crop::surface_reduction(surface_depletion_mm, 9.0, 24.5)?;
        let ke = crop::evaporation_coefficient(kr, kcb, kc_max, few)?;
        let etc_mm = (kcb + ke) * et0_mm;
        let p = if adjust_p { share_before_stress(0.35, etc_mm)? } else { 0.35 };
        let out = step(&BedDay {
            given_mm,
            wetted_share,
            leafed_m2: crop::implied_leafed_m2(1.0, kcb, 0.95)?,
            exposed_m2: few,
            kc_max,
            depletion_mm,
            surface_depletion_mm,
            ..bed(et0_mm, rain_mm, marks(1000.0 * (0.32 - 0.15) * rooted_m, p))
        })?;
        (depletion_mm, surface_depletion_mm) = (out.depletion_mm, out.surface_depletion_mm);
        days.push(Day { out, etc_mm, p });
    }
    Ok(days)
}

/// The same season with one coefficient and a fixed root zone.
pub fn single() -> Result<Vec<Day>, agronomy::Error> {
    let curve =
        crop::StageCurve { stage_days: [6.0, 8.0, 7.0, 4.0], kcb_ini: 0.5, kcb_mid: 1.0, kcb_end: 0.8 };
    let mut depletion_mm = 24.0;
    let mut days = Vec::new();
    for (at, (et0_mm, rain_mm)) in DAYS.into_iter().enumerate() {
        let kcb_full = curve.kcb(at as f64 + 1.0)?;
        let etc_mm = kcb_full * et0_mm;
        let p = share_before_stress(0.35, etc_mm)?;
        let given_mm = [(9, 18.0), (20, 27.0)].iter().find(|day| day.0 == at + 1).map_or(0.0, |day| day.1);
        let out =
            step(&BedDay { given_mm, kcb_full, depletion_mm, ..bed(et0_mm, rain_mm, marks(102.0, p)) })?;
        depletion_mm = out.depletion_mm;
        days.push(Day { out, etc_mm, p });
    }
    Ok(days)
}

/// FAO-56 example 37: tomato on a soil of 0.32/0.12, roots 0.8 m, p 0.4, ten days of 6 mm from 55 mm.
pub fn tomato() -> Result<Vec<Day>, agronomy::Error> {
    let mut depletion_mm = 55.0;
    let mut days = Vec::new();
    for _ in 0..10 {
        let out = step(&BedDay { kcb_full: 1.0, depletion_mm, ..bed(6.0, 0.0, marks(160.0, 0.4)) })?;
        depletion_mm = out.depletion_mm;
        days.push(Day { out, etc_mm: 6.0, p: 0.4 });
    }
    Ok(days)
}

/// The bed of 7 m² with leaves over `leafed_m2`, ET0 6 mm, from full.
pub fn bed_of_seven(leafed_m2: f64) -> Result<BedDayOut, agronomy::Error> {
    let marks = Marks::new(0.31, 0.14, 0.4, 0.35, 0.95 * 6.0, 0.75)?;
    step(&BedDay { rooted_m2: 7.0, leafed_m2, ..bed(6.0, 0.0, marks) })
}
