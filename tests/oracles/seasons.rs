//! The dual balance over whole seasons on one area, against pyfao56 1.4.3.
//!
//! Conventions set alike, where the two differ by choice:
//! - *Days count from 0* there, so the initial stage lasts a day longer.
//! - *Height and root depth* grow with Kcb and never shrink; new roots bring no depletion with them.
//! - *Leaves* are implied by the stage: leafed m² = bed × Kcb / Kcb_full, exposed m² = few × bed.
//! - *Kc min* of eq 76 is the initial Kcb there, 0.15 here; all seasons start at 0.15.
//! - *fw* stays as the last watering left it until rain of 3 mm or more without watering sets it to 1.
//! - *Wind* is taken to 2 m by eq 47 even where it was measured there.
//! - *p* follows the unstressed demand of the whole ground (eq 69), not of a leafed m²; surplus drains at once.
//! - Given water is gross there, with an efficiency; net here.
//!
//! One thing is not set alike: on a day on which the dry surface, or the whole root zone, holds less than the
//! coefficients ask for, the library lets the crop have it all the same and then cuts De and Dr off at TEW and
//! TAW, so that water comes from nowhere. Here no more is taken than is there. Seasons with such a day are kept
//! apart: they must close here, and are drawn again for the comparison.

use agronomy::crop;
use agronomy::evapotranspiration::wind_at_2m;
use agronomy::water::{BedDay, BedDayOut, Marks, share_before_stress, step};

use crate::asked::{Check, Table, ask, prove};
use crate::made::Chance;

const KC_INI: f64 = 0.15;
const SEASONS: usize = 200;

struct Weather {
    et0_mm: f64,
    rain_mm: f64,
    wind_m_s: f64,
    rh_min_pct: f64,
    gross_mm: f64,
    wetted_share: f64,
    efficiency_pct: f64,
}

struct Season {
    stage_days: [f64; 4],
    kcb_mid: f64,
    kcb_end: f64,
    height_m: (f64, f64),
    rooted_m: (f64, f64),
    full: f64,
    wilt: f64,
    start: f64,
    p: f64,
    surface_m: f64,
    rew_mm: f64,
    bed_m2: f64,
    days: Vec<Weather>,
}

impl Season {
    fn draw(chance: &mut Chance) -> Self {
        let stage_days = [(10, 35), (15, 40), (15, 50), (10, 30)]
            .map(|(low, high): (u16, u16)| f64::from(chance.whole(low, high)));
        let kcb_mid = chance.between(0.6, 1.15);
        let wilt = chance.between(0.04, 0.24);
        let full = wilt + chance.between(0.06, 0.2);
        let surface_m = chance.between(0.10, 0.15);
        let tew_mm = 1000.0 * (full - 0.5 * wilt) * surface_m;
        let length = stage_days.iter().sum::<f64>() as usize + 3;
        let watered = chance.between(0.0, 0.3);
        Self {
            stage_days,
            kcb_mid,
            kcb_end: chance.between(KC_INI + 0.05, kcb_mid),
            height_m: (chance.between(0.02, 0.1), chance.between(0.2, 2.0)),
            rooted_m: (chance.between(0.15, 0.35), chance.between(0.4, 1.4)),
            full,
            wilt,
            start: chance.between(wilt + 0.02, full),
            p: chance.between(0.25, 0.6),
            surface_m,
            rew_mm: chance.between(0.2, 0.55) * tew_mm,
            bed_m2: chance.between(1.0, 80.0),
            days: (0..length).map(|_| Weather::draw(chance, watered)).collect(),
        }
    }

    fn tew_mm(&self) -> Result<f64, agronomy::Error> {
        crop::evaporable_mm(self.full, self.wilt, self.surface_m)
    }
}

impl Weather {
    fn draw(chance: &mut Chance, watered: f64) -> Self {
        let given = chance.happens(watered);
        Self {
            et0_mm: chance.between(0.3, 9.0),
            rain_mm: if chance.happens(0.3) { chance.between(0.2, 45.0) } else { 0.0 },
            wind_m_s: chance.between(0.3, 8.0),
            rh_min_pct: chance.between(10.0, 95.0),
            gross_mm: if given { chance.between(3.0, 50.0) } else { 0.0 },
            wetted_share: chance.between(0.3, 1.0),
            efficiency_pct: chance.between(70.0, 100.0),
        }
    }
}

