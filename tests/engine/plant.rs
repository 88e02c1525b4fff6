//! Before the plant is set out, and after it can no longer be alive.

use rindwatch::daybook::parse;
use rindwatch::record::{MatterKey, Stand};

use super::sim::*;

const PLANT: MatterKey = MatterKey::Plant;
const COVER: MatterKey = MatterKey::Cover;

/// A bed that waits: a thermometer at 10 cm and one in the core.
fn waiting() -> Sim {
    let bed = BED.replace("planted = 2027-05-20\n", "").replace("leafed = \"7 m2\"\n", "");
    let probes = full()
        + &probe("seed", "soil-temperature", "C", "depth = \"10 cm\"")
        + &probe("core", "soil-temperature", "C", "depth = \"30 cm\"");
    let mut sim = Sim::new(garden(&[HEAD, &bed, &probes]), "2027-04-10", "00:00");
    sim.step_ms = HOUR;
    sim
}

/// Days in which a probe reads about a value; the very same one for a day would be a stuck probe.
fn hold(sim: &mut Sim, days: i64, values: &[(&str, f64)]) {
    for step in 0..4 * days {
        for (name, value) in values {
            sim.lies.insert((*name).to_owned(), value + if step % 2 == 0 { 0.02 } else { -0.02 });
        }
        sim.run_until(sim.now_ms + 6 * HOUR);
    }
}

fn notes(sim: &Sim) -> String {
    sim.engine.survey(sim.now_ms).beds[0].notes.join(" ")
}

fn why(sim: &Sim) -> String {
    let survey = sim.engine.survey(sim.now_ms);
    survey
        .matters
        .iter()
        .find(|matter| matter.matter == PLANT)
        .map(|matter| matter.why.clone())
        .unwrap_or_default()
}

#[test]
fn a_bed_warm_enough_is_a_note_on_the_page_and_in_no_letter() {
    let mut sim = waiting();
    hold(&mut sim, 5, &[("seed", 15.02), ("core", 20.0)]);
    assert_eq!(sim.stand(PLANT), None);
    assert!(notes(&sim).contains("15.0 °C") && notes(&sim).contains("3.0 °C short"), "{}", notes(&sim));
    hold(&mut sim, 2, &[("seed", 18.52), ("core", 20.0)]); // two warm dawns are no three
    assert_eq!(sim.stand(PLANT), None);
    hold(&mut sim, 1, &[("seed", 18.52), ("core", 20.0)]);
    assert_eq!(sim.stand(PLANT), Some(Stand::Standing));
    sim.run_days(3);
    assert!(
        why(&sim).starts_with("warm enough to set out since 17 April: 18.5 °C at 10 cm"),
        "{}",
        why(&sim)
    );
    assert!(!notes(&sim).contains("too cold"), "{}", notes(&sim));
    // A degree colder it still stands; more, and it is over.
    hold(&mut sim, 4, &[("seed", 17.2), ("core", 20.0)]);
    assert_eq!(sim.stand(PLANT), Some(Stand::Standing));
    hold(&mut sim, 4, &[("seed", 16.5), ("core", 20.0)]);
    assert_eq!(sim.stand(PLANT), Some(Stand::Over));
    assert!(sim.told(PLANT).is_empty());
}

#[test]
fn a_core_too_hot_holds_the_plant_back_and_says_when_it_may_be_cool() {
    let mut sim = waiting();
    for day in 0..6 {
        hold(&mut sim, 1, &[("seed", 21.0), ("core", 42.0 - f64::from(day))]);
    }
    let words = why(&sim);
    assert!(
        words.starts_with("too hot inside, do not plant yet: 37 °C at 30 cm, cooling 1.0 °C a day"),
        "{words}"
    );
    assert!(words.contains("cool enough about 21 April"), "{words}");
    hold(&mut sim, 2, &[("seed", 21.0), ("core", 33.0)]);
    assert!(why(&sim).starts_with("too hot"), "{}", why(&sim));
    hold(&mut sim, 2, &[("seed", 21.0), ("core", 31.0)]);
    assert!(why(&sim).starts_with("warm enough"), "{}", why(&sim));
    // Both are on record, each with its reason.
    let stood: Vec<_> =
        sim.changes(PLANT).into_iter().filter(|change| change.to == Stand::Standing).collect();
    assert!(stood.len() == 2 && stood[0].why.starts_with("too hot") && stood[1].why.starts_with("warm"));
}

#[test]
fn a_core_felt_hot_counts_where_no_thermometer_is_and_setting_out_ends_it() {
    let bed = BED.replace("planted = 2027-05-20\n", "").replace("leafed = \"7 m2\"\n", "");
    let mut sim = Sim::new(garden(&[HEAD, &bed, &full()]), "2027-05-10", "00:00");
    sim.sky = Sky { low_c: 19.0, high_c: 27.0, use_mm: 3.0 };
    sim.run_days(4);
    assert!(why(&sim).starts_with("warm enough"), "{}", why(&sim));
    sim.enter(parse("mound core hot", &sim.garden).unwrap());
    sim.run_days(1);
    assert!(why(&sim).contains("felt to be hot on 14 May"), "{}", why(&sim));
    sim.run_days(8);
    assert!(why(&sim).starts_with("warm enough"), "{}", why(&sim));
    sim.enter(parse("planted long", &sim.garden).unwrap());
    sim.run_days(1);
    assert_eq!(sim.stand(PLANT), Some(Stand::Over));
    sim.enter(parse("fruit f1 cut", &sim.garden).unwrap());
    sim.run_days(2);
    assert_eq!(sim.stand(PLANT), Some(Stand::Over));
}

