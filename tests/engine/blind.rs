//! A bed that cannot be seen says so once, with the gear that caused it, and is not cried dry as well.

use rindwatch::daybook::{Entry, Feel};
use rindwatch::engine::Event;
use rindwatch::record::{Content, Decision, MatterKey, Stand, Telling, Urgency};

use super::sim::*;

const BLIND: MatterKey = MatterKey::Blind;

fn running(probes: &str) -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, probes]), "2027-07-01", "00:00");
    sim.run_to("2027-07-04", "09:00");
    sim
}

fn silence(sim: &mut Sim, names: &[&str]) {
    sim.silent = names.iter().map(|name| (*name).to_owned()).collect();
}

/// What the letters say cannot be seen: when, how told, which decisions.
fn unseen(sim: &Sim) -> Vec<(String, Telling, Vec<Decision>)> {
    let told = sim.told(BLIND).into_iter();
    told.map(|(at_ms, telling, task)| match &task.content {
        Content::Blind { unseen, .. } => {
            (sim.shown(at_ms), telling, unseen.iter().map(|one| one.decision).collect())
        }
        other => panic!("{other:?}"),
    })
    .collect()
}

/// The one node with the card's three sensors died: one letter names it and what is a guess now.
#[test]
fn a_node_that_dies_is_one_letter_with_what_it_leaves_unseen() {
    let mut sim = running(&three());
    let before = sim.letters().len();
    silence(&mut sim, &["wet", "warm", "gauge"]);
    sim.run_to("2027-07-04", "23:00");
    let letters = sim.letters();
    assert_eq!(letters.len(), before + 1, "{:?}", letters.last());
    let matters: Vec<MatterKey> = letters[before].tasks.iter().map(|task| task.matter).collect();
    assert_eq!(matters, [MatterKey::Gear, BLIND]);
    assert!(letters[before].at_ms <= sim.at("2027-07-04", "10:10"));
    // The setting out is 45 days ago: a fruit may stand exposed. No night of July asks for a cover.
    assert_eq!(unseen(&sim)[0].2, [Decision::Water, Decision::Shade]);
    // Back: told at once, and once.
    sim.silent.clear();
    sim.run_to("2027-07-05", "12:00");
    let all = unseen(&sim);
    assert_eq!(all.len(), 2, "{all:?}");
    assert_eq!((all[1].0.as_str(), all[1].1), ("07-05 06:00", Telling::Withdrawn), "not in the night");
    assert_eq!(sim.stand(BLIND), Some(Stand::Over));
}

/// With a gauge that works the book alone speaks for three days; then it is told with the repeated letter about the
/// probe, and the bed is not cried dry as well.
#[test]
fn a_dead_probe_makes_a_bed_blind_after_three_days_and_then_nobody_cries_dry() {
    let mut sim = running(&full());
    sim.water("long", 130.0);
    sim.run_until(sim.now_ms + 10 * MINUTE);
    silence(&mut sim, &["wet"]);
    sim.run_to("2027-07-07", "07:00");
    assert_eq!(unseen(&sim), []);
    let water = sim.told(MatterKey::Water).len();
    sim.run_to("2027-07-11", "20:00");
    let all = unseen(&sim);
    assert_eq!(all[0].2, [Decision::Water]);
    assert!(("07-07 08:00".."07-07 12:00").contains(&all[0].0.as_str()), "{all:?}");
    assert!(all.len() <= 2, "{all:?}"); // once, and once when the book is past its stress mark
    let with: Vec<MatterKey> = sim
        .letters()
        .iter()
        .find(|letter| sim.shown(letter.at_ms) == all[0].0)
        .unwrap()
        .tasks
        .iter()
        .map(|task| task.matter)
        .collect();
    assert_eq!(with, [MatterKey::Gear, BLIND]);
    assert_eq!(sim.told(MatterKey::Water).len(), water, "no dry cried while blind");
}

/// A dry bed gone blind is one of the two things that break the quiet hours.
#[test]
fn a_dry_bed_gone_blind_is_told_at_night() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.depletion_mm[0] = 40.0;
    sim.run_to("2027-07-04", "22:00");
    silence(&mut sim, &["wet"]);
    let before = sim.letters().len();
    sim.run_to("2027-07-05", "05:00");
    let told = sim.told(BLIND);
    assert_eq!(told.len(), 1);
    assert!(
        ("07-04 22:30".."07-05 00:00").contains(&sim.shown(told[0].0).as_str()),
        "{}",
        sim.shown(told[0].0)
    );
    assert_eq!(told[0].2.urgency, Urgency::Now);
    assert!(matches!(told[0].2.content, Content::Blind { dry: true, litres: Some(_), .. }));
    let tasks: Vec<MatterKey> = sim.letters()[before].tasks.iter().map(|task| task.matter).collect();
    assert!(tasks.contains(&MatterKey::Gear) && tasks.contains(&BLIND), "{tasks:?}");
    assert_eq!(sim.letters().len(), before + 1);
}

