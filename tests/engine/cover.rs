//! Cover in the night: what is looked at after the call of the afternoon, and whom it wakes.

use rindwatch::record::{ColdSign, Content, MatterKey, Urgency};

use super::sim::*;

const COVER: MatterKey = MatterKey::Cover;
/// September: the sun sets about half past seven and rises about a quarter to seven.
const MILD_NIGHTS: Sky = Sky { low_c: 12.0, high_c: 24.0, use_mm: 1.0 };

fn september(probes: &str) -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, probes]), "2027-09-01", "00:00");
    sim.sky = MILD_NIGHTS;
    sim.run_to("2027-09-08", "23:00");
    assert_eq!(sim.told_at(COVER), Vec::<String>::new());
    sim
}

/// The air from now on: a value each half hour.
fn air(sim: &mut Sim, values_c: impl IntoIterator<Item = f64>) {
    for air_c in values_c {
        sim.lies.insert("air".into(), air_c);
        sim.run_until(sim.now_ms + HOUR / 2);
    }
}

/// A front came at midnight, after the last forecast: the letter came when the air was at the mark, too late for a sheet.
#[test]
fn air_that_falls_to_the_mark_in_the_night_is_told_with_time_for_a_sheet_and_once() {
    let mut sim = september(&full());
    // 1.5 °C an hour from 11: at the mark, 3 °C, at twenty past four.
    air(&mut sim, (0..13).map(|half| 11.0 - 0.75 * f64::from(half)));
    let told = sim.told(COVER);
    assert_eq!(told.len(), 1, "{:?}", sim.told_at(COVER));
    let at_mark_ms = sim.at("2027-09-09", "04:20");
    assert!((HOUR..3 * HOUR).contains(&(at_mark_ms - told[0].0)), "{:?}", sim.told_at(COVER));
    let Content::Cover { sign, foreseen_min_c, .. } = told[0].2.content else { panic!() };
    // It says what the air reads.
    assert!(sign == ColdSign::Air && foreseen_min_c > 3.0 && foreseen_min_c < 6.0, "{foreseen_min_c}");
    assert_eq!(told[0].2.urgency, Urgency::Now);
    // Up and down again: nobody is woken twice.
    air(&mut sim, [3.5, 2.0]);
    assert_eq!(sim.told(COVER).len(), 1);
}

#[test]
fn air_that_stays_above_the_mark_wakes_nobody() {
    for stays_c in [6.0, 5.5] {
        let mut sim = september(&full());
        let falls = (0..8).map(|half| (11.0 - 0.5 * f64::from(half)).max(stays_c + 1.0));
        air(&mut sim, falls.chain([stays_c + 0.5, stays_c, stays_c, stays_c, stays_c]));
        sim.lies.clear();
        sim.run_days(1);
        assert_eq!(sim.told_at(COVER), Vec::<String>::new(), "{stays_c}");
    }
}

/// With soil thermometers alone the later looks stand in for a reading of the air, and only a likely night wakes
/// anybody: with the margin of the afternoon every second cool evening did.
#[test]
fn soil_wakes_for_a_likely_night_only_and_once() {
    let mut woken = 0;
    for fall_c in [0, 1, 2, 4, 6, 8, 10, 12, 14] {
        let mut sim = september(&three());
        for half in 1..=15 {
            let off_c = -f64::from(fall_c) * f64::from(half) / 15.0;
            sim.shifts.insert("warm".into(), off_c);
            sim.run_until(sim.now_ms + HOUR / 2);
        }
        let told = sim.told(COVER);
        assert!(told.len() <= 1, "{fall_c}: {:?}", sim.told_at(COVER));
        let Some((_, _, task)) = told.first() else { continue };
        let Content::Cover { sign, foreseen_min_c, sd_c, mark_c, .. } = task.content else { panic!() };
        assert!(sign == ColdSign::Dusk && task.urgency == Urgency::Now, "{fall_c}: {task:?}");
        assert!(foreseen_min_c - sd_c <= mark_c, "{fall_c}: {foreseen_min_c} ± {sd_c}");
        assert!(fall_c >= 3, "a usual night: {task:?}");
        woken += 1;
    }
    assert!((1..=6).contains(&woken), "{woken}");
}

/// Whoever was told in the afternoon hears nothing more of it at night, however cold it gets.
#[test]
fn who_was_told_in_the_afternoon_sleeps() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-09-01", "00:00");
    sim.sky = Sky { low_c: 1.0, high_c: 13.0, use_mm: 1.0 };
    sim.run_to("2027-09-05", "23:00");
    let before = sim.told_at(COVER);
    assert!(before.last().is_some_and(|at| at.starts_with("09-05 16:00")), "{before:?}");
    air(&mut sim, (0..12).map(|half| 4.0 - 0.8 * f64::from(half)));
    assert_eq!(sim.told_at(COVER), before);
}