/// A day as we reckon it, and whether there was less than the coefficients asked for.
struct Reckoned {
    taw_mm: f64,
    p: f64,
    kc_max: f64,
    cover: f64,
    few: f64,
    kr: f64,
    out: BedDayOut,
    ran_short: bool,
}

fn reckon(season: &Season) -> Result<Vec<Reckoned>, agronomy::Error> {
    let curve = crop::StageCurve {
        stage_days: season.stage_days,
        kcb_ini: KC_INI,
        kcb_mid: season.kcb_mid,
        kcb_end: season.kcb_end,
    };
    let tew_mm = season.tew_mm()?;
    let (mut height_m, mut rooted_m) = (season.height_m.0, season.rooted_m.0);
    let mut depletion_mm = 1000.0 * (season.full - season.start) * rooted_m;
    let mut surface_depletion_mm = tew_mm;
    let mut wetted_share = 1.0;
    let mut days = Vec::new();
    for (at, weather) in season.days.iter().enumerate() {
        let kcb = curve.kcb(at as f64)?;
        let grown = (kcb - KC_INI) / (season.kcb_mid - KC_INI);
        height_m = height_m.max(season.height_m.0 + (season.height_m.1 - season.height_m.0) * grown);
        rooted_m = rooted_m.max(season.rooted_m.0 + (season.rooted_m.1 - season.rooted_m.0) * grown);
        if weather.gross_mm > 0.0 {
            wetted_share = weather.wetted_share;
        } else if weather.rain_mm >= 3.0 {
            wetted_share = 1.0;
        }
        let wind = wind_at_2m(weather.wind_m_s, 2.0)?;
        let kc_max = crop::kc_max(kcb, wind, weather.rh_min_pct, height_m)?;
        let cover = crop::cover(kcb, kc_max, height_m)?;
        let few = crop::exposed_share(cover, wetted_share)?;
        let kr = crop::surface_reduction(surface_depletion_mm, season.rew_mm, tew_mm)?;
        let ke = crop::evaporation_coefficient(kr, kcb, kc_max, few)?;
        let taw_mm = 1000.0 * (season.full - season.wilt) * rooted_m;
        let p = share_before_stress(season.p, (kcb + ke) * weather.et0_mm)?;
        let marks = Marks { taw_mm, raw_mm: p * taw_mm, refill_mm: 0.75 * p * taw_mm };
        let ks = agronomy::water::stress_coefficient(depletion_mm, &marks)?;
        let out = step(&BedDay {
            et0_mm: weather.et0_mm,
            rain_mm: weather.rain_mm,
            given_mm: weather.gross_mm * weather.efficiency_pct / 100.0,
            wetted_share,
            rooted_m2: season.bed_m2,
            leafed_m2: crop::implied_leafed_m2(season.bed_m2, kcb, season.kcb_mid)?,
            exposed_m2: few * season.bed_m2,
            kcb_full: season.kcb_mid,
            kc_max,
            depletion_mm,
            surface_depletion_mm,
            rew_mm: season.rew_mm,
            tew_mm,
            drainable_mm: 0.0,
            drain_share: 1.0,
            marks,
        })?;
        let wanted_mm = (ks * kcb + ke) * weather.et0_mm;
        (depletion_mm, surface_depletion_mm) = (out.depletion_mm, out.surface_depletion_mm);
        let ran_short = out.etc_mm < wanted_mm - 1e-12;
        days.push(Reckoned { taw_mm, p, kc_max, cover, few, kr, out, ran_short });
    }
    Ok(days)
}

/// Water in less water out is what the bed gained, whatever ran short.
fn closes(season: &Season, days: &[Reckoned]) {
    let start_mm = 1000.0 * (season.full - season.start) * season.rooted_m.0;
    let mut sum_mm = start_mm;
    for (weather, day) in season.days.iter().zip(days) {
        sum_mm += day.out.etc_mm + day.out.drained_mm;
        sum_mm -= weather.rain_mm + weather.gross_mm * weather.efficiency_pct / 100.0;
        assert!((-1e-9..=day.taw_mm + 1e-9).contains(&day.out.depletion_mm), "{}", day.out.depletion_mm);
    }
    let end_mm = days.last().expect("a season of days").out.depletion_mm;
    assert!((sum_mm - end_mm).abs() < 1e-9, "{sum_mm} against {end_mm}");
}

