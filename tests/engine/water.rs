//! When a letter about water comes, what it asks, and how the matter ends.

use proptest::prelude::*;
use rindwatch::daybook::Entry;
use rindwatch::record::{Content, Dose, MatterKey, Millis, Stand, Telling};

use super::sim::*;

const WATER: MatterKey = MatterKey::Water;

fn hours(windows: &str) -> String {
    HEAD.replace("grower@example.org\"\n", &format!("grower@example.org\"\nhours = {windows}\n"))
}

/// Depth asked for in the last letter, mm, and its other figures.
fn asked(sim: &Sim) -> Option<(f64, f64, u32, u32)> {
    let (_, _, task) = sim.told(WATER).into_iter().next_back()?;
    let Content::Water(Dose { litres, depth_mm, passes, spread_days, .. }) = task.content else {
        return None;
    };
    Some((litres, depth_mm, passes, spread_days))
}

#[test]
fn a_letter_comes_before_the_window_in_which_water_is_needed() {
    for probes in [three(), full()] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &probes]), "2027-07-01", "00:00");
        sim.run_days(10);
        let told = sim.told(WATER);
        let (at_ms, telling, task) = told[0];
        assert_eq!(telling, Telling::First);
        // An hour before the evening window, or half an hour before the quiet hours for the morning's.
        let time = &sim.shown(at_ms)[6..];
        assert!(time == "16:00" || time == "21:00", "{time}");
        let by = sim.shown(task.by_ms.unwrap());
        assert_eq!(&by[6..], if time == "16:00" { "20:00" } else { "08:00" });
        // In time: before the stress mark of about 20 mm is passed, at 5 mm a day; and not in the first days.
        assert!(at_ms > sim.at("2027-07-03", "00:00") && at_ms < sim.at("2027-07-05", "00:00"), "{time}");
    }
}

#[test]
fn the_dose_leads_to_the_full_mark_and_not_beyond() {
    let two = full() + &probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\"");
    let mut sim = Sim::new(garden(&[HEAD, BED, &two]), "2027-07-01", "00:00");
    sim.run_days(3);
    while sim.told(WATER).is_empty() {
        sim.run_until(sim.now_ms + HOUR);
    }
    let (litres, depth_mm, passes, spread) = asked(&sim).unwrap();
    assert!((litres - depth_mm * 7.0).abs() < 1e-9);
    assert!((depth_mm - sim.depletion_mm[0]).abs() < 2.5, "{depth_mm} for {}", sim.depletion_mm[0]);
    // 20 mm/h: half an hour takes 10 mm.
    assert_eq!(f64::from(passes), (depth_mm / 10.0).ceil());
    assert_eq!(spread, 1); // no fruit is logged, and none can be about 41 days after setting out
    // Given as asked, the bed is near full and the matter ends.
    sim.water("long", litres);
    sim.run_until(sim.now_ms + 5 * HOUR);
    assert!(sim.depletion_mm[0].abs() < 3.0, "{}", sim.depletion_mm[0]);
    assert_eq!(sim.stand(WATER), Some(Stand::Over));
}

#[test]
fn after_a_dry_spell_the_dose_is_spread_while_a_fruit_may_split() {
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-20");
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-10", "00:00");
    sim.run_days(4);
    for _ in 0..4 {
        sim.water("long", 20.0);
        sim.run_days(1);
    }
    let content: Vec<u32> = sim
        .told(WATER)
        .iter()
        .map(|(_, _, task)| match task.content {
            Content::Water(Dose { spread_days, .. }) => spread_days,
            _ => 0,
        })
        .collect();
    assert_eq!(content[0], 1);
    assert_eq!(content.last(), Some(&3), "{content:?}");
}

#[test]
fn no_letter_when_rain_is_enough() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    for day in 0..20 {
        let from = sim.now_ms + day * DAY + 2 * HOUR;
        sim.rain.push((from, from + HOUR, 5.5));
    }
    sim.run_days(20);
    assert_eq!(sim.told_at(WATER), Vec::<String>::new());
    assert_eq!(sim.told_at(MatterKey::HoldWater), Vec::<String>::new());
}

#[test]
fn no_letter_when_the_stated_routine_suffices() {
    let bed = BED.to_owned() + "routine = \"40 L every evening\"\n";
    for (litres, silent) in [(40.0, true), (10.0, false)] {
        let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-01", "00:00");
        for day in 1..=14 {
            sim.run_to(&format!("2027-07-{day:02}"), "19:00");
            sim.pour("long", litres);
        }
        assert_eq!(sim.told(WATER).is_empty(), silent, "{litres} L: {:?}", sim.told_at(WATER));
    }
}

