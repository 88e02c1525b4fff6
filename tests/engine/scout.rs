//! The note to look under leaves: by weather alone, on the page, in no letter of its own, over when somebody looked.

use rindwatch::daybook::Entry;
use rindwatch::engine::Engine;
use rindwatch::record::{MatterKey, Stand, Urgency};

use super::sim::*;

const SCOUT: MatterKey = MatterKey::Scout;

fn start(parts: &[&str], day: &str) -> Sim {
    let mut sim = Sim::new(garden(parts), day, "12:00");
    sim.lies.insert("damp".into(), 55.0);
    sim
}

/// Nights from noon to noon, damp from just after 21:00 for so many hours: of the hours that makes one less.
fn nights(sim: &mut Sim, count: usize, wet_h: i64) {
    for _ in 0..count {
        let noon_ms = sim.now_ms;
        sim.run_until(noon_ms + 9 * HOUR);
        sim.lies.insert("damp".into(), 96.0);
        sim.run_until(noon_ms + (9 + wet_h) * HOUR);
        sim.lies.insert("damp".into(), 55.0);
        sim.run_until(noon_ms + DAY);
    }
}

fn scouted() -> Entry {
    Entry::Scouted { counts: vec![("mildew".into(), 0)] }
}

#[test]
fn three_wet_nights_in_five_days_are_a_note_and_no_letter() {
    let mut sim = start(&[HEAD, BED, &full()], "2027-06-01");
    nights(&mut sim, 2, 9);
    assert_eq!(sim.stand(SCOUT), None, "two nights are none yet");
    nights(&mut sim, 1, 2);
    nights(&mut sim, 1, 9);
    let changes = sim.changes(SCOUT);
    let [first] = changes.as_slice() else { panic!("{changes:?}") };
    assert_eq!((first.to, first.urgency, first.subject.as_str()), (Stand::Standing, Urgency::Note, ""));
    // It stands as soon as the third night, still wet, is long enough.
    for words in
        ["Downy mildew", "3 of the last 5 days", "last 6 h at", "under the old leaves", "not disease"]
    {
        assert!(first.why.contains(words), "{words}: {}", first.why);
    }
    for words in ["spray", "fungicide", "Powdery"] {
        assert!(!first.why.contains(words), "{words}: {}", first.why);
    }
    assert!(sim.told(SCOUT).is_empty(), "a note has no letter of its own");
    let survey = sim.engine.survey(sim.now_ms);
    assert!(survey.matters.iter().any(|matter| matter.matter == SCOUT && matter.why.contains("last 8 h at")));
}

#[test]
fn short_or_cold_or_hot_nights_suit_nothing() {
    let warm = Sky { low_c: 26.5, high_c: 33.0, use_mm: 5.0 };
    let cold = Sky { low_c: 3.0, high_c: 9.0, use_mm: 2.0 };
    for (sky, wet_h) in [(MILD, 5), (warm, 9), (cold, 9)] {
        let mut sim = start(&[HEAD, BED, &full()], "2027-06-01");
        sim.sky = sky;
        nights(&mut sim, 6, wet_h);
        assert_eq!(sim.stand(SCOUT), None, "{sky:?}, {wet_h} h");
    }
}

#[test]
fn a_look_ends_it_and_the_week_after_is_silent() {
    let mut sim = start(&[HEAD, BED, &full()], "2027-06-01");
    nights(&mut sim, 4, 9);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Standing));
    sim.enter(scouted());
    assert_eq!(sim.stand(SCOUT), Some(Stand::InHand));
    let looked_ms = sim.now_ms;
    sim.run_until(looked_ms + 2 * HOUR);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Over));
    sim.run_until(looked_ms + DAY);
    nights(&mut sim, 5, 9);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Over), "sickness takes days to show: a week is the round");
    nights(&mut sim, 2, 9);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Standing), "and the weather goes on");
    let again = sim.changes(SCOUT).last().unwrap().at_ms - looked_ms;
    assert!((7 * DAY..7 * DAY + 2 * HOUR).contains(&again), "{} h", again / HOUR);
}

#[test]
fn three_dry_days_end_it() {
    let mut sim = start(&[HEAD, BED, &full()], "2027-06-01");
    nights(&mut sim, 4, 9);
    let wet_ms = sim.now_ms;
    nights(&mut sim, 3, 0);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Standing));
    nights(&mut sim, 1, 0);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Over));
    let dried_ms = sim.changes(SCOUT).last().unwrap().at_ms;
    assert!((3 * DAY..4 * DAY).contains(&(dried_ms - wet_ms)), "{} h", (dried_ms - wet_ms) / HOUR);
}

#[test]
fn powdery_mildew_needs_a_fruit_and_warm_air_but_no_wet_leaf() {
    let best = Sky { low_c: 19.0, high_c: 28.0, use_mm: 5.0 };
    let scorching = Sky { low_c: 20.0, high_c: 40.0, use_mm: 8.0 };
    let air = three() + &probe("air", "air-temperature", "C", "");
    // Set out on 20 May: a fruit that nobody logged may be about from 29 June.
    for (day, sky, stands) in
        [("2027-07-01", best, true), ("2027-06-01", best, false), ("2027-07-01", scorching, false)]
    {
        for sensors in [full(), air.clone()] {
            let mut sim = start(&[HEAD, BED, &sensors], day);
            sim.sky = sky;
            nights(&mut sim, 5, 0);
            let why = sim.changes(SCOUT).last().map(|change| change.why.clone());
            assert_eq!(why.is_some(), stands, "{day}, {sky:?}: {why:?}");
            assert!(why.is_none_or(|why| why.contains("Powdery") && why.contains("shaded lower leaves")));
        }
    }
}

/// The card's three sensors know neither air nor humidity.
#[test]
fn the_cards_three_sensors_say_nothing() {
    let mut sim = start(&[HEAD, BED, &three()], "2027-07-01");
    sim.sky = Sky { low_c: 19.0, high_c: 28.0, use_mm: 5.0 };
    nights(&mut sim, 8, 10);
    assert_eq!(sim.stand(SCOUT), None);
}

#[test]
fn a_restart_says_the_same() {
    let mut sim = start(&[HEAD, BED, &full()], "2027-06-01");
    nights(&mut sim, 3, 9);
    let saved = sim.engine.save();
    sim.engine = Engine::load(sim.garden.clone(), &saved).unwrap();
    nights(&mut sim, 1, 9);
    assert_eq!(sim.changes(SCOUT).len(), 1);
    sim.enter(scouted());
    let saved = sim.engine.save();
    sim.engine = Engine::load(sim.garden.clone(), &saved).unwrap();
    nights(&mut sim, 4, 9);
    assert_eq!(sim.stand(SCOUT), Some(Stand::Over), "the look is remembered");
}
