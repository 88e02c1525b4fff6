//! Shade and cover: told at their hours, to who can act, and not where nothing stands exposed.

use rindwatch::daybook::{Entry, FlowerState, FruitState};
use rindwatch::engine::Event;
use rindwatch::record::{ColdSign, Content, MatterKey, Stand};

use super::sim::*;

const SHADE: MatterKey = MatterKey::Shade;
const COVER: MatterKey = MatterKey::Cover;
/// A cold night in June, with a warm day before it.
const COLD: Sky = Sky { low_c: 1.0, high_c: 13.0, use_mm: 1.0 };

fn person(hours: &str) -> String {
    HEAD.replace("grower@example.org\"\n", &format!("grower@example.org\"\nhours = {hours}\n"))
}

fn pollinated(day: &str) -> String {
    BED.replace("planted = 2027-05-20", &format!("planted = 2027-05-20\npollinated = {day}"))
}

#[test]
fn shade_is_told_when_who_is_asked_can_still_do_it() {
    for (hours, quiet, told, by) in [
        ("[\"06:00-08:00\", \"17:00-20:00\"]", "21:30-06:00", "06:15", "08:00"),
        ("[\"06:00-11:00\"]", "21:30-06:00", "09:30", "11:00"),
        ("[\"10:30-12:00\"]", "21:30-06:00", "09:30", "11:00"),
        // The quiet hours reach beyond 06:15.
        ("[\"06:00-08:00\", \"17:00-20:00\"]", "21:30-07:00", "07:00", "08:00"),
    ] {
        let head = person(hours) + &format!("\n[times]\nquiet = \"{quiet}\"\n");
        let mut sim = Sim::new(garden(&[&head, &pollinated("2027-07-01"), &full()]), "2027-07-05", "00:00");
        sim.sky = HOT;
        sim.run_days(5);
        let all = sim.told_at(SHADE);
        assert_eq!(all.len(), 5, "{hours} {all:?}");
        assert!(all.iter().all(|at| at.ends_with(&format!("{told} First"))), "{hours} {quiet}: {all:?}");
        for (_, _, task) in sim.told(SHADE) {
            assert_eq!(&sim.shown(task.by_ms.unwrap())[6..], by, "{hours} {quiet}");
        }
    }
}

#[test]
fn shade_comes_by_half_past_ten_or_not_at_all() {
    let head = person("[\"06:00-11:00\"]");
    let mut sim = Sim::new(garden(&[&head, &pollinated("2027-07-01"), &full()]), "2027-07-05", "00:00");
    sim.run_to("2027-07-07", "09:40");
    sim.sky = HOT; // it turns hot only now
    sim.run_to("2027-07-07", "23:00");
    let all = sim.told_at(SHADE);
    assert!(all.iter().all(|at| &at[6..11] <= "10:30"), "{all:?}");
    // No reading all morning: no guess at noon.
    let mut sim = Sim::new(garden(&[&head, &pollinated("2027-07-01"), &full()]), "2027-07-05", "00:00");
    sim.sky = HOT;
    sim.run_to("2027-07-07", "05:00");
    let before = sim.told(SHADE).len();
    sim.silent = vec!["air".into(), "warm".into()];
    sim.run_to("2027-07-07", "11:00");
    sim.silent.clear();
    sim.run_to("2027-07-07", "23:00");
    assert_eq!(sim.told(SHADE).len(), before);
}

#[test]
fn only_an_exposed_fruit_is_shaded() {
    let none = BED.replace("planted = 2027-05-20", "planted = 2027-07-01");
    let run = |bed: &str, entries: &[Entry]| {
        let mut sim = Sim::new(garden(&[HEAD, bed, &full()]), "2027-07-05", "00:00");
        sim.sky = HOT;
        sim.run_to("2027-07-06", "12:00");
        for entry in entries {
            sim.enter(entry.clone());
        }
        let before = sim.told(SHADE).len();
        sim.run_days(3);
        (before, sim.told(SHADE).len() - before)
    };
    let set = pollinated("2027-07-01");
    assert_eq!(run(&set, &[]), (2, 3));
    assert_eq!(run(&none, &[]), (0, 0)); // set out five days ago
    let by_hand = FlowerState::Pollinated { by_hand: true };
    assert_eq!(run(&none, &[Entry::Flower { flower: "f1".into(), state: by_hand, bed: None }]), (0, 3));
    assert_eq!(run(&set, &[Entry::Shaded { what: "f1".into(), on: true }]), (2, 0));
    let cut = Entry::Fruit { fruit: "f1".into(), state: FruitState::Cut, bed: None };
    assert_eq!(run(&set, std::slice::from_ref(&cut)), (2, 0));
    assert_eq!(run(&set, &[cut, Entry::Planted { bed: "long".into() }]).1, 3);
}