#[test]
fn an_unanswered_letter_is_repeated_at_most_twice_and_told_worse_at_most_twice() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_days(30);
    let told = sim.told(WATER);
    let count = |wanted: Telling| told.iter().filter(|(_, telling, _)| *telling == wanted).count();
    assert_eq!(count(Telling::First), 1);
    assert!(count(Telling::Again) <= 2 && count(Telling::Worse) <= 2, "{:?}", sim.told_at(WATER));
    // All answer the first letter, with its task's number.
    let number = told[0].2.number;
    assert!(told.iter().all(|(_, _, task)| task.number == number));
    let letters = sim.letters();
    let of_water = letters.iter().filter(|letter| letter.tasks.iter().any(|task| task.matter == WATER));
    let of_water: Vec<_> = of_water.collect();
    for later in &of_water[1..] {
        let answers = later.answers.iter().chain(&later.also_answers);
        assert!(answers.into_iter().any(|number| *number == of_water[0].number));
    }
}

/// The bed passed its stress mark an hour after a letter had asked for water in the same window, and a second
/// letter asked for the same.
#[test]
fn worse_is_not_told_within_four_hours_of_a_letter() {
    for use_mm in [4.0, 5.0, 6.0, 7.0, 8.0] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.sky = Sky { use_mm, ..MILD };
        sim.run_days(20);
        let told: Vec<Millis> = sim.told(WATER).iter().map(|(at_ms, ..)| *at_ms).collect();
        let close = told.windows(2).any(|pair| pair[1] - pair[0] < 4 * HOUR);
        assert!(!close, "{use_mm} mm a day: {:?}", sim.told_at(WATER));
    }
}

#[test]
fn water_logged_is_in_hand_then_over_or_standing_again() {
    for (arrives, ends) in [(true, Stand::Over), (false, Stand::Standing)] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        while sim.told(WATER).is_empty() {
            sim.run_until(sim.now_ms + HOUR);
        }
        let (litres, ..) = asked(&sim).unwrap();
        sim.run_until(sim.now_ms + 2 * HOUR);
        if arrives {
            sim.water("long", litres);
        } else {
            // Much less than was asked for.
            sim.water("long", 7.0);
        }
        assert_eq!(sim.stand(WATER), Some(Stand::InHand));
        let given_ms = sim.now_ms;
        sim.run_until(given_ms + 5 * HOUR);
        assert_eq!(sim.stand(WATER), Some(ends), "{:?}", sim.changes(WATER));
        let end = sim.changes(WATER).last().unwrap().at_ms - given_ms;
        assert!((3 * HOUR..=4 * HOUR + 15 * MINUTE).contains(&end), "{} min", end / MINUTE);
    }
}

/// The answer came twice (a letter's reader tapped twice; or logged the cans and then said done), and the
/// book counted the water twice: the bed dried out while it was believed full.
#[test]
fn an_answer_given_twice_counts_once() {
    let given = |answer: &dyn Fn(&mut Sim, u32, f64)| {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        while sim.told(WATER).is_empty() {
            sim.run_until(sim.now_ms + HOUR);
        }
        let number = sim.told(WATER)[0].2.number;
        let (litres, ..) = asked(&sim).unwrap();
        sim.pour("long", litres);
        answer(&mut sim, number, litres);
        sim.run_days(2);
        let given: f64 = sim.days().iter().filter_map(|day| day.given_mm).sum();
        given * 7.0 / litres
    };
    let done = |sim: &mut Sim, task: u32| {
        sim.enter(Entry::Done { task });
    };
    let watered = |sim: &mut Sim, litres: f64| {
        sim.enter(Entry::Watered { bed: "long".into(), litres });
    };
    let close = |share: f64| (share - 1.0).abs() < 0.05;
    assert!(close(given(&|sim, task, _| done(sim, task))));
    assert!(close(given(&|sim, task, _| {
        done(sim, task);
        done(sim, task);
    })));
    assert!(close(given(&|sim, task, litres| {
        watered(sim, litres);
        done(sim, task);
    })));
}