fn drawn() -> (Vec<Season>, Vec<Reckoned>, usize) {
    let mut chance = Chance::new(56);
    let (mut seasons, mut days, mut kept_apart) = (Vec::new(), Vec::new(), 0);
    while seasons.len() < SEASONS {
        let season = Season::draw(&mut chance);
        let reckoned = reckon(&season).expect("a physical season");
        closes(&season, &reckoned);
        if reckoned.iter().any(|day| day.ran_short) {
            kept_apart += 1;
            continue;
        }
        days.extend(reckoned);
        seasons.push(season);
    }
    (seasons, days, kept_apart)
}

#[test]
fn two_hundred_seasons_agree_to_a_billionth() {
    let (seasons, days, kept_apart) = drawn();
    println!("{SEASONS} seasons, {} days; {kept_apart} more had a day that ran short", days.len());
    assert!(kept_apart < 10 * SEASONS, "hardly a season is left to compare");

    let mut parameters = Table::new(&[
        "lini",
        "ldev",
        "lmid",
        "lend",
        "kcb_mid",
        "kcb_end",
        "height_ini",
        "height_max",
        "root_ini",
        "root_max",
        "full",
        "wilt",
        "start",
        "p",
        "surface_m",
        "rew_mm",
    ]);
    let mut weathers = Table::new(&[
        "season",
        "et0_mm",
        "rain_mm",
        "wind_m_s",
        "rh_min_pct",
        "gross_mm",
        "wetted_share",
        "efficiency_pct",
    ]);
    for (at, season) in seasons.iter().enumerate() {
        let [ini, dev, mid, late] = season.stage_days;
        parameters.push(&[
            ini,
            dev,
            mid,
            late,
            season.kcb_mid,
            season.kcb_end,
            season.height_m.0,
            season.height_m.1,
            season.rooted_m.0,
            season.rooted_m.1,
            season.full,
            season.wilt,
            season.start,
            season.p,
            season.surface_m,
            season.rew_mm,
        ]);
        for day in &season.days {
            weathers.push(&[
                at as f64,
                day.et0_mm,
                day.rain_mm,
                day.wind_m_s,
                day.rh_min_pct,
                day.gross_mm,
                day.wetted_share,
                day.efficiency_pct,
            ]);
        }
    }
    let answers = ask("seasons", &[("seasons", &parameters), ("days", &weathers)]);
    let check = |what, column: &str, ours: &dyn Fn(&Reckoned) -> f64| Check {
        what,
        bound: 1e-9,
        ours: days.iter().map(ours).collect(),
        theirs: answers.column(column, days.len()),
    };
    prove(vec![
        check("depletion against pyfao56, mm", "Dr", &|day| day.out.depletion_mm),
        check("depletion of the surface, mm", "De", &|day| day.out.surface_depletion_mm),
        check("evapotranspiration, mm", "ETa", &|day| day.out.etc_mm),
        check("transpiration, mm", "T", &|day| day.out.transpiration_mm),
        check("evaporation, mm", "E", &|day| day.out.evaporation_mm),
        check("drainage, mm", "DP", &|day| day.out.drained_mm),
        check("total available water, mm", "TAW", &|day| day.taw_mm),
        check("share before stress", "p", &|day| day.p),
        check("Kcb", "Kcb", &|day| day.out.kcb),
        check("Kc max", "Kcmax", &|day| day.kc_max),
        check("cover", "fc", &|day| day.cover),
        check("share exposed and wetted", "few", &|day| day.few),
        check("Kr", "Kr", &|day| day.kr),
        check("Ks", "Ks", &|day| day.out.ks),
        check("Ke", "Ke", &|day| day.out.ke),
    ]);
    // A comparison in which nothing happened would be none.
    let stressed = days.iter().filter(|day| day.out.ks < 0.99).count();
    let drained = days.iter().filter(|day| day.out.drained_mm > 0.0).count();
    println!("{stressed} days of stress, {drained} of drainage");
    assert!(stressed > 500 && drained > 500, "{stressed} {drained}");
}
