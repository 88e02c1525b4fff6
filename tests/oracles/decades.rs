//! Decades of measured days: Brussels, 10,958 of them from 1976, and Tunis, 8,552 from 1979, each with its ET0
//! (PyPI aquacrop 3.1.0). A bed is kept through all of them, so that what creeps would have the time to show.

use agronomy::crop;
use agronomy::degree_days::{self, Cutoff, Limits};
use agronomy::filter::Filter;
use agronomy::water::{BedDay, Marks, litres_to_full, step};
use chrono::{Datelike, NaiveDate};

use crate::asked::{Check, Table, ask, prove};
use crate::open_data::{number, text};

struct Day {
    date: NaiveDate,
    min_c: f64,
    max_c: f64,
    rain_mm: f64,
    et0_mm: f64,
}

fn decades(name: &str, length: usize) -> Vec<Day> {
    let day = |line: &str| {
        let words: Vec<f64> = line.split_whitespace().map(number).collect();
        let date =
            NaiveDate::from_ymd_opt(words[2] as i32, words[1] as u32, words[0] as u32).expect("a date");
        Day { date, min_c: words[3], max_c: words[4], rain_mm: words[5], et0_mm: words[6] }
    };
    let days: Vec<Day> = text(name).lines().skip(1).filter(|line| !line.trim().is_empty()).map(day).collect();
    assert_eq!(days.len(), length, "{name}");
    assert!(days.windows(2).all(|pair| pair[0].date.succ_opt() == Some(pair[1].date)), "{name} has gaps");
    days
}

/// What a bed did over decades.
struct Run {
    /// Furthest that water in less water out came to lie from the change of depletion, over each year, mm.
    worst_year_mm: f64,
    /// The same over all years.
    all_years_mm: f64,
    least_mm: f64,
    most_mm: f64,
    given_mm: f64,
    drained_mm: f64,
    stressed_days: usize,
    /// Depletion on each 1 March, mm.
    springs_mm: Vec<f64>,
}

const BED_M2: f64 = 20.0;
const TAW_MM: f64 = 68.0;

/// A bed of winter squash planted each 15 May (FAO-56 tables 11, 17, 22), bare in winter, watered to full past
/// the refill mark or never.
fn run(days: &[Day], watered: bool, drainable_mm: f64, drain_share: f64) -> Result<Run, agronomy::Error> {
    let curve = crop::StageCurve {
        stage_days: [25.0, 35.0, 35.0, 25.0],
        kcb_ini: 0.15,
        kcb_mid: 0.95,
        kcb_end: 0.70,
    };
    let tew_mm = crop::evaporable_mm(0.31, 0.14, 0.1)?;
    let (mut depletion_mm, mut surface_mm) = (0.0, 0.0);
    let mut run = Run {
        worst_year_mm: 0.0,
        all_years_mm: 0.0,
        least_mm: f64::MAX,
        most_mm: f64::MIN,
        given_mm: 0.0,
        drained_mm: 0.0,
        stressed_days: 0,
        springs_mm: Vec::new(),
    };
    let (mut year_mm, mut all_mm, mut year_start_mm) = (0.0, 0.0, depletion_mm);
    for day in days {
        let sown = NaiveDate::from_ymd_opt(day.date.year(), 5, 15).expect("a date");
        let age = (day.date - sown).num_days() as f64 + 1.0;
        let kcb = if (1.0..=120.0).contains(&age) { curve.kcb(age)? } else { 0.0 };
        let kc_max = crop::kc_max(kcb, 2.0, 45.0, 0.4)?;
        let few = crop::exposed_share(crop::cover(kcb, kc_max, 0.4)?, 1.0)?;
        let marks = Marks::new(0.31, 0.14, 0.4, 0.35, kcb * day.et0_mm, 0.75)?;
        let given_mm = if watered && kcb > 0.0 && depletion_mm >= marks.refill_mm {
            litres_to_full(depletion_mm, BED_M2)? / BED_M2
        } else {
            0.0
        };
        let out = step(&BedDay {
            et0_mm: day.et0_mm,
            rain_mm: day.rain_mm,
            given_mm,
            wetted_share: 1.0,
            rooted_m2: BED_M2,
            leafed_m2: crop::implied_leafed_m2(BED_M2, kcb, 0.95)?,
            exposed_m2: few * BED_M2,
            kcb_full: 0.95,
            kc_max,
            depletion_mm,
            surface_depletion_mm: surface_mm,
            rew_mm: 9.0,
            tew_mm,
            drainable_mm,
            drain_share,
            marks,
        })?;
        let net_mm = out.etc_mm + out.drained_mm - day.rain_mm - given_mm;
        (year_mm, all_mm) = (year_mm + net_mm, all_mm + net_mm);
        (depletion_mm, surface_mm) = (out.depletion_mm, out.surface_depletion_mm);
        run.least_mm = run.least_mm.min(depletion_mm);
        run.most_mm = run.most_mm.max(depletion_mm);
        run.given_mm += given_mm;
        run.drained_mm += out.drained_mm;
        run.stressed_days += usize::from(kcb > 0.0 && out.ks < 0.9);
        if (day.date.month(), day.date.day()) == (12, 31) {
            run.worst_year_mm = run.worst_year_mm.max((year_start_mm + year_mm - depletion_mm).abs());
            (year_mm, year_start_mm) = (0.0, depletion_mm);
        }
        if (day.date.month(), day.date.day()) == (3, 1) {
            run.springs_mm.push(depletion_mm);
        }
    }
    run.all_years_mm = (all_mm - depletion_mm).abs();
    Ok(run)
}