#[test]
fn later_comes_back_at_its_time_and_not_needed_is_silent() {
    let start = || {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        while sim.told(WATER).is_empty() {
            sim.run_until(sim.now_ms + HOUR);
        }
        let number = sim.told(WATER)[0].2.number;
        (sim, number)
    };
    let (mut sim, task) = start();
    let day = sim.local(sim.now_ms).date_naive().to_string();
    sim.enter(Entry::Later { task, until: "18:30:00".parse().unwrap() });
    let back = [sim.at(&day, "18:30"), sim.at(&day, "18:30") + DAY].into_iter().find(|ms| *ms > sim.now_ms);
    sim.run_until(back.unwrap() + 90 * MINUTE);
    let told = sim.told(WATER);
    assert_eq!(told.len(), 2, "{:?}", sim.told_at(WATER));
    assert_eq!((Some(told[1].0), told[1].1), (back, Telling::Again));
    let (mut sim, task) = start();
    sim.enter(Entry::NotNeeded { task });
    assert_eq!(sim.stand(WATER), Some(Stand::Over));
    let told_ms = sim.now_ms;
    sim.run_days(1);
    // Only a worsening by a step may speak again.
    for (at_ms, _, task) in sim.told(WATER) {
        let Content::Water(Dose { depletion_mm, stress_mm, .. }) = task.content else { panic!() };
        assert!(at_ms <= told_ms || depletion_mm >= stress_mm);
    }
}

#[test]
fn rain_within_the_window_withdraws_the_task() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    while sim.told(WATER).is_empty() {
        sim.run_until(sim.now_ms + HOUR);
    }
    let from = sim.told(WATER)[0].2.by_ms.unwrap() - 3 * HOUR;
    sim.rain.push((from, from + HOUR, 18.0));
    sim.run_until(from + 3 * HOUR);
    let told = sim.told(WATER);
    assert_eq!(told.len(), 2, "{:?}", sim.told_at(WATER));
    assert_eq!(told[1].1, Telling::Withdrawn);
    assert!(told[1].0 <= from + 90 * MINUTE);
    assert_eq!(sim.stand(WATER), Some(Stand::Over));
}

/// A letter of 21:00 asked for water in the morning; it rained at two, and the withdrawal woke the grower.
#[test]
fn a_withdrawal_waits_for_the_end_of_the_quiet_hours() {
    let head = hours("[\"06:30-08:00\"]");
    let mut sim = Sim::new(garden(&[&head, BED, &full()]), "2027-07-01", "00:00");
    while sim.told(WATER).is_empty() {
        sim.run_until(sim.now_ms + HOUR);
    }
    assert_eq!(&sim.told_at(WATER)[0][6..11], "21:00");
    let night = sim.now_ms + 5 * HOUR;
    sim.rain.push((night, night + HOUR, 22.0));
    sim.run_until(night + 8 * HOUR);
    let told = sim.told_at(WATER);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[1].ends_with("06:00 Withdrawn"), "{told:?}");
}

/// After three letters nothing more came for weeks, although the bed was watered again and again: it was never
/// wet enough to end the matter, nor got worse by a step.
#[test]
fn who_waters_in_part_is_told_again() {
    // Logged, two thirds of the use; or not logged, just enough to be off the list until the next day.
    for (logged, back_to_mm) in [(true, None), (false, Some(16.0))] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.run_to("2027-07-03", "18:00");
        for _ in 0..14 {
            sim.run_days(1);
            let litres = back_to_mm.map_or(24.0, |mm| 7.0 * (sim.depletion_mm[0] - mm).max(0.0));
            if logged {
                sim.water("long", litres);
            } else if sim.depletion_mm[0] > 20.0 {
                sim.pour("long", litres);
            }
        }
        let late = sim.at("2027-07-10", "00:00");
        let told = sim.told(WATER).into_iter().filter(|(at_ms, ..)| *at_ms > late).count();
        assert!(told >= 2, "logged {logged}: {:?} {:?}", sim.told_at(WATER), sim.depletion_mm);
    }
}

#[test]
fn nobody_is_written_to_in_the_quiet_hours_about_water() {
    for windows in
        ["[\"05:00-07:00\"]", "[\"06:00-08:00\", \"17:00-20:00\"]", "[\"21:00-23:00\"]", "[\"12:00-13:00\"]"]
    {
        let mut sim = Sim::new(garden(&[&hours(windows), BED, &full()]), "2027-07-01", "00:00");
        sim.sky = HOT;
        sim.run_days(25);
        assert!(!sim.told(WATER).is_empty(), "{windows}");
        for at in sim.told_at(WATER) {
            let time = &at[6..11];
            assert!(("06:00".."21:30").contains(&time), "{windows}: {at}");
        }
    }
}

/// A storm after a dry spell: one letter said to give 50 L, the next one not to water.
#[test]
fn a_bed_that_must_not_be_watered_is_not_asked_water_for() {
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-20");
    for rain_mm in [21.0, 26.0, 32.0, 40.0] {
        let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-10", "00:00");
        sim.run_days(7);
        for _ in 0..3 {
            sim.water("long", 20.0); // an answer: it is asked for again
            sim.run_days(1);
        }
        let from = sim.now_ms + 11 * HOUR;
        sim.rain.push((from, from + 2 * HOUR, rain_mm));
        sim.run_until(from + 24 * HOUR);
        let hold = sim.told(MatterKey::HoldWater);
        assert_eq!(hold.len(), 1, "{rain_mm}");
        let after = hold[0].0;
        let asked: Vec<_> = sim
            .told(WATER)
            .into_iter()
            .filter(|(at_ms, telling, _)| *at_ms >= after && *telling != Telling::Withdrawn)
            .map(|(at_ms, telling, _)| (sim.shown(at_ms), telling))
            .collect();
        assert_eq!(asked, [], "{rain_mm} mm");
    }
}