fn autumn(sky: Sky) -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-10-01", "00:00");
    sim.step_ms = HOUR;
    sim.sky = sky;
    sim
}

/// Nobody logged the cutting, and a letter about cover came every night until spring.
#[test]
fn a_plant_that_cannot_be_alive_is_not_covered_any_more() {
    let mut sim = autumn(Sky { low_c: 1.0, high_c: 13.0, use_mm: 1.0 });
    sim.run_days(6);
    let before = sim.told(COVER).len();
    assert!(before >= 5);
    sim.sky = Sky { low_c: -6.0, high_c: 8.0, use_mm: 1.0 };
    sim.run_days(3);
    let killed = sim.told(COVER).len();
    assert!(killed <= before + 2, "{:?}", sim.told_at(COVER));
    sim.run_days(30);
    assert_eq!(sim.told(COVER).len(), killed, "{:?}", sim.told_at(COVER));
    let notes = notes(&sim);
    assert!(notes.contains("No cover letters any more") && notes.contains("-4 °C or less for"), "{notes}");
    // A line that shows it lives is believed, until the next such night.
    sim.sky = Sky { low_c: 1.0, high_c: 13.0, use_mm: 1.0 };
    sim.run_days(2);
    sim.enter(parse("covered long", &sim.garden).unwrap());
    sim.run_days(3);
    assert!(sim.told(COVER).len() > killed);
}

/// Hours under 0 °C were summed as 0, as if they were rain: a day of frost had the mean of a mild one.
#[test]
fn the_mean_of_a_freezing_day_is_below_zero() {
    let mut sim = autumn(Sky { low_c: -12.0, high_c: -2.0, use_mm: 0.0 });
    sim.run_days(3);
    let day = sim.days().into_iter().find(|day| day.date == date("2027-10-02")).unwrap();
    assert!(day.air_mean_c.is_some_and(|mean_c| (mean_c + 7.0).abs() < 0.2), "{:?}", day.air_mean_c);
}

#[test]
fn cold_soil_for_a_week_ends_it_too_and_a_plant_in_spring_is_not_given_up() {
    let mut sim = autumn(Sky { low_c: -1.0, high_c: 5.0, use_mm: 0.5 });
    sim.run_days(6);
    let early = sim.told(COVER).len();
    assert!(early >= 5, "{:?}", sim.told_at(COVER));
    sim.run_days(20);
    assert!(sim.told(COVER).len() <= early + 3, "{:?}", sim.told_at(COVER));
    assert!(notes(&sim).contains("under 6 °C for a week"), "{}", notes(&sim));
    let mut spring = Sim::new(garden(&[HEAD, BED, &full()]), "2027-05-21", "00:00");
    spring.step_ms = HOUR;
    spring.sky = Sky { low_c: -6.0, high_c: 9.0, use_mm: 1.0 };
    spring.run_days(8);
    assert!(spring.told(COVER).len() >= 7, "{:?}", spring.told_at(COVER));
}

#[test]
fn the_dusk_letter_names_the_hour_and_the_page_follows_the_night() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-05-25", "00:00");
    sim.run_to("2027-05-25", "12:00"); // a night has the sky of its evening
    for day in 0..14 {
        let low_c = 10.0 + f64::from(day % 5);
        sim.sky = Sky { low_c, high_c: low_c + 12.0, use_mm: 1.0 };
        sim.run_days(1);
    }
    sim.run_to("2027-06-08", "17:00");
    let before = sim.told(COVER).len();
    // The evening turns far colder than the afternoon let foresee.
    for (time, air_c) in [("18:00", 15.0), ("19:00", 12.0), ("20:00", 9.0), ("21:00", 6.0)] {
        sim.run_to("2027-06-08", time);
        sim.lies.insert("air".into(), air_c);
    }
    sim.run_to("2027-06-08", "23:30");
    assert_eq!(sim.told(COVER).len(), before + 1, "{:?}", sim.told_at(COVER));
    let told = sim.told(COVER);
    let rindwatch::record::Content::Cover { sign, crosses_ms, .. } = told.last().unwrap().2.content else {
        panic!()
    };
    assert_eq!(sign, rindwatch::record::ColdSign::Dusk);
    let at = sim.shown(crosses_ms.unwrap());
    assert!(("06-08 23:00".."06-09 05:30").contains(&at.as_str()), "{at}");
    sim.lies.insert("air".into(), 4.0);
    sim.run_to("2027-06-09", "01:30");
    let notes = notes(&sim);
    assert!(notes.contains("Tonight by the evening's curve") && notes.contains("3 °C about"), "{notes}");
    sim.run_to("2027-06-09", "12:00");
    assert!(!self::notes(&sim).contains("Tonight"), "{}", self::notes(&sim));
}

#[test]
fn the_heat_of_yesterday_is_a_note() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-05", "00:00");
    sim.step_ms = HOUR;
    sim.sky = Sky { low_c: 25.0, high_c: 38.0, use_mm: 6.0 };
    sim.run_to("2027-07-07", "09:00");
    let notes = notes(&sim);
    for words in ["degree-hours over 32 °C", "a night that stayed at 25 °C", "kPa of vapour"] {
        assert!(notes.contains(words), "{notes}");
    }
    sim.sky = MILD;
    sim.run_days(3);
    assert!(!self::notes(&sim).contains("Yesterday"), "{}", self::notes(&sim));
}