/// The spare fruit was cut, and no letter came any more for the one that was kept.
#[test]
fn cutting_a_spare_does_not_end_the_season_of_the_keeper() {
    let mut sim = Sim::new(garden(&[HEAD, &pollinated("2027-07-01"), &full()]), "2027-07-05", "00:00");
    sim.sky = HOT;
    sim.enter(Entry::Fruit { fruit: "f1".into(), state: FruitState::Keeper, bed: None });
    sim.enter(Entry::Fruit { fruit: "f2".into(), state: FruitState::Cut, bed: None });
    sim.run_days(2);
    assert_eq!(sim.told(SHADE).len(), 2);
    sim.enter(Entry::Fruit { fruit: "f1".into(), state: FruitState::Cut, bed: None });
    sim.run_days(2);
    assert_eq!(sim.told(SHADE).len(), 2);
}

#[test]
fn after_the_cutting_only_gear_speaks() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-09-05", "00:00");
    sim.run_days(3);
    sim.enter(Entry::Fruit { fruit: "f1".into(), state: FruitState::Cut, bed: None });
    let before = sim.letters().len();
    sim.sky = Sky { low_c: -4.0, high_c: 35.0, use_mm: 6.0 };
    sim.run_days(10);
    assert_eq!(sim.letters().len(), before, "{:?}", sim.letters().last());
    sim.silent = vec!["wet".into()];
    sim.run_days(1);
    assert_eq!(sim.told(MatterKey::Gear).len(), 1);
}

#[test]
fn cover_is_told_in_the_afternoon_and_once_a_night() {
    for probes in [full(), three()] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &probes]), "2027-05-25", "00:00");
        sim.sky = COLD;
        sim.run_days(6);
        let all = sim.told_at(COVER);
        let night = |at_ms: i64| sim.local(at_ms - 12 * HOUR).date_naive();
        let nights: std::collections::BTreeSet<_> =
            sim.told(COVER).into_iter().map(|(at_ms, ..)| night(at_ms)).collect();
        assert!(all.len() >= 5 && nights.len() == all.len(), "{all:?}");
        assert!(all.iter().skip(1).all(|at| at.ends_with("16:00 First")), "{all:?}");
    }
}

#[test]
fn the_air_at_the_mark_with_nobody_told_breaks_the_quiet_hours_once() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-05-25", "00:00");
    sim.sky = Sky { low_c: 12.0, high_c: 24.0, use_mm: 1.0 };
    sim.run_to("2027-05-27", "23:00");
    assert_eq!(sim.told_at(COVER), Vec::<String>::new());
    sim.lies.insert("air".into(), 6.0);
    sim.run_to("2027-05-28", "00:30");
    sim.lies.insert("air".into(), 2.6);
    sim.run_to("2027-05-28", "02:30");
    sim.lies.insert("air".into(), 3.4); // and up and down again
    sim.run_to("2027-05-28", "03:30");
    sim.lies.insert("air".into(), 2.0);
    sim.run_to("2027-05-28", "12:00");
    let told = sim.told(COVER);
    assert_eq!(told.len(), 1, "{:?}", sim.told_at(COVER));
    assert!(
        sim.told_at(COVER)[0].starts_with("05-28 00:45") || sim.told_at(COVER)[0].starts_with("05-28 01")
    );
    let Content::Cover { sign, .. } = told[0].2.content else { panic!() };
    assert!(sign != ColdSign::Afternoon && told[0].2.urgency == rindwatch::record::Urgency::Now);
    assert_eq!(sim.stand(COVER), Some(Stand::Over));
}

/// The sheets were logged one evening and taken off in the morning without a word; no cold night was told
/// any more that season.
#[test]
fn sheets_of_one_night_do_not_cover_the_next() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-05-25", "00:00");
    sim.sky = COLD;
    sim.run_to("2027-05-27", "18:00");
    let before = sim.told(COVER).len();
    sim.enter(Entry::Covered { what: "long".into(), on: true });
    sim.run_to("2027-05-28", "12:00");
    assert_eq!(sim.told(COVER).len(), before);
    sim.run_to("2027-05-28", "18:00");
    assert_eq!(sim.told(COVER).len(), before + 1);
}