#[test]
fn hold_water_comes_after_much_rain_on_a_dry_bed_or_a_day_above_full() {
    let key = MatterKey::HoldWater;
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-20");
    // Much rain on a bed that was not dry: no letter.
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-10", "00:00");
    let from = sim.now_ms + 36 * HOUR;
    sim.rain.push((from, from + HOUR, 12.0));
    sim.run_days(4);
    assert_eq!(sim.told_at(key), Vec::<String>::new());
    // It does not drain: rain day after day.
    for hour in 0..90 {
        sim.rain.push((sim.now_ms + hour * HOUR, sim.now_ms + hour * HOUR + HOUR, 1.2));
    }
    sim.run_days(6);
    let told = sim.told(key);
    assert_eq!(told.len(), 1, "{:?}", sim.told_at(key));
    let Content::HoldWater { over_full_hours, split_time, .. } = told[0].2.content else { panic!() };
    assert!(over_full_hours.unwrap() >= 24.0 && split_time);
    sim.run_days(5);
    assert_eq!(sim.stand(key), Some(Stand::Over));
    // The grower's own soaking is no reason.
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-10", "00:00");
    sim.run_days(2);
    sim.water("long", 250.0);
    sim.run_until(sim.now_ms + 30 * HOUR);
    assert_eq!(sim.told_at(key), Vec::<String>::new());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn more_rain_never_asks_for_more_water(
        rain in prop::collection::vec((0i64..240, 0.2f64..12.0), 0..6),
        more in (0i64..240, 0.5f64..30.0),
        soil_seen in any::<bool>(),
    ) {
        let run = |rain: &[(i64, f64)]| {
            let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
            sim.step_ms = HOUR;
            let start = sim.now_ms;
            sim.rain = rain.iter().map(|(hour, mm)| (start + hour * HOUR, start + (hour + 2) * HOUR, *mm)).collect();
            sim.run_days(1);
            if !soil_seen {
                sim.silent = vec!["wet".into()];
            }
            let mut dry = Vec::new();
            for _ in 0..9 {
                sim.run_days(1);
                dry.push(sim.engine.survey(sim.now_ms).beds[0].litres_to_full.unwrap());
            }
            dry
        };
        let less = run(&rain);
        let mut with = rain.clone();
        with.push(more);
        let wetter = run(&with);
        // A tenth of a litre a m² for the filter, whose gain moves with the inflow's own error.
        for (dry, wet) in less.iter().zip(&wetter) {
            prop_assert!(*wet <= dry + 7.0 * 1.5, "{less:?} {wetter:?}");
        }
    }

    #[test]
    fn the_marks_stand_in_their_order_and_no_dose_goes_beyond_full(
        full_pct in 20.0f64..45.0,
        span in 5.0f64..25.0,
        use_mm in 0.5f64..12.0,
        high_c in 15.0f64..42.0,
        depth_cm in 15.0f64..90.0,
    ) {
        let wilt = (full_pct - span).max(2.0);
        let bed = BED
            .replace("\"31 %\"", &format!("\"{full_pct:.1} %\""))
            .replace("\"14 %\"", &format!("\"{wilt:.1} %\""))
            .replace("\"40 cm\"", &format!("\"{depth_cm:.0} cm\""))
            .replace("\"50 %\"", "\"60 %\"");
        let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-07-01", "00:00");
        sim.step_ms = HOUR;
        sim.sky = Sky { low_c: high_c - 10.0, high_c, use_mm };
        sim.run_days(12);
        let view = &sim.engine.survey(sim.now_ms).beds[0];
        let (refill, stress, taw) = (view.refill_mm.unwrap(), view.stress_mm.unwrap(), view.taw_mm.unwrap());
        prop_assert!(0.0 < refill && refill <= stress && stress < taw);
        for (_, _, task) in sim.told(WATER) {
            let Content::Water(Dose { litres, depth_mm, refill_mm, stress_mm, share_used, .. }) = task.content else { panic!() };
            prop_assert!(litres > 0.0 && depth_mm <= taw + 1e-9);
            prop_assert!(refill_mm <= stress_mm && (0.0..=1.0).contains(&share_used));
        }
    }
}
