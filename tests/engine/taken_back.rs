//! A line that is taken back leaves nothing behind.

use rindwatch::daybook::{Entry, ProbeChange};
use rindwatch::engine::{Engine, Event, TAKE_BACK_MS};
use rindwatch::record::{MatterKey, Stand};

use super::sim::*;

fn take_back(sim: &mut Sim) {
    let line = sim.engine.can_take_back(sim.now_ms).unwrap_or(sim.engine.last_line());
    sim.handle(Event::TakeBack { line });
}

/// Two gardens that live the same; in the first a line is entered and taken back five minutes later.
fn both(lines: &[Entry]) -> (Sim, Sim) {
    let mut pair = [(); 2].map(|()| {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.run_days(6);
        sim.run_to("2027-07-07", "17:02");
        sim
    });
    for line in lines {
        pair[0].enter(line.clone());
    }
    for sim in &mut pair {
        sim.run_until(sim.now_ms + 5 * MINUTE);
    }
    for _ in lines {
        take_back(&mut pair[0]);
    }
    let [entered, untouched] = pair;
    (entered, untouched)
}

/// The state without what may differ: the words of why a matter stands.
fn core(engine: &mut Engine) -> serde_json::Value {
    let mut state: serde_json::Value = serde_json::from_str(&engine.save().core).unwrap();
    for pair in state["matters"].as_array_mut().unwrap() {
        pair[1]["why"] = serde_json::Value::Null;
    }
    // Deriving anew what is the same is no difference.
    state["poured_from"] = serde_json::Value::Null;
    state
}

#[test]
fn what_a_line_changed_is_as_before() {
    let lines = [
        Entry::Watered { bed: "long".to_owned(), litres: 600.0 },
        Entry::Leafed { bed: "long".to_owned(), area_m2: 12.0 },
        Entry::Planted { bed: "long".to_owned() },
        Entry::Probe { probe: "wet".to_owned(), change: ProbeChange::FullMark(0.36) },
        Entry::Away { from: date("2027-07-08"), to: date("2027-07-12"), stand_in: None },
        Entry::Marks { bed: "long".to_owned(), refill_share_used: 0.5 },
    ];
    for line in &lines {
        let (mut entered, mut untouched) = both(std::slice::from_ref(line));
        assert!(core(&mut entered.engine) == core(&mut untouched.engine), "{line}");
        for sim in [&mut entered, &mut untouched] {
            sim.run_days(4);
        }
        assert_eq!(entered.told_at(MatterKey::Water), untouched.told_at(MatterKey::Water), "{line}");
        assert_eq!(entered.days(), untouched.days(), "{line}");
    }
    // All of them, the last first.
    let (mut entered, mut untouched) = both(&lines);
    assert!(core(&mut entered.engine) == core(&mut untouched.engine), "all of them");
}

/// "6 cans" typed for the wrong bed: the letter's task was answered by it and waits again.
#[test]
fn a_task_answered_by_the_line_waits_again() {
    let (entered, untouched) = both(&[Entry::Watered { bed: "long".to_owned(), litres: 60.0 }]);
    assert!(!untouched.told(MatterKey::Water).is_empty(), "a letter has asked for water");
    assert_eq!(untouched.stand(MatterKey::Water), Some(Stand::Standing));
    let stands: Vec<Stand> = entered.changes(MatterKey::Water).iter().map(|change| change.to).collect();
    assert_eq!(stands[stands.len() - 2..], [Stand::InHand, Stand::Standing], "{stands:?}");
}

#[test]
fn a_line_older_than_ten_minutes_stays_and_so_does_one_before_another() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_days(2);
    sim.enter(Entry::Leafed { bed: "long".to_owned(), area_m2: 9.0 });
    let first = sim.engine.last_line();
    sim.enter(Entry::Leafed { bed: "long".to_owned(), area_m2: 12.0 });
    let before = sim.engine.save().core;
    sim.handle(Event::TakeBack { line: first });
    assert_eq!(sim.engine.save().core, before, "a later line rests on it");
    sim.run_until(sim.now_ms + TAKE_BACK_MS + MINUTE);
    assert_eq!(sim.engine.can_take_back(sim.now_ms), None);
    let before = sim.engine.save().core;
    take_back(&mut sim);
    assert_eq!(sim.engine.save().core, before);
}