/// A finger in the soil is sight: the book alone speaks again, for a day, and three days where rain is counted.
#[test]
fn a_finger_test_is_sight() {
    let mut sim = running(&full());
    silence(&mut sim, &["wet", "gauge"]);
    sim.run_to("2027-07-05", "08:00");
    assert_eq!(unseen(&sim).len(), 1);
    sim.enter(Entry::Felt { bed: "long".into(), feel: Feel::Damp });
    sim.run_to("2027-07-05", "08:30");
    assert_eq!(sim.stand(BLIND), Some(Stand::Over));
    sim.run_to("2027-07-06", "07:30");
    assert_eq!(unseen(&sim).len(), 1, "nobody is told that it is over: they said it themselves");
    // Rain is still not seen: it begins anew.
    sim.run_to("2027-07-06", "11:00");
    assert_eq!(unseen(&sim).len(), 2, "{:?}", unseen(&sim));
}

#[test]
fn what_was_never_measured_is_no_blindness() {
    let only = probe("gauge", "rain", "mm", "form = \"increment\"");
    let mut sim = Sim::new(garden(&[HEAD, BED, &only]), "2027-07-01", "00:00");
    sim.enter(Entry::Watered { bed: "long".into(), litres: 400.0 });
    sim.run_days(9);
    assert_eq!(unseen(&sim), []);
    // Nor is what nobody needs to see: nothing grows.
    let bare = BED.replace("planted = 2027-05-20", "planted = 2027-09-20");
    let mut sim = Sim::new(garden(&[HEAD, &bare, &three()]), "2027-07-01", "00:00");
    sim.run_days(3);
    silence(&mut sim, &["wet", "warm", "gauge"]);
    sim.run_days(5);
    assert_eq!(unseen(&sim), []);
}

/// One cause, one letter: the broker was away for six hours, and what could not be heard meanwhile was told with it.
#[test]
fn a_broker_away_is_one_letter_and_one_when_it_is_back() {
    let mut sim = running(&full());
    let before = sim.letters().len();
    sim.handle(Event::Broker(Some("connection refused".into())));
    sim.silent = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.run_to("2027-07-04", "15:00");
    let matters: Vec<Vec<MatterKey>> = sim.letters()[before..]
        .iter()
        .map(|letter| letter.tasks.iter().map(|task| task.matter).collect())
        .collect();
    assert_eq!(matters, [[MatterKey::Gear, BLIND]]);
    sim.handle(Event::Broker(None));
    sim.silent.clear();
    sim.run_to("2027-07-04", "20:00");
    assert_eq!(
        unseen(&sim).iter().map(|one| one.1).collect::<Vec<_>>(),
        [Telling::First, Telling::Withdrawn]
    );
    // Forty minutes away are nothing.
    let before = sim.letters().len();
    sim.handle(Event::Broker(Some("connection refused".into())));
    sim.silent = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.run_to("2027-07-04", "20:40");
    sim.handle(Event::Broker(None));
    sim.silent.clear();
    sim.run_to("2027-07-04", "23:00");
    assert_eq!(sim.letters().len(), before);
}

/// The box was off for four days: nobody could be heard, and the probes are given their time first.
#[test]
fn a_box_that_was_off_calls_no_bed_blind() {
    let mut sim = running(&three());
    let at_ms = sim.now_ms + 4 * DAY;
    sim.handle_at(Event::Turn, at_ms);
    sim.run_until(at_ms + DAY);
    assert_eq!(unseen(&sim), []);
}

/// In September the nights ask for a cover, and without any thermometer none can be foreseen.
#[test]
fn without_air_and_shallow_soil_cover_cannot_be_foreseen() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-09-16", "00:00");
    sim.run_to("2027-09-20", "09:00");
    silence(&mut sim, &["air"]);
    sim.run_to("2027-09-20", "20:00");
    assert_eq!(unseen(&sim), [], "the soil still tells");
    silence(&mut sim, &["air", "warm"]);
    sim.run_to("2027-09-21", "20:00");
    let all = unseen(&sim);
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(all[0].2.contains(&Decision::Cover) && !all[0].2.contains(&Decision::Water), "{all:?}");
}

/// A probe at the edge of the radio comes and goes: no more than one letter a day says so.
#[test]
fn sight_that_comes_and_goes_is_no_flood() {
    let mut sim = running(&three());
    for _ in 0..12 {
        silence(&mut sim, &["wet", "warm", "gauge"]);
        sim.run_until(sim.now_ms + 3 * HOUR);
        sim.silent.clear();
        sim.run_until(sim.now_ms + HOUR);
    }
    let first = unseen(&sim).iter().filter(|one| one.1 != Telling::Withdrawn).count();
    assert!((1..=3).contains(&first), "{:?}", unseen(&sim));
}

/// A bed that waits in May for its plant: the page says that nobody sees how warm it is, and no letter does.
#[test]
fn a_bed_that_waits_without_a_thermometer_is_a_note() {
    let bare = BED.replace("planted = 2027-05-20\n", "").replace("leafed = \"7 m2\"\n", "");
    let mut sim = Sim::new(garden(&[HEAD, &bare, &full()]), "2027-05-01", "00:00");
    sim.run_days(4);
    assert_eq!(sim.stand(BLIND), None);
    silence(&mut sim, &["warm"]);
    sim.run_days(1);
    assert_eq!(sim.stand(BLIND), Some(Stand::Standing));
    assert_eq!(unseen(&sim), []);
    sim.silent.clear();
    sim.run_days(1);
    assert_eq!(sim.stand(BLIND), Some(Stand::Over));
}
