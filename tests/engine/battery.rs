//! Batteries: how long they last, by the slope of their days; the swing of warm and cold hours is none.

use std::collections::BTreeMap;
use std::f64::consts::PI;

use rindwatch::daybook::{Entry, ProbeChange};
use rindwatch::engine::{Engine, Event};
use rindwatch::record::{Content, Fault, MatterKey, Reading, SavedState, Stand};

use super::sim::*;

fn running(kind: &str, unit: &str) -> Sim {
    let cell = probe("cell", kind, unit, "");
    let mut sim = Sim::new(garden(&[HEAD, BED, &(full() + &cell)]), "2027-07-01", "00:00");
    sim.silent = vec!["cell".into()];
    sim
}

/// Hours in which the cell reports: `level` by the days since the start.
fn report(sim: &mut Sim, days: i64, level: impl Fn(f64) -> f64) {
    let (ix, start_ms) = (sim.ix("cell"), sim.at("2027-07-01", "00:00"));
    for _ in 0..days * 24 {
        sim.run_until(sim.now_ms + HOUR);
        let like = sim.reading(ix, sim.now_ms);
        let value = level((sim.now_ms - start_ms) as f64 / DAY as f64);
        sim.handle(Event::Reading(Reading { value, arrived_ms: sim.now_ms, ..like }));
    }
}

fn told(sim: &Sim) -> Vec<(String, u32, bool)> {
    let told = sim.told(MatterKey::Gear).into_iter().filter(|(_, _, task)| task.subject == "cell");
    told.filter_map(|(at_ms, _, task)| match &task.content {
        Content::Gear { fault: Fault::BatteryLow { days, before, .. } } => {
            Some((sim.shown(at_ms), *days, before.is_some()))
        }
        _ => None,
    })
    .collect()
}

fn days_left(sim: &Sim) -> Option<f64> {
    let survey = sim.engine.survey(sim.now_ms);
    survey.probes.iter().find(|probe| probe.name == "cell").unwrap().battery_days
}

fn falls_and_swings(day: f64) -> f64 {
    4.0 - 0.02 * day + 0.15 * (2.0 * PI * (day - 0.35)).sin()
}

/// A lithium cell that falls by 0.02 V a day from 4.0 V and swings by 0.15 V with each day's warmth: it ends at 3.3 V
/// after 35 days, and is told ten days before. A swing taken for a slope would have cried within days.
#[test]
fn a_cell_that_falls_is_told_ten_days_ahead_and_its_daily_swing_is_no_slope() {
    let mut sim = running("battery", "V");
    report(&mut sim, 4, falls_and_swings);
    assert_eq!(days_left(&sim), None, "four days have no slope");
    report(&mut sim, 11, falls_and_swings);
    let left = days_left(&sim).unwrap();
    assert!((19.0..=21.5).contains(&left), "{left}");
    assert_eq!(told(&sim), []);
    report(&mut sim, 15, falls_and_swings);
    let all = told(&sim);
    assert!(all.len() == 1 && ("07-25 06:00".."07-28 00:00").contains(&all[0].0.as_str()), "{all:?}");
    assert!((9..=10).contains(&all[0].1) && !all[0].2, "{all:?}");
    // A new cell ends it.
    sim.enter(Entry::Probe { probe: "cell".into(), change: ProbeChange::Battery });
    report(&mut sim, 1, |_| 4.15);
    let change = sim.changes(MatterKey::Gear).into_iter().rfind(|change| change.subject == "cell").unwrap();
    assert_eq!(change.to, Stand::Over);
    assert_eq!(days_left(&sim), None);
}

/// Its node is silent for two days and comes back; the same cell is not told of again, but stands on the page. The cell
/// after it is.
#[test]
fn a_cell_is_told_of_once_and_the_next_one_anew() {
    let mut sim = running("battery-level", "%");
    report(&mut sim, 18, |day| 30.0 - day);
    assert_eq!(told(&sim).len(), 1);
    sim.run_days(2);
    assert!(sim.told(MatterKey::Gear).iter().any(|(_, _, task)| {
        matches!(task.content, Content::Gear { fault: Fault::Silent { .. } }) && task.subject == "cell"
    }));
    report(&mut sim, 3, |day| 30.0 - day);
    assert_eq!(told(&sim).len(), 1);
    let survey = sim.engine.survey(sim.now_ms);
    let matter = survey.matters.iter().find(|matter| matter.subject == "cell").unwrap();
    assert!(matter.why.contains("a guess"), "{}", matter.why);
    // Nobody wrote down that a new one is in: the level says so.
    report(&mut sim, 1, |_| 90.0);
    report(&mut sim, 12, |day| 60.0 - 2.0 * day);
    assert_eq!(told(&sim).len(), 2, "{:?}", told(&sim));
}

/// A start in between changes nothing of what is told and shown.
#[test]
fn a_start_loads_what_was_seen_of_a_cell() {
    let mut sim = running("battery", "V");
    let mut restarted = running("battery", "V");
    let mut hours = BTreeMap::new();
    for _ in 0..28 {
        report(&mut sim, 1, falls_and_swings);
        report(&mut restarted, 1, falls_and_swings);
        let state = restarted.engine.save();
        hours.extend(state.hours);
        let saved = SavedState { core: state.core, hours: hours.clone().into_iter().collect() };
        restarted.engine = Engine::load(restarted.garden.clone(), &saved).unwrap();
    }
    assert_eq!(told(&sim).len(), 1);
    assert_eq!((told(&restarted), days_left(&restarted)), (told(&sim), days_left(&sim)));
}

#[test]
fn a_cell_that_rests_says_nothing_however_it_swings() {
    let mut sim = running("battery", "V");
    report(&mut sim, 30, |day| 3.95 + 0.15 * (2.0 * PI * (day - 0.35)).sin());
    assert_eq!((told(&sim), days_left(&sim)), (vec![], None));
}

/// Three weeks are no haste, but the grower leaves for longer.
#[test]
fn a_level_that_does_not_last_through_an_absence_is_told_before_it() {
    let mut sim = running("battery-level", "%");
    report(&mut sim, 17, |day| 30.0 - day);
    assert_eq!(told(&sim).len(), 1, "ends on the 26th: {:?}", told(&sim));
    let mut sim = running("battery-level", "%");
    report(&mut sim, 12, |day| 40.0 - day);
    assert_eq!(told(&sim), [], "23 days are left");
    sim.enter(Entry::Away { from: date("2027-07-20"), to: date("2027-08-06"), stand_in: None });
    report(&mut sim, 1, |day| 40.0 - day);
    let all = told(&sim);
    assert!(all.len() == 1 && (22..=23).contains(&all[0].1) && all[0].2, "{all:?}");
}