#[test]
fn decades_close_to_a_billionth_and_stay_between_the_marks() {
    for (name, length) in [("brussels_climate.txt", 10_958), ("tunis_climate.txt", 8_552)] {
        let days = decades(name, length);
        for (watered, drainable_mm, drain_share) in
            [(false, 0.0, 1.0), (true, 0.0, 1.0), (false, 20.0, 0.5), (true, 20.0, 0.5)]
        {
            let run = run(&days, watered, drainable_mm, drain_share).expect("measured days");
            println!(
                "{name} watered {watered} holding {drainable_mm} mm: closes to {:.1e} mm a year, {:.1e} in all; \
                 {:.2} to {:.2} mm, {:.0} mm given, {:.0} drained, {} days of stress",
                run.worst_year_mm,
                run.all_years_mm,
                run.least_mm,
                run.most_mm,
                run.given_mm,
                run.drained_mm,
                run.stressed_days
            );
            assert!(run.worst_year_mm < 1e-9 && run.all_years_mm < 1e-9);
            assert!(run.least_mm >= -drainable_mm && run.most_mm <= TAW_MM + 1e-9);
            // A bed watered at its refill mark hardly suffers (on the hottest days of Tunis the marks
            // themselves move up past it); one that is not does, in either climate.
            assert!(if watered { run.stressed_days < 10 } else { run.stressed_days > 1_000 });
            assert_eq!(run.given_mm > 0.0, watered);
            if name.starts_with("brussels") {
                // Belgian winters fill a bed but for what its surface dried, the thirtieth like the first.
                assert!(
                    run.springs_mm.iter().all(|depletion_mm| *depletion_mm < 15.0),
                    "{:?}",
                    run.springs_mm
                );
                let mean = |years: &[f64]| years.iter().sum::<f64>() / years.len() as f64;
                let crept_mm = mean(&run.springs_mm[20..]) - mean(&run.springs_mm[..10]);
                assert!(crept_mm.abs() < 6.0, "{crept_mm}");
            }
        }
    }
}

/// The runs above would hold of a balance that never looked at its rain; this one would not.
#[test]
fn one_more_millimetre_of_rain_is_found_again() {
    let mut days = decades("brussels_climate.txt", 10_958);
    let dry = run(&days, false, 0.0, 1.0).expect("measured days");
    days[5_000].rain_mm += 1.0;
    let wetter = run(&days, false, 0.0, 1.0).expect("measured days");
    let gained = wetter.drained_mm - dry.drained_mm;
    assert!(gained > 0.0 && gained <= 1.0 + 1e-9, "one more millimetre of rain drained as {gained}");
}

/// With no probe heard for thirty years a book runs on alone: less and less sure, never without an answer.
#[test]
fn a_book_alone_grows_less_sure_every_day_for_decades() {
    let mut filter = Filter::new(5.0, 3.0, 20.0).expect("a first belief");
    let mut sd_mm = filter.sd_mm();
    for day in decades("brussels_climate.txt", 10_958) {
        filter.predict(0.5 * day.et0_mm, day.rain_mm, 24.0).expect("a day");
        filter.depletion_mm = filter.depletion_mm.min(TAW_MM);
        assert!(filter.sd_mm() > sd_mm && filter.sd_mm().is_finite(), "{filter:?}");
        sd_mm = filter.sd_mm();
    }
}

#[test]
fn decades_of_degree_days_agree_with_a_library() {
    let mut marks = Table::new(&["mark_hundredths"]);
    marks.push(&[1000.0]);
    marks.push(&[3000.0]);
    for (name, length) in [("brussels_climate.txt", 10_958), ("tunis_climate.txt", 8_552)] {
        let days = decades(name, length);
        let mut table = Table::new(&["min_c", "max_c"]);
        for day in &days {
            table.push(&[day.min_c, day.max_c]);
        }
        let answers = ask("degree_days", &[("days", &table), ("marks", &marks)]);
        let limits = Limits::new(10.0, 30.0).expect("limits");
        let ours: Vec<f64> = days
            .iter()
            .map(|day| {
                degree_days::single_sine(day.min_c, day.max_c, &limits, Cutoff::Horizontal)
                    .expect("a measured day")
            })
            .collect();
        let (lower, upper) = (answers.column("above_1000", length), answers.column("above_3000", length));
        let theirs: Vec<f64> = lower.iter().zip(upper).map(|(lower, upper)| lower - upper).collect();
        let yearly = ours.iter().sum::<f64>() / (length as f64 / 365.25);
        println!("{name}: {yearly:.0} degree-days a year");
        let sums = Check {
            what: "degree-days of decades in all",
            bound: 0.06,
            ours: vec![ours.iter().sum()],
            theirs: vec![theirs.iter().sum()],
        };
        prove(vec![Check { what: "degree-days of decades, each day", bound: 1.1e-5, ours, theirs }, sums]);
    }
}
