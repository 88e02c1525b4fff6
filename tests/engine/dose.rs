//! What a letter about water asks for: doses spread over days, the routine, one person's load.

use rindwatch::daybook::Entry;
use rindwatch::record::{Content, Dose, MatterKey, Millis, Stand, Telling};

use super::sim::*;

const WATER: MatterKey = MatterKey::Water;
const HOLD: MatterKey = MatterKey::HoldWater;

fn doses(sim: &Sim) -> Vec<(Millis, Telling, Dose)> {
    let told = sim.told(WATER).into_iter();
    told.filter_map(|(at_ms, telling, task)| match &task.content {
        Content::Water(dose) => Some((at_ms, telling, dose.clone())),
        _ => None,
    })
    .collect()
}

/// A bed that has stood past its refill mark for days, its fruit 25 days old. The grower is free at 18:00.
fn dry_bed() -> Sim {
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-20");
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-10", "00:00");
    sim.run_to("2027-07-14", "12:00");
    sim.water("long", 14.0); // an answer: it is asked for again
    sim.run_to("2027-07-15", "12:00");
    sim.water("long", 14.0);
    sim.run_to("2027-07-16", "17:30");
    sim
}

/// The letter spread the dose over three days; the next evening's asked for the whole rest at once, since the
/// first part had ended the dry spell.
#[test]
fn a_spread_dose_is_asked_for_in_even_parts_on_the_days_that_follow() {
    let mut sim = dry_bed();
    let mut parts = Vec::new();
    for day in 16..=18 {
        sim.run_to(&format!("2027-07-{day}"), "18:30");
        let (at_ms, _, dose) = doses(&sim).pop().unwrap();
        assert!(
            sim.now_ms - at_ms < 24 * HOUR,
            "day {day}: {:?} {:?} {:?}",
            sim.told_at(WATER),
            sim.depletion_mm,
            sim.changes(WATER)
        );
        let (_, _, task) = sim.told(WATER).pop().unwrap();
        let number = task.number;
        let today = dose.today_litres.unwrap_or(dose.litres);
        sim.pour("long", today);
        sim.enter(Entry::Done { task: number });
        parts.push((dose.spread_days, today));
        sim.run_until(sim.now_ms + 10 * HOUR);
        // "Done" logs what was asked for today, not the whole of the three days.
        let given: f64 = sim
            .days()
            .iter()
            .filter(|day| day.date == date("2027-07-16"))
            .filter_map(|day| day.given_mm)
            .sum();
        if day == 16 {
            assert!((given * 7.0 / today - 1.0).abs() < 0.1, "{given} mm for {today} L");
        }
    }
    let days: Vec<u32> = parts.iter().map(|(days, _)| *days).collect();
    assert_eq!(days, [3, 2, 1], "{parts:?}");
    let mean = parts.iter().map(|(_, litres)| litres).sum::<f64>() / 3.0;
    assert!(parts.iter().all(|(_, litres)| (litres / mean - 1.0).abs() < 0.25), "{parts:?}");
    // The bed is full, not fuller; and the jump from our own watering was no alarm.
    sim.run_to("2027-07-19", "00:00");
    assert!((-1.5..4.0).contains(&sim.depletion_mm[0]), "{}", sim.depletion_mm[0]);
    assert_eq!(sim.told_at(HOLD), Vec::<String>::new());
    // Each part is a task of its own that ended with its water; nobody was reminded of what was done.
    assert!(
        doses(&sim).iter().rev().take(2).all(|(_, telling, _)| *telling == Telling::First),
        "{:?}",
        sim.told_at(WATER)
    );
    assert_eq!(sim.stand(WATER), Some(Stand::Over));
}

/// A routine of 40 L went on in the rain, and nothing said that it ran through.
#[test]
fn rain_that_does_the_work_of_the_routine_is_reason_to_skip_it() {
    let bed = BED.to_owned() + "routine = \"40 L every evening\"\n";
    let run = |rain_mm: f64| {
        let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-01", "00:00");
        for day in 1..=6 {
            sim.run_to(&format!("2027-07-{day:02}"), "19:00");
            sim.pour("long", 35.0);
        }
        let from = sim.at("2027-07-07", "10:00");
        sim.rain.push((from, from + 2 * HOUR, rain_mm));
        sim.run_to("2027-07-08", "12:00");
        sim
    };
    assert_eq!(run(1.0).told_at(HOLD), Vec::<String>::new());
    let sim = run(10.0);
    assert_eq!(sim.told_at(HOLD), ["07-07 16:00 First"]);
    let Content::HoldWater { routine_and_lack_litres, until_ms, .. } = sim.told(HOLD)[0].2.content else {
        panic!()
    };
    let (routine, lack) = routine_and_lack_litres.unwrap();
    assert!(routine == 40.0 && lack < 20.0, "{lack}");
    assert!(until_ms.unwrap() > sim.at("2027-07-08", "12:00"));
}

/// "Two cans more": the routine falls short, and the letter asks for the whole dose beside it.
#[test]
fn a_routine_that_falls_short_is_named_beside_the_dose() {
    let bed = BED.to_owned() + "routine = \"15 L every evening\"\n";
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-01", "00:00");
    for day in 1..=8 {
        sim.run_to(&format!("2027-07-{day:02}"), "19:00");
        sim.pour("long", 15.0);
    }
    let (_, _, dose) = doses(&sim).remove(0);
    assert_eq!(dose.routine_litres, Some(15.0));
    assert!(dose.litres > 60.0, "{dose:?}");
}
