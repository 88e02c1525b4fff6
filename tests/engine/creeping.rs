//! A moisture probe that creeps wet, beside the others of the patch: after the same rain they tell it from the season.

use rindwatch::record::{Content, Fault, MatterKey, Rule, Task};

use super::rain::two_beds;
use super::sim::*;

/// The moisture probes that were said to creep, and the day since the beginning.
fn named(sim: &Sim, begun_ms: i64) -> Vec<(i64, String)> {
    let creeps = |task: &Task| match &task.content {
        Content::Gear { fault: Fault::Distrusted { rule, .. } } => *rule == Rule::CreepsWet,
        _ => false,
    };
    let told = sim.told(MatterKey::Gear).into_iter().filter(|(_, _, task)| creeps(task));
    told.map(|(at_ms, _, task)| ((at_ms - begun_ms) / DAY, task.subject.clone())).collect()
}

/// Six weeks with rain each sixth day, a great one on the 18th; the probe `wet` soaks from a day on.
fn season(creeps_a_day: f64, from_day: i64) -> (Sim, i64) {
    let mut sim = two_beds();
    let begun_ms = sim.now_ms;
    for day in 0..42 {
        sim.shifts.insert("wet".into(), creeps_a_day * (day - from_day).max(0) as f64);
        if day % 6 == 0 {
            let mm = if day == 18 { 60.0 } else { 32.0 };
            sim.rain.push((sim.now_ms + 3 * HOUR, sim.now_ms + 6 * HOUR, mm));
        }
        sim.run_days(1);
    }
    (sim, begun_ms)
}

/// Each bed has one moisture probe. The bed whose probe crept was thought wet, was watered no more, and so never came to
/// the soakings that a creep over weeks is told by: it was never named.
#[test]
fn one_that_stands_above_the_others_after_the_same_rain_is_named_within_a_fortnight() {
    let (sim, begun_ms) = season(0.004, 22);
    let named = named(&sim, begun_ms);
    // Off by 0.03 on the thirtieth day; found by the second night after the rain that follows.
    let (day, probe) = named.first().expect("named");
    assert!((30..=38).contains(day) && probe == "wet", "{named:?}");
    assert!(named.iter().all(|(_, probe)| probe == "wet"), "{named:?}");
}

/// A great rain leaves every probe wetter in the second night: a sound one was condemned for that.
#[test]
fn a_great_rain_makes_no_creep() {
    let (sim, begun_ms) = season(0.0, 0);
    assert_eq!(named(&sim, begun_ms), []);
}

/// Where soil drains slowly a great rain stands for days, after each great rain as high. Held against what was usual after
/// the lesser soakings between them, a sound probe was condemned by the second, as its neighbour's soil drains fast.
#[test]
fn a_great_rain_that_lifts_a_probe_as_high_as_the_last_one_did_makes_no_creep() {
    let mut sim = two_beds();
    let begun_ms = sim.now_ms;
    for day in 0..42 {
        let great = day % 24 < 6;
        sim.shifts.insert("wet".into(), if great { 0.04 } else { 0.0 });
        if day % 6 == 0 {
            sim.rain.push((sim.now_ms + 3 * HOUR, sim.now_ms + 6 * HOUR, if great { 45.0 } else { 32.0 }));
        }
        sim.run_days(1);
    }
    assert_eq!(named(&sim, begun_ms), []);
}
