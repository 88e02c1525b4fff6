//! Water that nobody logged is recognised from the soil, and nothing else is called water.

use rindwatch::daybook::Entry;
use rindwatch::engine::{Event, Watering};
use rindwatch::record::{MatterKey, Reading, Stand, Telling};

use super::sim::*;

fn waterings(sim: &Sim) -> Vec<Watering> {
    sim.engine.survey(sim.now_ms).waterings
}

/// A bed of 7 m² that has dried for `days` days since 1 July.
fn dried(days: i64) -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.run_days(days);
    sim
}

fn given_mm(sim: &Sim, on: &str) -> f64 {
    sim.days().iter().rfind(|day| day.date == date(on)).unwrap().given_mm.unwrap()
}

#[test]
fn water_that_nobody_logged_answers_the_task_and_is_given_water() {
    let mut sim = dried(5);
    sim.run_to("2027-07-06", "08:00");
    assert_eq!(sim.stand(MatterKey::Water), Some(Stand::Standing));
    sim.pour("long", 100.0);
    sim.run_to("2027-07-06", "09:30");
    assert_eq!(waterings(&sim), []);
    // At the latest three hours on the page and the task know.
    sim.run_to("2027-07-06", "11:30");
    let [seen] = &waterings(&sim)[..] else { panic!("{:?}", waterings(&sim)) };
    assert!(
        !seen.logged && (60.0..140.0).contains(&seen.litres) && seen.litres_sd.unwrap() > 10.0,
        "{seen:?}"
    );
    assert!((seen.at_ms - sim.at("2027-07-06", "08:00")).abs() <= 2 * HOUR);
    let answered =
        sim.changes(MatterKey::Water).into_iter().find(|change| change.to == Stand::InHand).unwrap();
    assert!(answered.why.starts_with("about ") && answered.why.ends_with(" L arrived"), "{}", answered.why);
    sim.run_to("2027-07-08", "01:00");
    assert!((60.0..140.0).contains(&(7.0 * given_mm(&sim, "2027-07-06"))));
    assert_eq!(given_mm(&sim, "2027-07-05"), 0.0);
}

#[test]
fn a_line_that_comes_later_takes_the_place_of_what_was_recognised() {
    let mut sim = dried(5);
    sim.run_to("2027-07-06", "08:00");
    sim.pour("long", 100.0);
    sim.run_to("2027-07-06", "17:00");
    assert_eq!(waterings(&sim).len(), 1);
    // Typed in the evening without a time: its own hours show no water, those of the morning do.
    sim.enter(Entry::Watered { bed: "long".into(), litres: 90.0 });
    let [seen] = &waterings(&sim)[..] else { panic!("{:?}", waterings(&sim)) };
    assert!(seen.logged && seen.litres == 90.0, "{seen:?}");
    assert!(seen.arrived.as_ref().unwrap().share.unwrap() > 0.5, "{seen:?}");
    sim.run_to("2027-07-07", "01:00");
    assert!((7.0 * given_mm(&sim, "2027-07-06") - 90.0).abs() < 1e-9);
    // Water of the late evening is seen after midnight; its day, closed by then, is corrected.
    sim.run_to("2027-07-07", "22:30");
    sim.pour("long", 60.0);
    sim.run_to("2027-07-08", "05:00");
    assert!(given_mm(&sim, "2027-07-07") * 7.0 > 30.0);
    assert!(sim.days().iter().rfind(|day| day.date == date("2027-07-07")).unwrap().corrected);
}

#[test]
fn a_shower_is_no_watering_and_without_a_gauge_nothing_is_recognised() {
    let mut sim = dried(4);
    for (day, mm) in [("2027-07-05", 4.0), ("2027-07-07", 15.0)] {
        let from = sim.at(day, "13:00");
        sim.rain.push((from, from + 2 * HOUR, mm));
    }
    sim.run_to("2027-07-09", "00:00");
    assert_eq!(waterings(&sim), []);
    // The funnel is dead: a rise may be rain.
    sim.silent = vec!["gauge".into()];
    sim.run_to("2027-07-11", "08:00");
    sim.pour("long", 100.0);
    sim.run_to("2027-07-11", "20:00");
    assert_eq!(waterings(&sim), []);
}