/// A line of yesterday morning was typed in after that of yesterday evening, and undid it.
#[test]
fn lines_count_by_when_they_happened() {
    let mut sim = Sim::new(garden(&[HEAD, &pollinated("2027-07-01"), &full()]), "2027-07-05", "00:00");
    sim.sky = HOT;
    sim.run_days(1);
    let morning = sim.now_ms - 14 * HOUR;
    let evening = sim.now_ms - 4 * HOUR;
    let line = |on| Entry::Shaded { what: "f1".into(), on };
    sim.handle(Event::Entry { entry: line(true), happened_ms: evening });
    sim.handle(Event::Entry { entry: line(false), happened_ms: morning });
    sim.run_days(2);
    assert_eq!(sim.told(SHADE).len(), 1);
}

#[test]
fn the_cards_three_sensors_bring_water_shade_and_cover_and_name_their_guesses() {
    let text = include_str!("../../config/minimal.toml");
    let mut sim = Sim::new(garden(&[text]), "2027-05-25", "00:00");
    sim.sky = COLD;
    sim.run_days(7);
    sim.sky = MILD;
    sim.run_to("2027-07-15", "00:00");
    sim.sky = Sky { low_c: 20.0, high_c: 38.0, use_mm: 7.0 };
    sim.run_days(20);
    let guessed = |key: MatterKey, words: &str| {
        let told = sim.told(key);
        assert!(!told.is_empty(), "{key}");
        for (_, _, task) in &told {
            let said = task.evidence.guesses.join("; ");
            assert!(said.contains(words) && said.contains('±'), "{key}: {said}");
        }
    };
    guessed(MatterKey::Water, "guessed from the soil");
    guessed(SHADE, "maximum from soil temperature");
    guessed(COVER, "minimum from soil temperature");
    assert_eq!(sim.told_at(MatterKey::Gear), Vec::<String>::new());
}

#[test]
fn a_stand_in_is_asked_while_the_grower_is_away() {
    let head = HEAD.to_owned()
        + "\n[people.neighbour]\nrole = \"stand-in\"\naddress = \"neighbour@example.org\"\nhours = [\"06:30-08:30\", \"17:30-20:00\"]\n";
    let mut sim = Sim::new(garden(&[&head, &pollinated("2027-06-20"), &full()]), "2027-07-01", "00:00");
    sim.sky = HOT;
    sim.enter(Entry::Away { from: date("2027-07-04"), to: date("2027-07-08"), stand_in: None });
    for _ in 0..12 {
        sim.run_to(&sim.local(sim.now_ms).date_naive().to_string(), "23:00");
        sim.run_until(sim.now_ms + 7 * HOUR);
        sim.water("long", 40.0);
    }
    for letter in sim.letters() {
        for task in &letter.tasks {
            // Who is there when the work is to be done.
            let day = sim.local(task.by_ms.unwrap_or(letter.at_ms)).date_naive();
            let away = (date("2027-07-04")..=date("2027-07-08")).contains(&day);
            assert_eq!(
                letter.person,
                if away { "neighbour" } else { "grower" },
                "{} {:?}",
                sim.shown(letter.at_ms),
                task.content
            );
        }
    }
    assert!(sim.letters().iter().any(|letter| letter.person == "neighbour"));
}

#[test]
fn what_is_due_together_is_one_letter_in_the_order_of_deadlines() {
    let two = BED.to_owned() + &BED.replace("bed.long", "bed.round").replace("\"7 m2\"", "\"6 m2\"");
    let probes = full()
        .replace("unit = \"m3/m3\"\n", "unit = \"m3/m3\"\nbed = \"long\"\n")
        .replace("unit = \"C\"\ndepth = \"5 cm\"", "unit = \"C\"\nbed = \"round\"\ndepth = \"5 cm\"")
        + &probe("other", "soil-moisture", "m3/m3", "bed = \"round\"\ndepth = \"15 cm\"");
    let mut sim = Sim::new(garden(&[HEAD, &two, &probes]), "2027-07-01", "00:00");
    sim.sky = HOT;
    sim.run_days(12);
    let mut both = 0;
    let mut last: Option<i64> = None;
    for letter in sim.letters() {
        let by: Vec<_> = letter.tasks.iter().map(|task| task.by_ms.unwrap_or(i64::MAX)).collect();
        assert!(by.is_sorted(), "{by:?}");
        assert!(last.is_none_or(|last| letter.at_ms - last >= 15 * MINUTE), "two letters at once");
        last = Some(letter.at_ms);
        both += usize::from(letter.tasks.len() >= 2);
    }
    assert!(both > 3, "{both}");
    // Numbers of letters and tasks are never used twice.
    let letters: Vec<u32> = sim.letters().iter().map(|letter| letter.number).collect();
    assert!(letters.windows(2).all(|pair| pair[1] == pair[0] + 1));
}
