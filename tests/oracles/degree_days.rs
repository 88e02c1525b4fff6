//! Degree-days of the single sine against nonlineartemppy 0.201, which rounds to five decimals.
//!
//! Its `degree_days` gives the sum above one mark, from which each cut-off is put together by its definition.
//! Its `degree_time` is not asked: it lays the day's course on another curve than its own degree-days. The
//! share of the day above a mark, which the vertical cut-off needs, is taken as the slope of the sums
//! instead, which is rough (0.02 °C wide, five decimals) and worst where a mark grazes an extreme; such days
//! are left out.

use agronomy::degree_days::{Cutoff, Limits, single_sine};

use crate::asked::{Check, Table, ask, prove};
use crate::made::Chance;

/// Marks asked for, in hundredths of a degree: the limits, and the upper ones a little to each side.
const LOWER: [i32; 3] = [800, 1000, 1550];
const UPPER: [i32; 3] = [2800, 3000, 3500];

fn name(mark: i32) -> String {
    format!("above_{mark}")
}

#[test]
fn two_thousand_days_agree_at_every_cut_off() {
    let mut chance = Chance::new(7);
    let mut table = Table::new(&["min_c", "max_c"]);
    let days: Vec<(f64, f64)> = (0..2_000)
        .map(|_| {
            let min_c = chance.between(-5.0, 32.0);
            (min_c, min_c + chance.between(0.1, 22.0))
        })
        .collect();
    for &(min_c, max_c) in &days {
        table.push(&[min_c, max_c]);
    }
    let mut marks = Table::new(&["mark_hundredths"]);
    for mark in LOWER.into_iter().chain(UPPER.into_iter().flat_map(|mark| [mark - 1, mark, mark + 1])) {
        marks.push(&[f64::from(mark)]);
    }
    let answers = ask("degree_days", &[("days", &table), ("marks", &marks)]);
    let above = |mark: i32| answers.column(&name(mark), days.len());

    let mut checks = Vec::new();
    for (lower, upper) in LOWER.into_iter().zip(UPPER) {
        let limits = Limits::new(f64::from(lower) / 100.0, f64::from(upper) / 100.0).expect("limits");
        let ours = |cutoff| -> Vec<f64> {
            days.iter()
                .map(|&(min_c, max_c)| single_sine(min_c, max_c, &limits, cutoff).expect("a day"))
                .collect()
        };
        let (over_lower, over_upper) = (above(lower), above(upper));
        let both = |theirs: &dyn Fn(f64, f64) -> f64| -> Vec<f64> {
            over_lower.iter().zip(&over_upper).map(|(lower, upper)| theirs(*lower, *upper)).collect()
        };
        let check = |what, bound, cutoff, theirs| Check { what, bound, ours: ours(cutoff), theirs };
        checks.push(check("degree-days, no cut-off", 5.1e-6, Cutoff::None, both(&|lower, _| lower)));
        checks.push(check(
            "degree-days, horizontal",
            1.1e-5,
            Cutoff::Horizontal,
            both(&|lower, upper| lower - upper),
        ));
        checks.push(check(
            "degree-days, intermediate",
            1.6e-5,
            Cutoff::Intermediate,
            both(&|lower, upper| (lower - 2.0 * upper).max(0.0)),
        ));
        checks.push(vertical(
            &days,
            &limits,
            upper,
            &above(upper - 1),
            &above(upper + 1),
            &both(&|l, u| l - u),
        ));
    }
    prove(checks);
}

fn vertical(
    days: &[(f64, f64)],
    limits: &Limits,
    upper: i32,
    under: &[f64],
    over: &[f64],
    horizontal: &[f64],
) -> Check {
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    let mark_c = f64::from(upper) / 100.0;
    let at = UPPER.iter().position(|known| *known == upper).expect("one of the marks");
    let width_c = f64::from(upper - LOWER[at]) / 100.0;
    for (row, &(min_c, max_c)) in days.iter().enumerate() {
        if (max_c - mark_c).abs() < 0.5 || (min_c - mark_c).abs() < 0.5 {
            continue;
        }
        let share = (under[row] - over[row]) / 0.02;
        ours.push(single_sine(min_c, max_c, limits, Cutoff::Vertical).expect("a day"));
        theirs.push((horizontal[row] - width_c * share).max(0.0));
    }
    Check { what: "degree-days, vertical", bound: 0.05, ours, theirs }
}