#[test]
fn warmth_frost_feeding_and_a_lying_probe_are_no_water() {
    // A probe that reads two points wetter each afternoon, as cheap ones do.
    let mut sim = dried(0);
    for hour in 0..12 * 24 {
        let wave = 0.02 * ((f64::from(hour % 24) - 16.0) / 12.0 * std::f64::consts::PI).cos();
        sim.lies.insert("wet".into(), 0.25 + (wave * 1000.0).round() / 1000.0);
        sim.run_until(sim.now_ms + HOUR);
    }
    assert_eq!(waterings(&sim), []);
    // Thawing ground reads wetter by the hour.
    let mut sim = dried(4);
    sim.sky = Sky { low_c: -6.0, high_c: 2.0, use_mm: 0.2 };
    sim.run_to("2027-07-07", "09:00");
    sim.pour("long", 80.0);
    sim.run_to("2027-07-07", "20:00");
    assert_eq!(waterings(&sim), []);
    // Salts of feeding read as a little water; much water is water all the same.
    let mut sim = dried(5);
    sim.enter(Entry::Fed { bed: "long".into(), what: "fish emulsion 2 L".into() });
    sim.pour("long", 25.0);
    sim.run_until(sim.now_ms + 10 * HOUR);
    assert_eq!(waterings(&sim), []);
    sim.pour("long", 80.0);
    sim.run_until(sim.now_ms + 6 * HOUR);
    assert_eq!(waterings(&sim).len(), 1);
}

#[test]
fn what_was_given_is_held_against_what_arrived() {
    let mut sim = dried(6);
    sim.run_to("2027-07-07", "19:00");
    sim.water("long", 80.0);
    sim.run_to("2027-07-08", "19:00");
    let of = |sim: &Sim| waterings(sim)[0].clone();
    let kept = of(&sim).arrived.unwrap();
    assert!(kept.one_depth && (0.6..1.4).contains(&kept.share.unwrap()), "{kept:?}");
    assert!(!of(&sim).was_shed() && kept.depths[0].1 > 4.0);
    // Dry soil sheds it: most runs off the mound.
    sim.pour("long", 15.0);
    sim.enter(Entry::Watered { bed: "long".into(), litres: 80.0 });
    sim.run_to("2027-07-09", "05:00");
    assert!(of(&sim).logged && of(&sim).was_shed(), "{:?}", of(&sim));
}

/// It used to be told four times and then no more: water in part kept the bed just past its stress mark, and
/// nothing said so.
#[test]
fn who_waters_in_part_and_logs_nothing_is_told_again() {
    let mut sim = dried(1);
    sim.sky = HOT;
    for _ in 0..14 {
        sim.run_until(sim.now_ms + DAY);
        if sim.depletion_mm[0] > 30.0 {
            sim.pour("long", 35.0);
        }
    }
    let told = sim.told(MatterKey::Water);
    let recognised =
        sim.changes(MatterKey::Water).iter().filter(|change| change.why.contains("arrived")).count();
    assert!(recognised >= 3, "{recognised}");
    // Never silent for four days while it stays dry.
    let from = told[0].0;
    let mut times: Vec<i64> = told.iter().map(|(at_ms, ..)| *at_ms).collect();
    times.push(sim.now_ms);
    for pair in times.windows(2) {
        assert!(pair[1] - pair[0] < 4 * DAY, "{:?}", sim.told_at(MatterKey::Water));
    }
    assert!(sim.now_ms - from > 7 * DAY && told.iter().any(|(_, telling, _)| *telling != Telling::First));
}

#[test]
fn readings_that_come_hours_late_give_the_same_waterings() {
    let run = |late: bool| {
        let mut sim = dried(5);
        let wet = sim.ix("wet");
        let mut kept: Vec<Reading> = Vec::new();
        sim.run_to("2027-07-06", "07:00");
        if late {
            sim.silent = vec!["wet".into()];
        }
        sim.pour("long", 90.0);
        while sim.now_ms < sim.at("2027-07-07", "06:00") {
            sim.run_until(sim.now_ms - sim.now_ms.rem_euclid(10 * MINUTE) + 10 * MINUTE);
            let at_ms = sim.now_ms - sim.now_ms.rem_euclid(10 * MINUTE);
            kept.push(sim.reading(wet, at_ms));
        }
        sim.silent.clear();
        if late {
            for reading in kept {
                sim.handle(Event::Reading(Reading { arrived_ms: sim.now_ms, ..reading }));
            }
        }
        sim.run_to("2027-07-08", "03:00");
        (waterings(&sim), given_mm(&sim, "2027-07-06"))
    };
    let (in_time, given_mm) = run(false);
    assert_eq!((in_time.len(), given_mm > 5.0), (1, true), "{in_time:?}");
    assert_eq!(run(true), (in_time, given_mm));
}
