//! What a day that has not closed is reckoned to draw: by the last days, by today, and from dusk on as measured.

use rindwatch::daybook::Entry;
use rindwatch::record::MatterKey;

use super::sim::*;

const WATER: MatterKey = MatterKey::Water;

/// A day of which the soil uses what it uses on all others, whatever the sky.
fn sky((low_c, high_c): (f64, f64)) -> Sky {
    Sky { low_c, high_c, use_mm: 5.0 }
}

/// Twelve days of one sky, each begun with a full bed; then a day of another, begun with `dry_mm` missing. When the
/// first letter about water went out, hours after that day began.
fn letter_after(before: (f64, f64), last: (f64, f64), dry_mm: f64) -> i64 {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.sky = sky(before);
    for day in 1..=12 {
        sim.run_days(1);
        if day < 12 {
            let litres = 7.0 * (sim.depletion_mm[0] - (dry_mm - 5.0)).max(0.0);
            sim.water("long", litres);
        }
    }
    let began_ms = sim.now_ms;
    sim.run_until(began_ms + HOUR);
    sim.sky = sky(last);
    sim.run_until(began_ms + DAY);
    sim.sky = sky(before);
    sim.run_days(4);

    let at_ms = sim.told(WATER).iter().map(|(at_ms, ..)| *at_ms).find(|at_ms| *at_ms > began_ms).unwrap();
    (at_ms - began_ms) / HOUR
}

const MILD_DAY: (f64, f64) = (14.0, 26.0);
const HOT_DAY: (f64, f64) = (19.0, 36.0);

/// The demand of the coming day was the mean of the last five: a heat wave was believed on its third day.
#[test]
fn a_hot_day_after_mild_ones_asks_for_water_that_evening() {
    assert_eq!(letter_after(MILD_DAY, MILD_DAY, 8.0), 44, "mild days: the evening after");
    assert_eq!(letter_after(MILD_DAY, HOT_DAY, 8.0), 20, "a hot one: at 21:00, for the morning");
}

#[test]
fn a_mild_day_after_hot_ones_lets_the_water_wait() {
    assert_eq!(letter_after(HOT_DAY, HOT_DAY, 11.0), 20);
    assert_eq!(letter_after(HOT_DAY, MILD_DAY, 11.0), 29, "the morning after, not the evening");
}

/// A day that was foreseen hot and turned out grey was believed hot until its midnight, and its letter of 21:00 asked
/// for water that the plant had not drawn.
#[test]
fn from_dusk_on_a_day_counts_as_measured() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_days(11);
    sim.water("long", 300.0);
    sim.run_days(1);
    // The book alone: no probe corrects it.
    sim.silent = vec!["wet".into()];
    let believed = |sim: &Sim| sim.engine.survey(sim.now_ms).beds[0].depletion_mm.unwrap().0;
    sim.lies.insert("sun".into(), 15.0);
    sim.lies.insert("damp".into(), 97.0);
    sim.run_to("2027-07-13", "18:00");
    let at_six_mm = believed(&sim);
    sim.run_to("2027-07-13", "22:00");
    let at_ten_mm = believed(&sim);
    sim.run_to("2027-07-14", "00:30");
    let closed = sim.days().last().unwrap().depletion_mm.unwrap();
    assert!(at_six_mm > closed + 1.0, "{at_six_mm} {closed}");
    assert!((at_ten_mm - closed).abs() < 0.1, "{at_ten_mm} {closed}");
}

/// Who had said that it was not needed was asked again the next evening: a probe that swayed by a per cent had taken
/// the bed off its mark and put it back.
#[test]
fn what_is_not_needed_stays_so_while_only_the_estimate_sways() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    while sim.told(WATER).is_empty() {
        sim.run_until(sim.now_ms + HOUR);
    }
    let task = sim.told(WATER)[0].2.number;
    sim.enter(Entry::NotNeeded { task });
    // Hardly anything more is drawn; the probe sways.
    sim.sky = Sky { use_mm: 1.0, ..MILD };
    let told_ms = sim.now_ms;
    for half_day in 0..8 {
        sim.shifts.insert("wet".into(), if half_day % 2 == 0 { 0.008 } else { -0.002 });
        sim.run_until(sim.now_ms + 12 * HOUR);
    }
    let again = sim.told(WATER).into_iter().filter(|(at_ms, ..)| *at_ms > told_ms).count();
    assert_eq!(again, 0, "{:?}", sim.told_at(WATER));
}
